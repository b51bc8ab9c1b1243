"""Whether a file is a ledger, and a plain SQLite connection to it."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from urllib.parse import quote

from fluewright.errors import LedgerError
from fluewright.ledger.schema import APPLICATION_ID
from fluewright.ledger.trouble import LedgerTrouble, TroubleKind, kind_of_trouble, trouble
from fluewright.ledger.wal_image import image_connection

__all__ = [
    "BUSY_TIMEOUT_S", "SIDE_FILES", "existing_file", "plain_connection", "reading", "reading_connection",
    "refuse_links", "restored_path", "schema_revision", "side_files", "unreadable_is_damage",
]  # fmt: skip

SIDE_FILES = ("-wal", "-shm", "-journal")
"""What SQLite lays beside a ledger, by ending."""

BUSY_TIMEOUT_S = 10.0
"""How long a writer waits for another one."""


def existing_file(path: Path) -> Path:
    """Return `path` if a file is there.

    Raises
    ------
    LedgerError
        There is none, or it is a folder.
    """
    if path.is_dir():
        raise LedgerError(f"{path} is a folder, not a ledger: name the file in it.")
    if not path.exists():
        raise LedgerTrouble(
            f"There is no ledger at {path}: check the path, or open it with create=True.", TroubleKind.MISSING
        )
    if path.stat().st_size == 0:
        raise LedgerTrouble(
            f"{path} is empty, not a ledger: what was in it is lost, or it never was one. Restore a copy "
            "(`fluewright ledger restore COPY`), or remove the empty file to begin a new ledger.",
            TroubleKind.EMPTY,
        )
    return path


def side_files(path: Path) -> list[Path]:
    """Return the names of what SQLite may have laid beside a ledger."""
    return [path.with_name(path.name + ending) for ending in SIDE_FILES]


def restored_path(path: Path) -> Path:
    """Return where a copy waits that is decided to take a ledger's place."""
    return path.with_name(f".{path.name}.restored")


def refuse_links(path: Path) -> None:
    """Refuse a ledger that is reached through a symbolic link: whoever laid the link says what is written.

    Raises
    ------
    LedgerError
        The ledger or a file of SQLite beside it is one.
    """
    for one in (path, *side_files(path)):
        if one.is_symlink():
            raise LedgerError(f"{one} is a link, and a ledger is never written through one: name the file itself.")


def plain_connection(path: Path, *, mode: str) -> sqlite3.Connection:
    """Return a connection whose transactions are begun by hand; `mode` is SQLite's: ro, rw or rwc.

    Raises
    ------
    LedgerError
        The file cannot be opened.
    """
    try:
        return sqlite3.connect(
            f"file:{quote(str(path.resolve()))}?mode={mode}",
            uri=True,
            timeout=BUSY_TIMEOUT_S,
            isolation_level=None,
            check_same_thread=False,  # one thread at a time, but not always the same
        )
    except (sqlite3.Error, OSError, RuntimeError) as error:  # RuntimeError: of links in a circle, before Python 3.13
        raise LedgerError(f"{path} cannot be opened ({error}): check the folder and its permissions.") from error


def reading_connection(path: Path) -> sqlite3.Connection:
    """Return a connection that can only read, also in a read-only folder and on a full disk.

    Raises
    ------
    LedgerError
        The file cannot be opened, or a restoration was stopped half way.
    sqlite3.Error
        It is locked or damaged.
    """
    if restored_path(path).exists():
        raise LedgerTrouble(
            f"{path} is being replaced by a copy, and that was stopped half way: open it once, for example with "
            "`fluewright ledger show`, and it is finished.",
            TroubleKind.BEHIND,
        )
    connection = plain_connection(path, mode="ro")
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error as error:
        connection.close()
        if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_NOTADB:
            raise _no_ledger(path, error) from error
        if kind_of_trouble(error) not in (TroubleKind.READ_ONLY, TroubleKind.FULL):
            raise
        try:
            return image_connection(path)
        except OSError as other:
            raise trouble(path, "read", other) from other
    return connection


def _no_ledger(path: Path, error: sqlite3.Error) -> LedgerTrouble:
    return LedgerTrouble(
        f"{path} is not a ledger ({error}): name another file. If it was one, its beginning is damaged: keep it, and "
        "restore a copy (`fluewright ledger restore COPY`).",
        TroubleKind.DAMAGED,
    )


def schema_revision(connection: sqlite3.Connection, path: Path) -> str | None:
    """Return a ledger's schema revision, or None for a file without any table; refuse anything else.

    Raises
    ------
    LedgerError
        The file is something else.
    sqlite3.Error
        It may be a ledger, but is damaged or cannot be reached.
    """
    try:
        (application_id,) = connection.execute("PRAGMA application_id").fetchone()
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_NOTADB:
            raise  # a ledger that is damaged or locked
        raise _no_ledger(path, error) from error
    if application_id == 0 and not tables:
        return None
    if application_id != APPLICATION_ID or "alembic_version" not in tables:
        raise LedgerError(f"{path} is a database, but not a ledger of fluewright: name another file.")
    row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    if row is None:
        raise LedgerError(f"{path} does not say which schema it has: restore a backup.")
    return str(row[0])


@contextmanager
def unreadable_is_damage() -> Iterator[None]:
    """Let a text that is no UTF-8, which Python finds before SQLite does, be damage as any other.

    Raises
    ------
    sqlite3.DatabaseError
        There is such a text.
    """
    try:
        yield
    except UnicodeDecodeError as error:
        raise sqlite3.DatabaseError(f"a text in it is no UTF-8 ({error.reason})") from error


@contextmanager
def reading(path: Path) -> Iterator[tuple[sqlite3.Connection, str]]:
    """Yield a connection that can only read, inside one snapshot, and the ledger's schema revision.

    Raises
    ------
    LedgerError
        There is no ledger to read.
    sqlite3.Error
        It is damaged or cannot be reached.
    """
    existing_file(path)
    with unreadable_is_damage(), closing(reading_connection(path)) as connection:
        connection.row_factory = sqlite3.Row
        revision = schema_revision(connection, path)
        if revision is None:
            raise LedgerError(f"{path} is empty, not a ledger: name another file.")
        connection.execute("BEGIN")
        yield connection, revision
