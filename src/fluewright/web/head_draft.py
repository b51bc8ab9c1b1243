"""A head's trial that is being made, kept on disk: one small file that is replaced as a whole, recordings by hash."""

import json
import os
from dataclasses import asdict, dataclass, field
from pathlib import Path

from fluewright.bench.voicing.trial import NoteTrial, Reading
from fluewright.errors import InputError

__all__ = ["DraftStore", "HeadDraft", "TakenStep"]


@dataclass(frozen=True)
class TakenStep:
    """The recording of a step: its name, and the hashes of the sound and of a breath log beside it (or empty)."""

    name: str
    sha256: str
    log_sha256: str = ""


@dataclass
class HeadDraft:
    """The trial that is being made; `takes` by step, `typed` holds [value, sigma] by "note register quantity"."""

    takes: dict[str, TakenStep] = field(default_factory=dict)
    typed: dict[str, list[float]] = field(default_factory=dict)
    checked: list[str] = field(default_factory=list)
    body: str = ""
    good: bool = False
    temperature_c: float | None = None

    def typed_notes(self) -> list[NoteTrial]:
        """Return the typed readings, one note each."""
        found = []
        for key, (value, sigma) in self.typed.items():
            note, register, quantity = key.split(" ")
            found.append(NoteTrial(note, int(register), {quantity: Reading(value, sigma)}))
        return found

    def typed_value(self, note: str, register: int, quantity: str) -> float | None:
        """Return a typed reading; None where there is none."""
        found = self.typed.get(f"{note} {register} {quantity}")
        return None if found is None else found[0]


class DraftStore:
    """Where the draft of one head is kept.

    Parameters
    ----------
    folder : Path
    serial : str
    """

    def __init__(self, folder: Path, serial: str) -> None:
        self.folder = folder
        self._path = folder / f"{serial}.head.json"

    def read(self) -> HeadDraft:
        """Return what was kept; an empty draft where nothing is."""
        try:
            said = json.loads(self._path.read_text(encoding="utf-8"))
            said["takes"] = {step: TakenStep(*take) for step, take in said["takes"].items()}
            return HeadDraft(**said)
        except FileNotFoundError:
            return HeadDraft()
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            # It is replaced as a whole, so it is damaged only by another hand: keep it beside, begin anew.
            self._path.replace(self._path.with_suffix(".damaged"))
            return HeadDraft()

    def keep(self, draft: HeadDraft) -> None:
        """Keep a draft; it is on disk when this returns.

        Raises
        ------
        InputError
            It cannot be written.
        """
        said = asdict(draft)
        said["takes"] = {step: [t.name, t.sha256, t.log_sha256] for step, t in draft.takes.items()}
        self._put(self._path, json.dumps(said).encode())

    def sound_path(self, digest: str) -> Path:
        """Return where a recording is kept."""
        return self.folder / "recordings" / digest

    def keep_sound(self, path: Path, digest: str) -> None:
        """Keep a recording by its hash.

        Raises
        ------
        InputError
            It cannot be written.
        """
        target = self.sound_path(digest)
        if not target.exists():
            self._put(target, path.read_bytes())

    @staticmethod
    def _put(target: Path, data: bytes) -> None:
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            part = target.with_suffix(".part")
            with part.open("wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            part.replace(target)
        except OSError as error:
            raise InputError(f"{target.parent}: cannot be written ({error.strerror}); free some room") from error
