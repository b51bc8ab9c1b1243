"""One tone hole as a T-network: series impedance Za and shunt impedance Zs, open, closed or partly open.

Chimney from the bore outward: matching length t_m and undercut at the inner radius, straight part, rounded rim.
States: 0 closed, 1 open, 2 partly open (share `half` of the area).

========  ===================================================================
symbol    meaning
========  ===================================================================
a, outer  bore radius and outside radius of the body at the hole, m
b         radius of the straight part of the chimney, m
delta     inner radius of the hole over a
t         chimney height at the crest of the bore, outer - a, m
t_i       inner length correction of the shunt (Dubos et al. 1999, above 0.85 Lefebvre & Scavone 2012)
t_a       series length correction (Lefebvre & Scavone 2012 or Dubos et al. 1999)
t_m       matching length (Nederveen, Jansen & van Hassel 1998)
========  ===================================================================
"""

import math

import numpy as np
from numba import njit

from fluewright.acoustics.kernels.radiation import hole_outside_length
from fluewright.acoustics.kernels.segments import piece

__all__ = ["DUBOS", "HOLE_SIZES", "LEFEBVRE", "inner_length", "matching_length", "series_length", "t_network"]

LEFEBVRE = 0
DUBOS = 1

# Columns of a hole's size vector (SI): after position come
# b, outer_round, inner_chamfer, undercut all round, upstream, downstream, tan of the undercut's angle.
HOLE_SIZES = 8


@njit(cache=True)
def inner_length(d):
    """Return t_i/b of an open or closed hole with radius ratio d."""
    if d <= 0.85:
        return 0.82 + d * (-0.193 + d * (-1.09 + d * (1.27 - 0.71 * d)))
    return 0.822 + d * (-0.095 + d * (-1.566 + d * (2.138 + d * (-1.640 + 0.502 * d))))


@njit(cache=True)
def series_length(d, t_over_b, is_open, rule):
    """Return t_a/b (negative), with the impedance of the main bore."""
    if rule == 1:
        th = math.tanh(1.84 * t_over_b)
        if not is_open:
            th = 1.0 / th
        return -d * d / (1.78 * th + 0.940 + 0.540 * d + 0.285 * d * d)
    if is_open:
        return d * d * (-0.35 + 0.06 * math.tanh(2.7 * t_over_b))
    return d * d * (-0.12 - 0.17 * math.tanh(2.4 * t_over_b))


@njit(cache=True)
def matching_length(d):
    """Return t_m/b: the volume between the flat chimney end and the bore's wall."""
    return d / 8.0 * (1.0 + 0.207 * d * d * d)


@njit(cache=True)
def t_network(omega, a, outer, size, state, half, bulge, scale, rule, rho, c, mu, gamma, pr, zeta, radiate):
    """Return (Za, Zs, dZa/domega, dZs/domega), Pa s/m3; `size` is the hole's row of HOLE_SIZES values.

    `scale` multiplies the two length corrections of the open end; `bulge` is how far the finger reaches into
    a closed chimney, in hole radii. The undercut's horn is lengthened by 1 + 0.4 (b_in/b - 1)**2 (a two-point
    fit to finite elements, physics notes 4.8; b_in/b up to 1.5).
    """
    b = size[1]
    t = outer - a
    cut = size[4]
    one_sided = 0.5 * (size[5] + size[6])
    b_in = math.sqrt((b + cut) * (b + cut + one_sided)) + size[3]
    deepest = max(cut + max(size[5], size[6]), 0.0)
    l_in = 0.0
    if size[7] > 0.0 and deepest > 0.0:
        l_in = deepest / size[7]
    l_in = max(l_in, size[3])
    l_out = size[2]
    if l_in + l_out > 0.95 * t:
        shrink = 0.95 * t / (l_in + l_out)
        l_in *= shrink
        l_out *= shrink
    l_mid = t - l_in - l_out
    # A quarter-round rim widens by 1 - pi/4 of its radius on average, a cone by half: equal mean widening.
    b_out = b + 0.4292 * size[2]
    d = b_in / a
    t_m = b_in * matching_length(d)
    k = omega / c
    z0a = rho * c / (math.pi * a * a)
    za = complex(0.0, k * z0a * b_in * series_length(d, t / b_in, state != 0, rule))
    zi = complex(0.0, k * rho * c / (math.pi * b_in * b_in) * b_in * inner_length(d))
    if state == 0:
        p = 1.0 + 0j
        dp = 0j
        u = 0j
        du = 0j
        l_mid = max(l_mid - bulge * b, 0.05 * t)
    else:
        zi *= scale
        if state == 1:
            t_r, _, _ = hole_outside_length(b_out, outer)
            reactance = rho * omega * scale * t_r / (math.pi * b_out * b_out)
        else:
            r_o = b_out * math.sqrt(half)
            xi = r_o / b_out
            step = 0.8216 * (1.0 - 1.35 * xi + 0.31 * xi**3)
            reactance = omega * rho * scale * (step + 0.82) / (math.pi * r_o)
        resistance = radiate * rho * omega * omega / (4.0 * math.pi * c)
        p = complex(resistance, reactance)
        dp = complex(2.0 * resistance, reactance) / omega
        u = 1.0 + 0j
        du = 0j
    horn = min(max(b_in / b, 1.0), 1.5) - 1.0
    for part in range(4):
        if part == 0:
            length, r1, r2 = l_out, b, b_out
        elif part == 1:
            length, r1, r2 = l_mid, b, b
            if l_in == 0.0:
                length += t_m
        elif part == 2:
            length, r1, r2 = l_in * (1.0 + 0.4 * horn * horn), b_in, b
        else:
            length, r1, r2 = t_m, b_in, b_in
            if l_in == 0.0:
                length = 0.0
        if length <= 0.0:
            continue
        aa, bb, cc, dd, daa, dbb, dcc, ddd = piece(omega, length, r1, r2, rho, c, mu, gamma, pr, zeta)
        dp, du = daa * p + aa * dp + dbb * u + bb * du, dcc * p + cc * dp + ddd * u + dd * du
        p, u = aa * p + bb * u, cc * p + dd * u
    zs = zi + p / u
    return za, zs, za / omega, zi / omega + (dp - p * du / u) / u


@njit(cache=True)
def t_network_partial(
    which, omega, a, outer, size, state, half, bulge, scale, rule, rho, c, mu, gamma, pr, zeta, radiate
):
    """Return (dZa/dq, dZs/dq) for one argument q, by a fourth-order central difference of the closed form.

    which: 0 a, 1 outer, 2 half, 3 bulge, 4 scale, 5 ln c, 6 ln rho, 7 zeta, 8 + n the size column n.
    The closed form is smooth and free of iteration, so the difference is good to about 1e-10 relative.
    """
    base = np.array((a, outer, half, bulge, scale, 0.0, 0.0, zeta))
    own = size.copy()
    centre = own[which - 8] if which >= 8 else base[which]
    floor = 1e-5 if which >= 8 else 1e-2
    h = 2e-4 * max(abs(centre), floor)
    one_sided = which >= 8 and centre < 2.0 * h
    sum_a = 0j
    sum_s = 0j
    for step in range(5):
        if one_sided:
            # A size at zero can only grow: fourth-order forward difference.
            shift = step * h
            weight = (-25.0, 48.0, -36.0, 16.0, -3.0)[step] / (12.0 * h)
        else:
            if step == 2:
                continue
            shift = (step - 2) * h
            weight = (1.0, -8.0, 0.0, 8.0, -1.0)[step] / (12.0 * h)
        if which >= 8:
            own[which - 8] = centre + shift
        else:
            base[which] = centre + shift
        za, zs, _, _ = t_network(
            omega,
            base[0],
            base[1],
            own,
            state,
            base[2],
            base[3],
            base[4],
            rule,
            rho * math.exp(base[6]),
            c * math.exp(base[5]),
            mu,
            gamma,
            pr,
            base[7],
            radiate,
        )
        sum_a += weight * za
        sum_s += weight * zs
    return sum_a, sum_s
