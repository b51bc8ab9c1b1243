"""Kernel: an oscillation that jet and resonator keep up: harmonic balance and its stability.

Symbols and arrays as in `loop.py`. v[m] is the complex half amplitude of harmonic m of the window's velocity, shape
(n + 1,); turns holds exp(j m t) at even samples of a period, shape (samples, 2 n + 1).
"""

import math
from typing import NamedTuple

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel, maker, part
from fluewright.acoustics.kernels.jet import jet_at
from fluewright.acoustics.kernels.loop import NEAR_MODE, OMEGA, admittance, jet_response, nearest_turn
from fluewright.arrays import ComplexArray, FloatArray

__all__ = ["balance", "count_unstable", "follow"]


class _Motion(NamedTuple):
    """What one periodic motion makes, harmonics of real signals by the mean of signal exp(-j m t).

    deflection: of eta; split: of tanh((eta - y0)/b); force: of p, each shape (n + 1,); gate: of sech**2/b; speed: of
    |v|, both (2 n + 1,); response, response_slope: F and its slope at every harmonic, (n + 1,); signals: scratch,
    (4, samples).
    """

    deflection: ComplexArray
    split: ComplexArray
    force: ComplexArray
    gate: ComplexArray
    speed: ComplexArray
    response: ComplexArray
    response_slope: ComplexArray
    signals: FloatArray


@maker
def _motion_of(n, samples):
    """Return the arrays for a motion of n harmonics."""
    return _Motion(
        np.zeros(n + 1, np.complex128),
        np.zeros(n + 1, np.complex128),
        np.zeros(n + 1, np.complex128),
        np.zeros(2 * n + 1, np.complex128),
        np.zeros(2 * n + 1, np.complex128),
        np.zeros(n + 1, np.complex128),
        np.zeros(n + 1, np.complex128),
        np.empty((4, samples)),
    )


@kernel
def _put_signal(series, n, turns, out):
    """Fill out (samples) with the real signal of harmonics 1 .. n of a one-sided series."""
    for i in range(out.size):
        total = 0.0
        for m in range(1, n + 1):
            t = turns[i, m]
            total += series[m].real * t.real - series[m].imag * t.imag
        out[i] = 2.0 * total


@kernel
def _put_harmonics(signal, turns, out):
    """Fill out with the harmonics 0 .. out.size - 1 of a real signal: the mean of signal exp(-j n t)."""
    for n in range(out.size):
        re = 0.0
        im = 0.0
        for i in range(signal.size):
            t = turns[i, n]
            re += signal[i] * t.real
            im -= signal[i] * t.imag
        out[n] = complex(re, im) / signal.size


@part
def _at(series, n):
    """Return harmonic n of a real signal's one-sided series."""
    return series[n] if n >= 0 else series[-n].conjugate()


@kernel
def _put_motion(v, omega, n, jet, weights, turns, motion):
    """Fill what a periodic motion of n harmonics makes."""
    split, kept, drag, flow = motion.signals[0], motion.signals[1], motion.signals[2], motion.signals[3]
    for m in range(1, n + 1):
        motion.response[m], motion.response_slope[m] = jet_response(complex(0.0, m * omega), jet.spacing, weights)
        motion.deflection[m] = v[m] * motion.response[m]
    _put_signal(motion.deflection, n, turns, split)
    _put_signal(v, n, turns, flow)
    for i in range(split.size):
        t = math.tanh((split[i] - jet.y0) / jet.b)
        split[i] = t
        kept[i] = (1.0 - t * t) / jet.b
        drag[i] = abs(flow[i]) * flow[i]
        flow[i] = abs(flow[i])
    _put_harmonics(split, turns, motion.split)
    _put_harmonics(drag, turns, motion.force)
    _put_harmonics(kept, turns, motion.gate)
    _put_harmonics(flow, turns, motion.speed)
    for m in range(n + 1):
        motion.force[m] = complex(0.0, m * omega) * jet.source * motion.split[m] - jet.loss * motion.force[m]


@part
def _put_columns(row, m, by_re, by_im, system):
    """Fill an equation (two rows from `row` on) by harmonic m; v[1] is real: it has one column."""
    if m == 1:
        system[row, 1] = by_re.real
        system[row + 1, 1] = by_re.imag
    else:
        system[row, 2 * m - 2] = by_re.real
        system[row + 1, 2 * m - 2] = by_re.imag
        system[row, 2 * m - 1] = by_im.real
        system[row + 1, 2 * m - 1] = by_im.imag


@kernel
def _put_equations(v, omega, n, modes, jet, motion, system, right):
    """Fill Newton's equations of a motion, shapes (2 n, 2 n) and (2 n,); return how far off its worst harmonic is.

    Unknowns: relative change of omega, real v[1], then real and imaginary part of every further harmonic.
    """
    worst = 0.0
    for i in range(1, n + 1):
        row = 2 * i - 2
        s = complex(0.0, i * omega)
        y, dy = admittance(s, modes)
        rest = v[i] - y * motion.force[i]
        worst = max(worst, abs(rest))
        right[row] = -rest.real
        right[row + 1] = -rest.imag
        turned = 0j
        for m in range(1, n + 1):
            near = _at(motion.gate, i - m)
            far = motion.gate[i + m]
            response = motion.response[m]
            one = s * jet.source * near * response - 2.0 * jet.loss * _at(motion.speed, i - m)
            two = s * jet.source * far * response.conjugate() - 2.0 * jet.loss * motion.speed[i + m]
            moved = complex(0.0, m) * motion.response_slope[m] * v[m]
            turned += near * moved + far * moved.conjugate()
            one *= -y
            two *= -y
            if i == m:
                one += 1.0
            _put_columns(row, m, one + two, complex(0.0, 1.0) * (one - two), system)
        by_omega = -dy * complex(0.0, i) * motion.force[i] - y * (
            complex(0.0, i) * jet.source * motion.split[i] + s * jet.source * turned
        )
        system[row, 0] = by_omega.real * omega
        system[row + 1, 0] = by_omega.imag * omega
    return worst


@part
def _take_step(v, n, step):
    """Move a motion by Newton's step, damped where it is long; return the factor on omega."""
    size = max(abs(step[0]) / 0.02, abs(step[1]) / (0.5 * abs(v[1])))
    damp = 1.0 if size <= 1.0 else 1.0 / size
    v[1] += damp * step[1]
    for m in range(2, n + 1):
        v[m] += damp * complex(step[2 * m - 2], step[2 * m - 1])
    return 1.0 + damp * step[0]


@maker
def balance(v, omega, n, modes, jet, weights, turns):
    """Solve for the periodic motion of n harmonics; v and omega are the guess. Return (omega, done).

    Shapes: v (n + 1,); modes (modes, 3); weights (nodes,); turns as the module says. v[1] is kept real, which fixes the
    phase. Newton with the exact Jacobian; v is left as it was where it fails.
    """
    begun = v.copy()
    start = omega
    motion = _motion_of(n, turns.shape[0])
    system = np.empty((2 * n, 2 * n))
    right = np.empty(2 * n)
    for _ in range(25):
        _put_motion(v, omega, n, jet, weights, turns, motion)
        worst = _put_equations(v, omega, n, modes, jet, motion, system, right)
        if worst < 1e-8 * abs(v[1]):
            if v[1].real < 0.0:
                for m in range(1, n + 1, 2):
                    v[m] = -v[m]
            return omega, abs(v[1]) > 1e-6
        omega *= _take_step(v, n, np.linalg.solve(system, right))
        if not (0.7 * start < omega < 1.4 * start) or not math.isfinite(v[1].real):
            break
    for m in range(n + 1):
        v[m] = begun[m]
    return start, False


@kernel
def _put_hills_matrix(s, omega, modes, jet, weights, motion, matrix):
    """Fill Hill's matrix of a small disturbance exp(s t) of a periodic motion; it is odd-sized, harmonic 0 amid."""
    size = matrix.shape[0]
    n = (size - 1) // 2
    for j in range(size):
        response = jet_response(s + complex(0.0, (j - n) * omega), jet.spacing, weights)[0]
        for i in range(size):
            to = s + complex(0.0, (i - n) * omega)
            gate = _at(motion.gate, i - j)
            matrix[i, j] = -(to * jet.source * gate * response - 2.0 * jet.loss * _at(motion.speed, i - j))
    for i in range(size):
        y = admittance(s + complex(0.0, (i - n) * omega), modes)[0]
        for j in range(size):
            matrix[i, j] *= y
        matrix[i, i] += 1.0


@kernel
def _angle_of_determinant(matrix):
    """Return the angle of a determinant; the matrix is eliminated."""
    size = matrix.shape[0]
    angle = 0.0
    for i in range(size):
        best = i
        for j in range(i + 1, size):
            if abs(matrix[j, i]) > abs(matrix[best, i]):
                best = j
        if best != i:
            for k in range(i, size):
                matrix[i, k], matrix[best, k] = matrix[best, k], matrix[i, k]
            angle += math.pi
        pivot = matrix[i, i]
        angle += math.atan2(pivot.imag, pivot.real)
        for j in range(i + 1, size):
            factor = matrix[j, i] / pivot
            for k in range(i + 1, size):
                matrix[j, k] -= factor * matrix[i, k]
    return angle


@kernel
def _angle_at(s, omega, modes, jet, weights, motion, matrix):
    """Return the angle of the determinant of Hill's matrix at s."""
    _put_hills_matrix(s, omega, modes, jet, weights, motion, matrix)
    return _angle_of_determinant(matrix)


@kernel
def _winding(omega, modes, jet, weights, least_growth, motion, matrix, place, value):
    """Return how far the determinant's angle turns along the strip's line; place, value: scratch of one size.

    The places still to be reached stand on a stack, the nearest on top; one is halved where the angle turns too fast.
    """
    parts = 24
    low = -0.25 * omega
    total = 0.0
    here = _angle_at(complex(least_growth, low), omega, modes, jet, weights, motion, matrix)
    at = low
    evaluations = 0
    for step in range(parts):
        place[0] = low + (step + 1) * omega / parts
        value[0] = _angle_at(complex(least_growth, place[0]), omega, modes, jet, weights, motion, matrix)
        depth = 1
        while depth > 0:
            top = depth - 1
            turn = nearest_turn(value[top], here) - here
            if (abs(turn) > 0.8 or (depth == 1 and abs(turn) > 0.4)) and depth < 20 and evaluations < 3000:
                place[depth] = 0.5 * (at + place[top])
                value[depth] = _angle_at(
                    complex(least_growth, place[depth]), omega, modes, jet, weights, motion, matrix
                )  # fmt: skip
                evaluations += 1
                depth += 1
            else:
                total += turn
                here = value[top]
                at = place[top]
                depth -= 1
    return total


@maker
def count_unstable(v, omega, n, modes, jet, weights, turns, least_growth):
    """Return how many disturbances of a periodic motion grow faster than least_growth (1/s); arrays as in `balance`.

    Floquet's exponents are the zeros of the determinant of Hill's matrix in a strip one omega wide; their number to
    the right of a line is the determinant's winding along that line (argument principle). The strip runs from
    -omega/4 to 3/4 omega, so that neither a disturbance at half the frequency nor one at rest lies at its edge.
    """
    motion = _motion_of(n, turns.shape[0])
    _put_motion(v, omega, n, jet, weights, turns, motion)
    # Harmonics of the gate beyond 2 n are not known; those of Hill's matrix reach 2 n, so this is all of it.
    size = 2 * n + 1
    matrix = np.empty((size, size), np.complex128)
    total = _winding(omega, modes, jet, weights, least_growth, motion, matrix, np.empty(64), np.empty(64))
    return round(-total / (2.0 * math.pi))


@maker
def _first_motion(mode, omega, log_speed, n, modes, jet, weights, turns):
    """Return (motion, omega, done), looked for from one harmonic alone, in several sizes; within reach of its mode."""
    top = math.exp(log_speed)
    v = np.zeros(n + 1, np.complex128)
    for share in (0.1, 0.2, 0.05, 0.3, 0.02, 0.006):
        v[:] = 0.0
        v[1] = 0.5 * share * top
        at, done = balance(v, omega, 1, modes, jet, weights, turns)
        if done:
            at, done = balance(v, at, n, modes, jet, weights, turns)
        if done and abs(at / modes[mode, OMEGA] - 1.0) < NEAR_MODE:
            return v, at, True
    return v, omega, False


@maker
def _next_motion(v, omega, older, older_omega, known, n, modes, jet, weights, turns):
    """Return (motion, omega, done), looked for straight on from the last two where both are known, else from the last.

    Speeds are about evenly spaced.
    """
    found = v.copy()
    if known > 1:
        found = 2.0 * v - older
        found[1] = complex(abs(found[1].real), 0.0)
        at, done = balance(found, 2.0 * omega - older_omega, n, modes, jet, weights, turns)
        if done:
            return found, at, True
        found = v.copy()
    at, done = balance(found, omega, n, modes, jet, weights, turns)
    return found, at, done


@maker
def follow(mode, omega, wanted, modes, grid, turns, motions, omegas):
    """Follow a sounding branch over the speeds in `wanted` (logarithms), in their order, from a frequency near it.

    Fills motions (n, harmonics + 1) and omegas (n,); NaN where no motion was found. The first is looked for from one
    harmonic alone, the others from their neighbours.
    """
    n = motions.shape[1] - 1
    weights = np.empty(grid.memories.shape[1])
    v = np.zeros(n + 1, np.complex128)
    older = np.zeros(n + 1, np.complex128)
    known = 0
    last = omega
    older_omega = omega
    for i in range(wanted.size):
        jet = jet_at(wanted[i], grid, weights)
        done = False
        if known > 0:
            found, at, done = _next_motion(v, last, older, older_omega, known, n, modes, jet, weights, turns)
            if done:
                older = v
                older_omega = last
                known += 1
        if not done:
            found, at, done = _first_motion(mode, omega, wanted[i], n, modes, jet, weights, turns)
            if done:
                known = 1
        if not done:
            motions[i, :] = complex(math.nan, math.nan)
            omegas[i] = math.nan
            known = 0
            continue
        v = found
        last = at
        motions[i, :] = v
        omegas[i] = last
