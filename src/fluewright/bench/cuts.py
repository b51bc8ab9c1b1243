"""The next safe cuts: where, how much, with what, what they will do, and the chance of going too far.

Policy, kept apart from the physics. One round is a play and the cuts that follow it, made from the foot upward, since
lower holes move the notes above them and hardly the other way round. A cut goes to the aim, or less: as far as the
chance that any first-register note ends beyond its tolerance stays under what this round may spend of the whole
piece's risk (chance constraint). Each round spends a fixed share of what is left, so that all rounds together stay
under the risk however many there are. Never rely on a cut being undone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fluewright.bench.calibration import Posterior, worth_playing
from fluewright.bench.features import Feature, features_of, tool_for
from fluewright.bench.pitch_model import is_plain_cut
from fluewright.design.fit import with_sizes
from fluewright.errors import InputError, ModelError
from fluewright.instrument.fingering import governing_hole

__all__ = ["CutPolicy", "CutProposal", "Verdict", "Way", "next_cut", "ways_to_raise"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class CutPolicy:
    """What counts as safe and as finished.

    Attributes
    ----------
    risk : float
        Chance, over the whole piece, that a first-register note ends sharper than its tolerance by our cutting.
    share : float
        Of what is left of the risk, how much one round may spend.
    doubt : float
        A piece is finished when the chance that any first-register note lies outside its tolerance is under this.
    accuracy_mm : float
        One-sigma error of a hole's cut; the foot is cut to `foot_accuracy_mm`.
    accuracy_share : float
        One-sigma error of any cut beside it, as a share of the cut.
    smallest_step_mm : float
        Below this a cut at a hole is not worth making.
    close_enough_cents : float
        A note this near is left alone.
    kinds : tuple of str
        Kinds of cuts that may be proposed; see `features.KINDS`.
    instead : tuple of str
        Kinds tried, in this order, where a hole's diameter has reached its limit.
    shelf_only : bool
        Only hole sizes of the model's drills and reamers.
    one_at_a_time : bool
        Propose a single cut, then play.
    """

    risk: float = 0.02
    share: float = 0.4
    doubt: float = 0.03
    accuracy_mm: float = 0.03
    foot_accuracy_mm: float = 0.10
    accuracy_share: float = 0.05
    smallest_step_mm: float = 0.03
    close_enough_cents: float = 1.5
    kinds: tuple[str, ...] = ("hole", "foot")
    instead: tuple[str, ...] = ("rounding", "undercut up", "undercut")
    shelf_only: bool = False
    one_at_a_time: bool = False

    def __post_init__(self) -> None:
        for name, low, high in (
            ("risk", 0.0, 0.5), ("share", 0.0, 1.0), ("doubt", 0.0, 0.5), ("accuracy_mm", 0.0, 1.0),
            ("foot_accuracy_mm", 0.0, 2.0), ("smallest_step_mm", 0.0, 1.0), ("close_enough_cents", 0.0, 50.0),
        ):  # fmt: skip
            value = getattr(self, name)
            if not low < value < high:
                raise InputError(f"cut policy: {name} is {value}; it must lie between {low:g} and {high:g}")


@dataclass(frozen=True)
class CutProposal:
    """One cut that may be made now.

    `before_mm` and `after_mm` are the size by `key`; `cents_before`, `cents_after` and `sigma_after` have one entry a
    fingering, `after` counting the cuts that come before this one in the plan; `overshoot` is the chance that some
    first-register note ends beyond its tolerance.
    """

    key: str
    feature: str
    kind: str
    before_mm: float
    after_mm: float
    note: str
    cents_before: FloatArray
    cents_after: FloatArray
    sigma_after: FloatArray
    overshoot: float
    how: str
    tool: str
    lasts: str
    caution: str


@dataclass(frozen=True)
class Verdict:
    """The state of the piece and what to do.

    Attributes
    ----------
    state : str
        "finished"; "cut", with a plan; "play": play again before deciding; "leave": nothing more can be done safely.
    plan : tuple of CutProposal
        In the order in which to cut; then play.
    reasons : tuple of str
    cents, sigma : array, shape (n,)
        The piece as it is, in the design's air and breath.
    doubt : float
        Chance that some first-register note lies outside its tolerance now.
    play_next : tuple of str
        Notes that would tell most.
    """

    state: str
    plan: tuple[CutProposal, ...]
    reasons: tuple[str, ...]
    cents: FloatArray
    sigma: FloatArray
    doubt: float
    play_next: tuple[str, ...] = ()

    @property
    def proposal(self) -> CutProposal | None:
        """Return the first cut of the plan."""
        return self.plan[0] if self.plan else None


_DRAWS = 4096


@lru_cache(maxsize=8)
def _normal_draws(n: int) -> FloatArray:
    """Return fixed standard normal draws, shape (_DRAWS, n): a scrambled Sobol sequence, the same in every run."""
    from scipy.special import ndtri
    from scipy.stats import qmc

    return np.asarray(ndtri(qmc.Sobol(n, rng=1).random(_DRAWS).clip(1e-9, 1.0 - 1e-9)))


def _cents_drawn(mean: FloatArray, covariance: FloatArray, rows: NDArray[np.bool_]) -> FloatArray:
    """Return draws of some notes' cents together, shape (draws, rows): what a trial's notes share moves them as one."""
    values, vectors = np.linalg.eigh(covariance[np.ix_(rows, rows)])
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    # The largest spread takes the first, best distributed coordinate of the sequence.
    drawn: FloatArray = mean[rows] + _normal_draws(int(rows.sum())) @ root[:, ::-1].T
    return drawn


def doubt_of(mean: FloatArray, covariance: FloatArray, first: NDArray[np.bool_], tolerance: float) -> float:
    """Return the chance that some first-register note lies outside its tolerance."""
    drawn = _cents_drawn(mean, covariance, first)
    return float((np.abs(drawn) > tolerance).any(axis=1).mean())


@dataclass
class _Planner:
    """The steps of one round; `steps` in mm by feature, 0 = not cut."""

    posterior: Posterior
    as_built: Mapping[str, float]
    policy: CutPolicy

    def __post_init__(self) -> None:
        self.pitch = self.posterior.pitch
        self.first = self.pitch.first_register
        self.tolerance = self.pitch.model.target.tolerance_cents
        self.present, self.covariance = self.posterior.forecast(self.as_built)
        self.sigma = np.sqrt(np.diag(self.covariance))

    def sizes(self, features: Sequence[Feature], steps: FloatArray) -> dict[str, float]:
        built = dict(self.as_built)
        for feature, step in zip(features, steps, strict=True):
            if step > 0.0:
                built[feature.key] = feature.after_mm(float(step))
        return built

    def after(self, features: Sequence[Feature], steps: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return (cents, covariance with the hand's errors, cents per mm of every feature) after some cuts."""
        built = self.sizes(features, steps)
        mean, covariance = self.posterior.forecast(built)
        places = [self.pitch.columns[f.key] for f in features]
        solved = self.pitch.solve(built, self.posterior.parameters[:4], sensitivities=True)
        slopes = solved.by_dimension_cents[:, places] * np.array([f.direction for f in features])
        own = np.array([f.accuracy_mm for f in features])
        hand = np.where(steps > 0.0, np.hypot(own, self.policy.accuracy_share * steps), 0.0)
        by_hand = slopes * hand
        beliefs = self.posterior.prior.beliefs
        gain = np.array([beliefs.gain_of_cut if is_plain_cut(f.key) else beliefs.gain_of_shaping for f in features])
        by_cut = np.diag(((slopes * steps * gain) ** 2).sum(axis=1))
        return mean, covariance + by_hand @ by_hand.T + by_cut, slopes

    def chance(self, mean: FloatArray, covariance: FloatArray) -> float:
        """Return the chance that a note which the cuts raise ends beyond its tolerance and was not beyond it before."""
        raised = self.first & (mean - self.present > 0.05)
        if not raised.any():
            return 0.0
        drawn = _cents_drawn(mean, covariance, raised)
        before = drawn - (mean - self.present)[raised]
        return float(((drawn > self.tolerance) & (before <= self.tolerance)).any(axis=1).mean())

    def pull(self, main: int, partners: Sequence[int], mean: FloatArray) -> float:
        """Return the aim: both registers weighed; the second may pull the first by 2 cents, if that is sure to hold."""
        weights = self.pitch.model.target.register_weights
        if not partners or len(weights) < 2:
            return 0.0
        spread = float(np.mean(mean[list(partners)]) - mean[main])
        most = min(2.0, max(self.tolerance - 3.0 * float(self.sigma[main]), 0.0))
        return float(np.clip(-weights[1] / (weights[0] + weights[1]) * spread, -most, most))

    def choose(self) -> tuple[list[Feature], list[int], list[list[int]], list[str]]:
        """Return (feature, the note it governs, that note's partners in register 2) and remarks on limits."""
        policy, fingerings = self.policy, self.pitch.fingerings
        every = features_of(
            self.pitch, self.as_built, kinds=tuple(dict.fromkeys((*policy.kinds, *policy.instead))),
            hole_accuracy_mm=policy.accuracy_mm, foot_accuracy_mm=policy.foot_accuracy_mm,
            hole_step_mm=policy.smallest_step_mm,
        )  # fmt: skip
        chosen, mains, partners, remarks = [], [], [], []
        for hole in [None, *range(len(self.pitch.model.holes) - 1, -1, -1)]:
            governed = [i for i, f in enumerate(fingerings) if self.first[i] and governing_hole(f) == hole]
            if not governed:
                continue
            mine = [f for f in every if f.hole == hole and f.kind in ("foot", *policy.kinds, *policy.instead)]
            order = [*policy.kinds, *policy.instead]
            mine.sort(key=lambda f: order.index(f.kind))
            usable = [f for f in mine if f.room_mm >= f.smallest_mm]
            if mine and mine[0] not in usable and self.present[governed[0]] < -policy.close_enough_cents:
                remarks.append(
                    f"{fingerings[governed[0]].note}: {mine[0].key} is at its limit of {mine[0].before_mm:.2f} mm"
                )
            if usable:
                chosen.append(usable[0])
                mains.append(governed[0])
                partners.append(
                    [i for i, f in enumerate(fingerings) if not self.first[i] and governing_hole(f) == hole]
                )
        return chosen, mains, partners, remarks

    def plan(
        self, features: Sequence[Feature], mains: Sequence[int], partners: Sequence[Sequence[int]], allowed: float
    ) -> FloatArray:
        """Return the step of every feature, mm, 0 where none is worth making."""
        room = np.array([f.room_mm for f in features])
        aims = np.array([self.pull(m, p, self.present) for m, p in zip(mains, partners, strict=True)])
        wanted = self.present[list(mains)] < aims - self.policy.close_enough_cents
        steps = np.zeros(len(features))
        if not wanted.any():
            return steps
        # One limit for all notes, in standard errors, so that their joint chance is what is allowed.
        low, high = 1.0, 5.0
        best = np.zeros(len(features))
        for _ in range(7):
            limit = 0.5 * (low + high)
            steps = self._to_aims(features, mains, aims, wanted, room, limit)
            mean, covariance, _ = self.after(features, steps)
            if self.chance(mean, covariance) <= allowed:
                high, best = limit, steps
            else:
                low = limit
        return best

    def _to_aims(
        self,
        features: Sequence[Feature],
        mains: Sequence[int],
        aims: FloatArray,
        wanted: NDArray[np.bool_],
        room: FloatArray,
        limit: float,
    ) -> FloatArray:
        """Return the steps that bring every wanted note to its aim or to what the risk allows, by Newton sweeps."""
        steps = np.zeros(len(features))
        for _ in range(4):
            mean, covariance, slopes = self.after(features, steps)
            sigma = np.sqrt(np.diag(covariance))
            moved = 0.0
            for j, main in enumerate(mains):
                if not wanted[j] or slopes[main, j] <= 0.0:
                    continue
                hand = 0.0 if steps[j] > 0.0 else slopes[main, j] * features[j].accuracy_mm
                aim = min(aims[j], self.tolerance - limit * float(np.hypot(sigma[main], hand)))
                new = float(np.clip(steps[j] + (aim - mean[main]) / slopes[main, j], 0.0, room[j]))
                mean = mean + slopes[:, j] * (new - steps[j])
                moved = max(moved, abs(new - steps[j]))
                steps[j] = new
            if moved < 2e-3:
                break
        for j, feature in enumerate(features):
            if self.policy.shelf_only and feature.kind == "hole" and steps[j] > 0.0:
                steps[j] = self._on_shelf(feature, float(steps[j]))
            if steps[j] < feature.smallest_mm:
                steps[j] = 0.0
        return steps

    def _on_shelf(self, feature: Feature, step: float) -> float:
        limits = self.pitch.model.limits
        sizes = [s for s in (*limits.drills_mm, *limits.reamers_mm) if feature.before_mm < s <= feature.after_mm(step)]
        return max(sizes) - feature.before_mm if sizes else 0.0

    def drop_impossible(self, features: Sequence[Feature], mains: Sequence[int], steps: FloatArray) -> list[str]:
        """Set to 0 the steps that would make no instrument (holes that meet, a rim cut away); return why."""
        remarks = []
        so_far = np.zeros(len(features))
        for j in map(int, np.flatnonzero(steps > 0.0)):
            so_far[j] = steps[j]
            try:
                with_sizes(self.pitch.model, self.sizes(features, so_far))
            except ModelError as error:
                so_far[j] = steps[j] = 0.0
                remarks.append(f"{self.pitch.fingerings[mains[j]].note}: {features[j].name} cannot be cut so: {error}")
        return remarks

    def proposals(self, features: Sequence[Feature], mains: Sequence[int], steps: FloatArray) -> list[CutProposal]:
        """Return the cuts in order, each with what all up to it do."""
        found = []
        so_far = np.zeros(len(features))
        before = self.present
        for j in map(int, np.flatnonzero(steps > 0.0)):
            so_far[j] = steps[j]
            mean, covariance, _ = self.after(features, so_far)
            feature, step = features[j], float(steps[j])
            found.append(
                CutProposal(
                    feature.key, feature.name, feature.kind, feature.before_mm, feature.after_mm(step),
                    self.pitch.fingerings[mains[j]].note, before, mean, np.sqrt(np.diag(covariance)),
                    self.chance(mean, covariance),
                    feature.how(step), tool_for(self.pitch, feature, feature.after_mm(step)), feature.lasts,
                    feature.caution,
                )
            )  # fmt: skip
            before = mean
            if self.policy.one_at_a_time:
                break
        return found


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
    planner = _Planner(posterior, as_built, policy)
    fingerings, first, tolerance = planner.pitch.fingerings, planner.first, planner.tolerance
    present, sigma = planner.present, planner.sigma
    made = max(posterior.trials - 1, 0) if rounds_made is None else rounds_made
    allowed = policy.risk * policy.share * (1.0 - policy.share) ** made
    doubt = doubt_of(present, planner.covariance, first, tolerance)
    tell = tuple(
        f"{fingerings[i].note} (register {fingerings[i].register})" for i, _ in worth_playing(posterior, as_built)[:3]
    )
    if doubt <= policy.doubt and bool((np.abs(present[first]) <= tolerance).all()):
        why = f"every note of the first register is within its tolerance; the chance that one is not is {doubt:.1%}"
        return Verdict("finished", (), (why,), present, sigma, doubt, tell)
    features, mains, partners, reasons = planner.choose()
    steps = planner.plan(features, mains, partners, allowed)
    reasons += planner.drop_impossible(features, mains, steps)
    if (steps > 0.0).any():
        plan = tuple(planner.proposals(features, mains, steps))
        return Verdict("cut", plan, tuple(reasons), present, sigma, doubt, tell)
    for i in np.flatnonzero(first):
        if present[i] > tolerance + 0.84 * sigma[i]:
            reasons.append(
                f"{fingerings[i].note} is {present[i]:+.1f} cents: too sharp, which no removal mends; "
                "wax on the upper side of its hole, or a new body, are the honest options"
            )
    if any("too sharp" in r for r in reasons):
        return Verdict("leave", (), tuple(reasons), present, sigma, doubt, tell)
    # Playing again narrows what is known only down to what each time of playing shares.
    unsure = [i for i in np.flatnonzero(first) if abs(present[i]) + 2.5 * sigma[i] > tolerance]
    gain = dict(worth_playing(posterior, as_built))
    helps = sum(gain.values()) / max(float((sigma[first] ** 2).mean()), 1e-9) > 0.15
    if helps and posterior.trials < 30:
        names = ", ".join(fingerings[i].note for i in unsure)
        reasons.append(f"no safe cut yet: play {names} again, the chance that one is outside is {doubt:.1%}")
        return Verdict("play", (), tuple(reasons), present, sigma, doubt, tell)
    if bool((np.abs(present[first]) <= tolerance).all()) and not reasons:
        why = (
            "every note of the first register seems within its tolerance, and the next cut risks more than it gains; "
            f"the chance that one is not is {doubt:.1%}"
        )
        return Verdict("finished", (), (why,), present, sigma, doubt, tell)
    for i in np.flatnonzero(first & (present < -tolerance)):
        reasons.append(f"{fingerings[i].note} is {present[i]:+.1f} cents: the next cut risks more than it gains")
    return Verdict("leave", (), tuple(reasons) or ("no safe cut brings a gain",), present, sigma, doubt, tell)


@dataclass(frozen=True)
class Way:
    """One way to raise a note: the step for it, and what it does to the others."""

    feature: Feature
    step_mm: float
    cents: FloatArray
    reaches: bool


def ways_to_raise(
    posterior: Posterior, as_built: Mapping[str, float], fingering: int, cents: float, *, kinds: tuple[str, ...]
) -> tuple[Way, ...]:
    """Return every cut that raises a note by some cents, those that disturb the other notes least first.

    Parameters
    ----------
    posterior : Posterior
    as_built : mapping
    fingering : int
    cents : float
        By how much, over 0.
    kinds : tuple of str
        Of `features.KINDS`.

    Raises
    ------
    InputError
        `cents` is not over 0, or a kind does not exist.
    """
    if not 0.0 < cents <= 100.0:
        raise InputError(f"raise: {cents:g} cents are asked for; give 0 to 100 cents")
    pitch = posterior.pitch
    constants = posterior.parameters[:4]
    begun = pitch.cents(as_built, constants)
    found = []
    for feature in features_of(pitch, as_built, kinds=kinds):
        if feature.room_mm < feature.smallest_mm:
            continue
        low, high = 0.0, feature.room_mm
        change = pitch.cents({**as_built, feature.key: feature.after_mm(high)}, constants) - begun
        reaches = bool(change[fingering] >= cents)
        if change[fingering] < 0.3:
            continue
        while reaches and high - low > 1e-3:
            middle = 0.5 * (low + high)
            tried = pitch.cents({**as_built, feature.key: feature.after_mm(middle)}, constants) - begun
            low, high, change = (low, middle, tried) if tried[fingering] >= cents else (middle, high, change)
        found.append(Way(feature, high, change, reaches))

    def disturbs(way: Way) -> float:
        others = np.delete(way.cents, fingering)
        return float(np.abs(others).sum() / way.cents[fingering])

    return tuple(sorted(found, key=lambda w: (not w.reaches, disturbs(w))))
