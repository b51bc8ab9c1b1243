import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.errors import ModelError
from fluewright.instrument.differences import size_differences
from fluewright.instrument.files import validate_model
from fluewright.instrument.model import Model
from fluewright.instrument.shape import bore_diameter_mm
from fluewright.instrument.sizes import (
    CutKind,
    Part,
    Removal,
    checked_sizes,
    hole_key,
    is_named,
    size_name,
    size_of,
    size_unit,
    size_words,
    sizes_of,
    with_sizes,
)  # fmt: skip
from fluewright.instrument.starting import load, starting_models

MODEL = load("d5-cylinder")
EIGHT = load("c5-eight-hole")


@pytest.mark.parametrize("name", sorted(starting_models()))
def test_every_size_can_be_read_set_and_read_again(name: str) -> None:
    model = load(name)
    for size in sizes_of(model):
        assert size_name(size.key) == size_name(size.key)
        assert size_of(model, size.key).value == size.value
        nudged = with_sizes(model, {size.key: size.value + (0.001 if size.value < size.most - 1.0 else -0.001)})
        assert size_of(nudged, size.key).value == pytest.approx(size.value + 0.001, abs=1e-12)


@pytest.mark.parametrize("key", ["holes.2.diameter_mm", "head.windway.exit_height_mm", "bore.outside_mm.1.diameter"])
def test_setting_one_size_changes_that_number_alone(key: str) -> None:
    made = with_sizes(MODEL, {key: size_of(MODEL, key).value + 0.05})
    assert [d.key for d in size_differences(MODEL, made)] == [key]


def test_the_length_moves_the_foot_end_of_bore_and_outside_together() -> None:
    made = with_sizes(MODEL, {"length_mm": MODEL.length_mm - 1.0})
    assert made.bore.stations_mm[-1] == (MODEL.length_mm - 1.0, MODEL.bore.stations_mm[-1][1])
    assert made.bore.outside_mm[-1] == (MODEL.length_mm - 1.0, MODEL.bore.outside_mm[-1][1])
    assert len(size_differences(MODEL, made)) == 2


def stepped() -> Model:
    raw = MODEL.model_dump()
    (x0, d0), *_, (x1, d1) = raw["bore"]["stations_mm"]
    raw["bore"]["stations_mm"] = [(x0, d0 + 1.0), (40.0, d0 + 1.0), (40.0, d0), (x1, d1)]
    return validate_model(raw)


def test_both_sides_of_a_step_are_one_place_and_move_together() -> None:
    model = stepped()
    places = [s.key for s in sizes_of(model) if s.part is Part.BORE and s.field == "x"]
    assert places == ["bore.stations_mm.2.x"]
    made = with_sizes(model, {"bore.stations_mm.2.x": 45.0, "bore.stations_mm.3.diameter": 12.5})
    assert [x for x, _ in made.bore.stations_mm[1:3]] == [45.0, 45.0]
    assert bore_diameter_mm(made, 45.0, side="foot") == pytest.approx(12.5)
    assert bore_diameter_mm(made, 45.0, side="head") == pytest.approx(model.bore.stations_mm[1][1])


def test_a_holes_name_may_hold_dots() -> None:
    name = size_name(hole_key("left.1", "undercut.upstream_mm"))
    assert (name.part, name.hole, name.field) == (Part.HOLE, "left.1", "undercut.upstream_mm")
    raw = MODEL.model_dump()
    raw["holes"][0]["name"] = "left.1"
    made = with_sizes(validate_model(raw), {hole_key("left.1"): 6.3})
    assert made.holes[0].diameter_mm == 6.3


@pytest.mark.parametrize(
    ("key", "words", "unit", "removal"),
    [
        ("length_mm", "length", "mm", Removal.SMALLER),
        ("holes.thumb.diameter_mm", "hole thumb diameter", "mm", Removal.LARGER),
        ("holes.3.undercut.downstream_mm", "hole 3 undercut toward the foot", "mm", Removal.LARGER),
        ("holes.3.position_mm", "hole 3 position", "mm", Removal.NEVER),
        ("bore.stations_mm.2.diameter", "bore 2 diameter", "mm", Removal.LARGER),
        ("bore.outside_mm.1.diameter", "outside 1 diameter", "mm", Removal.SMALLER),
        ("head.windway.exit_height_mm", "windway exit height", "mm", Removal.EITHER),
        ("head.ramp_angle_deg", "ramp angle", "deg", Removal.EITHER),
        ("head.ear_height_mm", "ear height", "mm", Removal.SMALLER),
    ],
)
def test_a_size_tells_its_words_unit_and_what_cutting_does(key: str, words: str, unit: str, removal: Removal) -> None:
    name = size_name(key)
    assert (name.words, name.unit, name.removal) == (words, unit, removal)
    assert (size_words(key), size_unit(key)) == (words, unit)


def test_what_is_cut_at_holes_is_told_from_what_is_only_placed() -> None:
    at_holes = {s.field for s in sizes_of(MODEL) if s.at_hole}
    assert "diameter_mm" in at_holes
    assert "position_mm" not in at_holes
    assert size_name("length_mm").cut is CutKind.FOOT


@pytest.mark.parametrize(
    "key", ["", "holes.diameter_mm", "holes..diameter_mm", "holes.3", "head.window", "bore.stations_mm.0.diameter",
            "bore.outside_mm.2.x", "bore.stations_mm.2.radius", "length", "hole 3 diameter_mm"],
)  # fmt: skip
def test_what_is_no_size_is_refused_and_stays_as_it_is_in_words(key: str) -> None:
    assert not is_named(key)
    assert size_words(key) == key
    with pytest.raises(ModelError, match="is no size of an instrument"):
        size_name(key)


def test_a_size_that_the_model_lacks_is_told_with_near_names() -> None:
    with pytest.raises(ModelError, match=r"holes.7.diameter_mm: d5-cylinder has no such size; did you mean holes\."):
        with_sizes(MODEL, {"holes.7.diameter_mm": 5.0})
    with pytest.raises(ModelError) as caught:
        checked_sizes(MODEL, {"bore.stations_mm.99.diameter": 12.0})
    assert caught.value.field == "bore.stations_mm.99.diameter"


def test_ears_that_the_file_leaves_out_can_be_set() -> None:
    raw = MODEL.model_dump()
    raw["head"]["ear_height_mm"] = None
    model = validate_model(raw)
    assert "head.ear_height_mm" not in {s.key for s in sizes_of(model)}
    assert with_sizes(model, {"head.ear_height_mm": 0.5}).head.ear_height_mm == 0.5


def test_sizes_that_make_no_instrument_or_swap_holes_are_refused() -> None:
    with pytest.raises(ModelError, match="order of the holes"):
        with_sizes(MODEL, {"holes.1.position_mm": MODEL.holes[1].position_mm + 5.0})
    with pytest.raises(ModelError, match=r"holes\.1"):
        with_sizes(MODEL, {"holes.1.diameter_mm": 40.0})


def test_the_range_is_what_the_file_allows() -> None:
    offset, ramp = size_of(MODEL, "head.edge_offset_mm"), size_of(MODEL, "head.ramp_angle_deg")
    assert (offset.least, offset.most) == (-20.0, 20.0)
    assert (ramp.least, ramp.most) == (0.1, 90.0)
    assert size_of(MODEL, "holes.2.outer_round_mm").least == 0.0


@given(st.text(max_size=40))
def test_no_text_breaks_the_reading_of_keys(text: str) -> None:
    assert isinstance(size_words(text), str)
    assert size_unit(text) in ("mm", "deg")


def test_every_size_has_its_own_words_within_a_model() -> None:
    for model in (MODEL, EIGHT, stepped()):
        words = [s.words for s in sizes_of(model)]
        assert len(set(words)) == len(words)
        assert all(math.isfinite(s.value) for s in sizes_of(model))
