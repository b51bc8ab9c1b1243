"""A copy of the whole ledger in one file, taken while others work, complete and checked."""

import glob
import hashlib
import os
import sqlite3
import time
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from fluewright.errors import LedgerError
from fluewright.files import sync_folder
from fluewright.ledger.end_mark import kept_end
from fluewright.ledger.ledger_file import (
    existing_file,
    plain_connection,
    reading_connection,
    schema_revision,
    side_files,
    unreadable_is_damage,
)
from fluewright.ledger.trouble import LedgerTrouble, TroubleKind, kind_of_trouble, trouble
from fluewright.ledger.verify import found_in_copy

__all__ = ["BackupReport", "back_up", "copied"]

_STALE_S = 3600.0
"""What is unfinished for so long was left by a program that was killed."""


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
    when it is complete and `verify` found it whole, up to the end that the ledger's end mark names. To go back to
    it, use `restore`.

    Parameters
    ----------
    ledger : path
        The ledger's file.
    target : path
        The new file; an existing one is never overwritten. Only its owner may read it.

    Raises
    ------
    LedgerError
        There is no ledger, it is not whole, or the target exists or cannot be written.
    """
    return copied(Path(ledger), Path(target), must_hold=kept_end(Path(ledger)))


def copied(
    ledger: Path, target: Path, *, must_hold: tuple[int, str] | None = None, checked: bool = True
) -> BackupReport:
    """Copy a ledger as `back_up` does.

    Parameters
    ----------
    ledger, target : Path
    must_hold : tuple of int and str, optional
        Number and hash of an event that must be in it.
    checked : bool
        Whether it must be whole; a copy laid beside before an upgrade is one of what there was.

    Raises
    ------
    LedgerError
        As `back_up`.
    """
    existing_file(ledger)
    if target.exists() or target.is_symlink():
        raise LedgerError(f"{target} exists already and is not overwritten: choose another name.")
    if not target.parent.is_dir():
        raise LedgerError(f"There is no folder {target.parent} for the backup: make it first.")
    # The number of the program keeps two copies of one name apart; what a killed one left is cleared away.
    for left in target.parent.glob(f".{glob.escape(target.name)}.*unfinished"):
        if time.time() - left.stat().st_mtime > _STALE_S:
            _clear(left)
    unfinished = target.with_name(f".{target.name}.{os.getpid()}.unfinished")
    try:
        last = _copy(ledger, unfinished, target)
        findings = found_in_copy(unfinished, must_hold=must_hold) if checked else ()
        if findings:
            raise LedgerTrouble(
                f"{ledger} is not whole, the copy was thrown away ({findings[0]}): keep the file as it is, and restore "
                "an earlier copy (`fluewright ledger restore COPY`).",
                TroubleKind.DAMAGED,
            )
        with unfinished.open("rb+") as file:
            os.fsync(file.fileno())
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        if target.exists():
            raise LedgerError(f"{target} exists already and is not overwritten: choose another name.")
        unfinished.replace(target)
        sync_folder(target.parent)
    except OSError as error:
        raise trouble(target, "written", error, after=". No copy was made") from error
    finally:
        _clear(unfinished)
    events, last_sha256 = last if last else (0, "")
    return BackupReport(
        path=target,
        size_bytes=target.stat().st_size,
        sha256=digest,
        events=events,
        last_event_sha256=last_sha256,
    )


def _copy(ledger: Path, unfinished: Path, target: Path) -> tuple[int, str] | None:
    """Copy a ledger into a new file and return number and hash of its newest event.

    Raises
    ------
    LedgerError
        The ledger cannot be read, or the copy cannot be written.
    """
    try:
        with unreadable_is_damage():
            source = reading_connection(ledger)
    except sqlite3.Error as error:
        raise trouble(ledger, "copied", error) from error
    with closing(source):
        try:
            with unreadable_is_damage():
                if schema_revision(source, ledger) is None:
                    raise LedgerError(f"{ledger} is empty: there is nothing to back up.")
                last = source.execute("SELECT id, sha256 FROM events ORDER BY id DESC LIMIT 1").fetchone()
        except sqlite3.Error as error:
            raise trouble(ledger, "copied", error) from error
        handle = os.open(unfinished, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        os.close(handle)
        try:
            with unreadable_is_damage(), closing(plain_connection(unfinished, mode="rw")) as copy:
                source.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE").fetchone()
                last = copy.execute("SELECT id, sha256 FROM events ORDER BY id DESC LIMIT 1").fetchone()
        except sqlite3.Error as error:
            damaged = kind_of_trouble(error) in (TroubleKind.DAMAGED, TroubleKind.LOCKED)
            raise trouble(ledger if damaged else target, "copied" if damaged else "written", error) from error
    return None if last is None else (last[0], last[1])


def _clear(unfinished: Path) -> None:
    for one in (unfinished, *side_files(unfinished)):
        with suppress(OSError):
            one.unlink(missing_ok=True)
