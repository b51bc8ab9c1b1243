"""In what air and with what breath a trial may be played, and what is a slip of the unit."""

import math

import pytest

from fluewright.errors import InputError
from fluewright.shop.conditions import TrialConditions, checked_temperature


@pytest.mark.parametrize("c", [-20.0, 0.0, 21.5, 60.0])
def test_rooms_from_frost_to_a_greenhouse_are_taken(c):
    assert checked_temperature(c) == c
    assert TrialConditions(temperature_c=c).temperature_c == c


@pytest.mark.parametrize("c", [-20.1, 60.1, 293.15, math.nan, math.inf])
def test_a_temperature_in_another_unit_is_refused_with_its_limits(c):
    with pytest.raises(InputError, match=r"degC cannot be meant; give -20 to 60") as caught:
        checked_temperature(c)
    assert caught.value.field == "temperature_c"


@pytest.mark.parametrize("pa", [5.0, 150.0, 10_000.0])
def test_breaths_from_a_sigh_to_a_pump_are_taken(pa):
    assert TrialConditions(breath_pa=pa).breath_pa == pa


@pytest.mark.parametrize("pa", [4.99, 10_000.1, math.nan, -150.0])
def test_a_breath_that_no_mouth_gives_is_refused_with_its_limits_and_the_column_of_water(pa):
    with pytest.raises(InputError, match=r"give 5 to 10000 \(10 mm of water are 98 Pa\)") as caught:
        TrialConditions(breath_pa=pa)
    assert caught.value.field == "breath_pa"


@pytest.mark.parametrize("share", [0.05, 1.0, 20.0])
def test_a_breath_within_twenty_times_of_the_plan_is_meant(model, share):
    planned = model.target.breath.lowest_note_pa
    assert TrialConditions(breath_pa=share * planned).ratio(model) == pytest.approx(share)


@pytest.mark.parametrize("share", [0.0499, 20.01])
def test_a_breath_further_from_the_plan_names_the_plan_and_the_unit(model, share):
    planned = model.target.breath.lowest_note_pa
    with pytest.raises(InputError, match=r"d5-cylinder plans 150 Pa .* 0\.05 to 20 times .* check the unit") as caught:
        TrialConditions(breath_pa=share * planned).ratio(model)
    assert caught.value.field == "breath_pa"
