"""Sitting down with a piece: what is known of it, hearing it, judging it, logging the trial.

A sitting serves a piece of the ledger and a loose one alike. What may be judged and logged is decided here, for the
command line, the pages and the demo.
"""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.bench.calibration import PlayedTrial, Posterior, calibrate, misfit
from fluewright.bench.cuts import next_cut
from fluewright.bench.features import smallest_step_mm
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.planner import doubt_of
from fluewright.bench.policy import CutPolicy
from fluewright.bench.prior import Prior
from fluewright.bench.session import Advice, Heard, advise
from fluewright.bench.verdict import AllMade, CutProposal, GoOn, State, Verdict
from fluewright.errors import ComputeError, InputError, LedgerError
from fluewright.instrument.fingering import fingerings_of
from fluewright.instrument.model import Model
from fluewright.instrument.sizes import checked_sizes, sizes_of
from fluewright.ledger import Cut, PieceState, Trial, open_ledger
from fluewright.listening.streams import hear_file
from fluewright.shop.conditions import TrialConditions
from fluewright.shop.learning import learned_from
from fluewright.shop.models import recorded_model
from fluewright.shop.played import bench_sizes, cut_rounds, played_trials, trial_notes
from fluewright.units import signed
from fluewright.version import __version__

__all__ = [
    "ANALYSIS_VERSION",
    "Judged",
    "Record",
    "Sitting",
    "Take",
    "judge",
    "log_trials",
    "play",
    "sit_down",
    "sit_down_loose",
    "take_of_recording",
]  # fmt: skip

ANALYSIS_VERSION = f"fluewright-listening/{__version__}"

# 120 virtual pieces of three models, made by other physics than the bench's, stayed within 1.17.
_MOST_SIGMAS = 1.6


@dataclass(frozen=True, eq=False)
class Take:
    """What was heard of a piece once: a recording, or notes played live.

    Attributes
    ----------
    name : str
        As the ledger shall call it.
    sha256 : str
        Of the recording, so that it is never counted twice.
    notes : tuple of Heard
    warnings : tuple of str
        What the ear had to say.
    analysis_version : str
    """

    name: str
    sha256: str
    notes: tuple[Heard, ...]
    warnings: tuple[str, ...] = ()
    analysis_version: str = ANALYSIS_VERSION


def take_of_recording(path: Path, *, name: str = "") -> Take:
    """Hear a recording of a piece.

    Parameters
    ----------
    path : Path
    name : str
        What the ledger and messages call it; by default the file's name, and its path in messages.

    Raises
    ------
    RecordingError
        It cannot be read.
    InputError
        No note is heard in it.
    """
    heard = hear_file(path)
    warnings = tuple(dict.fromkeys([*heard.about.warnings, *heard.hearing.warnings]))
    return _with_notes(Take(name or path.name, heard.about.sha256, heard.hearing.notes, warnings), name or str(path))


def _with_notes(take: Take, called: str = "") -> Take:
    if not take.notes:
        why = "; ".join(take.warnings) or "no notes heard; play each note once, slowly"
        raise InputError(f"{called or take.name}: {why}")
    return take


@dataclass(frozen=True)
class Record:
    """Where a piece stands in the ledger.

    Attributes
    ----------
    ledger : Path
    serial : str
    model_name : str
    model_version : int
        With which it was begun.
    state : PieceState
    as_built : mapping
        Sizes as the ledger has them, mm and degrees by key.
    event : int
        The ledger's newest event when it was read.
    """

    ledger: Path
    serial: str
    model_name: str
    model_version: int
    state: PieceState
    as_built: Mapping[str, float]
    event: int


@dataclass(frozen=True, eq=False)
class Sitting:
    """All that is known of a piece before it is played.

    Attributes
    ----------
    pitch : PitchModel
    as_built : mapping
        Present sizes that the bench knows of, mm by key.
    trials : tuple of PlayedTrial
        Oldest first.
    prior : Prior or None
        What other pieces have taught.
    recordings : frozenset of str
        SHA-256 of those that were counted.
    rounds_made : int
        Rounds of cuts before the last trial.
    cut_since : frozenset of str
        Sizes cut since the last trial.
    record : Record or None
        None for a loose piece.
    other_model : bool
        The model named now differs from the one that the piece was begun with.
    """

    pitch: PitchModel
    as_built: Mapping[str, float]
    trials: tuple[PlayedTrial, ...] = ()
    prior: Prior | None = None
    recordings: frozenset[str] = frozenset()
    rounds_made: int = 0
    cut_since: frozenset[str] = frozenset()
    record: Record | None = None
    other_model: bool = False

    @property
    def model(self) -> Model:
        """Return the design."""
        return self.pitch.model

    @property
    def recorded(self) -> Record:
        """Return where the piece stands in its ledger.

        Raises
        ------
        InputError
            It is a loose piece.
        """
        if self.record is None:
            raise InputError("the piece is in no ledger; begin it there first", field="serial")
        return self.record

    @property
    def taught_by(self) -> int:
        """Return how many other pieces have taught."""
        return 0 if self.prior is None else self.prior.pieces

    @property
    def played_as_it_is(self) -> bool:
        """Return whether it was played and not cut since."""
        return bool(self.trials) and not self.cut_since

    @cached_property
    def posterior(self) -> Posterior:
        """Return what all trials tell of the piece.

        Raises
        ------
        ComputeError
            A note has no resonance with the sizes of the piece or of a trial.
        """
        with _blamed(self.record):
            return calibrate(self.pitch, self.trials, prior=self.prior, gauged=self.as_built)

    @cached_property
    def expected_cents(self) -> FloatArray:
        """Return what every fingering should give as the piece is, in the design's air, shape (fingerings,).

        Raises
        ------
        ComputeError
            A note has no resonance with the sizes of the piece.
        """
        with _blamed(self.record):
            return self.posterior.forecast(self.as_built)[0]

    def verdict(self, policy: CutPolicy | None = None) -> Verdict | None:
        """Return the state of the piece and what to do; None before it was played.

        Once something was cut it is the rest of the plan that stood after the last trial, and then to play again.

        Raises
        ------
        ComputeError
            A note has no resonance with the sizes of the piece.
        """
        if not self.trials:
            return None
        with _blamed(self.record):
            if not self.cut_since:
                return next_cut(self.posterior, self.as_built, policy=policy, rounds_made=self.rounds_made)
            return self._rest(policy or CutPolicy())

    def _rest(self, policy: CutPolicy) -> Verdict:
        planned = next_cut(self.posterior, self.trials[-1].as_built, policy=policy, rounds_made=self.rounds_made)
        left = tuple(cut for c in planned.plan if (cut := self._left(c, policy)) is not None)
        cents, covariance = self.posterior.forecast(self.as_built)
        return Verdict(
            State.CUT if left else State.PLAY, left, (GoOn() if left else AllMade(),), cents,
            np.sqrt(np.diag(covariance)),
            doubt_of(cents, covariance, self.pitch.first_register, self.model.target.tolerance_cents),
            planned.play_next,
        )  # fmt: skip

    def _left(self, cut: CutProposal, policy: CutPolicy) -> CutProposal | None:
        """Return what is left of a planned cut, None where it is made: cut less, gauge, cut the rest."""
        now = self.pitch.size(cut.key, self.as_built)
        rest = (cut.after_mm - now) * (1.0 if cut.after_mm > cut.before_mm else -1.0)
        made = cut.key in self.cut_since and rest < smallest_step_mm(cut.kind, policy.smallest_step_mm)
        return None if made else replace(cut, before_mm=now)


@contextmanager
def _blamed(record: Record | None) -> Iterator[None]:
    """Say whose sizes cannot be computed, and where to put them right."""
    try:
        yield
    except ComputeError as error:
        if record is None:
            raise
        raise ComputeError(
            f"{record.serial}, with its sizes as the ledger has them: {error} If a size was mistyped, put it right in "
            "the piece's history."
        ) from error


def sit_down_loose(pitch: PitchModel, sizes: Mapping[str, float]) -> Sitting:
    """Sit down with a piece that no ledger knows.

    Parameters
    ----------
    pitch : PitchModel
        Of its design.
    sizes : mapping
        Present sizes where they differ from the design, mm by key.

    Raises
    ------
    ModelError
        A size that the model lacks, or sizes that make no instrument.
    """
    return Sitting(pitch, bench_sizes(pitch, checked_sizes(pitch.model, sizes)))


def sit_down(
    ledger: Path, serial: str, *, model: Model | None = None, known: Sitting | None = None,
    sizes: Mapping[str, float] | None = None,
) -> Sitting:  # fmt: skip
    """Sit down with a piece of the ledger.

    Parameters
    ----------
    ledger : Path
    serial : str
    model : Model, optional
        To judge it by; by default the version that it was begun with.
    known : Sitting, optional
        An earlier sitting with the piece: its model and what other pieces taught are taken over.
    sizes : mapping, optional
        Sizes gauged now, beside those of the ledger, mm by key.

    Raises
    ------
    InputError
        The ledger has no such piece, the model has other fingerings or sizes than the one it was begun with, or the
        sizes make no instrument.
    """
    with open_ledger(ledger, create=False) as book:
        piece = book.instrument(serial)
        events = book.history(serial)
        newest = book.newest_event()[0]
        begun = recorded_model(book, piece.model_name, piece.model_version)
    record = Record(
        ledger, piece.serial, piece.model_name, piece.model_version, piece.state, dict(piece.as_built), newest
    )
    if known is not None:
        pitch, prior = known.pitch, known.prior
    else:
        pitch = PitchModel.of(_same_kind(model, begun, record))
        prior = learned_from(ledger, pitch, without=serial).prior
    built = {**piece.as_built, **checked_sizes(pitch.model, sizes or {})}
    trials = tuple(played_trials(events, pitch))
    last = max((k for k, e in enumerate(events) if isinstance(e, Trial) and not e.corrected), default=-1)
    sitting = Sitting(
        pitch, bench_sizes(pitch, built), trials, prior,
        frozenset(e.recording_sha256 for e in events if isinstance(e, Trial)), cut_rounds(events[: last + 1]),
        frozenset(e.feature for e in events[last + 1 :] if isinstance(e, Cut)) if last >= 0 else frozenset(),
        record, pitch.model != begun,
    )  # fmt: skip
    if known is not None and trials and trials == known.trials and "posterior" in vars(known):
        # What was played has not changed: neither has what it tells.
        vars(sitting)["posterior"] = known.posterior
    return sitting


def _same_kind(model: Model | None, begun: Model, record: Record) -> Model:
    if model is None:
        return begun
    same = {s.key for s in sizes_of(begun)} == {s.key for s in sizes_of(model)}
    if not same or fingerings_of(begun) != fingerings_of(model):
        raise InputError(
            f"{record.serial} was begun with {record.model_name} version {record.model_version}, but "
            f"{model.model.name} has other fingerings or sizes; name the model of the piece",
            field="model",
        )
    return model


@dataclass(frozen=True, eq=False)
class Judged:
    """Takes of one sitting, judged together.

    Attributes
    ----------
    sitting : Sitting
        Before these takes.
    advice : Advice
    takes : tuple of Take
        Those that were counted, as `advice.trials`.
    repeated : tuple of Take
        Those that were counted before and left out.
    conditions : TrialConditions
    """

    sitting: Sitting
    advice: Advice
    takes: tuple[Take, ...]
    repeated: tuple[Take, ...]
    conditions: TrialConditions


def judge(
    sitting: Sitting,
    takes: Sequence[Take],
    *,
    conditions: TrialConditions | None = None,
    policy: CutPolicy | None = None,
) -> Judged:
    """Return what takes of a piece say, with all that was known of it; nothing is logged.

    Parameters
    ----------
    sitting : Sitting
    takes : sequence of Take
        Of the piece as it is now; one that was counted before is left out.
    conditions : TrialConditions, optional
        Alike for all of them; by default not measured.
    policy : CutPolicy, optional

    Raises
    ------
    InputError
        A take without a note, or one of something else than this piece.
    ComputeError
        A note has no resonance with the sizes of the piece.
    """
    conditions = conditions or TrialConditions()
    fresh: dict[str, Take] = {}
    repeated = []
    for take in map(_with_notes, takes):
        if take.sha256 in sitting.recordings or take.sha256 in fresh:
            repeated.append(take)
        else:
            fresh[take.sha256] = take
    counted = tuple(fresh.values())
    with _blamed(sitting.record):
        advice = advise(
            sitting.pitch, [t.notes for t in counted], as_built=sitting.as_built, earlier=sitting.trials,
            temperature_c=conditions.temperature_c, breath_ratio=conditions.ratio(sitting.model), prior=sitting.prior,
            policy=policy, rounds_made=sitting.rounds_made + bool(sitting.cut_since),
        )  # fmt: skip
    _check_same_piece(sitting, advice, counted)
    return Judged(sitting, advice, counted, tuple(repeated), conditions)


def _check_same_piece(sitting: Sitting, advice: Advice, takes: Sequence[Take]) -> None:
    """Refuse advice that rests on a recording of something else than this piece."""
    name = sitting.model.model.name
    for take, trial in zip(takes, advice.trials, strict=True):
        count, fit = len(take.notes), len(trial.notes)
        if count - fit > max(count / 3.0, 1.0) and fit < 0.5 * len(advice.fingerings):
            raise InputError(
                f"{take.name}: only {fit} fingerings of {name} fit its {count} notes; check that it is a recording of "
                "this piece, and play each note once, slowly"
            )
    size, worst, cents = misfit(advice.posterior)
    if size > _MOST_SIGMAS:
        f = advice.fingerings[worst]
        raise InputError(
            f"the notes lie {size:.1f} standard errors from what {name} with these sizes can explain (limit "
            f"{_MOST_SIGMAS:g}), {f.note} (register {f.register}) most of all, by {signed(cents, 0)} cents; check that "
            "it is a recording of this piece, that no finger leaked, and that its sizes and cuts are written down as "
            "they are",
            field="sizes",
        )


def log_trials(judged: Judged, *, remarks: str = "") -> tuple[int, ...]:
    """Log the takes that were counted as trials of their piece, and return their events.

    Raises
    ------
    LedgerError
        The piece is in no ledger, or its sizes there changed while it was heard.
    """
    sitting, record = judged.sitting, judged.sitting.record
    if record is None:
        raise LedgerError("the piece is in no ledger; begin it there first")
    model, events = sitting.model, []
    with open_ledger(record.ledger, create=False) as book:
        if dict(book.as_built(record.serial)) != dict(record.as_built):
            raise LedgerError(f"the sizes of {record.serial} were changed while it was heard; judge the trial again")
        for take, trial in zip(judged.takes, judged.advice.trials, strict=True):
            given = judged.conditions.temperature_c
            logged = book.log_trial(
                record.serial,
                temperature_c=model.conditions.temperature_c if given is None else given,
                relative_humidity=model.conditions.relative_humidity,
                breath_pa=judged.conditions.breath_pa,
                recording_sha256=take.sha256,
                recording_name=take.name,
                analysis_version=take.analysis_version,
                notes=trial_notes(judged.advice.fingerings, judged.advice.targets_hz, trial.notes),
                as_built={**record.as_built, **sitting.as_built},
                remarks=remarks,
            )
            events.append(logged.event_id)
    return tuple(events)


def play(
    sitting: Sitting,
    takes: Sequence[Take],
    *,
    conditions: TrialConditions | None = None,
    policy: CutPolicy | None = None,
) -> Judged:
    """Judge takes of a piece of the ledger and log them as trials.

    Raises
    ------
    InputError, ComputeError
        As `judge`; nothing is logged then.
    LedgerError
        As `log_trials`.
    """
    judged = judge(sitting, takes, conditions=conditions, policy=policy)
    log_trials(judged)
    return judged
