"""One virtual piece through the shop as a maker takes a real one: drill, play, cut, gauge, until nothing is left.

The demo, the workshop that the pages show, and the study of 500 pieces all run this loop. The shop's own functions
decide and log everything; they are given gauge readings, a thermometer and heard notes.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.bench.allowance import starting_sizes
from fluewright.bench.calibration import calibrate
from fluewright.bench.forecast import CutForecast
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.policy import CutPolicy
from fluewright.bench.verdict import CutProposal, State, Verdict
from fluewright.bench.words import remark_words
from fluewright.demo.sound import heard_without_sound, play
from fluewright.demo.true_pieces import TruePiece
from fluewright.errors import InputError
from fluewright.instrument.sizes import LENGTH, Part, hole_key, size_name
from fluewright.listening import write_recording
from fluewright.shop.conditions import TrialConditions
from fluewright.shop.cutting import record_cut
from fluewright.shop.pieces import measure_piece
from fluewright.shop.sitting import Judged, Sitting, Take, judge, log_trials, sit_down, take_of_recording
from fluewright.version import __version__

__all__ = ["HEAD_SIZES", "Patience", "RanOn", "Round", "Tuned", "drill", "tune"]

HEAD_SIZES = ("head.window_length_mm", "head.window_width_mm", "head.edge_offset_mm")
"""What is gauged before drilling."""

_TIMES = 3  # every note is played in a trial
_MOST_REFUSED = 5
_DRAWN_VERSION = f"fluewright-demo/{__version__}"


@dataclass(frozen=True)
class Patience:
    """When a maker puts a piece aside: played so often in a row without a safe cut, or so often at all.

    Attributes
    ----------
    when_out : int
        Where a note is surely out.
    when_unsure : int
        Where a note is only not sure to be within.
    most_trials : int
    """

    when_out: int = 3
    when_unsure: int = 9
    most_trials: int = 15


@dataclass(frozen=True)
class RanOn:
    """A tool that ran on: in which trial's cuts, at which hole's cut of them (from 0), and how far, mm."""

    trial: int
    cut: int
    by_mm: float


@dataclass(frozen=True, eq=False)
class Round:
    """One play and the cuts that followed, with the truth that the shop never sees.

    Attributes
    ----------
    number : int
        From 1.
    judged : Judged
    true_cents : array, shape (fingerings,)
        When it was played.
    plan : tuple of CutProposal
        Those that were made.
    gauged_mm : tuple of float
        The size after each, as gauged.
    forecast : CutForecast or None
        What the last of them should have brought; None without a cut.
    true_after : array, shape (fingerings,)
        After the cuts.
    """

    number: int
    judged: Judged
    true_cents: FloatArray
    plan: tuple[CutProposal, ...]
    gauged_mm: tuple[float, ...]
    forecast: CutForecast | None
    true_after: FloatArray

    @property
    def verdict(self) -> Verdict:
        """Return what the bench said after the play."""
        return self.judged.advice.verdict


@dataclass(frozen=True, eq=False)
class Tuned:
    """How a piece came off the bench: its rounds, and whether the maker gave up before the bench had a last word."""

    rounds: tuple[Round, ...]
    put_aside: bool

    @property
    def trials(self) -> int:
        """Return how often it was played."""
        return len(self.rounds)

    @property
    def cuts(self) -> int:
        """Return how many cuts were made."""
        return sum(len(r.plan) for r in self.rounds)

    @property
    def verdict(self) -> Verdict:
        """Return the last verdict."""
        return self.rounds[-1].verdict


def _drilled(pitch: PitchModel) -> tuple[str, ...]:
    """Return the sizes that are gauged after drilling; a jig sets holes that lie abreast, and nobody gauges these."""
    places = [h.position_mm for h in pitch.model.holes]
    keys = [LENGTH]
    for hole in pitch.model.holes:
        keys += [hole_key(hole.name, "position_mm")] if places.count(hole.position_mm) == 1 else []
        keys.append(hole_key(hole.name))
    return tuple(keys)


def drill(ledger: Path, serial: str, piece: TruePiece, *, made: Mapping[str, float]) -> Sitting:
    """Drill the holes undersize and leave the body long, by what the shop knows; enter what the gauge then says.

    Parameters
    ----------
    ledger : Path
    serial : str
    piece : TruePiece
    made : mapping
        Sizes gauged before drilling, mm by key.

    Returns
    -------
    Sitting
        With the drilled piece.
    """
    sitting = sit_down(ledger, serial)
    pitch = sitting.pitch
    before = calibrate(pitch, [], prior=sitting.prior, gauged=made)
    piece.drill(starting_sizes(pitch.model, posterior=before, gauged=made))
    pieces = "one piece has" if sitting.taught_by == 1 else f"{sitting.taught_by} pieces have"
    taught = f", by what {pieces} taught" if sitting.taught_by else ""
    measure_piece(
        ledger, serial, piece.gauge(_drilled(pitch)), gauge="calliper, plug gauges",
        remarks=f"holes drilled small and body left long{taught}",
    )  # fmt: skip
    return sit_down(ledger, serial, known=sitting)


def tune(
    sitting: Sitting, piece: TruePiece, *, rng: np.random.Generator, recordings: Path | None = None,
    half_way: bool = False, ran_on: RanOn | None = None, policy: CutPolicy | None = None,
    patience: Patience | None = None, on_round: Callable[[Round], None] | None = None,
) -> Tuned:  # fmt: skip
    """Play, hear, judge and cut until nothing more is to be done.

    Parameters
    ----------
    sitting : Sitting
        With the drilled piece.
    piece : TruePiece
    rng : numpy Generator
        Of the sound and its hearing.
    recordings : Path, optional
        Folder for the sound of every trial; without it the heard notes are drawn.
    half_way : bool
        Make half of the first cuts, stop after the second trial, and leave the next cuts to be made.
    ran_on : RanOn, optional
        What the hand does wrong.
    policy : CutPolicy, optional
    patience : Patience, optional
    on_round : callable, optional
        Told of every round when its cuts are made.

    Raises
    ------
    InputError
        The bench takes the piece for another one, however often it is played.
    """
    patience = patience or Patience()
    rounds: list[Round] = []
    idle = 0
    while True:
        judged = _play(sitting, piece, len(rounds) + 1, rng, recordings, policy)
        verdict = judged.advice.verdict
        idle = 0 if verdict.plan else idle + 1
        finished = not verdict.plan and verdict.state is not State.PLAY
        stopped = finished or (half_way and bool(rounds) and bool(verdict.plan))
        tired = patience.when_out if _surely_out(sitting.pitch, verdict) else patience.when_unsure
        put_aside = not stopped and (idle >= tired or len(rounds) + 1 == patience.most_trials)
        # Left half way, the foot and the lower holes are cut and the rest waits for the next trial.
        plan = verdict.plan[: (len(verdict.plan) + 1) // 2] if half_way else verdict.plan
        plan = () if stopped or put_aside else plan
        wrong = ran_on if ran_on is not None and ran_on.trial == len(rounds) + 1 else None
        truth = piece.true_cents()
        sitting, gauged, forecast = _cut(_again(sitting), piece, plan, wrong)
        rounds.append(Round(len(rounds) + 1, judged, truth, plan, gauged, forecast, piece.true_cents()))
        if on_round is not None:
            on_round(rounds[-1])
        if stopped or put_aside:
            return Tuned(tuple(rounds), put_aside)


def _again(sitting: Sitting) -> Sitting:
    assert sitting.record is not None
    return sit_down(sitting.record.ledger, sitting.record.serial, known=sitting)


def _play(
    sitting: Sitting, piece: TruePiece, number: int, rng: np.random.Generator, recordings: Path | None,
    policy: CutPolicy | None,
) -> Judged:  # fmt: skip
    """Play the piece and log the trial; nothing is logged of a trial that the bench refuses: it is played again."""
    assert sitting.record is not None
    refused = 0
    while True:
        hz, says = piece.blown(_TIMES)
        take = _hear(sitting.record.serial, number, hz, rng, recordings)
        try:
            # The thermometer as it is read.
            judged = judge(sitting, [take], conditions=TrialConditions(temperature_c=round(says, 1)), policy=policy)
        except InputError:
            refused += 1
            if refused == _MOST_REFUSED:
                raise
            continue
        log_trials(judged, remarks="; ".join(map(remark_words, judged.advice.remarks)))
        return judged


def _hear(serial: str, number: int, hz: Sequence[float], rng: np.random.Generator, recordings: Path | None) -> Take:
    """Return what is heard of a time of playing: off its sound where that is kept, else drawn."""
    if recordings is None:
        drawn = heard_without_sound(hz, rng=rng)
        digest = hashlib.sha256(" ".join(f"{n.frequency_hz}" for n in drawn).encode()).hexdigest()
        return Take(f"{serial} trial {number}, drawn without sound", digest, drawn, analysis_version=_DRAWN_VERSION)
    path = recordings / f"{serial}-trial-{number}.flac"
    write_recording(path, play(hz, rng=rng), 44100)
    return take_of_recording(path)


def _surely_out(pitch: PitchModel, verdict: Verdict) -> bool:
    """Return whether a first-register note lies beyond its tolerance by more than it is unsure."""
    beyond = np.abs(verdict.cents) - 2.0 * verdict.sigma > pitch.model.target.tolerance_cents
    return bool(beyond[pitch.first_register].any())


def _cut(
    sitting: Sitting, piece: TruePiece, plan: Sequence[CutProposal], ran_on: RanOn | None
) -> tuple[Sitting, tuple[float, ...], CutForecast | None]:
    """Make the cuts, gauge and record each; return the sitting after them, the gauged sizes, what they should bring."""
    holes, gauged, forecast = 0, [], None
    for cut in plan:
        wrong = 0.0
        if size_name(cut.key).part is Part.HOLE:
            wrong = ran_on.by_mm if ran_on is not None and ran_on.cut == holes else 0.0
            holes += 1
        piece.cut(cut.key, cut.after_mm - cut.before_mm, ran_on_mm=wrong)
        after = piece.gauge((cut.key,))[cut.key]
        # A gauge that shows no change is read again: material is gone.
        step = 0.01 if cut.after_mm > cut.before_mm else -0.01
        if (after - cut.before_mm) * step <= 0.0:
            after = round(cut.before_mm + step, 2)
        reason = f"{cut.note} flat" + ("; the tool ran on" if wrong else "")
        logged = record_cut(sitting, key=cut.key, after_mm=after, tool=cut.tool, reason=reason)
        forecast = logged.forecast
        gauged.append(after)
        sitting = _again(sitting)
    return sitting, tuple(gauged), forecast
