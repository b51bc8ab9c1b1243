"""Pitch and temperament against published numbers.

Sources: ISO 16:1975 for A4 = 440 Hz (from memory). Equal temperament and the five-limit just ratios are
definitions in common use; the frequencies and cents below follow from them: 2^(n/12) and 1200 log2(p/q).
"""

import pytest

from fluewright.instrument.parts import Target
from fluewright.instrument.pitch import equal_frequency_hz
from fluewright.instrument.temperament import JUST, target_frequency_hz
from fluewright.units import cents_above

#: Lowest and highest key of a piano of 88 keys among them.
EQUAL_AT_440 = {
    "A0": 27.5, "C4": 261.625565, "A4": 440.0, "A#4": 466.163762, "D5": 587.329536, "C8": 4186.009045,
}  # fmt: skip

#: Five-limit intervals: ratio as numerator and denominator, cents above the tonic.
JUST_CENTS = [
    (1, 1, 0.0),
    (16, 15, 111.731285),
    (9, 8, 203.910002),
    (6, 5, 315.641287),
    (5, 4, 386.313714),
    (4, 3, 498.044999),
    (45, 32, 590.223716),
    (3, 2, 701.955001),
    (8, 5, 813.686286),
    (5, 3, 884.358713),
    (9, 5, 1017.596288),
    (15, 8, 1088.268715),
]

CHROMATIC_FROM_D = ["D4", "Eb4", "E4", "F4", "F#4", "G4", "G#4", "A4", "Bb4", "B4", "C5", "C#5"]


@pytest.mark.parametrize(("note", "hz"), list(EQUAL_AT_440.items()))
def test_equal_temperament_at_the_standard_pitch(note: str, hz: float) -> None:
    assert equal_frequency_hz(note) == pytest.approx(hz, abs=1e-6)


def test_the_default_target_is_the_standard_pitch() -> None:
    assert Target().a4_hz == 440.0  # ISO 16:1975


@pytest.mark.parametrize(("a4_hz", "expected"), [(415.0, -101.270625), (442.0, 7.851415)])
def test_other_tuning_pitches_against_440(a4_hz: float, expected: float) -> None:
    assert cents_above(a4_hz, 440.0) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("degree", "case"), list(enumerate(JUST_CENTS)))
def test_just_intervals(degree: int, case: tuple[int, int, float]) -> None:
    numerator, denominator, expected = case
    assert JUST[degree] == numerator / denominator
    assert cents_above(JUST[degree], 1.0) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("degree", range(12))
def test_a_just_target_has_those_intervals_above_its_tonic(degree: int) -> None:
    target = Target(temperament="just", tonic="D")
    tonic_hz = target_frequency_hz(target, "D4", "C4")
    above = cents_above(target_frequency_hz(target, CHROMATIC_FROM_D[degree], "C4"), tonic_hz)
    assert above == pytest.approx(JUST_CENTS[degree][2], abs=1e-6)


def test_the_syntonic_comma() -> None:
    four_fifths_less_two_octaves = JUST[7] ** 4 / 4.0
    assert cents_above(four_fifths_less_two_octaves, JUST[4]) == pytest.approx(21.506290, abs=1e-6)


def test_the_pythagorean_comma() -> None:
    assert cents_above(JUST[7] ** 12, 2.0**7) == pytest.approx(23.460010, abs=1e-6)
