"""Why a ledger cannot be read or written: damaged is one thing; locked, read-only or a full disk is another."""

import errno
import sqlite3
from enum import StrEnum
from pathlib import Path
from typing import Final

from fluewright.errors import LedgerError

__all__ = ["LedgerTrouble", "TroubleKind", "damaged", "kind_of_trouble", "trouble"]


class TroubleKind(StrEnum):
    """What stands between the program and the ledger."""

    LOCKED = "locked"
    READ_ONLY = "read-only"
    FULL = "full"
    DISK = "disk"
    DAMAGED = "damaged"
    EMPTY = "empty"
    MISSING = "missing"
    BEHIND = "behind"


_MEND: Final = {
    TroubleKind.LOCKED: "another program holds it; end that program, or wait, and try again. Nothing in it is damaged",
    TroubleKind.READ_ONLY: "the file or its folder is read-only for you; it can be read, but for writing change the "
    "permissions, or copy it to a folder of your own. Nothing in it is damaged",
    TroubleKind.FULL: "the disk is full; free some room and try again. Nothing in it is damaged",
    TroubleKind.DISK: "the disk did not do what was asked; check the disk, its cable and its connection, and try again",
    TroubleKind.DAMAGED: "it is damaged; keep the file, and restore a copy (`fluewright ledger restore COPY`)",
}
_LOCKED: Final = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL)
_READ_ONLY: Final = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH)
# A folder on a full disk has no room for the index that readers share either.
_NO_ROOM: Final = (sqlite3.SQLITE_IOERR_SHMSIZE, sqlite3.SQLITE_IOERR_WRITE, sqlite3.SQLITE_IOERR_TRUNCATE)
_READ_ONLY_ERRNO: Final = (errno.EROFS, errno.EACCES, errno.EPERM)
_FULL_ERRNO: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


class LedgerTrouble(LedgerError):
    """A ledger cannot be read or written; ``kind`` says why."""

    def __init__(self, problem: str, kind: TroubleKind) -> None:
        super().__init__(problem)
        self.kind = kind


def kind_of_trouble(error: sqlite3.Error | OSError) -> TroubleKind:
    """Return what an error of SQLite or of the system says about a ledger."""
    if isinstance(error, OSError):
        if error.errno in _FULL_ERRNO:
            return TroubleKind.FULL
        return TroubleKind.READ_ONLY if error.errno in _READ_ONLY_ERRNO else TroubleKind.DISK
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return TroubleKind.DAMAGED  # what Python itself could not read, for example a text that is no UTF-8
    if code in _NO_ROOM or code & 0xFF == sqlite3.SQLITE_FULL:
        return TroubleKind.FULL
    primary = code & 0xFF
    if primary in _LOCKED:
        return TroubleKind.LOCKED
    if primary in _READ_ONLY:
        return TroubleKind.READ_ONLY
    return TroubleKind.DISK if primary in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_NOMEM) else TroubleKind.DAMAGED


def trouble(path: Path, doing: str, error: sqlite3.Error | OSError, *, after: str = "") -> LedgerTrouble:
    """Return the error for people.

    Parameters
    ----------
    path : Path
        The ledger.
    doing : str
        What failed: "read", "opened for writing".
    error : sqlite3.Error or OSError
    after : str
        What else is to be said.
    """
    kind = kind_of_trouble(error)
    said = error.strerror or error if isinstance(error, OSError) else error
    return LedgerTrouble(f"{path} could not be {doing} ({said}): {_MEND[kind]}{after}.", kind)


def damaged(path: Path, finding: str) -> LedgerTrouble:
    """Return the error for a ledger of which `verify` found something."""
    return LedgerTrouble(f"{path} could not be read ({finding}): {_MEND[TroubleKind.DAMAGED]}.", TroubleKind.DAMAGED)
