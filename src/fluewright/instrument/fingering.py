"""Says which holes are closed, half open and open for each note."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from fluewright.errors import ModelError
from fluewright.instrument.parts import Parts
from fluewright.instrument.pitch import note_to_midi

__all__ = ["CLOSED", "HALF", "OPEN", "Fingering", "fingerings_of", "governing_hole", "parse_holes"]

CLOSED: Final = 0
OPEN: Final = 1
HALF: Final = 2
_LETTERS: Final = {"c": CLOSED, "o": OPEN, "h": HALF}


@dataclass(frozen=True, slots=True)
class Fingering:
    """One way to finger one note.

    Attributes
    ----------
    note : str
        Name with octave.
    register : int
        1 for the lowest register.
    holes : tuple of int
        One state a hole, head to foot: 0 closed, 1 open, 2 half open.
    text : str
        As written in the model.
    alternative : int
        0 for the main fingering of the note in its register, 1, 2, ... for the others.
    """

    note: str
    register: int
    holes: tuple[int, ...]
    text: str
    alternative: int = 0


def parse_holes(text: str, count: int) -> tuple[int, ...]:
    """Read a fingering such as ``"occ ccc"`` into one state a hole.

    Parameters
    ----------
    text : str
        One letter a hole, head to foot: c closed, h half open, o open; spaces are free.
    count : int
        Number of holes of the model.

    Raises
    ------
    ModelError
        When a letter is none of the three or their number is not that of the holes.
    """
    letters = "".join(text.split())
    wrong = sorted(set(letters) - set(_LETTERS))
    if wrong:
        named = ", ".join(f'"{letter}"' for letter in wrong)
        raise ModelError(f'"{text}" has {named}; use c (closed), h (half open) or o (open), one letter a hole')
    if len(letters) != count:
        raise ModelError(
            f'"{text}" has {len(letters)} letters, but there are {count} holes; '
            "write one letter a hole in the order of [[holes]]"
        )
    return tuple(_LETTERS[letter] for letter in letters)


def _alternatives(entry: str | Iterable[str]) -> tuple[str, ...]:
    return (entry,) if isinstance(entry, str) else tuple(entry)


def register_number(key: str) -> int:
    """Return the number in a key such as ``"register_2"``."""
    return int(key.removeprefix("register_"))


def fingerings_of(model: Parts) -> tuple[Fingering, ...]:
    """Return all fingerings, register by register, from low to high, main ones before alternatives."""
    found = []
    for key in sorted(model.fingerings, key=register_number):
        notes = model.fingerings[key]
        for note in sorted(notes, key=note_to_midi):
            for alternative, text in enumerate(_alternatives(notes[note])):
                holes = parse_holes(text, len(model.holes))
                found.append(Fingering(note, register_number(key), holes, text, alternative))
    return tuple(found)


def governing_hole(fingering: Fingering) -> int | None:
    """Return the index of the hole that sets the note: the open one nearest the window; None for the foot.

    Above register 1 the first hole is passed over when it only helps the jump to the higher register: when
    it is
    half open, or open above a closed one.
    """
    holes = fingering.holes
    for index, state in enumerate(holes):
        if state == CLOSED:
            continue
        vents = state == HALF or (index + 1 < len(holes) and holes[index + 1] == CLOSED)
        if fingering.register > 1 and index == 0 and vents:
            continue
        return index
    return None
