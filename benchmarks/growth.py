"""How the time of one solution grows with holes, slices of the bore and notes; what each part of the work costs."""

import math
import time
from dataclasses import dataclass, replace

import numpy as np

from fluewright.acoustics.kernels import network as kernel
from fluewright.acoustics.kernels import offsets
from fluewright.acoustics.kernels.chain import LONGEST_PIECE
from fluewright.acoustics.kernels.offsets import HOLE_SIZES
from fluewright.acoustics.network import Network, Rules
from fluewright.acoustics.resonance import resonances

LENGTH_M = 0.280
PIECE_M = LONGEST_PIECE


def task_of(sizes, n_bore, n_out, states, network: Network, *, rules=None, sensitivities=False, guesses=None):
    """Return a call that solves all rows of `states` for mode 1 (or the network's own), each from beside its root."""
    n = states.shape[0]
    n_holes = states.shape[1]
    modes = network.modes if states is network.states else np.ones(n, np.int64)
    given = network.given()._replace(
        sizes=sizes, n_bore=n_bore, n_out=n_out, n_holes=n_holes, formulas=(rules or network.rules).formulas()
    )
    if n_holes != network.n_holes:
        given = given._replace(angles=np.zeros(n_holes))
    omegas, slopes, resist = np.empty(n), np.empty(n), np.empty(n)
    grads = np.zeros((n if sensitivities else 0, sizes.size))

    def solve(start):
        kernel.solve(given, modes, start, states, omegas, slopes, resist, grads)

    if guesses is None:
        solve(np.full(n, 2 * math.pi * 600.0))
        if np.isnan(omegas).any():
            raise RuntimeError("a trial instrument has no resonance")
        guesses = omegas * 1.001
    return lambda: solve(guesses)


def times_s(tasks, budget_s=0.004, rounds=40):
    """Return the best time of one call of every task, s; short rounds over all tasks, so that all meet one load."""
    inner = []
    for task in tasks:
        task()
        begin = time.perf_counter()
        task()
        inner.append(max(int(budget_s / max(time.perf_counter() - begin, 1e-6)), 1))
    best = [math.inf] * len(tasks)
    for _ in range(rounds):
        for i, task in enumerate(tasks):
            begin = time.perf_counter()
            for _ in range(inner[i]):
                task()
            best[i] = min(best[i], (time.perf_counter() - begin) / inner[i])
    return best


def _instrument(network: Network, n_holes, n_slices):
    """Return (sizes, n_bore, n_out): the network's head, a bore of cones (0: a cylinder) and holes in a row."""
    head = network.sizes[: offsets.HEAD_SIZES]
    stations = max(n_slices, 1) + 1
    x = np.linspace(0, LENGTH_M, stations)
    # Every slice is a cone of its own: a taper that bends.
    r = 0.0062 - (0.0012 * (x / LENGTH_M) ** 1.5 if n_slices else 0 * x)
    outside = np.array([0, 0.0082, LENGTH_M, 0.0082])
    holes = np.zeros((n_holes, HOLE_SIZES))
    if n_holes:
        holes[:, 0] = np.linspace(0.47, 0.92, 8)[:n_holes] * LENGTH_M
        holes[:, 1] = 0.0030
        holes[:, 7] = 1.0
    return np.concatenate([head, np.column_stack([x, r]).ravel(), outside, holes.ravel()]), stations, 2


def _cones(n_slices):
    """Return the pieces that the slices are cut into, lossy cones being at most PIECE_M long."""
    return n_slices * math.ceil(LENGTH_M / n_slices / PIECE_M - 1e-9)


@dataclass(frozen=True)
class Growth:
    """Times over one quantity, and the straight line through them."""

    what: str
    counts: list[int]
    times_s: list[float]

    @property
    def line(self):
        """Return (slope in s, worst deviation from the line as a share of the longest time)."""
        n, t = np.array(self.counts, float), np.array(self.times_s)
        slope, start = np.polyfit(n, t, 1)
        return slope, np.abs(slope * n + start - t).max() / t.max()


def growth(network: Network) -> list[Growth]:
    """Return how the time grows with the number of closed and open holes, of conical pieces and of notes."""
    found = []
    counts = list(range(9))
    for state, name in ((0, "closed holes"), (1, "open holes")):
        tasks = [
            task_of(*_instrument(network, n, 0), np.full((14, n), state, np.int8), network, guesses=None)
            for n in counts
        ]
        found.append(Growth(f"{name}, 14 notes", counts, times_s(tasks)))
    slices = [1, 16, 24, 32, 48, 64]
    tasks = [task_of(*_instrument(network, 6, n), np.zeros((14, 6), np.int8), network) for n in slices]
    found.append(Growth("conical pieces of the bore, 14 notes", [_cones(n) for n in slices], times_s(tasks)))
    notes = [1, 2, 4, 8, 14, 20, 28]
    shape = network.sizes, network.n_bore, network.n_out
    tasks = [task_of(*shape, np.ascontiguousarray(np.tile(network.states[:7], (4, 1))[:n]), network) for n in notes]
    found.append(Growth("notes", notes, times_s(tasks)))
    return found


def parts(network: Network) -> list[tuple[str, float]]:
    """Return (what is solved, s): the same notes with parts of the work left out or added, all in one run."""
    shape = network.sizes, network.n_bore, network.n_out
    states = network.states
    names, tasks = [], []

    def add(name, *, rules=None, sensitivities=False, rows=None, factor=1.001):
        rules = rules or Rules()
        own = replace(network, rules=rules)
        if rows is None:
            guesses = 2 * np.pi * resonances(own).frequencies_hz * factor
            names.append(name)
            tasks.append(task_of(*shape, states, own, sensitivities=sensitivities, guesses=guesses))
            return
        names.append(name)
        tasks.append(task_of(*shape, rows, own, sensitivities=sensitivities))

    add("all notes, from 1.7 cents beside")
    empty = replace(network, modes=network.modes[:0], states=np.ascontiguousarray(states[:0]))
    names.append("no note: lay-out, constants of holes, table of losses, coupling constants")
    tasks.append(task_of(*shape, empty.states, empty, guesses=np.empty(0)))
    add("without coupling of the openings", rules=Rules(coupled=False))
    add("without losses", rules=Rules(lossy=False))
    add("without losses and coupling", rules=Rules(lossy=False, coupled=False))
    add("from a semitone beside", factor=2 ** (1 / 12))
    names.append("from one guess for all, found by counting")
    lowest = np.full(len(network.fingerings), 2 * np.pi * resonances(network).frequencies_hz.min())
    tasks.append(task_of(*shape, states, network, guesses=lowest))
    add("with all sensitivities", sensitivities=True)
    add("with all sensitivities, without coupling", rules=Rules(coupled=False), sensitivities=True)
    add("with all sensitivities, without losses", rules=Rules(lossy=False), sensitivities=True)
    closed = np.zeros_like(states)
    add("as many notes with all holes closed, register 1", rows=closed)
    add("as many notes with all holes open, register 1", rows=closed + np.int8(1))
    return list(zip(names, times_s(tasks), strict=True))
