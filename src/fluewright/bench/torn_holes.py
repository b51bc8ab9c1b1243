"""Holes whose sharpest and flattest note want them of different sizes, and what would reconcile the two."""

from dataclasses import dataclass

import numpy as np

from fluewright.bench.features import features_of
from fluewright.bench.planner import Planner
from fluewright.bench.verdict import NextBody, OtherFingering, Torn, Undercutting
from fluewright.errors import ComputeError, ModelError
from fluewright.instrument.fingering import CLOSED
from fluewright.instrument.sizes import CutKind, hole_key, with_sizes

__all__ = ["torn_holes"]


def torn_holes(planner: Planner) -> list[Torn]:
    """Return the holes that set notes of which the flattest is out of tolerance, and the sharpest far above it."""
    found = []
    for hole in [None, *range(len(planner.pitch.model.holes) - 1, -1, -1)]:
        group = planner.governed(hole)
        if not group:
            continue
        top, bottom = (choose(group, key=lambda i: planner.present[i]) for choose in (max, min))
        flat = planner.present[bottom] < -planner.tolerance
        if flat and planner.present[top] - planner.present[bottom] > planner.tolerance:
            found.append(_TornHole(planner, hole, top, bottom).reason())
    return found


@dataclass(frozen=True)
class _TornHole:
    """A hole, or the foot (None), whose sharpest and flattest note want it of different sizes."""

    planner: Planner
    hole: int | None
    top: int
    bottom: int

    def reason(self) -> Torn:
        """Return what is wrong, by how much, and what would reconcile the two."""
        planner = self.planner
        cents = planner.present
        sharp, flat = (planner.pitch.fingerings[i].note for i in (self.top, self.bottom))
        return Torn(
            None if self.hole is None else planner.pitch.model.holes[self.hole].name, sharp, flat,
            float(cents[self.top]), float(cents[self.bottom]), planner.tolerance,
            planner.can_meet(self.top, self.bottom, cents), (*self._fingerings(), *self._shaping(), *self._next_body()),
        )  # fmt: skip

    def _fingerings(self) -> list[OtherFingering]:
        """Return which fingerings may move one note and not the other: holes below a note's own one bend it alone."""
        sharp, flat = (self.planner.pitch.fingerings[i] for i in (self.top, self.bottom))
        below = 0 if self.hole is None else self.hole + 1
        found = []
        if any(state != CLOSED for state in sharp.holes[below:]):
            found.append(OtherFingering(sharp.note, closed=True))
        if any(state == CLOSED for state in flat.holes[below:]):
            found.append(OtherFingering(flat.note, closed=False))
        return found

    def _shaping(self) -> list[Undercutting]:
        """Return the undercut that lifts the flat note more, for each cent of the sharp one, than the diameter does."""
        if self.hole is None:
            return []
        pitch, plain = self.planner.pitch, self.planner.lift(self.top, self.bottom)
        lifts = {}
        for feature in features_of(pitch, self.planner.as_built, kinds=(CutKind.UNDERCUT_UP, CutKind.UNDERCUT_DOWN)):
            of_top, of_bottom = self.planner.slopes[[self.top, self.bottom], pitch.columns[feature.key]]
            if feature.hole == self.hole and of_top > 0.0 and feature.room_mm > 0.0:
                lifts[feature.kind] = float(of_bottom / of_top)
        if not lifts or max(lifts.values()) < 1.1 * plain:
            return []
        kind = max(lifts, key=lambda k: lifts[k])
        sharp, flat = (pitch.fingerings[i].note for i in (self.top, self.bottom))
        return [Undercutting(kind, sharp, flat, lifts[kind], plain)]

    def _next_body(self) -> list[NextBody]:
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
        return [NextBody(name, float(wider), float(moved))]
