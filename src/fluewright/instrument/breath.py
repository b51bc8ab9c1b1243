"""Says with what breath a note of a model is meant to be blown."""

from fluewright.instrument.parts import Target
from fluewright.instrument.pitch import equal_frequency_hz, note_to_midi

__all__ = ["breath_pressure_pa"]


def breath_pressure_pa(target: Target, note: str, lowest_note: str) -> float:
    """Return the blowing pressure in Pa that the model plans for a note.

    Its own entry in ``target.breath.notes_pa`` (spelling does not matter), else p0 (f/f0)**exponent over the lowest
    note. The exponent of players is 1 to 2 (docs/trade/breath.md#players); a jet of the same shape needs 2.
    """
    for key, value in target.breath.notes_pa.items():
        if note_to_midi(key) == note_to_midi(note):
            return value
    ratio = equal_frequency_hz(note) / equal_frequency_hz(lowest_note)
    return float(target.breath.lowest_note_pa * ratio**target.breath.exponent)
