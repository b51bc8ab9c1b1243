import xml.etree.ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from picture_models import large_flute, marks_for, tapered_eight_hole, whistle
from picture_reading import assert_readable, texts_of

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.pictures import NoteMark, hanging_chart

SVG = "{http://www.w3.org/2000/svg}"
MODELS = {"whistle": whistle(), "taper": tapered_eight_hole(), "large": large_flute()}


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("lane", [12.0, 20.0, 34.0])
@pytest.mark.parametrize("spread", [2.0, 12.0, 60.0])
def test_no_two_labels_overlap(name: str, lane: float, spread: float) -> None:
    model = MODELS[name]
    for width in (120.0, 180.0, 260.0):
        svg = hanging_chart(model, marks_for(model, spread=spread), width_mm=width, lane_height_mm=lane)
        assert_readable(svg, least_mm=1.9)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["D5", "F#5", "Bb5", "C#6", "a name of any length"]),
            st.integers(1, 3),
            st.floats(-2000.0, 2000.0),
            st.floats(0.0, 300.0),
            st.sampled_from(["predicted", "measured", "forecast"]),
            st.sampled_from([None, 0, 1, 2, 3, 4, 5]),
        ),
        max_size=40,
    )
)
def test_any_marks_draw_without_overlap(raw) -> None:
    marks = [NoteMark(*entry) for entry in raw]
    assert_readable(hanging_chart(MODELS["whistle"], marks), least_mm=1.9)


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("theme", ["light", "dark", "paper"])
def test_holes_window_and_length_are_to_scale(name: str, theme: str) -> None:
    model = MODELS[name]
    root = ET.fromstring(hanging_chart(model, marks_for(model), theme=theme))
    zero, scale = float(root.get("data-zero-mm")), float(root.get("data-scale"))
    holes = [g for g in root.iter(f"{SVG}g") if g.get("class") == "hole"]
    assert len(holes) == len(model.holes)
    for group in holes:
        hole = model.holes[int(group.get("data-hole"))]
        shape = group.find(f"{SVG}ellipse")
        assert (float(shape.get("cx")) - zero) / scale == pytest.approx(hole.position_mm, abs=0.001)
        assert 2.0 * float(shape.get("rx")) / scale == pytest.approx(hole.diameter_mm, abs=0.002)
        assert (shape.get("stroke-dasharray") is not None) == (hole.angle_deg == 180.0)
    window = next(g for g in root.iter(f"{SVG}g") if g.get("class") == "window").find(f"{SVG}rect")
    assert float(window.get("x")) == pytest.approx(zero, abs=1e-3)
    assert float(window.get("width")) / scale == pytest.approx(model.head.window_length_mm, abs=0.002)
    body = root.find(f"{SVG}polygon").get("points").split()
    right = max(float(point.split(",")[0]) for point in body)
    assert (right - zero) / scale == pytest.approx(model.length_mm, abs=0.002)


def columns_of(svg: str, register: int) -> list[tuple[str, str, float]]:
    root = ET.fromstring(svg)
    found = []
    for group in root.iter(f"{SVG}g"):
        if group.get("class") == "note" and group.get("data-register") == str(register):
            name = next(t for t in group.iter(f"{SVG}text") if t.get("font-weight") == "bold")
            found.append((group.get("data-note"), group.get("data-hole"), float(name.get("x"))))
    return found


def test_a_note_alone_under_its_hole_stands_exactly_there() -> None:
    model = MODELS["whistle"]
    marks = [NoteMark("G5", 1, 3.0, 1.0, "measured", 3), NoteMark("D5", 1, 0.0, 1.0, "measured", None)]
    svg = hanging_chart(model, marks)
    root = ET.fromstring(svg)
    zero, scale = float(root.get("data-zero-mm")), float(root.get("data-scale"))
    places = {note: x for note, _, x in columns_of(svg, 1)}
    assert places["G5"] == pytest.approx(zero + scale * model.holes[3].position_mm, abs=0.001)
    # The foot end is close to the border: its label may move in by part of its own width, not more.
    assert places["D5"] == pytest.approx(zero + scale * model.length_mm, abs=4.0)


def test_notes_keep_the_order_of_their_holes_and_fall_in_pitch_within_one() -> None:
    model = MODELS["taper"]
    for register in (1, 2):
        columns = columns_of(hanging_chart(model, marks_for(model)), register)
        holes = [99 if hole == "foot" else int(hole) for _, hole, _ in columns]
        assert holes == sorted(holes)
        places = [x for *_, x in columns]
        assert places == sorted(places)


def test_marks_beyond_the_range_are_clamped_and_carry_their_number() -> None:
    model = MODELS["whistle"]
    usual = [("E5", 2.0, 5), ("F#5", -3.0, 4), ("G5", 1.0, 3), ("A5", 2.0, 2), ("B5", 431.0, 1)]
    marks = [NoteMark(note, 1, cents, 1.0, "measured", hole) for note, cents, hole in usual]
    svg = hanging_chart(model, marks)
    assert texts_of(svg).count("+431") == 2  # at the edge and in its row
    assert not {"+400", "+200"} & set(texts_of(svg))  # the axis did not stretch
    assert_readable(svg, least_mm=1.9)


def test_the_target_line_lies_between_marks_sharp_and_flat() -> None:
    model = MODELS["whistle"]
    sharp = NoteMark("G5", 2, 12.0, 0.0, "predicted", 3)
    flat = NoteMark("A5", 2, -12.0, 0.0, "predicted", 2)
    root = ET.fromstring(hanging_chart(model, [sharp, flat]))
    heights = {}
    for group in root.iter(f"{SVG}g"):
        if group.get("class") == "note":
            points = [p.split(",") for p in group.find(f"{SVG}polygon").get("points").split()]
            assert len(points) == 4  # a diamond
            heights[group.get("data-note")] = sum(float(y) for _, y in points) / 4.0
    target = next(line for line in root.iter(f"{SVG}line") if line.get("stroke-width") == "0.35")
    assert heights["G5"] < float(target.get("y1")) < heights["A5"]
    assert float(target.get("y1")) - heights["G5"] == pytest.approx(heights["A5"] - float(target.get("y1")), abs=1e-3)


def test_register_and_kind_differ_in_shape_and_fill_not_only_in_colour() -> None:
    model = MODELS["whistle"]
    svg = {
        (register, kind): ET.fromstring(hanging_chart(model, [NoteMark("G5", register, 0.0, 0.0, kind, 3)]))
        for register in (1, 2)
        for kind in ("predicted", "measured", "forecast")
    }

    def shapes(root) -> list[tuple[str, bool]]:
        group = next(g for g in root.iter(f"{SVG}g") if g.get("class") == "note")
        return [
            (el.tag.rsplit("}", 1)[1], el.get("fill") == el.get("stroke"))
            for el in group
            if el.tag in (f"{SVG}ellipse", f"{SVG}polygon")
        ]

    assert len({tuple(shapes(root)) for root in svg.values()}) == 6


def test_a_forecast_is_joined_to_the_present_mark() -> None:
    model = MODELS["whistle"]
    marks = [
        NoteMark("G5", 1, -9.0, 0.0, "measured", 3),
        NoteMark("G5", 1, -1.0, 0.0, "forecast", 3),
    ]
    root = ET.fromstring(hanging_chart(model, marks))
    group = next(g for g in root.iter(f"{SVG}g") if g.get("class") == "note")
    centres = {(e.get("cx"), e.get("cy")) for e in group.iter(f"{SVG}ellipse")}
    joins = [
        line
        for line in group.iter(f"{SVG}line")
        if {(line.get("x1"), line.get("y1")), (line.get("x2"), line.get("y2"))} == centres
    ]
    assert len(joins) == 1


def test_chart_without_marks_is_the_instrument_alone() -> None:
    root = ET.fromstring(hanging_chart(MODELS["whistle"], []))
    assert not [g for g in root.iter(f"{SVG}g") if g.get("class") == "note"]


def test_a_mark_under_a_missing_hole_names_the_mend() -> None:
    with pytest.raises(InputError, match="holes 0 to 5"):
        hanging_chart(MODELS["whistle"], [NoteMark("G5", 1, 0.0, 0.0, "measured", 6)])


@pytest.mark.parametrize(
    ("field", "value"),
    [("cents", float("nan")), ("uncertainty_cents", -1.0), ("register", 0), ("kind", "guessed")],
)
def test_marks_that_cannot_be_drawn_are_refused(field: str, value: object) -> None:
    good = {
        "note": "G5",
        "register": 1,
        "cents": 0.0,
        "uncertainty_cents": 1.0,
        "kind": "measured",
        "governing_hole": 0,
    }
    with pytest.raises(InputError, match="G5"):
        NoteMark(**{**good, field: value})


def test_hostile_names_stay_text() -> None:
    name = '</svg><script>alert("x")</script> #read("/etc/passwd")'
    model: Model = whistle(name)
    root = ET.fromstring(hanging_chart(model, marks_for(model), title=name))
    tags = {el.tag.rsplit("}", 1)[1] for el in root.iter()}
    assert "script" not in tags
    assert name in (root.find(f"{SVG}title").text or "")
