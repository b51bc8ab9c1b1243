"""What an event may say: for each kind, the details that it records, checked and in plain JSON values.

The names of the details are the names of the arguments of the methods of `Ledger`, so that a correction uses
the same names. Every function takes its own result again: a corrected entry passes the same checks as a new
one.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, fields
from typing import Any

from fluewright.errors import LedgerError
from fluewright.ledger.records import PieceState, TrialNote
from fluewright.ledger.schema import EventKind, time_text
from fluewright.ledger.values import (
    checked_json,
    checked_number,
    checked_sha256,
    checked_size,
    checked_size_name,
    checked_sizes,
    checked_text,
    checked_time,
    checked_whole,
    mm_text,
)

__all__ = [
    "CORRECTABLE",
    "ENTRIES",
    "SIZES_KEY",
    "SIZE_AGREEMENT_MM",
    "adjustment_entry",
    "begun_entry",
    "checked_state",
    "cut_entry",
    "head_trial_entry",
    "measurement_entry",
    "state_entry",
    "trial_entry",
]

SIZE_AGREEMENT_MM = 0.005
"""Two readings of one size agree within half of the last digit of a caliper (0.01 mm)."""

_NOTE_FIELDS = tuple(field.name for field in fields(TrialNote))


def begun_entry(
    *,
    model_name: str,
    model_version: int,
    material: Any,
    lot: Any,
    as_built: Any,
    state: Any = PieceState.IN_WORK,
) -> dict[str, Any]:
    """Return the details of the start of a piece."""
    return {
        "model_name": model_name,
        "model_version": model_version,
        "material": checked_text("material", material, required=False),
        "lot": checked_text("lot", lot, required=False),
        "as_built": checked_sizes("as_built", as_built),
        "state": str(checked_state(state)),
    }


def measurement_entry(*, as_built: Any, gauge: Any, remarks: Any) -> dict[str, Any]:
    """Return the details of a measurement."""
    sizes = checked_sizes("as_built", as_built)
    if not sizes:
        raise LedgerError("as_built names no size: give at least one.")
    return {
        "as_built": sizes,
        "gauge": checked_text("gauge", gauge, required=False),
        "remarks": checked_text("remarks", remarks, required=False),
    }


def trial_entry(
    *,
    taken_at: Any,
    temperature_c: Any,
    relative_humidity: Any,
    breath_pa: Any,
    recording_sha256: Any,
    recording_name: Any,
    analysis_version: Any,
    model_name: str,
    model_version: Any,
    notes: Any,
    as_built: Any,
    remarks: Any,
) -> dict[str, Any]:
    """Return the details of a trial."""
    if breath_pa is not None:
        breath_pa = checked_number(
            "breath_pa",
            breath_pa,
            1.0,
            20000.0,
            unit="Pa",
            mend="give it in pascal (1 mbar is 100 Pa), or None",
        )
    if isinstance(notes, (str, Mapping)) or not isinstance(notes, Sequence):
        raise LedgerError(f"notes is a {type(notes).__name__}: give a list of TrialNote.")
    return {
        "taken_at": time_text(checked_time("taken_at", taken_at)),
        "temperature_c": checked_number(
            "temperature_c", temperature_c, -20.0, 60.0, unit="degC", mend="give the room in degrees Celsius"
        ),
        "relative_humidity": checked_number(
            "relative_humidity", relative_humidity, 0.0, 1.0, unit="", mend="give a fraction, 0.45 for 45 %"
        ),
        "breath_pa": breath_pa,
        "recording_sha256": checked_sha256("recording_sha256", recording_sha256),
        "recording_name": checked_text("recording_name", recording_name),
        "analysis_version": checked_text("analysis_version", analysis_version),
        "model_name": model_name,
        "model_version": checked_whole("model_version", model_version, 1, 10**6, mend="versions count from 1"),
        "notes": [_note_entry(place, note) for place, note in enumerate(notes, start=1)],
        "as_built": checked_sizes("as_built", as_built),
        "remarks": checked_text("remarks", remarks, required=False),
    }


def _note_entry(place: int, note: Any) -> dict[str, Any]:
    where = f"note {place} of the trial"
    if isinstance(note, TrialNote):
        said: Mapping[str, Any] = asdict(note)
    elif isinstance(note, Mapping) and set(note) == set(_NOTE_FIELDS):
        said = note
    else:
        raise LedgerError(f"{where} is {note!r}: give {', '.join(_NOTE_FIELDS)}.")
    name = checked_text(f"{where}, its name", said["note"], most=40)
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
    feature: Any,
    before_mm: Any,
    after_mm: Any,
    tool: Any,
    reason: Any,
    forecast: Any,
    as_built_after: Any,
) -> dict[str, Any]:
    """Return the details of a cut; the changed size always stands among the sizes after it."""
    feature = checked_size_name(feature)
    if not feature.endswith("_mm"):
        raise LedgerError(f"feature {feature!r} is not a size in mm: name the size that the tool changed, in mm.")
    before = checked_size(feature, before_mm)
    after = checked_size(feature, after_mm)
    if before == after:
        raise LedgerError(
            f"{feature} is {mm_text(before)} mm before and after the cut: a cut changes a size; "
            "log a trial or a measurement when nothing was removed."
        )
    sizes = checked_sizes("as_built_after", as_built_after)
    if abs(sizes.get(feature, after) - after) > SIZE_AGREEMENT_MM:
        raise LedgerError(
            f"{feature} is {mm_text(after)} mm after the cut, but {mm_text(sizes[feature])} in "
            "as_built_after: measure it again and give one value."
        )
    sizes[feature] = after
    said = checked_json("forecast", forecast)
    if not isinstance(said, dict):
        raise LedgerError(f"forecast is {forecast!r}, not a mapping: name each forecast value.")
    return {
        "feature": feature,
        "before_mm": before,
        "after_mm": after,
        "tool": checked_text("tool", tool),
        "reason": checked_text("reason", reason),
        "forecast": said,
        "as_built_after": sizes,
    }


def head_trial_entry(
    *,
    taken_at: Any,
    temperature_c: Any,
    body: Any,
    good: Any,
    analysis_version: Any,
    model_name: str,
    model_version: Any,
    readings: Any,
    as_built: Any,
    remarks: Any,
) -> dict[str, Any]:
    """Return the details of a head's trial."""
    if not isinstance(good, bool):
        raise LedgerError(f"good is {good!r}, not yes or no: say whether the head is a good one.")
    said = checked_json("readings", readings)
    if not isinstance(said, dict) or not isinstance(said.get("format"), str):
        raise LedgerError("readings are not a mapping that names its format: give a head trial in its plain form.")
    return {
        "taken_at": time_text(checked_time("taken_at", taken_at)),
        "temperature_c": checked_number(
            "temperature_c", temperature_c, -20.0, 60.0, unit="degC", mend="give the room in degrees Celsius"
        ),
        "body": checked_text("body", body, required=False, most=120),
        "good": good,
        "analysis_version": checked_text("analysis_version", analysis_version),
        "model_name": model_name,
        "model_version": checked_whole("model_version", model_version, 1, 10**6, mend="versions count from 1"),
        "readings": said,
        "as_built": checked_sizes("as_built", as_built),
        "remarks": checked_text("remarks", remarks, required=False),
    }


def adjustment_entry(
    *, adjustment: Any, title: Any, steps: Any, changes: Any, reason: Any, forecast: Any, as_built_after: Any
) -> dict[str, Any]:
    """Return the details of an adjustment of a head; one that changes no size (a leak sealed) is one too."""
    count = checked_number("steps", steps, -100.0, 100.0, unit="", mend="say how many usual steps were made")
    if count == 0.0:
        raise LedgerError("steps is 0: an adjustment does something; log a head trial when nothing was changed.")
    if not isinstance(changes, Mapping):
        raise LedgerError(f"changes is {changes!r}, not a mapping: give the change of each size by name.")
    moved = {
        checked_size_name(name): checked_number(
            f"change of {name}", value, -100.0, 100.0, unit="", mend="give it in mm or degrees"
        )
        for name, value in changes.items()
    }
    said = checked_json("forecast", forecast)
    if not isinstance(said, dict):
        raise LedgerError(f"forecast is {forecast!r}, not a mapping: name each forecast value.")
    return {
        "adjustment": checked_text("adjustment", adjustment, most=80),
        "title": checked_text("title", title, most=400),
        "steps": count,
        "changes": moved,
        "reason": checked_text("reason", reason, required=False),
        "forecast": said,
        "as_built_after": checked_sizes("as_built_after", as_built_after),
    }


def state_entry(*, state: Any, reason: Any) -> dict[str, Any]:
    """Return the details of a change of state."""
    return {"state": str(checked_state(state)), "reason": checked_text("reason", reason)}


def checked_state(value: Any) -> PieceState:
    """Return a state, from the enum or its text."""
    try:
        return PieceState(value)
    except ValueError:
        raise LedgerError(f"state {value!r} is not known: use one of {', '.join(PieceState)}.") from None


ENTRIES: Mapping[str, Callable[..., dict[str, Any]]] = {
    EventKind.BEGUN: begun_entry,
    EventKind.MEASUREMENT: measurement_entry,
    EventKind.TRIAL: trial_entry,
    EventKind.CUT: cut_entry,
    EventKind.STATE: state_entry,
    EventKind.HEAD_TRIAL: head_trial_entry,
    EventKind.ADJUSTMENT: adjustment_entry,
}
"""The check of each kind of event that can be corrected."""

SIZES_KEY: Mapping[str, str] = {
    EventKind.BEGUN: "as_built",
    EventKind.MEASUREMENT: "as_built",
    EventKind.TRIAL: "as_built",
    EventKind.CUT: "as_built_after",
    EventKind.HEAD_TRIAL: "as_built",
    EventKind.ADJUSTMENT: "as_built_after",
}
"""Which detail of each kind states sizes."""

CORRECTABLE: Mapping[str, tuple[str, ...]] = {
    EventKind.BEGUN: ("material", "lot", "as_built"),
    EventKind.MEASUREMENT: ("as_built", "gauge", "remarks"),
    EventKind.TRIAL: (
        "taken_at",
        "temperature_c",
        "relative_humidity",
        "breath_pa",
        "recording_sha256",
        "recording_name",
        "analysis_version",
        "model_version",
        "notes",
        "as_built",
        "remarks",
    ),
    EventKind.CUT: ("feature", "before_mm", "after_mm", "tool", "reason", "forecast", "as_built_after"),
    EventKind.STATE: ("state", "reason"),
    EventKind.HEAD_TRIAL: (
        "taken_at",
        "temperature_c",
        "body",
        "good",
        "analysis_version",
        "model_version",
        "readings",
        "as_built",
        "remarks",
    ),
    EventKind.ADJUSTMENT: ("adjustment", "title", "steps", "changes", "reason", "forecast", "as_built_after"),
}
"""Which details a correction may replace."""
