"""Kernel: the blown instrument in time, from breath and fingers to the flow that sounds."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fluewright.acoustics.kernels.compiled import kernel, maker, part
from fluewright.acoustics.kernels.jet import Jet, jet_at
from fluewright.acoustics.kernels.loop import OMEGA, QUALITY, RESIDUE
from fluewright.arrays import FloatArray

__all__ = ["Played", "Score", "lagged", "play"]

_RING = 1 << 14  # samples that the jet can remember
_MASK = _RING - 1
_WEIGHTLESS = 1e-5  # a node's weight that does not count

# A mode over one step: x, v: its displacement and velocity; then what of either and of a force held over the step goes
# into the next; heard: what its flow counts outside.
_MODE = np.dtype(
    [
        (name, np.float64)
        for name in ("x", "v", "x_by_x", "x_by_v", "x_by_force", "v_by_x", "v_by_v", "v_by_force", "heard")
    ],
    align=True,
)
# A node of the jet's memory: so many whole samples back, and a part of one; its weight.
_NODE = np.dtype([("back", np.int64), ("part", np.float64), ("weight", np.float64)], align=True)


class Score(NamedTuple):
    """What is played, one row a block of steps.

    log_speed: the jet's speed (logarithm; below the grid the source fades); level: the source's share, 0 to 1; gusts:
    turbulent pressure, Pa rms; gust_hz: the centre of its spectrum, each shape (blocks,); modes: OMEGA, QUALITY,
    RESIDUE of every mode, (blocks, modes, 3); heard: what a mode's flow counts outside, (blocks, modes).
    """

    log_speed: FloatArray
    level: FloatArray
    gusts: FloatArray
    gust_hz: FloatArray
    modes: FloatArray
    heard: FloatArray


class Played(NamedTuple):
    """What comes of it: flow, m/s at the window, and sounding, the same as it counts outside, shape (steps,).

    deflection: of the jet at the edge, m, at the end of every block, shape (blocks,).
    """

    flow: FloatArray
    sounding: FloatArray
    deflection: FloatArray


class _Instrument(NamedTuple):
    """The instrument between two steps: records of modes and memory, the memory's weights, the past that it holds."""

    modes: NDArray[np.void]
    nodes: NDArray[np.void]
    weights: FloatArray
    past: FloatArray


class _Air(NamedTuple):
    """What the air at the edge remembers from one step to the next.

    split: tanh((eta - y0)/b); drag, older_drag: |v| v of the last two steps; force; first, second: poles of the noise.
    """

    split: float
    drag: float
    older_drag: float
    force: float
    first: float
    second: float


class _Gust(NamedTuple):
    """The turbulent pressure of a block: pole of its filter, scale, and what it counts outside beside the window."""

    pole: float
    loud: float
    direct: float


@maker
def lagged(speeds, length, dt):
    """Return the windway's speed behind its steady value, both (m/s, every dt; shape (n,)): its air has inertia.

    rho length dU/dt is what the breath gives beyond the steady drop, here to first order: a lag of length/U.
    """
    out = np.empty(speeds.size)
    now = speeds[0]
    for i in range(speeds.size):
        lag = length / max(now, 0.5 * speeds[i], 0.5)
        now += (speeds[i] - now) * (1.0 - math.exp(-dt / lag))
        out[i] = now
    return out


@kernel
def _put_turns(row, heard, dt, modes):
    """Fill how every mode turns over a step: exactly, under a force held over it. row: modes of the block."""
    for k in range(modes.size):
        mode = modes[k]
        w, q, a = row[k, OMEGA], row[k, QUALITY], row[k, RESIDUE]
        damp = 0.5 * w / q
        turn = math.sqrt(w * w - damp * damp)
        fade = math.exp(-damp * dt)
        c = fade * math.cos(turn * dt)
        s = fade * math.sin(turn * dt) / turn
        mode.x_by_x = c + damp * s
        mode.x_by_v = s
        mode.x_by_force = a * (1.0 - c - damp * s) / (w * w)
        mode.v_by_x = -w * w * s
        mode.v_by_v = c - damp * s
        mode.v_by_force = a * s
        mode.heard = heard[k]


@kernel
def _put_nodes(spacing, rate, weights, nodes):
    """Fill where in the past the jet's memory looks; return the first node that counts."""
    for j in range(nodes.size):
        back = min((j + 1) * spacing * rate, _RING - 3.0)
        nodes[j].back = int(back)
        nodes[j].part = back - nodes[j].back
        nodes[j].weight = weights[j]
    first = 0
    while first < nodes.size - 1 and abs(nodes[first].weight) < _WEIGHTLESS:
        first += 1
    return first


@kernel
def _gust_of(gusts, gust_hz, direct, dt):
    """Return the turbulent pressure of a block: two poles at one place, a band-pass by their difference."""
    pole = 2.0 * math.pi * gust_hz * dt
    pole = pole / (1.0 + pole)
    # Its variance is 2 r (1 - r)**2/(2 - r)**3.
    variance = max(pole * (1.0 - pole) ** 2 / ((2.0 - pole) ** 3) * 2.0, 1e-12)
    return _Gust(pole, gusts / math.sqrt(variance), direct)


@part
def _deflection(here, first, lumped, force, instrument):
    """Turn the modes freely over a step; return the jet's deflection at its end."""
    modes, nodes, past = instrument.modes, instrument.nodes, instrument.past
    ahead_x = 0.0
    ahead_v = 0.0
    lift = 0.0
    for k in range(modes.size):
        mode = modes[k]
        x = mode.x_by_x * mode.x + mode.x_by_v * mode.v
        mode.v = mode.v_by_x * mode.x + mode.v_by_v * mode.v
        mode.x = x
        ahead_x += x
        ahead_v += mode.v
        lift += mode.x_by_force
    past[here & _MASK] = ahead_v if lumped else ahead_x + lift * force
    held = 0.0
    for j in range(first, nodes.size):
        node = nodes[j]
        at = here - node.back
        near = past[at & _MASK]
        held += node.weight * (near + node.part * (past[(at - 1) & _MASK] - near))
    return held if lumped else past[here & _MASK] - held


@part
def _pushed(here, force, lumped, instrument):
    """Add a force to the modes over a step; return (flow at the window, the same as it counts outside)."""
    modes = instrument.modes
    total_x = 0.0
    total_v = 0.0
    heard = 0.0
    for k in range(modes.size):
        mode = modes[k]
        mode.x += mode.x_by_force * force
        mode.v += mode.v_by_force * force
        total_x += mode.x
        total_v += mode.v
        heard += mode.heard * mode.v
    instrument.past[here & _MASK] = total_v if lumped else total_x
    return total_v, heard


@kernel
def _play_block(begin, block, rate, jet, first, lumped, gust, white, air, instrument, played):
    """Step through one block, from step `begin` on; return the air then, and the deflection."""
    split, drag, older_drag, force, low1, low2 = air
    eta = 0.0
    for n in range(begin, begin + block):
        eta = _deflection(n + 1, first, lumped, force, instrument)
        now = math.tanh((eta - jet.y0) / jet.b)
        if split != split:
            split = now
        # The source's part is the exact impulse of C d/dt tanh(...); the loss is taken half a step ahead by two values
        # (Adams & Bashforth).
        force = jet.source * (now - split) * rate - jet.loss * (1.5 * drag - 0.5 * older_drag)
        split = now
        blast = 0.0
        if gust.loud > 0.0:
            low1 += gust.pole * (white[n] - low1)
            low2 += gust.pole * (low1 - low2)
            blast = gust.loud * (low1 - low2)
            force += blast
        flow, heard = _pushed(n + 1, force, lumped, instrument)
        older_drag = drag
        drag = abs(flow) * flow
        played.flow[n] = flow
        played.sounding[n] = gust.direct * blast + heard
    return _Air(split, drag, older_drag, force, low1, low2), eta


@kernel
def _play(rate, block, score, grid, direct, white, instrument, played):
    """Step the instrument through all blocks."""
    lumped = instrument.nodes.size == 1
    total_x = 0.0
    total_v = 0.0
    for k in range(instrument.modes.size):
        total_x += instrument.modes[k].x
        total_v += instrument.modes[k].v
    instrument.past[:] = total_v if lumped else total_x
    drag = abs(total_v) * total_v
    air = _Air(math.nan, drag, drag, 0.0, 0.0, 0.0)
    for i in range(score.log_speed.size):
        full = jet_at(score.log_speed[i], grid, instrument.weights)
        jet = Jet(full.b, full.y0, full.source * score.level[i], full.loss, full.spacing)
        _put_turns(score.modes[i], score.heard[i], 1.0 / rate, instrument.modes)
        first = _put_nodes(jet.spacing, rate, instrument.weights, instrument.nodes)
        gust = _gust_of(score.gusts[i], score.gust_hz[i], direct, 1.0 / rate)
        air, played.deflection[i] = _play_block(
            i * block, block, rate, jet, first, lumped, gust, white, air, instrument, played
        )  # fmt: skip


@maker
def play(rate, block, score, grid, direct, white, start, played):
    """Step the instrument through time and fill what is played; second order in the step.

    rate: steps a second; block: steps between two rows of the score; direct: what the turbulent pressure counts
    outside beside the window, (m/s)/Pa; white: normal numbers, one a step; start: displacement and velocity of every
    mode, shape (modes, 2); left as the motion ends. One weight alone in the grid's memories is the lumped law, a
    delayed gain of the velocity; else the memory is of the displacement.
    """
    count = start.shape[0]
    nodes = grid.memories.shape[1]
    modes = np.empty(count, _MODE)
    for k in range(count):
        modes[k].x = start[k, 0]
        modes[k].v = start[k, 1]
    instrument = _Instrument(modes, np.empty(nodes, _NODE), np.empty(nodes), np.empty(_RING))
    _play(rate, block, score, grid, direct, white, instrument, played)
    for k in range(count):
        start[k, 0] = modes[k].x
        start[k, 1] = modes[k].v
