"""Two-port of one straight or conical piece of duct, and what each of its sizes does to it."""

import cmath
import math

from numba import njit

from fluewright.acoustics.kernels.losses import line

__all__ = ["log_mean_radius", "piece", "piece_on_line", "step_length"]


@njit(cache=True, error_model="numpy")
def log_mean_radius(r1, r2):
    """Return (a_eq, da/dr1, da/dr2): log-mean radius, where wall loss going as 1/r has its mean."""
    u = (r2 - r1) / (r2 + r1)
    u2 = u * u
    if u2 < 0.01:
        # u/atanh(u), and its derivative, by series; exact to 1e-12 for |u| < 0.1
        s = 1.0 - u2 * (1 / 3 + u2 * (4 / 45 + u2 * (44 / 945 + u2 * (428 / 14175 + u2 * 10196 / 467775))))
        ds = -2.0 * u * (1 / 3 + u2 * (8 / 45 + u2 * (132 / 945 + u2 * (1712 / 14175 + u2 * 50980 / 467775))))
    else:
        at = math.atanh(u)
        s = u / at
        ds = 1.0 / at - u / (at * at * (1.0 - u2))
    mean = 0.5 * (r1 + r2)
    total = r1 + r2
    du1 = -2.0 * r2 / (total * total)
    du2 = 2.0 * r1 / (total * total)
    return mean * s, 0.5 * s + mean * ds * du1, 0.5 * s + mean * ds * du2


@njit(cache=True, error_model="numpy")
def piece(omega, length, r1, r2, rho, c, mu, gamma, pr, zeta):
    """Return (A, B, C, D, dA, dB, dC, dD) with derivatives in omega; (p, U) at r1 from (p, U) at r2.

    Spherical-wave cone; with R = r2/r1, E = G L, m = (R - 1)/E it has no singular cylinder limit:
    A = R ch - m sh; B = zc sh/(pi r1 r2); C = (pi r1**2/zc) [(R - m**2) sh + E m**2 ch]; D = (ch + m sh)/R.
    Losses at the log-mean radius; pieces of a lossy cone should be 20 mm or shorter.
    """
    a, _, _ = log_mean_radius(r1, r2)
    g, zc, _, _, dg, dzc, _, _ = line(omega, a, rho, c, mu, gamma, pr, zeta)
    return piece_on_line(length, r1, r2, g, zc, dg, dzc)


@njit(cache=True, error_model="numpy")
def piece_on_line(length, r1, r2, g, zc, dg, dzc):
    """Return what `piece` does, for a line whose constants are known already."""
    e = g * length
    de = dg * length
    ex = cmath.exp(e)
    ix = 1.0 / ex
    ch = 0.5 * (ex + ix)
    sh = 0.5 * (ex - ix)
    area = math.pi * r1 * r2
    lz = dzc / zc
    if r1 == r2:
        b = zc * sh / area
        cc = area * sh / zc
        return ch, b, cc, ch, sh * de, b * lz + zc * ch * de / area, area * ch * de / zc - cc * lz, sh * de
    ratio = r2 / r1
    m = (ratio - 1.0) / e
    dm = -m * de / e
    m2 = m * m
    aa = ratio * ch - m * sh
    daa = ratio * sh * de - dm * sh - m * ch * de
    bb = zc * sh / area
    dbb = bb * lz + zc * ch * de / area
    front = math.pi * r1 * r1 / zc
    cc = front * ((ratio - m2) * sh + e * m2 * ch)
    dcc = -cc * lz + front * (-2.0 * m * dm * sh + ratio * ch * de + 2.0 * e * m * dm * ch + e * m2 * sh * de)
    dd = (ch + m * sh) / ratio
    ddd = (sh * de + dm * sh + m * ch * de) / ratio
    return aa, bb, cc, dd, daa, dbb, dcc, ddd


@njit(cache=True, error_model="numpy")
def step_length(narrow, wide):
    """Return (dL, ddL/dnarrow, ddL/dwide), m, on the narrow side of a step in diameter.

    dL/a1 = 0.8216 (1 - 1.35 xi + 0.31 xi**3), xi = a1/a2, held at >= 0 (classical; physics notes, section 2).
    """
    xi = narrow / wide
    shape = 1.0 - 1.35 * xi + 0.31 * xi**3
    if shape <= 0.0:
        return 0.0, 0.0, 0.0
    dshape = -1.35 + 0.93 * xi * xi
    return 0.8216 * narrow * shape, 0.8216 * (shape + xi * dshape), -0.8216 * xi * xi * dshape
