"""The end mark: number and hash of the newest event, kept in a small file beside the ledger.

It is written and put on the disk after each commit, so the ledger holds at least what the mark names: a ledger whose
last commits were lost with a removed ``-wal``, or that an older copy took the place of, does not pass for whole. A
mark is never ahead of its ledger by itself; one that lags behind (a program killed between the two) does no harm.

One line a commit, the newest last: ``<number> <SHA-256 of the event> <first 8 digits of the SHA-256 of both>``. A line
that was cut off or damaged does not count.
"""

import hashlib
import logging
from pathlib import Path
from typing import Final

from fluewright.errors import InputError
from fluewright.files import append_synced, write_whole

__all__ = ["end_mark_path", "keep_end_mark", "kept_end", "renew_end_mark"]

_LONGEST: Final = 64 * 1024
_log = logging.getLogger(__name__)


def end_mark_path(ledger: Path) -> Path:
    """Return the file of a ledger's end mark."""
    return ledger.with_name(f"{ledger.name}.end")


def kept_end(ledger: Path) -> tuple[int, str] | None:
    """Return number and hash of the event that was newest when the mark was written; None where there is no mark."""
    try:
        lines = end_mark_path(ledger).read_bytes().split(b"\n")
    except OSError:
        return None
    for line in reversed(lines):
        said = line.split(b" ")
        if len(said) == 3 and said[0].isdigit() and len(said[0]) < 16 and said[2] == _check(said[0], said[1]):
            return int(said[0]), said[1].decode("ascii", "replace")
    return None


def keep_end_mark(ledger: Path, event_id: int, sha256: str) -> None:
    """Write down the newest event; it is on the disk when this returns.

    A mark that cannot be written is told in the log only: the event itself is safe, and the old mark still holds.
    """
    path = end_mark_path(ledger)
    try:
        after = append_synced(path, _line(event_id, sha256))
        if after.st_size > _LONGEST:
            renew_end_mark(ledger, event_id, sha256)
    except (OSError, InputError) as error:
        _log.warning("%s could not be written (%s): a loss at the ledger's end may go unnoticed", path, error)


def renew_end_mark(ledger: Path, event_id: int, sha256: str) -> None:
    """Write the mark anew, with one line.

    Raises
    ------
    InputError
        It cannot be written.
    """
    write_whole(end_mark_path(ledger), _line(event_id, sha256), mode=0o600, synced=True)


def _line(event_id: int, sha256: str) -> bytes:
    number, digest = str(event_id).encode(), sha256.encode()
    return b"%s %s %s\n" % (number, digest, _check(number, digest))


def _check(number: bytes, digest: bytes) -> bytes:
    return hashlib.sha256(number + b" " + digest).hexdigest()[:8].encode()
