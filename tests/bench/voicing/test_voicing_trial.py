"""A trial's readings: typed, checked, kept as plain data, set against another."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.bench.voicing.trial import (
    HeadTrial,
    NoteTrial,
    Reading,
    check_order,
    merged,
    shifts,
    trial_from_plain,
)
from fluewright.cli.readings import typed_readings
from fluewright.errors import InputError


def test_readings_are_typed_with_register_uncertainty_and_water():
    (d5, d6) = typed_readings(["D5.jump_pa=280", "d6.2.lowest_pa=210+-8", "D5.comfortable_mm=15.3"])
    assert (d5.name, d6.name) == ("D5.1", "D6.2")
    assert d5.readings["jump_pa"] == Reading(280.0, pytest.approx(280.0 * QUANTITIES["jump_pa"].reading))
    assert d6.readings["lowest_pa"] == Reading(210.0, 8.0)
    # Conventional millimetre of water, ISO 80000-4.
    assert d5.readings["comfortable_pa"].value == pytest.approx(15.3 * 9.80665)


@pytest.mark.parametrize(
    ("texts", "says"),
    [
        (["D5=280"], r"write NOTE\.QUANTITY=VALUE"),
        (["D5.jump_pa=high"], r"write NOTE\.QUANTITY=VALUE"),
        (["D5.leap_pa=280"], "there is no quantity 'leap_pa'; use one of lowest_pa"),
        (["D5.jump_pa=28000"], "28000 Pa, outside 1 to 20000 Pa"),
        (["D5.jump_pa=280+-0"], "give one above 0"),
        (["D5.jump_pa=280", "D5.jump_pa=270"], "has its jump_pa twice"),
        (["D5.lowest_pa=290", "D5.jump_pa=280"], "lowest_pa is 290 Pa, above jump_pa, 280 Pa"),
        (["D5.fall_back_pa=290", "D5.jump_pa=280"], "fall_back_pa is 290 Pa, above jump_pa"),
    ],
)
def test_readings_that_cannot_be(texts, says):
    with pytest.raises(InputError, match=says):
        typed_readings(texts)


def test_missing_readings_stay_missing():
    trial = HeadTrial(typed_readings(["D5.jump_pa=280"]))
    assert trial.of("D5", 1, "lowest_pa") is None
    assert trial.of("E5", 1, "jump_pa") is None
    check_order(trial.notes[0])


readings = st.dictionaries(
    st.sampled_from(["cents", "level_db", "hiss_db"]),
    st.builds(Reading, st.floats(-90, 20), st.floats(1e-3, 10)),
    min_size=1,
)


@given(st.lists(st.builds(NoteTrial, st.sampled_from(["D5", "C#6"]), st.integers(1, 2), readings), max_size=3))
def test_plain_form_reads_back_the_same(notes):
    trial = HeadTrial(tuple(notes), "D5-0001", "good body", True, 21.5, ("typed",))
    assert trial_from_plain(json.loads(json.dumps(trial.to_plain()))) == trial


def test_a_foreign_format_is_refused():
    with pytest.raises(InputError, match="format is 'other/1'"):
        trial_from_plain({"format": "other/1"})


def test_two_readings_of_one_thing_are_weighed():
    (both,) = merged(
        [NoteTrial("D5", 1, {"cents": Reading(0.0, 1.0)}), NoteTrial("D5", 1, {"cents": Reading(3.0, 2.0)})]
    )
    assert both.readings["cents"].value == pytest.approx(0.6)
    assert both.readings["cents"].sigma == pytest.approx(0.8**0.5)


def test_shifts_are_per_cent_of_breaths_and_differences_of_pitch():
    before = HeadTrial((NoteTrial("D5", 1, {"jump_pa": Reading(200, 6), "cents": Reading(1.0, 0.6)}),))
    after = HeadTrial((NoteTrial("D5", 1, {"jump_pa": Reading(220, 6.6), "cents": Reading(4.0, 0.8)}),))
    jump, cents = shifts(before, after)
    assert (jump.change, jump.unit) == (pytest.approx(10.0), "%")
    assert jump.sigma == pytest.approx(100.0 * (0.03**2 + 0.03**2) ** 0.5)
    assert (cents.change, cents.sigma, cents.unit) == (3.0, pytest.approx(1.0), "cents")
