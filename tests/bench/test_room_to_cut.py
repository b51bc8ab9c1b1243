"""How much may come off a piece at each place, and which tool of the shelf fits."""

import pytest

from fluewright.bench.features import KINDS, features_of, tool_for
from fluewright.bench.pitch_model import PitchModel
from fluewright.instrument.files import validate_model
from fluewright.instrument.starting import load


def pitch_of(**wishes):
    """Return d5-cylinder with some sizes and limits set: (table, key) or (hole's number, key) to value."""
    raw = load("d5-cylinder").model_dump(mode="json")
    for (place, key), value in wishes.get("sizes", {}).items():
        (raw["holes"][place] if isinstance(place, int) else raw[place])[key] = value
    return PitchModel.of(validate_model(raw))


def feature(pitch, key, as_built=None, kinds=("hole", "foot", "window", "bore")):
    return next(f for f in features_of(pitch, as_built or {}, kinds=kinds) if f.key == key)


def test_a_hole_may_grow_to_its_own_limit_or_else_to_the_models():
    pitch = pitch_of(sizes={(2, "max_diameter_mm"): 7.9, ("limits", "largest_hole_mm"): 8.4})
    assert feature(pitch, "holes.3.diameter_mm").room_mm == pytest.approx(7.9 - 7.5)
    assert feature(pitch, "holes.2.diameter_mm").room_mm == pytest.approx(8.4 - 7.5)
    # What has been opened since has less left, and none beyond the limit.
    built = {"holes.3.diameter_mm": 7.8, "holes.2.diameter_mm": 8.6}
    assert feature(pitch, "holes.3.diameter_mm", built).room_mm == pytest.approx(0.1)
    assert feature(pitch, "holes.2.diameter_mm", built).room_mm == 0.0


def test_the_foot_keeps_its_margin_below_the_lowest_hole():
    """`foot_margin_mm` from the hole's lower edge; never more than 12 % of the body, nor below its least length."""
    model = load("d5-cylinder")
    low = model.holes[-1]
    edge = low.position_mm + 0.5 * low.diameter_mm
    near = pitch_of(sizes={("limits", "foot_margin_mm"): 30.0})
    assert feature(near, "length_mm").room_mm == pytest.approx(model.length_mm - edge - 30.0)
    long = {"length_mm": model.length_mm + 6.0}
    assert feature(near, "length_mm", long).room_mm == pytest.approx(model.length_mm + 6.0 - edge - 30.0)
    assert feature(pitch_of(), "length_mm").room_mm == pytest.approx(0.12 * model.length_mm)
    least = pitch_of(sizes={("limits", "length_min_mm"): model.length_mm - 3.0})
    assert feature(least, "length_mm").room_mm == pytest.approx(3.0)
    foot = feature(near, "length_mm")
    assert foot.after_mm(2.0) == pytest.approx(model.length_mm - 2.0)


def test_a_window_may_grow_by_a_tenth_and_a_bore_by_a_fiftieth():
    """Of the design's size, whatever has come off already (common practice, no source)."""
    pitch = pitch_of()
    window = pitch.model.head.window_length_mm
    key = "head.window_length_mm"
    assert feature(pitch, key).room_mm == pytest.approx(0.1 * window)
    assert feature(pitch, key, {key: 1.04 * window}).room_mm == pytest.approx(0.06 * window)
    bore = "bore.stations_mm.2.diameter"
    assert feature(pitch, bore).room_mm == pytest.approx(0.02 * pitch.design[bore])
    assert feature(pitch, bore, {bore: 1.05 * pitch.design[bore]}).room_mm == 0.0


def test_a_drill_is_named_where_it_makes_the_size_and_not_where_it_nearly_does():
    """A drill's size is told to a hundredth or two; a tenth beside it is another hole."""
    pitch = pitch_of(sizes={("limits", "drills_mm"): [7.6, 8.0], ("limits", "reamers_mm"): [7.8]})
    hole = feature(pitch, "holes.3.diameter_mm")
    assert tool_for(pitch, hole, 7.61).startswith("7.6 mm drill")
    assert tool_for(pitch, hole, 7.8).startswith("7.8 mm reamer")
    for size in (7.5, 7.66, 7.7, 7.9, 8.1):
        assert "of the shelf" not in tool_for(pitch, hole, size)
        assert f"{size:.2f} mm" in tool_for(pitch, hole, size)


def test_no_cut_is_worth_making_that_is_smaller_than_the_hands_own_error():
    for place in features_of(pitch_of(), {}, kinds=KINDS):
        assert 0.0 < place.accuracy_mm <= place.smallest_mm < place.room_mm, place.key
