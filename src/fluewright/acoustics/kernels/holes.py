"""One tone hole as a T-network: series impedance Za and shunt impedance Zs, open, closed or partly open.

Chimney from the bore outward: matching length t_m and undercut at the inner radius, straight part, rounded rim.
States: CLOSED, OPEN, PARTLY open (a share of the area).

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
from typing import NamedTuple

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel, maker, part
from fluewright.acoustics.kernels.offsets import (
    DOWNSTREAM,
    HOLE_RADIUS,
    HOLE_SIZES,
    INNER_CHAMFER,
    OUTER_ROUND,
    PLACE,
    UNDERCUT,
    UNDERCUT_SLOPE,
    UPSTREAM,
    WAIST,
)
from fluewright.acoustics.kernels.radiation import hole_outside_length
from fluewright.acoustics.kernels.segments import piece

__all__ = [
    "BY_SIZE",
    "CENTRE_SHIFT",
    "CLOSED",
    "CONSTANTS",
    "DUBOS",
    "HORN",
    "HORN_LENGTH",
    "INNER",
    "INNER_RADIUS",
    "LEFEBVRE",
    "MATCHING",
    "MATCHING_LENGTH",
    "OPEN",
    "OUTSIDE",
    "PARTLY",
    "PARTS",
    "RIM",
    "RIM_LENGTH",
    "RIM_RADIUS",
    "SERIES",
    "SOLVED",
    "STRAIGHT",
    "STRAIGHT_LENGTH",
    "STRAIGHT_RADIUS",
    "Fingers",
    "Part",
    "acoustic_centre",
    "chimney_part",
    "hole_constants",
    "hole_constants_by_size",
    "inner_length",
    "is_plain",
    "matching_length",
    "series_length",
    "t_network",
    "t_network_from",
]

LEFEBVRE = 0
DUBOS = 1
SOLVED = 2  # Lefebvre's t_a, and finished chimneys after our finite-element study

CLOSED = 0
OPEN = 1
PARTLY = 2

# A hole's constants, free of frequency: three inertances over density (1/m), and the chimney from the rim inward (m).
SERIES = 0
INNER = 1
OUTSIDE = 2
RIM_LENGTH = 3
STRAIGHT_RADIUS = 4
RIM_RADIUS = 5
STRAIGHT_LENGTH = 6
HORN_LENGTH = 7
INNER_RADIUS = 8
MATCHING_LENGTH = 9
CONSTANTS = 10

# The chimney's parts, from the rim inward.
RIM = 0
STRAIGHT = 1
HORN = 2
MATCHING = 3
PARTS = 4

# Rows of the slopes of `hole_constants_by_size`; from BY_SIZE on those of the hole's own sizes.
BY_BORE = 0
BY_OUTER = 1
BY_HALF = 2
BY_BULGE = 3
BY_SCALE = 4
BY_SIZE = 5

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
    if rule == DUBOS:
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


class Fingers(NamedTuple):
    """What decides a hole's ends beside its sizes.

    half: share of the area that a partly open hole leaves open; bulge: how far the finger reaches into a closed
    chimney, in hole radii; scale: factor on both length corrections of the open end.
    """

    half: float
    bulge: float
    scale: float


class _Radii(NamedTuple):
    """Radii of a chimney, m: of its straight part, at the bore, at the rim."""

    straight: float
    inner: float
    rim: float


@kernel
def _radii(size, rule):
    """Return the radii that a hole's sizes make; a rim, a chamfer and a waist count as the rule says."""
    b = size[HOLE_RADIUS]
    cut = size[UNDERCUT]
    one_sided = 0.5 * (size[UPSTREAM] + size[DOWNSTREAM])
    waist = size[WAIST]
    # Radius of the cylinder with the chimney's mean of 1/r**2, r = b + waist (2 z/t)**2.
    x = waist / b
    if x < 0.02:
        bow = 1.0 - x * (1.0 / 3.0 - x * (0.2 - x * (1.0 / 7.0 - x * (1.0 / 9.0 - x / 11.0))))
    else:
        bow = math.atan(math.sqrt(x)) / math.sqrt(x)
    straight = b / math.sqrt(0.5 / (1.0 + x) + 0.5 * bow)
    if rule == SOLVED:
        inner = straight + UNDERCUT_SHARE * (cut + one_sided) + CHAMFER_SHARE * size[INNER_CHAMFER]
        ends_wider = 0.0
        if waist > 0.0:
            ends_wider = b + WAIST_SHARE * waist - straight
            inner += ends_wider
        return _Radii(straight, inner, straight + RIM_SHARE * size[OUTER_ROUND] + ends_wider)
    inner = math.sqrt((straight + cut) * (straight + cut + one_sided)) + size[INNER_CHAMFER]
    # A quarter-round rim widens by 1 - pi/4 of its radius on average, a cone by half: equal mean widening.
    return _Radii(straight, inner, straight + 0.4292 * size[OUTER_ROUND])


@kernel
def _heights(size, t):
    """Return (height of the horn, height of the rim); both shrink in proportion where they fill the wall t."""
    deepest = max(size[UNDERCUT] + max(size[UPSTREAM], size[DOWNSTREAM]), 0.0)
    horn = 0.0
    if size[UNDERCUT_SLOPE] > 0.0 and deepest > 0.0:
        horn = deepest / size[UNDERCUT_SLOPE]
    horn = max(horn, size[INNER_CHAMFER])
    rim = size[OUTER_ROUND]
    if horn + rim > 0.95 * t:
        shrink = 0.95 * t / (horn + rim)
        horn *= shrink
        rim *= shrink
    return horn, rim


@kernel
def _left_by_finger(straight, b, t, bulge):
    """Return the length that the finger leaves of a closed chimney's straight part.

    A twentieth of the chimney stays; the bend towards it is rounded, so that slopes have no jump.
    """
    over = straight - bulge * b - 0.05 * t
    soft = 0.1 * bulge * b
    if over > soft:
        return over + 0.05 * t
    if over > -soft:
        return 0.05 * t + (over + soft) ** 2 / (4.0 * soft)
    return 0.05 * t


@kernel
def _outside(rim, outer, state, fingers, rule):
    """Return the inertance over density of the air outside an open or partly open rim, 1/m."""
    if state == OPEN:
        lacking = OUTSIDE_MORE if rule == SOLVED else 0.0
        t_r, _, _ = hole_outside_length(rim, outer)
        return fingers.scale * (t_r + lacking * rim) / (math.pi * rim * rim)
    left = rim * math.sqrt(fingers.half)
    xi = left / rim
    step = 0.8216 * max(1.0 - 1.35 * xi + 0.31 * xi**3, 0.0)
    return fingers.scale * (step + 0.82) / (math.pi * left)


@kernel
def hole_constants(a, outer, size, state, fingers, rule, out):
    """Fill `out` (CONSTANTS) for one hole in one state; `size` is the hole's row of HOLE_SIZES values.

    Rules LEFEBVRE and DUBOS lengthen an undercut's horn by 1 + 0.4 (b_in/b - 1)**2 (a two-point fit to finite elements,
    docs/physics/holes.md#horn; b_in/b up to 1.5); SOLVED takes our study of finished holes, research/holes: whole
    length within 2.1 %, 0.8 % rms, of the holes it was fitted to (4.0 %, 1.1 % rms where each quarter is left out in
    turn), over b/a 0.30 to 0.74, t/a 0.23 to 0.78.
    """
    t = outer - a
    radii = _radii(size, rule)
    horn, rim = _heights(size, t)
    straight = t - horn - rim
    ends = 1.0
    outside = 0.0
    if state == CLOSED:
        straight = _left_by_finger(straight, size[HOLE_RADIUS], t, fingers.bulge)
    else:
        ends = fingers.scale
        outside = _outside(radii.rim, outer, state, fingers, rule)
    flare = FLARE if rule == SOLVED else 0.4
    widest = 1.6 if rule == SOLVED else 1.5
    wider = min(max(radii.inner / radii.straight, 1.0), widest) - 1.0
    d = radii.inner / a
    out[SERIES] = radii.inner * series_length(d, t / radii.inner, state != CLOSED, rule) / (math.pi * a * a)
    out[INNER] = ends * inner_length(d) / (math.pi * radii.inner)
    out[OUTSIDE] = outside
    out[RIM_LENGTH] = rim
    out[STRAIGHT_RADIUS] = radii.straight
    out[RIM_RADIUS] = radii.rim
    out[STRAIGHT_LENGTH] = straight
    out[HORN_LENGTH] = horn * (1.0 + flare * wider * wider)
    out[INNER_RADIUS] = radii.inner
    out[MATCHING_LENGTH] = radii.inner * matching_length(d)


@kernel
def _silent_row(row, state, size):
    """Return whether a size of `hole_constants_by_size` has no say in this state."""
    if row == BY_SIZE:
        return True  # the place along the bore is no part of the closed form
    if row == BY_SIZE + UNDERCUT_SLOPE:
        return size[UNDERCUT] + size[UPSTREAM] + size[DOWNSTREAM] == 0.0
    return (
        (row == BY_HALF and state != PARTLY)
        or (row == BY_BULGE and state != CLOSED)
        or (row == BY_SCALE and state == CLOSED)
    )


@maker
def hole_constants_by_size(a, outer, size, state, fingers, rule, jacobian):
    """Fill `jacobian`, shape (BY_SIZE + HOLE_SIZES, CONSTANTS), with the slopes of a hole's constants.

    Differences of the closed form, once a hole and free of frequency: central, good to about 1e-10. A size at zero
    can only grow: its difference is one-sided, of second order.
    """
    base = np.array((a, outer, fingers.half, fingers.bulge, fingers.scale))
    own = size.copy()
    work = np.empty((3, CONSTANTS))
    hole_constants(a, outer, size, state, fingers, rule, work[0])
    jacobian[:, :] = 0.0
    for row in range(BY_SIZE + HOLE_SIZES):
        if _silent_row(row, state, size):
            continue
        centre = own[row - BY_SIZE] if row >= BY_SIZE else base[row]
        h = 1e-5 * max(abs(centre), 1e-3 if row >= BY_SIZE else 1e-1)
        one_sided = centre < h
        for step in range(1, 3):
            value = centre + (step * h if one_sided else (2 * step - 3) * h)
            if row >= BY_SIZE:
                own[row - BY_SIZE] = value
            else:
                base[row] = value
            moved = Fingers(base[BY_HALF], base[BY_BULGE], base[BY_SCALE])
            hole_constants(base[BY_BORE], base[BY_OUTER], own, state, moved, rule, work[step])
        for j in range(CONSTANTS):
            if one_sided:
                jacobian[row, j] = (4.0 * work[1, j] - work[2, j] - 3.0 * work[0, j]) / (2.0 * h)
            else:
                jacobian[row, j] = (work[2, j] - work[1, j]) / (2.0 * h)
        if row >= BY_SIZE:
            own[row - BY_SIZE] = centre
        else:
            base[row] = centre


@part
def acoustic_centre(size, rule):
    """Return where along the bore a hole acts, m: widened to one side, a little off its middle; size: (HOLE_SIZES,)."""
    if rule == SOLVED:
        return size[PLACE] - CENTRE_SHIFT * (size[UPSTREAM] - size[DOWNSTREAM])
    return size[PLACE]


class Part(NamedTuple):
    """One part of a chimney, m: its length, radius towards the bore, radius towards the rim."""

    length: float
    inner: float
    outer: float


@part
def chimney_part(k, con):
    """Return part k of a chimney by its constants, shape (CONSTANTS,)."""
    if k == RIM:
        return Part(con[RIM_LENGTH], con[STRAIGHT_RADIUS], con[RIM_RADIUS])
    if k == STRAIGHT:
        return Part(con[STRAIGHT_LENGTH], con[STRAIGHT_RADIUS], con[STRAIGHT_RADIUS])
    if k == HORN:
        return Part(con[HORN_LENGTH], con[INNER_RADIUS], con[STRAIGHT_RADIUS])
    return Part(con[MATCHING_LENGTH], con[INNER_RADIUS], con[INNER_RADIUS])


@part
def is_plain(con):
    """Return whether a chimney is one cylinder up to its rim, by its constants, shape (CONSTANTS,).

    Then straight part and matching length may be taken as one.
    """
    return con[HORN_LENGTH] == 0.0 and con[INNER_RADIUS] == con[STRAIGHT_RADIUS]


@kernel
def t_network_from(omega, con, state, gas, zeta, radiate):
    """Return (Za, Zs, dZa/domega, dZs/domega), Pa s/m3, from a hole's constants, shape (CONSTANTS,)."""
    za = complex(0.0, omega * gas.rho * con[SERIES])
    zi = complex(0.0, omega * gas.rho * con[INNER])
    if state == CLOSED:
        p = 1.0 + 0j
        dp = 0j
        u = 0j
    else:
        resistance = radiate * gas.rho * omega * omega / (4.0 * math.pi * gas.c)
        reactance = omega * gas.rho * con[OUTSIDE]
        p = complex(resistance, reactance)
        dp = complex(2.0 * resistance, reactance) / omega
        u = 1.0 + 0j
    du = 0j
    for k in range(PARTS):
        of = chimney_part(k, con)
        if of.length <= 0.0:
            continue
        t = piece(omega, of.length, of.inner, of.outer, gas, zeta)
        dp, du = t.da * p + t.a * dp + t.db * u + t.b * du, t.dc * p + t.c * dp + t.dd * u + t.d * du
        p, u = t.a * p + t.b * u, t.c * p + t.d * u
    return za, zi + p / u, za / omega, zi / omega + (dp - p * du / u) / u


@maker
def t_network(omega, a, outer, size, state, fingers, rule, gas, zeta, radiate):
    """Return (Za, Zs, dZa/domega, dZs/domega) of one hole from its sizes, shape (HOLE_SIZES,)."""
    con = np.empty(CONSTANTS)
    hole_constants(a, outer, size, state, fingers, rule, con)
    return t_network_from(omega, con, state, gas, zeta, radiate)
