"""The fit meets its targets, keeps its limits and says what it could not keep."""

import numpy as np
import pytest

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances, targets_hz
from fluewright.acoustics.sounding import blow, jet_shift
from fluewright.design.fit import fit_blown_model, fit_model
from fluewright.errors import ModelError
from fluewright.instrument.files import validate_model
from fluewright.instrument.practice import warnings_for
from fluewright.instrument.sizes import with_sizes
from fluewright.instrument.starting import load


def changed(model, **parts):
    raw = model.model_dump(mode="json")
    for key, value in parts.items():
        section, name = key.split("__")
        raw[section][name] = value
    return validate_model(raw)


def test_one_register_alone_is_met_to_the_step_of_the_sheet():
    """As many free positions as notes: register 1 can be met exactly; rounding to 0.01 mm leaves 0.1 cent."""
    raw = load("d5-cylinder").model_dump(mode="json")
    del raw["fingerings"]["register_2"]
    raw["limits"]["reach_mm"] = {
        "index_middle": 60, "middle_ring": 60, "ring_little": 60, "three_fingers": 120, "between_hands_least": 1,
    }  # fmt: skip
    raw["limits"]["smallest_web_mm"] = 0.5
    result = fit_model(validate_model(raw), snap_drills=False)
    assert np.abs(result.cents).max() < 0.5


def test_both_registers_are_weighed_and_the_first_stays_closer():
    result = fit_model(changed(load("d5-cylinder"), target__a4_hz=442.0, conditions__temperature_c=23.0))
    network = build_network(result.model)
    first = network.modes == 1
    assert np.sqrt(np.mean(result.cents[first] ** 2)) < 6.0
    assert np.sqrt(np.mean(result.cents[first] ** 2)) < np.sqrt(np.mean(result.cents[~first] ** 2))
    again = 1200 * np.log2(resonances(network).frequencies_hz / targets_hz(network))
    assert result.cents == pytest.approx(again, abs=1e-9)


def test_limits_of_hand_and_shelf_are_kept():
    result = fit_model(changed(load("d4-cylinder"), target__a4_hz=445.0))
    assert result.broken_rules == ()
    assert warnings_for(result.model) == []
    shelf = result.model.limits.drills_mm
    for hole in result.model.holes:
        assert min(abs(hole.diameter_mm - d) for d in shelf) < 1e-6


def test_fixed_sizes_stay():
    model = changed(load("d5-cylinder"), limits__fixed=["holes.*.diameter_mm", "holes.3.position_mm"])
    result = fit_model(changed(model, target__a4_hz=435.0))
    for before, after in zip(model.holes, result.model.holes, strict=True):
        assert after.diameter_mm == before.diameter_mm
    assert result.model.holes[2].position_mm == model.holes[2].position_mm
    assert result.model.length_mm > model.length_mm


def test_nothing_free_is_said():
    with pytest.raises(ModelError, match="every size is fixed"):
        fit_model(changed(load("d5-cylinder"), limits__fixed=["holes.*", "length_mm"]))


def test_with_sizes_refuses_what_is_no_instrument():
    model = load("d5-cylinder")
    with pytest.raises(ModelError, match=r"holes.9.diameter_mm: d5-cylinder has no such size"):
        with_sizes(model, {"holes.9.diameter_mm": 5.0})
    with pytest.raises(ModelError, match="order"):
        with_sizes(model, {"holes.1.position_mm": 170.0})
    with pytest.raises(ModelError, match="diameter_mm"):
        with_sizes(model, {"holes.1.diameter_mm": -1.0})


def test_a_blown_fit_meets_the_target_with_what_breath_adds():
    """The blown pitch of the model that comes out is what the fit says it is, and nearer than that of a plain fit."""
    model = load("f4-taper")
    result = fit_blown_model(model)
    made = build_network(result.model)
    shift, _ = jet_shift(blow(made))
    blown = 1200.0 * np.log2(resonances(made).frequencies_hz / made.targets_hz) + shift
    assert blown == pytest.approx(result.cents, abs=1.0)
    plain = build_network(fit_model(model).model)
    before = 1200.0 * np.log2(resonances(plain).frequencies_hz / plain.targets_hz) + jet_shift(blow(plain))[0]
    assert np.sqrt(np.mean(blown**2)) < np.sqrt(np.mean(before**2))


def test_holes_abreast_may_be_gauged_in_either_order_and_give_the_same_notes():
    """The thumb hole of the eight-hole model lies beside the first finger's: a gauge is off by a few tenths."""
    model = load("c5-eight-hole")
    thumb = min(model.holes, key=lambda h: abs(abs(h.angle_deg) - 180.0))
    place = [h.name for h in model.holes].index(thumb.name)
    other = model.holes[place + 1] if place == 0 else model.holes[place - 1]
    level = other.position_mm
    beside = {
        off: resonances(build_network(with_sizes(model, {f"holes.{thumb.name}.position_mm": level + off})))
        for off in (-0.1, 0.1)
    }
    cents = 1200.0 * np.log2(beside[0.1].frequencies_hz / beside[-0.1].frequencies_hz)
    assert np.abs(cents).max() < 2.0
    with pytest.raises(ModelError, match="order of the holes"):
        with_sizes(model, {"holes.3.position_mm": model.holes[-1].position_mm + 1.0})


def test_limits_that_leave_a_size_no_room_are_named_with_the_mend():
    raw = load("d5-cylinder").model_dump(mode="json")
    raw["holes"][2]["min_diameter_mm"] = 7.5
    raw["limits"]["largest_hole_mm"] = 7.5
    with pytest.raises(ModelError, match=r"holes\.3\.diameter_mm: has to be at least 7\.5 and at most 7\.5 .*widen"):
        fit_model(validate_model(raw))
