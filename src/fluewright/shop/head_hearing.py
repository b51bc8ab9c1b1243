"""What a head's recordings say: swells beside a breath log, tongued and slurred notes; judged by the model's notes."""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import breath_plan
from fluewright.bench.session import air_cents
from fluewright.bench.voicing.heard import notes_of_swell, notes_of_tones
from fluewright.bench.voicing.trial import NoteTrial, Reading
from fluewright.errors import RecordingError
from fluewright.instrument.model import Model
from fluewright.listening import Analysis, read_recording
from fluewright.listening.breath_log import BreathLog
from fluewright.listening.swells import Swell

__all__ = [
    "HeadHeard", "ModelNotes", "breath_log_of", "hear_swell_file", "hear_swell_notes", "hear_tongued", "notes_of_model",
]  # fmt: skip


# A step of a head's trial takes seconds; so much is 180 s at 44.1 kHz and keeps the whole program under 300 MB.
_MOST_FRAMES = 8_000_000


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

    def in_air(self, temperature_c: float, model: Model) -> "ModelNotes":
        """Return the notes as they sound in a room of another temperature than the model's: sharper or flatter alike.

        Pitch goes with the speed of sound (`bench.session.air_cents`). NaN leaves them as they are.
        """
        if not math.isfinite(temperature_c):
            return self
        ratio = 2.0 ** (air_cents(model, temperature_c) / 1200.0)
        return ModelNotes({k: ratio * v for k, v in self.targets_hz.items()}, self.comfortable_pa)


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
    sound = read_recording(path, most_frames=_MOST_FRAMES)
    analysis = Analysis(sound)
    hearing = analysis.hearing
    found, odd = notes_of_tones(analysis.tones, notes.targets_hz)
    return HeadHeard(
        found, f"{name or path.name} {sound.sha256}", (*sound.warnings, *hearing.warnings, *odd),
        tuple((n.frequency_hz, n.frequency_uncertainty_hz) for n in hearing.notes if math.isfinite(n.frequency_hz)),
    )  # fmt: skip


def breath_log_of(swell: Swell, lowest_pa: float, jump_pa: float, *, even: float = 0.5) -> BreathLog:
    """Return a breath log of a swell out of two readings of a water column: where it begins, and where it jumps up.

    Parameters
    ----------
    swell : Swell
    lowest_pa, jump_pa : float
    even : float
        How breath rises between: 1 by as much in every second, 0 by the same ratio in every second, between them a
        mixture. The rest of the swell has no breath.

    Raises
    ------
    RecordingError
        The swell does not jump up, or the readings do not rise.
    """
    up = next((j for j in swell.jumps if j.up), None)
    if up is None:
        raise RecordingError("the swell never jumps up: blow further, until the upper octave comes")
    if not 0.0 < lowest_pa < jump_pa:
        raise RecordingError(
            f"breath where it begins is {lowest_pa:g} Pa, where it jumps {jump_pa:g} Pa; the second must be larger"
        )
    start = max((s.start_s for s in swell.stretches if s.start_s < up.time_s), default=up.time_s)
    share = np.linspace(0.0, 1.0, 101)
    linear = lowest_pa + share * (jump_pa - lowest_pa)
    steady = lowest_pa * (jump_pa / lowest_pa) ** share
    return BreathLog(start + share * (up.time_s - start), even * linear + (1.0 - even) * steady)


def hear_swell_file(
    notes: ModelNotes, path: Path, *, name: str = "", log: BreathLog | None = None, aligned: bool = False,
    lowest_pa: float = math.nan, jump_pa: float = math.nan,
) -> HeadHeard:  # fmt: skip
    """Return what a recorded swell gave, with a breath log or with two readings of a water column.

    Parameters
    ----------
    notes : ModelNotes
    path : Path
    name : str
    log : BreathLog, optional
        Beside the sound; its clock is found from level and pressure unless `aligned`.
    lowest_pa, jump_pa : float
        Readings where it begins and where it jumps, when there is no log; NaN where not read: then the swell is told
        in times alone, as a warning.

    Raises
    ------
    RecordingError
        It cannot be read or holds nothing that sounds, or log and sound do not belong together.
    """
    sound = read_recording(path, most_frames=_MOST_FRAMES)
    source, analysis = f"{name or path.name} {sound.sha256}", Analysis(sound)
    if log is not None and not aligned:
        log, _, _ = analysis.aligned(log)
    if log is not None:
        heard = hear_swell_notes(notes, analysis.swell(log), source)
        return HeadHeard(heard.notes, source, (*sound.warnings, *heard.warnings))
    swell = analysis.swell()
    if not (math.isfinite(lowest_pa) and math.isfinite(jump_pa)):
        jumps = ", ".join(f"{'up' if j.up else 'back'} at {j.time_s:.1f} s" for j in swell.jumps) or "no jump"
        return HeadHeard(
            (), source,
            (*sound.warnings, f"heard: {jumps}; type the breath where it begins and where it jumps to use it"),
        )  # fmt: skip
    ways = [
        hear_swell_notes(notes, analysis.swell(breath_log_of(swell, lowest_pa, jump_pa, even=even)), source)
        for even in (0.5, 0.0, 1.0)
    ]
    kept = tuple(_by_readings(note, [w.notes for w in ways[1:]]) for note in ways[0].notes if note.register == 1)
    return HeadHeard(tuple(n for n in kept if n.readings), source, (*sound.warnings, *ways[0].warnings))


def _by_readings(note: NoteTrial, others: Sequence[Sequence[NoteTrial]]) -> NoteTrial:
    """Return pitch and its rise, as unsure as it matters how breath rose between the two readings."""
    found = {k: r for k, r in note.readings.items() if k == "comfortable_pa"}
    for quantity in ("cents", "cents_per_doubling"):
        if quantity not in note.readings:
            continue
        values = [
            n.readings[quantity].value
            for notes in others for n in notes
            if (n.note, n.register) == (note.note, note.register) and quantity in n.readings
        ]  # fmt: skip
        own = note.readings[quantity]
        apart = 0.5 * (max(values) - min(values)) if len(values) == len(others) else 10.0
        found[quantity] = Reading(own.value, math.hypot(own.sigma, apart))
    return NoteTrial(note.note, note.register, found, note.curve)
