"""Which note was meant by a heard one: of the scale at some tuning, or of a model."""

import math

import pytest

from fluewright.errors import InputError
from fluewright.listening import HeardNote
from fluewright.shop.note_names import checked_a4_hz, name_notes
from fluewright.units import shifted


def heard(hz, at_s=0.0):
    return HeardNote(at_s, at_s + 0.5, hz, 0.1, 0.0, 1.0, -20.0, 30.0, (-20.0,) * 6)


@pytest.mark.parametrize(("a4_hz", "cents"), [(440.0, 31.77), (448.2, -0.20), (415.0, 133.06)])
def test_without_a_model_a_note_is_the_nearest_of_the_scale_at_its_tuning(a4_hz, cents):
    (row,) = name_notes([heard(448.15)], None, a4_hz).rows
    assert row.name == ("A#4" if a4_hz == 415.0 else "A4")
    assert row.cents == pytest.approx(cents - (100.0 if a4_hz == 415.0 else 0.0), abs=0.3)


def test_without_a_model_nothing_is_missing():
    named = name_notes([heard(440.0)], None, 440.0)
    assert (named.remarks, named.tolerance_cents) == ((), 5.0)


def test_with_a_model_a_note_is_one_of_its_own_against_its_own_target(model, pitch):
    targets = {f.note: hz for f, hz in zip(pitch.fingerings, pitch.network.targets_hz, strict=True)}
    played = [heard(float(shifted(targets[n], c)), k) for k, (n, c) in enumerate([("G5", -8.0), ("D5", 4.0)])]
    named = name_notes(played, model, 440.0)
    assert [(row.name, row.heard) for row in named.rows] == list(zip(["G5", "D5"], played, strict=True))
    assert [row.cents for row in named.rows] == pytest.approx([-8.0, 4.0], abs=0.01)
    assert named.tolerance_cents == model.target.tolerance_cents
    (missing,) = named.remarks
    # In the order of pitch; what was heard is not among them.
    names = missing.removeprefix("not heard: ").split(", ")
    assert names == sorted(set(targets) - {"G5", "D5"}, key=targets.get)


def test_a_pitch_that_no_fingering_gives_is_told_with_its_place_and_has_no_name(model, pitch):
    targets = sorted(
        {f.note: float(hz) for f, hz in zip(pitch.fingerings, pitch.network.targets_hz, strict=True)}.values()
    )
    played = [heard(hz, k) for k, hz in enumerate(targets)]
    named = name_notes([*played, heard(3000.0, 42.5)], model, 440.0)
    assert named.remarks == ("fits no note of the model: 3000.0 Hz at 42.50 s",)
    assert named.rows[-1].name == ""
    assert math.isnan(named.rows[-1].cents)
    assert all(abs(row.cents) < 0.01 for row in named.rows[:-1])


def test_a_recording_without_notes_lacks_none_in_particular(model):
    named = name_notes([], model, 440.0)
    assert (named.rows, named.remarks) == ((), ())


@pytest.mark.parametrize("hz", [300.0, 392.0, 600.0])
def test_tuning_standards_from_300_to_600_hz_are_taken(hz):
    assert checked_a4_hz(hz) == hz


@pytest.mark.parametrize("hz", [299.9, 600.1, math.nan, math.inf, -440.0])
def test_what_is_no_tuning_standard_names_its_field_limits_and_an_example(hz):
    with pytest.raises(InputError, match=r"must lie between 300 and 600 Hz, for example 442") as caught:
        checked_a4_hz(hz)
    assert caught.value.field == "a4_hz"
