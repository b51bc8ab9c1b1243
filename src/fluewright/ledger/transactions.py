"""An open ledger: what every method's transaction begins and ends with, and how an event joins the chain."""

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Engine, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from fluewright.errors import LedgerError
from fluewright.ledger.chain import CHAIN_START, event_sha256
from fluewright.ledger.end_mark import keep_end_mark
from fluewright.ledger.guarded import told
from fluewright.ledger.schema import DETAIL_ROWS, Base, EventKind, EventRow, time_text
from fluewright.ledger.trouble import LedgerTrouble, trouble
from fluewright.ledger.values import checked_text

__all__ = ["WRITES", "OpenLedger"]

WRITES = "ledger_writes"
"""Execution option of a transaction that takes the write lock at its start."""

_END = "end"
"""Under which a transaction keeps number and hash of the event that it added."""


class OpenLedger:
    """A ledger's file, open; every method of the classes that build on it is one transaction.

    Parameters
    ----------
    path : Path
        The file.
    engine : Engine
        Where its connections come from.
    person : str
        Who works; written into every event.
    refusal : LedgerTrouble, optional
        Why it can be read only.

    Raises
    ------
    LedgerError
        The person's name is no text, or too long.
    """

    def __init__(self, path: Path, engine: Engine, *, person: str = "", refusal: LedgerTrouble | None = None) -> None:
        self.path = path
        self.refusal = refusal
        self.person = checked_text("person", person, required=False, most=120)
        self._engine = engine
        self._writing_engine = engine.execution_options(**{WRITES: True})
        self._closed = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
        if isinstance(error, Exception):
            # What stumbled in the caller over a damaged record is told as damage.
            with told(self.path):
                raise error

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        self._closed = True
        self._engine.dispose()

    def newest_event(self) -> tuple[int, str]:
        """Return number and hash of the newest event, 0 and zeros before the first.

        Written down elsewhere, they show later whether events were cut off (`verify`).

        Raises
        ------
        LedgerError
            The ledger was closed, or cannot be read.
        """
        with self._read() as session:
            return _newest_event(session)

    @contextmanager
    def _write(self) -> Iterator[Session]:
        if self.refusal is not None and not self._closed:
            raise LedgerTrouble(self.refusal.problem, self.refusal.kind)
        with self._transaction(self._writing_engine, "written") as session:
            yield session
        if _END in session.info:
            keep_end_mark(self.path, *session.info[_END])

    @contextmanager
    def _read(self) -> Iterator[Session]:
        with self._transaction(self._engine, "read") as session:
            yield session

    @contextmanager
    def _transaction(self, engine: Engine, verb: str) -> Iterator[Session]:
        if self._closed:
            raise LedgerError(f"{self.path} was closed: open it again.")
        after = "; nothing of this entry was kept" if verb == "written" else ""
        with told(self.path):
            try:
                with Session(engine, expire_on_commit=False) as session, session.begin():
                    yield session
            except DBAPIError as error:
                reason = error.orig
                if not isinstance(reason, sqlite3.Error):
                    raise
                raise trouble(self.path, verb, reason, after=after) from error

    def _append(
        self,
        session: Session,
        kind: EventKind,
        serial: str | None,
        details: dict[str, Any],
        before: Mapping[str, float],
        after: Mapping[str, float],
        *,
        recorded_at: datetime | None = None,
    ) -> EventRow:
        """Write an event at the end of the chain, and its details in typed columns where its kind has a table."""
        last_id, last_sha256 = _newest_event(session)
        moment = datetime.now(UTC) if recorded_at is None else recorded_at
        row = EventRow(
            id=last_id + 1,
            kind=str(kind),
            serial=serial,
            recorded_at=moment,
            person=self.person,
            as_built_before=dict(before),
            as_built_after=dict(after),
            details=details,
            former_sha256=last_sha256,
            sha256=event_sha256(
                event_id=last_id + 1,
                kind=kind,
                serial=serial,
                recorded_at=time_text(moment),
                person=self.person,
                as_built_before=before,
                as_built_after=after,
                details=details,
                former_sha256=last_sha256,
            ),
        )
        session.add(row)
        session.flush()
        session.info[_END] = (row.id, row.sha256)
        if kind in DETAIL_ROWS:
            session.add(_detail_row(kind, row.id, details))
            session.flush()
        return row


def _newest_event(session: Session) -> tuple[int, str]:
    last = session.execute(select(EventRow.id, EventRow.sha256).order_by(EventRow.id.desc()).limit(1)).first()
    return (0, CHAIN_START) if last is None else (last.id, last.sha256)


def _detail_row(kind: EventKind, event_id: int, details: Mapping[str, Any]) -> Base:
    table = DETAIL_ROWS[kind]
    said = {name: details[name] for name in table.__table__.columns.keys() if name != "event_id"}  # noqa: SIM118
    if "taken_at" in said:
        said["taken_at"] = datetime.fromisoformat(said["taken_at"])
    return table(event_id=event_id, **said)
