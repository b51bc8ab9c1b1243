"""Opening a ledger: made when it is not there, brought up to today's schema when it is older; read where it must be."""

import os
import sqlite3
import tempfile
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool, QueuePool

from fluewright.errors import LedgerError
from fluewright.files import narrowed, sync_folder
from fluewright.ledger.backup import copied
from fluewright.ledger.end_mark import end_mark_path, keep_end_mark, kept_end
from fluewright.ledger.ledger import Ledger
from fluewright.ledger.ledger_file import (
    BUSY_TIMEOUT_S,
    existing_file,
    plain_connection,
    reading,
    reading_connection,
    refuse_links,
    schema_revision,
    side_files,
    unreadable_is_damage,
)
from fluewright.ledger.restore import finish_restore
from fluewright.ledger.schema import APPLICATION_ID, SCHEMA_REVISION, Base
from fluewright.ledger.transactions import WRITES
from fluewright.ledger.triggers import TRIGGERS
from fluewright.ledger.trouble import LedgerTrouble, TroubleKind, trouble

if TYPE_CHECKING:
    from alembic.config import Config

__all__ = ["MIGRATIONS", "migration_config", "open_ledger"]

_COMPILED: dict[Any, Any] = {}
"""The statements' texts, made once a program: a ledger is opened for every deed, and has the same few questions."""

MIGRATIONS = Path(__file__).parent / "migrations"
"""Where the migrations lie, also in an installed package."""


def open_ledger(path: Path | str, *, create: bool = True, person: str = "") -> Ledger:
    """Open the shop's records.

    A ledger with an older schema is upgraded; when it holds data, a backup is laid beside it first. Several
    programs may have the same ledger open. What was committed survives the end of the program and a loss of power at
    any moment (SQLite in WAL mode with synchronous=FULL; the end mark beside it is on the disk too).

    A ledger that cannot be written (its folder is read-only, the disk is full, or its newest events are missing) is
    opened for reading: every method that writes then says why it cannot.

    Parameters
    ----------
    path : path
        The file. It must lie on a local disk: WAL does not work over a network share.
    create : bool
        Make the ledger if there is none. Only its owner may read it then.
    person : str
        Who works; written into every event.

    Returns
    -------
    Ledger
        To be used in a `with` statement, or closed by `close`.

    Raises
    ------
    LedgerError
        The file is not a ledger, is empty or reached through a link, comes from a newer fluewright, or cannot be read;
        or there is none and an end mark or a log beside its name says that there was one.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder, open_ledger(f"{folder}/shop.ledger") as ledger:
    ...     ledger.next_serial("D5")
    'D5-0001'
    """
    path = Path(path)
    finish_restore(path)
    if path.exists() or not create:
        existing_file(path)
    refuse_links(path)
    if not path.parent.is_dir():
        raise LedgerError(f"There is no folder {path.parent} for the ledger: make it first.")
    try:
        with unreadable_is_damage():
            if not path.exists():
                _make(path)
            _bring_up_to_date(path)
    except (sqlite3.Error, DBAPIError, OSError) as error:
        reason = error.orig if isinstance(error, DBAPIError) else error
        assert isinstance(reason, sqlite3.Error | OSError)
        told = trouble(path, "opened for writing", reason)
        if told.kind not in (TroubleKind.READ_ONLY, TroubleKind.FULL) or not path.exists():
            raise told from error
        return _reading_only(path, person, told)
    for one in (path, *side_files(path)):
        narrowed(one)
    ledger = Ledger(path, _engine(path), person=person)
    refusal = _end_trouble(ledger)
    if refusal is not None:
        ledger.close()
        return _reading_only(path, person, refusal)
    return ledger


def _reading_only(path: Path, person: str, refusal: LedgerTrouble) -> Ledger:
    """Return a ledger that refuses to be written.

    Raises
    ------
    LedgerError
        It has an older schema, which can be brought up to date by writing alone, or cannot be read either.
    """
    with reading(path) as (_, revision):
        if revision != SCHEMA_REVISION:
            raise refusal
    engine = create_engine("sqlite://", creator=lambda: reading_connection(path), poolclass=QueuePool)
    event.listen(engine, "begin", _begin)
    return Ledger(path, engine, person=person, refusal=refusal)


def _end_trouble(ledger: Ledger) -> LedgerTrouble | None:
    """Return what speaks against going on with a ledger: events that its end mark names are missing."""
    kept, (newest, sha256) = kept_end(ledger.path), ledger.newest_event()
    if kept is None:
        if newest:
            keep_end_mark(ledger.path, newest, sha256)
        return None
    if kept[0] <= newest:
        return None
    return LedgerTrouble(
        f"{ledger.path} ends at event {newest}, but {end_mark_path(ledger.path).name} beside it says that there were "
        f"{kept[0]}: the last ones are missing, and nothing is written on top. Put back the {ledger.path.name}-wal "
        "that belongs to it, or restore the newest copy (`fluewright ledger restore COPY`; the COPY may be this file "
        "itself, where no better one is left).",
        TroubleKind.BEHIND,
    )


def _engine(path: Path) -> Engine:
    # Connections stay open between transactions: SQLite folds the WAL away when the last one closes.
    engine = create_engine(
        "sqlite://",
        creator=lambda: plain_connection(path, mode="rw"),
        poolclass=QueuePool,
        execution_options={"compiled_cache": _COMPILED},
    )
    event.listen(engine, "connect", _set_pragmas)
    event.listen(engine, "begin", _begin)
    return engine


def _set_pragmas(connection: sqlite3.Connection, record: object) -> None:
    connection.execute(f"PRAGMA busy_timeout = {round(BUSY_TIMEOUT_S * 1000)}")
    connection.execute("PRAGMA foreign_keys = ON")
    # Every commit is on the disk before it is acknowledged: with NORMAL a power cut takes the last ones.
    connection.execute("PRAGMA synchronous = FULL")


def _begin(connection: Connection) -> None:
    # A writer takes the lock before it reads, so that what it read (last event, present sizes) still holds.
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _make(path: Path) -> None:
    """Make a new ledger beside its name and then give it the name: no part of one is ever seen.

    Raises
    ------
    LedgerError
        There was a ledger of this name.
    """
    log = path.with_name(f"{path.name}-wal")
    kept = kept_end(path)
    left = end_mark_path(path) if kept and kept[0] else log if log.exists() and log.stat().st_size else None
    if left is not None:
        raise LedgerTrouble(
            f"There is no ledger at {path}, but {left.name} beside it says that there was one: put the file back, or "
            f"restore a copy (`fluewright ledger restore COPY`). To begin a new ledger there, move {left.name} away.",
            TroubleKind.MISSING,
        )
    handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", suffix=".new", dir=path.parent)
    os.close(handle)
    new = Path(name)
    try:
        # Still without a log, part of which would stay out of the file on a full disk.
        _upgrade(new)
        try:
            os.link(new, path)  # another program that was faster keeps its ledger
        except FileExistsError:
            return
        except OSError:
            if path.exists():
                return
            new.rename(path)  # a disk without hard links
        sync_folder(path.parent)
    finally:
        for one in (new, *side_files(new)):
            one.unlink(missing_ok=True)


def _bring_up_to_date(path: Path) -> None:
    with closing(plain_connection(path, mode="rw")) as connection:
        revision = schema_revision(connection, path)
        if revision is None:
            raise LedgerTrouble(f"{path} is an empty database, not a ledger: name another file.", TroubleKind.EMPTY)
        _use_wal(connection)
    if revision != SCHEMA_REVISION:
        _upgrade(path)
    with closing(plain_connection(path, mode="rw")) as connection:
        present = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    if missing := sorted(set(TRIGGERS) - present):
        raise LedgerError(
            f"{path} has lost its protection against changes ({', '.join(missing)}): verify it, and restore a copy."
        )


def _use_wal(connection: sqlite3.Connection) -> None:
    # The switch to WAL does not wait for the lock by itself when two programs make the same ledger.
    deadline = time.monotonic() + BUSY_TIMEOUT_S
    while True:
        try:
            (mode,) = connection.execute("PRAGMA journal_mode").fetchone()
            if mode == "wal":
                return
            (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
            if mode == "wal":
                return
            raise LedgerError(f"the ledger's disk does not allow WAL (it stays at {mode}): use a local disk.")
        except sqlite3.OperationalError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def migration_config(connection: Connection | None = None) -> "Config":
    """Return the Alembic configuration of the migrations shipped in the package; needs no file on disk."""
    from alembic.config import Config

    config = Config()
    # A percent sign in the path would be read as interpolation.
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    config.attributes["target_metadata"] = Base.metadata
    return config


def _upgrade(path: Path) -> None:
    from alembic import command
    from alembic.script import ScriptDirectory

    engine = create_engine("sqlite://", creator=lambda: plain_connection(path, mode="rw"), poolclass=NullPool)
    # Rebuilding a table drops it for a moment, so foreign keys are checked at the end instead.
    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
    with engine.begin() as connection:
        raw = connection.connection.driver_connection
        assert isinstance(raw, sqlite3.Connection)
        # Another program may have done it while this one waited for the lock.
        revision = schema_revision(raw, path)
        if revision == SCHEMA_REVISION:
            return
        config = migration_config(connection)
        if revision is not None:
            migrations = ScriptDirectory.from_config(config).walk_revisions()
            if revision not in {migration.revision for migration in migrations}:
                raise LedgerError(
                    f"{path} has schema {revision}, newer than this fluewright ({SCHEMA_REVISION}): "
                    "install the newer version to open it."
                )
            if raw.execute("SELECT EXISTS (SELECT 1 FROM events)").fetchone()[0]:
                stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
                copied(path, path.with_name(f"{path.name}.schema-{revision}.{stamp}.backup"), checked=False)
        command.upgrade(config, "head")
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
        if broken := raw.execute("PRAGMA foreign_key_check").fetchall():
            raise LedgerError(
                f"{path} has {len(broken)} rows that refer to missing ones and was left as it was: restore a backup."
            )
