import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.errors import InputError
from fluewright.instrument.parts import Target
from fluewright.instrument.pitch import (
    equal_frequency_hz,
    midi_to_note,
    nearest_note,
    note_to_midi,
    pitch_class,
)
from fluewright.instrument.temperament import target_frequency_hz
from fluewright.units import cents_above, shifted

midis = st.integers(0, 131)


@given(midis, st.booleans())
def test_a_note_name_and_its_number_belong_to_each_other(midi: int, flats: bool) -> None:
    assert note_to_midi(midi_to_note(midi, flats)) == midi


@pytest.mark.parametrize(
    ("note", "midi"),
    [("A4", 69), ("F#5", 78), ("Gb5", 78), ("Cb5", 71), ("B#4", 72), ("C##4", 62), ("C-1", 0)],
)
def test_spelling_of_notes(note: str, midi: int) -> None:
    assert note_to_midi(note) == midi
    assert pitch_class(note) == midi % 12


@pytest.mark.parametrize("text", ["", "H4", "a4", "A", "A4 ", "A10", "Abbb4", "A4\n", "#4", "4A", "Ä4"])
def test_what_is_no_note_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(InputError, match="is no note; write a capital letter"):
        note_to_midi(text)


@pytest.mark.parametrize("midi", [-1, 132])
def test_numbers_outside_the_octaves_are_refused(midi: int) -> None:
    with pytest.raises(InputError, match="outside 0 to 131"):
        midi_to_note(midi)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_the_note_of_no_frequency_is_refused(bad: float) -> None:
    with pytest.raises(InputError, match="must be finite and above 0 Hz"):
        nearest_note(bad)


@given(st.integers(12, 120), st.floats(-49.0, 49.0), st.floats(400.0, 480.0))
def test_the_nearest_note_is_found(midi: int, off: float, a4_hz: float) -> None:
    note, above = nearest_note(shifted(equal_frequency_hz(midi_to_note(midi), a4_hz), off), a4_hz)
    assert note_to_midi(note) == midi
    assert above == pytest.approx(off, abs=1e-7)


@given(st.integers(21, 110), st.sampled_from(["equal", "just"]), st.integers(0, 11))
def test_octaves_are_pure_and_a4_is_the_tuning_note_in_each_temperament(
    midi: int, temperament: str, tonic: int
) -> None:
    target = Target.model_validate({"a4_hz": 442.0, "temperament": temperament, "tonic": midi_to_note(60 + tonic)[:-1]})
    low = target_frequency_hz(target, midi_to_note(midi), "C4")
    assert target_frequency_hz(target, midi_to_note(midi + 12), "C4") == pytest.approx(2.0 * low)
    assert target_frequency_hz(target, "A4", "C4") == pytest.approx(442.0)


def test_the_tonic_is_that_of_the_lowest_note_when_none_is_named() -> None:
    named = Target(temperament="just", tonic="F")
    assert target_frequency_hz(Target(temperament="just"), "D5", "F4") == target_frequency_hz(named, "D5", "C4")


def test_the_offset_of_a_note_goes_before_that_of_its_pitch_class_whatever_the_spelling() -> None:
    target = Target(offsets_cents={"Gb": -10.0, "F#5": 3.0})
    plain = Target()
    assert cents_above(
        target_frequency_hz(target, "F#4", "D4"), target_frequency_hz(plain, "F#4", "D4")
    ) == pytest.approx(-10.0)
    assert cents_above(
        target_frequency_hz(target, "Gb5", "D4"), target_frequency_hz(plain, "Gb5", "D4")
    ) == pytest.approx(3.0)
    assert target_frequency_hz(target, "G4", "D4") == target_frequency_hz(plain, "G4", "D4")
