"""Keeps every note of a trial on disk before the page is told of it, so that nothing acknowledged is ever lost."""

import contextlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from fluewright.errors import InputError
from fluewright.files import append_synced, private_folder, write_whole
from fluewright.ledger.values import checked_serial

__all__ = ["Journal", "TickedNote"]


@dataclass(frozen=True)
class TickedNote:
    """One playing that counts: fingering by number, Hz with its standard uncertainty, and when, s into the sound."""

    fingering: int
    frequency_hz: float
    sigma_hz: float
    onset_s: float

    @property
    def frequency_uncertainty_hz(self) -> float:
        """Return the standard uncertainty of the frequency, as the bench asks for it."""
        return self.sigma_hz


class Journal:
    """The notes of the trial that is being played, one file a piece; empty when none is."""

    def __init__(self, folder: Path, serial: str) -> None:
        checked_serial(serial)
        self.path = folder / f"{serial}.trial.jsonl"
        # What the file held when it had this time and size: a long trial is not read anew for every look at it.
        self._seen: tuple[int, int] | None = None
        self._notes: list[TickedNote] = []
        self._whole = 0

    def notes(self) -> list[TickedNote]:
        """Return what was kept; a last line that was cut off by a power cut is left out."""
        try:
            now = self.path.stat()
        except FileNotFoundError:
            self._seen, self._notes, self._whole = None, [], 0
            return []
        if self._seen != (now.st_mtime_ns, now.st_size):
            self._read()
            self._seen = (now.st_mtime_ns, now.st_size)
        return list(self._notes)

    def _read(self) -> None:
        self._notes, self._whole = [], 0
        for line in self.path.read_bytes().splitlines(keepends=True):
            if not line.endswith(b"\n"):
                break
            self._whole += len(line)
            with contextlib.suppress(ValueError, TypeError):
                self._notes.append(TickedNote(**json.loads(line)))

    def add(self, note: TickedNote) -> None:
        """Keep a note; it is on disk when this returns.

        Raises
        ------
        InputError
            The file cannot be written.
        """
        self.notes()
        line = json.dumps(asdict(note)).encode() + b"\n"
        private_folder(self.path.parent)
        try:
            # A line that was cut off would swallow this one.
            now = append_synced(self.path, line, at=self._whole)
        except OSError as error:
            raise InputError(f"{self.path}: cannot be written ({error.strerror}); free some room") from error
        self._notes.append(note)
        self._whole += len(line)
        self._seen = (now.st_mtime_ns, now.st_size)

    def drop_last(self, fingering: int) -> bool:
        """Take the latest playing of a fingering out again; return whether there was one."""
        kept = self.notes()
        for i in range(len(kept) - 1, -1, -1):
            if kept[i].fingering == fingering:
                del kept[i]
                self._write(kept)
                return True
        return False

    def _write(self, notes: list[TickedNote]) -> None:
        text = "".join(json.dumps(asdict(note)) + "\n" for note in notes)
        write_whole(self.path, text, mode=0o600, synced=True)

    def clear(self) -> None:
        """Forget the trial: it is in the ledger now, or was thrown away."""
        self.path.unlink(missing_ok=True)
