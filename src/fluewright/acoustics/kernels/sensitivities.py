"""What every size does to a resonance, from the stored states of one solution.

All elements are reciprocal, so that with the flows u at unit window flow every derivative of Z is u . dZ_parts . u
(Tellegen's theorem).
"""

import cmath
import math

import numpy as np

from fluewright.acoustics.kernels.along_bore import interpolate, local_air, spread, warm, warm_slope
from fluewright.acoustics.kernels.arithmetic import inverse
from fluewright.acoustics.kernels.compiled import fused_kernel, kernel
from fluewright.acoustics.kernels.coupling import RADIATION_REACH
from fluewright.acoustics.kernels.holes import CENTRE_SHIFT, HOLE_SIZES, SOLVED, hole_constants_by_size
from fluewright.acoustics.kernels.losses import line_of_table
from fluewright.acoustics.kernels.offsets import (
    BLOCK_DEPTH,
    BULGE,
    C_SCALE,
    EAR,
    EDGE_OFFSET,
    EDGE_THICKNESS,
    HALF,
    HEAD_SIZES,
    HOLE_SCALE,
    LOSS,
    WARM_LENGTH,
    WINDOW_LENGTH,
    WINDOW_SCALE,
)
from fluewright.acoustics.kernels.plan import window_of_bore
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.kernels.segments import cone, log_mean_radius, step_length, tube, waves

__all__ = ["hole_slopes", "sensitivity", "window_slopes"]


@kernel
def sensitivity(
    omega, slope, dims, n_bore, n_out, states, air, wide, rules, kind, index, by_size, by_mouth, plan, desk, grad
):
    """Fill `grad` with domega/d(size) / omega for every entry of dims, from the solution left by `evaluate`.

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
        rho, c, mu = local_air(air, lines[i, 1], dims)
        _, _, dg, dh, g1, h1 = line_of_table(omega, lines[i, 0], rho, c, mu, gamma, pr, zeta, wide)
        jk = complex(0.0, omega / c)
        ag[i] = jk * zeta * dg
        az[i] = rho * c * zeta * dh
        gz[i] = jk * g1
        zz[i] = rho * c * h1
    g_lc = 0.0
    g_lr = 0.0
    # Window.
    rho, c, mu = local_air(air, warm(x[0], dims), dims)
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
    _, slope_o, station_o, weight_o = interpolate(start, dims, first_out, n_out)
    spread(grad, by_o, first_out, station_o, weight_o, slope_o, n_out)
    if dims[BLOCK_DEPTH] >= 0.0:
        # At exactly 0 the block can only come forward without opening a stub: that side's derivative is given.
        grad[BLOCK_DEPTH] += by_o * slope_o
    x_window = front * mouth[0] * rise
    grad[WINDOW_SCALE] += x_window / dims[WINDOW_SCALE]
    g_lc -= front * mouth[0] * 2.0 * mouth[1] * ka * ka
    g_lr += x_window
    # Temperature moves the window's air by rho alone; kappa's k is that of the room.
    gx[0] += warm_slope(grad, x[0], dims, 0.0, x_window, 0.0)
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
        gx[0] += warm_slope(grad, x[0], dims, by_c, by_rho, -(w * half).imag)
    by_con = np.empty(10)
    for e in range(n_el):
        i = el_i[e, 2]
        p = state_p[e]
        u = state_u[e]
        vp = state_u[e + 1]
        vu = -state_p[e + 1]
        tau = el_f[e, 5]
        if el_i[e, 0] == 2:
            rho, c, mu = local_air(air, tau, dims)
            narrow = min(r[i], r[i + 1])
            dl, d_narrow, d_wide = step_length(narrow, max(r[i], r[i + 1]))
            w = (complex(0.0, omega * rho / (math.pi * narrow * narrow)) * u * u).imag
            g_lr += w * dl
            gx[i] += warm_slope(grad, x[i], dims, 0.0, w * dl, 0.0)
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
            rho, c, mu = local_air(air, tau, dims)
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
                    ch, bb, cc = tube(length, math.pi * r1 * r1, g[number], zc[number], 1.0 / zc[number])
                    up_p = ch * mp + bb * mu_
                    up_u = cc * mp + ch * mu_
                else:
                    a, da1, da2 = log_mean_radius(r1, r2)
                    aa, bb, cc, dd, _, _, _, _ = cone(
                        length, r1, r2, g[number], zc[number], inverse(zc[number]), 0j, 0j
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
            gx[i] += warm_slope(grad, x[i], dims, by_c, by_rho, by_mu)
            _, slope_o, station_o, weight_o = interpolate(x[i], dims, first_out, n_out)
            jacobian = by_size[h, state]
            for row in range(5 + HOLE_SIZES):
                amount = 0.0
                for j in range(10):
                    amount += by_con[j] * jacobian[row, j]
                if row == 0:
                    gr[i] += amount
                elif row == 1:
                    spread(grad, amount, first_out, station_o, weight_o, slope_o, n_out)
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
            by_x = warm_slope(grad, x[i] + middle * (x[i + 1] - x[i]), dims, d_c.imag, d_r.imag, d_m.imag)
            gx[i] += by_x * (1.0 - middle)
            gx[i + 1] += by_x * middle
    last = n - 1
    _, slope_o, station_o, weight_o = interpolate(x[last], dims, first_out, n_out)
    rho, c, mu = local_air(air, warm(x[last], dims), dims)
    _, _, dz_da, dz_db, dz_lc, dz_lr = end_impedance(omega, r[last], outer_foot, rho, c, rules[0], radiate)
    w2 = state_u[0] * state_u[0]
    gr[last] += (w2 * dz_da).imag
    if rules[0] == 1:
        spread(grad, (w2 * dz_db).imag, first_out, station_o, weight_o, slope_o, n_out)
        gx[last] += (w2 * dz_db).imag * slope_o
    g_lc += (w2 * dz_lc).imag
    g_lr += (w2 * dz_lr).imag
    gx[last] += warm_slope(grad, x[last], dims, (w2 * dz_lc).imag, (w2 * dz_lr).imag, 0.0)
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
                _, slope_o, station_o, weight_o = interpolate(x[i], dims, first_out, n_out)
                spread(grad, body[h], first_out, station_o, weight_o, slope_o, n_out)
                gx[i] += body[h] * slope_o
        gx[last] += place[n_holes]
        grad[WINDOW_LENGTH] += 0.5 * place[n_holes + 1]
        _, slope_o, station_o, weight_o = interpolate(start, dims, first_out, n_out)
        spread(grad, body[n_holes + 1], first_out, station_o, weight_o, slope_o, n_out)
        if dims[BLOCK_DEPTH] >= 0.0:
            grad[BLOCK_DEPTH] += body[n_holes + 1] * slope_o
    grad[C_SCALE] += (g_lc - 2.0 * g_lr) / dims[C_SCALE]
    for i in range(n):
        if kind[i] == 1:
            grad[HEAD_SIZES + 2 * index[i]] += gx[i]
            grad[HEAD_SIZES + 2 * index[i] + 1] += gr[i]
        else:
            _, slope_r, station, weight = interpolate(x[i], dims, HEAD_SIZES, n_bore)
            total = gx[i] + gr[i] * slope_r
            if kind[i] == 2:
                at = first_hole + HOLE_SIZES * index[i]
                grad[at] += total
                if rules[1] == SOLVED:
                    grad[at + 5] -= CENTRE_SHIFT * total
                    grad[at + 6] += CENTRE_SHIFT * total
            elif dims[BLOCK_DEPTH] >= 0.0:
                grad[BLOCK_DEPTH] += total
            spread(grad, gr[i], HEAD_SIZES, station, weight, slope_r, n_bore)
    for q in range(grad.size):
        grad[q] = -grad[q] / (slope * omega)


@fused_kernel
def _line_partials(length, r1, r2, a, da1, da2, g, zc, ag, az, gz, zz, vp, vu, p, u):
    """Return v dT/dq s for q = length, r1, r2, zeta, ln c, ln rho, ln mu of a cylinder or cone.

    v = (vp, vu) on the window side, s = (p, u) on the foot side; ag, az: slopes of G, zc by ln a; gz, zz by zeta.
    """
    e = g * length
    inv_e = inverse(e)
    ch, sh = waves(g, length)
    yc = inverse(zc)
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


@kernel
def window_slopes(dims, a, outer, rules, table, out):
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
            m1, k1 = window_of_bore(copy, a, outer, rules, table)
            copy[q] = dims[q] + low
            m0, k0 = window_of_bore(copy, a, outer, rules, table)
            copy[q] = dims[q]
        else:
            h = 1e-5 * a
            low = -h
            by_a = 1.0 if q == HEAD_SIZES else 0.0
            m1, k1 = window_of_bore(dims, a + by_a * h, outer + (1.0 - by_a) * h, rules, table)
            m0, k0 = window_of_bore(dims, a - by_a * h, outer - (1.0 - by_a) * h, rules, table)
        out[0, q] = (m1 - m0) / (h - low)
        out[1, q] = (k1 - k0) / (h - low)


@kernel
def hole_slopes(dims, n_bore, n_out, rules, kind, index, x, r, con, used):
    """Return the derivatives of every hole's constants by its sizes, shape (hole, state, sizes, constants).

    `used` says which states occur at all.
    """
    by_size = np.zeros((con.shape[0], 3, 5 + HOLE_SIZES, 10))
    first_hole = HEAD_SIZES + 2 * n_bore + 2 * n_out
    for i in range(kind.size):
        if kind[i] != 2:
            continue
        at = first_hole + HOLE_SIZES * index[i]
        outer = interpolate(x[i], dims, HEAD_SIZES + 2 * n_bore, n_out)[0]
        for state in range(3):
            if used[state]:
                hole_constants_by_size(
                    r[i], outer, dims[at : at + HOLE_SIZES], state, dims[HALF], dims[BULGE], dims[HOLE_SCALE], rules[1],
                    by_size[index[i], state],
                )  # fmt: skip
    return by_size
