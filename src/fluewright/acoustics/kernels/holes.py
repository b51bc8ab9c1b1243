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

from fluewright.acoustics.kernels.compiled import kernel
from fluewright.acoustics.kernels.radiation import hole_outside_length
from fluewright.acoustics.kernels.segments import piece

__all__ = [
    "CENTRE_SHIFT",
    "CONSTANTS",
    "DUBOS",
    "HOLE_SIZES",
    "LEFEBVRE",
    "SOLVED",
    "hole_constants",
    "hole_constants_by_size",
    "inner_length",
    "matching_length",
    "series_length",
    "t_network",
    "t_network_from",
]

LEFEBVRE = 0
DUBOS = 1
SOLVED = 2  # Lefebvre's t_a, and finished chimneys after our finite-element study

# Columns of a hole's size vector (SI): after position come
# b, outer_round, inner_chamfer, undercut all round, upstream, downstream, tan of the undercut's angle, waist.
HOLE_SIZES = 9

# Finished chimneys, fitted to the solved holes by research/holes/fit.py: how much of an undercut, a chamfer and a
# waist counts in the hole's inner radius, the flare's added length, what the outside length lacks (in b), and how far
# a cut to one side moves the hole's acoustic centre.
UNDERCUT_SHARE = 0.863
CHAMFER_SHARE = 0.365
WAIST_SHARE = 0.488
FLARE = 1.105
OUTSIDE_MORE = 0.0110
RIM_SHARE = 0.500
CENTRE_SHIFT = 0.253


@kernel
def inner_length(d):
    """Return t_i/b of an open or closed hole with radius ratio d."""
    if d <= 0.85:
        return 0.82 + d * (-0.193 + d * (-1.09 + d * (1.27 - 0.71 * d)))
    return 0.822 + d * (-0.095 + d * (-1.566 + d * (2.138 + d * (-1.640 + 0.502 * d))))


@kernel
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


@kernel
def matching_length(d):
    """Return t_m/b: the volume between the flat chimney end and the bore's wall."""
    return d / 8.0 * (1.0 + 0.207 * d * d * d)


# A hole's frequency-free constants: three inertances over density (series, inner, outer), 1/m, and the chimney
# from the rim inward: rim length, straight radius, rim radius, straight length, horn length, inner radius, matching
# length, m.
CONSTANTS = 10


@kernel
def hole_constants(a, outer, size, state, half, bulge, scale, rule, out):
    """Fill `out` (CONSTANTS) for one hole in one state; `size` is the hole's row of HOLE_SIZES values.

    `scale` multiplies the two length corrections of the open end; `bulge` is how far the finger reaches into a
    closed chimney, in hole radii. Rules LEFEBVRE and DUBOS lengthen an undercut's horn by 1 + 0.4 (b_in/b - 1)**2 (a
    two-point fit to finite elements, docs/physics/holes.md#horn; b_in/b up to 1.5); SOLVED takes our study of finished
    holes, research/holes: whole length within 2.1 %, 0.8 % rms, of the holes it was fitted to (4.0 %, 1.1 % rms where
    each quarter is left out in turn), over b/a 0.30 to 0.74, t/a 0.23 to 0.78.
    """
    b = size[1]
    t = outer - a
    cut = size[4]
    one_sided = 0.5 * (size[5] + size[6])
    waist = size[8]
    # Radius of the cylinder with the chimney's mean of 1/r**2, r = b + waist (2 z/t)**2.
    x = waist / b
    if x < 0.02:
        bow = 1.0 - x * (1.0 / 3.0 - x * (0.2 - x * (1.0 / 7.0 - x * (1.0 / 9.0 - x / 11.0))))
    else:
        bow = math.atan(math.sqrt(x)) / math.sqrt(x)
    straight = b / math.sqrt(0.5 / (1.0 + x) + 0.5 * bow)
    # A quarter-round rim widens by 1 - pi/4 of its radius on average, a cone by half: equal mean widening.
    ends_wider = 0.0
    rim = 0.4292
    flare = 0.4
    widest = 1.5
    lacking = 0.0
    if rule == SOLVED:
        b_in = straight + UNDERCUT_SHARE * (cut + one_sided) + CHAMFER_SHARE * size[3]
        if waist > 0.0:
            ends_wider = b + WAIST_SHARE * waist - straight
            b_in += ends_wider
        flare = FLARE
        rim = RIM_SHARE
        widest = 1.6
        lacking = OUTSIDE_MORE
    else:
        b_in = math.sqrt((straight + cut) * (straight + cut + one_sided)) + size[3]
    b_out = straight + rim * size[2] + ends_wider
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
    d = b_in / a
    ends = 1.0
    outside = 0.0
    if state == 0:
        # A twentieth of the chimney stays; the bend towards it is rounded, so that slopes have no jump.
        over = l_mid - bulge * b - 0.05 * t
        soft = 0.1 * bulge * b
        if over > soft:
            l_mid = over + 0.05 * t
        elif over > -soft:
            l_mid = 0.05 * t + (over + soft) ** 2 / (4.0 * soft)
        else:
            l_mid = 0.05 * t
    else:
        ends = scale
        if state == 1:
            t_r, _, _ = hole_outside_length(b_out, outer)
            outside = scale * (t_r + lacking * b_out) / (math.pi * b_out * b_out)
        else:
            r_o = b_out * math.sqrt(half)
            xi = r_o / b_out
            step = 0.8216 * max(1.0 - 1.35 * xi + 0.31 * xi**3, 0.0)
            outside = scale * (step + 0.82) / (math.pi * r_o)
    horn = min(max(b_in / straight, 1.0), widest) - 1.0
    out[0] = b_in * series_length(d, t / b_in, state != 0, rule) / (math.pi * a * a)
    out[1] = ends * inner_length(d) / (math.pi * b_in)
    out[2] = outside
    out[3] = l_out
    out[4] = straight
    out[5] = b_out
    out[6] = l_mid
    out[7] = l_in * (1.0 + flare * horn * horn)
    out[8] = b_in
    out[9] = b_in * matching_length(d)


@kernel
def hole_constants_by_size(a, outer, size, state, half, bulge, scale, rule, jacobian):
    """Fill `jacobian` (5 + HOLE_SIZES, CONSTANTS): rows a, outer, half, bulge, scale, then the size columns.

    Differences of the closed form, once a hole and free of frequency: central, good to about 1e-10. A size at zero
    can only grow: its difference is one-sided, of second order.
    """
    base = np.array((a, outer, half, bulge, scale))
    own = size.copy()
    work = np.empty((3, 10))
    hole_constants(a, outer, size, state, half, bulge, scale, rule, work[0])
    for row in range(jacobian.shape[0]):
        for j in range(10):
            jacobian[row, j] = 0.0
        if row == 5 or (row == 2 and state != 2) or (row == 3 and state != 0) or (row == 4 and state == 0):
            continue  # the position is no part of the closed form; the others have no say in this state
        if row == 12 and size[4] + size[5] + size[6] == 0.0:
            continue
        centre = own[row - 5] if row >= 5 else base[row]
        h = 1e-5 * max(abs(centre), 1e-3 if row >= 5 else 1e-1)
        one_sided = centre < h
        for step in range(1, 3):
            value = centre + (step * h if one_sided else (2 * step - 3) * h)
            if row >= 5:
                own[row - 5] = value
            else:
                base[row] = value
            hole_constants(base[0], base[1], own, state, base[2], base[3], base[4], rule, work[step])
        for j in range(10):
            if one_sided:
                jacobian[row, j] = (4.0 * work[1, j] - work[2, j] - 3.0 * work[0, j]) / (2.0 * h)
            else:
                jacobian[row, j] = (work[2, j] - work[1, j]) / (2.0 * h)
        if row >= 5:
            own[row - 5] = centre
        else:
            base[row] = centre


@kernel
def _part(k, con, merge):
    """Return (length, inner radius, outer radius) of part k of the chimney, counted from the rim inward.

    `merge` takes straight part and matching length of a plain chimney as one cylinder, which is the same thing.
    """
    if k == 0:
        return con[3], con[4], con[5]
    if merge and con[7] == 0.0 and con[8] == con[4]:
        return (con[6] + con[9], con[4], con[4]) if k == 1 else (0.0, con[4], con[4])
    if k == 1:
        return con[6], con[4], con[4]
    if k == 2:
        return con[7], con[8], con[4]
    return con[9], con[8], con[8]


@kernel
def t_network_from(omega, con, state, rho, c, mu, gamma, pr, zeta, radiate):
    """Return (Za, Zs, dZa/domega, dZs/domega), Pa s/m3, from a hole's constants."""
    za = complex(0.0, omega * rho * con[0])
    zi = complex(0.0, omega * rho * con[1])
    if state == 0:
        p = 1.0 + 0j
        dp = 0j
        u = 0j
    else:
        resistance = radiate * rho * omega * omega / (4.0 * math.pi * c)
        reactance = omega * rho * con[2]
        p = complex(resistance, reactance)
        dp = complex(2.0 * resistance, reactance) / omega
        u = 1.0 + 0j
    du = 0j
    for k in range(4):
        length, r1, r2 = _part(k, con, True)
        if length <= 0.0:
            continue
        aa, bb, cc, dd, daa, dbb, dcc, ddd = piece(omega, length, r1, r2, rho, c, mu, gamma, pr, zeta)
        dp, du = daa * p + aa * dp + dbb * u + bb * du, dcc * p + cc * dp + ddd * u + dd * du
        p, u = aa * p + bb * u, cc * p + dd * u
    return za, zi + p / u, za / omega, zi / omega + (dp - p * du / u) / u


@kernel
def t_network(omega, a, outer, size, state, half, bulge, scale, rule, rho, c, mu, gamma, pr, zeta, radiate):
    """Return (Za, Zs, dZa/domega, dZs/domega) of one hole from its sizes; see `hole_constants`."""
    con = np.empty(10)
    hole_constants(a, outer, size, state, half, bulge, scale, rule, con)
    return t_network_from(omega, con, state, rho, c, mu, gamma, pr, zeta, radiate)
