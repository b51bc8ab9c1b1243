"""Which note was meant by each note heard: the nearest of the scale, or a model's own."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fluewright.bench.matching import match_notes
from fluewright.errors import InputError
from fluewright.instrument.fingering import fingerings_of
from fluewright.instrument.model import Model
from fluewright.instrument.pitch import nearest_note
from fluewright.instrument.temperament import target_frequency_hz
from fluewright.listening import HeardNote
from fluewright.units import cents_above

__all__ = ["NamedNote", "NamedNotes", "checked_a4_hz", "name_notes"]


_TOLERANCE_CENTS = 5.0
_LOWEST_A4_HZ, _HIGHEST_A4_HZ = 300.0, 600.0


@dataclass(frozen=True)
class NamedNote:
    """A heard note with the note that was meant, and cents above it; name empty where it fits none of the model's."""

    heard: HeardNote
    name: str
    cents: float


@dataclass(frozen=True)
class NamedNotes:
    """Named notes in order of time, remarks on missing and extra ones, and the tolerance in cents."""

    rows: tuple[NamedNote, ...]
    remarks: tuple[str, ...]
    tolerance_cents: float


def checked_a4_hz(a4_hz: float) -> float:
    """Return a tuning standard if it can be one.

    Raises
    ------
    InputError
        It is below 300 or above 600 Hz, or no number.
    """
    if not _LOWEST_A4_HZ <= a4_hz <= _HIGHEST_A4_HZ:
        raise InputError(
            f"is {a4_hz}; it must lie between {_LOWEST_A4_HZ:g} and {_HIGHEST_A4_HZ:g} Hz, for example 442",
            field="a4_hz",
        )
    return a4_hz


def name_notes(notes: Sequence[HeardNote], model: Model | None, a4_hz: float) -> NamedNotes:
    """Return heard notes with names: of the model where there is one, else of the equal-tempered scale at `a4_hz`."""
    if model is None:
        found = [(n, *nearest_note(n.frequency_hz, a4_hz)) for n in notes]
        return NamedNotes(tuple(NamedNote(n, name, off) for n, name, off in found), (), _TOLERANCE_CENTS)
    targets = {f.note: target_frequency_hz(model.target, f.note, model.model.lowest_note) for f in fingerings_of(model)}
    names = sorted(targets, key=lambda name: targets[name])
    match = match_notes([n.frequency_hz for n in notes], np.array([targets[name] for name in names]))
    meant = {i: names[j] for j, places in match.by_fingering.items() for i in places}
    rows = []
    for i, note in enumerate(notes):
        name = meant.get(i, "")
        rows.append(NamedNote(note, name, cents_above(note.frequency_hz, targets[name]) if name else math.nan))
    remarks = []
    if notes and match.missing:
        remarks.append(f"not heard: {', '.join(names[j] for j in match.missing)}")
    if match.extra:
        places = ", ".join(f"{notes[i].frequency_hz:.1f} Hz at {notes[i].onset_s:.2f} s" for i in match.extra)
        remarks.append(f"fits no note of the model: {places}")
    return NamedNotes(tuple(rows), tuple(remarks), model.target.tolerance_cents)
