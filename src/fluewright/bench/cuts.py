"""The next safe cuts: where, how much, with what, what they will do, and the chance of going too far.

Policy, kept apart from the physics. One round is a play and the cuts that follow it, made from the foot upward, since
lower holes move the notes above them and hardly the other way round. A cut goes to the aim, or less: as far as the
chance that any first-register note ends beyond its tolerance stays under what this round may spend of the whole
piece's risk (chance constraint). Each round spends a fixed share of what is left, so that all rounds together stay
under the risk however many there are. Never rely on a cut being undone.

A hole may set several first-register notes, a plain one and its forks. Their middle is brought to the aim then, and no
cut goes further than the sharpest of them allows. Where no size of that hole brings all of them within the tolerance,
the sharpest goes to the aim, and the maker is told what else would bring them nearer.
"""

from collections.abc import Mapping

import numpy as np

from fluewright.bench.calibration import Posterior, worth_playing
from fluewright.bench.planner import Planner, doubt_of
from fluewright.bench.policy import CutPolicy
from fluewright.bench.torn_holes import torn_holes
from fluewright.bench.verdict import (
    AllWithin,
    NoGain,
    NoSafeCutYet,
    RisksMore,
    SeemsWithin,
    State,
    TooSharp,
    Verdict,
)  # fmt: skip

__all__ = ["next_cut"]

# So many more times of playing are asked of a maker for the sake of one more safe cut (common practice, no source).
_MORE_PLAYS = 3


def next_cut(
    posterior: Posterior,
    as_built: Mapping[str, float],
    *,
    policy: CutPolicy | None = None,
    rounds_made: int | None = None,
) -> Verdict:
    """Return what to do now with a piece of these sizes.

    Parameters
    ----------
    posterior : Posterior
        The calibrated model of this piece.
    as_built : mapping
        Present sizes in mm by key, where they differ from the model's.
    policy : CutPolicy, optional
    rounds_made : int, optional
        Rounds in which something was cut; by default one less than the trials.

    Raises
    ------
    ComputeError
        A note has no resonance.
    """
    policy = policy or CutPolicy()
    planner = Planner(posterior, as_built, policy)
    fingerings, first, tolerance = planner.pitch.fingerings, planner.first, planner.tolerance
    present, sigma = planner.present, planner.sigma
    made = max(posterior.trials - 1, 0) if rounds_made is None else rounds_made
    allowed = policy.risk * policy.share * (1.0 - policy.share) ** made
    doubt = doubt_of(present, planner.covariance, first, tolerance)
    tell = tuple((fingerings[i].note, fingerings[i].register) for i, _ in worth_playing(posterior, as_built)[:3])
    if doubt <= policy.doubt and bool((np.abs(present[first]) <= tolerance).all()):
        return Verdict(State.FINISHED, (), (AllWithin(doubt),), present, sigma, doubt, tell)
    features, groups, partners, reasons = planner.choose()
    steps = planner.plan(features, groups, partners, allowed)
    reasons += planner.drop_impossible(features, groups, steps)
    sharp = np.flatnonzero(first & (present > tolerance + 0.84 * sigma))
    if (steps > 0.0).any():
        plan = tuple(planner.proposals(features, groups, steps))
        reasons += [reason for cut in plan for reason in cut.reasons]
        after = plan[-1].cents_after
        reasons += [TooSharp(fingerings[i].note, float(present[i]), float(after[i])) for i in sharp]
        return Verdict(State.CUT, plan, tuple(reasons), present, sigma, doubt, tell)
    # Where notes of one hole pull it apart, the piece will not be finished: played again it is only for a safe cut.
    torn = torn_holes(planner)
    if torn and planner.cuts_after_playing(_MORE_PLAYS, allowed):
        torn = []
    reasons += torn
    reasons += [TooSharp(fingerings[i].note, float(present[i])) for i in sharp]
    if torn or sharp.size:
        return Verdict(State.LEAVE, (), tuple(reasons), present, sigma, doubt, tell)
    # Playing again narrows what is known only down to what each time of playing shares.
    unsure = [i for i in np.flatnonzero(first) if abs(present[i]) + 2.5 * sigma[i] > tolerance]
    gain = dict(worth_playing(posterior, as_built))
    helps = sum(gain.values()) / max(float((sigma[first] ** 2).mean()), 1e-9) > 0.15
    if helps and posterior.trials < 30:
        reasons.append(NoSafeCutYet(tuple(fingerings[i].note for i in unsure), doubt))
        return Verdict(State.PLAY, (), tuple(reasons), present, sigma, doubt, tell)
    if bool((np.abs(present[first]) <= tolerance).all()) and not reasons:
        return Verdict(State.FINISHED, (), (SeemsWithin(doubt),), present, sigma, doubt, tell)
    for i in np.flatnonzero(first & (present < -tolerance)):
        reasons.append(RisksMore(fingerings[i].note, float(present[i])))
    return Verdict(State.LEAVE, (), tuple(reasons) or (NoGain(),), present, sigma, doubt, tell)
