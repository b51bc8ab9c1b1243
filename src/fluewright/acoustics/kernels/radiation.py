"""Radiation of open ends: reflection fits, thick walls, and the hole in the side of a cylinder."""

import cmath
import math
from typing import NamedTuple

from fluewright.acoustics.kernels.compiled import kernel

__all__ = ["FLANGED", "UNFLANGED", "End", "end_correction", "end_impedance", "hole_outside_length"]

# Silva, Guillemain, Kergomard, Mallaroni & Norris, JSV 322, 255 (2009): b, h, a1..a3, b1..b4.
UNFLANGED = (0.5, 0.6133, 0.800, 0.266, 0.0263, 0.0599, 0.238, -0.0153, 0.00150)
FLANGED = (1.0, 0.8216, 0.730, 0.372, 0.0231, 0.244, 0.723, -0.0198, 0.00366)


@kernel
def end_correction(x, fit):
    """Return (ln|R|, L/a) and their derivatives in x = (ka)**2, for one fit; good for ka <= 2."""
    b, h, a1, a2, a3, b1, b2, b3, b4 = fit
    num = 1.0 + a1 * x
    den = 1.0 + (b + a1) * x + a2 * x * x + a3 * x * x * x
    log_r = math.log(num / den)
    dlog_r = a1 / num - ((b + a1) + 2.0 * a2 * x + 3.0 * a3 * x * x) / den
    n2 = 1.0 + b1 * x
    d2 = 1.0 + b2 * x + b3 * x * x + b4 * x * x * x
    length = h * n2 / d2
    dlength = h * (b1 - n2 * (b2 + 2.0 * b3 * x + 3.0 * b4 * x * x) / d2) / d2
    return log_r, length, dlog_r, dlength


class End(NamedTuple):
    """Impedance of an open foot, Pa s/m3, and its slopes: by omega, radii a and b, ln c, ln rho."""

    z: complex
    by_omega: complex
    by_a: complex
    by_b: complex
    by_ln_c: complex
    by_ln_rho: complex


class _Reflection(NamedTuple):
    """Reflection at an open end, and its slopes by k a and by a/b."""

    value: complex
    by_ka: complex
    by_ratio: complex


@kernel
def _unflanged(ka, radiate):
    """Return the reflection of a pipe without wall."""
    x = ka * ka
    log_r, length, dlog_r, dlength = end_correction(x, UNFLANGED)
    # Complex correction d = a D(ka): R = -exp(-2 j k d), d = L + j ln|R|/(2k), so k d = ka L/a + j ln|R|/2.
    kd = complex(ka * length, 0.5 * log_r * radiate)
    by_ka = complex(length, 0.0) + complex(ka * dlength, 0.5 * dlog_r * radiate) * 2.0 * ka
    value = -cmath.exp(-2j * kd)
    return _Reflection(value, -2j * value * by_ka, 0j)


@kernel
def _walled(ka, ratio, radiate):
    """Return the reflection of a pipe whose wall ends squarely, between those of no wall and a flange; ratio = a/b."""
    x = ka * ka
    lr0, l0, dlr0, dl0 = end_correction(x, UNFLANGED)
    lr1, l1, dlr1, dl1 = end_correction(x, FLANGED)
    bump = 0.057 * ratio * (1.0 - ratio**5)
    dbump = 0.057 * (1.0 - 6.0 * ratio**5)
    length = l1 + ratio * (l0 - l1) + bump
    kd = complex(ka * length, 0.5 * radiate * (lr1 + ratio * (lr0 - lr1)))
    dx = complex(ka * (dl1 + ratio * (dl0 - dl1)), 0.5 * radiate * (dlr1 + ratio * (dlr0 - dlr1)))
    by_ka = complex(length, 0.0) + dx * 2.0 * ka
    by_ratio = complex(ka * (l0 - l1 + dbump), 0.5 * radiate * (lr0 - lr1))
    value = -cmath.exp(-2j * kd)
    if radiate == 0.0 or ratio >= 1.0:
        return _Reflection(value, -2j * value * by_ka, -2j * value * by_ratio)
    rim = _rim_waves(ka, ratio)
    return _Reflection(
        value + rim.value, -2j * value * by_ka + rim.by_ka, -2j * value * by_ratio + rim.by_ratio
    )  # fmt: skip


@kernel
def _rim_waves(ka, ratio):
    """Return what the wall's outer rim sends back; with ka and ratio as variables, k b = ka/ratio."""
    x = ka * ka
    kb = ka / ratio
    amp = -0.43 * (1.0 - ratio) * ratio
    damp_dr = -0.43 * (1.0 - 2.0 * ratio)
    arg = kb / (1.85 - ratio)
    poly = 1.0 + ratio * (2.3 - ratio - 0.3 * x)
    sine = math.sin(arg)
    phase = cmath.exp(complex(0.0, -kb * poly))
    edge = amp * sine * sine * phase
    ds_dka = 2.0 * math.cos(arg) / (ratio * (1.85 - ratio))
    darg_dr = -kb / ratio / (1.85 - ratio) + kb / (1.85 - ratio) ** 2
    dpoly_dka = -0.6 * ratio * ka
    dpoly_dr = 2.3 - 2.0 * ratio - 0.3 * x
    return _Reflection(
        edge,
        amp * sine * ds_dka * phase + edge * complex(0.0, -(poly / ratio + kb * dpoly_dka)),
        damp_dr * sine * sine * phase
        + amp * 2.0 * sine * math.cos(arg) * darg_dr * phase
        + edge * complex(0.0, kb / ratio * poly - kb * dpoly_dr),
    )


@kernel
def end_impedance(omega, a, b, gas, thick, radiate):
    """Return the `End` of an open foot, inner radius a and outer radius b, m.

    thick = 0: unflanged fit, b ignored. thick = 1: finite wall after Dalmont, Nederveen & Joly, JSV 244, 505 (2001).
    radiate = 0 leaves out all resistance.
    """
    k = omega / gas.c
    ka = k * a
    r = _walled(ka, a / b, radiate) if thick == 1 else _unflanged(ka, radiate)
    z0 = gas.rho * gas.c / (math.pi * a * a)
    z = z0 * (1.0 + r.value) / (1.0 - r.value)
    slope = 2.0 * z0 / ((1.0 - r.value) * (1.0 - r.value))
    by_ka = slope * r.by_ka
    by_a = -2.0 * z / a + by_ka * k
    by_b = 0j
    if thick == 1:
        by_ratio = slope * r.by_ratio
        by_a += by_ratio / b
        by_b = -by_ratio * (a / b) / b
    return End(z, by_ka * a / gas.c, by_a, by_b, z - by_ka * ka, z)


@kernel
def hole_outside_length(b, outer):
    """Return (t_r, dt_r/db, dt_r/douter), m: outside correction of a hole of radius b in a body of radius outer.

    t_r/b = 0.822 - 0.47 (b/outer)**0.8, Dalmont, Nederveen & Joly (2001); b/outer up to 0.9.
    """
    ratio = b / outer
    power = ratio**0.8
    tr = b * (0.822 - 0.47 * power)
    return tr, 0.822 - 0.47 * 1.8 * power, 0.47 * 0.8 * power * ratio
