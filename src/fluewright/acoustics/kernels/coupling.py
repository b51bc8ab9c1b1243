"""How much the flow through one opening of the body raises the pressure at another, outside and inside.

Two openings with outward flows U_i, U_j feel each other as p_i += C_ij U_j with
C_ij = j omega rho [free exp(-j k d) + body + k**2 swell - j more + inner], d their distance along the body.

========  ==========================================================================================
symbol    meaning
========  ==========================================================================================
free      1/(4 pi D) (free space; Lefebvre, Scavone & Kergomard 2013), 1/m
body      what the rigid body adds to it close by: a near field, felt without delay, 1/m
more      what the body adds to the radiation, 1/m
swell     by how much the body's part grows with frequency, m
D         straight distance of the two mouths, m
inner     sum over the duct's evanescent waves, which two close holes exchange through the bore, 1/m
========  ==========================================================================================

Effect of the body: field of a point source on an infinite rigid cylinder of radius R, a Fourier series and integral
over 1/|H_m'|**2; here a fit to it. Static, it is within 0.012 of free for both holes on one side and on opposite ones,
within 0.15 at right angles; at k R 0.4 reactance and resistance keep within 0.04 up to 6 R. Inner:
mode sum of a rigid duct of radius a (Morse & Ingard, Theoretical Acoustics, 1968).
"""

import math
from typing import NamedTuple

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel

__all__ = ["OWN_SWELL", "RADIATION_REACH", "More", "Outer", "inner_coupling", "more_radiation", "outer_coupling"]

# The swell of a hole's own inertance, over the body's radius: the same field at the source itself.
OWN_SWELL = 0.7 / (4.0 * math.pi)
RADIATION_REACH = 3.6  # k d over which the body's added radiation holds

# Evanescent waves of a round duct: zero of J_m', m, and eps_m / (alpha (1 - m**2/alpha**2)).
_ALPHA = np.array([1.841183781, 3.054236928, 3.831705970, 4.201188941, 5.317553126, 5.331442774])
_ORDER = np.array([1.0, 2.0, 0.0, 3.0, 4.0, 1.0])
_WEIGHT = np.array([2.0, 2.0, 1.0, 2.0, 2.0, 2.0]) / (_ALPHA * (1.0 - (_ORDER / _ALPHA) ** 2))


class Outer(NamedTuple):
    """What two openings do to each other outside, SI: the module's free, body and swell.

    Each with its slopes by their distance z along the body and by the body's radius r.
    """

    free: float
    free_by_z: float
    free_by_r: float
    body: float
    body_by_z: float
    body_by_r: float
    swell: float
    swell_by_z: float
    swell_by_r: float


@kernel
def outer_coupling(z, radius, angle):
    """Return the `Outer` of two openings.

    z their distance along the body, radius the body's, m; angle between them round the body, rad.
    """
    chord = 2.0 * math.sin(0.5 * angle) * radius
    distance = math.sqrt(z * z + chord * chord)
    if distance < 1e-6:
        distance = 1e-6
    x = max(z / radius, 1e-9)
    reach = -0.945 * x**0.72
    more = math.exp(reach)
    dmore = 0.72 * reach / x * more
    if angle != 0.0:
        spread = 1.0 + (x / 2.6) ** 2
        behind = -0.49 * spread**-0.7
        dbehind = -0.7 * behind / spread * 2.0 * x / 2.6**2
        side = (0.5 * (1.0 + math.cos(angle))) ** 2
        more = side * more + (1.0 - side) * behind
        dmore = side * dmore + (1.0 - side) * dbehind
    free = 1.0 / (4.0 * math.pi * distance)
    by_z = -free * z / (distance * distance)
    by_r = -free * chord * chord / (radius * distance * distance)
    swell = 0.744 * math.exp(-x / 7.25)
    square = radius * radius * swell
    return Outer(
        free,
        by_z,
        by_r,
        free * more,
        by_z * more + free * dmore / radius,
        by_r * more - free * dmore * x / radius,
        free * square,
        by_z * square - free * square / (7.25 * radius),
        by_r * square + free * square * (2.0 + x / 7.25) / radius,
    )


class More(NamedTuple):
    """What a body adds to the mutual radiation of two openings, 1/m.

    share: -d ln value / d ln y over y, y the square of k z/RADIATION_REACH.
    """

    value: float
    share: float


@kernel
def more_radiation(k, radius, z):
    """Return the `More` of two openings z apart; z = 0: of one and itself.

    k/(4 pi) (k R)**3 / (1 + y + y**2/2 + y**3/6), y = (k z/3.6)**2, a fit: 6 % of the radiation of a simple source at
    k R 0.4, 13 % at 0.5.
    """
    kr = k * radius
    kz = k * z / RADIATION_REACH
    y = kz * kz
    upper = 1.0 + y * (1.0 + 0.5 * y)
    lower = 1.0 / (upper + y * y * y / 6.0)
    return More(k / (4.0 * math.pi) * kr * kr * kr * lower, upper * lower)


@kernel
def inner_coupling(z, a, angle):
    """Return (inner, d inner/dz, d inner/da) of two open holes of one bore, 1/m; z along it, a its radius, m."""
    value = 0.0
    slope = 0.0
    for k in range(6):
        term = _WEIGHT[k] * math.exp(-_ALPHA[k] * z / a)
        if angle != 0.0:
            term *= math.cos(_ORDER[k] * angle)
        value += term
        slope -= _ALPHA[k] * term
    front = 1.0 / (2.0 * math.pi * a)
    return front * value, front * slope / a, -front * (value + slope * z / a) / a
