"""A copy put in the ledger's place: checked first, and what was there is moved aside whole.

Nothing is lost wherever it is stopped. Up to one rename (to `restored_path`) the ledger is as it was; everything that
lay there has been laid aside by then. After it, whoever opens the ledger next does the rest (`finish_restore`): the log
of the former ledger must be gone before the copy takes the name, for SQLite would play it into the copy.
"""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from fluewright.errors import InputError, LedgerError
from fluewright.files import narrowed, private_folder, sync_folder
from fluewright.ledger.backup import copied
from fluewright.ledger.end_mark import end_mark_path, kept_end, renew_end_mark
from fluewright.ledger.ledger_file import (
    plain_connection,
    reading,
    refuse_links,
    restored_path,
    side_files,
    unreadable_is_damage,
)
from fluewright.ledger.trouble import LedgerTrouble, TroubleKind, kind_of_trouble, trouble
from fluewright.ledger.verify import VerifyReport, verify

__all__ = ["RestoreReport", "finish_restore", "restore"]


@dataclass(frozen=True, kw_only=True)
class RestoreReport:
    """What was put in place.

    Attributes
    ----------
    path : Path
        The ledger.
    aside : Path or None
        The folder with all that was there before; None where nothing was.
    verified : VerifyReport
        Of the ledger as it is now.
    """

    path: Path
    aside: Path | None
    verified: VerifyReport


def restore(ledger: Path | str, copy: Path | str) -> RestoreReport:
    """Put a copy in the ledger's place; what was there is moved into a folder beside it, whole.

    Parameters
    ----------
    ledger : path
        The ledger's file, damaged, empty or missing as it may be.
    copy : path
        A copy, or the ledger itself, where it is whole but its end mark names events that are lost for good.

    Raises
    ------
    LedgerError
        There is no such copy, it is not whole, another program has the ledger open, or the disk refuses; the ledger is
        as it was then.
    """
    ledger, copy = Path(ledger), Path(copy)
    finish_restore(ledger)
    refuse_links(ledger)
    if not ledger.parent.is_dir():
        raise LedgerError(f"There is no folder {ledger.parent} for the ledger: make it first.")
    itself = ledger.exists() and copy.exists() and ledger.samefile(copy)
    made = _beside(ledger, "restoring")
    made.unlink(missing_ok=True)
    try:
        copied(copy, made, must_hold=None if itself else kept_end(copy))
        with _nobody_else(ledger):
            aside = _lay_aside(ledger)
            made.replace(restored_path(ledger))
            sync_folder(ledger.parent)
    except OSError as error:
        raise trouble(ledger, "replaced", error, after=". It is as it was") from error
    finally:
        with suppress(OSError):
            made.unlink(missing_ok=True)
    finish_restore(ledger)
    return RestoreReport(path=ledger, aside=aside, verified=verify(ledger))


def _beside(ledger: Path, what: str) -> Path:
    return ledger.with_name(f".{ledger.name}.{what}")


def _present(ledger: Path) -> list[Path]:
    return [one for one in (ledger, *side_files(ledger), end_mark_path(ledger)) if one.exists()]


def _lay_aside(ledger: Path) -> Path | None:
    """Lay every file of the ledger in a folder beside it; they stay in place until the copy takes it."""
    present = _present(ledger)
    if not present:
        return None
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S-%f")
    folder = private_folder(ledger.with_name(f"{ledger.stem}-before-restore-{stamp}"))
    for one in present:
        target = folder / one.name
        try:
            # A second name, not a copy: who opens and closes the file beside SQLite takes its locks away.
            os.link(one, target)
        except OSError:
            shutil.copyfile(one, target)
            with target.open("rb+") as stream:
                os.fsync(stream.fileno())
        narrowed(target)
    sync_folder(folder)
    return folder


@contextmanager
def _nobody_else(ledger: Path) -> Iterator[None]:
    """Hold the ledger alone, where it can be held at all.

    Raises
    ------
    LedgerTrouble
        Another program has it open.
    """
    if not ledger.exists() or ledger.stat().st_size == 0:
        yield
        return
    with _lock_name(ledger) as name, closing(plain_connection(name, mode="rw")) as connection:
        try:
            with unreadable_is_damage():
                connection.execute("PRAGMA busy_timeout = 3000")
                connection.execute("PRAGMA locking_mode = EXCLUSIVE")
                connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as error:
            if kind_of_trouble(error) is TroubleKind.LOCKED:
                raise LedgerTrouble(
                    f"{ledger} is open in another program: end it (stop `fluewright serve`), then restore again. It is "
                    "as it was.",
                    TroubleKind.LOCKED,
                ) from error
            # It is damaged: nothing can be held, and nobody can work with it.
        yield


@contextmanager
def _lock_name(ledger: Path) -> Iterator[Path]:
    """Yield a second name of the ledger: locks are the file's, but its log belongs to the first name and stays.

    A connection to the first name would fold the log into the file as it closes.
    """
    name = _beside(ledger, "lock")
    name.unlink(missing_ok=True)
    try:
        os.link(ledger, name)
    except OSError:
        yield ledger  # a disk without hard links
        return
    try:
        yield name
    finally:
        for one in (name, *side_files(name)):
            one.unlink(missing_ok=True)


def finish_restore(ledger: Path) -> None:
    """Do the rest of a restoration that was stopped after it was decided; mostly there is none.

    Raises
    ------
    LedgerError
        The disk refuses.
    """
    ready = restored_path(ledger)
    if not ready.exists():
        return
    try:
        with _alone(ready) as mine:
            if not mine:
                return
            for one in (*side_files(ledger), end_mark_path(ledger)):
                one.unlink(missing_ok=True)
            sync_folder(ledger.parent)
            with reading(ready) as (connection, _):
                last = connection.execute("SELECT id, sha256 FROM events ORDER BY id DESC LIMIT 1").fetchone()
            if last is not None:
                renew_end_mark(ledger, last["id"], last["sha256"])
            ready.replace(ledger)
            sync_folder(ledger.parent)
    except (OSError, InputError) as error:
        reason = error if isinstance(error, OSError) else error.__cause__
        if isinstance(reason, OSError):
            raise trouble(ledger, "replaced", reason, after=". The next opening goes on with it") from error
        raise


@contextmanager
def _alone(ready: Path) -> Iterator[bool]:
    """Yield whether the file is still there once this program alone has it: another may have finished meanwhile."""
    try:
        import fcntl
    except ImportError:
        yield True  # Windows renames no file that another program has open
        return
    try:
        stream = ready.open("rb")
    except FileNotFoundError:
        yield False
        return
    with stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        try:
            mine = os.fstat(stream.fileno()).st_ino == ready.stat().st_ino
        except FileNotFoundError:
            mine = False
        yield mine
