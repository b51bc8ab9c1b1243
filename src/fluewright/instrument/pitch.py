"""Says which note a name or a frequency is."""

import math
import re

from fluewright.errors import InputError
from fluewright.units import cents_above

__all__ = [
    "equal_frequency_hz",
    "midi_to_note",
    "nearest_note",
    "note_to_midi",
    "pitch_class",
    "without_octave",
]

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTALS = {"": 0, "#": 1, "##": 2, "b": -1, "bb": -2}
_SHARPS = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_FLATS = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
_NOTE = re.compile(r"([A-G])(##|#|bb|b|)(-1|[0-9])")
_CLASS = re.compile(r"([A-G])(##|#|bb|b|)(-1|[0-9])?")
_A4_MIDI = 69


def note_to_midi(note: str) -> int:
    """Return the MIDI number of a note such as ``"F#5"``, ``"Gb5"`` or ``"D5"`` (A4 = 69).

    Raises
    ------
    InputError
        When the text is not a capital letter A to G, an optional ``#`` or ``b``, and an octave -1 to 9.
    """
    found = _NOTE.fullmatch(note)
    if found is None:
        raise InputError(
            f'"{note}" is no note; write a capital letter A to G, then # or b where needed, '
            'then the octave -1 to 9, for example "F#5"'
        )
    letter, accidental, octave = found.groups()
    return 12 * (int(octave) + 1) + _STEPS[letter] + _ACCIDENTALS[accidental]


def midi_to_note(midi: int, flats: bool = False) -> str:
    """Return the name of a MIDI number, with sharps or (``flats``) with flats.

    Raises
    ------
    InputError
        When the number is outside 0 to 131, the octaves -1 to 9.
    """
    if not 0 <= midi <= 131:
        raise InputError(f"the note number {midi} is outside 0 to 131 (C-1 to B9)")
    names = _FLATS if flats else _SHARPS
    return f"{names[midi % 12]}{midi // 12 - 1}"


def pitch_class(note: str) -> int:
    """Return the pitch class 0 (C) to 11 (B) of a note with or without its octave.

    Raises
    ------
    InputError
        When the text is neither a note nor a pitch class.
    """
    found = _CLASS.fullmatch(note)
    if found is None:
        raise InputError(
            f'"{note}" is no note or pitch class; write a capital letter A to G, then # or b where needed, '
            'for example "F#" or "F#5"'
        )
    return (_STEPS[found.group(1)] + _ACCIDENTALS[found.group(2)]) % 12


def without_octave(note: str) -> str:
    """Return the name of a note without the number of its octave: ``"F#"`` of ``"F#5"``."""
    return note.rstrip("0123456789-")


def equal_frequency_hz(note: str, a4_hz: float = 440.0) -> float:
    """Return the frequency in Hz of a note in twelve-tone equal temperament.

    Parameters
    ----------
    note : str
        Name with octave.
    a4_hz : float
        Frequency of A4; 440 Hz is the standard tuning frequency (ISO 16:1975).
    """
    semitones = note_to_midi(note) - _A4_MIDI
    return float(a4_hz * math.pow(2.0, semitones / 12.0))


def nearest_note(f: float, a4_hz: float = 440.0) -> tuple[str, float]:
    """Return the nearest equal-tempered note to ``f`` (Hz) and how many cents ``f`` is above it.

    Raises
    ------
    InputError
        When a frequency is not above 0 Hz, or the note is outside C-1 to B9.
    """
    for name, value in (("f", f), ("a4_hz", a4_hz)):
        if not (math.isfinite(value) and value > 0.0):
            raise InputError(f"is {value}; a frequency must be finite and above 0 Hz", field=name)
    midi = round(_A4_MIDI + cents_above(f, a4_hz) / 100.0)
    note = midi_to_note(midi)
    return note, cents_above(f, equal_frequency_hz(note, a4_hz))
