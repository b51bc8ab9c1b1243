"""A head's trial: what was read of each note when it was blown, with its uncertainty; what was not read is missing.

A trial is plain data. It is heard from a recording (`heard`), typed in, or read back from the ledger.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.errors import InputError

__all__ = [
    "TRIAL_FORMAT", "HeadTrial", "NoteTrial", "Reading", "ReadingChange", "Shift", "shifts", "trial_from_plain",
]  # fmt: skip

TRIAL_FORMAT = "fluewright-head-trial/1"
"""Kind and number of the plain form."""


@dataclass(frozen=True)
class Reading:
    """One figure and its standard uncertainty, in the quantity's unit."""

    value: float
    sigma: float


@dataclass(frozen=True)
class NoteTrial:
    """What was read of one note; `readings` by the keys of `quantities.QUANTITIES`.

    `curve` is pitch against breath, (Pa, Hz), rising breath, within the note's register; empty where not read.
    """

    note: str
    register: int
    readings: Mapping[str, Reading]
    curve: tuple[tuple[float, float], ...] = ()

    @property
    def name(self) -> str:
        """Return the note with its register."""
        return f"{self.note}.{self.register}"


@dataclass(frozen=True)
class HeadTrial:
    """One trial of a head.

    Attributes
    ----------
    notes : tuple of NoteTrial
    head, body : str
        Which head, and the reference body that it sat on; empty: its own.
    good : bool
        The maker calls this head good: it can stand as the reference for others of its model.
    temperature_c : float
    sources : tuple of str
        Recordings (name and SHA-256) or "typed".
    warnings : tuple of str
    """

    notes: tuple[NoteTrial, ...]
    head: str = ""
    body: str = ""
    good: bool = False
    temperature_c: float = math.nan
    sources: tuple[str, ...] = ()
    warnings: tuple[str, ...] = field(default=(), compare=False)

    def of(self, note: str, register: int, quantity: str) -> Reading | None:
        """Return one reading, None where it was not taken."""
        return next(
            (n.readings.get(quantity) for n in self.notes if n.note == note and n.register == register), None
        )  # fmt: skip

    def to_plain(self) -> dict[str, Any]:
        """Return plain JSON values; `trial_from_plain` reads them back."""
        return {
            "format": TRIAL_FORMAT,
            "head": self.head,
            "body": self.body,
            "good": self.good,
            "temperature_c": self.temperature_c if math.isfinite(self.temperature_c) else None,
            "sources": list(self.sources),
            "notes": [
                {
                    "note": n.note,
                    "register": n.register,
                    "readings": {k: [r.value, r.sigma] for k, r in n.readings.items()},
                    "curve": [list(p) for p in n.curve],
                }
                for n in self.notes
            ],
        }


def trial_from_plain(said: Mapping[str, Any]) -> HeadTrial:
    """Return a trial from its plain form, every figure checked.

    Raises
    ------
    InputError
        Another format, or a figure that cannot be.
    """
    if said.get("format") != TRIAL_FORMAT:
        raise InputError(f"head trial: format is {said.get('format')!r}, this program reads {TRIAL_FORMAT!r}")
    notes = tuple(
        NoteTrial(
            str(n["note"]), int(n["register"]),
            {
                k: checked_reading(f"{n['note']}.{n['register']}.{k}", k, *map(float, v))
                for k, v in n["readings"].items()
            },
            tuple((float(p), float(f)) for p, f in n.get("curve", ())),
        )
        for n in said["notes"]
    )  # fmt: skip
    temperature = said.get("temperature_c")
    return HeadTrial(
        notes, str(said.get("head", "")), str(said.get("body", "")), bool(said.get("good", False)),
        math.nan if temperature is None else float(temperature), tuple(map(str, said.get("sources", ()))),
    )  # fmt: skip


def checked_reading(place: str, quantity: str, value: float, sigma: float | None = None) -> Reading:
    """Return a reading within what its quantity can be; without `sigma` the usual reading error is taken.

    Raises
    ------
    InputError
        The quantity is not known, the value lies outside its limits, or sigma is not above 0.
    """
    known = QUANTITIES.get(quantity)
    if known is None:
        raise InputError(f"{place}: there is no quantity {quantity!r}; use one of {', '.join(QUANTITIES)}")
    if not (math.isfinite(value) and known.low <= value <= known.high):
        raise InputError(
            f"{place} is {value:g} {known.unit}, outside {known.low:g} to {known.high:g} {known.unit}; read the "
            f"{known.title} again, or leave it out"
        )
    if sigma is None:
        sigma = known.reading * (abs(value) if known.relative else 1.0)
    if not (math.isfinite(sigma) and sigma > 0.0):
        raise InputError(f"{place}: its uncertainty is {sigma:g} {known.unit}; give one above 0, or leave it out")
    return Reading(value, sigma)


def check_order(note: NoteTrial) -> None:
    """Refuse breaths in an order that no note has: lowest, comfortable, jump rise; it falls back below the jump.

    Raises
    ------
    InputError
    """
    order = ("lowest_pa", "comfortable_pa", "jump_pa")
    known = [(k, note.readings[k].value) for k in order if k in note.readings]
    if "fall_back_pa" in note.readings and "jump_pa" in note.readings:
        pairs = [(("fall_back_pa", note.readings["fall_back_pa"].value), known[-1])]
    else:
        pairs = []
    for (k1, v1), (k2, v2) in [*pairwise(known), *pairs]:
        if v1 > v2:
            raise InputError(
                f"{note.name}: {k1} is {v1:g} Pa, above {k2}, {v2:g} Pa; the {QUANTITIES[k1].title} lies below the "
                f"{QUANTITIES[k2].title}: look whether two readings were exchanged"
            )


def merged(parts: Iterable[NoteTrial]) -> tuple[NoteTrial, ...]:
    """Return notes with the readings of all parts; where two parts read the same, by their weights."""
    found: dict[tuple[str, int], NoteTrial] = {}
    for part in parts:
        key = (part.note, part.register)
        if key not in found:
            found[key] = part
            continue
        both = dict(found[key].readings)
        for k, r in part.readings.items():
            if k in both:
                w1, w2 = both[k].sigma ** -2, r.sigma**-2
                r = Reading((w1 * both[k].value + w2 * r.value) / (w1 + w2), (w1 + w2) ** -0.5)
            both[k] = r
        curve = part.curve if len(part.curve) > len(found[key].curve) else found[key].curve
        found[key] = NoteTrial(*key, both, curve)
    return tuple(found.values())


@dataclass(frozen=True)
class ReadingChange:
    """How far one quantity of one note moves.

    `change` is in the unit, or in per cent where the quantity is compared as a ratio; `sigma` its uncertainty.
    """

    note: str
    register: int
    quantity: str
    change: float
    sigma: float

    @property
    def unit(self) -> str:
        """Return the unit of the change."""
        return QUANTITIES[self.quantity].unit_of_change


@dataclass(frozen=True)
class Shift(ReadingChange):
    """How one quantity of one note moved from the trial before to the one after."""

    before: float
    after: float


def shifts(before: HeadTrial, after: HeadTrial) -> tuple[Shift, ...]:
    """Return every quantity that both trials read, and how it moved."""
    found = []
    for note in after.notes:
        for key, reading in note.readings.items():
            old = before.of(note.note, note.register, key)
            if old is None:
                continue
            if QUANTITIES[key].relative:
                change = 100.0 * (reading.value / old.value - 1.0)
                sigma = 100.0 * math.hypot(reading.sigma / reading.value, old.sigma / old.value)
            else:
                change, sigma = reading.value - old.value, math.hypot(reading.sigma, old.sigma)
            found.append(Shift(note.note, note.register, key, change, sigma, old.value, reading.value))
    return tuple(found)
