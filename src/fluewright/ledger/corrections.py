"""Mistakes put right: an earlier event stays as it is, a new one says what is right."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy.orm import Session

from fluewright.errors import LedgerError
from fluewright.ledger.cut_sizes import check_cut_begins_at_recorded_size
from fluewright.ledger.entries import ENTRIES, Entry
from fluewright.ledger.records import Correction
from fluewright.ledger.replay import Known, amended, fresh_record, known_event, present_sizes, replay
from fluewright.ledger.rows import event_rows, model_row
from fluewright.ledger.schema import EventKind, EventRow
from fluewright.ledger.transactions import OpenLedger
from fluewright.ledger.values import checked_mapping, checked_size, checked_size_name, checked_text, checked_whole

__all__ = ["Corrections"]

_PAST = "2000-01-01T00:00:00+00:00"


class Corrections(OpenLedger):
    """How a ledger is told that an event was wrong."""

    def correct(self, event_id: int, *, reason: str, replacement: Mapping[str, Any]) -> Correction:
        """Put an earlier event right by a new one; the earlier one stays as it is.

        Parameters
        ----------
        event_id : int
            The event that is wrong. One that was corrected before may be corrected again.
        reason : str
            What is wrong with it.
        replacement : mapping
            The right values, under the names of the arguments that recorded it. A mapping of sizes replaces
            the sizes that it names; None takes a size away from this event, for example one under a misspelled
            name: what was known of it before, if anything, counts again.

        Raises
        ------
        LedgerError
            There is no such event, it cannot have such a value, or it says so already.
        """
        reason = checked_text("reason", reason)
        event_id = checked_whole("event_id", event_id, 1, 2**53, mend="take it from the history")
        if not isinstance(replacement, Mapping) or not replacement:
            raise LedgerError(f"is {replacement!r}; give the right values by name.", field="replacement")
        with self._write() as session:
            wrong = session.get(EventRow, event_id)
            if wrong is None:
                raise LedgerError(f"There is no event {event_id}: take its number from the history.")
            if wrong.kind == EventKind.CORRECTION:
                raise LedgerError(
                    f"event {event_id} is itself a correction: correct event "
                    f"{wrong.details['corrected_event_id']} once more instead."
                )
            if wrong.serial is None:
                raise LedgerError(f"event {event_id} added a model: add the right text as its next version.")
            rows = event_rows(session, wrong.serial)
            known = replay(rows)
            right = _checked_replacement(session, known_event(known, event_id), replacement)
            details = {"corrected_event_id": event_id, "reason": reason, "replacement": right}
            planned = EventRow(id=rows[-1].id + 1, kind=EventKind.CORRECTION, details=details)
            before, after = present_sizes(known), present_sizes(replay([*rows, planned]))
            event = self._append(session, EventKind.CORRECTION, wrong.serial, details, before, after)
            return fresh_record(event, Correction)


def _checked_replacement(session: Session, known: Known, replacement: Mapping[str, object]) -> dict[str, Any]:
    """Return what a correction records: the right values, checked together with the details that stay."""
    kind, event_id = known.row.kind, known.row.id
    entry = ENTRIES[kind]
    if unknown := sorted(str(name) for name in replacement if name not in entry.correctable):
        raise LedgerError(
            f"event {event_id} ({kind}) has no {', '.join(unknown)} to correct: use {', '.join(entry.correctable)}."
        )
    right = dict(replacement)
    if entry.sizes in right:
        right[entry.sizes] = _checked_size_changes(entry.sizes, right[entry.sizes], known)
    merged = _checked_merged(entry, amended(kind, known.details, right), right)
    if merged == known.details:
        raise LedgerError(f"event {event_id} says so already: nothing was recorded.")
    if "model_version" in right:
        model_row(session, merged["model_name"], merged["model_version"])
    if kind == EventKind.CUT and ("feature" in right or "before_mm" in right):
        check_cut_begins_at_recorded_size(known.row.serial or "", merged, known.as_built_before)
    return {name: right[name] if name == entry.sizes else merged[name] for name in right}


def _checked_merged(entry: Entry, said: dict[str, Any], right: Mapping[str, Any]) -> dict[str, Any]:
    """Return the details with the right values laid over them, checked.

    A time that stands is not checked again: where a clock ran ahead it is still to come, and would keep everything
    else in the event from being put right.
    """
    stands = said.get("taken_at") if "taken_at" not in right else None
    if stands is None:
        return entry.check(**said)
    return {**entry.check(**{**said, "taken_at": _PAST}), "taken_at": stands}


def _checked_size_changes(name: str, value: object, known: Known) -> dict[str, float | None]:
    """Return sizes by name, None for each that is taken away."""
    changes: dict[str, float | None] = {}
    for key, size in checked_mapping(name, value, mend="give sizes by name").items():
        size_name = checked_size_name(f"a name in {name}", key)
        if size is None and size_name not in known.details[name]:
            raise LedgerError(
                f"event {known.row.id} states no size {size_name!r} to take away: check its name.", field=name
            )
        changes[size_name] = None if size is None else checked_size(size_name, size)
    return changes
