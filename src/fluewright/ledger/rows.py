"""Which rows a question or an entry is about; what is not there is told with the names that come near it."""

import difflib
from collections import defaultdict
from collections.abc import Iterable
from typing import Any, cast

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from fluewright.errors import LedgerError
from fluewright.ledger.entries import checked_model_version
from fluewright.ledger.replay import RecordedEvent
from fluewright.ledger.schema import EventKind, EventRow, InstrumentRow, ModelRow
from fluewright.ledger.values import checked_text

__all__ = [
    "all_recorded_sizes",
    "did_you_mean",
    "event_rows",
    "instrument_row",
    "model_row",
    "newest_model_row",
    "recorded_sizes",
    "state_rows",
]

_COLUMNS = tuple(EventRow.__table__.columns)


def newest_model_row(session: Session, name: str) -> ModelRow | None:
    """Return the newest version of a model, None where there is no such model."""
    return session.scalars(
        select(ModelRow).where(ModelRow.name == name).order_by(ModelRow.version.desc()).limit(1)
    ).first()


def model_row(session: Session, name: str, version: int | None) -> ModelRow:
    """Return a version of a model, the newest when `version` is None.

    Raises
    ------
    LedgerError
        There is no such model or version.
    """
    name = checked_text("model_name", name, most=120)
    newest = newest_model_row(session, name)
    if newest is None:
        near = did_you_mean(name, session.scalars(select(ModelRow.name)))
        raise LedgerError(f"There is no model {name!r}: {near}add it first.")
    if version is None:
        return newest
    version = checked_model_version(version)
    row = session.get(ModelRow, (name, version))
    if row is None:
        raise LedgerError(f"model {name!r} has no version {version}: its versions go from 1 to {newest.version}.")
    return row


def instrument_row(session: Session, serial: str) -> InstrumentRow:
    """Return a piece by its serial number.

    Raises
    ------
    LedgerError
        There is no such piece.
    """
    text = checked_text("serial", serial)
    row = session.get(InstrumentRow, text)
    if row is None:
        near = did_you_mean(text, session.scalars(select(InstrumentRow.serial)))
        raise LedgerError(f"There is no instrument {text!r}: {near}enter it first.")
    return row


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Return the start of a mend that offers up to three known names; empty where none is near."""
    near = difflib.get_close_matches(name, sorted(set(known)), n=3, cutoff=0.7)
    return f"did you mean {' or '.join(near)}? Else " if near else ""


def event_rows(session: Session, serial: str, *, after: int = 0) -> list[RecordedEvent]:
    """Return the events of a piece, oldest first: all, or those after one."""
    query = select(*_COLUMNS).where(EventRow.serial == serial, EventRow.id > after).order_by(EventRow.id)
    return _recorded(session, query)


def state_rows(session: Session, serial: str | None = None) -> dict[str, list[RecordedEvent]]:
    """Return, by serial number, what tells all about one piece or every piece but its sizes: no trial is read.

    These are its start, its changes of state, and all corrections, oldest first.
    """
    kinds = (EventKind.BEGUN, EventKind.STATE, EventKind.CORRECTION)
    query = select(*_COLUMNS).where(EventRow.kind.in_([str(kind) for kind in kinds]))
    if serial is not None:
        query = query.where(EventRow.serial == serial)
    events: dict[str, list[RecordedEvent]] = defaultdict(list)
    # Sorted here: asked for in order, SQLite walks through all events of the piece instead of those of these kinds.
    for row in sorted(_recorded(session, query), key=lambda row: row.id):
        events[row.serial or ""].append(row)
    return events


def _recorded(session: Session, query: Select[Any]) -> list[RecordedEvent]:
    # Plain rows: they are never changed, and cost a fraction of what the session's own objects do.
    return [cast(RecordedEvent, row) for row in session.execute(query)]


def recorded_sizes(session: Session, serial: str) -> dict[str, float]:
    """Return the sizes of a piece after its newest event."""
    newest = select(EventRow.as_built_after).where(EventRow.serial == serial).order_by(EventRow.id.desc())
    return dict(session.scalars(newest.limit(1)).one())


def all_recorded_sizes(session: Session) -> dict[str, dict[str, float]]:
    """Return the sizes of every piece after its newest event, by serial number."""
    newest = select(func.max(EventRow.id)).where(EventRow.serial.is_not(None)).group_by(EventRow.serial)
    rows = session.execute(select(EventRow.serial, EventRow.as_built_after).where(EventRow.id.in_(newest)))
    return {serial or "": sizes for serial, sizes in rows}
