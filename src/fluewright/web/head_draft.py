"""A head's trial that is being made, kept on disk: one small file that is replaced as a whole, recordings by hash."""

import json
import math
import re
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

from fluewright.bench.voicing.trial import NoteTrial, Reading
from fluewright.files import private_folder, write_whole
from fluewright.shop.recordings import recording_is_kept, recording_path, store_recording

__all__ = ["DraftStore", "HeadDraft", "TakenStep"]

_DIGEST: Final = re.compile(r"[0-9a-f]{64}")


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
            return _draft(json.loads(self._path.read_text(encoding="utf-8")))
        except FileNotFoundError:
            return HeadDraft()
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            # It is replaced as a whole, so it is damaged only by another hand: keep it beside, begin anew.
            with suppress(OSError):
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
        private_folder(self.folder)
        write_whole(self._path, json.dumps(said), mode=0o600, synced=True)

    def sound_path(self, digest: str) -> Path:
        """Return where a recording is kept."""
        return recording_path(self.folder, digest)

    def keep_sound(self, path: Path, digest: str) -> None:
        """Keep a recording by its hash.

        Raises
        ------
        InputError
            It cannot be written.
        """
        store_recording(self.folder, path, digest)
        recording_is_kept(self.folder, digest)


def _draft(said: Any) -> HeadDraft:
    """Return a draft from its plain form.

    Raises
    ------
    ValueError, TypeError, KeyError, AttributeError
        It has another shape.
    """
    takes = {step: TakenStep(*take) for step, take in said.pop("takes").items()}
    draft = HeadDraft(takes=takes, **said)
    texts = [draft.body, *draft.checked, *takes, *(text for t in takes.values() for text in (t.name, t.sha256))]
    temperature = draft.temperature_c
    if not isinstance(draft.checked, list) or not all(isinstance(text, str) for text in texts):
        raise TypeError("a text is none")
    if not all(_DIGEST.fullmatch(d) for t in takes.values() for d in (t.sha256, t.log_sha256 or "0" * 64)):
        raise ValueError("a hash is none")
    if not isinstance(draft.good, bool) or (temperature is not None and not isinstance(temperature, int | float)):
        raise TypeError("a value is none")
    if not all(len(pair) == 2 and all(map(math.isfinite, pair)) for pair in draft.typed.values()):
        raise ValueError("a reading is none")
    draft.typed_notes()
    return draft
