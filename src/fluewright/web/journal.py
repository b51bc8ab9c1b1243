"""Keeps every note of a trial on disk before the page is told of it, so that nothing acknowledged is ever lost."""

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from fluewright.errors import InputError

__all__ = ["Journal", "TickedNote"]


@dataclass(frozen=True)
class TickedNote:
    """One playing that counts: fingering by number, Hz with its standard uncertainty, and when, s into the sound."""

    fingering: int
    frequency_hz: float
    sigma_hz: float
    onset_s: float


class Journal:
    """The notes of the trial that is being played, one file a piece; empty when none is."""

    def __init__(self, folder: Path, serial: str) -> None:
        if not serial.replace("-", "").isalnum():
            raise InputError(f"{serial!r} is no serial")
        self.path = folder / f"{serial}.trial.jsonl"

    def notes(self) -> list[TickedNote]:
        """Return what was kept; a last line that was cut off by a power cut is left out."""
        if not self.path.exists():
            return []
        found = []
        for line in self.path.read_text(encoding="utf-8").splitlines():
            try:
                found.append(TickedNote(**json.loads(line)))
            except (json.JSONDecodeError, TypeError):
                break
        return found

    def add(self, note: TickedNote) -> None:
        """Keep a note; it is on disk when this returns."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(asdict(note)) + "\n")
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise InputError(f"{self.path}: cannot be written ({error.strerror}); free some room") from error

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
        temporary = self.path.with_suffix(".part")
        with temporary.open("w", encoding="utf-8") as stream:
            for note in notes:
                stream.write(json.dumps(asdict(note)) + "\n")
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(self.path)

    def clear(self) -> None:
        """Forget the trial: it is in the ledger now, or was thrown away."""
        self.path.unlink(missing_ok=True)
