"""What is known today of one instrument, once every correction is laid over its events.

An event states sizes, mostly all of them, but only those that it changed, or that a correction of it names,
count as its own finding. The rest is carried forward from the events before it. So a size that was corrected
at its source is also right in every later event that had only copied it, while a later reading of its own
stands.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fluewright.ledger.entries import SIZES_KEY
from fluewright.ledger.records import (
    AdjustmentMade,
    Begun,
    Correction,
    Cut,
    Event,
    HeadTrialLogged,
    Measurement,
    PieceState,
    StateChange,
    Trial,
    TrialNote,
)
from fluewright.ledger.schema import EventKind, EventRow

__all__ = ["Known", "amended", "event_record", "present_sizes", "present_state", "replay"]


@dataclass(frozen=True)
class Known:
    """One event as it is known today.

    Attributes
    ----------
    row : EventRow
        The event as it was recorded.
    details : mapping
        Its details with every correction laid over them.
    as_built_before, as_built_after : mapping
        All sizes around it; for a correction, the sizes known before and after it was made.
    corrected_by : tuple of int
        The corrections, oldest first.
    """

    row: EventRow
    details: Mapping[str, Any]
    as_built_before: Mapping[str, float]
    as_built_after: Mapping[str, float]
    corrected_by: tuple[int, ...]


def amended(kind: str, details: Mapping[str, Any], replacement: Mapping[str, Any]) -> dict[str, Any]:
    """Return details with a replacement laid over them: sizes one by one, where None takes one away."""
    merged = dict(details)
    sizes_key = SIZES_KEY.get(kind)
    for name, value in replacement.items():
        if name == sizes_key:
            sizes = dict(merged[name])
            for size_name, size in value.items():
                if size is None:
                    sizes.pop(size_name, None)
                else:
                    sizes[size_name] = size
            merged[name] = sizes
        else:
            merged[name] = value
    if kind == EventKind.CUT:
        explicit = replacement.get("as_built_after", {})
        sizes = dict(merged["as_built_after"])
        if merged["feature"] != details["feature"] and details["feature"] not in explicit:
            sizes.pop(details["feature"], None)
        if merged["feature"] not in explicit:
            sizes[merged["feature"]] = merged["after_mm"]
        merged["as_built_after"] = sizes
    return merged


def replay(rows: Sequence[EventRow]) -> list[Known]:
    """Return what is known of each event of one instrument.

    Parameters
    ----------
    rows : sequence of EventRow
        All events of the instrument, oldest first.

    Returns
    -------
    list of Known
        One for each row, in the same order.
    """
    corrections: dict[int, list[EventRow]] = defaultdict(list)
    for row in rows:
        if row.kind == EventKind.CORRECTION:
            corrections[row.details["corrected_event_id"]].append(row)
    present: dict[str, float] = {}
    known = []
    for row in rows:
        if row.kind == EventKind.CORRECTION:
            known.append(Known(row, row.details, row.as_built_before, row.as_built_after, ()))
            continue
        details = dict(row.details)
        sizes_key = SIZES_KEY.get(row.kind, "")
        explicit: set[str] = set()
        for correction in corrections[row.id]:
            replacement = correction.details["replacement"]
            details = amended(row.kind, details, replacement)
            explicit |= set(replacement.get(sizes_key, ()))
        if row.kind == EventKind.CUT:
            explicit.add(details["feature"])
        before = dict(present)
        stated = details.get(sizes_key, {})
        for name in explicit - set(stated):
            present.pop(name, None)
        for name, size in stated.items():
            if name in explicit or row.as_built_before.get(name) != size:
                present[name] = size
        known.append(Known(row, details, before, dict(present), tuple(c.id for c in corrections[row.id])))
    return known


def present_sizes(known: Sequence[Known]) -> dict[str, float]:
    """Return the sizes after the last event, as replayed."""
    for entry in reversed(known):
        if entry.row.kind != EventKind.CORRECTION:
            return dict(entry.as_built_after)
    return {}


def present_state(known: Sequence[Known]) -> PieceState:
    """Return the state that the last change of state, as now known, left the piece in."""
    for entry in reversed(known):
        if entry.row.kind in (EventKind.STATE, EventKind.BEGUN):
            return PieceState(entry.details["state"])
    return PieceState.IN_WORK


def event_record(known: Known) -> Event:
    """Return the record that callers get."""
    row, details = known.row, known.details
    common: dict[str, Any] = {
        "event_id": row.id,
        "serial": row.serial,
        "recorded_at": row.recorded_at,
        "person": row.person,
        "as_built_before": dict(known.as_built_before),
        "as_built_after": dict(known.as_built_after),
        "sha256": row.sha256,
        "corrected_by": known.corrected_by,
        "originals": {
            name: value for name, value in row.details.items() if known.corrected_by and details[name] != value
        },
    }
    if row.kind == EventKind.BEGUN:
        return Begun(**common, **_picked(details, "model_name", "model_version", "material", "lot"))
    if row.kind == EventKind.MEASUREMENT:
        return Measurement(**common, **_picked(details, "as_built", "gauge", "remarks"))
    if row.kind == EventKind.TRIAL:
        said = {name: value for name, value in details.items() if name not in ("taken_at", "notes", "as_built")}
        return Trial(
            **common,
            **said,
            taken_at=datetime.fromisoformat(details["taken_at"]),
            notes=tuple(TrialNote(**note) for note in details["notes"]),
        )
    if row.kind == EventKind.CUT:
        return Cut(**common, **_picked(details, "feature", "before_mm", "after_mm", "tool", "reason", "forecast"))
    if row.kind == EventKind.HEAD_TRIAL:
        said = {name: value for name, value in details.items() if name not in ("taken_at", "as_built")}
        return HeadTrialLogged(**common, **said, taken_at=datetime.fromisoformat(details["taken_at"]))
    if row.kind == EventKind.ADJUSTMENT:
        picked = _picked(details, "adjustment", "title", "steps", "changes", "reason", "forecast")
        return AdjustmentMade(**common, **picked)
    if row.kind == EventKind.STATE:
        return StateChange(**common, state=PieceState(details["state"]), reason=details["reason"])
    return Correction(**common, **_picked(details, "corrected_event_id", "reason", "replacement"))


def _picked(details: Mapping[str, Any], *names: str) -> dict[str, Any]:
    return {name: details[name] for name in names}
