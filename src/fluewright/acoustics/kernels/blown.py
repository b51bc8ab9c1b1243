"""Kernel: an oscillation that jet and resonator keep up: harmonic balance, its stability, its onset.

The window's acoustic velocity v (m/s, into the bore) answers a pressure p by the resonator's modes,
v = Y p, Y(s) = sum a_k s/(s**2 + s w_k/q_k + w_k**2); the jet's deflection at the edge answers v by eta = F v, and
p = C d/dt tanh((eta - y0)/b) - L |v| v.

========  =====================================================================
array     what it holds
========  =====================================================================
modes     one row a mode: w_k (rad/s), q_k, a_k (m2/kg)
jet       b, y0 (m), C (kg/(m s) over one), L (kg/m3), spacing of the nodes (s)
weights   of the jet's memory, node j + 1 is (j + 1) spacings old; one weight alone is a plain delayed gain
========  =====================================================================

With several nodes F(s) = (1 - sum w_j exp(-s j d))/s: the jet is carried by the moving air, but for what leaves the
slit, which stays, and grows on its way. With one node F(s) = w exp(-s d).
"""

import cmath
import math

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel
from fluewright.acoustics.kernels.jet import jet_at

__all__ = ["admittance", "balance", "count_unstable", "follow", "jet_response", "onset", "self_start"]


@kernel
def jet_response(s, spacing, weights):
    """Return (F, dF/ds) of the jet's deflection by the window's velocity, s and s2."""
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
    """Return (Y, dY/ds) of the resonator at the window, velocity over pressure."""
    value = 0j
    slope = 0j
    for k in range(modes.shape[0]):
        w = modes[k, 0]
        lower = 1.0 / (s * s + s * (w / modes[k, 1]) + w * w)
        term = modes[k, 2] * lower
        value += term * s
        slope += term * (1.0 - s * (2.0 * s + w / modes[k, 1]) * lower)
    return value, slope


@kernel
def _series(v, factor, turns, out, n):
    """Fill out (samples) with the real signal of the harmonics v_m factor_m, m = 1 .. n."""
    for i in range(out.size):
        total = 0.0
        for m in range(1, n + 1):
            c = v[m] * factor[m]
            t = turns[i, m]
            total += c.real * t.real - c.imag * t.imag
        out[i] = 2.0 * total


@kernel
def _harmonics(signal, turns, out):
    """Fill out with the harmonics 0 .. out.size - 1 of a real signal: the mean of signal exp(-j n t)."""
    for n in range(out.size):
        re = 0.0
        im = 0.0
        for i in range(signal.size):
            t = turns[i, n]
            re += signal[i] * t.real
            im -= signal[i] * t.imag
        out[n] = complex(re, im) / signal.size


@kernel
def _at(series, n):
    """Return harmonic n of a real signal's one-sided series."""
    return series[n] if n >= 0 else series[-n].conjugate()


@kernel
def _spectra(v, omega, jet, spacing, weights, turns, force, gate, speed):
    """Fill force (harmonics of p), gate (of sech2/b) and speed (of |v|) of a periodic motion."""
    b, y0, source, loss = jet[0], jet[1], jet[2], jet[3]
    n = force.size - 1
    samples = turns.shape[0]
    factor = np.empty(n + 1, np.complex128)
    ones = np.ones(n + 1, np.complex128)
    for m in range(1, n + 1):
        factor[m] = jet_response(complex(0.0, m * omega), spacing, weights)[0]
    eta = np.empty(samples)
    flow = np.empty(samples)
    _series(v, factor, turns, eta, n)
    _series(v, ones, turns, flow, n)
    kept = np.empty(samples)
    drag = np.empty(samples)
    for i in range(samples):
        t = math.tanh((eta[i] - y0) / b)
        eta[i] = t
        kept[i] = (1.0 - t * t) / b
        drag[i] = abs(flow[i]) * flow[i]
        flow[i] = abs(flow[i])
    split = np.empty(n + 1, np.complex128)
    dragged = np.empty(n + 1, np.complex128)
    _harmonics(eta, turns, split)
    _harmonics(drag, turns, dragged)
    _harmonics(kept, turns, gate)
    _harmonics(flow, turns, speed)
    for m in range(n + 1):
        force[m] = complex(0.0, m * omega) * source * split[m] - loss * dragged[m]
    return split


@kernel
def balance(v, omega, n, modes, jet, weights, turns):
    """Solve for the periodic motion of n harmonics; v (n + 1) and omega are the guess. Return (omega, done).

    v[m] is the complex half amplitude of harmonic m; v[1] is kept real, which fixes the phase. turns: exp(j n t),
    shape (samples, 2 n + 1). Newton with the exact Jacobian; v is left as it was where it fails.
    """
    begun = v.copy()
    spacing = jet[4]
    source, loss = jet[2], jet[3]
    force = np.empty(n + 1, np.complex128)
    gate = np.empty(2 * n + 1, np.complex128)
    speed = np.empty(2 * n + 1, np.complex128)
    system = np.empty((2 * n, 2 * n))
    right = np.empty(2 * n)
    answer = np.empty(n + 1, np.complex128)
    answer_slope = np.empty(n + 1, np.complex128)
    start = omega
    for _ in range(25):
        split = _spectra(v, omega, jet, spacing, weights, turns, force, gate, speed)
        for m in range(1, n + 1):
            answer[m], answer_slope[m] = jet_response(complex(0.0, m * omega), spacing, weights)
        worst = 0.0
        for i in range(1, n + 1):
            s = complex(0.0, i * omega)
            y, dy = admittance(s, modes)
            rest = v[i] - y * force[i]
            worst = max(worst, abs(rest))
            right[2 * i - 2] = -rest.real
            right[2 * i - 1] = -rest.imag
            turned = 0j
            for m in range(1, n + 1):
                near = _at(gate, i - m)
                far = gate[i + m]
                one = s * source * near * answer[m] - 2.0 * loss * _at(speed, i - m)
                two = s * source * far * answer[m].conjugate() - 2.0 * loss * speed[i + m]
                moved = complex(0.0, m) * answer_slope[m] * v[m]
                turned += near * moved + far * moved.conjugate()
                one *= -y
                two *= -y
                if i == m:
                    one += 1.0
                by_re = one + two
                by_im = complex(0.0, 1.0) * (one - two)
                if m == 1:
                    system[2 * i - 2, 1] = by_re.real
                    system[2 * i - 1, 1] = by_re.imag
                else:
                    system[2 * i - 2, 2 * m - 2] = by_re.real
                    system[2 * i - 1, 2 * m - 2] = by_re.imag
                    system[2 * i - 2, 2 * m - 1] = by_im.real
                    system[2 * i - 1, 2 * m - 1] = by_im.imag
            by_omega = -dy * complex(0.0, i) * force[i] - y * (
                complex(0.0, i) * source * split[i] + s * source * turned
            )
            system[2 * i - 2, 0] = by_omega.real * omega
            system[2 * i - 1, 0] = by_omega.imag * omega
        if worst < 1e-8 * abs(v[1]):
            if v[1].real < 0.0:
                for m in range(1, n + 1, 2):
                    v[m] = -v[m]
            return omega, abs(v[1]) > 1e-6
        step = np.linalg.solve(system, right)
        size = abs(step[0]) / 0.02
        size = max(size, abs(step[1]) / (0.5 * abs(v[1])))
        damp = 1.0 if size <= 1.0 else 1.0 / size
        omega *= 1.0 + damp * step[0]
        v[1] += damp * step[1]
        for m in range(2, n + 1):
            v[m] += damp * complex(step[2 * m - 2], step[2 * m - 1])
        if not (0.7 * start < omega < 1.4 * start) or not math.isfinite(v[1].real):
            break
    for m in range(n + 1):
        v[m] = begun[m]
    return start, False


@kernel
def _phase(s, size, v_gate, v_speed, omega, modes, jet, weights, matrix):
    """Return the angle of the determinant of a small disturbance exp(s t) of a periodic motion."""
    n = (size - 1) // 2
    source, loss, spacing = jet[2], jet[3], jet[4]
    for j in range(size):
        at = s + complex(0.0, (j - n) * omega)
        answer = jet_response(at, spacing, weights)[0]
        for i in range(size):
            to = s + complex(0.0, (i - n) * omega)
            matrix[i, j] = -(to * source * _at(v_gate, i - j) * answer - 2.0 * loss * _at(v_speed, i - j))
    for i in range(size):
        y = admittance(s + complex(0.0, (i - n) * omega), modes)[0]
        for j in range(size):
            matrix[i, j] *= y
        matrix[i, i] += 1.0
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
def _nearest(angle, to):
    """Return the angle turned by whole turns next to another."""
    return angle - 2.0 * math.pi * math.floor((angle - to) / (2.0 * math.pi) + 0.5)


@kernel
def count_unstable(v, omega, n, modes, jet, weights, turns, least_growth):
    """Return how many disturbances of a periodic motion grow faster than least_growth (1/s).

    Floquet's exponents are the zeros of the determinant of Hill's matrix in a strip one omega wide; their number to
    the right of a line is the determinant's winding along that line (argument principle). The strip runs from
    -omega/4 to 3/4 omega, so that neither a disturbance at half the frequency nor one at rest lies at its edge.
    """
    force = np.empty(n + 1, np.complex128)
    gate = np.empty(2 * n + 1, np.complex128)
    speed = np.empty(2 * n + 1, np.complex128)
    _spectra(v, omega, jet, jet[4], weights, turns, force, gate, speed)
    size = 2 * n + 1
    # Harmonics of the gate beyond 2 n are not known; those of Hill's matrix reach 2 n, so this is all of it.
    matrix = np.empty((size, size), np.complex128)
    parts = 24
    low = -0.25 * omega
    total = 0.0
    place = np.empty(64)
    value = np.empty(64)
    here = _phase(complex(least_growth, low), size, gate, speed, omega, modes, jet, weights, matrix)
    at = low
    evaluations = 0
    for part in range(parts):
        # A stack of places still to be reached, the nearest on top; halved where the angle turns too fast.
        place[0] = low + (part + 1) * omega / parts
        value[0] = _phase(complex(least_growth, place[0]), size, gate, speed, omega, modes, jet, weights, matrix)
        depth = 1
        while depth > 0:
            turn = _nearest(value[depth - 1], here) - here
            if (abs(turn) > 0.8 or (depth == 1 and abs(turn) > 0.4)) and depth < 20 and evaluations < 3000:
                middle = 0.5 * (at + place[depth - 1])
                place[depth] = middle
                value[depth] = _phase(
                    complex(least_growth, middle), size, gate, speed, omega, modes, jet, weights, matrix
                )
                evaluations += 1
                depth += 1
            else:
                total += turn
                here = value[depth - 1]
                at = place[depth - 1]
                depth -= 1
    return round(-total / (2.0 * math.pi))


@kernel
def onset(s, modes, jet, weights):
    """Return (G, dG/ds) of the loop for smallest motions; it starts by itself where G = 1 at a growing s."""
    b, y0 = jet[0], jet[1]
    t = math.tanh(y0 / b)
    front = jet[2] * (1.0 - t * t) / b
    y, dy = admittance(s, modes)
    f, df = jet_response(s, jet[4], weights)
    return front * y * s * f, front * (dy * s * f + y * f + y * s * df)


@kernel
def _loop_at(omega, log_speed, modes, log_speeds, jets, memories, jet, weights):
    """Return G of the loop at a frequency and a speed; fill jet and weights."""
    jet_at(log_speed, log_speeds, jets, memories, jet, weights)
    return onset(complex(0.0, omega), modes, jet, weights)[0]


@kernel
def self_start(mode, modes, log_speeds, jets, memories):
    """Return (log speed, omega) at which a mode begins to sound by itself on rising breath; NaN when it never does.

    The jet's ordinary branch is followed down from the fastest jet by the unwrapped angle of 1 - H = s F, about half a
    wave between slit and edge where it is zero; the lowest row with a gain above one about there is then refined by
    Newton on G = 1. Weaker branches at lower speeds, with more waves on the jet, are left aside.
    """
    jet = np.empty(jets.shape[1])
    weights = np.empty(memories.shape[1])
    resonance = modes[mode, 0]
    q = modes[mode, 1]
    before = 0.25 * math.pi
    found = -1
    omega = resonance
    best_omega = resonance
    for row in range(log_speeds.size - 1, -1, -1):
        jet_at(log_speeds[row], log_speeds, jets, memories, jet, weights)
        omega = resonance
        angle = before
        for _ in range(3):
            s = complex(0.0, omega)
            turned = s * jet_response(s, jet[4], weights)[0]
            angle = _nearest(math.atan2(turned.imag, turned.real), before)
            omega = resonance * (1.0 + math.tan(min(max(angle, -1.4), 1.4)) / (2.0 * q))
        before = angle
        if angle < -1.45:
            break
        if angle > 1.45:
            continue
        if abs(onset(complex(0.0, omega), modes, jet, weights)[0]) > 1.0:
            found = row
            best_omega = omega
        elif found >= 0:
            if angle < 0.3:
                break
            # A gap on the fast side, where the jet may be turbulent, is not the branch's beginning.
            found = -1
    if found < 0:
        return math.nan, math.nan
    log_speed = log_speeds[found]
    omega = best_omega
    for _ in range(30):
        g = _loop_at(omega, log_speed, modes, log_speeds, jets, memories, jet, weights) - 1.0
        by_omega = (
            _loop_at(omega * 1.000001, log_speed, modes, log_speeds, jets, memories, jet, weights) - 1.0 - g
        ) / 1e-6
        by_speed = (_loop_at(omega, log_speed + 1e-6, modes, log_speeds, jets, memories, jet, weights) - 1.0 - g) / 1e-6
        det = by_omega.real * by_speed.imag - by_omega.imag * by_speed.real
        if det == 0.0:
            return math.nan, math.nan
        d_omega = -(g.real * by_speed.imag - g.imag * by_speed.real) / det
        d_speed = -(by_omega.real * g.imag - by_omega.imag * g.real) / det
        size = max(abs(d_omega) / 0.02, abs(d_speed) / 0.1)
        if size > 1.0:
            d_omega /= size
            d_speed /= size
        omega *= 1.0 + d_omega
        log_speed += d_speed
        if abs(d_omega) < 1e-9 and abs(d_speed) < 1e-9:
            return log_speed, omega
    # The jet between two rows is a straight line, whose kinks can send Newton to and fro: halve between the rows,
    # each time at the frequency where G is real.
    low = log_speeds[max(found - 1, 0)]
    high = log_speeds[found]
    omega = best_omega
    for _ in range(45):
        log_speed = 0.5 * (low + high)
        jet_at(log_speed, log_speeds, jets, memories, jet, weights)
        trial = omega
        gain = 0.0
        for _ in range(30):
            g, slope = onset(complex(0.0, trial), modes, jet, weights)
            gain = g.real
            turn = (slope / g).real
            step = math.atan2(g.imag, g.real) / turn if turn != 0.0 else math.nan
            if not math.isfinite(step):
                gain = 0.0
                break
            trial -= min(max(step, -0.01 * trial), 0.01 * trial)
            if abs(step) < 1e-10 * trial:
                break
        if gain > 1.0 and abs(trial / resonance - 1.0) < 0.12:
            high = log_speed
            omega = trial
        else:
            low = log_speed
    return high, omega


@kernel
def follow(mode, omega, wanted, modes, log_speeds, jets, memories, turns, motions, omegas):
    """Follow a sounding branch over the speeds in `wanted` (logarithms), in their order, from a frequency near it.

    Fills motions (n, harmonics + 1) and omegas; NaN where no motion was found. The first is looked for from one
    harmonic alone, the others from their neighbours.
    """
    n = motions.shape[1] - 1
    jet = np.empty(jets.shape[1])
    weights = np.empty(memories.shape[1])
    v = np.zeros(n + 1, np.complex128)
    older = np.zeros(n + 1, np.complex128)
    known = 0
    last = omega
    older_omega = omega
    for i in range(wanted.size):
        jet_at(wanted[i], log_speeds, jets, memories, jet, weights)
        done = False
        if known > 0:
            guess = v.copy()
            at = last
            if known > 1:
                # Straight on from the last two; speeds are about evenly spaced.
                guess = 2.0 * v - older
                guess[1] = complex(abs(guess[1].real), 0.0)
                at = 2.0 * last - older_omega
            at, done = balance(guess, at, n, modes, jet, weights, turns)
            if not done and known > 1:
                guess = v.copy()
                at, done = balance(guess, last, n, modes, jet, weights, turns)
            if done:
                older = v
                v = guess
                older_omega = last
                last = at
                known += 1
        if not done:
            top = math.exp(wanted[i])
            for share in (0.1, 0.2, 0.05, 0.3, 0.02, 0.006):
                guess = np.zeros(n + 1, np.complex128)
                guess[1] = 0.5 * share * top
                at, done = balance(guess, omega, 1, modes, jet, weights, turns)
                if done:
                    at, done = balance(guess, at, n, modes, jet, weights, turns)
                if done and abs(at / modes[mode, 0] - 1.0) < 0.12:
                    v = guess
                    last = at
                    known = 1
                    break
                done = False
        if done:
            for m in range(n + 1):
                motions[i, m] = v[m]
            omegas[i] = last
        else:
            motions[i, :] = complex(math.nan, math.nan)
            omegas[i] = math.nan
            known = 0
