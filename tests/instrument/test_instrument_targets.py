"""Where a note should sound and with what breath: whose word goes first, and how breath grows up the scale."""

import pytest

from fluewright.instrument.breath import breath_pressure_pa
from fluewright.instrument.parts import Target
from fluewright.instrument.temperament import target_frequency_hz
from fluewright.units import cents_above


@pytest.mark.parametrize("offsets", [{"F#5": 3.0, "Gb": -10.0}, {"Gb": -10.0, "F#5": 3.0}, {"Gb5": 3.0, "F#": -10.0}])
def test_a_notes_own_offset_goes_first_wherever_it_stands_in_the_file(offsets: dict[str, float]) -> None:
    target, plain = Target(offsets_cents=offsets), Target()
    for note, wanted in (("F#5", 3.0), ("Gb5", 3.0), ("F#4", -10.0), ("Gb6", -10.0), ("G5", 0.0)):
        off = cents_above(target_frequency_hz(target, note, "D5"), target_frequency_hz(plain, note, "D5"))
        assert off == pytest.approx(wanted, abs=1e-9), note


@pytest.mark.parametrize(("exponent", "octave"), [(1.0, 2.0), (1.5, 2.0**1.5), (2.0, 4.0)])
def test_planned_breath_grows_with_a_power_of_pitch(exponent: float, octave: float) -> None:
    """The exponent is that of the ratio of pitches over the lowest note, whose breath is given."""
    target = Target.model_validate({"breath": {"lowest_note_pa": 120.0, "exponent": exponent}})
    assert breath_pressure_pa(target, "D5", "D5") == pytest.approx(120.0)
    assert breath_pressure_pa(target, "D6", "D5") == pytest.approx(120.0 * octave)
    assert breath_pressure_pa(target, "A5", "D5") == pytest.approx(120.0 * 2.0 ** (exponent * 7.0 / 12.0))


def test_a_notes_own_breath_goes_first_whatever_its_spelling() -> None:
    target = Target.model_validate({"breath": {"lowest_note_pa": 120.0, "exponent": 2.0, "notes_pa": {"Gb5": 333.0}}})
    assert breath_pressure_pa(target, "F#5", "D5") == 333.0
    assert breath_pressure_pa(target, "F#6", "D5") != 333.0
