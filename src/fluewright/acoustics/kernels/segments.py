"""Two-port of one straight or conical piece of duct, and what each of its sizes does to it."""

import math
from typing import NamedTuple

from fluewright.acoustics.kernels.arithmetic import inverse
from fluewright.acoustics.kernels.compiled import fused_kernel, kernel, part
from fluewright.acoustics.kernels.losses import line

__all__ = [
    "TwoPort",
    "Wave",
    "cone",
    "log_mean_radius",
    "piece",
    "step_length",
    "tube",
    "tube_slopes",
    "wave_of",
    "waves",
]


@kernel
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


@fused_kernel
def waves(g, length):
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


class Wave(NamedTuple):
    """How sound travels along a piece: propagation constant, wave impedance and its inverse, slopes in omega."""

    g: complex
    zc: complex
    yc: complex
    dg: complex
    dzc: complex


class TwoPort(NamedTuple):
    """(p, U) on the window's side from (p, U) on the other: p = a p + b U, U = c p + d U; slopes in omega."""

    a: complex
    b: complex
    c: complex
    d: complex
    da: complex
    db: complex
    dc: complex
    dd: complex


@part
def wave_of(line):
    """Return the wave of a line."""
    return Wave(line.g, line.zc, inverse(line.zc), line.g_by_omega, line.zc_by_omega)


@part
def tube(length, area, wave):
    """Return (cosh, B, C) of a cylinder; A = D = cosh."""
    ch, sh = waves(wave.g, length)
    return ch, wave.zc * sh / area, wave.yc * sh * area


@part
def tube_slopes(length, area, wave, ch, b, c):
    """Return (dA, dB, dC) in omega of a cylinder whose (cosh, B, C) are known; dD = dA."""
    de = wave.dg * length
    lz = wave.dzc * wave.yc
    sh = b * area * wave.yc
    return sh * de, b * lz + wave.zc * ch * de / area, area * wave.yc * ch * de - c * lz


@fused_kernel
def cone(length, r1, r2, wave):
    """Return the `TwoPort` of a cone, r1 on the window's side.

    Spherical-wave cone; with R = r2/r1, E = G L, m = (R - 1)/E it has no singular cylinder limit:
    A = R ch - m sh; B = zc sh/(pi r1 r2); C = (pi r1**2/zc) [(R - m**2) sh + E m**2 ch]; D = (ch + m sh)/R.
    """
    e = wave.g * length
    de = wave.dg * length
    ch, sh = waves(wave.g, length)
    area = math.pi * r1 * r2
    lz = wave.dzc * wave.yc
    ratio = r2 / r1
    inv_e = inverse(e)
    m = (ratio - 1.0) * inv_e
    dm = -m * de * inv_e
    m2 = m * m
    front = math.pi * r1 * r1 * wave.yc
    mix = ratio - m2
    em2 = e * m2
    bb = wave.zc * sh / area
    cc = front * (mix * sh + em2 * ch)
    return TwoPort(
        ratio * ch - m * sh,
        bb,
        cc,
        (ch + m * sh) / ratio,
        ratio * sh * de - dm * sh - m * ch * de,
        bb * lz + wave.zc * ch * de / area,
        -cc * lz + front * (2.0 * m * dm * (e * ch - sh) + (ratio * ch + em2 * sh) * de),
        (sh * de + dm * sh + m * ch * de) / ratio,
    )


@kernel
def piece(omega, length, r1, r2, gas, zeta):
    """Return the `TwoPort` of a cylinder or cone, r1 on the window's side.

    length > 0; losses at the log-mean radius; pieces of a lossy cone should be 20 mm or shorter.
    """
    a, _, _ = log_mean_radius(r1, r2)
    return cone(length, r1, r2, wave_of(line(omega, a, gas, zeta)))


@kernel
def step_length(narrow, wide):
    """Return (dL, ddL/dnarrow, ddL/dwide), m, on the narrow side of a step in diameter.

    dL/a1 = 0.8216 (1 - 1.35 xi + 0.31 xi**3), xi = a1/a2, held at >= 0 (classical;
    docs/physics/ducts.md#step).
    """
    xi = narrow / wide
    shape = 1.0 - 1.35 * xi + 0.31 * xi**3
    if shape <= 0.0:
        return 0.0, 0.0, 0.0
    dshape = -1.35 + 0.93 * xi * xi
    return 0.8216 * narrow * shape, 0.8216 * (shape + xi * dshape), -0.8216 * xi * xi * dshape
