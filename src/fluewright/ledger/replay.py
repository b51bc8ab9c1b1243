"""What is known today of one instrument, once every correction is laid over its events.

An event states sizes, mostly all of them, but only those that it changed, or that a correction of it names,
count as its own finding. The rest is carried forward from the events before it. So a size that was corrected
at its source is also right in every later event that had only copied it, while a later reading of its own
stands; and where a size is taken away from an event, what was known before it counts again.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any, TypeVar

from fluewright.ledger.entries import sizes_detail
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

__all__ = [
    "Known",
    "amended",
    "event_record",
    "fresh_record",
    "kind_of",
    "known_event",
    "present_sizes",
    "present_state",
    "replay",
]

RecordT = TypeVar("RecordT", bound=Event)


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
    sizes_key = sizes_detail(kind)
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
            del sizes[details["feature"]]
        # A cut always states the size that it changed: that one cannot be taken away.
        if explicit.get(merged["feature"]) is None:
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
        sizes_key = sizes_detail(row.kind) or ""
        explicit: set[str] = set()
        for correction in corrections[row.id]:
            replacement = correction.details["replacement"]
            details = amended(row.kind, details, replacement)
            explicit |= set(replacement.get(sizes_key, ()))
        if row.kind == EventKind.CUT:
            explicit.add(details["feature"])
        before = dict(present)
        stated = details.get(sizes_key, {})
        for name, size in stated.items():
            if name in explicit or row.as_built_before.get(name) != size:
                present[name] = size
        known.append(Known(row, details, before, dict(present), tuple(c.id for c in corrections[row.id])))
    return known


def known_event(known: Sequence[Known], event_id: int) -> Known:
    """Return the event of that number among those of its instrument."""
    return next(entry for entry in known if entry.row.id == event_id)


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


def fresh_record(row: EventRow, kind: type[RecordT]) -> RecordT:
    """Return the record of an event that was just written, which nothing can have corrected yet."""
    record = event_record(Known(row, row.details, row.as_built_before, row.as_built_after, ()))
    assert isinstance(record, kind)
    return record


def event_record(known: Known) -> Event:
    """Return the record that callers get: its fields are the details of the same names."""
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
    record = _RECORDS[row.kind]
    own = {
        field.name: _READ.get(field.name, _as_it_is)(details[field.name])
        for field in fields(record)
        if field.name not in _EVENT_FIELDS
    }
    return record(**common, **own)


def kind_of(event: Event) -> str:
    """Return what kind of event a record tells of, as `EventKind` words it."""
    return str(_KINDS[type(event)])


def _as_it_is(value: object) -> object:
    return value


_RECORDS: Mapping[str, type[Event]] = {
    EventKind.BEGUN: Begun,
    EventKind.MEASUREMENT: Measurement,
    EventKind.TRIAL: Trial,
    EventKind.CUT: Cut,
    EventKind.STATE: StateChange,
    EventKind.CORRECTION: Correction,
    EventKind.HEAD_TRIAL: HeadTrialLogged,
    EventKind.ADJUSTMENT: AdjustmentMade,
}
_KINDS = {record: kind for kind, record in _RECORDS.items()}
_EVENT_FIELDS = {field.name for field in fields(Event)}
_READ: Mapping[str, Callable[[Any], Any]] = {
    "taken_at": datetime.fromisoformat,
    "notes": lambda notes: tuple(TrialNote(**note) for note in notes),
    "state": PieceState,
}
"""How a detail becomes a field of a record where it does not stay as it is."""
