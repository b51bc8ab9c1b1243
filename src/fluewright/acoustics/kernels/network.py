"""The whole instrument as one chain from the foot to the window: impedance, resonances, sensitivities.

A model is one vector of sizes (SI), see the offsets below; which holes are closed comes beside it. Nodes are
the block face, the bore stations and the holes, ordered along the bore; between nodes the bore is conical.
The window closes the loop: resonances are where the imaginary part X of Z = Z_window + p/U at the block face
passes zero upward.
"""

import math

import numpy as np
from numba import njit

from fluewright.acoustics.kernels.holes import (
    hole_constants,
    hole_constants_by_size,
    t_network_from,
    t_network_partials,
)
from fluewright.acoustics.kernels.losses import line
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.kernels.segments import piece, piece_on_line, piece_partials, step_length
from fluewright.acoustics.kernels.window import window_inertance

__all__ = [
    "BLOCK_DEPTH",
    "BULGE",
    "C_SCALE",
    "EAR",
    "HALF",
    "HEAD_SIZES",
    "HOLE_SCALE",
    "LOSS",
    "RAMP",
    "WARM_LENGTH",
    "WARM_SHARE",
    "WINDOW_LENGTH",
    "WINDOW_SCALE",
    "WINDOW_WIDTH",
    "hole_slopes",
    "lay_out",
    "loop_impedance",
    "resonance",
    "sensitivity",
    "solve",
]  # fmt: skip

# Offsets in the vector of sizes; bore stations, outside stations and holes follow.
BLOCK_DEPTH = 0
WINDOW_LENGTH = 1
WINDOW_WIDTH = 2
RAMP = 3
EAR = 4
LOSS = 5
WINDOW_SCALE = 6
HOLE_SCALE = 7
C_SCALE = 8
BULGE = 9
HALF = 10
WARM_SHARE = 11
WARM_LENGTH = 12
HEAD_SIZES = 13

LONGEST_PIECE = 0.020  # m; longer lossy cones and pieces with a temperature gradient are divided


@njit(cache=True)
def _interpolate(x, dims, first, count):
    """Return (value, slope, station, weight) of a station table at x; the ends are held."""
    if x <= dims[first]:
        return dims[first + 1], 0.0, 0, 0.0
    for i in range(count - 1):
        x1 = dims[first + 2 * i + 2]
        if x < x1 or (i == count - 2 and x <= x1):
            x0 = dims[first + 2 * i]
            v0 = dims[first + 2 * i + 1]
            v1 = dims[first + 2 * i + 3]
            slope = (v1 - v0) / (x1 - x0)
            return v0 + slope * (x - x0), slope, i, (x - x0) / (x1 - x0)
    return dims[first + 2 * count - 1], 0.0, count - 1, 0.0


@njit(cache=True)
def _spread(grad, amount, first, station, weight, slope, count):
    """Add d/d(station sizes) of an interpolated value to the gradient."""
    grad[first + 2 * station + 1] += amount * (1.0 - weight)
    if station + 1 < count and weight > 0.0:
        grad[first + 2 * station + 3] += amount * weight
        grad[first + 2 * station] -= amount * slope * (1.0 - weight)
        grad[first + 2 * station + 2] -= amount * slope * weight


@njit(cache=True)
def lay_out(dims, n_bore, n_out, n_holes, rules):
    """Return what does not depend on frequency: nodes ordered along the bore, and every hole's constants.

    Nodes: kind (0 block face, 1 station, 2 hole), index, x and radius; constants: (hole, state, CONSTANTS).
    """
    size = n_bore + n_holes + 1
    kind = np.empty(size, np.int64)
    index = np.empty(size, np.int64)
    x = np.empty(size)
    r = np.empty(size)
    start = max(dims[0], 0.0)
    kind[0] = 0
    index[0] = 0
    x[0] = start
    r[0] = _interpolate(start, dims, 13, n_bore)[0]
    n = 1
    hole = 0
    first_hole = 13 + 2 * n_bore + 2 * n_out
    order = np.argsort(dims[first_hole : first_hole + 8 * n_holes : 8].copy(), kind="mergesort")
    for i in range(n_bore):
        xs = dims[13 + 2 * i]
        while hole < n_holes and dims[first_hole + 8 * order[hole]] < xs:
            kind[n] = 2
            index[n] = order[hole]
            x[n] = dims[first_hole + 8 * order[hole]]
            r[n] = _interpolate(x[n], dims, 13, n_bore)[0]
            n += 1
            hole += 1
        if xs <= start:
            continue
        kind[n] = 1
        index[n] = i
        x[n] = xs
        r[n] = dims[13 + 2 * i + 1]
        n += 1
    con = np.empty((n_holes, 3, 10))
    for i in range(n):
        if kind[i] == 2:
            at = first_hole + 8 * index[i]
            outer = _interpolate(x[i], dims, 13 + 2 * n_bore, n_out)[0]
            for state in range(3):
                hole_constants(
                    r[i], outer, dims[at : at + 8], state, dims[10], dims[9], dims[7], rules[1], con[index[i], state]
                )
    return kind[:n], index[:n], x[:n], r[:n], con


@njit(cache=True)
def _warm(x, dims):
    """Return the absolute temperature at x over the temperature that the air vector was made for."""
    if dims[11] == 0.0:
        return 1.0
    return 1.0 + dims[11] * math.exp(-max(x, 0.0) / dims[12])


@njit(cache=True)
def _warm_slope(grad, x, dims, by_c, by_rho, by_mu):
    """Add what the local temperature does to the gradient; return the derivative by x.

    tau scales c as its root, rho as its inverse, mu as its power 0.7; see `_local`.
    """
    decay = math.exp(-max(x, 0.0) / dims[12])
    tau = 1.0 + dims[11] * decay
    by_tau = (0.5 * by_c - by_rho + 0.7 * by_mu) / tau
    grad[11] += by_tau * decay
    if dims[11] == 0.0 or x <= 0.0:
        return 0.0
    grad[12] += by_tau * dims[11] * decay * x / dims[12] ** 2
    return -by_tau * dims[11] * decay / dims[12]


@njit(cache=True)
def _pieces(length, r1, r2, dims, fine):
    """Return how many pieces a stretch is cut into; `fine` cuts cylinders too, as sensitivities to taper need."""
    if length <= 0.0:
        # Two holes abreast: sensitivities still need the piece between them, however short.
        return 1 if fine and r1 == r2 else 0
    if r1 == r2 and dims[11] == 0.0 and not fine:
        return 1
    return math.ceil(length / 0.020 - 1e-9)


@njit(cache=True)
def _local(air, tau, dims):
    """Return (rho, c, mu) of the local air: temperature ratio tau, and the calibration factor on c."""
    scale = dims[8]
    return air[0] / (tau * scale * scale), air[1] * math.sqrt(tau) * scale, air[2] * tau**0.7


@njit(cache=True)
def _window(dims, n_bore, n_out):
    """Return (inertance/rho, wall, bore radius) of the window as it stands."""
    start = max(dims[0], 0.0)
    a = _interpolate(start, dims, 13, n_bore)[0]
    outer = _interpolate(start, dims, 13 + 2 * n_bore, n_out)[0]
    m = window_inertance(dims[1] - start, dims[2], outer - a, dims[3], a, dims[4])
    return dims[6] * m, outer - a, a


@njit(cache=True)
def loop_impedance(omega, dims, n_bore, n_out, n_holes, states, air, rules, kind, index, x, r, con, store):
    """Return (Z, dZ/domega, theta): loop impedance at the block face, Pa s/m3, and the lossless angle.

    rules = (thick foot wall, series rule, lossy, radiate). theta is the unwrapped angle of the standing wave
    including the window, meaningful only without losses: mode n stands where theta = n pi. `store` receives
    (p, U) at the foot side of every element in walking order; give an empty array when not wanted.
    """
    zeta = dims[5] * rules[2]
    radiate = float(rules[3])
    gamma = air[3]
    pr = air[4]
    n = kind.size
    keep = store.shape[0] > 0
    last_out = _interpolate(x[n - 1], dims, 13 + 2 * n_bore, n_out)[0]
    rho, c, mu = _local(air, _warm(x[n - 1], dims), dims)
    p, dp, _, _, _, _ = end_impedance(omega, r[n - 1], last_out, rho, c, rules[0], radiate)
    u = 1.0 + 0j
    du = 0j
    13 + 2 * n_bore + 2 * n_out
    ref = rho * c / (math.pi * r[n - 1] ** 2)
    theta = math.atan2(p.imag, ref)
    at = 0
    line_radius = -1.0
    g = zc = dg = dzc = 0j
    for i in range(n - 2, -1, -1):
        if x[i + 1] - x[i] <= 0.0 and r[i] != r[i + 1]:
            # A step in diameter: a length of the narrow side in series.
            narrow = min(r[i], r[i + 1])
            dl, _, _ = step_length(narrow, max(r[i], r[i + 1]))
            rho, c, mu = _local(air, _warm(x[i], dims), dims)
            z = complex(0.0, rho * dl / (math.pi * narrow * narrow))
            if keep:
                store[at, 0] = p
                store[at, 1] = u
            at += 1
            dp += z * (u + omega * du)
            p += omega * z * u
            theta = _follow(theta, p.imag, u.real, ref)
        pieces = _pieces(x[i + 1] - x[i], r[i], r[i + 1], dims, keep)
        for j in range(pieces - 1, -1, -1):
            s1 = j / pieces
            s2 = (j + 1) / pieces
            length = max((x[i + 1] - x[i]) / pieces, 1e-9)
            r1 = r[i] + s1 * (r[i + 1] - r[i])
            r2 = r[i] + s2 * (r[i + 1] - r[i]) if j + 1 < pieces else r[i + 1]
            rho, c, mu = _local(air, _warm(x[i] + 0.5 * (s1 + s2) * (x[i + 1] - x[i]), dims), dims)
            if r1 == r2 and dims[11] == 0.0:
                # Cylinders of one radius share their line constants.
                if r1 != line_radius:
                    g, zc, _, _, dg, dzc, _, _ = line(omega, r1, rho, c, mu, gamma, pr, zeta)
                    line_radius = r1
                aa, bb, cc, dd, daa, dbb, dcc, ddd = piece_on_line(length, r1, r2, g, zc, dg, dzc)
            else:
                aa, bb, cc, dd, daa, dbb, dcc, ddd = piece(omega, length, r1, r2, rho, c, mu, gamma, pr, zeta)
            if keep:
                store[at, 0] = p
                store[at, 1] = u
            at += 1
            dp, du = daa * p + aa * dp + dbb * u + bb * du, dcc * p + cc * dp + ddd * u + dd * du
            p, u = aa * p + bb * u, cc * p + dd * u
            if zeta == 0.0:
                theta = _follow(theta + omega * length / c, p.imag, u.real, ref)
        if kind[i] == 2:
            state = states[index[i]]
            rho, c, mu = _local(air, _warm(x[i], dims), dims)
            za, zs, dza, dzs = t_network_from(omega, con[index[i], state], state, rho, c, mu, gamma, pr, zeta, radiate)
            if keep:
                store[at, 0] = p
                store[at, 1] = u
            at += 1
            dp += 0.5 * (dza * u + za * du)
            p += 0.5 * za * u
            du += (dp - p * dzs / zs) / zs
            u += p / zs
            dp += 0.5 * (dza * u + za * du)
            p += 0.5 * za * u
            if zeta == 0.0:
                theta = _follow(theta, p.imag, u.real, ref)
    rho, c, mu = _local(air, _warm(x[0], dims), dims)
    if dims[0] < 0.0:
        # Block face behind the exit plane: a closed stub beside the bore.
        g, zc, _, _, dg, dzc, _, _ = line(omega, r[0], rho, c, mu, gamma, pr, zeta)
        th = np.tanh(-g * dims[0])
        area = math.pi * r[0] ** 2
        y = area * th / zc
        dy = area * (1.0 - th * th) * (-dg * dims[0]) / zc - y * dzc / zc
        du += dy * p + y * dp
        u += y * p
        if zeta == 0.0:
            theta = _follow(theta, p.imag, u.real, ref)
    m = _window(dims, n_bore, n_out)[0]
    resist = radiate * rho * omega / (4.0 * math.pi * c)
    zw = omega * complex(resist, rho * m)
    dzw = complex(2.0 * resist, rho * m)
    z = zw + p / u
    theta += math.atan2(omega * rho * m, ref)
    if keep:
        store[at, 0] = p
        store[at, 1] = u
    return z, dzw + (dp - p * du / u) / u, theta


@njit(cache=True)
def _follow(expected, p, q, ref):
    """Return the angle of (p, ref q) unwrapped next to the expected one."""
    raw = math.atan2(p, ref * q)
    return raw + 2.0 * math.pi * math.floor((expected - raw) / (2.0 * math.pi) + 0.5)


@njit(cache=True)
def _newton(omega, dims, n_bore, n_out, n_holes, states, air, rules, kind, index, x, r, con, nothing):
    """Return (omega, dX/domega, R) of the upward zero of X that Newton reaches from omega, or NaN."""
    for _ in range(30):
        z, dz, _ = loop_impedance(
            omega, dims, n_bore, n_out, n_holes, states, air, rules, kind, index, x, r, con, nothing
        )
        if dz.imag == 0.0:
            return math.nan, math.nan, math.nan
        step = z.imag / dz.imag
        limit = 0.05 * omega
        if dz.imag < 0.0:
            step = math.copysign(0.5 * limit, z.imag)
        step = min(max(step, -limit), limit)
        omega -= step
        if abs(step) < 1e-7 * omega:
            # Newton squares the error: what is left is about 1e-13.
            if dz.imag < 0.0:
                return math.nan, math.nan, math.nan
            return omega, dz.imag, z.real
    return math.nan, math.nan, math.nan


@njit(cache=True)
def resonance(mode, guess, dims, n_bore, n_out, n_holes, states, air, rules, kind, index, x, r, con):
    """Return (omega, dX/domega, R) of resonance `mode`, counted from 1 at the bottom; NaN when there is none.

    The lossless standing-wave angle rises with frequency and equals mode * pi at the resonance (Foster's
    theorem), so the mode is found by its number and never by its neighbourhood; Newton on X with the analytic
    slope then adds the losses. Relative accuracy 1e-12. From a good guess Newton alone is tried first and then counted.
    """
    nothing = np.empty((0, 2), np.complex128)
    free = np.array((rules[0], rules[1], 0, 0))
    goal = mode * math.pi
    # A good guess needs no search: Newton first, then one count without losses says whether it is the mode wanted.
    omega, slope, resistance = _newton(
        guess, dims, n_bore, n_out, n_holes, states, air, rules, kind, index, x, r, con, nothing
    )
    if not math.isnan(omega):
        _, _, theta = loop_impedance(
            omega, dims, n_bore, n_out, n_holes, states, air, free, kind, index, x, r, con, nothing
        )
        if abs(theta - goal) < 0.25 * math.pi:
            return omega, slope, resistance
    omega = guess
    low = 0.0
    high = 0.0
    theta_low = 0.0
    theta_high = 0.0
    for turn in range(80):
        _, _, theta = loop_impedance(
            omega, dims, n_bore, n_out, n_holes, states, air, free, kind, index, x, r, con, nothing
        )
        if theta < goal:
            low = omega
            theta_low = theta
        else:
            high = omega
            theta_high = theta
        if abs(theta - goal) < 1e-3:
            break
        if low > 0.0 and high > 0.0:
            # A straight line through the bracket; every third turn halves it, so that bends cannot stall it.
            share = (goal - theta_low) / (theta_high - theta_low)
            trial = low + (0.5 if turn % 3 == 2 else share) * (high - low)
        else:
            # The angle is nearly proportional to frequency.
            trial = omega * (1.0 + (goal - theta) / max(theta, 0.5 * math.pi))
        if trial <= 0.0 or trial > 4e5:
            return math.nan, math.nan, math.nan
        omega = trial
    free_root = omega
    omega, slope, resistance = _newton(
        omega, dims, n_bore, n_out, n_holes, states, air, rules, kind, index, x, r, con, nothing
    )
    # The lossy resonance must belong to the lossless one that was counted.
    if math.isnan(omega) or abs(omega / free_root - 1.0) > 0.12:
        return math.nan, math.nan, math.nan
    return omega, slope, resistance


@njit(cache=True)
def sensitivity(omega, slope, dims, n_bore, n_out, n_holes, states, air, rules, kind, index, x, r, con, by_size, grad):
    """Fill `grad` with domega/d(size) / omega for every entry of dims, by the adjoint of the chain.

    One walk up stores the states, one walk down carries the row vector of dZ with respect to the state; each
    element adds v dT/dq s. Implicit rule: domega/dq = -(dX/dq)/(dX/domega).
    """
    n = kind.size
    store = np.empty((3 * n + 4 + int(4.0 / LONGEST_PIECE), 2), np.complex128)
    loop_impedance(omega, dims, n_bore, n_out, n_holes, states, air, rules, kind, index, x, r, con, store)
    zeta = dims[5] * rules[2]
    radiate = float(rules[3])
    gamma = air[3]
    pr = air[4]
    first_hole = 13 + 2 * n_bore + 2 * n_out
    first_out = 13 + 2 * n_bore
    by_constant = np.empty(14, np.complex128)
    gx = np.zeros(n)
    gr = np.zeros(n)
    grad[:] = 0.0
    # Count the elements, then walk from the window down.
    at = 0
    for i in range(n - 1):
        if x[i + 1] - x[i] <= 0.0 and r[i] != r[i + 1]:
            at += 1
        at += _pieces(x[i + 1] - x[i], r[i], r[i + 1], dims, True)
        if kind[i] == 2:
            at += 1
    p = store[at, 0]
    u = store[at, 1]
    vp = 1.0 / u
    vu = -p / (u * u)
    rho, c, mu = _local(air, _warm(x[0], dims), dims)
    m = _window(dims, n_bore, n_out)[0]
    # Window: dX/dq of omega rho m, each by a central difference of the closed form for the inertance.
    start = max(dims[0], 0.0)
    copy = dims.copy()
    for q in range(5):
        h = 1e-4 * max(abs(dims[q]), 1e-3)
        if q == 0:
            continue
        if q == 4 and dims[4] < 0.0:
            continue
        copy[q] = dims[q] + h
        up = _window(copy, n_bore, n_out)[0]
        copy[q] = dims[q] - h
        down = _window(copy, n_bore, n_out)[0]
        copy[q] = dims[q]
        grad[q] += omega * rho * (up - down) / (2.0 * h)
    a0 = _interpolate(start, dims, 13, n_bore)[0]
    o0, slope_o, station_o, weight_o = _interpolate(start, dims, first_out, n_out)
    length = dims[1] - start
    h = 1e-4 * a0
    up = window_inertance(length, dims[2], o0 - a0 - h, dims[3], a0 + h, dims[4])
    down = window_inertance(length, dims[2], o0 - a0 + h, dims[3], a0 - h, dims[4])
    by_a = omega * rho * dims[6] * (up - down) / (2.0 * h)
    up = window_inertance(length, dims[2], o0 - a0 + h, dims[3], a0, dims[4])
    down = window_inertance(length, dims[2], o0 - a0 - h, dims[3], a0, dims[4])
    by_o = omega * rho * dims[6] * (up - down) / (2.0 * h)
    gr[0] += by_a
    _spread(grad, by_o, first_out, station_o, weight_o, slope_o, n_out)
    # At exactly 0 the block can only come forward without opening a stub: that side's derivative is given.
    if dims[0] >= 0.0:
        grad[0] += by_o * slope_o - grad[1]
    grad[6] += omega * rho * m / dims[6]
    g_lc = 0.0
    g_lr = omega * rho * m
    gx[0] += _warm_slope(grad, x[0], dims, 0.0, omega * rho * m, 0.0)
    if dims[0] < 0.0:
        # Row vector through the stub: U_total = U + y p.
        g, zc, ag, az, _, _, gz, zz = line(omega, r[0], rho, c, mu, gamma, pr, zeta)
        th = np.tanh(-g * dims[0])
        area = math.pi * r[0] ** 2
        y = area * th / zc
        sech = area * (1.0 - th * th) / zc
        # Stored p, U already hold the stub; p is unchanged by it.
        w = vu * p
        grad[0] += (w * sech * -g).imag
        gr[0] += (w * (2.0 * y / r[0] + (sech * -ag * dims[0] - y * az / zc) / r[0])).imag
        grad[5] += (w * (sech * -gz * dims[0] - y * zz / zc)).imag * rules[2]
        half = 0.5 * (sech * -ag * dims[0] - y * az / zc)
        g_lc += (w * (sech * g * dims[0] - y)).imag
        g_lr += (w * (half - y)).imag
        gx[0] += _warm_slope(
            grad, x[0], dims, (w * (sech * g * dims[0] - y)).imag, (w * (half - y)).imag, -(w * half).imag
        )
        vp = vp + vu * y
    for i in range(n):
        if kind[i] == 2:
            at -= 1
            p = store[at, 0]
            u = store[at, 1]
            h8 = first_hole + 8 * index[i]
            outer, slope_o, station_o, weight_o = _interpolate(x[i], dims, first_out, n_out)
            rho, c, mu = _local(air, _warm(x[i], dims), dims)
            state = states[index[i]]
            own = con[index[i], state]
            za, zs, _, _ = t_network_from(omega, own, state, rho, c, mu, gamma, pr, zeta, radiate)
            t_network_partials(omega, own, state, rho, c, mu, gamma, pr, zeta, radiate, by_constant)
            pm = p + 0.5 * za * u
            # v dT s for Za (both halves) and Zs.
            wa = 0.5 * ((vp + (vu + 0.5 * vp * za) / zs) * u + vp * (u + pm / zs))
            ws = -(vu + 0.5 * vp * za) * pm / (zs * zs)
            by_con = np.empty(10)
            for j in range(10):
                by_con[j] = (ws * by_constant[j]).imag
            by_con[0] = (wa * complex(0.0, omega * rho)).imag
            grad[5] += (ws * by_constant[10]).imag * rules[2]
            g_lc += (ws * by_constant[11]).imag
            g_lr += (ws * by_constant[12] + wa * za).imag
            gx[i] += _warm_slope(
                grad,
                x[i],
                dims,
                (ws * by_constant[11]).imag,
                (ws * by_constant[12] + wa * za).imag,
                (ws * by_constant[13]).imag,
            )
            jacobian = by_size[index[i], state]
            for row in range(13):
                amount = 0.0
                for j in range(10):
                    amount += by_con[j] * jacobian[row, j]
                if row == 0:
                    gr[i] += amount
                elif row == 1:
                    _spread(grad, amount, first_out, station_o, weight_o, slope_o, n_out)
                    gx[i] += amount * slope_o
                elif row == 2:
                    grad[10] += amount
                elif row == 3:
                    grad[9] += amount
                elif row == 4:
                    grad[7] += amount
                else:
                    grad[h8 + row - 5] += amount
            # Row vector through the T: right-multiply by its matrix.
            half_za = 0.5 * za
            shunt = 1.0 / zs
            v_mid_p = vp
            v_mid_u = vu + vp * half_za
            v_mid_p = v_mid_p + v_mid_u * shunt
            vp, vu = v_mid_p, v_mid_u + v_mid_p * half_za
        if i == n - 1:
            break
        pieces = _pieces(x[i + 1] - x[i], r[i], r[i + 1], dims, True)
        for j in range(pieces):
            at -= 1
            s1 = j / pieces
            s2 = (j + 1) / pieces
            length = max((x[i + 1] - x[i]) / pieces, 1e-9)
            r1 = r[i] + s1 * (r[i + 1] - r[i])
            r2 = r[i] + s2 * (r[i + 1] - r[i]) if j + 1 < pieces else r[i + 1]
            rho, c, mu = _local(air, _warm(x[i] + 0.5 * (s1 + s2) * (x[i + 1] - x[i]), dims), dims)
            d_length, d_r1, d_r2, d_zeta, d_lc, d_lr, d_lm = piece_partials(
                omega, length, r1, r2, rho, c, mu, gamma, pr, zeta, vp, vu, store[at, 0], store[at, 1]
            )
            gx[i] -= d_length.imag / pieces
            gx[i + 1] += d_length.imag / pieces
            gr[i] += (d_r1 * (1.0 - s1) + d_r2 * (1.0 - s2)).imag
            gr[i + 1] += (d_r1 * s1 + d_r2 * s2).imag
            grad[5] += d_zeta.imag * rules[2]
            g_lc += d_lc.imag
            g_lr += d_lr.imag
            middle = 0.5 * (s1 + s2)
            by_x = _warm_slope(grad, x[i] + middle * (x[i + 1] - x[i]), dims, d_lc.imag, d_lr.imag, d_lm.imag)
            gx[i] += by_x * (1.0 - middle)
            gx[i + 1] += by_x * middle
            aa, bb, cc, dd, _, _, _, _ = piece(omega, length, r1, r2, rho, c, mu, gamma, pr, zeta)
            vp, vu = vp * aa + vu * cc, vp * bb + vu * dd
        if x[i + 1] - x[i] <= 0.0 and r[i] != r[i + 1]:
            at -= 1
            rho, c, mu = _local(air, _warm(x[i], dims), dims)
            narrow = min(r[i], r[i + 1])
            dl, d_narrow, d_wide = step_length(narrow, max(r[i], r[i + 1]))
            base = omega * rho / (math.pi * narrow * narrow)
            w = (vp * complex(0.0, base) * store[at, 1]).imag
            g_lr += w * dl
            gx[i] += _warm_slope(grad, x[i], dims, 0.0, w * dl, 0.0)
            to_narrow = w * (d_narrow - 2.0 * dl / narrow)
            if r[i] < r[i + 1]:
                gr[i] += to_narrow
                gr[i + 1] += w * d_wide
            else:
                gr[i + 1] += to_narrow
                gr[i] += w * d_wide
            vu = vu + vp * complex(0.0, base * dl)
    last = n - 1
    outer, slope_o, station_o, weight_o = _interpolate(x[last], dims, first_out, n_out)
    rho, c, mu = _local(air, _warm(x[last], dims), dims)
    _, _, dz_da, dz_db, dz_lc, dz_lr = end_impedance(omega, r[last], outer, rho, c, rules[0], radiate)
    gr[last] += (vp * dz_da).imag
    if rules[0] == 1:
        _spread(grad, (vp * dz_db).imag, first_out, station_o, weight_o, slope_o, n_out)
        gx[last] += (vp * dz_db).imag * slope_o
    g_lc += (vp * dz_lc).imag
    g_lr += (vp * dz_lr).imag
    gx[last] += _warm_slope(grad, x[last], dims, (vp * dz_lc).imag, (vp * dz_lr).imag, 0.0)
    grad[8] += (g_lc - 2.0 * g_lr) / dims[8]
    for i in range(n):
        if kind[i] == 1:
            grad[13 + 2 * index[i]] += gx[i]
            grad[13 + 2 * index[i] + 1] += gr[i]
        else:
            _, slope_r, station, weight = _interpolate(x[i], dims, 13, n_bore)
            total = gx[i] + gr[i] * slope_r
            if kind[i] == 2:
                grad[first_hole + 8 * index[i]] += total
            elif dims[0] >= 0.0:
                grad[0] += total
            _spread(grad, gr[i], 13, station, weight, slope_r, n_bore)
    for q in range(grad.size):
        grad[q] = -grad[q] / (slope * omega)


@njit(cache=True)
def hole_slopes(dims, n_bore, n_out, n_holes, rules, kind, index, x, r, con):
    """Return the derivatives of every hole's constants by its sizes, shape (hole, state, sizes, constants)."""
    by_size = np.zeros((n_holes, 3, 13, 10))
    first_hole = 13 + 2 * n_bore + 2 * n_out
    for i in range(kind.size):
        if kind[i] != 2:
            continue
        at = first_hole + 8 * index[i]
        outer = _interpolate(x[i], dims, 13 + 2 * n_bore, n_out)[0]
        for state in range(3):
            hole_constants_by_size(
                r[i], outer, dims[at : at + 8], state, dims[10], dims[9], dims[7], rules[1], by_size[index[i], state]
            )
    return by_size


@njit(cache=True)
def solve(modes, guesses, dims, n_bore, n_out, n_holes, states, air, rules, omegas, slopes, resistances, grads):
    """Solve every (fingering, mode) row; fill omegas, slopes, resistances and, when it has rows, grads."""
    kind, index, x, r, con = lay_out(dims, n_bore, n_out, n_holes, rules)
    by_size = np.empty((0, 3, 13, 10))
    if grads.shape[0] > 0:
        by_size = hole_slopes(dims, n_bore, n_out, n_holes, rules, kind, index, x, r, con)
    for i in range(modes.size):
        omega, slope, resistance = resonance(
            modes[i], guesses[i], dims, n_bore, n_out, n_holes, states[i], air, rules, kind, index, x, r, con
        )
        omegas[i] = omega
        slopes[i] = slope
        resistances[i] = resistance
        if grads.shape[0] > 0:
            if math.isnan(omega):
                grads[i, :] = math.nan
            else:
                sensitivity(
                    omega,
                    slope,
                    dims,
                    n_bore,
                    n_out,
                    n_holes,
                    states[i],
                    air,
                    rules,
                    kind,
                    index,
                    x,
                    r,
                    con,
                    by_size,
                    grads[i],
                )
