"""A copy of the whole ledger in one file, taken while others work, complete and checked."""

import hashlib
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from fluewright.errors import LedgerError
from fluewright.ledger.ledger_file import existing_file, plain_connection, schema_revision

__all__ = ["BackupReport", "back_up"]


@dataclass(frozen=True, kw_only=True)
class BackupReport:
    """What was copied.

    Attributes
    ----------
    path : Path
        The copy.
    size_bytes : int
        Its size.
    sha256 : str
        Hash of the file, for comparison after it was moved elsewhere.
    events : int
        Events in it.
    last_event_sha256 : str
        Hash of the newest event; empty when there is none.
    """

    path: Path
    size_bytes: int
    sha256: str
    events: int
    last_event_sha256: str


def back_up(ledger: Path | str, target: Path | str) -> BackupReport:
    """Copy a ledger with SQLite's online backup; others may read and write meanwhile.

    The copy stands alone (no WAL beside it), holds one consistent moment, and appears under its name only
    when it is complete and SQLite found it whole. It is opened like any ledger: to restore, put it in the
    ledger's place.

    Parameters
    ----------
    ledger : path
        The ledger's file.
    target : path
        The new file; an existing one is never overwritten.

    Raises
    ------
    LedgerError
        There is no ledger, the target exists or cannot be written, or the copy is damaged.
    """
    ledger, target = existing_file(Path(ledger)), Path(target)
    if target.exists():
        raise LedgerError(f"{target} exists already and is not overwritten: choose another name.")
    if not target.parent.is_dir():
        raise LedgerError(f"There is no folder {target.parent} for the backup: make it first.")
    unfinished = target.with_name(f".{target.name}.unfinished")
    unfinished.unlink(missing_ok=True)
    try:
        with (
            closing(plain_connection(ledger, mode="ro")) as source,
            closing(plain_connection(unfinished, mode="rwc")) as copy,
        ):
            if schema_revision(source, ledger) is None:
                raise LedgerError(f"{ledger} is empty: there is nothing to back up.")
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE").fetchone()
            findings = [text for (text,) in copy.execute("PRAGMA integrity_check")]
            if findings != ["ok"]:
                raise LedgerError(
                    f"{ledger} is damaged, the copy was thrown away ({findings[0]}): restore an earlier backup."
                )
            last = copy.execute("SELECT id, sha256 FROM events ORDER BY id DESC LIMIT 1").fetchone()
        with unfinished.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        if target.exists():
            raise LedgerError(f"{target} exists already and is not overwritten: choose another name.")
        unfinished.replace(target)
    except (sqlite3.Error, OSError) as error:
        raise LedgerError(
            f"{ledger} could not be copied to {target} ({error}): check the disk; if the ledger is "
            "damaged, restore an earlier backup."
        ) from error
    finally:
        unfinished.unlink(missing_ok=True)
    events, last_sha256 = last if last else (0, "")
    return BackupReport(
        path=target,
        size_bytes=target.stat().st_size,
        sha256=digest,
        events=events,
        last_event_sha256=last_sha256,
    )
