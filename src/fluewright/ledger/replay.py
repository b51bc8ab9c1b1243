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
from typing import Any, Protocol, TypeVar

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
from fluewright.ledger.schema import EventKind

__all__ = [
    "Known",
    "RecordedEvent",
    "Replay",
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


class RecordedEvent(Protocol):
    """What replaying needs of an event as it was recorded."""

    @property
    def id(self) -> int:
        """Place in the chain."""

    @property
    def kind(self) -> str:
        """Kind of event."""

    @property
    def serial(self) -> str | None:
        """The instrument."""

    @property
    def recorded_at(self) -> datetime:
        """When it was written, UTC."""

    @property
    def person(self) -> str:
        """Who wrote it."""

    @property
    def as_built_before(self) -> dict[str, float]:
        """Sizes before it."""

    @property
    def as_built_after(self) -> dict[str, float]:
        """Sizes after it."""

    @property
    def details(self) -> dict[str, Any]:
        """What it says."""

    @property
    def sha256(self) -> str:
        """Its hash."""


@dataclass(frozen=True)
class Known:
    """One event as it is known today.

    Attributes
    ----------
    row : RecordedEvent
        The event as it was recorded.
    details : mapping
        Its details with every correction laid over them.
    as_built_before, as_built_after : mapping
        All sizes around it; for a correction, the sizes known before and after it was made.
    corrected_by : tuple of int
        The corrections, oldest first.
    """

    row: RecordedEvent
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


class Replay:
    """What is known of one instrument so far: events are replayed one after the other."""

    def __init__(self) -> None:
        self._present: dict[str, float] = {}

    def go_on(self, rows: Sequence[RecordedEvent]) -> list[Known]:
        """Return what is known of further events.

        Parameters
        ----------
        rows : sequence of RecordedEvent
            The next events of the instrument, oldest first, with every correction of any of them.

        Returns
        -------
        list of Known
            One for each row, in the same order.
        """
        corrections: dict[int, list[RecordedEvent]] = defaultdict(list)
        for row in rows:
            if row.kind == EventKind.CORRECTION:
                corrections[row.details["corrected_event_id"]].append(row)
        return [self._known(row, corrections.get(row.id, ())) for row in rows]

    def _known(self, row: RecordedEvent, corrections: Sequence[RecordedEvent]) -> Known:
        if row.kind == EventKind.CORRECTION:
            return Known(row, row.details, row.as_built_before, row.as_built_after, ())
        details = dict(row.details)
        sizes_key = sizes_detail(row.kind) or ""
        explicit: set[str] = set()
        for correction in corrections:
            replacement = correction.details["replacement"]
            details = amended(row.kind, details, replacement)
            explicit |= set(replacement.get(sizes_key, ()))
        if row.kind == EventKind.CUT:
            explicit.add(details["feature"])
        before = dict(self._present)
        for name, size in details.get(sizes_key, {}).items():
            if name in explicit or row.as_built_before.get(name) != size:
                self._present[name] = size
        return Known(row, details, before, dict(self._present), tuple(c.id for c in corrections))


def replay(rows: Sequence[RecordedEvent]) -> list[Known]:
    """Return what is known of each event of one instrument.

    Parameters
    ----------
    rows : sequence of RecordedEvent
        All events of the instrument, oldest first.

    Returns
    -------
    list of Known
        One for each row, in the same order.
    """
    return Replay().go_on(rows)


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


def fresh_record(row: RecordedEvent, kind: type[RecordT]) -> RecordT:
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
        "originals": {name: value for name, value in row.details.items() if details[name] != value}
        if known.corrected_by
        else {},
    }
    own = {name: read(details[name]) if (read := _READ.get(name)) else details[name] for name in _OWN_FIELDS[row.kind]}
    return _RECORDS[row.kind](**common, **own)


def kind_of(event: Event) -> str:
    """Return what kind of event a record tells of, as `EventKind` words it."""
    return str(_KINDS[type(event)])


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
_OWN_FIELDS: Mapping[str, tuple[str, ...]] = {
    kind: tuple(field.name for field in fields(record) if field.name not in _EVENT_FIELDS)
    for kind, record in _RECORDS.items()
}
_READ: Mapping[str, Callable[[Any], Any]] = {
    "taken_at": datetime.fromisoformat,
    "notes": lambda notes: tuple(TrialNote(**note) for note in notes),
    "state": PieceState,
}
"""How a detail becomes a field of a record where it does not stay as it is."""
