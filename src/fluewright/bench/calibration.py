"""Says what played notes tell of one piece, and what each note will be after a change.

Gaussian Bayes on the parameters of `pitch_model`, by Gauss-Newton: with K = J P J' + R of all notes of all trials
together, x = m + P J' K^-1 (y - f(x0) + J (x0 - m)) and cov = P - P J' K^-1 J P (Gelman et al., Bayesian Data Analysis,
chapter on linear models; from memory). R holds each note's own error of blowing and listening, and what a trial's notes
share: the thermometer's error and a breath other than planned.

A note that was played wrongly must not pull the rest. Each note is weighed against what all others say of it: its
deleted residual e_i = (K^-1 r)_i/(K^-1)_ii has the variance 1/(K^-1)_ii (Cook & Weisberg 1982, Residuals and Influence
in Regression; from memory). The note that is most surely a slip, by the odds of a wide against this narrow Gaussian, is
left out, and so on until none is more likely a slip than not.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fluewright.acoustics.network import Corrections
from fluewright.air import Air
from fluewright.arrays import FloatArray, IntArray
from fluewright.bench.note_covariance import NoteCovariance, root_of
from fluewright.bench.pitch_model import CONSTANTS, SHARED, PitchModel, is_plain_cut, is_removable
from fluewright.bench.prior import STATED_BELIEFS, Beliefs, Prior, Scales, size_patterns_cents, stated_prior
from fluewright.errors import InputError
from fluewright.instrument.fingering import Fingering
from fluewright.instrument.model import Model
from fluewright.units import CENTS_PER_RELATIVE, cents_above

__all__ = [
    "Evidence", "PlayedTrial", "Posterior", "Slip", "calibrate", "constants_text", "evidence_of", "misfit", "update",
    "worth_playing",
]  # fmt: skip


# More slips than this share of a piece's notes: it is not slips then, and none is left out.
_MOST_SLIPS = 0.25
# What a manometer and a steady breath leave, relative; unmeasured, the player's own spread counts. An estimate.
_MEASURED_BREATH = 0.03
_ROOM_K = 293.15


@dataclass(frozen=True)
class PlayedTrial:
    """One test of the piece: its sizes at that moment and the notes that were heard.

    Attributes
    ----------
    as_built : mapping
        Sizes that differ from the model's, mm by key.
    notes : mapping
        Index of a fingering to (frequency in Hz, its standard uncertainty in Hz).
    air : Air, optional
        Of the trial's conditions; by default the model's.
    temperature_sigma_c : float, optional
        How well that air is known; by default `Beliefs.temperature_c`.
    breath_ratio : float, optional
        Measured breath over the planned one; by default unknown about 1.
    pull_cents : mapping, optional
        Cents per doubling of breath by fingering, where a swell has measured it.
    plays : mapping, optional
        How many times a note was played in this trial, by fingering; 1 where it is not named.
    """

    as_built: Mapping[str, float]
    notes: Mapping[int, tuple[float, float]]
    air: Air | None = None
    temperature_sigma_c: float | None = None
    breath_ratio: float | None = None
    pull_cents: Mapping[int, float] | None = None
    plays: Mapping[int, int] | None = None


@dataclass(frozen=True)
class Slip:
    """A note that fits nothing the others say: its trial and fingering by number, and how far it strays, cents."""

    trial: int
    fingering: int
    cents: float


@dataclass(frozen=True)
class Evidence:
    """All notes of one piece made linear: y = J x + e, cents.

    Attributes
    ----------
    y : array, shape (m,)
    jacobian : array, shape (m, p)
    own : array, shape (m,)
        Variance of listening.
    blown : array, shape (m,)
        Variance of blowing, as stated.
    shared : array, shape (m, 2)
        What a trial's notes share, as stated, cents for one standard error: warmth and breath.
    since : array, shape (m, c)
        What the cuts made after a trial may have done otherwise than computed, cents for one standard error of each cut
        on each fingering: the offsets are those of the piece as it is now, and an old trial tells less of them.
    places : tuple of (trial, fingering)
    size_patterns : array, shape (n, causes)
    """

    y: FloatArray
    jacobian: FloatArray
    own: FloatArray
    blown: FloatArray
    shared: FloatArray
    since: FloatArray
    places: tuple[tuple[int, int], ...]
    size_patterns: FloatArray

    @property
    def trial(self) -> IntArray:
        """Return the trial of every note, shape (m,)."""
        return np.array([t for t, _ in self.places], dtype=np.int64)

    def noise(self, scales: Scales) -> FloatArray:
        """Return R, shape (m, m)."""
        same = self.trial[:, None] == self.trial[None, :]
        together = np.where(same, self.shared @ self.shared.T, 0.0)
        own = np.diag(self.own + scales.blowing**2 * self.blown)
        return np.asarray(own + scales.trials**2 * together + self.since @ self.since.T)

    def covariance(self, of_parameters: FloatArray, scales: Scales) -> NoteCovariance:
        """Return K = J P J' + R of parameters with the covariance P, shape (p, p); for one note or more."""
        return NoteCovariance(
            np.hstack([self.jacobian @ root_of(of_parameters), self.since]), self.own + scales.blowing**2 * self.blown,
            scales.trials * self.shared, self.trial,
        )  # fmt: skip

    def without(self, rows: Sequence[int]) -> "Evidence":
        """Return the same with some notes left out."""
        keep = np.setdiff1d(np.arange(self.y.size), list(rows))
        return Evidence(
            self.y[keep], self.jacobian[keep], self.own[keep], self.blown[keep], self.shared[keep], self.since[keep],
            tuple(self.places[i] for i in keep), self.size_patterns,
        )  # fmt: skip


@dataclass(frozen=True)
class Posterior:
    """The calibrated model of one piece.

    Attributes
    ----------
    pitch : PitchModel
    prior : Prior
    parameters : array, shape (p,)
        As in `pitch_model`.
    covariance : array, shape (p, p)
    prior_covariance : array, shape (p, p)
        Before any note of this piece, from model and piece together.
    trials : int
    slips : tuple of Slip
        Notes that were left out.
    evidence : Evidence
        What was kept; empty without trials.
    """

    pitch: PitchModel
    prior: Prior
    parameters: FloatArray
    covariance: FloatArray
    prior_covariance: FloatArray
    trials: int
    slips: tuple[Slip, ...]
    evidence: Evidence

    @property
    def model(self) -> Model:
        """Return the design."""
        return self.pitch.model

    @property
    def fingerings(self) -> tuple[Fingering, ...]:
        """Return the fingerings in the order of every result."""
        return self.pitch.fingerings

    @property
    def shared(self) -> FloatArray:
        """Return the parameters that all notes share, shape (7,), in the order of `SHARED`: all relative."""
        return self.parameters[: len(SHARED)]

    @property
    def offsets_cents(self) -> FloatArray:
        """Return what is left of every fingering, cents, shape (n,)."""
        return self.parameters[len(SHARED) :]

    def corrections(self) -> Corrections:
        """Return the calibrated factors as the network takes them."""
        window, holes, losses, speed = (float(v) for v in self.parameters[:4])
        return Corrections(1.0 + window, 1.0 + holes, max(1.0 + losses, 0.2), 1.0 + speed)

    def forecast(self, as_built: Mapping[str, float]) -> tuple[FloatArray, FloatArray]:
        """Return (mean, covariance) of the cents of every fingering for these sizes, in the model's own air and breath.

        Shapes are (n,) and (n, n), cents and cents squared. Forecasts are for the design's conditions: a piece that
        was played in a cold room is not flat for that.
        """
        mean, jacobian = self.pitch.linear(as_built, self.parameters)
        return mean, jacobian @ self.covariance @ jacobian.T


def _sorted_notes(trial: PlayedTrial, n: int) -> list[int]:
    for index, (frequency, spread) in trial.notes.items():
        if not 0 <= index < n:
            raise InputError(f"trial: fingering number {index} is named, but the model has {n}")
        if not (np.isfinite(frequency) and frequency > 0 and np.isfinite(spread) and spread >= 0):
            raise InputError(
                f"trial: note {index} has frequency {frequency} Hz and uncertainty {spread} Hz; both must be "
                "finite, the frequency positive"
            )
    if trial.breath_ratio is not None and not 0.05 <= trial.breath_ratio <= 20.0:
        raise InputError(
            f"trial: the breath is {trial.breath_ratio:g} times the planned one; 0.05 to 20 can be meant, check the "
            "unit"
        )
    return sorted(trial.notes)


def _pulls(trial: PlayedTrial | None, pitch: PitchModel, rows: list[int], beliefs: Beliefs) -> FloatArray:
    measured = (trial.pull_cents if trial else None) or {}
    stated = np.array([beliefs.pull_cents[min(pitch.fingerings[i].register, 2) - 1] for i in rows])
    computed = np.where(np.isfinite(pitch.pull_cents[rows]), pitch.pull_cents[rows], stated)
    return np.array([measured.get(i, pull) for i, pull in zip(rows, computed, strict=True)], dtype=float)


def evidence_of(pitch: PitchModel, trials: Sequence[PlayedTrial], beliefs: Beliefs, at: FloatArray) -> Evidence:
    """Return all notes of a piece, made linear about some parameters.

    Parameters
    ----------
    pitch : PitchModel
    trials : sequence of PlayedTrial
    beliefs : Beliefs
    at : array, shape (p,)

    Raises
    ------
    InputError, ComputeError
        As `calibrate`.
    """
    n, p = len(pitch.fingerings), pitch.n_parameters
    solved: dict[tuple[object, ...], tuple[FloatArray, FloatArray]] = {}
    plain: dict[tuple[tuple[str, float], ...], FloatArray] = {}
    found = [_Rows(np.zeros(0), np.zeros((0, p)), np.zeros(0), np.zeros(0), np.zeros((0, 2)))]
    now: list[FloatArray] = []
    places: list[tuple[int, int]] = []
    for number, trial in enumerate(trials):
        rows = _sorted_notes(trial, n)
        if not rows:
            continue
        cut = tuple(sorted(trial.as_built.items()))
        if (cut, trial.air) not in solved:
            solved[cut, trial.air] = pitch.linear(trial.as_built, at, trial.air)
        if cut not in plain:
            plain[cut] = _made(pitch, trial.as_built, at[:4])
        found.append(_rows(pitch, trial, rows, solved[cut, trial.air], at, beliefs))
        now += len(rows) * [plain[cut]]
        places += [(number, i) for i in rows]
    gauged = {key: size for trial in trials for key, size in trial.as_built.items()}
    since = _since(np.array(now).reshape(len(places), 2, n), places, (beliefs.gain_of_cut, beliefs.gain_of_shaping))
    return Evidence(
        np.concatenate([r.y for r in found]), np.vstack([r.jacobian for r in found]),
        np.concatenate([r.own for r in found]), np.concatenate([r.blown for r in found]),
        np.vstack([r.shared for r in found]), since, tuple(places), size_patterns_cents(pitch, gauged, beliefs),
    )  # fmt: skip


@dataclass(frozen=True)
class _Rows:
    """The notes of one trial made linear, in the order of their fingerings; arrays as in `Evidence`."""

    y: FloatArray
    jacobian: FloatArray
    own: FloatArray
    blown: FloatArray
    shared: FloatArray


def _rows(
    pitch: PitchModel, trial: PlayedTrial, rows: list[int], solved: tuple[FloatArray, FloatArray], at: FloatArray,
    beliefs: Beliefs,
) -> _Rows:  # fmt: skip
    """Return the notes of a trial, fingerings `rows`, made linear about the parameters `at`, shape (p,).

    `solved` are cents of every fingering and their change by parameter, shapes (n,) and (n, p).
    """
    cents, patterns = solved[0][rows], solved[1][rows]
    heard = np.array([trial.notes[i][0] for i in rows])
    spread = CENTS_PER_RELATIVE * np.array([trial.notes[i][1] for i in rows]) / heard
    measured = cents_above(heard, pitch.network.targets_hz[rows])
    pulls = _pulls(trial, pitch, rows, beliefs)
    unsure = beliefs.breath
    if trial.breath_ratio is not None:
        measured -= pulls * math.log2(trial.breath_ratio)
        unsure = min(_MEASURED_BREATH, beliefs.breath)
    kelvin = beliefs.temperature_c if trial.temperature_sigma_c is None else trial.temperature_sigma_c
    warm, blow = _of_warmth(patterns, kelvin), pulls * unsure / math.log(2.0)
    plays = np.array([max((trial.plays or {}).get(i, 1), 1) for i in rows])
    return _Rows(
        measured - cents + patterns @ at, patterns, spread**2, beliefs.blowing_cents**2 / plays,
        np.stack([warm, blow], axis=1),
    )  # fmt: skip


def _of_warmth(patterns: FloatArray, kelvin: float) -> FloatArray:
    """Return what air so much warmer does to every note, cents; `patterns` by note and parameter, shape (n, p).

    Speed of sound goes as the root of the absolute temperature.
    """
    return np.asarray(patterns[:, CONSTANTS.index("sound speed")] * kelvin / (2.0 * _ROOM_K))


def _made(pitch: PitchModel, as_built: Mapping[str, float], constants: FloatArray) -> FloatArray:
    """Return (cents with plain cuts only, what shaping adds), shape (2, n), in the design's air."""
    shaped = [k for k in as_built if is_removable(k) and not is_plain_cut(k)]
    whole = pitch.cents(as_built, constants)
    if not shaped:
        return np.stack([whole, np.zeros_like(whole)])
    plain = pitch.cents({k: v for k, v in as_built.items() if k not in shaped}, constants)
    return np.stack([plain, whole - plain])


def _since(now: FloatArray, places: Sequence[tuple[int, int]], shares: tuple[float, float]) -> FloatArray:
    """Return what later cuts may have laid between a trial and the piece as it is, shape (m, cuts times fingerings).

    now: cents by row, shape (m, 2, n), as `_made`; shares: relative errors of both kinds of cuts.
    """
    if not places:
        return np.zeros((0, 0))
    trial, fingering = np.array(places).T
    first = np.unique(trial, return_index=True)[1]
    steps = np.sqrt(((np.diff(now[first], axis=0) * np.array(shares)[:, None]) ** 2).sum(axis=1))
    order = np.searchsorted(trial[first], trial)
    # Step k lies between trials k and k + 1: it is later than trial k, and no note of another fingering feels it.
    cut, moved = np.nonzero(steps)
    felt = (order[:, None] <= cut) & (fingering[:, None] == moved)
    return np.where(felt, steps[cut, moved], 0.0)


def calibrate(
    model: Model | PitchModel,
    trials: Sequence[PlayedTrial],
    *,
    prior: Prior | None = None,
    beliefs: Beliefs = STATED_BELIEFS,
    gauged: Mapping[str, float] | None = None,
) -> Posterior:
    """Return the posterior of one piece from all its trials.

    Works from no trial (the prior) and from one note upward.

    Parameters
    ----------
    model : Model or PitchModel
        The latter saves building it again.
    trials : sequence of PlayedTrial
        In the order in which they were played.
    prior : Prior, optional
        What earlier pieces have taught (`learning.learn`); by default what is stated.
    gauged : mapping, optional
        Sizes known without a trial, mm by key.

    Raises
    ------
    InputError
        A played frequency is not positive, or names a fingering that the model lacks.
    ComputeError
        A note has no resonance with the sizes of a trial.
    """
    pitch = model if isinstance(model, PitchModel) else PitchModel.of(model)
    prior = prior or stated_prior(pitch, beliefs)
    beliefs = prior.beliefs
    at = prior.mean.copy()
    evidence = evidence_of(pitch, trials, beliefs, at)
    patterns = evidence.size_patterns if trials else size_patterns_cents(pitch, gauged or {}, beliefs)
    before = prior.of_model + prior.of_piece(patterns)
    if evidence.y.size == 0:
        return Posterior(pitch, prior, at, before, before, len(trials), (), evidence)
    slips: tuple[Slip, ...] = ()
    found, covariance = at, before
    for step in range(3):
        if step:
            evidence = evidence_of(pitch, trials, beliefs, at)
        rows, slips = _slips(evidence, prior, before)
        kept = evidence.without(rows)
        found, covariance = update(kept, prior.mean, before, prior.scales)
        moved = float(np.abs(found - at)[:4].max())
        # Far from the model the straight line is only good for a step.
        at = found.copy()
        at[:4] = np.clip(at[:4], -0.3, 0.3)
        if moved < 1e-4:
            break
    return Posterior(pitch, prior, found, covariance, before, len(trials), slips, evidence.without(rows))


def update(
    evidence: Evidence, mean: FloatArray, covariance: FloatArray, scales: Scales
) -> tuple[FloatArray, FloatArray]:
    """Return mean, shape (p,), and covariance, shape (p, p), of the parameters after some notes.

    Parameters
    ----------
    evidence : Evidence
    mean : array, shape (p,)
        Of the parameters before those notes.
    covariance : array, shape (p, p)
    scales : Scales
    """
    jacobian = evidence.jacobian
    spread = jacobian @ covariance
    gain = evidence.covariance(covariance, scales).solve(spread).T
    after = covariance - gain @ spread
    return mean + gain @ (evidence.y - jacobian @ mean), 0.5 * (after + after.T)


def _slips(evidence: Evidence, prior: Prior, covariance: FloatArray) -> tuple[list[int], tuple[Slip, ...]]:
    """Return the rows of notes that are more likely slips than not, and what they are."""
    beliefs = prior.beliefs
    whole = evidence.covariance(covariance, prior.scales)
    rest = evidence.y - evidence.jacobian @ prior.mean
    # Of the inverse for the notes that are kept: its diagonal, and the inverse times their rest.
    diagonal, pulled = whole.inverse_diagonal(), whole.solve(rest)
    out: list[tuple[int, FloatArray]] = []
    slips: list[Slip] = []
    kept = list(range(rest.size))
    most = math.floor(_MOST_SLIPS * rest.size)
    prior_odds = math.log(beliefs.slip_chance / (1.0 - beliefs.slip_chance))
    while len(kept) > 2:
        variance = 1.0 / diagonal[kept]
        deleted = variance * pulled[kept]
        wide = variance + beliefs.slip_cents**2
        odds = prior_odds + 0.5 * (np.log(variance / wide) + deleted**2 * (1.0 / variance - 1.0 / wide))
        worst = int(odds.argmax())
        if odds[worst] <= 0.0:
            break
        row = kept.pop(worst)
        trial, fingering = evidence.places[row]
        slips.append(Slip(trial, fingering, float(deleted[worst])))
        if len(slips) > most:
            # So many strays are a piece that differs, not slips.
            return [], ()
        # Leaving a note out takes the outer product of its column of the inverse away.
        column = whole.solve(np.eye(1, rest.size, row)[0])
        for gone, other in out:
            column = column - other * (other[row] / other[gone])
        out.append((row, column))
        diagonal = diagonal - column**2 / column[row]
        pulled = pulled - column * (pulled[row] / column[row])
    return [row for row, _ in out], tuple(slips)


def misfit(posterior: Posterior) -> tuple[float, int, float]:
    """Return (root mean square of the kept notes in prior standard errors, the worst fingering, its cents).

    About 1 where the piece is one of the model's; the worst is by its deleted residual. (0, 0, 0) without notes.
    """
    evidence = posterior.evidence
    if evidence.y.size == 0:
        return 0.0, 0, 0.0
    whole = evidence.covariance(posterior.prior_covariance, posterior.prior.scales)
    rest = evidence.y - evidence.jacobian @ posterior.prior.mean
    pulled, diagonal = whole.solve(rest), whole.inverse_diagonal()
    worst = int(np.abs(pulled / np.sqrt(diagonal)).argmax())
    cents = float(pulled[worst] / diagonal[worst])
    return math.sqrt(max(float(rest @ pulled), 0.0) / rest.size), evidence.places[worst][1], cents


def worth_playing(posterior: Posterior, as_built: Mapping[str, float]) -> list[tuple[int, float]]:
    """Return (fingering, how much less uncertain register 1 becomes by playing it), the most telling first.

    The measure is the mean variance of the register-1 notes, cents squared, that one more playing of that note in a
    trial of its own takes away: what all notes of a trial share (temperature, breath) counts as noise.
    """
    pitch = posterior.pitch
    beliefs, scales = posterior.prior.beliefs, posterior.prior.scales
    _, jacobian = pitch.linear(as_built, posterior.parameters)
    spread = jacobian @ posterior.covariance @ jacobian.T
    first = pitch.first_register
    warm = _of_warmth(jacobian, beliefs.temperature_c)
    pulls = _pulls(None, pitch, list(range(len(pitch.fingerings))), beliefs)
    shared = scales.trials**2 * (warm**2 + (pulls * beliefs.breath / math.log(2.0)) ** 2)
    noise = shared + (scales.blowing * beliefs.blowing_cents) ** 2
    gain = (spread[first] ** 2).mean(axis=0) / (np.diag(spread) + noise)
    order = np.argsort(-gain, kind="stable")
    return [(int(i), float(gain[i])) for i in order if pitch.fingerings[i].alternative == 0]


def constants_text(posterior: Posterior) -> list[tuple[str, float, float, float]]:
    """Return (name, value, standard uncertainty, prior uncertainty) of every shared parameter."""
    before, after = np.sqrt(np.diag(posterior.prior_covariance)), np.sqrt(np.diag(posterior.covariance))
    return [(name, float(posterior.parameters[j]), float(after[j]), float(before[j])) for j, name in enumerate(SHARED)]
