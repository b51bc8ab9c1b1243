"""One solution at one frequency: impedance at the window, its slope, and pressure and flow everywhere."""

import cmath
import math

import numpy as np

from fluewright.acoustics.kernels.along_bore import local_air, warm
from fluewright.acoustics.kernels.arithmetic import inverse
from fluewright.acoustics.kernels.compiled import fused_kernel, kernel
from fluewright.acoustics.kernels.coupling import RADIATION_REACH, more_radiation
from fluewright.acoustics.kernels.flows import all_flows, sweep
from fluewright.acoustics.kernels.losses import line_of_table
from fluewright.acoustics.kernels.offsets import BLOCK_DEPTH, C_SCALE, LOSS
from fluewright.acoustics.kernels.radiation import end_impedance
from fluewright.acoustics.kernels.segments import cone, step_length, tube

__all__ = ["EXACT", "TIGHT", "evaluate", "make_desk"]

TIGHT = 1e-12  # square of the relative error that the openings' flows may keep; it enters Z squared
EXACT = 1e-18  # the same where slopes are taken, which feel the flows at first order


@fused_kernel
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
            # Written out: as a function, which hands eight numbers over in memory, it costs all notes a hundredth more.
            area = math.pi * r1 * r1
            ch, bb, cc = tube(length, area, g[number], zc[number], yc[number])
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
            pa, pb, pc, pd, qa, qb, qc, qd = cone(
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


@kernel
def make_desk(n_el, n_lines, n_holes):
    """Return the work arrays of `evaluate`."""
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


@fused_kernel
def evaluate(omega, strength, loose, dims, states, air, wide, rules, plan, desk):
    """Return (Z, dZ/domega, Z_window) at one omega, and leave the whole solution in the work arrays.

    strength multiplies the coupling; loose is the share of their square by which the flows may disagree; plan from
    `make_plan`, desk from `make_desk`. Afterwards, at unit window flow: state_p, state_u at every interface from the
    foot up; holes[h] = A, B, C, D and slopes of the chimney, then Zs, transmission, own outside impedance, flow from
    the bore, flow at the mouth, pressure at the mouth, pressure at the bore; flows by opening.
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
        rho, c, mu = local_air(air, lines[i, 1], dims)
        one, two, by_g, by_h, _, _ = line_of_table(omega, lines[i, 0], rho, c, mu, gamma, pr, zeta, wide)
        g[i] = one
        zc[i] = two
        yc[i] = inverse(two)
        dg[i] = (one + complex(0.0, 0.5 * omega / c * zeta) * by_g) / omega
        dzc[i] = 0.5 * rho * c * zeta * by_h / omega
    last = x.size - 1
    rho, c, mu = local_air(air, warm(x[last], dims), dims)
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
                ch, bb, cc = tube(el_f[e, 0], area, g[line], zc[line], yc[line])
                tubes[e, 0] = ch
                tubes[e, 1] = bb
                tubes[e, 2] = cc
                tubes[e, 3] = ch
        elif kind == 1:
            line = el_i[e, 1]
            (
                tubes[e, 0], tubes[e, 1], tubes[e, 2], tubes[e, 3], tubes[e, 4], tubes[e, 5], tubes[e, 6], tubes[e, 7],
            ) = cone(el_f[e, 0], el_f[e, 1], el_f[e, 2], g[line], zc[line], yc[line], dg[line], dzc[line])  # fmt: skip
        elif kind == 2:
            narrow = min(el_f[e, 1], el_f[e, 2])
            rho, c, mu = local_air(air, el_f[e, 5], dims)
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
            rho, c, mu = local_air(air, el_f[e, 5], dims)
            _chimney(constants, hole_i[h], state, g, zc, yc, dg, dzc, own)
            half = complex(0.0, 0.5 * omega * rho * constants[0])
            zi = complex(0.0, omega * rho * constants[1])
            if state == 0:
                own[9] = 0j
                own[10] = 0j
                own[8] = zi + own[0] * inverse(own[2])
            else:
                zr = complex(radiate * rho * omega * omega / (4.0 * math.pi * c), omega * rho * constants[2])
                pass_on = inverse(own[2] * zr + own[3])
                own[9] = pass_on
                own[10] = zr
                own[8] = zi + (own[0] * zr + own[1]) * pass_on
            tubes[e, 0] = half
            z += half
            s = inverse(z + own[8])
            up[1, e] = s
            z = z * own[8] * s + half
            continue
        t = inverse(tubes[e, 2] * z + tubes[e, 3])
        up[1, e] = t
        z = (tubes[e, 0] * z + tubes[e, 1]) * t
    stub = 0j
    dstub = 0j
    rho, c, mu = local_air(air, warm(x[0], dims), dims)
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
        p_face, u_face = sweep(1.0, source, el_i, tubes, up, holes, stub, z, flows)
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
            all_flows(states, source, el_i, tubes, up, holes, stub, z, flows, mutual)
            p_face, u_face = sweep(1.0, source, el_i, tubes, up, holes, stub, z, flows)
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
            rho = local_air(air, el_f[e, 5], dims)[0]
            zi = complex(0.0, omega * rho * constants[1])
            inner = node - zi * into
            if state == 0:
                mouth_u = 0j
                mouth_p = into * inverse(own[2])
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
    rho, c, mu = local_air(air, warm(x[0], dims), dims)
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
