"""Kernel: the loop of jet and resonator for smallest motions: its gain, its growth, the breath at which a note begins.

The window's acoustic velocity v (m/s, into the bore) answers a pressure p by the resonator's modes,
v = Y p, Y(s) = sum a_k s/(s**2 + s w_k/q_k + w_k**2); the jet's deflection at the edge answers v by eta = F v, and
p = C d/dt tanh((eta - y0)/b) - L |v| v.

========  =====================================================================
array     what it holds
========  =====================================================================
modes     one row a mode: OMEGA w_k (rad/s), QUALITY q_k, RESIDUE a_k (m2/kg)
weights   of the jet's memory, node j + 1 is (j + 1) spacings old; one weight alone is a plain delayed gain
========  =====================================================================

With several nodes F(s) = (1 - sum w_j exp(-s j d))/s: the jet is carried by the moving air, but for what leaves the
slit, which stays, and grows on its way. With one node F(s) = w exp(-s d).
"""

import cmath
import math

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel, maker, part
from fluewright.acoustics.kernels.jet import jet_at

__all__ = [
    "NEAR_MODE",
    "OMEGA",
    "QUALITY",
    "RESIDUE",
    "admittance",
    "growth",
    "jet_response",
    "nearest_turn",
    "onset",
    "self_start",
]

OMEGA = 0
QUALITY = 1
RESIDUE = 2

NEAR_MODE = 0.12  # share of a mode's frequency by which a sounding pitch may be off it


@kernel
def jet_response(s, spacing, weights):
    """Return (F, dF/ds) of the jet's deflection by the window's velocity, s and s2; weights: shape (nodes,)."""
    z = cmath.exp(-s * spacing)
    n = weights.size
    if n == 1:
        value = weights[0] * z
        return value, -spacing * value
    total = 0j
    slope = 0j
    for j in range(n - 1, -1, -1):
        total = (total + weights[j]) * z
        slope = (slope + (j + 1) * weights[j]) * z
    value = (1.0 - total) / s
    return value, (spacing * slope - value) / s


@kernel
def admittance(s, modes):
    """Return (Y, dY/ds) of the resonator at the window, velocity over pressure; modes: shape (modes, 3)."""
    value = 0j
    slope = 0j
    for k in range(modes.shape[0]):
        w = modes[k, OMEGA]
        lower = 1.0 / (s * s + s * (w / modes[k, QUALITY]) + w * w)
        term = modes[k, RESIDUE] * lower
        value += term * s
        slope += term * (1.0 - s * (2.0 * s + w / modes[k, QUALITY]) * lower)
    return value, slope


@kernel
def onset(s, modes, jet, weights):
    """Return (G, dG/ds) of the loop for smallest motions; it starts by itself where G = 1 at a growing s.

    modes: shape (modes, 3); weights: (nodes,).
    """
    t = math.tanh(jet.y0 / jet.b)
    front = jet.source * (1.0 - t * t) / jet.b
    y, dy = admittance(s, modes)
    f, df = jet_response(s, jet.spacing, weights)
    return front * y * s * f, front * (dy * s * f + y * f + y * s * df)


@kernel
def growth(omega, modes, jet, weights):
    """Return how fast the smallest motion near omega grows, 1/s (negative: it dies out); Newton on G(s) = 1.

    modes: shape (modes, 3); weights: (nodes,).
    """
    s = complex(0.0, omega)
    for _ in range(40):
        g, slope = onset(s, modes, jet, weights)
        step = (g - 1.0) / slope
        step *= min(1.0, 0.03 * omega / max(abs(step), 1e-300))
        s -= step
        if abs(step) < 1e-8 * omega:
            return s.real
    return math.nan


@part
def nearest_turn(angle, to):
    """Return the angle turned by whole turns next to another."""
    return angle - 2.0 * math.pi * math.floor((angle - to) / (2.0 * math.pi) + 0.5)


@kernel
def _lowest_row(resonance, q, modes, grid, weights):
    """Return (row, omega) of the lowest jet of the ordinary branch with a gain above one; -1 where there is none.

    The branch is followed down from the fastest jet by the unwrapped angle of 1 - H = s F, about half a wave between
    slit and edge where it is zero. Weaker branches at lower speeds, with more waves on the jet, are left aside.
    """
    before = 0.25 * math.pi
    found = -1
    found_omega = resonance
    for row in range(grid.log_speeds.size - 1, -1, -1):
        jet = jet_at(grid.log_speeds[row], grid, weights)
        omega = resonance
        angle = before
        for _ in range(3):
            s = complex(0.0, omega)
            turned = s * jet_response(s, jet.spacing, weights)[0]
            angle = nearest_turn(math.atan2(turned.imag, turned.real), before)
            omega = resonance * (1.0 + math.tan(min(max(angle, -1.4), 1.4)) / (2.0 * q))
        before = angle
        if angle < -1.45:
            break
        if angle > 1.45:
            continue
        if abs(onset(complex(0.0, omega), modes, jet, weights)[0]) > 1.0:
            found = row
            found_omega = omega
        elif found >= 0:
            if angle < 0.3:
                break
            # A gap on the fast side, where the jet may be turbulent, is not the branch's beginning.
            found = -1
    return found, found_omega


@kernel
def _loop_at(omega, log_speed, modes, grid, weights):
    """Return G - 1 of the loop at a frequency and a speed."""
    jet = jet_at(log_speed, grid, weights)
    return onset(complex(0.0, omega), modes, jet, weights)[0] - 1.0


@kernel
def _meet(log_speed, omega, modes, grid, weights):
    """Return (log speed, omega) where G = 1 by Newton's steps; NaN where there is none; done is False when they stray.

    The third of the results is `done`.
    """
    for _ in range(30):
        g = _loop_at(omega, log_speed, modes, grid, weights)
        by_omega = (_loop_at(omega * 1.000001, log_speed, modes, grid, weights) - g) / 1e-6
        by_speed = (_loop_at(omega, log_speed + 1e-6, modes, grid, weights) - g) / 1e-6
        det = by_omega.real * by_speed.imag - by_omega.imag * by_speed.real
        if det == 0.0:
            return math.nan, math.nan, True
        d_omega = -(g.real * by_speed.imag - g.imag * by_speed.real) / det
        d_speed = -(by_omega.real * g.imag - by_omega.imag * g.real) / det
        size = max(abs(d_omega) / 0.02, abs(d_speed) / 0.1)
        if size > 1.0:
            d_omega /= size
            d_speed /= size
        omega *= 1.0 + d_omega
        log_speed += d_speed
        if abs(d_omega) < 1e-9 and abs(d_speed) < 1e-9:
            return log_speed, omega, True
    return log_speed, omega, False


@kernel
def _real_gain(omega, modes, jet, weights):
    """Return (gain, omega) where the loop's gain is real, near omega; gain 0 where the search fails."""
    gain = 0.0
    for _ in range(30):
        g, slope = onset(complex(0.0, omega), modes, jet, weights)
        gain = g.real
        turn = (slope / g).real
        step = math.atan2(g.imag, g.real) / turn if turn != 0.0 else math.nan
        if not math.isfinite(step):
            return 0.0, omega
        omega -= min(max(step, -0.01 * omega), 0.01 * omega)
        if abs(step) < 1e-10 * omega:
            break
    return gain, omega


@kernel
def _halved(low, high, omega, resonance, modes, grid, weights):
    """Return (log speed, omega) of G = 1 between two rows, where the jet is a straight line whose kinks defy Newton."""
    for _ in range(45):
        log_speed = 0.5 * (low + high)
        jet = jet_at(log_speed, grid, weights)
        gain, trial = _real_gain(omega, modes, jet, weights)
        if gain > 1.0 and abs(trial / resonance - 1.0) < NEAR_MODE:
            high = log_speed
            omega = trial
        else:
            low = log_speed
    return high, omega


@maker
def self_start(mode, modes, grid):
    """Return (log speed, omega) at which a mode begins to sound by itself on rising breath; NaN when it never does.

    modes: shape (modes, 3).
    """
    weights = np.empty(grid.memories.shape[1])
    resonance = modes[mode, OMEGA]
    row, omega = _lowest_row(resonance, modes[mode, QUALITY], modes, grid, weights)
    if row < 0:
        return math.nan, math.nan
    log_speed, met, done = _meet(grid.log_speeds[row], omega, modes, grid, weights)
    if done:
        return log_speed, met
    low = grid.log_speeds[max(row - 1, 0)]
    return _halved(low, grid.log_speeds[row], omega, resonance, modes, grid, weights)
