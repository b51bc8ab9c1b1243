"""Two versions in one picture: one scale, lined up at the exit, differences written, notes side by side."""

import itertools

import pytest
from picture_models import large_flute, marks_for, tapered_eight_hole
from picture_reading import SVG, assert_readable, groups_of, page_of, texts_of

from fluewright.instrument.files import validate_model
from fluewright.instrument.starting import load, starting_models
from fluewright.pictures.comparison import comparison_picture
from fluewright.pictures.palette import palette_for
from fluewright.pictures.results import NoteMark

D5, F4, EIGHT = load("d5-cylinder"), load("f4-taper"), load("c5-eight-hole")
ALL = {**{name: load(name) for name in starting_models()}, "large": large_flute(), "taper": tapered_eight_hole()}


def with_hole(model, index, **by):
    raw = model.model_dump()
    for key, value in by.items():
        raw["holes"][index][key] += value
    return validate_model(raw)


def picture(old, new, **kw):
    kinds = ("predicted",)
    return comparison_picture(old, new, marks_for(old, kinds=kinds), marks_for(new, seed=2, kinds=kinds), **kw)


def words_of(root, name):
    (group,) = groups_of(root, class_="join", data_join=name)
    return [text.text for text in group.iter(f"{SVG}text")]


@pytest.mark.parametrize(("first", "second"), list(itertools.permutations(ALL, 2)))
def test_any_two_models_stand_readable_in_one_picture(first, second):
    for width in (85.0, 180.0):
        assert_readable(picture(ALL[first], ALL[second], names=(first, second), width_mm=width))


@pytest.mark.parametrize("theme", ["light", "dark", "paper"])
def test_both_are_drawn_to_one_scale_from_the_exit(theme):
    svg = picture(D5, F4, theme=theme)
    root, *_ = page_of(svg)
    zero, scale = float(root.get("data-zero-mm")), float(root.get("data-scale"))
    for kind, model in (("older", D5), ("newer", F4)):
        (body,) = groups_of(root, class_=kind)
        centres = [
            ((float(e.get("cx")) - zero) / scale, 2.0 * float(e.get("rx")) / scale) for e in body.iter(f"{SVG}ellipse")
        ]
        assert centres == [pytest.approx((h.position_mm, h.diameter_mm), abs=2e-3) for h in model.holes]
        outline, window = list(body.iter(f"{SVG}polygon"))[:2]
        xs = [(float(p.split(",")[0]) - zero) / scale for p in outline.get("points").split()]
        assert max(xs) == pytest.approx(model.length_mm, abs=2e-3)
        assert (outline.get("stroke-dasharray") is not None) == (kind == "older")
        edges = [(float(p.split(",")[0]) - zero) / scale for p in window.get("points").split()]
        assert (min(edges), max(edges)) == pytest.approx((0.0, model.head.window_length_mm), abs=2e-3)
    assert {e.get("stroke") for e in root.iter(f"{SVG}polygon")} - {None} <= set(vars(palette_for(theme)).values())


def test_differences_over_five_micrometres_are_written_and_no_others():
    new = with_hole(
        with_hole(with_hole(D5, 0, diameter_mm=0.004), 1, position_mm=-0.006), 4, position_mm=1.2, diameter_mm=-0.3
    )
    root, *_ = page_of(picture(D5, new))
    names = [hole.name for hole in D5.holes]
    assert words_of(root, names[0]) == []
    assert words_of(root, names[1]) == ["−0.01"]
    assert words_of(root, names[4]) == ["+1.20", "⌀−0.30"]
    assert words_of(root, "foot") == words_of(root, "edge") == []


def test_holes_that_one_version_lacks_are_named_added_or_gone():
    root, *_ = page_of(picture(D5, EIGHT))
    assert words_of(root, "thumb") == words_of(root, "7") == ["added"]
    assert words_of(root, "1")[0] == f"{EIGHT.holes[1].position_mm - D5.holes[0].position_mm:+.2f}".replace("-", "−")
    assert words_of(root, "foot") == ["foot", "+20.82"]
    back, *_ = page_of(picture(EIGHT, D5))
    assert words_of(back, "thumb") == words_of(back, "7") == ["gone"]


def test_nothing_that_differs_is_said_in_words():
    marks = marks_for(D5, kinds=("predicted",))
    texts = texts_of(comparison_picture(D5, D5, marks, marks))
    assert "nothing differs: both versions have the same numbers" in texts
    assert "no note differs" in texts
    raw = D5.model_dump()
    raw["conditions"]["temperature_c"] = 23.0
    texts = texts_of(comparison_picture(D5, validate_model(raw), [], []))
    assert "holes, window and length are the same; other numbers that differ: 1" in texts
    assert not any(
        text.startswith("nothing differs") for text in texts_of(picture(D5, with_hole(D5, 2, diameter_mm=0.1)))
    )


def test_older_marks_are_hollow_newer_filled_in_order_of_pitch():
    palette = palette_for("light")
    old = [NoteMark("E5", 1, 4.0, 1.0, "measured", None), NoteMark("D5", 1, -3.0, 0.0, "predicted", None),
           NoteMark("D6", 2, 2.0, 0.0, "predicted", None)]  # fmt: skip
    new = [NoteMark("D5", 1, -1.5, 0.0, "predicted", None), NoteMark("F5", 1, 70.0, 0.0, "predicted", None),
           NoteMark("D6", 2, 2.0, 0.0, "predicted", None)]  # fmt: skip
    svg = comparison_picture(D5, D5, old, new)
    notes = groups_of(page_of(svg)[0], class_="note")
    assert [(n.get("data-note"), n.get("data-register")) for n in notes] == [
        ("D5", "1"), ("E5", "1"), ("F5", "1"), ("D6", "2"),
    ]  # fmt: skip
    told = [[text.text for text in note.iter(f"{SVG}text")] for note in notes]
    assert told == [
        ["D5", "−3.0", "−1.5", "+1.5"], ["E5", "+4.0", "–", "–"], ["F5", "–", "+70.0", "–"],
        ["D6", "+2.0", "+2.0", "0.0"],
    ]  # fmt: skip
    fills = [[e.get("fill") for e in note.iter(f"{SVG}ellipse")] for note in notes[:3]]
    assert fills == [[palette.ground, palette.register_1_text], [palette.ground], [palette.register_1_text]]
    older, newer = (e for e in notes[0].iter(f"{SVG}ellipse"))
    assert float(older.get("cx")) < float(newer.get("cx"))
    assert float(older.get("cy")) > float(newer.get("cy"))
    diamonds = [e.get("fill") for e in notes[3].iter(f"{SVG}polygon")]
    assert diamonds == [palette.ground, palette.register_2_text]
    assert "no note differs" not in texts_of(svg)


def test_without_notes_only_the_bodies_are_drawn():
    svg = comparison_picture(D5, F4, [], [])
    assert not groups_of(page_of(svg)[0], class_="note")
    assert_readable(svg)


def test_hostile_names_stay_text():
    name = "</svg><script>alert(1)</script>"
    svg = comparison_picture(D5, D5, [], [], names=(name, name), width_mm=260.0)
    assert "script" not in {e.tag.rsplit("}", 1)[1] for e in page_of(svg)[0].iter()}
    assert f"full: {name}" in texts_of(svg)
