"""What an event may say: for each kind, the details that it records, checked and in plain JSON values.

The names of the details are the names of the arguments of the methods of `Ledger`, so that a correction uses
the same names. Every check takes its own result again: a corrected entry passes the same checks as a new
one. What a check is given comes from outside and is typed ``object``; the model's name and version are the
ledger's own.
"""

import inspect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

from fluewright.errors import LedgerError
from fluewright.ledger.records import PieceState, TrialNote
from fluewright.ledger.schema import EventKind, time_text
from fluewright.ledger.values import (
    checked_json,
    checked_mapping,
    checked_number,
    checked_sha256,
    checked_size,
    checked_size_name,
    checked_sizes,
    checked_text,
    checked_time,
    checked_whole,
    mm_text,
    unit_of_size,
)

__all__ = [
    "ENTRIES",
    "SIZE_AGREEMENT_MM",
    "Entry",
    "adjustment_entry",
    "begun_entry",
    "checked_model_version",
    "checked_state",
    "cut_entry",
    "head_trial_entry",
    "measurement_entry",
    "sizes_agree",
    "sizes_detail",
    "state_entry",
    "trial_entry",
]

SIZE_AGREEMENT_MM = 0.005
"""Two readings of one size agree within half of the last digit of a caliper (0.01 mm)."""

_BINARY_MM = 1e-9

_NOTE_FIELDS = tuple(field.name for field in fields(TrialNote))


def sizes_agree(one_mm: float, other_mm: float) -> bool:
    """Return whether two readings are of one size, `SIZE_AGREEMENT_MM` apart at the most."""
    # The limit is met exactly by sizes such as 6.20 and 6.205, whose difference is not exact in binary.
    return abs(one_mm - other_mm) <= SIZE_AGREEMENT_MM + _BINARY_MM


def begun_entry(
    *,
    model_name: str,
    model_version: int,
    material: object,
    lot: object,
    as_built: object,
    state: object = PieceState.IN_WORK,
) -> dict[str, Any]:
    """Return the details of the start of a piece.

    Raises
    ------
    LedgerError
        A value is not possible.
    """
    return {
        "model_name": model_name,
        "model_version": model_version,
        "material": checked_text("material", material, required=False),
        "lot": checked_text("lot", lot, required=False),
        "as_built": checked_sizes("as_built", as_built),
        "state": str(checked_state(state)),
    }


def measurement_entry(*, as_built: object, gauge: object, remarks: object) -> dict[str, Any]:
    """Return the details of a measurement.

    Raises
    ------
    LedgerError
        A value is not possible, or no size is given.
    """
    sizes = checked_sizes("as_built", as_built)
    if not sizes:
        raise LedgerError("names no size; give at least one.", field="as_built")
    return {
        "as_built": sizes,
        "gauge": checked_text("gauge", gauge, required=False),
        "remarks": checked_text("remarks", remarks, required=False),
    }


def trial_entry(
    *,
    taken_at: object,
    temperature_c: object,
    relative_humidity: object,
    breath_pa: object,
    recording_sha256: object,
    recording_name: object,
    analysis_version: object,
    model_name: str,
    model_version: object,
    notes: object,
    as_built: object,
    remarks: object,
) -> dict[str, Any]:
    """Return the details of a trial.

    Raises
    ------
    LedgerError
        A value is not possible.
    """
    if breath_pa is not None:
        breath_pa = checked_number(
            "breath_pa", breath_pa, 1.0, 20000.0, unit="Pa", mend="give it in pascal (1 mbar is 100 Pa), or None"
        )
    if isinstance(notes, (str, Mapping)) or not isinstance(notes, Sequence):
        raise LedgerError(f"is a {type(notes).__name__}; give a list of TrialNote.", field="notes")
    return {
        **_as_played(taken_at, temperature_c, analysis_version, model_name, model_version, as_built, remarks),
        "relative_humidity": checked_number(
            "relative_humidity", relative_humidity, 0.0, 1.0, unit="", mend="give a fraction, 0.45 for 45 %"
        ),
        "breath_pa": breath_pa,
        "recording_sha256": checked_sha256("recording_sha256", recording_sha256),
        "recording_name": checked_text("recording_name", recording_name),
        "notes": [_note_entry(place, note) for place, note in enumerate(notes, start=1)],
    }


def _as_played(
    taken_at: object,
    temperature_c: object,
    analysis_version: object,
    model_name: str,
    model_version: object,
    as_built: object,
    remarks: object,
) -> dict[str, Any]:
    """Return what a trial of the piece and a trial of its head both state."""
    return {
        "taken_at": time_text(checked_time("taken_at", taken_at)),
        "temperature_c": checked_number(
            "temperature_c", temperature_c, -20.0, 60.0, unit="degC", mend="give the room in degrees Celsius"
        ),
        "analysis_version": checked_text("analysis_version", analysis_version),
        "model_name": model_name,
        "model_version": checked_model_version(model_version),
        "as_built": checked_sizes("as_built", as_built),
        "remarks": checked_text("remarks", remarks, required=False),
    }


def _note_entry(place: int, note: object) -> dict[str, Any]:
    where = f"note {place} of the trial"
    if isinstance(note, TrialNote):
        said: Mapping[str, object] = asdict(note)
    elif isinstance(note, Mapping) and set(note) == set(_NOTE_FIELDS):
        said = note
    else:
        raise LedgerError(f"is {note!r}; give {', '.join(_NOTE_FIELDS)}.", field=where)
    name = checked_text(f"name of {where}", said["note"], most=40)
    where = f"{where} ({name})"
    entry: dict[str, Any] = {
        "note": name,
        "register": checked_whole(f"register of {where}", said["register"], 1, 9, mend="registers count from 1"),
    }
    for key, low, high, unit, mend in (
        ("target_hz", 10.0, 30000.0, "Hz", "give the wanted frequency"),
        ("frequency_hz", 10.0, 30000.0, "Hz", "leave the note out when it was not heard"),
        ("frequency_uncertainty_hz", 0.0, 30000.0, "Hz", "give one standard deviation"),
        ("cents", -4800.0, 4800.0, "cents", "compare it with its own target and register"),
    ):
        entry[key] = checked_number(f"{key} of {where}", said[key], low, high, unit=unit, mend=mend)
    return entry


def cut_entry(
    *,
    feature: object,
    before_mm: object,
    after_mm: object,
    tool: object,
    reason: object,
    forecast: object,
    as_built_after: object,
) -> dict[str, Any]:
    """Return the details of a cut; the changed size always stands among the sizes after it.

    Raises
    ------
    LedgerError
        A value is not possible, nothing was removed, or the size after the cut is given twice and differs.
    """
    name = checked_size_name("feature", feature)
    if unit_of_size(name) != "_mm":
        raise LedgerError(f"{name!r} is not a size in mm; name the size that the tool changed, in mm.", field="feature")
    before = checked_size(name, before_mm)
    after = checked_size(name, after_mm)
    if before == after:
        raise LedgerError(
            f"is {mm_text(before)} mm before and after the cut, and a cut changes a size; "
            "log a trial or a measurement when nothing was removed.",
            field=name,
        )
    sizes = checked_sizes("as_built_after", as_built_after)
    if not sizes_agree(sizes.get(name, after), after):
        raise LedgerError(
            f"is {mm_text(after)} mm after the cut, but {mm_text(sizes[name])} in as_built_after; "
            "measure it again and give one value.",
            field=name,
        )
    sizes[name] = after
    return {
        "feature": name,
        "before_mm": before,
        "after_mm": after,
        "tool": checked_text("tool", tool),
        "reason": checked_text("reason", reason),
        "forecast": _checked_forecast(forecast),
        "as_built_after": sizes,
    }


def _checked_forecast(forecast: object) -> object:
    return checked_json("forecast", checked_mapping("forecast", forecast, mend="name each forecast value"))


def head_trial_entry(
    *,
    taken_at: object,
    temperature_c: object,
    body: object,
    good: object,
    analysis_version: object,
    model_name: str,
    model_version: object,
    readings: object,
    as_built: object,
    remarks: object,
) -> dict[str, Any]:
    """Return the details of a head's trial.

    Raises
    ------
    LedgerError
        A value is not possible, or the readings do not name their format.
    """
    if not isinstance(good, bool):
        raise LedgerError(f"is {good!r}, not yes or no; say whether the head is a good one.", field="good")
    said = checked_json("readings", readings)
    if not isinstance(said, dict) or not isinstance(said.get("format"), str):
        raise LedgerError(
            "are not a mapping that names its format; give a head trial in its plain form.", field="readings"
        )
    return {
        **_as_played(taken_at, temperature_c, analysis_version, model_name, model_version, as_built, remarks),
        "body": checked_text("body", body, required=False, most=120),
        "good": good,
        "readings": said,
    }


def adjustment_entry(
    *,
    adjustment: object,
    title: object,
    steps: object,
    changes: object,
    reason: object,
    forecast: object,
    as_built_after: object,
) -> dict[str, Any]:
    """Return the details of an adjustment of a head; one that changes no size (a leak sealed) is one too.

    Raises
    ------
    LedgerError
        A value is not possible, or nothing was done.
    """
    count = checked_number("steps", steps, -100.0, 100.0, unit="", mend="say how many usual steps were made")
    if count == 0.0:
        raise LedgerError(
            "is 0, but an adjustment does something; log a head trial when nothing was changed.", field="steps"
        )
    return {
        "adjustment": checked_text("adjustment", adjustment, most=80),
        "title": checked_text("title", title, most=400),
        "steps": count,
        "changes": checked_sizes("changes", changes, check=_checked_change),
        "reason": checked_text("reason", reason, required=False),
        "forecast": _checked_forecast(forecast),
        "as_built_after": checked_sizes("as_built_after", as_built_after),
    }


def _checked_change(size_name: str, change: object) -> float:
    return checked_number(f"change of {size_name}", change, -100.0, 100.0, unit="", mend="give it in mm or degrees")


def state_entry(*, state: object, reason: object) -> dict[str, Any]:
    """Return the details of a change of state.

    Raises
    ------
    LedgerError
        There is no such state, or no reason is given.
    """
    return {"state": str(checked_state(state)), "reason": checked_text("reason", reason)}


def checked_state(value: object) -> PieceState:
    """Return a state, from the enum or its text.

    Raises
    ------
    LedgerError
        There is no such state.
    """
    if not isinstance(value, str) or value not in set(PieceState):
        raise LedgerError(f"{value!r} is not known; use one of {', '.join(PieceState)}.", field="state")
    return PieceState(value)


def checked_model_version(value: object) -> int:
    """Return the number of a model's version.

    Raises
    ------
    LedgerError
        It is not a whole number from 1.
    """
    return checked_whole("model_version", value, 1, 10**6, mend="versions count from 1")


@dataclass(frozen=True)
class Entry:
    """What an event of one kind states.

    Attributes
    ----------
    check : callable
        Takes each detail by its name and returns all of them, checked.
    sizes : str or None
        The detail that states sizes.
    fixed : tuple of str
        Details that no correction may replace.
    """

    check: Callable[..., dict[str, Any]]
    sizes: str | None
    fixed: tuple[str, ...] = ()

    @property
    def correctable(self) -> tuple[str, ...]:
        """The details that a correction may replace."""
        return tuple(name for name in inspect.signature(self.check).parameters if name not in self.fixed)


ENTRIES: Mapping[str, Entry] = {
    EventKind.BEGUN: Entry(begun_entry, "as_built", ("model_name", "model_version", "state")),
    EventKind.MEASUREMENT: Entry(measurement_entry, "as_built"),
    # A trial may have been compared with another version of the piece's model, never with another model.
    EventKind.TRIAL: Entry(trial_entry, "as_built", ("model_name",)),
    EventKind.CUT: Entry(cut_entry, "as_built_after"),
    EventKind.STATE: Entry(state_entry, None),
    EventKind.HEAD_TRIAL: Entry(head_trial_entry, "as_built", ("model_name",)),
    EventKind.ADJUSTMENT: Entry(adjustment_entry, "as_built_after"),
}
"""The kinds of events that can be corrected."""


def sizes_detail(kind: str) -> str | None:
    """Return which detail of a kind of event states sizes; None where none does."""
    return ENTRIES[kind].sizes if kind in ENTRIES else None
