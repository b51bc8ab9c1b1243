"""Copies of the ledger beside it, how far the newest one is behind, going back to one, and whether all is whole."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from fluewright.errors import InputError
from fluewright.files import private_folder
from fluewright.ledger import BackupReport, RestoreReport, back_up, open_ledger, restore, verify
from fluewright.shop.recordings import kept_folder, recording_findings

__all__ = [
    "BackupState", "backup_folder", "backup_state", "kept_copies", "make_backup", "records_findings", "restore_copy",
]  # fmt: skip


@dataclass(frozen=True)
class BackupState:
    """How well the records are kept.

    Attributes
    ----------
    folder : Path
        Where copies are kept: on the same disk, so they help against mistakes, not against a dead disk.
    copies : int
    newest : datetime or None
        When the newest copy was made, UTC.
    events, behind : int
        Events in the ledger now, and how many of them the newest copy lacks.
    """

    folder: Path
    copies: int
    newest: datetime | None
    events: int
    behind: int

    @property
    def says(self) -> str:
        """Return the state in one sentence."""
        if self.newest is None:
            return f"No copy yet: all {self.events} events stand on this file alone."
        when = self.newest.strftime("%Y-%m-%d %H:%M UTC")
        lacks = "it lacks nothing" if not self.behind else f"it lacks the last {self.behind} of {self.events} events"
        return f"Last copied {when}; {lacks}."


def backup_folder(ledger: Path) -> Path:
    """Return the folder of a ledger's copies."""
    return ledger.parent / f"{ledger.stem}-copies"


def kept_copies(ledger: Path) -> list[Path]:
    """Return the copies in the folder of copies, oldest first."""
    kept = (p for p in backup_folder(ledger).glob("*.ledger") if not p.name.startswith("."))
    return sorted(kept, key=lambda p: (p.stat().st_mtime_ns, p.name))


def _events(path: Path) -> int:
    """Return how many events a copy holds; 0 where it cannot be read any more."""
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as copy:
            return int(copy.execute("SELECT COUNT(*) FROM events").fetchone()[0])
    except sqlite3.Error:
        return 0


def backup_state(ledger: Path) -> BackupState:
    """Return how many copies there are and how far the newest is behind."""
    copies = kept_copies(ledger)
    with open_ledger(ledger) as book:
        events = book.newest_event()[0]
    if not copies:
        return BackupState(backup_folder(ledger), 0, None, events, events)
    newest = copies[-1]
    made = datetime.fromtimestamp(newest.stat().st_mtime, UTC)
    return BackupState(backup_folder(ledger), len(copies), made, events, max(events - _events(newest), 0))


def make_backup(ledger: Path) -> Path:
    """Copy the ledger into its folder of copies and return the copy.

    Raises
    ------
    InputError
        The folder cannot be made.
    LedgerError
        The ledger is not whole, or the copy failed; nothing is left of it.
    """
    folder = private_folder(backup_folder(ledger))
    name = f"{ledger.stem}-{datetime.now(UTC).strftime('%Y%m%d-%H%M%S')}"
    number, target = 1, folder / f"{name}.ledger"
    while target.exists():
        number += 1
        target = folder / f"{name}-{number}.ledger"
    report: BackupReport = back_up(ledger, target)
    return report.path


def restore_copy(ledger: Path, name: str) -> RestoreReport:
    """Put a copy from the folder of copies in the ledger's place; what was there is moved aside whole.

    Raises
    ------
    InputError
        There is no copy of that name.
    LedgerError
        The copy is not whole, or another program has the ledger open; the ledger is as it was then.
    """
    found = next((copy for copy in kept_copies(ledger) if copy.name == name), None)
    if found is None:
        raise InputError(f"there is no copy {name[:80]!r}; choose one from the list", field="copy")
    return restore(ledger, found)


def records_findings(ledger: Path, folder: Path | None = None) -> tuple[str, ...]:
    """Return what is wrong with the ledger and the recordings kept beside it; nothing where all is whole.

    Parameters
    ----------
    ledger : Path
    folder : Path, optional
        Where recordings are kept; by default beside the ledger.

    Raises
    ------
    LedgerError
        There is no ledger, or it cannot be checked now.
    """
    return (*verify(ledger).findings, *recording_findings(kept_folder(ledger) if folder is None else folder))
