"""The demo's workshop: a matched set for a music school, made piece after piece by the product's own bench.

A two-bench workshop has an order for eight small whistles in D5, four in C5, two low flutes in F4, one in D4 and an
eight-hole duct flute in C5, tuned together at A4 = 442 Hz for a hall at 23 degC. All pieces, players and rooms are
virtual (`true_pieces`, `true_heads`); what stands in the ledger is what the program heard, advised and forecast.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fluewright.arrays import BoolArray, FloatArray
from fluewright.bench.calibration import calibrate
from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.verdict import State
from fluewright.bench.voicing.causes import causes_of
from fluewright.bench.voicing.guide import guided_steps
from fluewright.bench.voicing.trial import HeadTrial
from fluewright.bench.words import reason_words
from fluewright.demo.set_plan import A4_HZ, HALL_C, THE_SET, PlannedPiece
from fluewright.demo.true_heads import ReferenceBody, TrueHead
from fluewright.demo.true_pieces import Making, TruePiece
from fluewright.demo.tuning import HEAD_SIZES, Tuned, drill, tune
from fluewright.design.fit import fit_blown_model, fit_model
from fluewright.errors import InputError
from fluewright.instrument.changes import renamed, with_target
from fluewright.instrument.files import model_text
from fluewright.instrument.model import Model
from fluewright.instrument.starting import load
from fluewright.ledger import PieceState, open_ledger
from fluewright.shop.head_advice import judge_head, log_done
from fluewright.shop.head_records import read_records
from fluewright.shop.head_sitting import finish_head_trial
from fluewright.shop.learning import learned_from
from fluewright.shop.models import recorded_model
from fluewright.shop.pieces import begin_piece, set_state
from fluewright.units import signed

__all__ = ["LEDGER_NAME", "MadePiece", "make_workshop"]

LEDGER_NAME = "workshop.sqlite"

# What the maker has looked at before anything is done to a head.
_CHECKED = ("dirt", "leak", "fingering", "assembly")
_REASONS = {
    PieceState.TESTED: "ten minutes of playing, dried, played again: it does not clog, both registers as before",
    PieceState.ACCEPTED: "played beside the rest of the set at 23 degC",
    PieceState.DELIVERED: "first part of the music school's order",
}


@dataclass(frozen=True)
class MadePiece:
    """How a piece came out, for judging the bench; nothing of the truth stands in the ledger.

    Attributes
    ----------
    serial, model_name : str
    version : int
    state : PieceState
    tuned : Tuned or None
        None where it was not played.
    tolerance_cents : float
    first_register : array of bool, shape (n,)
    true_cents : array, shape (n,)
        What every fingering truly gives in the design's air.
    fault : str
        The head's hidden fault; empty for none.
    """

    serial: str
    model_name: str
    version: int
    state: PieceState
    tuned: Tuned | None
    tolerance_cents: float
    first_register: BoolArray
    true_cents: FloatArray
    fault: str


@dataclass(frozen=True)
class _Version:
    """One version of a model in the shop: as the bench knows it, and as it is truly made."""

    model: Model
    number: int
    pitch: PitchModel
    making: Making


class _Workshop:
    """The shop at work; `versions` by starting model."""

    def __init__(self, ledger: Path, recordings: Path, seed: int, say: Callable[[str], None]) -> None:
        self.ledger, self.recordings, self.seed, self.say = ledger, recordings, seed, say
        self.versions: dict[str, list[_Version]] = {}
        self.bodies: dict[str, ReferenceBody] = {}
        self.begun: dict[str, int] = {}

    def _rng(self, *what: str) -> list[int]:
        """Return a seed of its own for everything that is drawn by name."""
        return [self.seed, *"/".join(what).encode()]

    def add_version(self, start: str, model: Model, lineage: str) -> _Version:
        """Enter a version of a model, and read it back as everybody else will."""
        with open_ledger(self.ledger) as book:
            number = book.add_model(model.model.name, model_text(model), lineage=lineage).version
            kept = recorded_model(book, model.model.name, number)
        pitch = PitchModel.of(kept)
        version = _Version(kept, number, pitch, Making(pitch, self._rng("jet", start)))
        self.versions.setdefault(start, []).append(version)
        return version

    def design(self, start: str) -> None:
        """Fit a starting model to the order's pitch and hall."""
        name = f"{start}-442"
        self.say(f"fitting {name}")
        begun = with_target(renamed(load(start), name), a4_hz=A4_HZ, temperature_c=HALL_C)
        # The first whistle is fitted by its resonances, as a shop does that has never blown one of the model; what
        # its first pieces teach then makes the second version.
        second = any(p.model == start and p.version > 1 for p in THE_SET)
        self.add_version(start, (fit_model(begun) if second else fit_blown_model(begun)).model, start)

    def version(self, start: str, number: int) -> _Version:
        """Return a version of a model; one that is not there yet is fitted by what the pieces so far have taught."""
        if not self.versions.get(start):
            self.design(start)
        while len(self.versions[start]) < number:
            self._correct(start)
        return self.versions[start][number - 1]

    def _correct(self, start: str) -> None:
        last = self.versions[start][-1]
        name = last.model.model.name
        self.say(f"correcting {name} by what its pieces have taught")
        prior = learned_from(self.ledger, last.pitch).prior
        learned = calibrate(last.pitch, [], prior=prior)
        beyond = learned.forecast({})[0] - last.pitch.cents({})
        fitted = fit_model(last.model, breath_cents=beyond).model
        from_what = f"{name} version {last.number}"
        taught = "one piece has" if prior.pieces == 1 else f"{prior.pieces} pieces have"
        about = fitted.model.model_copy(update={"lineage": from_what})
        self.add_version(
            start, fitted.model_copy(update={"model": about}),
            f"{from_what}, corrected by what {taught} taught",
        )  # fmt: skip

    def body(self, version: _Version, prefix: str) -> ReferenceBody:
        """Return the body on which the heads of a model are tried."""
        name = version.model.model.name
        if name not in self.bodies:
            rng = np.random.default_rng(self._rng("body", name))
            self.bodies[name] = ReferenceBody.made(f"reference body {prefix}", version.model, rng)
        return self.bodies[name]

    def make(self, planned: PlannedPiece) -> MadePiece:
        """Make one piece, as far as it is planned or the bench brings it."""
        version = self.version(planned.model, planned.version)
        name, pitch = version.model.model.name, version.pitch
        # The ledger counts likewise; what is drawn for a piece is drawn by its serial.
        self.begun[planned.prefix] = self.begun.get(planned.prefix, 0) + 1
        expected = f"{planned.prefix}-{self.begun[planned.prefix]:04d}"
        self.say(f"making {expected}")
        piece = TruePiece(version.making, self._rng("piece", expected))
        made = piece.gauge(HEAD_SIZES)
        serial = begin_piece(
            self.ledger, name, version=version.number, prefix=planned.prefix, sizes=made, material=planned.material,
            lot=planned.lot,
        )  # fmt: skip
        tuned = None
        if planned.good_head or planned.fault:
            self._try_head(planned, version, serial, piece)
        if planned.stop != "voicing":
            if planned.stop != "unplayed":
                self._set(serial, PieceState.VOICED, "low notes hold, the octave slurs, little hiss")
            drilled = drill(self.ledger, serial, piece, made=made)
            if planned.stop != "unplayed":
                half_way = planned.stop == "half way"
                tuned = tune(
                    drilled, piece, rng=np.random.default_rng(self._rng("sound", serial)),
                    recordings=self.recordings if half_way else None, half_way=half_way, ran_on=planned.ran_on,
                )  # fmt: skip
                self._judge(serial, planned, version, tuned)
        with open_ledger(self.ledger) as book:
            state = book.instrument(serial).state
        return MadePiece(
            serial, name, version.number, state, tuned, version.model.target.tolerance_cents, pitch.first_register,
            piece.true_cents(), planned.fault[0] if planned.fault else "",
        )  # fmt: skip

    def _set(self, serial: str, state: PieceState, reason: str) -> None:
        set_state(self.ledger, serial, state, reason=reason)

    def _judge(self, serial: str, planned: PlannedPiece, version: _Version, tuned: Tuned) -> None:
        """Write the state that the last verdict leaves the piece in, and those that follow."""
        verdict = tuned.verdict
        why = "; ".join(map(reason_words, verdict.reasons))
        if verdict.state is State.FINISHED:
            self._set(serial, PieceState.TUNED, why)
            after = list(_REASONS)
            for state in after[: after.index(planned.until) + 1] if planned.until in after else ():
                self._set(serial, state, _REASONS[state])
        elif verdict.state is State.LEAVE:
            self._set(serial, PieceState.ON_HOLD, why)
        elif tuned.put_aside:
            pitch = version.pitch
            at = int(np.abs(np.where(pitch.first_register, verdict.cents, 0.0)).argmax())
            self._set(
                serial, PieceState.ON_HOLD,
                f"put aside after {tuned.trials} trials: no safe cut brings {pitch.fingerings[at].note} nearer, it "
                f"stays at {signed(float(verdict.cents[at]), 0)} cents",
            )  # fmt: skip

    def _try_head(self, planned: PlannedPiece, version: _Version, serial: str, piece: TruePiece) -> None:
        model, body = version.model, self.body(version, planned.prefix)
        fault: dict[str, float] = {}
        if planned.fault:
            key, size = planned.fault
            cause = next(c for c in causes_of(model) if c.key == key)
            fault = {k: size * v for k, v in cause.variants[0][1].items()}
        rng = np.random.default_rng(self._rng("head", serial))
        head = TrueHead(model, version.making.jet, piece.head_errors_mm(), fault, rng)
        notes = list(dict.fromkeys(n for step in guided_steps(model) for n in step.notes))
        for number in range(1, planned.head_trials + 1):
            trial = replace(head.tried(notes, body, good=planned.good_head), head=serial)
            remarks = "windway dry, leak test passed" if number == 1 else ""
            finish_head_trial(self.ledger, serial, model, trial, remarks=remarks)
            if planned.good_head or number == planned.head_trials:
                return
            self.say(f"judging the head of {serial}")
            records = read_records(self.ledger, serial, model)
            judged = judge_head(model, _few(trial), records=records, checked=_CHECKED, cache=False)
            best = judged.advice[0]
            if best.gain <= 0.0:
                return
            # Half of what is advised at first: it is tried again before the rest.
            steps = max(best.steps // 2, 1.0) if number == 1 else best.steps
            likely = judged.diagnosis.causes[0]
            half = "half of what is advised first; " if steps < best.steps else ""
            reason = f"{half}{likely.cause.title}: {100.0 * likely.probability:.0f} %"
            log_done(self.ledger, serial, judged, best.step, steps, reason=reason)
            head.voice(best.step, steps)


def _few(trial: HeadTrial) -> HeadTrial:
    """Return the lowest note and its octave alone, the two ends of a head's work: each note more takes seconds."""
    first = [n for n in trial.notes if n.register == 1]
    upper = [n for n in trial.notes if n.register > 1]
    return replace(trial, notes=(first[0], upper[0]))


def make_workshop(
    folder: Path,
    *,
    seed: int = 1,
    say: Callable[[str], None] = lambda text: None,
    pieces: Sequence[PlannedPiece] | None = None,
    on_piece: Callable[[MadePiece], None] | None = None,
) -> Path:
    """Make the workshop's ledger in a folder and return its path.

    Deterministic for a seed, but for the times of its events. The sound of a piece that is left half way is kept in
    ``recordings`` beside the ledger.

    Parameters
    ----------
    folder : Path
    seed : int
        0 or more.
    say : callable
        Told what is being done.
    pieces : sequence of PlannedPiece, optional
        By default the whole order.
    on_piece : callable, optional
        Told how each piece came out, truth included.

    Raises
    ------
    InputError
        The folder holds a workshop already, or cannot be written.
    """
    path, recordings = folder / LEDGER_NAME, folder / "recordings"
    if path.exists():
        raise InputError(f"{path} is there already; name another folder, or remove it")
    try:
        recordings.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}); name another folder") from error
    order = THE_SET if pieces is None else pieces
    workshop = _Workshop(path, recordings, seed, say)
    for start in dict.fromkeys(p.model for p in order):
        workshop.design(start)
    for planned in order:
        made = workshop.make(planned)
        if on_piece is not None:
            on_piece(made)
    return path
