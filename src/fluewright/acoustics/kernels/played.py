"""Kernel: the blown instrument in time, from breath and fingers to the flow that sounds."""

import math

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel
from fluewright.acoustics.kernels.jet import jet_at

__all__ = ["lagged", "play"]

_RING = 1 << 14  # samples that the jet can remember


@kernel
def lagged(speeds, length, dt):
    """Return the windway's speed behind its steady value, both (m/s, every dt): the air in it has inertia.

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
def play(
    rate, block, log_speed, level, modes, radiation, log_speeds, jets, memories, noise, noise_rate, direct, white,
    start, flow, sounding, deflection,
):  # fmt: skip
    """Step the instrument through time and fill flow (m/s at the window), sounding (the same weighed by radiation).

    rate: steps a second; block: steps between two settings. log_speed, level, noise, noise_rate (one a block): the
    jet's speed (logarithm; below the grid the source fades), the source's share 0 to 1, turbulent pressure (Pa rms) and
    the centre of its spectrum (Hz). modes (blocks, modes, 3): w, q, a; radiation (blocks, modes): what a mode's flow
    counts outside; direct: what the turbulent pressure counts beside it, (m/s)/Pa; white: normal numbers, one a step.
    start (modes, 2): displacement and velocity of every mode; left as the motion ends. deflection: of the jet at the
    edge, m, at the end of every block.

    The modes turn exactly under a force held over a step; the source's part of it is the exact impulse of
    C d/dt tanh(...), the loss is taken half a step ahead by two values (Adams & Bashforth): second order in the step.
    One weight alone is the lumped law, a delayed gain of the velocity; else the memory is of the displacement.
    """
    dt = 1.0 / rate
    count = start.shape[0]
    x = start[:, 0].copy()
    v = start[:, 1].copy()
    nodes = memories.shape[1]
    lumped = nodes == 1
    jet = np.empty(jets.shape[1])
    weights = np.empty(nodes)
    past = np.zeros(_RING)
    by_x = np.empty((count, 3))
    by_v = np.empty((count, 3))
    offset = np.empty(nodes, np.int64)
    part = np.empty(nodes)
    total_x = 0.0
    total_v = 0.0
    for k in range(count):
        total_x += x[k]
        total_v += v[k]
    past[:] = total_v if lumped else total_x
    split = math.nan
    drag = abs(total_v) * total_v
    old_drag = drag
    force = 0.0
    n = 0
    low1 = 0.0
    low2 = 0.0
    for i in range(log_speed.size):
        jet_at(log_speed[i], log_speeds, jets, memories, jet, weights)
        b, y0, source, loss, spacing = jet[0], jet[1], jet[2] * level[i], jet[3], jet[4]
        for k in range(count):
            w, q, a = modes[i, k, 0], modes[i, k, 1], modes[i, k, 2]
            damp = 0.5 * w / q
            turn = math.sqrt(w * w - damp * damp)
            fade = math.exp(-damp * dt)
            c = fade * math.cos(turn * dt)
            s = fade * math.sin(turn * dt) / turn
            by_x[k, 0] = c + damp * s
            by_x[k, 1] = s
            by_x[k, 2] = a * (1.0 - c - damp * s) / (w * w)
            by_v[k, 0] = -w * w * s
            by_v[k, 1] = c - damp * s
            by_v[k, 2] = a * s
        first = 0
        for j in range(nodes):
            at = min((j + 1) * spacing * rate, _RING - 3.0)
            offset[j] = int(at)
            part[j] = at - offset[j]
        while first < nodes - 1 and abs(weights[first]) < 1e-5:
            first += 1
        roar = 2.0 * math.pi * noise_rate[i] * dt
        roar = roar / (1.0 + roar)
        # Two poles at one place, a band-pass by their difference; its variance is 2 r (1 - r)**2/(2 - r)**3.
        loud = noise[i] / math.sqrt(max(roar * (1.0 - roar) ** 2 / ((2.0 - roar) ** 3) * 2.0, 1e-12))
        for _ in range(block):
            ahead_x = 0.0
            ahead_v = 0.0
            lift = 0.0
            for k in range(count):
                nx = by_x[k, 0] * x[k] + by_x[k, 1] * v[k]
                v[k] = by_v[k, 0] * x[k] + by_v[k, 1] * v[k]
                x[k] = nx
                ahead_x += nx
                ahead_v += v[k]
                lift += by_x[k, 2]
            here = n + 1
            past[here & (_RING - 1)] = ahead_v if lumped else ahead_x + lift * force
            held = 0.0
            for j in range(first, nodes):
                at = here - offset[j]
                near = past[at & (_RING - 1)]
                held += weights[j] * (near + part[j] * (past[(at - 1) & (_RING - 1)] - near))
            eta = held if lumped else past[here & (_RING - 1)] - held
            now = math.tanh((eta - y0) / b)
            if split != split:
                split = now
            force = source * (now - split) * rate - loss * (1.5 * drag - 0.5 * old_drag)
            split = now
            gust = 0.0
            if noise[i] > 0.0:
                low1 += roar * (white[n] - low1)
                low2 += roar * (low1 - low2)
                gust = loud * (low1 - low2)
                force += gust
            total_x = 0.0
            total_v = 0.0
            heard = direct * gust
            for k in range(count):
                x[k] += by_x[k, 2] * force
                v[k] += by_v[k, 2] * force
                total_x += x[k]
                total_v += v[k]
                heard += radiation[i, k] * v[k]
            past[here & (_RING - 1)] = total_v if lumped else total_x
            old_drag = drag
            drag = abs(total_v) * total_v
            flow[n] = total_v
            sounding[n] = heard
            n += 1
        deflection[i] = eta
    for k in range(count):
        start[k, 0] = x[k]
        start[k, 1] = v[k]
