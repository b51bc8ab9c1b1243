"""Limits that depend on more than one size: hands, ears beside a tapered body, holes with waists."""

from typing import Any

import pytest

from fluewright.errors import ModelError
from fluewright.instrument.faults import find_faults
from fluewright.instrument.files import validate_model
from fluewright.instrument.parts import Hole
from fluewright.instrument.practice import warnings_for
from fluewright.instrument.shape import inner_radius_mm, inner_web_mm
from fluewright.instrument.starting import load


def _raw() -> dict[str, Any]:
    return load("d5-cylinder").model_dump(mode="json")


def test_hands_touch_whatever_the_other_fingers_do() -> None:
    """The left ring finger's hole and the right index finger's; no other hole need be there, nor have a finger."""
    raw = _raw()
    raw["limits"]["reach_mm"]["between_hands_least"] = 40.0
    for hole in raw["holes"]:
        if hole["finger"] not in ("left ring", "right index"):
            hole["finger"] = ""
    assert [w for w in warnings_for(validate_model(raw)) if "the hands would touch" in w]
    for missing in ("left ring", "right index"):
        less = _raw()
        less["limits"]["reach_mm"]["between_hands_least"] = 40.0
        next(h for h in less["holes"] if h["finger"] == missing)["finger"] = ""
        assert not [w for w in warnings_for(validate_model(less)) if "the hands would touch" in w]


def test_ears_may_be_as_high_as_the_thicker_end_of_the_windows_wall() -> None:
    """Beside a body that grows thinner, or thicker, along the window."""
    for first, last in ((21.0, 18.6), (18.6, 21.0)):
        raw = _raw()
        bore = raw["bore"]["stations_mm"][0][1]
        start, end = raw["bore"]["outside_mm"][0][0], raw["bore"]["outside_mm"][-1][0]
        edge = raw["head"]["window_length_mm"]
        raw["bore"]["outside_mm"] = [[start, first], [0.0, first], [edge, last], [end, last]]
        raw["head"]["ear_height_mm"] = 0.5 * (21.0 - bore) - 0.05
        assert find_faults(validate_model(raw)) == []
        raw["head"]["ear_height_mm"] = 0.5 * (21.0 - bore) + 0.05
        with pytest.raises(ModelError, match="higher than the body's wall"):
            validate_model(raw)


def test_a_waist_widens_the_hole_at_the_bore() -> None:
    """A waisted cutter opens both ends: what is left between two holes there is less by both waists."""
    plain = {"diameter_mm": 6.0, "inner_chamfer_mm": 0.2, "undercut": {"all_round_mm": 0.3}}
    upper = Hole.model_validate({"name": "1", "position_mm": 100.0, **plain})
    lower = Hole.model_validate({"name": "2", "position_mm": 109.0, **plain})
    waisted = [hole.model_copy(update={"waist_mm": 0.4}) for hole in (upper, lower)]
    assert inner_radius_mm(upper) == pytest.approx(3.5)
    assert inner_radius_mm(waisted[0]) == pytest.approx(3.9)
    model = load("d5-cylinder")
    assert inner_web_mm(model, upper, lower) == pytest.approx(9.0 - 7.0)
    assert inner_web_mm(model, *waisted) == pytest.approx(9.0 - 7.8)
