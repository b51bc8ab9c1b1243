"""The whole instrument as one network from the foot to the window: impedance, resonances, sensitivities.

A model is one vector of sizes (SI), see the offsets below; which holes are closed comes beside it. Nodes are
the block face, the bore stations and the holes, ordered along the bore; between nodes the bore is conical.
The window closes the loop: resonances are where the imaginary part X of Z = Z_window + p/U at the block face
passes zero upward. Openings feel each other (`coupling.py`): their flows solve one linear system.

All elements are reciprocal, so that with the flows u at unit window flow every derivative of Z is u . dZ_parts . u:
slope in frequency and all sensitivities come from the stored states of one solution (Tellegen's theorem).

========  =============================================================================================
array     meaning
========  =============================================================================================
el_i      elements from the foot up: kind (0 cylinder, 1 cone, 2 step, 3 hole), line, upper node, hole
el_f      length, radius at the upper and at the lower end, the ends' shares of the stretch, temperature ratio
lines     radius and temperature ratio of every distinct line
hole_i    line of each part of a chimney, rim to bore (-1: no such part)
pairs     by pair of openings (holes, foot, window): delayed part, its slopes by distance and body radius, part
          without delay, its slopes by distance, bore radius and body radius, part that grows with
          k**2, its slopes, mean body radius
places    x of every opening
mouth     window's inertance/rho, kappa, bore radius and wall there
========  =============================================================================================
"""

import cmath
import math

import numpy as np
from numba import njit

from fluewright.acoustics.kernels.coupling import (
    OWN_SWELL,
    RADIATION_REACH,
    inner_coupling,
    more_radiation,
    outer_coupling,
)
from fluewright.acoustics.kernels.holes import (
    CENTRE_SHIFT,
    HOLE_SIZES,
    SOLVED,
    hole_constants,
    hole_constants_by_size,
)
from fluewright.acoustics.kernels.losses import line_of_table, wide_table
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.kernels.segments import log_mean_radius, step_length
from fluewright.acoustics.kernels.window import window_inertance, window_solved

__all__ = [
    "BLOCK_DEPTH",
    "BULGE",
    "C_SCALE",
    "EAR",
    "EDGE_OFFSET",
    "EDGE_THICKNESS",
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
    "curve",
    "lay_out",
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
EDGE_OFFSET = 13
EDGE_THICKNESS = 14
HEAD_SIZES = 15

TIGHT = 1e-12  # square of the relative error that the openings' flows may keep; it enters Z squared
EXACT = 1e-18  # the same where slopes are taken, which feel the flows at first order
FIRST_STRIDE = 0.125  # of the coupling's strength, where it is turned on step by step
LEAP = 0.01  # of the frequency; what one such step may move the root at most
LONGEST_PIECE = 0.020  # m; longer lossy cones and pieces with a temperature gradient are divided

# A product and a sum may share one rounding, and a division may become a product; nothing else is loosened.
_FAST = {"contract", "arcp"}


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def _spread(grad, amount, first, station, weight, slope, count):
    """Add d/d(station sizes) of an interpolated value to the gradient."""
    grad[first + 2 * station + 1] += amount * (1.0 - weight)
    if station + 1 < count and weight > 0.0:
        grad[first + 2 * station + 3] += amount * weight
        grad[first + 2 * station] -= amount * slope * (1.0 - weight)
        grad[first + 2 * station + 2] -= amount * slope * weight


@njit(cache=True, error_model="numpy")
def _warm(x, dims):
    """Return the absolute temperature at x over the temperature that the air vector was made for."""
    if dims[WARM_SHARE] == 0.0:
        return 1.0
    return 1.0 + dims[WARM_SHARE] * math.exp(-max(x, 0.0) / dims[WARM_LENGTH])


@njit(cache=True, error_model="numpy")
def _warm_slope(grad, x, dims, by_c, by_rho, by_mu):
    """Add what the local temperature does to the gradient; return the derivative by x.

    tau scales c as its root, rho as its inverse, mu as its power 0.7; see `_local`.
    """
    decay = math.exp(-max(x, 0.0) / dims[WARM_LENGTH])
    tau = 1.0 + dims[WARM_SHARE] * decay
    by_tau = (0.5 * by_c - by_rho + 0.7 * by_mu) / tau
    grad[WARM_SHARE] += by_tau * decay
    if dims[WARM_SHARE] == 0.0 or x <= 0.0:
        return 0.0
    grad[WARM_LENGTH] += by_tau * dims[WARM_SHARE] * decay * x / dims[WARM_LENGTH] ** 2
    return -by_tau * dims[WARM_SHARE] * decay / dims[WARM_LENGTH]


@njit(cache=True, error_model="numpy")
def _local(air, tau, dims):
    """Return (rho, c, mu) of the local air: temperature ratio tau, and the calibration factor on c."""
    scale = dims[C_SCALE]
    if tau == 1.0:
        return air[0] / (scale * scale), air[1] * scale, air[2]
    return air[0] / (tau * scale * scale), air[1] * math.sqrt(tau) * scale, air[2] * tau**0.7


@njit(cache=True, error_model="numpy")
def _inverse(z):
    """Return 1/z without the guards against overflow that plain division carries."""
    d = z.real * z.real + z.imag * z.imag
    return complex(z.real / d, -z.imag / d)


@njit(cache=True, error_model="numpy")
def lay_out(dims, n_bore, n_out, n_holes, rules):
    """Return nodes ordered along the bore, and every hole's constants.

    Nodes: kind (0 block face, 1 station, 2 hole), index, x and radius; constants: (hole, state, CONSTANTS).
    """
    size = n_bore + n_holes + 1
    kind = np.empty(size, np.int64)
    index = np.empty(size, np.int64)
    x = np.empty(size)
    r = np.empty(size)
    start = max(dims[BLOCK_DEPTH], 0.0)
    kind[0] = 0
    index[0] = 0
    x[0] = start
    r[0] = _interpolate(start, dims, HEAD_SIZES, n_bore)[0]
    n = 1
    hole = 0
    first_hole = HEAD_SIZES + 2 * n_bore + 2 * n_out
    place = np.empty(n_holes)
    # Insertion sort: a handful of holes, mostly in order already.
    order = np.empty(n_holes, np.int64)
    for i in range(n_holes):
        at = first_hole + HOLE_SIZES * i
        place[i] = dims[at]
        if rules[1] == SOLVED:
            # Widened to one side, a hole acts a little off its middle.
            place[i] -= CENTRE_SHIFT * (dims[at + 5] - dims[at + 6])
        j = i
        while j > 0 and place[order[j - 1]] > place[i]:
            order[j] = order[j - 1]
            j -= 1
        order[j] = i
    for i in range(n_bore):
        xs = dims[HEAD_SIZES + 2 * i]
        while hole < n_holes and place[order[hole]] < xs:
            kind[n] = 2
            index[n] = order[hole]
            x[n] = place[order[hole]]
            r[n] = _interpolate(x[n], dims, HEAD_SIZES, n_bore)[0]
            n += 1
            hole += 1
        if xs <= start:
            continue
        kind[n] = 1
        index[n] = i
        x[n] = xs
        r[n] = dims[HEAD_SIZES + 2 * i + 1]
        n += 1
    con = np.empty((n_holes, 3, 10))
    for i in range(n):
        if kind[i] == 2:
            at = first_hole + HOLE_SIZES * index[i]
            outer = _interpolate(x[i], dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
            for state in range(3):
                hole_constants(
                    r[i], outer, dims[at : at + HOLE_SIZES], state, dims[HALF], dims[BULGE], dims[HOLE_SCALE], rules[1],
                    con[index[i], state],
                )  # fmt: skip
    return kind[:n], index[:n], x[:n], r[:n], con


@njit(cache=True, error_model="numpy")
def _mouth(dims, n_bore, n_out, rules, table):
    """Return (inertance/rho, kappa, bore radius, outside radius) of the window as it stands."""
    start = max(dims[BLOCK_DEPTH], 0.0)
    a = _interpolate(start, dims, HEAD_SIZES, n_bore)[0]
    outer = _interpolate(start, dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
    m, kappa = _mouth_of(dims, a, outer, rules, table)
    return m, kappa, a, outer


@njit(cache=True, error_model="numpy")
def _mouth_of(dims, a, outer, rules, table):
    """Return (inertance/rho, kappa) of the window for a given bore and body."""
    if rules[4] == 0:
        start = max(dims[BLOCK_DEPTH], 0.0)
        m = window_inertance(dims[WINDOW_LENGTH] - start, dims[WINDOW_WIDTH], outer - a, dims[RAMP], a, dims[EAR])
        return dims[WINDOW_SCALE] * m, 0.0
    m, kappa = window_solved(
        dims[WINDOW_LENGTH], dims[WINDOW_WIDTH], outer - a, dims[RAMP], a, dims[EAR], dims[EDGE_OFFSET],
        dims[EDGE_THICKNESS], dims[BLOCK_DEPTH], table,
    )  # fmt: skip
    return dims[WINDOW_SCALE] * m, kappa


@njit(cache=True, error_model="numpy")
def _pieces(length, r1, r2, dims, fine):
    """Return how many pieces a stretch is cut into; `fine` cuts cylinders too, as sensitivities to taper need."""
    if length <= 0.0:
        # Two holes abreast: sensitivities still need the piece between them, however short.
        return 1 if fine and r1 == r2 else 0
    if r1 == r2 and dims[WARM_SHARE] == 0.0 and not fine:
        return 1
    return math.ceil(length / LONGEST_PIECE - 1e-9)


@njit(cache=True, error_model="numpy")
def _line_number(lines, count, radius, tau):
    """Return (number, count) of the line of this radius and temperature, a new one where there is none yet."""
    for i in range(count):
        if lines[i, 0] == radius and lines[i, 1] == tau:
            return i, count
    lines[count, 0] = radius
    lines[count, 1] = tau
    return count, count + 1


@njit(cache=True, error_model="numpy")
def _elements(dims, kind, index, x, r, con, fine):
    """Return (el_i, el_f, lines, hole_i): the chain's elements from the foot up, see the module's table."""
    n = kind.size
    n_holes = con.shape[0]
    most = 2 * n + n_holes
    for i in range(n - 1):
        most += _pieces(x[i + 1] - x[i], r[i], r[i + 1], dims, fine)
    el_i = np.empty((most, 4), np.int64)
    el_f = np.empty((most, 6))
    lines = np.empty((most + 4 * n_holes, 2))
    hole_i = np.full((n_holes, 4), -1)
    count = 0
    n_lines = 0
    for i in range(n - 2, -1, -1):
        if x[i + 1] - x[i] <= 0.0 and r[i] != r[i + 1]:
            el_i[count, 0] = 2
            el_i[count, 1] = 0
            el_i[count, 2] = i
            el_f[count, 0] = 0.0
            el_f[count, 1] = r[i]
            el_f[count, 2] = r[i + 1]
            el_f[count, 5] = _warm(x[i], dims)
            count += 1
        pieces = _pieces(x[i + 1] - x[i], r[i], r[i + 1], dims, fine)
        for j in range(pieces - 1, -1, -1):
            s1 = j / pieces
            s2 = (j + 1) / pieces
            r1 = r[i] + s1 * (r[i + 1] - r[i])
            r2 = r[i] + s2 * (r[i + 1] - r[i]) if j + 1 < pieces else r[i + 1]
            tau = _warm(x[i] + 0.5 * (s1 + s2) * (x[i + 1] - x[i]), dims)
            radius = r1 if r1 == r2 else log_mean_radius(r1, r2)[0]
            number, n_lines = _line_number(lines, n_lines, radius, tau)
            el_i[count, 0] = 0 if r1 == r2 else 1
            el_i[count, 1] = number
            el_i[count, 2] = i
            el_f[count, 0] = max((x[i + 1] - x[i]) / pieces, 1e-9)
            el_f[count, 1] = r1
            el_f[count, 2] = r2
            el_f[count, 3] = s1
            el_f[count, 4] = s2
            el_f[count, 5] = tau
            count += 1
        if kind[i] == 2:
            h = index[i]
            tau = _warm(x[i], dims)
            el_i[count, 0] = 3
            el_i[count, 1] = 0
            el_i[count, 2] = i
            el_i[count, 3] = h
            el_f[count, 5] = tau
            count += 1
            # Radii of the chimney do not depend on the finger.
            own = con[h, 1]
            plain = own[7] == 0.0 and own[8] == own[4]
            if own[3] > 0.0:
                radius = own[4] if own[4] == own[5] else log_mean_radius(own[4], own[5])[0]
                hole_i[h, 0], n_lines = _line_number(lines, n_lines, radius, tau)
            hole_i[h, 1], n_lines = _line_number(lines, n_lines, own[4], tau)
            if not plain:
                if own[7] > 0.0:
                    radius = own[4] if own[4] == own[8] else log_mean_radius(own[8], own[4])[0]
                    hole_i[h, 2], n_lines = _line_number(lines, n_lines, radius, tau)
                hole_i[h, 3], n_lines = _line_number(lines, n_lines, own[8], tau)
    return el_i[:count], el_f[:count], lines[:n_lines], hole_i


@njit(cache=True, error_model="numpy")
def _openings(dims, n_bore, n_out, n_holes, angles, kind, index, x, r, outer_at_mouth, rules):
    """Return (places, pairs): x of every opening, and the coupling constants of every pair; see the module's table."""
    m = n_holes + 2
    places = np.empty(m)
    radius = np.empty(m)
    bore = np.empty(m)
    for i in range(kind.size):
        if kind[i] == 2:
            places[index[i]] = x[i]
            bore[index[i]] = r[i]
            radius[index[i]] = _interpolate(x[i], dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
    last = kind.size - 1
    places[n_holes] = x[last]
    bore[n_holes] = r[last]
    radius[n_holes] = _interpolate(x[last], dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
    places[n_holes + 1] = 0.5 * dims[WINDOW_LENGTH]
    bore[n_holes + 1] = r[0]
    radius[n_holes + 1] = outer_at_mouth
    pairs = np.zeros((m, m, 11))
    if rules[5] == 0:
        return places, pairs
    for i in range(m):
        if i < n_holes:
            # A hole feels its own field off the body too; that of foot and window is in their formulas.
            pairs[i, i, 7] = OWN_SWELL * radius[i]
            pairs[i, i, 9] = OWN_SWELL
            pairs[i, i, 10] = radius[i]
        for j in range(i):
            z = abs(places[i] - places[j])
            out = pairs[i, j]
            if i == n_holes or j == n_holes:
                # The foot's mouth is round the end of the body: free space.
                out[0] = 1.0 / (4.0 * math.pi * max(z, 1e-6))
                out[1] = -out[0] / max(z, 1e-6)
            else:
                angle = (angles[i] if i < n_holes else 0.0) - (angles[j] if j < n_holes else 0.0)
                out[0], out[1], out[2], out[3], out[4], out[6], out[7], out[8], out[9] = outer_coupling(
                    z, 0.5 * (radius[i] + radius[j]), angle
                )
                out[10] = 0.5 * (radius[i] + radius[j])
                if i < n_holes and j < n_holes:
                    inner, by_z, by_a = inner_coupling(z, 0.5 * (bore[i] + bore[j]), angle)
                    out[3] += inner
                    out[4] += by_z
                    out[5] = by_a
            for k in range(11):
                pairs[j, i, k] = out[k]
    return places, pairs


@njit(cache=True, error_model="numpy", fastmath=_FAST)
def _waves(g, length):
    """Return (cosh, sinh) of g * length; the real part is small in any bore, so that its series serves."""
    if abs(g.imag) * length < 0.12 and g.real * length < 0.12:
        # A chimney: the series costs less than sine and cosine, and is exact here to 1e-15.
        e = g * length
        e2 = e * e
        ch = 1.0 + e2 * (0.5 + e2 * (1.0 / 24.0 + e2 * (1.0 / 720.0 + e2 * (1.0 / 40320.0))))
        sh = e * (1.0 + e2 * (1.0 / 6.0 + e2 * (1.0 / 120.0 + e2 * (1.0 / 5040.0 + e2 * (1.0 / 362880.0)))))
        return ch, sh
    alpha = g.real * length
    beta = g.imag * length
    if alpha < 0.1:
        a2 = alpha * alpha
        cha = 1.0 + a2 * (0.5 + a2 * (1.0 / 24.0 + a2 * (1.0 / 720.0 + a2 / 40320.0)))
        sha = alpha * (1.0 + a2 * (1.0 / 6.0 + a2 * (1.0 / 120.0 + a2 * (1.0 / 5040.0 + a2 / 362880.0))))
    else:
        cha = math.cosh(alpha)
        sha = math.sinh(alpha)
    sine = math.sin(beta)
    cosine = math.cos(beta)
    return complex(cha * cosine, sha * sine), complex(sha * cosine, cha * sine)


@njit(cache=True, error_model="numpy", fastmath=_FAST)
def _tube(length, area, g, zc, yc):
    """Return (cosh, B, C) of a cylinder; A = D = cosh."""
    ch, sh = _waves(g, length)
    return ch, zc * sh / area, yc * sh * area


@njit(cache=True, error_model="numpy", fastmath=_FAST)
def _cone(length, r1, r2, g, zc, yc, dg, dzc):
    """Return A, B, C, D and their slopes in omega, as `piece_on_line` does, with 1/zc given."""
    e = g * length
    de = dg * length
    ch, sh = _waves(g, length)
    area = math.pi * r1 * r2
    lz = dzc * yc
    ratio = r2 / r1
    inv_e = _inverse(e)
    m = (ratio - 1.0) * inv_e
    dm = -m * de * inv_e
    m2 = m * m
    front = math.pi * r1 * r1 * yc
    mix = ratio - m2
    em2 = e * m2
    bb = zc * sh / area
    cc = front * (mix * sh + em2 * ch)
    return (
        ratio * ch - m * sh,
        bb,
        cc,
        (ch + m * sh) / ratio,
        ratio * sh * de - dm * sh - m * ch * de,
        bb * lz + zc * ch * de / area,
        -cc * lz + front * (2.0 * m * dm * (e * ch - sh) + (ratio * ch + em2 * sh) * de),
        (sh * de + dm * sh + m * ch * de) / ratio,
    )


@njit(cache=True, error_model="numpy", fastmath=_FAST)
def _chimney(con, parts, state, g, zc, yc, dg, dzc, out):
    """Fill `out` (8) with A, B, C, D of a chimney, bore side from the rim's side, and their slopes in omega."""
    started = False
    a = d = 1.0 + 0j
    b = c = da = db = dc = dd = 0j
    for k in range(4):
        number = parts[k]
        if number < 0:
            continue
        r1 = con[4]
        r2 = con[4]
        if k == 0:
            length = con[3]
            r2 = con[5]
        elif k == 1:
            # A plain chimney takes straight part and matching length as one cylinder, which is the same thing.
            length = con[6] + con[9] if parts[3] < 0 else con[6]
        elif k == 2:
            length = con[7]
            r1 = con[8]
        else:
            length = con[9]
            r1 = con[8]
            r2 = con[8]
        if length <= 0.0:
            continue
        if r1 == r2:
            area = math.pi * r1 * r1
            ch, bb, cc = _tube(length, area, g[number], zc[number], yc[number])
            de = dg[number] * length
            lz = dzc[number] * yc[number]
            sh = bb * area * yc[number]
            pa = ch
            pd = ch
            qa = sh * de
            qd = qa
            qb = bb * lz + zc[number] * ch * de / area
            qc = area * yc[number] * ch * de - cc * lz
            pb = bb
            pc = cc
        else:
            pa, pb, pc, pd, qa, qb, qc, qd = _cone(
                length, r1, r2, g[number], zc[number], yc[number], dg[number], dzc[number]
            )
        if not started:
            a, b, c, d, da, db, dc, dd = pa, pb, pc, pd, qa, qb, qc, qd
            started = True
            continue
        # This part is nearer the bore: it multiplies from the left.
        na = pa * a + pb * c
        nb = pa * b + pb * d
        nc = pc * a + pd * c
        nd = pc * b + pd * d
        da, db, dc, dd = (
            qa * a + pa * da + qb * c + pb * dc,
            qa * b + pa * db + qb * d + pb * dd,
            qc * a + pc * da + qd * c + pd * dc,
            qc * b + pc * db + qd * d + pd * dd,
        )
        a, b, c, d = na, nb, nc, nd
    out[0], out[1], out[2], out[3], out[4], out[5], out[6], out[7] = a, b, c, d, da, db, dc, dd


@njit(cache=True, error_model="numpy", fastmath=_FAST)
def _sweep(entering, source, el_i, tubes, up, holes, stub, z, flows):
    """Return (p, u) at the block face for a window flow and sources at the mouths; fill `flows`, and up[2].

    z is what the block face sees towards the foot; holes and foot get their flows outward, the window its own.
    """
    n_holes = holes.shape[0]
    n_el = el_i.shape[0]
    e_up = source[n_holes]
    for e in range(n_el):
        up[2, e] = e_up
        kind = el_i[e, 0]
        if kind <= 1:
            e_up = e_up * up[1, e]
        elif kind == 3:
            h = el_i[e, 3]
            e_up = (e_up * holes[h, 8] + source[h] * holes[h, 9] * (up[0, e] + tubes[e, 0])) * up[1, e]
    # The stub divides the window's flow.
    u = (entering - stub * e_up) * _inverse(1.0 + stub * z)
    p_face = z * u + e_up
    u_face = u
    for e in range(n_el - 1, -1, -1):
        kind = el_i[e, 0]
        if kind <= 1:
            u = (u - tubes[e, 2] * up[2, e]) * up[1, e]
        elif kind == 3:
            h = el_i[e, 3]
            felt = source[h] * holes[h, 9]
            below = (holes[h, 8] * u + felt - up[2, e]) * up[1, e]
            flows[h] = holes[h, 9] * (u - below) - holes[h, 2] * felt
            u = below
    flows[n_holes] = u
    flows[n_holes + 1] = -entering
    return p_face, u_face


@njit(cache=True, error_model="numpy")
def _all_flows(states, source, el_i, tubes, up, holes, stub, z, flows, mutual):
    """Fill `source` with the pressures that all openings cause at each other at unit window flow, solved at once.

    Response of every flow to a source at every mouth, then one linear system.
    """
    n_holes = holes.shape[0]
    m = n_holes + 2
    number = np.empty(m, np.int64)
    n = 0
    for i in range(m - 1):
        if i == n_holes or states[i] != 0:
            number[n] = i
            n += 1
    for i in range(m):
        source[i] = 0.0
    _sweep(1.0, source, el_i, tubes, up, holes, stub, z, flows)
    silent = flows.copy()
    response = np.empty((n, n), np.complex128)
    for j in range(n):
        source[number[j]] = 1.0
        _sweep(0.0, source, el_i, tubes, up, holes, stub, z, flows)
        source[number[j]] = 0.0
        for i in range(n):
            response[i, j] = flows[number[i]]
    system = np.zeros((n, n + 1), np.complex128)
    for i in range(n):
        system[i, i] += 1.0
        system[i, n] = silent[number[i]]
        for j in range(n):
            for k in range(n):
                system[i, k] -= response[i, j] * mutual[0, number[j], number[k]]
            system[i, n] -= response[i, j] * mutual[0, number[j], m - 1]
    for i in range(n):
        best = i
        for j in range(i + 1, n):
            if abs(system[j, i]) > abs(system[best, i]):
                best = j
        for k in range(i, n + 1):
            system[i, k], system[best, k] = system[best, k], system[i, k]
        for j in range(i + 1, n):
            factor = system[j, i] / system[i, i]
            for k in range(i, n + 1):
                system[j, k] -= factor * system[i, k]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            system[i, n] -= system[i, k] * system[k, n]
        system[i, n] /= system[i, i]
    for i in range(m):
        if i < n_holes and states[i] == 0:
            continue
        total = -mutual[0, i, m - 1] if i != m - 1 else 0j
        for k in range(n):
            total += mutual[0, i, number[k]] * system[k, n]
        source[i] = total


@njit(cache=True, error_model="numpy", fastmath=_FAST)
def _evaluate(omega, strength, loose, dims, states, air, wide, rules, plan, desk):
    """Return (Z, dZ/domega, Z_window) at one omega, and leave the whole solution in the work arrays.

    strength multiplies the coupling; loose is the share of their square by which the flows may disagree; plan from
    `_plan`, desk from `_desk`. Afterwards, at unit window flow: state_p, state_u at every interface from the foot up;
    holes[h] = A, B, C, D and slopes of the chimney, then Zs, transmission, own outside impedance, flow from the bore,
    flow at the mouth, pressure at the mouth, pressure at the bore; flows by opening.
    """
    outer_foot, x, r, con, el_i, el_f, lines, hole_i, places, pairs, mouth = plan
    work, tubes, up, holes, flows, mutual, state_p, state_u = desk
    zeta = dims[LOSS] * rules[2]
    radiate = float(rules[3])
    n_holes = con.shape[0]
    n_el = el_i.shape[0]
    gamma = air[3]
    pr = air[4]
    scale = dims[C_SCALE]
    rho0 = air[0] / (scale * scale)
    c0 = air[1] * scale
    g = work[0]
    zc = work[1]
    yc = work[2]
    dg = work[3]
    dzc = work[4]
    for i in range(lines.shape[0]):
        rho, c, mu = _local(air, lines[i, 1], dims)
        one, two, by_g, by_h, _, _ = line_of_table(omega, lines[i, 0], rho, c, mu, gamma, pr, zeta, wide)
        g[i] = one
        zc[i] = two
        yc[i] = _inverse(two)
        dg[i] = (one + complex(0.0, 0.5 * omega / c * zeta) * by_g) / omega
        dzc[i] = 0.5 * rho * c * zeta * by_h / omega
    last = x.size - 1
    rho, c, mu = _local(air, _warm(x[last], dims), dims)
    z_foot, dz_foot, _, _, _, _ = end_impedance(omega, r[last], outer_foot, rho, c, rules[0], radiate)
    # What every place sees towards the foot, with all sources silent.
    z = z_foot
    for e in range(n_el):
        up[0, e] = z
        kind = el_i[e, 0]
        if kind == 0:
            line = el_i[e, 1]
            if e > 0 and el_i[e - 1, 0] == 0 and el_i[e - 1, 1] == line and el_f[e - 1, 0] == el_f[e, 0]:
                for k in range(4):
                    tubes[e, k] = tubes[e - 1, k]
            else:
                area = math.pi * el_f[e, 1] * el_f[e, 1]
                ch, bb, cc = _tube(el_f[e, 0], area, g[line], zc[line], yc[line])
                tubes[e, 0] = ch
                tubes[e, 1] = bb
                tubes[e, 2] = cc
                tubes[e, 3] = ch
        elif kind == 1:
            line = el_i[e, 1]
            (
                tubes[e, 0], tubes[e, 1], tubes[e, 2], tubes[e, 3], tubes[e, 4], tubes[e, 5], tubes[e, 6], tubes[e, 7],
            ) = _cone(el_f[e, 0], el_f[e, 1], el_f[e, 2], g[line], zc[line], yc[line], dg[line], dzc[line])  # fmt: skip
        elif kind == 2:
            narrow = min(el_f[e, 1], el_f[e, 2])
            rho, c, mu = _local(air, el_f[e, 5], dims)
            dl = step_length(narrow, max(el_f[e, 1], el_f[e, 2]))[0]
            tubes[e, 1] = complex(0.0, omega * rho * dl / (math.pi * narrow * narrow))
            up[1, e] = 1.0
            z += tubes[e, 1]
            continue
        else:
            h = el_i[e, 3]
            own = holes[h]
            state = states[h]
            constants = con[h, state]
            rho, c, mu = _local(air, el_f[e, 5], dims)
            _chimney(constants, hole_i[h], state, g, zc, yc, dg, dzc, own)
            half = complex(0.0, 0.5 * omega * rho * constants[0])
            zi = complex(0.0, omega * rho * constants[1])
            if state == 0:
                own[9] = 0j
                own[10] = 0j
                own[8] = zi + own[0] * _inverse(own[2])
            else:
                zr = complex(radiate * rho * omega * omega / (4.0 * math.pi * c), omega * rho * constants[2])
                pass_on = _inverse(own[2] * zr + own[3])
                own[9] = pass_on
                own[10] = zr
                own[8] = zi + (own[0] * zr + own[1]) * pass_on
            tubes[e, 0] = half
            z += half
            s = _inverse(z + own[8])
            up[1, e] = s
            z = z * own[8] * s + half
            continue
        t = _inverse(tubes[e, 2] * z + tubes[e, 3])
        up[1, e] = t
        z = (tubes[e, 0] * z + tubes[e, 1]) * t
    stub = 0j
    dstub = 0j
    rho, c, mu = _local(air, _warm(x[0], dims), dims)
    if dims[BLOCK_DEPTH] < 0.0:
        # Block face behind the exit plane: a closed stub beside the bore.
        one, two, by_g, by_h, _, _ = line_of_table(omega, r[0], rho, c, mu, gamma, pr, zeta, wide)
        slope_g = (one + complex(0.0, 0.5 * omega / c * zeta) * by_g) / omega
        th = cmath.tanh(-one * dims[BLOCK_DEPTH])
        area = math.pi * r[0] ** 2
        stub = area * th / two
        dstub = area * (1.0 - th * th) * (-slope_g * dims[BLOCK_DEPTH]) / two
        dstub -= stub * 0.5 * rho * c * zeta * by_h / (omega * two)
    # Mutual impedances of the openings that are open.
    m = n_holes + 2
    coupled = rules[5] != 0
    if coupled:
        k0 = omega / c0
        front = complex(0.0, strength * omega * rho0)
        for i in range(m):
            if i >= n_holes or states[i] != 0:
                work[5, i] = complex(math.cos(k0 * places[i]), -math.sin(k0 * places[i]))
        for i in range(m):
            if i < n_holes and states[i] == 0:
                continue
            if i < n_holes:
                more = radiate * more_radiation(k0, pairs[i, i, 10], 0.0)[0]
                mutual[2, i, i] = complex(more, 1.0)
                swell = k0 * k0 * pairs[i, i, 7]
                mutual[0, i, i] = front * complex(swell, -more)
                mutual[3, i, i] = front * complex(3.0 * swell, -5.0 * more)
                mutual[1, i, i] = 0j
            for j in range(i):
                if j < n_holes and states[j] == 0:
                    continue
                if places[i] > places[j]:
                    phase = work[5, i] * work[5, j].conjugate()
                else:
                    phase = work[5, j] * work[5, i].conjugate()
                if radiate == 0.0:
                    # Without radiation there is no delay either, or the loop would no longer be a reactance.
                    phase = 1.0 + 0j
                d = abs(places[i] - places[j])
                more, share = more_radiation(k0, pairs[i, j, 10], d)
                more *= radiate
                free = pairs[i, j, 0] * phase
                swell = k0 * k0 * pairs[i, j, 7]
                mutual[2, i, j] = complex(more, share)
                mutual[0, i, j] = front * complex(free.real + pairs[i, j, 3] + swell, free.imag - more)
                # Its slope by omega, times omega: the factor omega, the delay, the swell and the added radiation.
                late = radiate * k0 * d
                kd = k0 * d / RADIATION_REACH
                mutual[3, i, j] = mutual[0, i, j] + front * complex(
                    free.imag * late + 2.0 * swell, -free.real * late - more * (4.0 - 2.0 * kd * kd * share)
                )
                mutual[0, j, i] = mutual[0, i, j]
                mutual[1, i, j] = phase
                mutual[1, j, i] = phase
    # Flows: sources at the mouths from the flows of the turn before, until they agree. What they still disagree by
    # enters Z only squared, since Z is stationary in the flows: the correction below is its first order.
    window = n_holes + 1
    source = work[6]
    correction = 0j
    turns = 0
    while True:
        p_face, u_face = _sweep(1.0, source, el_i, tubes, up, holes, stub, z, flows)
        if not coupled:
            break
        change = 0.0
        largest = 0.0
        correction = 0j
        for i in range(m):
            if i < n_holes and states[i] == 0:
                continue
            total = 0j
            for j in range(m):
                if j >= n_holes or states[j] != 0:
                    total += mutual[0, i, j] * flows[j]
            moved = total - source[i]
            change += moved.real * moved.real + moved.imag * moved.imag
            largest += total.real * total.real + total.imag * total.imag
            correction += flows[i] * moved
            work[7, i] = total
        turns += 1
        if change <= loose * largest:
            break
        if turns == 12:
            # Near a resonance of the inside the turns run apart: solve for all flows at once.
            _all_flows(states, source, el_i, tubes, up, holes, stub, z, flows, mutual)
            p_face, u_face = _sweep(1.0, source, el_i, tubes, up, holes, stub, z, flows)
            correction = 0j
            break
        for i in range(m):
            source[i] = work[7, i]
    # Final states from the window down.
    p = p_face
    u = u_face
    state_p[n_el] = p
    state_u[n_el] = u
    slope = -p * p * dstub
    for e in range(n_el - 1, -1, -1):
        kind = el_i[e, 0]
        if kind == 3:
            h = el_i[e, 3]
            state = states[h]
            own = holes[h]
            half = tubes[e, 0]
            node = p - half * u
            felt = source[h] * own[9]
            below = (own[8] * u + felt - up[2, e]) * up[1, e]
            into = u - below
            own[11] = into
            own[14] = node
            constants = con[h, state]
            rho = _local(air, el_f[e, 5], dims)[0]
            zi = complex(0.0, omega * rho * constants[1])
            inner = node - zi * into
            if state == 0:
                mouth_u = 0j
                mouth_p = into * _inverse(own[2])
            else:
                mouth_u = own[9] * into - own[2] * felt
                mouth_p = own[10] * mouth_u + source[h]
                slope += mouth_u * mouth_u * complex(2.0 * own[10].real, own[10].imag) / omega
            own[12] = mouth_u
            own[13] = mouth_p
            slope += half / omega * (u * u + below * below)
            slope += into * into * zi / omega
            slope += into * (own[4] * mouth_p + own[5] * mouth_u) - inner * (own[6] * mouth_p + own[7] * mouth_u)
            p = node - half * below
            u = below
        elif kind == 2:
            slope += tubes[e, 1] / omega * u * u
            p -= tubes[e, 1] * u
        else:
            aa = tubes[e, 0]
            bb = tubes[e, 1]
            cc = tubes[e, 2]
            tubes[e, 3]
            low_u = (u - cc * up[2, e]) * up[1, e]
            low_p = up[0, e] * low_u + up[2, e]
            if kind == 0:
                line = el_i[e, 1]
                area = math.pi * el_f[e, 1] * el_f[e, 1]
                lz = dzc[line] * yc[line]
                de = dg[line] * el_f[e, 0]
                wave = zc[line] / area
                admit = yc[line] * area
                sh = bb * admit
                t_e = u * (sh * low_p + wave * aa * low_u) - p * (admit * aa * low_p + sh * low_u)
                slope += t_e * de + lz * (u * bb * low_u + p * cc * low_p)
            else:
                slope += u * (tubes[e, 4] * low_p + tubes[e, 5] * low_u)
                slope -= p * (tubes[e, 6] * low_p + tubes[e, 7] * low_u)
            p = low_p
            u = low_u
        state_p[e] = p
        state_u[e] = u
    slope += u * u * dz_foot
    ka = omega / c0 * mouth[2]
    rho, c, mu = _local(air, _warm(x[0], dims), dims)
    resist = radiate * rho * omega * omega / (4.0 * math.pi * c)
    rise = 1.0 + mouth[1] * ka * ka
    zw = complex(resist, omega * rho * mouth[0] * rise)
    dzw = complex(2.0 * resist / omega, rho * mouth[0] * (1.0 + 3.0 * mouth[1] * ka * ka))
    total = zw + state_p[n_el]
    slope += dzw
    if coupled:
        total += correction - source[window]
        swing = 0j
        for i in range(m):
            if i < n_holes and states[i] == 0:
                continue
            towards = 0j
            for j in range(i):
                if j >= n_holes or states[j] != 0:
                    towards += mutual[3, i, j] * flows[j]
            swing += flows[i] * (2.0 * towards + mutual[3, i, i] * flows[i])
        slope += swing / omega
    return total, slope, zw


@njit(cache=True, error_model="numpy")
def _follow(expected, p, q):
    """Return the angle of (p, q) unwrapped next to the expected one."""
    raw = math.atan2(p, q)
    return raw + 2.0 * math.pi * math.floor((expected - raw) / (2.0 * math.pi) + 0.5)


@njit(cache=True, error_model="numpy", fastmath=_FAST)
def _angle(omega, dims, states, air, rules, plan):
    """Return the unwrapped angle of the standing wave, window included, without losses or coupling.

    It rises with frequency (Foster's theorem), and mode n stands where it equals n pi. It serves to count: chimneys
    are lumped, open ones an inertance, closed ones a volume. Real arithmetic: pressure is j times P.
    """
    outer_foot, x, r, con, el_i, el_f, _, _, _, _, mouth = plan
    last = x.size - 1
    rho, c, _ = _local(air, _warm(x[last], dims), dims)
    p = end_impedance(omega, r[last], outer_foot, rho, c, rules[0], 0.0)[0].imag
    u = 1.0
    ref = rho * c / (math.pi * r[last] * r[last])
    theta = math.atan2(p, ref)
    for e in range(el_i.shape[0]):
        rho, c, _ = _local(air, el_f[e, 5], dims)
        kind = el_i[e, 0]
        if kind == 2:
            narrow = min(el_f[e, 1], el_f[e, 2])
            dl = step_length(narrow, max(el_f[e, 1], el_f[e, 2]))[0]
            p += omega * rho * dl / (math.pi * narrow * narrow) * u
            theta = _follow(theta, p, ref * u)
        elif kind == 3:
            h = el_i[e, 3]
            state = states[h]
            own = con[h, state]
            volume = 0.0
            inertance = own[1] + own[2]
            for k in range(4):
                length = own[3] if k == 0 else (own[6] if k == 1 else (own[7] if k == 2 else own[9]))
                if length > 0.0:
                    r1 = own[4] if k <= 1 else own[8]
                    r2 = own[5] if k == 0 else (own[8] if k == 3 else own[4])
                    volume += math.pi / 3.0 * length * (r1 * r1 + r1 * r2 + r2 * r2)
                    inertance += length / (math.pi * r1 * r2)
            half = 0.5 * omega * rho * own[0]
            p += half * u
            if state == 0:
                u -= omega * volume / (rho * c * c) * p
            else:
                u += p / (omega * rho * inertance)
            p += half * u
            theta = _follow(theta, p, ref * u)
        else:
            beta = omega / c * el_f[e, 0]
            p, u = _silent(beta, el_f[e, 1], el_f[e, 2], rho * c, p, u)
            theta = _follow(theta + beta, p, ref * u)
    rho, c, _ = _local(air, _warm(x[0], dims), dims)
    if dims[BLOCK_DEPTH] < 0.0:
        u -= math.pi * r[0] ** 2 / (rho * c) * math.tan(-omega / c * dims[BLOCK_DEPTH]) * p
        theta = _follow(theta, p, ref * u)
    ka = omega / (air[1] * dims[C_SCALE]) * mouth[2]
    return theta + math.atan2(omega * rho * mouth[0] * (1.0 + mouth[1] * ka * ka), ref)


@njit(cache=True, error_model="numpy", fastmath=_FAST)
def _silent(beta, r1, r2, wave, p, u):
    """Return (P, u) at the upper end of a lossless cylinder or cone of k L = beta; pressure is j P."""
    sine = math.sin(beta)
    cosine = math.cos(beta)
    area = math.pi * r1 * r2
    ratio = r2 / r1
    mu = (ratio - 1.0) / beta
    front = math.pi * r1 * r1 / wave
    return (
        (ratio * cosine - mu * sine) * p + wave * sine / area * u,
        -front * ((ratio + mu * mu) * sine - beta * mu * mu * cosine) * p + (cosine + mu * sine) / ratio * u,
    )


@njit(cache=True, error_model="numpy")
def _resonance(mode, guess, dims, states, air, wide, rules, plan, desk):
    """Return (omega, dX/domega, R) of resonance `mode`, counted from 1 at the bottom; NaN when there is none.

    The lossless standing-wave angle rises with frequency and equals mode * pi at the resonance (Foster's
    theorem), so the mode is found by its number and never by its neighbourhood; Newton on X with the analytic
    slope then adds losses and coupling. From a good guess Newton alone is tried first and then counted.
    """
    goal = mode * math.pi
    omega = guess
    searched = False
    free_root = 0.0
    last = 0.0
    strength = 1.0
    reached = -1.0
    stride = FIRST_STRIDE
    turn = 0
    before = 0.0
    last_x = 0.0
    last_slope = 1.0
    last_omega = guess
    while True:
        # The first step need not be exact; what it leaves, the second takes.
        z, dz, _ = _evaluate(omega, strength, 1e-3 if turn == 0 else TIGHT, dims, states, air, wide, rules, plan, desk)
        turn += 1
        failed = dz.imag == 0.0 or not math.isfinite(z.imag) or turn > 40
        done = False
        if not failed:
            step = z.imag / dz.imag
            limit = 0.05 * omega
            if dz.imag < 0.0:
                step = math.copysign(0.5 * limit, z.imag)
            step = min(max(step, -limit), limit)
            here = omega
            omega -= step
            now = abs(step) / omega
            curved = 1e-4 < before < 0.01 and now < 1e-5 and before * now < 3e-9
            if turn > 1 and (now < 1e-7 or curved):
                failed = dz.imag < 0.0
                done = not failed
                if done and curved:
                    # Two points with slopes: the cubic for omega by X has an error of the square of both steps.
                    span = z.imag - last_x
                    t = -last_x / span
                    omega = (
                        (1.0 + 2.0 * t) * (1.0 - t) * (1.0 - t) * last_omega
                        + t * (1.0 - t) * (1.0 - t) * span / last_slope
                        + t * t * (3.0 - 2.0 * t) * here
                        + t * t * (t - 1.0) * span / dz.imag
                    )
            before = now if step == z.imag / dz.imag else 0.0
            last_x = z.imag
            last_slope = dz.imag
            last_omega = here
        if reached >= 0.0:
            # On the way from no coupling to all of it: no step may leap to another root.
            if done and abs(omega / last - 1.0) < LEAP:
                last = omega
                reached = strength
                if strength >= 1.0:
                    return omega, dz.imag, z.real
            elif done or failed:
                stride *= 0.5
                if stride < 1e-3 * FIRST_STRIDE:
                    return math.nan, math.nan, math.nan
            else:
                continue
            omega = last
            strength = min(reached + stride, 1.0)
            turn = 0
            before = 0.0
            continue
        if done:
            theta = _angle(omega, dims, states, air, rules, plan)
            if abs(theta - goal) < 0.25 * math.pi:
                return omega, dz.imag, z.real
            failed = True
        if failed:
            if not searched:
                searched = True
                free_root = _counted(mode, guess, dims, states, air, rules, plan)
                if math.isnan(free_root):
                    return math.nan, math.nan, math.nan
            else:
                # Strongly coupled: follow the root while the coupling grows, so that its number stays its own.
                reached = 0.0
                last = free_root
                strength = min(stride, 1.0)
            omega = free_root
            for i in range(desk[0].shape[1]):
                desk[0][6, i] = 0.0
            turn = 0
            before = 0.0


@njit(cache=True, error_model="numpy")
def _counted(mode, guess, dims, states, air, rules, plan):
    """Return the omega of the lossless, uncoupled mode of this number, to 1e-3 of its angle; NaN when out of reach."""
    goal = mode * math.pi
    omega = guess
    low = 0.0
    high = 0.0
    theta_low = 0.0
    theta_high = 0.0
    for turn in range(80):
        theta = _angle(omega, dims, states, air, rules, plan)
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
            return math.nan
        omega = trial
    return omega


@njit(cache=True, error_model="numpy")
def _mouth_slopes(dims, a, outer, rules, table, out):
    """Fill `out` (2, HEAD_SIZES + 2) with the slopes of the window's inertance/rho and kappa.

    By every head size, then by bore radius and by outside radius. Central differences of the closed form, once a
    model; it is smooth but for the places where a block or an edge meets its plane, where the outer side counts.
    """
    out[:, :] = 0.0
    copy = dims.copy()
    for q in range(HEAD_SIZES + 2):
        if LOSS <= q <= WARM_LENGTH or (q == EAR and dims[EAR] < 0.0):
            continue
        if rules[4] == 0 and q in (EDGE_OFFSET, EDGE_THICKNESS):
            continue
        if q < HEAD_SIZES:
            h = 1e-5 * max(abs(dims[q]), 1e-3)
            low = -h
            if q == BLOCK_DEPTH and 0.0 <= dims[q] < h:
                low = 0.0
            copy[q] = dims[q] + h
            m1, k1 = _mouth_of(copy, a, outer, rules, table)
            copy[q] = dims[q] + low
            m0, k0 = _mouth_of(copy, a, outer, rules, table)
            copy[q] = dims[q]
        else:
            h = 1e-5 * a
            low = -h
            by_a = 1.0 if q == HEAD_SIZES else 0.0
            m1, k1 = _mouth_of(dims, a + by_a * h, outer + (1.0 - by_a) * h, rules, table)
            m0, k0 = _mouth_of(dims, a - by_a * h, outer - (1.0 - by_a) * h, rules, table)
        out[0, q] = (m1 - m0) / (h - low)
        out[1, q] = (k1 - k0) / (h - low)


@njit(cache=True, error_model="numpy", fastmath=_FAST)
def _line_partials(length, r1, r2, a, da1, da2, g, zc, ag, az, gz, zz, vp, vu, p, u):
    """Return v dT/dq s for q = length, r1, r2, zeta, ln c, ln rho, ln mu of a cylinder or cone.

    v = (vp, vu) on the window side, s = (p, u) on the foot side; ag, az: slopes of G, zc by ln a; gz, zz by zeta.
    """
    e = g * length
    inv_e = _inverse(e)
    ch, sh = _waves(g, length)
    yc = _inverse(zc)
    area = math.pi * r1 * r2
    bb = zc * sh / area
    front = math.pi * r1 * r1 * yc
    if r1 == r2:
        cc = front * sh
        t_ratio = vp * (ch - inv_e * sh) * p + vu * cc * p + vu * (inv_e * sh - ch) * u
        t_e = vp * (sh * p + zc * ch / area * u) + vu * (front * ch * p + sh * u)
        ratio = 1.0
    else:
        ratio = r2 / r1
        m = (ratio - 1.0) * inv_e
        m2 = m * m
        cc = front * ((ratio - m2) * sh + e * m2 * ch)
        dd = (ch + m * sh) / ratio
        mr = inv_e
        me = -m * inv_e
        t_ratio = (
            vp * (ch - mr * sh) * p
            + vu * front * ((1.0 - 2.0 * m * mr) * sh + 2.0 * e * m * mr * ch) * p
            + vu * (-dd + mr * sh) / ratio * u
        )
        t_e = (
            vp * (ratio * sh - me * sh - m * ch) * p
            + vp * zc * ch / area * u
            + vu * front * (-2.0 * m * me * sh + ratio * ch + 2.0 * e * m * me * ch + e * m2 * sh) * p
            + vu * (sh + me * sh + m * ch) / ratio * u
        )
    t_b = vp * bb * u
    t_c = vu * cc * p
    t_lz = t_b - t_c
    by_ln_a = t_e * ag * length + t_lz * az * yc
    by_a = by_ln_a / a
    d_r1 = -t_ratio * ratio / r1 - t_b / r1 + 2.0 * t_c / r1 + by_a * da1
    d_r2 = t_ratio / r1 - t_b / r2 + by_a * da2
    half = 0.5 * by_ln_a
    return t_e * g, d_r1, d_r2, t_e * gz * length + t_lz * zz * yc, -t_e * e + t_lz, half + t_lz, -half


@njit(cache=True, error_model="numpy")
def _sensitivity(
    omega, slope, dims, n_bore, n_out, states, air, wide, rules, kind, index, by_size, by_mouth, plan, desk, grad
):
    """Fill `grad` with domega/d(size) / omega for every entry of dims, from the solution left by `_evaluate`.

    Every element adds u . dZ . u of its own states. Implicit rule: domega/dq = -(dX/dq)/(dX/domega).
    """
    outer_foot, x, r, con, el_i, el_f, lines, hole_i, places, pairs, mouth = plan
    work, _tubes, _up, holes, flows, mutual, state_p, state_u = desk
    zeta = dims[LOSS] * rules[2]
    radiate = float(rules[3])
    gamma = air[3]
    pr = air[4]
    n = kind.size
    n_holes = con.shape[0]
    n_lines = lines.shape[0]
    first_out = HEAD_SIZES + 2 * n_bore
    first_hole = first_out + 2 * n_out
    scale = dims[C_SCALE]
    gx = np.zeros(n)
    gr = np.zeros(n)
    grad[:] = 0.0
    # Slopes of every line by ln a and by zeta.
    ag = work[8]
    az = work[9]
    gz = work[10]
    zz = work[11]
    g = work[0]
    zc = work[1]
    for i in range(n_lines):
        rho, c, mu = _local(air, lines[i, 1], dims)
        _, _, dg, dh, g1, h1 = line_of_table(omega, lines[i, 0], rho, c, mu, gamma, pr, zeta, wide)
        jk = complex(0.0, omega / c)
        ag[i] = jk * zeta * dg
        az[i] = rho * c * zeta * dh
        gz[i] = jk * g1
        zz[i] = rho * c * h1
    g_lc = 0.0
    g_lr = 0.0
    # Window.
    rho, c, mu = _local(air, _warm(x[0], dims), dims)
    c0 = air[1] * scale
    a0 = mouth[2]
    ka = omega / c0 * a0
    rise = 1.0 + mouth[1] * ka * ka
    front = omega * rho
    for q in range(HEAD_SIZES):
        grad[q] += front * (by_mouth[0, q] * rise + mouth[0] * by_mouth[1, q] * ka * ka)
    by_a = front * (by_mouth[0, HEAD_SIZES] * rise + mouth[0] * by_mouth[1, HEAD_SIZES] * ka * ka)
    by_a += front * mouth[0] * 2.0 * mouth[1] * ka * ka / a0
    by_o = front * (by_mouth[0, HEAD_SIZES + 1] * rise + mouth[0] * by_mouth[1, HEAD_SIZES + 1] * ka * ka)
    gr[0] += by_a
    start = max(dims[BLOCK_DEPTH], 0.0)
    _, slope_o, station_o, weight_o = _interpolate(start, dims, first_out, n_out)
    _spread(grad, by_o, first_out, station_o, weight_o, slope_o, n_out)
    if dims[BLOCK_DEPTH] >= 0.0:
        # At exactly 0 the block can only come forward without opening a stub: that side's derivative is given.
        grad[BLOCK_DEPTH] += by_o * slope_o
    x_window = front * mouth[0] * rise
    grad[WINDOW_SCALE] += x_window / dims[WINDOW_SCALE]
    g_lc -= front * mouth[0] * 2.0 * mouth[1] * ka * ka
    g_lr += x_window
    # Temperature moves the window's air by rho alone; kappa's k is that of the room.
    gx[0] += _warm_slope(grad, x[0], dims, 0.0, x_window, 0.0)
    n_el = el_i.shape[0]
    if dims[BLOCK_DEPTH] < 0.0:
        p = state_p[n_el]
        one, two, by_g, by_h, g1, h1 = line_of_table(omega, r[0], rho, c, mu, gamma, pr, zeta, wide)
        jk = complex(0.0, omega / c)
        th = cmath.tanh(-one * dims[BLOCK_DEPTH])
        area = math.pi * r[0] ** 2
        y = area * th / two
        sech = area * (1.0 - th * th) / two
        w = -p * p
        s_ag = jk * zeta * by_g
        s_az = rho * c * zeta * by_h
        grad[BLOCK_DEPTH] += (w * sech * -one).imag
        half = 0.5 * (sech * -s_ag * dims[BLOCK_DEPTH] - y * s_az / two)
        gr[0] += (w * (2.0 * y + 2.0 * half) / r[0]).imag
        grad[LOSS] += (w * (sech * -jk * g1 * dims[BLOCK_DEPTH] - y * rho * c * h1 / two)).imag * rules[2]
        by_c = (w * (sech * one * dims[BLOCK_DEPTH] - y)).imag
        by_rho = (w * (half - y)).imag
        g_lc += by_c
        g_lr += by_rho
        gx[0] += _warm_slope(grad, x[0], dims, by_c, by_rho, -(w * half).imag)
    by_con = np.empty(10)
    for e in range(n_el):
        i = el_i[e, 2]
        p = state_p[e]
        u = state_u[e]
        vp = state_u[e + 1]
        vu = -state_p[e + 1]
        tau = el_f[e, 5]
        if el_i[e, 0] == 2:
            rho, c, mu = _local(air, tau, dims)
            narrow = min(r[i], r[i + 1])
            dl, d_narrow, d_wide = step_length(narrow, max(r[i], r[i + 1]))
            w = (complex(0.0, omega * rho / (math.pi * narrow * narrow)) * u * u).imag
            g_lr += w * dl
            gx[i] += _warm_slope(grad, x[i], dims, 0.0, w * dl, 0.0)
            to_narrow = w * (d_narrow - 2.0 * dl / narrow)
            if r[i] < r[i + 1]:
                gr[i] += to_narrow
                gr[i + 1] += w * d_wide
            else:
                gr[i + 1] += to_narrow
                gr[i] += w * d_wide
        elif el_i[e, 0] == 3:
            h = el_i[e, 3]
            state = states[h]
            own = con[h, state]
            rho, c, mu = _local(air, tau, dims)
            jwr = complex(0.0, omega * rho)
            by_con[:] = 0.0
            into = holes[h, 11]
            series = 0.5 * jwr * (vp * vp + u * u)
            by_con[0] = series.imag
            inner = jwr * into * into
            by_con[1] = inner.imag
            by_c = 0.0
            by_rho = (series * own[0] + inner * own[1]).imag
            by_mu = 0.0
            mu_ = holes[h, 12]
            mp = holes[h, 13]
            if state != 0:
                flow2 = mu_ * mu_
                by_con[2] = (jwr * flow2).imag
                resist = radiate * rho * omega * omega / (4.0 * math.pi * c)
                by_c -= (flow2 * resist).imag
                by_rho += (flow2 * complex(resist, omega * rho * own[2])).imag
            for k in range(4):
                length = own[3] if k == 0 else (own[6] if k == 1 else (own[7] if k == 2 else own[9]))
                r1 = own[4] if k <= 1 else own[8]
                r2 = own[5] if k == 0 else (own[8] if k == 3 else own[4])
                number = hole_i[h, k]
                if number < 0 and length > 0.0:
                    number = hole_i[h, 1]  # a plain chimney's matching length
                if number < 0 or length <= 0.0:
                    # Rim and horn that are not there yet may still grow: the slope at zero length.
                    number = hole_i[h, 1]
                    wide = math.pi * (r1 * r1 + r1 * r2 + r2 * r2) / 3.0
                    gain = mu_ * mu_ * zc[number] / (math.pi * r1 * r2) - mp * mp * wide / zc[number]
                    gain *= g[number]
                    by_con[3 if k == 0 else 7] += gain.imag
                    continue
                if r1 == r2:
                    a, da1, da2 = r1, 0.5, 0.5
                    ch, bb, cc = _tube(length, math.pi * r1 * r1, g[number], zc[number], 1.0 / zc[number])
                    up_p = ch * mp + bb * mu_
                    up_u = cc * mp + ch * mu_
                else:
                    a, da1, da2 = log_mean_radius(r1, r2)
                    aa, bb, cc, dd, _, _, _, _ = _cone(
                        length, r1, r2, g[number], zc[number], _inverse(zc[number]), 0j, 0j
                    )
                    up_p = aa * mp + bb * mu_
                    up_u = cc * mp + dd * mu_
                d_l, d_1, d_2, d_z, d_c, d_r, d_m = _line_partials(
                    length, r1, r2, a, da1, da2, g[number], zc[number], ag[number], az[number], gz[number], zz[number],
                    up_u, -up_p, mp, mu_,
                )  # fmt: skip
                mp = up_p
                mu_ = up_u
                grad[LOSS] += d_z.imag * rules[2]
                by_c += d_c.imag
                by_rho += d_r.imag
                by_mu += d_m.imag
                if k == 0:
                    by_con[3] += d_l.imag
                    by_con[4] += d_1.imag
                    by_con[5] += d_2.imag
                elif k == 1:
                    by_con[6] += d_l.imag
                    by_con[4] += d_1.imag + d_2.imag
                elif k == 2:
                    by_con[7] += d_l.imag
                    by_con[8] += d_1.imag
                    by_con[4] += d_2.imag
                else:
                    by_con[9] += d_l.imag
                    by_con[8] += d_1.imag + d_2.imag
            g_lc += by_c
            g_lr += by_rho
            gx[i] += _warm_slope(grad, x[i], dims, by_c, by_rho, by_mu)
            _, slope_o, station_o, weight_o = _interpolate(x[i], dims, first_out, n_out)
            jacobian = by_size[h, state]
            for row in range(5 + HOLE_SIZES):
                amount = 0.0
                for j in range(10):
                    amount += by_con[j] * jacobian[row, j]
                if row == 0:
                    gr[i] += amount
                elif row == 1:
                    _spread(grad, amount, first_out, station_o, weight_o, slope_o, n_out)
                    gx[i] += amount * slope_o
                elif row == 2:
                    grad[HALF] += amount
                elif row == 3:
                    grad[BULGE] += amount
                elif row == 4:
                    grad[HOLE_SCALE] += amount
                else:
                    grad[first_hole + HOLE_SIZES * h + row - 5] += amount
        else:
            number = el_i[e, 1]
            r1 = el_f[e, 1]
            r2 = el_f[e, 2]
            if r1 == r2:
                a, da1, da2 = r1, 0.5, 0.5
            else:
                a, da1, da2 = log_mean_radius(r1, r2)
            d_length, d_r1, d_r2, d_zeta, d_c, d_r, d_m = _line_partials(
                el_f[e, 0], r1, r2, a, da1, da2, g[number], zc[number], ag[number], az[number], gz[number], zz[number],
                vp, vu, p, u,
            )  # fmt: skip
            s1 = el_f[e, 3]
            s2 = el_f[e, 4]
            share = s2 - s1
            gx[i] -= d_length.imag * share
            gx[i + 1] += d_length.imag * share
            gr[i] += (d_r1 * (1.0 - s1) + d_r2 * (1.0 - s2)).imag
            gr[i + 1] += (d_r1 * s1 + d_r2 * s2).imag
            grad[LOSS] += d_zeta.imag * rules[2]
            g_lc += d_c.imag
            g_lr += d_r.imag
            middle = 0.5 * (s1 + s2)
            by_x = _warm_slope(grad, x[i] + middle * (x[i + 1] - x[i]), dims, d_c.imag, d_r.imag, d_m.imag)
            gx[i] += by_x * (1.0 - middle)
            gx[i + 1] += by_x * middle
    last = n - 1
    _, slope_o, station_o, weight_o = _interpolate(x[last], dims, first_out, n_out)
    rho, c, mu = _local(air, _warm(x[last], dims), dims)
    _, _, dz_da, dz_db, dz_lc, dz_lr = end_impedance(omega, r[last], outer_foot, rho, c, rules[0], radiate)
    w2 = state_u[0] * state_u[0]
    gr[last] += (w2 * dz_da).imag
    if rules[0] == 1:
        _spread(grad, (w2 * dz_db).imag, first_out, station_o, weight_o, slope_o, n_out)
        gx[last] += (w2 * dz_db).imag * slope_o
    g_lc += (w2 * dz_lc).imag
    g_lr += (w2 * dz_lr).imag
    gx[last] += _warm_slope(grad, x[last], dims, (w2 * dz_lc).imag, (w2 * dz_lr).imag, 0.0)
    if rules[5] != 0:
        rho0 = air[0] / (scale * scale)
        jwr = complex(0.0, omega * rho0)
        k0 = omega / c0
        place = np.zeros(n_holes + 2)
        body = np.zeros(n_holes + 2)
        bore = np.zeros(n_holes + 2)
        for i in range(n_holes + 2):
            if i < n_holes and states[i] == 0:
                continue
            for j in range(i + 1):
                if j < n_holes and states[j] == 0:
                    continue
                both = (2.0 if i != j else 1.0) * flows[i] * flows[j]
                phase = mutual[1, i, j]
                d = abs(places[i] - places[j])
                turned = phase * complex(0.0, -radiate * k0)
                pair = pairs[i, j]
                more = mutual[2, i, j].real
                reach = (k0 / RADIATION_REACH) ** 2 * mutual[2, i, j].imag
                towards = (both * jwr * (pair[1] * phase + pair[0] * turned + pair[4] + k0 * k0 * pair[8])).imag
                towards += (both * jwr * complex(0.0, 2.0 * d * reach * more)).imag
                if places[i] < places[j]:
                    towards = -towards
                place[i] += towards
                place[j] -= towards
                by_r = (both * jwr * (pair[2] * phase + pair[6] + k0 * k0 * pair[9])).imag
                if pair[10] > 0.0:
                    by_r += (both * jwr * complex(0.0, -3.0 * more / pair[10])).imag
                body[i] += 0.5 * by_r
                body[j] += 0.5 * by_r
                by_b = (both * jwr * pair[5]).imag
                bore[i] += 0.5 * by_b
                bore[j] += 0.5 * by_b
                g_lr += (both * mutual[0, i, j]).imag
                g_lc -= (both * jwr * (pair[0] * turned * d + 2.0 * k0 * k0 * pair[7])).imag
                g_lc += (both * jwr * complex(0.0, more * (4.0 - 2.0 * reach * d * d))).imag
        for i in range(n):
            if kind[i] == 2:
                h = index[i]
                gx[i] += place[h]
                gr[i] += bore[h]
                _, slope_o, station_o, weight_o = _interpolate(x[i], dims, first_out, n_out)
                _spread(grad, body[h], first_out, station_o, weight_o, slope_o, n_out)
                gx[i] += body[h] * slope_o
        gx[last] += place[n_holes]
        grad[WINDOW_LENGTH] += 0.5 * place[n_holes + 1]
        _, slope_o, station_o, weight_o = _interpolate(start, dims, first_out, n_out)
        _spread(grad, body[n_holes + 1], first_out, station_o, weight_o, slope_o, n_out)
        if dims[BLOCK_DEPTH] >= 0.0:
            grad[BLOCK_DEPTH] += body[n_holes + 1] * slope_o
    grad[C_SCALE] += (g_lc - 2.0 * g_lr) / dims[C_SCALE]
    for i in range(n):
        if kind[i] == 1:
            grad[HEAD_SIZES + 2 * index[i]] += gx[i]
            grad[HEAD_SIZES + 2 * index[i] + 1] += gr[i]
        else:
            _, slope_r, station, weight = _interpolate(x[i], dims, HEAD_SIZES, n_bore)
            total = gx[i] + gr[i] * slope_r
            if kind[i] == 2:
                at = first_hole + HOLE_SIZES * index[i]
                grad[at] += total
                if rules[1] == SOLVED:
                    grad[at + 5] -= CENTRE_SHIFT * total
                    grad[at + 6] += CENTRE_SHIFT * total
            elif dims[BLOCK_DEPTH] >= 0.0:
                grad[BLOCK_DEPTH] += total
            _spread(grad, gr[i], HEAD_SIZES, station, weight, slope_r, n_bore)
    for q in range(grad.size):
        grad[q] = -grad[q] / (slope * omega)


@njit(cache=True, error_model="numpy")
def _hole_slopes(dims, n_bore, n_out, rules, kind, index, x, r, con, used):
    """Return the derivatives of every hole's constants by its sizes, shape (hole, state, sizes, constants).

    `used` says which states occur at all.
    """
    by_size = np.zeros((con.shape[0], 3, 5 + HOLE_SIZES, 10))
    first_hole = HEAD_SIZES + 2 * n_bore + 2 * n_out
    for i in range(kind.size):
        if kind[i] != 2:
            continue
        at = first_hole + HOLE_SIZES * index[i]
        outer = _interpolate(x[i], dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
        for state in range(3):
            if used[state]:
                hole_constants_by_size(
                    r[i], outer, dims[at : at + HOLE_SIZES], state, dims[HALF], dims[BULGE], dims[HOLE_SCALE], rules[1],
                    by_size[index[i], state],
                )  # fmt: skip
    return by_size


@njit(cache=True, error_model="numpy")
def _plan(dims, n_bore, n_out, n_holes, angles, rules, table, kind, index, x, r, con, fine):
    """Return what `_evaluate` needs beside air and fingers, all free of frequency."""
    el_i, el_f, lines, hole_i = _elements(dims, kind, index, x, r, con, fine)
    m, kappa, a, outer = _mouth(dims, n_bore, n_out, rules, table)
    mouth = np.array((m, kappa, a, outer - a))
    places, pairs = _openings(dims, n_bore, n_out, n_holes, angles, kind, index, x, r, outer, rules)
    outer_foot = _interpolate(x[x.size - 1], dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
    return outer_foot, x, r, con, el_i, el_f, lines, hole_i, places, pairs, mouth


@njit(cache=True, error_model="numpy")
def _desk(n_el, n_lines, n_holes):
    """Return the work arrays of `_evaluate`."""
    wide = max(n_lines, n_holes + 2)
    return (
        np.zeros((12, wide), np.complex128),
        np.empty((n_el, 8), np.complex128),
        np.empty((3, n_el), np.complex128),
        np.zeros((n_holes, 15), np.complex128),
        np.zeros(n_holes + 2, np.complex128),
        np.zeros((4, n_holes + 2, n_holes + 2), np.complex128),
        np.empty(n_el + 1, np.complex128),
        np.empty(n_el + 1, np.complex128),
    )


@njit(cache=True, error_model="numpy")
def solve(
    modes, guesses, dims, n_bore, n_out, n_holes, angles, states, air, rules, table, omegas, slopes, resistances, grads
):
    """Solve every (fingering, mode) row; fill omegas, slopes, resistances and, when it has rows, grads.

    angles: place of every hole round the body, rad; rules: thick foot wall, series rule, lossy, radiate, window rule,
    coupling; table: coefficients of the solved window; guesses: omegas to begin at. NaN where a row has no root.
    """
    kind, index, x, r, con = lay_out(dims, n_bore, n_out, n_holes, rules)
    wide = wide_table(air[3], air[4])
    plan = _plan(dims, n_bore, n_out, n_holes, angles, rules, table, kind, index, x, r, con, False)
    desk = _desk(plan[4].shape[0], plan[6].shape[0], n_holes)
    wanted = grads.shape[0] > 0
    by_size = np.empty((0, 3, 5 + HOLE_SIZES, 10))
    by_mouth = np.empty((2, HEAD_SIZES + 2))
    fine = plan
    fine_desk = desk
    if wanted:
        used = np.zeros(3, np.bool_)
        for i in range(states.shape[0]):
            for h in range(n_holes):
                used[states[i, h]] = True
        by_size = _hole_slopes(dims, n_bore, n_out, rules, kind, index, x, r, con, used)
        _mouth_slopes(dims, plan[10][2], plan[10][2] + plan[10][3], rules, table, by_mouth)
        el_i, el_f, lines, hole_i = _elements(dims, kind, index, x, r, con, True)
        fine = (plan[0], x, r, con, el_i, el_f, lines, hole_i, plan[8], plan[9], plan[10])
        fine_desk = _desk(el_i.shape[0], lines.shape[0], n_holes)
    for i in range(modes.size):
        desk[0][6, :] = 0.0
        omega, slope, resistance = _resonance(modes[i], guesses[i], dims, states[i], air, wide, rules, plan, desk)
        omegas[i] = omega
        slopes[i] = slope
        resistances[i] = resistance
        if wanted:
            if math.isnan(omega):
                grads[i, :] = math.nan
                continue
            fine_desk[0][6, :] = 0.0
            fine_desk[0][6, : n_holes + 2] = desk[0][6, : n_holes + 2]
            _, dz, _ = _evaluate(omega, 1.0, EXACT, dims, states[i], air, wide, rules, fine, fine_desk)
            _sensitivity(
                omega, dz.imag, dims, n_bore, n_out, states[i], air, wide, rules, kind, index, by_size, by_mouth, fine,
                fine_desk, grads[i],
            )  # fmt: skip


@njit(cache=True, error_model="numpy")
def curve(omegas, dims, n_bore, n_out, n_holes, angles, states, air, rules, table, loop, slope, window, angle):
    """Fill, at every omega: loop impedance, its slope, the window's own impedance, and the lossless angle.

    Coupling between the openings is in `loop`.
    """
    kind, index, x, r, con = lay_out(dims, n_bore, n_out, n_holes, rules)
    wide = wide_table(air[3], air[4])
    plan = _plan(dims, n_bore, n_out, n_holes, angles, rules, table, kind, index, x, r, con, False)
    desk = _desk(plan[4].shape[0], plan[6].shape[0], n_holes)
    for i in range(omegas.size):
        desk[0][6, :] = 0.0
        loop[i], slope[i], window[i] = _evaluate(omegas[i], 1.0, TIGHT, dims, states, air, wide, rules, plan, desk)
        angle[i] = _angle(omegas[i], dims, states, air, rules, plan)
