"""What a faultless head should read: by the model alone, beside good heads, or on a reference body.

What is not known is Gaussian: the jet's open settings (shared by all notes and all heads of a model; the wave speed,
whose effect is far from straight, at several values), small errors of every size of head and body, what all readings
of a kind in one trial share, reading errors, and how far the physics misses (`quantities`). Good heads of the same
model share the jet and the model's own miss with this one; trials on a body of the same name share its errors too.
Conditioned on them, what is shared cancels, and what is left is the head's own.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.linalg import cho_factor, cho_solve

from fluewright.arrays import BoolArray, FloatArray, IntArray
from fluewright.bench.voicing.evaluations import MODELLED, WAVE_NODES, Evaluations, HeadPoint
from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.bench.voicing.trial import HeadTrial
from fluewright.errors import InputError
from fluewright.instrument.pitch import without_octave

__all__ = ["Expected", "curve_along", "expect"]


_WAVES = 13  # speeds of the jet's waves, between those evaluated
_BODY_NOTE_CENTS = 2.0  # what holes bored one by one do to each note's pitch, both registers alike (shop tolerances)


@dataclass(frozen=True, eq=False)
class Expected:
    """What a faultless head should read, and everything that may make it read otherwise.

    Attributes
    ----------
    keys : tuple of (note, register, quantity)
    read, mean : array, shape (n,)
        What was read (logarithms where compared as ratios), and what is expected.
    covariance : array, shape (n, n)
        Of their difference.
    ratios : array, shape (notes,)
        Comfortable breath over the planned one.
    noise : array, shape (n,)
        Reading errors alone.
    nodes : array, shape (wave speeds, n)
        What is expected at each speed of the jet's waves; `mean` is their mean by `node_weights`.
    node_weights : array, shape (wave speeds,)
    node_covariance : array, shape (n, n)
        Of the difference where the wave speed is known.
    """

    keys: tuple[tuple[str, int, str], ...]
    read: FloatArray
    mean: FloatArray
    covariance: FloatArray
    ratios: FloatArray
    noise: FloatArray
    nodes: FloatArray
    node_weights: FloatArray
    node_covariance: FloatArray
    _taken: IntArray
    _curves: dict[str, tuple[list[PchipInterpolator | None], FloatArray]] = field(default_factory=dict)

    def pick(self, point: HeadPoint) -> FloatArray:
        """Return an evaluation's values of the quantities that were read, shape (n,), in the order of `keys`."""
        return point.at(self.ratios).ravel()[self._taken]

    @property
    def off(self) -> FloatArray:
        """Return how far the reading is from what is expected, in sigmas of their difference, shape (n,)."""
        return np.asarray((self.read - self.mean) / np.sqrt(np.diag(self.covariance)))


@dataclass(frozen=True, eq=False)
class _View:
    """One trial as the inference sees it."""

    keys: tuple[tuple[str, int, str], ...]
    taken: IntArray
    ratios: FloatArray
    read: FloatArray
    noise: FloatArray
    nodes: FloatArray  # (wave speeds, n)
    slopes: Mapping[str, FloatArray]  # by group, (n, parameters)
    shared: FloatArray  # (n, quantities): ones times the shared error
    holes: FloatArray  # (n, notes of the trial by name of fingering)
    common: FloatArray
    body: str


def _view(evaluations: Evaluations, trial: HeadTrial) -> _View:
    ratios = []
    for (note, register), planned in zip(evaluations.notes, evaluations.planned_pa, strict=True):
        comfortable = trial.of(note, register, "comfortable_pa")
        ratios.append(comfortable.value / planned if comfortable is not None else 1.0)
    at = np.asarray(ratios)
    base = evaluations.base.at(at).ravel()
    taken, read, noise = [], [], []
    for k, (note, register, quantity) in enumerate(evaluations.keys):
        reading = trial.of(note, register, quantity)
        if reading is None or not math.isfinite(base[k]):
            continue
        spec = QUANTITIES[quantity]
        taken.append(k)
        read.append(math.log(reading.value) if spec.relative else reading.value)
        sigma = reading.sigma / reading.value if spec.relative else reading.sigma
        noise.append(math.hypot(sigma, spec.own))
    if not taken:
        raise InputError(
            "the trial holds nothing that the model computes: read at least lowest breath, jump or pitch of "
            f"{', '.join(f'{n}.{r}' for n, r in evaluations.notes)}"
        )
    index = np.asarray(taken)
    keys = tuple(evaluations.keys[k] for k in taken)
    mean = base[index]
    nodes = np.stack([w.at(at).ravel()[index] for w in evaluations.waves])
    for k in range(len(mean)):
        # Where a note loses a quantity at some wave speed, the nearest that has it stands in.
        fine = np.isfinite(nodes[:, k])
        nodes[:, k] = np.interp(WAVE_NODES, WAVE_NODES[fine], nodes[fine, k]) if fine.any() else mean[k]
    fine_nodes = np.linspace(WAVE_NODES[0], WAVE_NODES[-1], _WAVES)
    nodes = np.asarray(PchipInterpolator(WAVE_NODES, nodes, axis=0)(fine_nodes))
    slopes: dict[str, list[FloatArray]] = {"settings": [], "head": [], "body": []}
    for nuisance, point in evaluations.nuisances:
        slopes[nuisance.group].append(np.nan_to_num(point.at(at).ravel()[index] - mean))
    shared = np.zeros((len(keys), len(MODELLED)))
    holes = np.zeros((len(keys), len(evaluations.notes)))
    first: dict[str, int] = {}
    targets = [without_octave(n) for n, _ in evaluations.notes]
    for row, (note, register, quantity) in enumerate(keys):
        shared[row, MODELLED.index(quantity)] = QUANTITIES[quantity].shared
        if quantity == "cents":
            place = evaluations.notes.index((note, register))
            holes[row, first.setdefault(targets[place], place)] = _BODY_NOTE_CENTS
    common = np.array([QUANTITIES[q].common for _, _, q in keys])
    stacked = {g: np.column_stack(v) if v else np.zeros((len(keys), 0)) for g, v in slopes.items()}
    return _View(
        keys, index, at, np.asarray(read), np.asarray(noise), nodes, stacked, shared, holes, common, trial.body
    )  # fmt: skip


def expect(evaluations: Evaluations, trial: HeadTrial, references: Sequence[HeadTrial] = ()) -> Expected:
    """Return what a faultless head of this model should read in this trial.

    Parameters
    ----------
    evaluations : Evaluations
    trial : HeadTrial
    references : sequence of HeadTrial
        Trials of good heads of the same model; on the body of the same name they share the body's errors too.

    Raises
    ------
    InputError
        The trial holds nothing that the model computes.
    """
    views = [_view(evaluations, t) for t in (trial, *references)]
    own, *others = views

    def blocks(a: _View, b: _View) -> FloatArray:
        s = a.slopes["settings"] @ b.slopes["settings"].T
        same_key = np.array([[x == y for y in b.keys] for x in a.keys], dtype=float)
        s = s + same_key * np.outer(a.common, b.common)
        if a is b or (a.body and a.body == b.body):
            s = s + a.slopes["body"] @ b.slopes["body"].T + a.holes @ b.holes.T
        if a is b:
            s = s + a.slopes["head"] @ b.slopes["head"].T + a.shared @ a.shared.T + np.diag(a.noise**2)
        return np.asarray(s)

    speeds = np.linspace(WAVE_NODES[0], WAVE_NODES[-1], _WAVES)
    logs = -0.5 * speeds**2
    nodes, covariance = own.nodes, blocks(own, own)
    if others:
        cross = np.hstack([blocks(own, o) for o in others])
        inner = np.block([[blocks(a, b) for b in others] for a in others])
        factor = cho_factor(inner)
        rest = np.hstack([o.read - o.nodes for o in others])  # (waves, readings)
        solved = cho_solve(factor, rest.T)
        logs = logs - 0.5 * np.einsum("wi,iw->w", rest, solved)
        nodes = nodes + (cross @ solved).T
        covariance = covariance - cross @ cho_solve(factor, cross.T)
    weights = np.exp(logs - np.logaddexp.reduce(logs))
    mean = weights @ nodes
    apart = nodes - mean
    whole = covariance + (apart * weights[:, None]).T @ apart
    return Expected(
        own.keys, own.read, mean, whole, own.ratios, own.noise, nodes, weights, covariance, own.taken
    )  # fmt: skip


def curve_along(
    evaluations: Evaluations, expected: Expected, axis: str, sizes: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Return (change of every reading, whether it is known) at the given deviations; shapes (sizes, n)."""
    if axis not in expected._curves:
        at, points = evaluations.axes[axis]
        values = np.stack([expected.pick(p) for p in points])
        lines: list[PchipInterpolator | None] = []
        ends = np.zeros((2, values.shape[1]))
        for j in range(values.shape[1]):
            fine = np.isfinite(values[:, j])
            lines.append(PchipInterpolator(at[fine], values[fine, j] - values[0, j]) if fine.sum() > 1 else None)
            ends[:, j] = (at[fine][0], at[fine][-1]) if fine.sum() > 1 else (math.inf, -math.inf)
        expected._curves[axis] = (lines, ends)
    lines, ends = expected._curves[axis]
    change = np.zeros((sizes.size, len(lines)))
    for j, line in enumerate(lines):
        if line is not None:
            change[:, j] = line(np.clip(sizes, ends[0, j], ends[1, j]))
    known = (sizes[:, None] >= ends[0] - 1e-9) & (sizes[:, None] <= ends[1] + 1e-9)
    return change, known
