"""One virtual piece through the product's own bench, written into the ledger as a shop would: drill, play, cut, gauge.

The bench learns from the ledger's earlier pieces, and reads this piece's own trials back out of it, as the command line
and the web do. What it is given are gauge readings, a thermometer and heard notes.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fluewright import __version__
from fluewright.bench.allowance import starting_sizes
from fluewright.bench.calibration import calibrate
from fluewright.bench.cuts import CutProposal, Verdict
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.prior import Prior
from fluewright.bench.session import Heard, advise
from fluewright.demo.sound import heard_without_sound, play
from fluewright.demo.true_pieces import TruePiece
from fluewright.errors import InputError
from fluewright.instrument.sizes import LENGTH, Part, hole_key, size_name
from fluewright.ledger import Ledger
from fluewright.listening import hear_notes, read_recording, write_recording
from fluewright.shop import ANALYSIS_VERSION, check_same_piece, cut_forecast, earlier_trials, learned_from, trial_notes

__all__ = ["HEAD_SIZES", "RanOn", "Tuned", "drill", "tune"]

HEAD_SIZES = ("head.window_length_mm", "head.window_width_mm", "head.edge_offset_mm")
"""What is gauged before drilling."""

_TIMES = 3  # every note is played in a trial
# A maker puts a piece aside that has been played so often in a row without a safe cut: soon where a note is surely
# out, late where it is only not sure to be within; or so often at all.
_PLAYS_WHEN_OUT, _PLAYS_WHEN_UNSURE, _MOST_TRIALS = 3, 9, 15
_MOST_REFUSED = 5
_DRAWN_VERSION = f"fluewright-demo/{__version__}"


@dataclass(frozen=True)
class RanOn:
    """A tool that ran on: in which trial's cuts, at which hole's cut of them (from 0), and how far, mm."""

    trial: int
    cut: int
    by_mm: float


@dataclass(frozen=True)
class Tuned:
    """How a piece came off the bench: trials played, cuts made, and the last verdict.

    `put_aside` says that the maker gave up before the bench had a last word.
    """

    trials: int
    cuts: int
    verdict: Verdict
    put_aside: bool


def _drilled(pitch: PitchModel) -> tuple[str, ...]:
    """Return the sizes that are gauged after drilling; a jig sets holes that lie abreast, and nobody gauges these."""
    places = [h.position_mm for h in pitch.model.holes]
    keys = [LENGTH]
    for hole in pitch.model.holes:
        keys += [hole_key(hole.name, "position_mm")] if places.count(hole.position_mm) == 1 else []
        keys.append(hole_key(hole.name))
    return tuple(keys)


def drill(book: Ledger, serial: str, piece: TruePiece, pitch: PitchModel, *, made: Mapping[str, float]) -> Prior:
    """Drill the holes undersize and leave the body long, by what the shop knows; log what the gauge then says.

    Parameters
    ----------
    book : Ledger
    serial : str
    piece : TruePiece
    pitch : PitchModel
    made : mapping
        Gauged sizes of the head, mm by key.

    Returns
    -------
    Prior
        What the ledger's other pieces have taught of this model.
    """
    prior = learned_from(book.path, pitch, without=serial).prior
    before = calibrate(pitch, [], prior=prior, gauged=made)
    piece.drill(starting_sizes(pitch.model, posterior=before, gauged=made))
    pieces = "one piece has" if prior.pieces == 1 else f"{prior.pieces} pieces have"
    taught = f", by what {pieces} taught" if prior.pieces else ""
    book.log_measurement(
        serial,
        as_built=piece.gauge(_drilled(pitch)),
        gauge="calliper, plug gauges",
        remarks=f"holes drilled small and body left long{taught}",
    )
    return prior


def tune(
    book: Ledger,
    serial: str,
    piece: TruePiece,
    pitch: PitchModel,
    prior: Prior,
    *,
    rng: np.random.Generator,
    recordings: Path | None = None,
    half_way: bool = False,
    ran_on: RanOn | None = None,
) -> Tuned:
    """Play, hear, calibrate and cut until nothing more is to be done.

    Parameters
    ----------
    book : Ledger
    serial : str
    piece : TruePiece
    pitch : PitchModel
        Of the version that the piece was begun with.
    prior : Prior
    rng : numpy Generator
        Of the sound and its hearing.
    recordings : Path, optional
        Folder for the sound of every trial; without it the heard notes are drawn.
    half_way : bool
        Make half of the first cuts, stop after the second trial, and leave the next cuts to be made.
    ran_on : RanOn, optional
        What the hand does wrong.

    Raises
    ------
    InputError
        The bench takes the piece for another one, however often it is played.
    """
    played = cuts = idle = refused = 0
    while True:
        before = earlier_trials(book.path, serial, pitch.model)
        hz, says = piece.blown(_TIMES)
        temperature = round(says, 1)  # as it is read
        heard = _hear(serial, played + 1, hz, rng, recordings)
        try:
            advice = advise(
                pitch,
                [heard.notes],
                as_built=before.as_built,
                earlier=before.trials,
                temperature_c=temperature,
                prior=prior,
            )
            check_same_piece(advice, [len(heard.notes)])
        except InputError:
            # Nothing is logged of a trial that the bench refuses; it is played again.
            refused += 1
            if refused == _MOST_REFUSED:
                raise
            continue
        book.log_trial(
            serial,
            temperature_c=temperature,
            relative_humidity=pitch.model.conditions.relative_humidity,
            notes=trial_notes(advice.fingerings, advice.targets_hz, advice.trials[0].notes),
            as_built=dict(before.as_built),
            remarks="; ".join(advice.warnings),
            recording_sha256=heard.sha256,
            recording_name=heard.name,
            analysis_version=heard.analysis_version,
        )
        played += 1
        verdict = advice.verdict
        idle = 0 if verdict.plan else idle + 1
        finished = not verdict.plan and verdict.state != "play"
        if finished or (half_way and played > 1 and verdict.plan):
            return Tuned(played, cuts, verdict, put_aside=False)
        patience = _PLAYS_WHEN_OUT if _surely_out(pitch, verdict) else _PLAYS_WHEN_UNSURE
        if idle >= patience or played == _MOST_TRIALS:
            return Tuned(played, cuts, verdict, put_aside=True)
        # Left half way, the foot and the lower holes are cut and the rest waits for the next trial.
        plan = verdict.plan[: (len(verdict.plan) + 1) // 2] if half_way else verdict.plan
        _make_cuts(book, serial, piece, pitch, plan, ran_on if ran_on is not None and ran_on.trial == played else None)
        cuts += len(plan)


@dataclass(frozen=True)
class _Heard:
    """The heard notes of a trial, and where they come from as the ledger keeps it."""

    notes: Sequence[Heard]
    sha256: str
    name: str
    analysis_version: str


def _hear(
    serial: str, number: int, hz: Sequence[float], rng: np.random.Generator, recordings: Path | None
) -> _Heard:  # fmt: skip
    """Return what is heard of a time of playing: off its sound where that is kept, else drawn."""
    if recordings is None:
        drawn = heard_without_sound(hz, rng=rng)
        said = " ".join(f"{n.frequency_hz}" for n in drawn)
        digest = hashlib.sha256(said.encode()).hexdigest()
        return _Heard(drawn, digest, f"{serial} trial {number}, drawn without sound", _DRAWN_VERSION)
    path = recordings / f"{serial}-trial-{number}.flac"
    write_recording(path, play(hz, rng=rng), 44100)
    recording = read_recording(path)
    return _Heard(hear_notes(recording).notes, recording.sha256, path.name, ANALYSIS_VERSION)


def _surely_out(pitch: PitchModel, verdict: Verdict) -> bool:
    """Return whether a first-register note lies beyond its tolerance by more than it is unsure."""
    beyond = np.abs(verdict.cents) - 2.0 * verdict.sigma > pitch.model.target.tolerance_cents
    return bool(beyond[pitch.first_register].any())


def _make_cuts(
    book: Ledger,
    serial: str,
    piece: TruePiece,
    pitch: PitchModel,
    plan: Sequence[CutProposal],
    ran_on: RanOn | None,
) -> None:
    holes = 0
    for cut in plan:
        if cut.key not in book.as_built(serial):
            book.log_measurement(serial, as_built={cut.key: cut.before_mm}, remarks="gauged before the cut")
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
        book.log_cut(
            serial,
            feature=cut.key,
            before_mm=cut.before_mm,
            after_mm=after,
            tool=cut.tool,
            reason=f"{cut.note} flat" + ("; the tool ran on" if wrong else ""),
            forecast=cut_forecast(cut, pitch.fingerings),
            as_built_after={cut.key: after},
        )
