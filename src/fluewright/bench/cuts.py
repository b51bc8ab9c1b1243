"""The next safe cut: which hole (or the foot), how much, what it will do, and the chance of going too far.

Policy, kept apart from the physics: work from the foot upward, since lower holes move the notes above them and
hardly the other way round; cut only as far as the chance that any first-register note ends beyond its tolerance
stays under the share of the risk that one cut may spend; never rely on a cut being undone.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.network import build_network
from fluewright.bench.calibration import Posterior
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.model import Model

__all__ = ["CutPolicy", "CutProposal", "Verdict", "next_cut"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class CutPolicy:
    """What counts as safe and as finished.

    Attributes
    ----------
    risk : float
        Chance, over the whole piece, that a first-register note ends sharper than its tolerance by our cutting.
    cuts_expected : int
        A piece takes about this many cuts; each may spend `risk / cuts_expected`.
    accuracy_mm : float
        One-sigma error of a hole's cut; the foot is cut to `foot_accuracy_mm`.
    gain_error : float
        Relative one-sigma error of the model's effect of a cut.
    smallest_step_mm : float
        Below this a cut is not worth making.
    close_enough_cents : float
        A note this near is left alone.
    """

    risk: float = 0.02
    cuts_expected: int = 20
    accuracy_mm: float = 0.03
    foot_accuracy_mm: float = 0.10
    gain_error: float = 0.10
    smallest_step_mm: float = 0.04
    close_enough_cents: float = 1.5


@dataclass(frozen=True)
class CutProposal:
    """One cut that may be made now.

    `before_mm` and `after_mm` are the size by `key`; `cents_before`, `cents_after` and `sigma_after` have one
    entry a fingering; `overshoot` is the chance that some first-register note ends beyond its tolerance.
    """

    key: str
    feature: str
    before_mm: float
    after_mm: float
    note: str
    cents_before: FloatArray
    cents_after: FloatArray
    sigma_after: FloatArray
    overshoot: float
    how: str


@dataclass(frozen=True)
class Verdict:
    """The state of the piece: `finished`, `cut` (with a proposal) or `leave` (nothing more can be done safely)."""

    state: str
    proposal: CutProposal | None
    reasons: tuple[str, ...]
    cents: FloatArray
    sigma: FloatArray


def _chance_above(mean: FloatArray, sigma: FloatArray, limit: float) -> FloatArray:
    from scipy.special import ndtr

    chances: FloatArray = ndtr((mean - limit) / np.maximum(sigma, 1e-9))
    return chances


def next_cut(posterior: Posterior, as_built: Mapping[str, float], *, policy: CutPolicy | None = None) -> Verdict:
    """Return what to do now with a piece of these sizes.

    Parameters
    ----------
    posterior : Posterior
        The calibrated model of this piece.
    as_built : mapping
        Present sizes in mm by key, where they differ from the model's.
    policy : CutPolicy, optional

    Raises
    ------
    ModelError, ComputeError
        The sizes make no instrument, or a note has no resonance.
    """
    policy = policy or CutPolicy()
    model = posterior.model
    network = build_network(model)
    fingerings = network.fingerings
    first = np.array([f.register == 1 for f in fingerings])
    tolerance = model.target.tolerance_cents
    present, covariance = posterior.forecast(as_built)
    sigma = np.sqrt(np.diag(covariance))
    allowed = policy.risk / policy.cuts_expected
    reasons: list[str] = []
    flat_left = False
    limits = {h.name: h.max_diameter_mm or model.limits.largest_hole_mm for h in model.holes}
    weights = model.target.register_weights
    # From the foot upward: the foot itself, then the holes, lowest first.
    for hole_index in [None, *range(len(model.holes) - 1, -1, -1)]:
        governed = [i for i, f in enumerate(fingerings) if first[i] and governing_hole(f) == hole_index]
        if not governed:
            continue
        main = governed[0]
        partners = [i for i, f in enumerate(fingerings) if not first[i] and governing_hole(f) == hole_index]
        # Both registers weighed, the first kept close: the second may pull it by 2 cents at most.
        pull = 0.0
        if partners and len(weights) > 1:
            spread = float(np.mean(present[partners]) - present[main])
            pull = float(np.clip(-weights[1] / (weights[0] + weights[1]) * spread, -2.0, 2.0))
        need = pull - present[main]
        if need <= policy.close_enough_cents:
            continue
        key, before, direction, accuracy = _feature(model, hole_index, as_built, policy)
        room = 0.1 * before if hole_index is None else limits[model.holes[hole_index].name] - before
        if room < policy.smallest_step_mm:
            if present[main] < -tolerance:
                flat_left = True
                reasons.append(f"{fingerings[main].note}: {key} is at its limit of {before + room:.2f} mm")
            continue
        step, after, spread_after, chance = _largest_step(
            posterior, as_built, key, before, direction, min(room, 2.5 if hole_index is not None else 12.0),
            accuracy, policy, main, pull, present, first, tolerance, allowed,
        )  # fmt: skip
        if step < policy.smallest_step_mm:
            if present[main] < -tolerance:
                flat_left = True
                reasons.append(
                    f"{fingerings[main].note}: cutting {key} would risk more than {allowed:.2%} of overshoot"
                )
            continue
        name = "foot end" if hole_index is None else f"hole {model.holes[hole_index].name}"
        how = (
            f"shorten the foot by {step:.2f} mm, square to the bore"
            if hole_index is None
            else f"open hole {model.holes[hole_index].name} evenly all round by {step:.2f} mm on the diameter"
        )
        return Verdict(
            "cut",
            CutProposal(
                key, name, before, before + direction * step, fingerings[main].note, present, after, spread_after,
                chance, how,
            ),
            tuple(reasons),
            present,
            sigma,
        )  # fmt: skip
    inside = np.abs(present[first]) <= tolerance
    if inside.all() and not flat_left:
        return Verdict("finished", None, ("every note of the first register is within its tolerance",), present, sigma)
    for i in np.flatnonzero(first):
        if present[i] > tolerance:
            reasons.append(
                f"{fingerings[i].note} is {present[i]:+.1f} cents: too sharp, which no removal mends; "
                "wax on the upper side of its hole, or a new body, are the honest options"
            )
    return Verdict("leave", None, tuple(reasons) or ("no safe cut brings a gain",), present, sigma)


def _feature(
    model: Model, hole_index: int | None, as_built: Mapping[str, float], policy: CutPolicy
) -> tuple[str, float, float, float]:
    """Return (key, present size mm, sign of removal, accuracy mm) of the feature that governs a note."""
    if hole_index is None:
        return "length_mm", as_built.get("length_mm", model.length_mm), -1.0, policy.foot_accuracy_mm
    hole = model.holes[hole_index]
    key = f"holes.{hole.name}.diameter_mm"
    return key, as_built.get(key, hole.diameter_mm), 1.0, policy.accuracy_mm


def _largest_step(
    posterior: Posterior,
    as_built: Mapping[str, float],
    key: str,
    before: float,
    direction: float,
    most: float,
    accuracy: float,
    policy: CutPolicy,
    main: int,
    aim: float,
    present: FloatArray,
    first: NDArray[np.bool_],
    tolerance: float,
    allowed: float,
) -> tuple[float, FloatArray, FloatArray, float]:
    """Return (step, cents after, sigma after, chance of overshoot): up to the aim, as far as the risk allows."""

    def outcome(step: float) -> tuple[FloatArray, FloatArray, float]:
        mean, covariance = posterior.forecast({**as_built, key: before + direction * step})
        change = mean - present
        slope = change / step
        variance = np.diag(covariance) + (policy.gain_error * change) ** 2 + (slope * accuracy) ** 2
        spread = np.sqrt(variance)
        raised = first & (change > 0.05)
        chance = float(_chance_above(mean[raised], spread[raised], tolerance).sum()) if raised.any() else 0.0
        return mean, spread, chance

    def fits(result: tuple[FloatArray, FloatArray, float]) -> bool:
        return result[2] <= allowed and result[0][main] <= aim

    low = 0.0
    best = (present, np.zeros_like(present), 0.0)
    high = most
    result = outcome(high)
    if fits(result):
        return high, *result
    for _ in range(9):
        middle = 0.5 * (low + high)
        result = outcome(middle)
        if fits(result):
            low, best = middle, result
        else:
            high = middle
    return low, *best
