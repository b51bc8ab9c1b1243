"""Opening a ledger: made when it is not there, brought up to today's schema when it is older."""

import sqlite3
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool, QueuePool

from fluewright.errors import LedgerError
from fluewright.ledger.backup import back_up
from fluewright.ledger.ledger import Ledger
from fluewright.ledger.ledger_file import BUSY_TIMEOUT_S, existing_file, plain_connection, schema_revision
from fluewright.ledger.schema import APPLICATION_ID, SCHEMA_REVISION, Base
from fluewright.ledger.transactions import WRITES
from fluewright.ledger.triggers import TRIGGERS

if TYPE_CHECKING:
    from alembic.config import Config

__all__ = ["MIGRATIONS", "migration_config", "open_ledger"]

MIGRATIONS = Path(__file__).parent / "migrations"
"""Where the migrations lie, also in an installed package."""


def open_ledger(path: Path | str, *, create: bool = True, person: str = "") -> Ledger:
    """Open the shop's records.

    A ledger with an older schema is upgraded; when it holds data, a backup is laid beside it first. Several
    programs may have the same ledger open. A commit survives the end of the program at any moment; after a
    loss of power the file is whole, but the last commits may be missing (SQLite in WAL mode with
    synchronous=NORMAL).

    Parameters
    ----------
    path : path
        The file. It must lie on a local disk: WAL does not work over a network share.
    create : bool
        Make the ledger if there is none.
    person : str
        Who works; written into every event.

    Returns
    -------
    Ledger
        To be used in a `with` statement, or closed by `close`.

    Raises
    ------
    LedgerError
        The file is not a ledger, comes from a newer fluewright, or cannot be read or written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder, open_ledger(f"{folder}/shop.ledger") as ledger:
    ...     ledger.next_serial("D5")
    'D5-0001'
    """
    path = Path(path)
    if not create or path.is_dir():
        existing_file(path)
    if not path.parent.is_dir():
        raise LedgerError(f"There is no folder {path.parent} for the ledger: make it first.")
    try:
        _bring_up_to_date(path)
    except (sqlite3.Error, DBAPIError) as error:
        reason = error.orig if isinstance(error, DBAPIError) else error
        raise LedgerError(
            f"{path} cannot be opened for writing ({reason}): check its permissions, the space on "
            "the disk, and that no other program holds it; if it is damaged, restore a backup."
        ) from error
    return Ledger(path, _engine(path), person=person)


def _engine(path: Path) -> Engine:
    # Connections stay open between transactions: SQLite folds the WAL away when the last one closes.
    engine = create_engine("sqlite://", creator=lambda: plain_connection(path, mode="rw"), poolclass=QueuePool)
    event.listen(engine, "connect", _set_pragmas)
    event.listen(engine, "begin", _begin)
    return engine


def _set_pragmas(connection: sqlite3.Connection, record: object) -> None:
    connection.execute(f"PRAGMA busy_timeout = {round(BUSY_TIMEOUT_S * 1000)}")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = NORMAL")


def _begin(connection: Connection) -> None:
    # A writer takes the lock before it reads, so that what it read (last event, present sizes) still holds.
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _bring_up_to_date(path: Path) -> None:
    with closing(plain_connection(path, mode="rwc")) as connection:
        revision = schema_revision(connection, path)
        _use_wal(connection)
    if revision != SCHEMA_REVISION:
        _upgrade(path)
    with closing(plain_connection(path, mode="rw")) as connection:
        present = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    if missing := sorted(set(TRIGGERS) - present):
        raise LedgerError(
            f"{path} has lost its protection against changes ({', '.join(missing)}): verify it, and restore a backup."
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
                back_up(path, path.with_name(f"{path.name}.schema-{revision}.{stamp}.backup"))
        command.upgrade(config, "head")
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
        if broken := raw.execute("PRAGMA foreign_key_check").fetchall():
            raise LedgerError(
                f"{path} has {len(broken)} rows that refer to missing ones and was left as it was: restore a backup."
            )
