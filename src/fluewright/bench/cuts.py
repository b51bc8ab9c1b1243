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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from fluewright.arrays import BoolArray, FloatArray
from fluewright.bench.calibration import PlayedTrial, Posterior, evidence_of, update, worth_playing
from fluewright.bench.features import Feature, features_of, tool_for
from fluewright.bench.pitch_model import is_plain_cut
from fluewright.errors import ComputeError, InputError, ModelError
from fluewright.instrument.fingering import CLOSED, governing_hole
from fluewright.instrument.sizes import LENGTH, hole_key, size_words, with_sizes
from fluewright.units import shifted

__all__ = ["CutPolicy", "CutProposal", "Verdict", "Way", "next_cut", "ways_to_raise"]


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
    first-register note ends beyond its tolerance. `note` is the one for whose sake it is cut; `reasons` say which other
    note ends the cut before `note` is where it should be.
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
    reasons: tuple[str, ...] = ()


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
        Those of the plan's cuts included.
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
# So many more times of playing are asked of a maker for the sake of one more safe cut (common practice, no source).
_MORE_PLAYS = 3


@lru_cache(maxsize=8)
def _normal_draws(n: int) -> FloatArray:
    """Return fixed standard normal draws, shape (_DRAWS, n): a scrambled Sobol sequence, the same in every run."""
    from scipy.special import ndtri
    from scipy.stats import qmc

    return np.asarray(ndtri(qmc.Sobol(n, rng=1).random(_DRAWS).clip(1e-9, 1.0 - 1e-9)))


def _cents_drawn(mean: FloatArray, covariance: FloatArray, rows: BoolArray) -> FloatArray:
    """Return draws of some notes' cents together, shape (draws, rows): what a trial's notes share moves them as one."""
    values, vectors = np.linalg.eigh(covariance[np.ix_(rows, rows)])
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    # The largest spread takes the first, best distributed coordinate of the sequence.
    drawn: FloatArray = mean[rows] + _normal_draws(int(rows.sum())) @ root[:, ::-1].T
    return drawn


def doubt_of(mean: FloatArray, covariance: FloatArray, first: BoolArray, tolerance: float) -> float:
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

    def outer(self, group: Sequence[int], mean: FloatArray) -> tuple[int, int]:
        """Return the notes of one hole between which its aim lies: the sharpest and the flattest of its group.

        Where no size of the hole brings both within the tolerance, it is the sharpest alone, twice: to push it to the
        end of its tolerance would risk it for no gain.
        """
        top, bottom = max(group, key=lambda i: mean[i]), min(group, key=lambda i: mean[i])
        return top, bottom if self.can_meet(top, bottom, mean) else top

    def can_meet(self, top: int, bottom: int, mean: FloatArray) -> bool:
        """Return whether some size of their hole brings two notes within the tolerance: the sharp one at its end."""
        if top == bottom:
            return True
        rise = self.tolerance - mean[top]
        return bool(mean[bottom] + self.lift(top, bottom) * rise >= -self.tolerance)

    @cached_property
    def slopes(self) -> FloatArray:
        """Return cents per mm of every size as the piece is now."""
        return self.pitch.solve(self.as_built, self.posterior.parameters[:4], sensitivities=True).by_dimension_cents

    def lift(self, top: int, bottom: int) -> float:
        """Return how far the diameter of their hole (or the length) lifts the flat note for each cent of the sharp."""
        hole = governing_hole(self.pitch.fingerings[top])
        key = LENGTH if hole is None else hole_key(self.pitch.model.holes[hole].name)
        of_top, of_bottom = self.slopes[[top, bottom], self.pitch.columns[key]]
        return float(of_bottom / of_top) if of_top != 0.0 else np.inf

    def level(self, group: Sequence[int], mean: FloatArray) -> float:
        """Return where the notes of one hole stand, cents: the middle of `outer`."""
        top, bottom = self.outer(group, mean)
        return float(0.5 * (mean[top] + mean[bottom]))

    def pull(self, group: Sequence[int], partners: Sequence[int], mean: FloatArray) -> float:
        """Return the aim: both registers weighed; the second may pull the first by 2 cents, if that is sure to hold."""
        weights = self.pitch.model.target.register_weights
        if not partners or len(weights) < 2:
            return 0.0
        top, bottom = self.outer(group, mean)
        spread = float(np.mean(mean[list(partners)])) - self.level(group, mean)
        unsure = 3.0 * float(self.sigma[list(group)].max()) + 0.5 * float(mean[top] - mean[bottom])
        most = min(2.0, max(self.tolerance - unsure, 0.0))
        return float(np.clip(-weights[1] / (weights[0] + weights[1]) * spread, -most, most))

    def governed(self, hole: int | None) -> list[int]:
        """Return the first-register notes that a hole, or the foot (None), sets."""
        return [i for i, f in enumerate(self.pitch.fingerings) if self.first[i] and governing_hole(f) == hole]

    def choose(self) -> tuple[list[Feature], list[list[int]], list[list[int]], list[str]]:
        """Return (feature, the notes it governs, their partners in register 2) and remarks on limits."""
        policy, fingerings = self.policy, self.pitch.fingerings
        every = features_of(
            self.pitch, self.as_built, kinds=tuple(dict.fromkeys((*policy.kinds, *policy.instead))),
            hole_accuracy_mm=policy.accuracy_mm, foot_accuracy_mm=policy.foot_accuracy_mm,
            hole_step_mm=policy.smallest_step_mm,
        )  # fmt: skip
        chosen, groups, partners, remarks = [], [], [], []
        for hole in [None, *range(len(self.pitch.model.holes) - 1, -1, -1)]:
            governed = self.governed(hole)
            if not governed:
                continue
            mine = [f for f in every if f.hole == hole and f.kind in ("foot", *policy.kinds, *policy.instead)]
            order = [*policy.kinds, *policy.instead]
            mine.sort(key=lambda f: order.index(f.kind))
            usable = [f for f in mine if f.room_mm >= f.smallest_mm]
            if mine and mine[0] not in usable and self.level(governed, self.present) < -policy.close_enough_cents:
                note = fingerings[self.flattest(governed)].note
                remarks.append(
                    f"{note}: {size_words(mine[0].key)} is at the model's limit of {mine[0].before_mm:.2f} mm"
                )
            if usable:
                chosen.append(usable[0])
                groups.append(governed)
                partners.append(
                    [i for i, f in enumerate(fingerings) if not self.first[i] and governing_hole(f) == hole]
                )
        return chosen, groups, partners, remarks

    def flattest(self, group: Sequence[int]) -> int:
        """Return the note of a group that is flattest now: the one for whose sake its hole is cut."""
        return min(group, key=lambda i: self.present[i])

    def plan(
        self,
        features: Sequence[Feature],
        groups: Sequence[Sequence[int]],
        partners: Sequence[Sequence[int]],
        allowed: float,
    ) -> FloatArray:
        """Return the step of every feature, mm, 0 where none is worth making."""
        room = np.array([f.room_mm for f in features])
        aims = np.array([self.pull(g, p, self.present) for g, p in zip(groups, partners, strict=True)])
        wanted = np.array([self.level(g, self.present) for g in groups]) < aims - self.policy.close_enough_cents
        steps = np.zeros(len(features))
        if not wanted.any():
            return steps
        # One limit for all notes, in standard errors, so that their joint chance is what is allowed.
        low, high = 1.0, 5.0
        best = np.zeros(len(features))
        for _ in range(7):
            limit = 0.5 * (low + high)
            steps = self._to_aims(features, groups, aims, wanted, room, limit)
            mean, covariance, _ = self.after(features, steps)
            if self.chance(mean, covariance) <= allowed:
                high, best = limit, steps
            else:
                low = limit
        return best

    def _to_aims(
        self,
        features: Sequence[Feature],
        groups: Sequence[Sequence[int]],
        aims: FloatArray,
        wanted: BoolArray,
        room: FloatArray,
        limit: float,
    ) -> FloatArray:
        """Return the steps that bring every wanted hole to its aim or to what the risk allows, by Newton sweeps.

        What the risk allows is asked of every note that the hole governs.
        """
        steps = np.zeros(len(features))
        for _ in range(4):
            mean, covariance, slopes = self.after(features, steps)
            sigma = np.sqrt(np.diag(covariance))
            moved = 0.0
            for j, group in enumerate(groups):
                top, bottom = self.outer(group, mean)
                slope = 0.5 * (slopes[top, j] + slopes[bottom, j])
                if not wanted[j] or slope <= 0.0:
                    continue
                wished = steps[j] + (aims[j] - 0.5 * (mean[top] + mean[bottom])) / slope
                for i in group:
                    if slopes[i, j] > 0.0:
                        hand = 0.0 if steps[j] > 0.0 else slopes[i, j] * features[j].accuracy_mm
                        most = self.tolerance - limit * float(np.hypot(sigma[i], hand))
                        wished = min(wished, steps[j] + (most - mean[i]) / slopes[i, j])
                new = float(np.clip(wished, 0.0, room[j]))
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

    def drop_impossible(
        self, features: Sequence[Feature], groups: Sequence[Sequence[int]], steps: FloatArray
    ) -> list[str]:
        """Set to 0 the steps that would make no instrument (holes that meet, a rim cut away); return why."""
        remarks = []
        so_far = np.zeros(len(features))
        for j in map(int, np.flatnonzero(steps > 0.0)):
            so_far[j] = steps[j]
            try:
                with_sizes(self.pitch.model, self.sizes(features, so_far))
            except ModelError as error:
                so_far[j] = steps[j] = 0.0
                note = self.pitch.fingerings[self.flattest(groups[j])].note
                remarks.append(f"{note}: {features[j].name} cannot be cut so: {error}")
        return remarks

    def ended_by(self, feature: Feature, group: Sequence[int], mean: FloatArray) -> tuple[str, ...]:
        """Return why a cut leaves a note of its hole flat: the sharper note that ends it, none where none does."""
        top, bottom = (choose(group, key=lambda i: mean[i]) for choose in (max, min))
        near = self.policy.close_enough_cents
        if mean[bottom] >= -near or mean[top] - mean[bottom] <= near:
            return ()
        sharp, flat = (self.pitch.fingerings[i].note for i in (top, bottom))
        place = "the foot" if feature.hole is None else feature.name
        return (
            f"{sharp} ends the cut at {place}, which sets {flat} too: {sharp} comes to {mean[top]:+.1f} cents, and "
            f"{flat} is left at {mean[bottom]:+.1f}",
        )

    def proposals(
        self, features: Sequence[Feature], groups: Sequence[Sequence[int]], steps: FloatArray
    ) -> list[CutProposal]:
        """Return the cuts in order, each with what all up to it do."""
        found = []
        at_last = self.after(features, steps)[0]
        so_far = np.zeros(len(features))
        before = self.present
        for j in map(int, np.flatnonzero(steps > 0.0)):
            so_far[j] = steps[j]
            mean, covariance, _ = self.after(features, so_far)
            feature, step = features[j], float(steps[j])
            found.append(
                CutProposal(
                    feature.key, feature.name, feature.kind, feature.before_mm, feature.after_mm(step),
                    self.pitch.fingerings[self.flattest(groups[j])].note, before, mean, np.sqrt(np.diag(covariance)),
                    self.chance(mean, covariance),
                    feature.how(step), tool_for(self.pitch, feature, feature.after_mm(step)), feature.lasts,
                    feature.caution,
                    self.ended_by(feature, groups[j], at_last) if step < feature.room_mm else (),
                )
            )  # fmt: skip
            before = mean
            if self.policy.one_at_a_time:
                break
        return found

    def too_sharp(self, after: FloatArray | None = None) -> list[str]:
        """Return what to say of notes that are surely too sharp, and where cuts for other notes bring them."""
        says = []
        for i in np.flatnonzero(self.first):
            if self.present[i] > self.tolerance + 0.84 * self.sigma[i]:
                rise = "" if after is None else f"; the cuts for other notes bring it to {after[i]:+.1f}"
                says.append(
                    f"{self.pitch.fingerings[i].note} is {self.present[i]:+.1f} cents: too sharp, which no removal "
                    f"mends; wax on the upper side of its hole, or a new body, are the honest options{rise}"
                )
        return says

    def torn(self) -> list["_Torn"]:
        """Return the holes that set notes of which the flattest is out of tolerance, and the sharpest far above it."""
        found = []
        for hole in [None, *range(len(self.pitch.model.holes) - 1, -1, -1)]:
            group = self.governed(hole)
            if not group:
                continue
            top, bottom = (choose(group, key=lambda i: self.present[i]) for choose in (max, min))
            if self.present[bottom] < -self.tolerance and self.present[top] - self.present[bottom] > self.tolerance:
                found.append(_Torn(self, hole, top, bottom))
        return found

    def cuts_after_playing(self, times: int, allowed: float) -> bool:
        """Return whether a safe cut is to be expected after so many more times of playing every note."""
        posterior = self.posterior
        hz = shifted(self.pitch.network.targets_hz, self.present)
        notes = {i: (float(hz[i]), 0.0) for i, f in enumerate(self.pitch.fingerings) if f.alternative == 0}
        more = evidence_of(
            self.pitch, times * [PlayedTrial(self.as_built, notes)], posterior.prior.beliefs, posterior.parameters
        )
        _, covariance = update(more, posterior.parameters, posterior.covariance, posterior.prior.scales)
        surer = _Planner(replace(posterior, covariance=covariance), self.as_built, self.policy)
        features, groups, partners, _ = surer.choose()
        return bool((surer.plan(features, groups, partners, allowed) > 0.0).any())


@dataclass(frozen=True)
class _Torn:
    """A hole, or the foot (None), whose sharpest and flattest note want it of different sizes."""

    planner: _Planner
    hole: int | None
    top: int
    bottom: int

    def says(self) -> str:
        """Return what is wrong, by how much, and what would reconcile the two."""
        planner = self.planner
        cents = planner.present
        sharp, flat = (planner.pitch.fingerings[i].note for i in (self.top, self.bottom))
        place = "the foot" if self.hole is None else f"hole {planner.pitch.model.holes[self.hole].name}"
        ways = [*self._fingerings(), *self._shaping(), *self._next_body()]
        apart = float(cents[self.top] - cents[self.bottom])
        none = "safe cut" if planner.can_meet(self.top, self.bottom, cents) else "size"
        return (
            f"{place} sets {sharp} and {flat}, which want it of different sizes: {sharp} is {cents[self.top]:+.1f} "
            f"cents and {flat} {cents[self.bottom]:+.1f}, {apart:.1f} apart, and no {none} brings both within "
            f"{planner.tolerance:g}" + (f"; what would: {'; or '.join(ways)}" if ways else "")
        )

    def _fingerings(self) -> list[str]:
        """Return which fingerings may move one note and not the other: holes below a note's own one bend it alone."""
        sharp, flat = (self.planner.pitch.fingerings[i] for i in (self.top, self.bottom))
        below = 0 if self.hole is None else self.hole + 1
        found = []
        if any(state != CLOSED for state in sharp.holes[below:]):
            found.append(f"another fingering of {sharp.note}, with one more of its lower holes closed")
        if any(state == CLOSED for state in flat.holes[below:]):
            found.append(f"another fingering of {flat.note}, with one more of its lower holes open")
        return found

    def _shaping(self) -> list[str]:
        """Return the undercut that lifts the flat note more, for each cent of the sharp one, than the diameter does."""
        if self.hole is None:
            return []
        pitch, plain = self.planner.pitch, self.planner.lift(self.top, self.bottom)
        lifts = {}
        for feature in features_of(pitch, self.planner.as_built, kinds=("undercut up", "undercut down")):
            of_top, of_bottom = self.planner.slopes[[self.top, self.bottom], pitch.columns[feature.key]]
            if feature.hole == self.hole and of_top > 0.0 and feature.room_mm > 0.0:
                lifts[feature.kind] = float(of_bottom / of_top)
        kind = max(lifts, key=lambda k: lifts[k], default="")
        if not kind or lifts[kind] < 1.1 * plain:
            return []
        sharp, flat = (pitch.fingerings[i].note for i in (self.top, self.bottom))
        side = {"undercut up": "window's", "undercut down": "foot's"}[kind]
        return [
            f"an undercut on the {side} side instead of a wider hole (for each cent of {sharp} it lifts {flat} by "
            f"{lifts[kind]:.2f}, the diameter by {plain:.2f})"
        ]

    def _next_body(self) -> list[str]:
        """Return the place and diameter at which the hole would set both notes right, by Newton on the two sizes."""
        if self.hole is None:
            return []
        pitch, constants = self.planner.pitch, self.planner.posterior.parameters[:4]
        name, pair = pitch.model.holes[self.hole].name, [self.top, self.bottom]
        keys = [hole_key(name, field) for field in ("position_mm", "diameter_mm")]
        begun = np.array([pitch.size(key, self.planner.as_built) for key in keys])
        aims = pitch.cents(self.planner.as_built, constants)[pair] - self.planner.present[pair]
        sizes = begun.copy()
        try:
            for _ in range(6):
                built = {**self.planner.as_built, **dict(zip(keys, map(float, sizes), strict=True))}
                solved = pitch.solve(built, constants, sensitivities=True)
                slopes = solved.by_dimension_cents[np.ix_(pair, [pitch.columns[key] for key in keys])]
                step = np.linalg.solve(slopes, aims - pitch.cents(built, constants)[pair])
                sizes = sizes + np.clip(step, [-10.0, -0.5], [10.0, 0.5])
            with_sizes(pitch.model, dict(zip(keys, map(float, sizes), strict=True)))
        except (ComputeError, ModelError, np.linalg.LinAlgError):
            return []
        limits, (moved, wider) = pitch.model.limits, sizes - begun
        if np.abs(step).max() > 0.1 or not limits.smallest_hole_mm <= sizes[1] <= limits.largest_hole_mm:
            return []
        toward, larger = "window" if moved < 0.0 else "foot", "larger" if wider > 0.0 else "smaller"
        return [
            f"in the next body hole {name} {abs(wider):.1f} mm {larger} and {abs(moved):.1f} mm nearer the {toward}"
        ]


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
    features, groups, partners, reasons = planner.choose()
    steps = planner.plan(features, groups, partners, allowed)
    reasons += planner.drop_impossible(features, groups, steps)
    if (steps > 0.0).any():
        plan = tuple(planner.proposals(features, groups, steps))
        reasons += [reason for cut in plan for reason in cut.reasons]
        reasons += planner.too_sharp(plan[-1].cents_after)
        return Verdict("cut", plan, tuple(reasons), present, sigma, doubt, tell)
    # Where notes of one hole pull it apart, the piece will not be finished: played again it is only for a safe cut.
    torn = planner.torn()
    if torn and planner.cuts_after_playing(_MORE_PLAYS, allowed):
        torn = []
    reasons += [hole.says() for hole in torn]
    too_sharp = planner.too_sharp()
    reasons += too_sharp
    if torn or too_sharp:
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
