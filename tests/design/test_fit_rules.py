"""What a fit is asked to keep, it keeps: the weights of the registers, room between the hands, wall at the foot."""

import numpy as np
import pytest

from fluewright.acoustics.network import build_network
from fluewright.design.fit import fit_model
from fluewright.instrument.files import validate_model
from fluewright.instrument.starting import load


def asked(**wishes):
    """Return d5-cylinder with some targets and limits set, by section and name: target__a4_hz."""
    raw = load("d5-cylinder").model_dump(mode="json")
    for key, value in wishes.items():
        *path, last = key.split("__")
        place = raw
        for part in path:
            place = place[part]
        place[last] = value
    return validate_model(raw)


@pytest.fixture(scope="module")
def by_weight():
    """Return the cents of fits to another pitch, by the weight of register 2 against 1 of register 1."""
    return {
        weight: fit_model(asked(target__register_weights=[1.0, weight], target__a4_hz=445.0), snap_drills=False).cents
        for weight in (0.0625, 0.25, 0.5, 0.84)
    }


@pytest.mark.parametrize("weight", [0.25, 0.5])
def test_each_note_counts_by_its_registers_weight(by_weight, weight):
    """The sum of weight times cents squared is least where that weight was asked for, not its square or its root."""
    first = build_network(asked()).modes == 1

    def sum_of(cents):
        return float((cents[first] ** 2).sum() + weight * (cents[~first] ** 2).sum())

    own = sum_of(by_weight[weight])
    for other, cents in by_weight.items():
        assert other == weight or sum_of(cents) > 1.02 * own


def place_of(model, name):
    return next(h for h in model.holes if h.name == name)


def test_hands_are_kept_apart():
    """`between_hands_least` is from the left ring finger's hole to the right index's, centre to centre."""
    begun = asked()
    apart = place_of(begun, "4").position_mm - place_of(begun, "3").position_mm
    free = fit_model(asked(target__a4_hz=442.0), snap_drills=False)
    fitted = fit_model(
        asked(target__a4_hz=442.0, limits__reach_mm__between_hands_least=apart + 4.0,
              limits__reach_mm__three_fingers=120.0),
        snap_drills=False,
    )  # fmt: skip
    gap = place_of(fitted.model, "4").position_mm - place_of(fitted.model, "3").position_mm
    assert gap > apart + 4.0 - 0.15
    assert fitted.broken_rules == ()
    assert place_of(free.model, "4").position_mm - place_of(free.model, "3").position_mm < apart + 3.0


def test_wall_is_left_between_the_lowest_hole_and_the_foot():
    """`foot_margin_mm` is from the hole's edge, not its centre, to the end."""

    def left(model):
        low = model.holes[-1]
        return model.length_mm - low.position_mm - 0.5 * low.diameter_mm

    wanted = left(asked()) + 4.0
    fitted = fit_model(asked(limits__foot_margin_mm=wanted), snap_drills=False)
    assert left(fitted.model) > wanted - 0.15
    assert left(fit_model(asked(), snap_drills=False).model) < wanted - 2.0


def test_webs_between_holes_are_kept():
    """`smallest_web_mm` is from edge to edge along the body."""

    def webs(model):
        upper, lower = model.holes[:-1], model.holes[1:]
        return np.array(
            [
                b.position_mm - a.position_mm - 0.5 * (a.diameter_mm + b.diameter_mm)
                for a, b in zip(upper, lower, strict=True)
            ]
        )

    least = webs(asked()).min()
    fitted = fit_model(asked(limits__smallest_web_mm=least + 2.0), snap_drills=False)
    assert webs(fitted.model).min() > least + 2.0 - 0.15


def test_a_hole_stays_within_its_own_limits():
    """A hole's own least and greatest place and diameter go before the model's; what stands at one is said so."""
    raw = load("d5-cylinder").model_dump(mode="json")
    third = raw["holes"][2]
    third["min_position_mm"] = third["position_mm"] + 3.0
    third["max_diameter_mm"] = third["diameter_mm"] - 0.4
    third["position_mm"] += 3.5
    third["diameter_mm"] -= 0.5
    fitted = fit_model(validate_model(raw), snap_drills=False)
    hole = place_of(fitted.model, "3")
    assert hole.position_mm >= third["min_position_mm"] - 1e-6
    assert hole.diameter_mm <= third["max_diameter_mm"] + 1e-6
    assert "holes.3.position_mm" in fitted.at_limit
    assert "holes.1.position_mm" not in fitted.at_limit
