"""A hole has one name: every picture and template calls it as the model does, at its place, never by a number."""

import re

import pytest
from picture_models import large_flute, marks_for, tapered_eight_hole
from picture_reading import SVG, assert_readable, page_of

from fluewright.instrument.files import validate_model
from fluewright.instrument.starting import load
from fluewright.making.template import template_sheets
from fluewright.pictures import hanging_chart, side_view, top_view
from fluewright.pictures.comparison import comparison_picture
from fluewright.pictures.standing import standing_wave

EIGHT = load("c5-eight-hole")


def renamed(model, names):
    """Return a model whose holes have other names."""
    raw = model.model_dump()
    for hole, name in zip(raw["holes"], names, strict=True):
        hole["name"] = name
    return validate_model(raw)


LONG = renamed(EIGHT, [f"{where} hole under the {which} finger" for which in ("first", "second", "third", "fourth")
                       for where in ("the upper", "the lower")])  # fmt: skip
MODELS = {
    "c5-eight-hole": EIGHT, "long": LONG, "taper": tapered_eight_hole(), "large": large_flute(),
    "backward": renamed(EIGHT, list("87654321")),
}  # fmt: skip


def labels(svg):
    """Return (text, x, y) of every label."""
    return [(t.text, float(t.get("x")), float(t.get("y"))) for t in page_of(svg)[0].iter(f"{SVG}text")]


def scale_of(svg):
    root, *_ = page_of(svg)
    return float(root.get("data-zero-mm")), float(root.get("data-scale"))


def wave(model, **kw):
    return standing_wave(model, [0.0, model.length_mm], [1.0, 0.0], [0.0, 1.0], title="wave", **kw)


PICTURES = {
    "chart": lambda model: hanging_chart(model, []),
    "top": top_view,
    "wave": wave,
    "older": lambda model: comparison_picture(model, load("d5-cylinder"), [], []),
    "newer": lambda model: comparison_picture(load("d5-cylinder"), model, [], []),
    "both": lambda model: comparison_picture(model, model, [], []),
}


@pytest.mark.parametrize("picture", PICTURES)
@pytest.mark.parametrize("name", ["c5-eight-hole", "taper", "large", "backward"])
def test_every_hole_is_called_by_its_name(picture: str, name: str) -> None:
    model = MODELS[name]
    told = [re.sub(r": ⌀[\d.]+$", "", text) for text, *_ in labels(PICTURES[picture](model))]
    for hole in model.holes:
        assert told.count(hole.name) >= 1, hole.name
    # And nothing else is called like a hole: no number that is no name.
    known = {hole.name for hole in model.holes} | {hole.name for hole in load("d5-cylinder").holes}
    assert [text for text in told if re.fullmatch(r"[1-9]", text) and text not in known] == []


@pytest.mark.parametrize("name", MODELS)
def test_lines_of_the_chart_join_each_name_to_its_own_hole(name: str) -> None:
    model = MODELS[name]
    for width in (120.0, 180.0):
        svg = hanging_chart(model, marks_for(model), width_mm=width)
        zero, scale = scale_of(svg)
        lines = [
            tuple(float(line.get(key)) for key in ("x1", "y1", "x2")) for line in page_of(svg)[0].iter(f"{SVG}line")
        ]
        found = {}
        for text, x, y in labels(svg):
            for x1, y1, x2 in lines:
                if x1 == x and y1 == pytest.approx(y + 0.6, abs=1e-6):
                    found[(x2 - zero) / scale, text] = True
        wanted = sorted((hole.position_mm, hole.name) for hole in model.holes)
        assert len(found) == len(wanted)
        for (place, text), (position, hole) in zip(sorted(found), wanted, strict=True):
            assert place == pytest.approx(position, abs=2e-3)
            assert text == hole or (text.endswith("…") and hole.startswith(text[:-1]))
        assert_readable(svg, least_mm=1.9)


@pytest.mark.parametrize("name", MODELS)
def test_the_top_view_sets_each_name_over_its_own_diameter(name: str) -> None:
    """Names, like distances, stand in the order of the holes; a diameter is that of the hole it is named with."""
    model = MODELS[name]
    for width in (120.0, 180.0):
        svg = top_view(model, width_mm=width)
        said = labels(svg)
        top = min(y for *_, y in said)
        own = sorted((x, text) for text, x, y in said if y == top)
        sizes = {x: text for text, x, y in said if y > top and text.startswith("⌀")}
        assert len(own) == len(model.holes)
        for (x, text), hole in zip(own, sorted(model.holes, key=lambda h: h.position_mm), strict=True):
            called, _, size = text.partition(": ")
            size = size or sizes[x]
            assert called == hole.name or (called.endswith("…") and hole.name.startswith(called[:-1]))
            assert size == f"⌀{hole.diameter_mm:g}"
        assert_readable(svg)


@pytest.mark.parametrize("name", MODELS)
def test_states_of_the_holes_stand_under_their_names_and_apart(name: str) -> None:
    model = MODELS[name]
    svg = wave(model, holes=[index % 3 for index in range(len(model.holes))])
    assert_readable(svg, least_mm=2.2)
    said = labels(svg)
    states = sorted((x, y, text) for text, x, y in said if text in ("closed", "open", "half"))
    assert len(states) == len(model.holes)
    root, *_ = page_of(svg)
    centres = [float(e.get("cx")) for e in root.iter(f"{SVG}ellipse")]
    for index, hole in enumerate(model.holes):
        state = ("closed", "open", "half")[index % 3]
        named = [(x, y) for text, x, y in said if text == hole.name or text.rstrip("…") == hole.name[: len(text) - 1]]
        # Right under the hole, or under its name.
        assert any(
            text == state and (x == pytest.approx(centres[index], abs=0.01) or any(x == a and y > b for a, b in named))
            for x, y, text in states
        )


@pytest.mark.parametrize("name", MODELS)
def test_the_template_names_each_hole_beside_its_centre(name: str) -> None:
    model = MODELS[name]
    said = [label for sheet in template_sheets(model) for label in labels(sheet.svg)]
    for hole in model.holes:
        place = f"x {hole.position_mm:.2f}"
        # Name, diameter, place and angle are four lines beside the hole.
        blocks = [(x, y) for text, x, y in said if text == place]
        names = {
            text for text, x, y in said for a, b in blocks if x == a and b - y == pytest.approx(2 * 1.2 * 2.3, abs=1e-3)
        }
        assert hole.name in names or any(n.endswith("…") and hole.name.startswith(n[:-1]) for n in names)


def test_the_length_section_prints_no_hole_numbers() -> None:
    assert not [text for text, *_ in labels(side_view(EIGHT)) if re.fullmatch(r"[1-9]|thumb", text)]
