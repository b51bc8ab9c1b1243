"""Which fault of the head explains a trial: every candidate's probability, and how large it is, with its sigma.

Bayes over single faults. For each candidate the size of the fault runs over the range that the trade calls faulty
(uniform prior), along the blown model's own evaluations at three sizes (monotone interpolation, no linearisation).
Everything else that is not known is Gaussian and integrated out (`reference`).

Two faults at once are not tried: after one is mended the next trial shows what is left.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from fluewright.arrays import BoolArray, FloatArray
from fluewright.bench.voicing.evaluations import Evaluations, leak_places_mm
from fluewright.bench.voicing.reference import Expected, curve_along, expect
from fluewright.bench.voicing.trial import HeadTrial
from fluewright.instrument.model import Model
from fluewright.instrument.parts import Head

__all__ = ["Cause", "CauseFound", "Diagnosis", "cause_axes", "causes_of", "diagnose"]


_SIZES = 25
# Share of a fault's effect that one jet setting instead of another moves: a quarter to a tenth, measured.
_EFFECT = 0.12
_EXCLUDED = 0.02  # of the weight of a cause that the maker has looked at and found right: looks deceive; an estimate


@dataclass(frozen=True)
class Cause:
    """One candidate.

    Attributes
    ----------
    key, title : str
    variants : tuple of (str, mapping)
        Ways in which the fault is made: name -> change of the model's sizes for a deviation of 1.
    least, most : float
        The deviation from where it is a fault, and the most that is tried, in `unit`.
    unit : str
    weight : float
        How often it is met against the others; common practice, no source.
    confirm : str
        By what a maker confirms it (docs/trade/voicing.md#symptoms).
    """

    key: str
    title: str
    variants: tuple[tuple[str, Mapping[str, float]], ...]
    least: float
    most: float
    unit: str
    weight: float
    confirm: str

    def axis(self, variant: str) -> str:
        """Return the name of a way among the evaluations' axes."""
        return f"{self.key} {variant}".strip()


def causes_of(model: Model) -> tuple[Cause, ...]:
    """Return the candidates of a model, each with the range that the trade calls faulty, scaled to its head.

    Tolerances: slit +-0.03, window +-0.10, edge offset +-0.03, chamfers +-0.10, block +-0.3 mm
    (docs/trade/tolerances.md#sizes: common practice, no source); a fault begins at about twice that and is tried up to
    where the head is plainly ruined.
    """
    head = model.head
    return (_leak(model), *_windway_causes(head), *_jet_causes(head), *_window_causes(head), *_chamfer_causes(head))


def _less(changes: Mapping[str, float]) -> dict[str, float]:
    """Return the opposite changes."""
    return {k: -v for k, v in changes.items()}


def _leak(model: Model) -> Cause:
    joint, low = leak_places_mm(model)
    bore = (np.interp(joint, *np.asarray(model.bore.stations_mm).T) / 12.7) ** 2
    return Cause(
        "leak", "leak (joint, crack, block side, pad)",
        (("head joint", {f"leak {joint:.3f}": 1.0}), ("body", {f"leak {low:.3f}": 1.0})),
        0.12 * bore, 0.80 * bore, "mm2", 2.0, "pads on the holes, plug in the window: 1000 to 500 Pa in > 5 s",
    )  # fmt: skip


def _windway_causes(head: Head) -> tuple[Cause, ...]:
    h = head.windway.exit_height_mm
    slit = {"head.windway.exit_height_mm": 1.0, "head.windway.entry_height_mm": 1.0, "head.edge_offset_mm": 0.5}
    return (
        Cause(
            "windway-high", "windway too high", (("", slit),), 0.067 * h, 0.17 * h, "mm", 1.0,
            "flat pins at left, middle and right, entry and exit",
        ),
        Cause(
            "windway-low", "windway too low (block swollen, dirt or a film of water)", (("", _less(slit)),), 0.067 * h,
            0.17 * h, "mm", 1.0, "dry it out and compare; flat pins",
        ),
    )  # fmt: skip


def _jet_causes(head: Head) -> tuple[Cause, ...]:
    """Return what is wrong with the edge or the block against the jet."""
    h, w = head.windway.exit_height_mm, head.window_length_mm
    sight, gauge = "sight through the windway: how far the edge stands over the floor", "depth gauge through the window"
    return (
        Cause(
            "edge-high", "edge too high in the jet (view large)", (("", {"head.edge_offset_mm": 1.0}),), 0.10 * h,
            0.28 * h, "mm", 1.0, sight,
        ),
        Cause(
            "edge-low", "edge too low in the jet (view small)", (("", {"head.edge_offset_mm": -1.0}),), 0.10 * h,
            0.28 * h, "mm", 1.0, sight,
        ),
        Cause(
            "block-short", "block too short (recess)", (("", {"head.block_depth_mm": -1.0}),), 0.133 * w, 0.36 * w,
            "mm", 1.0, gauge,
        ),
        Cause(
            "block-deep", "block reaches into the window", (("", {"head.block_depth_mm": 1.0}),), 0.067 * w, 0.20 * w,
            "mm", 1.0, gauge,
        ),
    )  # fmt: skip


def _window_causes(head: Head) -> tuple[Cause, ...]:
    w = head.window_length_mm
    photo = "photo square on with a scale, left and right"
    return (
        Cause(
            "window-long", "window too long", (("", {"head.window_length_mm": 1.0}),), 0.045 * w, 0.16 * w, "mm", 1.0,
            photo,
        ),
        Cause(
            "window-short", "window too short", (("", {"head.window_length_mm": -1.0}),), 0.045 * w, 0.16 * w, "mm",
            1.0, photo,
        ),
        Cause(
            "edge-broken", "edge broken too wide", (("", {"head.broken_edge_mm": 1.0}),), 0.10, 0.50, "mm", 0.5,
            "lens: a light line along the edge",
        ),
    )  # fmt: skip


def _chamfer_causes(head: Head) -> tuple[Cause, ...]:
    """Return chamfers that are too large, and too small where there is one to lose."""
    h, photo = head.windway.exit_height_mm, "photo with a scale"
    lower, upper = "head.lower_chamfer.length_mm", "head.upper_chamfer.length_mm"
    large = Cause(
        "chamfers-large", "chamfers too large",
        (("both", {upper: 1.0, lower: 1.0}), ("lower", {lower: 1.0}), ("upper", {upper: 1.0})),
        0.28 * h, 0.67 * h, "mm", 1.0, photo,
    )  # fmt: skip
    there = {upper: head.upper_chamfer.length_mm, lower: head.lower_chamfer.length_mm}
    ways = [("both", _less(there))] if min(there.values()) > 0.0 else []
    ways += [(name, {key: -there[key]}) for name, key in (("lower", lower), ("upper", upper)) if there[key] > 0.0]
    if not ways:
        return (large,)
    return large, Cause(
        "chamfers-small", "chamfers too small", tuple(ways), 0.50, 1.0, "of the chamfer", 1.0, photo
    )  # fmt: skip


def cause_axes(causes: Sequence[Cause]) -> dict[str, tuple[Mapping[str, float], float]]:
    """Return what `evaluations_of` must evaluate for the causes."""
    return {c.axis(name): (changes, c.most) for c in causes for name, changes in c.variants}


@dataclass(frozen=True)
class CauseFound:
    """One candidate after the trial.

    Attributes
    ----------
    cause : Cause
    probability : float
    variant : str
        The likeliest way.
    size, sigma : float
        Posterior mean and standard deviation of the deviation, in the cause's unit.
    misfit : float
        Of the readings under this cause at its likeliest size: chi squared a reading; about 1 when it explains them.
    shares : tuple of (str, float)
        Probability of each way, given this cause.
    """

    cause: Cause
    probability: float
    variant: str
    size: float
    sigma: float
    misfit: float
    shares: tuple[tuple[str, float], ...]


@dataclass(frozen=True, eq=False)
class Diagnosis:
    """All candidates, likeliest first; `faultless` is the probability that the head is within tolerance.

    `weights` has (sizes, posterior weight of each) by axis, both of shape (sizes,).
    """

    causes: tuple[CauseFound, ...]
    faultless: float
    expected: Expected
    evaluations: Evaluations
    weights: Mapping[str, tuple[FloatArray, FloatArray]]
    warnings: tuple[str, ...] = ()

    @property
    def named(self) -> tuple[str, ...]:
        """Return the causes' keys, likeliest first."""
        return tuple(c.cause.key for c in self.causes)


def diagnose(
    evaluations: Evaluations, trial: HeadTrial, causes: Sequence[Cause], *, references: Sequence[HeadTrial] = (),
    faultless: float = 0.10, excluded: Sequence[str] = (),
) -> Diagnosis:  # fmt: skip
    """Return how likely every cause is.

    Parameters
    ----------
    evaluations : Evaluations
        With the axes of the causes.
    trial : HeadTrial
    causes : sequence of Cause
    references : sequence of HeadTrial
        See `expect`.
    faultless : float
        Chance before the trial that nothing is wrong; a head lies on the voicing bench for a reason.
    excluded : sequence of str
        Causes that the maker has looked at and found right: a fiftieth of their weight is left, for looks deceive.

    Raises
    ------
    InputError
        The trial holds nothing that the model computes.
    """
    expected = expect(evaluations, trial, references)
    likelihood = _Likelihood(evaluations, expected)
    weights = [c.weight * (_EXCLUDED if c.key in excluded else 1.0) for c in causes]
    tried = [_tried(likelihood, cause) for cause in causes]
    logs = [
        likelihood.faultless() + math.log(faultless),
        *(t.evidence + math.log((1.0 - faultless) * w / sum(weights)) for t, w in zip(tried, weights, strict=True)),
    ]
    scaled = np.exp(np.asarray(logs) - np.logaddexp.reduce(logs))
    posterior: dict[str, tuple[FloatArray, FloatArray]] = {}
    results = []
    for one, chance in zip(tried, map(float, scaled[1:]), strict=True):
        results.append(one.found(chance))
        for way, share in zip(one.ways, one.shares, strict=True):
            posterior[one.cause.axis(way.variant)] = (one.sizes, way.weights * share * chance)
    results.sort(key=lambda c: -c.probability)
    warnings = []
    if results and min(c.misfit for c in results) > 2.0 and scaled[0] < 0.5:
        warnings.append(
            f"no single cause explains the readings well (chi squared {min(c.misfit for c in results):.1f} a reading); "
            "look for two faults, a wrong fingering, or a reading exchanged"
        )
    return Diagnosis(tuple(results), float(scaled[0]), expected, evaluations, posterior, tuple(warnings))


class _Likelihood:
    """How likely the readings are under a change of what is expected, at every speed of the jet's waves together."""

    def __init__(self, evaluations: Evaluations, expected: Expected) -> None:
        self.evaluations, self.expected = evaluations, expected
        self.rest = expected.read - expected.nodes  # (waves, n)
        self.log_weights = np.log(np.maximum(expected.node_weights, 1e-300))

    def of(self, change: FloatArray, known: BoolArray) -> tuple[float, float]:
        """Return (logarithm of the likelihood, least chi squared); change and what of it is known, shape (n,)."""
        extra = np.where(known, (_EFFECT * change) ** 2, 1e6)
        c, low = cho_factor(self.expected.node_covariance + np.diag(extra), lower=True)
        off = self.rest - np.where(known, change, 0.0)
        chi = np.einsum("wi,iw->w", off, cho_solve((c, low), off.T))
        # What is not known drops out: its own large variance is taken off again.
        size = 2.0 * float(np.log(np.diag(c)).sum()) - float(np.log(extra[~known]).sum())
        return float(np.logaddexp.reduce(self.log_weights - 0.5 * chi)) - 0.5 * size, float(chi.min())

    def faultless(self) -> float:
        """Return the logarithm of the likelihood where nothing is wrong."""
        n = self.rest.shape[1]
        return self.of(np.zeros(n), np.ones(n, dtype=bool))[0]

    def along(self, axis: str, sizes: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return (logarithm of the likelihood, least chi squared) of deviations along an axis, shapes (sizes,)."""
        change, known = curve_along(self.evaluations, self.expected, axis, sizes)
        logs, chi = np.transpose([self.of(change[k], known[k]) for k in range(sizes.size)])
        return logs, chi


@dataclass(frozen=True, eq=False)
class _Way:
    """One way in which a fault is made: its evidence (logarithm), how likely each size is, and the best one's misfit.

    `weights`: array, shape (sizes,), of sum 1.
    """

    variant: str
    evidence: float
    weights: FloatArray
    misfit: float


@dataclass(frozen=True, eq=False)
class _Tried:
    """One candidate with all its ways tried at `sizes`, array, shape (sizes,)."""

    cause: Cause
    sizes: FloatArray
    ways: tuple[_Way, ...]

    @property
    def evidence(self) -> float:
        """Return the logarithm of the mean evidence of all ways: none is likelier than another before the trial."""
        return float(np.logaddexp.reduce([w.evidence for w in self.ways])) - math.log(len(self.ways))

    @cached_property
    def shares(self) -> tuple[float, ...]:
        """Return how likely each way is, given this cause."""
        evidences = np.array([w.evidence for w in self.ways])
        return tuple(map(float, np.exp(evidences - np.logaddexp.reduce(evidences))))

    def found(self, chance: float) -> CauseFound:
        """Return the candidate with its probability, its size over all ways, and its likeliest way."""
        density = np.asarray(sum(s * w.weights for s, w in zip(self.shares, self.ways, strict=True)))
        mean = float((self.sizes * density).sum())
        sigma = math.sqrt(max(float(((self.sizes - mean) ** 2 * density).sum()), 0.0))
        best = max(self.ways, key=lambda w: w.evidence)
        shares = tuple((w.variant, s) for s, w in zip(self.shares, self.ways, strict=True))
        return CauseFound(self.cause, chance, best.variant, mean, sigma, best.misfit, shares)


def _tried(likelihood: _Likelihood, cause: Cause) -> _Tried:
    """Return a candidate tried at sizes from where it is a fault up to the most that is tried."""
    sizes = np.linspace(cause.least, cause.most, _SIZES)
    ways = []
    for variant, _ in cause.variants:
        logs, chi = likelihood.along(cause.axis(variant), sizes)
        top = float(logs.max())
        weights = np.exp(logs - top)
        misfit = float(chi[int(logs.argmax())]) / likelihood.rest.shape[1]
        ways.append(_Way(variant, top + math.log(weights.mean()), weights / weights.sum(), misfit))
    return _Tried(cause, sizes, tuple(ways))
