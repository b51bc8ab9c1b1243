"""The steps of one round of cuts: how far each hole may be cut so that the chance of going too far stays allowed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from fluewright.arrays import BoolArray, FloatArray
from fluewright.bench.calibration import PlayedTrial, Posterior, evidence_of, update
from fluewright.bench.features import Feature, features_of, tool_for
from fluewright.bench.pitch_model import is_plain_cut
from fluewright.bench.policy import CutPolicy
from fluewright.bench.verdict import AtLimit, CannotBeCut, CutProposal, EndsCut, Reason
from fluewright.errors import ModelError
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.sizes import LENGTH, CutKind, hole_key, with_sizes
from fluewright.units import shifted

__all__ = ["Planner", "doubt_of"]


_DRAWS = 4096


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
    """Return the chance that some first-register note lies outside its tolerance.

    Parameters
    ----------
    mean : array, shape (n,)
        Cents of every fingering.
    covariance : array, shape (n, n)
        Theirs, cents squared.
    first : bool array, shape (n,)
        Which fingerings are of register 1; one at least.
    tolerance : float
        Cents.
    """
    drawn = _cents_drawn(mean, covariance, first)
    return float((np.abs(drawn) > tolerance).any(axis=1).mean())


@dataclass
class Planner:
    """The steps of one round.

    Arrays are: `steps`, mm by feature, 0 = not cut, shape (features,); `mean` and `covariance` of the cents of every
    fingering, shapes (fingerings,) and (fingerings, fingerings).
    """

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
        """Return the sizes of the piece after some cuts, mm by key; `steps` has the shape of the features."""
        built = dict(self.as_built)
        for feature, step in zip(features, steps, strict=True):
            if step > 0.0:
                built[feature.key] = feature.after_mm(float(step))
        return built

    def after(
        self, features: Sequence[Feature], steps: FloatArray, *, gauged: bool = False
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return (cents, covariance with the hand's errors, cents per mm of every feature) after some cuts.

        Shapes are (fingerings,), (fingerings, fingerings), (fingerings, features). Of cuts that were made and `gauged`
        the gauge's error counts in place of the hand's.
        """
        built = self.sizes(features, steps)
        mean, covariance = self.posterior.forecast(built)
        places = [self.pitch.columns[f.key] for f in features]
        solved = self.pitch.solve(built, self.posterior.parameters[:4], sensitivities=True)
        slopes = solved.by_dimension_cents[:, places] * np.array([f.direction for f in features])
        beliefs = self.posterior.prior.beliefs
        own = np.array([f.accuracy_mm for f in features])
        hand = beliefs.gauge_mm if gauged else np.hypot(own, self.policy.accuracy_share * steps)
        by_hand = slopes * np.where(steps > 0.0, hand, 0.0)
        gain = np.array([beliefs.gain_of_cut if is_plain_cut(f.key) else beliefs.gain_of_shaping for f in features])
        by_cut = np.diag(((slopes * steps * gain) ** 2).sum(axis=1))
        return mean, covariance + by_hand @ by_hand.T + by_cut, slopes

    def chance(self, mean: FloatArray, covariance: FloatArray) -> float:
        """Return the chance that a note which the cuts raise ends beyond its tolerance and was not beyond it before.

        Cents after the cuts: `mean`, shape (fingerings,), and `covariance`, shape (fingerings, fingerings).
        """
        raised = self.first & (mean - self.present > 0.05)
        if not raised.any():
            return 0.0
        drawn = _cents_drawn(mean, covariance, raised)
        before = drawn - (mean - self.present)[raised]
        return float(((drawn > self.tolerance) & (before <= self.tolerance)).any(axis=1).mean())

    def outer(self, group: Sequence[int], mean: FloatArray) -> tuple[int, int]:
        """Return the notes of one hole between which its aim lies: the sharpest and the flattest of its group.

        `mean`: cents of all notes, shape (fingerings,). Where no size of the hole brings both within the tolerance, it
        is the sharpest alone, twice: to push it to the end of its tolerance would risk it for no gain.
        """
        top, bottom = max(group, key=lambda i: mean[i]), min(group, key=lambda i: mean[i])
        return top, bottom if self.can_meet(top, bottom, mean) else top

    def can_meet(self, top: int, bottom: int, mean: FloatArray) -> bool:
        """Return whether some size of their hole brings two notes within the tolerance: the sharp one at its end.

        `mean`: cents of all notes, shape (fingerings,).
        """
        if top == bottom:
            return True
        rise = self.tolerance - mean[top]
        return bool(mean[bottom] + self.lift(top, bottom) * rise >= -self.tolerance)

    @cached_property
    def slopes(self) -> FloatArray:
        """Return cents per mm (or degree) of every size as the piece is now, shape (fingerings, sizes)."""
        return self.pitch.solve(self.as_built, self.posterior.parameters[:4], sensitivities=True).by_dimension_cents

    def lift(self, top: int, bottom: int) -> float:
        """Return how far the diameter of their hole (or the length) lifts the flat note for each cent of the sharp."""
        hole = governing_hole(self.pitch.fingerings[top])
        key = LENGTH if hole is None else hole_key(self.pitch.model.holes[hole].name)
        of_top, of_bottom = self.slopes[[top, bottom], self.pitch.columns[key]]
        return float(of_bottom / of_top) if of_top != 0.0 else np.inf

    def level(self, group: Sequence[int], mean: FloatArray) -> float:
        """Return where the notes of one hole stand, cents: the middle of `outer`; `mean` has shape (fingerings,)."""
        top, bottom = self.outer(group, mean)
        return float(0.5 * (mean[top] + mean[bottom]))

    def pull(self, group: Sequence[int], partners: Sequence[int], mean: FloatArray) -> float:
        """Return the aim, cents: both registers weighed; the second may pull the first by 2, if that is sure to hold.

        `mean`: cents of all notes, shape (fingerings,); `partners`: those of register 2.
        """
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

    def choose(self) -> tuple[list[Feature], list[list[int]], list[list[int]], list[Reason]]:
        """Return (features, the notes each governs, their partners in register 2, limits that are reached)."""
        policy, fingerings = self.policy, self.pitch.fingerings
        every = features_of(
            self.pitch, self.as_built, kinds=tuple(dict.fromkeys((*policy.kinds, *policy.instead))),
            hole_accuracy_mm=policy.accuracy_mm, foot_accuracy_mm=policy.foot_accuracy_mm,
            hole_step_mm=policy.smallest_step_mm,
        )  # fmt: skip
        chosen: list[Feature] = []
        groups: list[list[int]] = []
        partners: list[list[int]] = []
        remarks: list[Reason] = []
        for hole in [None, *range(len(self.pitch.model.holes) - 1, -1, -1)]:
            governed = self.governed(hole)
            if not governed:
                continue
            mine = [f for f in every if f.hole == hole and f.kind in (CutKind.FOOT, *policy.kinds, *policy.instead)]
            order = [*policy.kinds, *policy.instead]
            mine.sort(key=lambda f: order.index(f.kind))
            usable = [f for f in mine if f.room_mm >= f.smallest_mm]
            if mine and mine[0] not in usable and self.level(governed, self.present) < -policy.close_enough_cents:
                note = fingerings[self.flattest(governed)].note
                remarks.append(AtLimit(note, mine[0].key, mine[0].before_mm))
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
        """Return the step of every feature, mm, shape (features,), 0 where none is worth making.

        Parameters
        ----------
        features : sequence of Feature
        groups, partners : sequence of sequences of int
            The notes that each feature governs in register 1 and in register 2, as `choose` returns them.
        allowed : float
            Chance that a raised note may end beyond its tolerance.
        """
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
            if self.policy.shelf_only and feature.kind is CutKind.HOLE and steps[j] > 0.0:
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
    ) -> list[Reason]:
        """Set to 0 the steps that would make no instrument (holes that meet, a rim cut away); return why.

        `steps`, mm, shape (features,), is changed in place.
        """
        remarks: list[Reason] = []
        so_far = np.zeros(len(features))
        for j in map(int, np.flatnonzero(steps > 0.0)):
            so_far[j] = steps[j]
            try:
                with_sizes(self.pitch.model, self.sizes(features, so_far))
            except ModelError as error:
                so_far[j] = steps[j] = 0.0
                note = self.pitch.fingerings[self.flattest(groups[j])].note
                remarks.append(CannotBeCut(note, features[j].key, str(error)))
        return remarks

    def ended_by(self, feature: Feature, group: Sequence[int], mean: FloatArray) -> tuple[EndsCut, ...]:
        """Return why a cut leaves a note of its hole flat: the sharper note that ends it, none where none does.

        `mean`: cents after all cuts, shape (fingerings,).
        """
        top, bottom = (choose(group, key=lambda i: mean[i]) for choose in (max, min))
        near = self.policy.close_enough_cents
        if mean[bottom] >= -near or mean[top] - mean[bottom] <= near:
            return ()
        sharp, flat = (self.pitch.fingerings[i].note for i in (top, bottom))
        hole = None if feature.hole is None else self.pitch.model.holes[feature.hole].name
        return (EndsCut(hole, sharp, flat, float(mean[top]), float(mean[bottom])),)

    def proposals(
        self, features: Sequence[Feature], groups: Sequence[Sequence[int]], steps: FloatArray
    ) -> list[CutProposal]:
        """Return the cuts in order, each with what all up to it do; `steps`, mm, shape (features,)."""
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
                    feature.key, feature.kind, feature.before_mm, feature.after_mm(step),
                    self.pitch.fingerings[self.flattest(groups[j])].note, before, mean, np.sqrt(np.diag(covariance)),
                    self.chance(mean, covariance), tool_for(self.pitch, feature, feature.after_mm(step)),
                    self.ended_by(feature, groups[j], at_last) if step < feature.room_mm else (),
                )
            )  # fmt: skip
            before = mean
            if self.policy.one_at_a_time:
                break
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
        surer = Planner(replace(posterior, covariance=covariance), self.as_built, self.policy)
        features, groups, partners, _ = surer.choose()
        return bool((surer.plan(features, groups, partners, allowed) > 0.0).any())
