"""What a head's recordings say: swells beside a breath log, tongued and slurred notes; judged by the model's notes."""

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import breath_plan
from fluewright.bench.voicing.heard import notes_of_swell, notes_of_tones
from fluewright.bench.voicing.trial import NoteTrial
from fluewright.instrument.model import Model
from fluewright.listening import hear_notes, read_recording
from fluewright.listening.attack import note_tones
from fluewright.listening.swells import Swell

__all__ = ["HeadHeard", "ModelNotes", "hear_swell_notes", "hear_tongued", "notes_of_model"]


@dataclass(frozen=True)
class ModelNotes:
    """By (note, register): target in Hz, and the breath that the model plans, Pa."""

    targets_hz: Mapping[tuple[str, int], float]
    comfortable_pa: Mapping[tuple[str, int], float]

    def only(self, wanted: Collection[tuple[str, int]]) -> "ModelNotes":
        """Return these notes alone."""
        return ModelNotes(
            {k: v for k, v in self.targets_hz.items() if k in wanted},
            {k: v for k, v in self.comfortable_pa.items() if k in wanted},
        )


@dataclass(frozen=True)
class HeadHeard:
    """What one recording gave: notes with their readings, where it came from (name and SHA-256), warnings.

    `pitches` holds the heard pitch of every note, Hz with its standard uncertainty.
    """

    notes: tuple[NoteTrial, ...]
    source: str
    warnings: tuple[str, ...]
    pitches: tuple[tuple[float, float], ...] = ()


def notes_of_model(model: Model) -> ModelNotes:
    """Return the notes that a head on this model can be tried on, main fingerings first."""
    network = build_network(model)
    plan = breath_plan(network)
    targets: dict[tuple[str, int], float] = {}
    comfortable: dict[tuple[str, int], float] = {}
    for i, f in enumerate(network.fingerings):
        targets.setdefault((f.note, f.register), float(network.targets_hz[i]))
        comfortable.setdefault((f.note, f.register), float(plan[i]))
    return ModelNotes(targets, comfortable)


def hear_swell_notes(notes: ModelNotes, swell: Swell, source: str) -> HeadHeard:
    """Return what a swell with its breath log gave.

    Raises
    ------
    RecordingError
        No stretch has a known breath.
    """
    found, warnings = notes_of_swell(swell, notes.targets_hz, notes.comfortable_pa)
    return HeadHeard(found, source, warnings)


def hear_tongued(notes: ModelNotes, path: Path, *, name: str = "") -> HeadHeard:
    """Return what single tongued notes in a recording gave: attack, hiss, partials.

    Parameters
    ----------
    notes : ModelNotes
        Those that may be heard; every other pitch is told and left out.
    path : Path
    name : str
        How the recording is called in the records; by default the file's name.

    Raises
    ------
    RecordingError
        It cannot be read, or holds nothing that sounds.
    """
    sound = read_recording(path)
    hearing = hear_notes(sound)
    found, odd = notes_of_tones(note_tones(sound, hearing), notes.targets_hz)
    return HeadHeard(
        found, f"{name or path.name} {sound.sha256}", (*sound.warnings, *hearing.warnings, *odd),
        tuple((n.frequency_hz, n.frequency_uncertainty_hz) for n in hearing.notes if math.isfinite(n.frequency_hz)),
    )  # fmt: skip
