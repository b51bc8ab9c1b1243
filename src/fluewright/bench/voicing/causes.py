"""Which fault of the head explains a trial: every candidate's probability, and how large it is, with its sigma.

Bayes over single faults. For each candidate the size of the fault runs over the range that the trade calls faulty
(uniform prior), along the blown model's own evaluations at three sizes (monotone interpolation, no linearisation).
Everything else that is not known is Gaussian and integrated out (`reference`).

Two faults at once are not tried: after one is mended the next trial shows what is left.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from fluewright.arrays import BoolArray, FloatArray
from fluewright.bench.voicing.evaluations import Evaluations, leak_places_mm
from fluewright.bench.voicing.reference import Expected, curve_along, expect
from fluewright.bench.voicing.trial import HeadTrial
from fluewright.instrument.model import Model

__all__ = ["Cause", "CauseFound", "Diagnosis", "cause_axes", "causes_of", "diagnose"]


_SIZES = 25
_EFFECT = (
    0.12  # share of a fault's effect that one jet setting instead of another moves: a quarter to a tenth, measured
)


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


def causes_of(model: Model) -> tuple[Cause, ...]:
    """Return the candidates of a model, each with the range that the trade calls faulty, scaled to its head.

    Tolerances: slit +-0.03, window +-0.10, edge offset +-0.03, chamfers +-0.10, block +-0.3 mm
    (docs/trade/tolerances.md#sizes: common practice, no source); a fault begins at about twice that and is tried up to
    where the head is plainly ruined.
    """
    head = model.head
    h, w = head.windway.exit_height_mm, head.window_length_mm
    upper, lower = head.upper_chamfer.length_mm, head.lower_chamfer.length_mm
    slit = {"head.windway.exit_height_mm": 1.0, "head.windway.entry_height_mm": 1.0, "head.edge_offset_mm": 0.5}

    def less(changes: Mapping[str, float]) -> dict[str, float]:
        return {k: -v for k, v in changes.items()}

    joint, low = leak_places_mm(model)
    bore = (np.interp(joint, *np.asarray(model.bore.stations_mm).T) / 12.7) ** 2
    chamfers = {"head.upper_chamfer.length_mm": upper, "head.lower_chamfer.length_mm": lower}
    found = [
        Cause(
            "leak", "leak (joint, crack, block side, pad)",
            (("head joint", {f"leak {joint:.3f}": 1.0}), ("body", {f"leak {low:.3f}": 1.0})),
            0.12 * bore, 0.80 * bore, "mm2", 2.0, "pads on the holes, plug in the window: 1000 to 500 Pa in > 5 s",
        ),
        Cause(
            "windway-high", "windway too high", (("", slit),), 0.067 * h, 0.17 * h, "mm", 1.0,
            "flat pins at left, middle and right, entry and exit",
        ),
        Cause(
            "windway-low", "windway too low (block swollen, dirt or a film of water)", (("", less(slit)),), 0.067 * h,
            0.17 * h, "mm", 1.0, "dry it out and compare; flat pins",
        ),
        Cause(
            "edge-high", "edge too high in the jet (view large)", (("", {"head.edge_offset_mm": 1.0}),), 0.10 * h,
            0.28 * h, "mm", 1.0, "sight through the windway: how far the edge stands over the floor",
        ),
        Cause(
            "edge-low", "edge too low in the jet (view small)", (("", {"head.edge_offset_mm": -1.0}),), 0.10 * h,
            0.28 * h, "mm", 1.0, "sight through the windway: how far the edge stands over the floor",
        ),
        Cause(
            "block-short", "block too short (recess)", (("", {"head.block_depth_mm": -1.0}),), 0.133 * w, 0.36 * w,
            "mm", 1.0, "depth gauge through the window",
        ),
        Cause(
            "block-deep", "block reaches into the window", (("", {"head.block_depth_mm": 1.0}),), 0.067 * w, 0.20 * w,
            "mm", 1.0, "depth gauge through the window",
        ),
        Cause(
            "window-long", "window too long", (("", {"head.window_length_mm": 1.0}),), 0.045 * w, 0.16 * w, "mm", 1.0,
            "photo square on with a scale, left and right",
        ),
        Cause(
            "window-short", "window too short", (("", {"head.window_length_mm": -1.0}),), 0.045 * w, 0.16 * w, "mm",
            1.0, "photo square on with a scale, left and right",
        ),
        Cause(
            "edge-broken", "edge broken too wide", (("", {"head.broken_edge_mm": 1.0}),), 0.10, 0.50, "mm", 0.5,
            "lens: a light line along the edge",
        ),
        Cause(
            "chamfers-large", "chamfers too large",
            (("both", {"head.upper_chamfer.length_mm": 1.0, "head.lower_chamfer.length_mm": 1.0}),
             ("lower", {"head.lower_chamfer.length_mm": 1.0}), ("upper", {"head.upper_chamfer.length_mm": 1.0})),
            0.28 * h, 0.67 * h, "mm", 1.0, "photo with a scale",
        ),
    ]  # fmt: skip
    ways = [("both", less(chamfers))] if upper > 0.0 and lower > 0.0 else []
    ways += [("lower", {"head.lower_chamfer.length_mm": -lower})] if lower > 0.0 else []
    ways += [("upper", {"head.upper_chamfer.length_mm": -upper})] if upper > 0.0 else []
    if ways:
        found.append(
            Cause(
                "chamfers-small", "chamfers too small", tuple(ways), 0.50, 1.0, "of the chamfer", 1.0,
                "photo with a scale",
            )
        )  # fmt: skip
    return tuple(found)


def _axis(cause: Cause, variant: str) -> str:
    return f"{cause.key} {variant}".strip()


def cause_axes(causes: Sequence[Cause]) -> dict[str, tuple[Mapping[str, float], float]]:
    """Return what `evaluations_of` must evaluate for the causes."""
    return {_axis(c, name): (changes, c.most) for c in causes for name, changes in c.variants}


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
    """All candidates, likeliest first; `faultless` is the probability that the head is within tolerance."""

    causes: tuple[CauseFound, ...]
    faultless: float
    expected: Expected
    evaluations: Evaluations
    weights: Mapping[str, tuple[FloatArray, FloatArray]]  # axis -> (sizes, posterior weight of each)
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
    rest = expected.read - expected.nodes  # (waves, n)
    log_weights = np.log(np.maximum(expected.node_weights, 1e-300))

    def log_likelihood(change: FloatArray, known: BoolArray) -> tuple[float, float]:
        extra = np.where(known, (_EFFECT * change) ** 2, 1e6)
        c, low = cho_factor(expected.node_covariance + np.diag(extra), lower=True)
        off = rest - np.where(known, change, 0.0)
        chi = np.einsum("wi,iw->w", off, cho_solve((c, low), off.T))
        # What is not known drops out: its own large variance is taken off again.
        size = 2.0 * float(np.log(np.diag(c)).sum()) - float(np.log(extra[~known]).sum())
        return float(np.logaddexp.reduce(log_weights - 0.5 * chi)) - 0.5 * size, float(chi.min())

    none, _ = log_likelihood(np.zeros(rest.shape[1]), np.ones(rest.shape[1], dtype=bool))
    total = sum(c.weight * (0.02 if c.key in excluded else 1.0) for c in causes)
    logs: list[float] = [none + math.log(faultless)]
    spread: dict[str, tuple[FloatArray, FloatArray, float]] = {}
    found: list[tuple[Cause, float, str, FloatArray, FloatArray, float, list[tuple[str, float]]]] = []
    for cause in causes:
        sizes = np.linspace(cause.least, cause.most, _SIZES)
        prior = (1.0 - faultless) * cause.weight * (0.02 if cause.key in excluded else 1.0) / total
        ways, best = [], (-math.inf, "", math.inf)
        for variant, _ in cause.variants:
            axis = _axis(cause, variant)
            change, known = curve_along(evaluations, expected, axis, sizes)
            pairs = [log_likelihood(change[k], known[k]) for k in range(sizes.size)]
            log = np.array([p[0] for p in pairs])
            chi = pairs[int(log.argmax())][1]
            top = log.max()
            weights = np.exp(log - top)
            evidence = top + math.log(weights.mean())
            ways.append((variant, evidence))
            spread[axis] = (sizes, weights / weights.sum(), evidence)
            if evidence > best[0]:
                best = (evidence, variant, chi)
        evidences = np.array([e for _, e in ways])
        whole = float(np.logaddexp.reduce(evidences)) - math.log(len(ways))
        shares = np.exp(evidences - np.logaddexp.reduce(evidences))
        density = sum(s * spread[_axis(cause, v)][1] for s, (v, _) in zip(shares, ways, strict=True))
        logs.append(whole + math.log(prior))
        found.append(
            (cause, len(logs) - 1, best[1], sizes, np.asarray(density), best[2] / rest.shape[1],
             [(v, float(s)) for s, (v, _) in zip(shares, ways, strict=True)])
        )  # fmt: skip
    scaled = np.exp(np.asarray(logs) - np.logaddexp.reduce(logs))
    results, posterior = [], {}
    for cause, place, variant, sizes, density, misfit, shares_of in found:
        mean = float((sizes * density).sum())
        sigma = math.sqrt(max(float(((sizes - mean) ** 2 * density).sum()), 0.0))
        chance = float(scaled[int(place)])
        results.append(CauseFound(cause, chance, variant, mean, sigma, misfit, tuple(shares_of)))
        for v, s in shares_of:
            axis = _axis(cause, v)
            posterior[axis] = (sizes, spread[axis][1] * s * chance)
    results.sort(key=lambda c: -c.probability)
    warnings = []
    if results and min(c.misfit for c in results) > 2.0 and scaled[0] < 0.5:
        warnings.append(
            f"no single cause explains the readings well (chi squared {min(c.misfit for c in results):.1f} a reading); "
            "look for two faults, a wrong fingering, or a reading exchanged"
        )
    return Diagnosis(tuple(results), float(scaled[0]), expected, evaluations, posterior, tuple(warnings))
