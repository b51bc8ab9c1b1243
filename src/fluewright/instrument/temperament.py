"""Says at what frequency a note of an instrument should sound."""

import math
from typing import TYPE_CHECKING, Final

from fluewright.instrument.pitch import equal_frequency_hz, note_to_midi, pitch_class

if TYPE_CHECKING:
    from fluewright.instrument.parts import Target

__all__ = ["JUST", "offset_cents", "target_frequency_hz"]

#: Just ratios of the twelve degrees above the tonic (five-limit; the cents of each are in tests/published).
JUST: Final[tuple[float, ...]] = (
    1.0,
    16 / 15,
    9 / 8,
    6 / 5,
    5 / 4,
    4 / 3,
    45 / 32,
    3 / 2,
    8 / 5,
    5 / 3,
    9 / 5,
    15 / 8,
)


def _just_ratio(midi: int, tonic_class: int) -> float:
    octave, degree = divmod(midi - tonic_class, 12)
    return JUST[degree] * math.pow(2.0, octave)


def offset_cents(offsets: dict[str, float], note: str) -> float:
    """Return the wished offset in cents of a note: its own entry, else that of its pitch class, else 0.

    Spelling does not matter: an entry for ``"Gb"`` serves ``"F#5"`` as well.
    """
    of_class = 0.0
    for key, value in offsets.items():
        if key[-1].isdigit():
            if note_to_midi(key) == note_to_midi(note):
                return value
        elif pitch_class(key) == pitch_class(note):
            of_class = value
    return of_class


def target_frequency_hz(target: "Target", note: str, lowest_note: str) -> float:
    """Return the frequency in Hz at which a note should sound.

    In both temperaments A4 sounds at ``target.a4_hz``, the note that an ensemble tunes to; in the just one
    the
    other notes stand in five-limit ratios to the tonic. The wished offsets are added last, A4 included.

    Parameters
    ----------
    target : Target
        Tuning frequency, temperament, tonic and offsets.
    note : str
        Name with octave.
    lowest_note : str
        Lowest note of the instrument; its pitch class is the tonic when the target names none.
    """
    if target.temperament == "just":
        tonic = pitch_class(target.tonic or lowest_note)
        base = target.a4_hz * _just_ratio(note_to_midi(note), tonic) / _just_ratio(note_to_midi("A4"), tonic)
    else:
        base = equal_frequency_hz(note, target.a4_hz)
    return base * math.pow(2.0, offset_cents(target.offsets_cents, note) / 1200.0)
