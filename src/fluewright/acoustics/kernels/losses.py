"""Visco-thermal propagation in a round duct: how sound travels along a wall of radius a.

Time runs as exp(+j omega t). Zwikker & Kosten (1949); Kirchhoff (1868); Keefe, JASA 75, 58 (1984).

========  =====================================================  ======
symbol    meaning                                                 unit
========  =====================================================  ======
a         duct radius                                             m
r         a sqrt(rho omega / mu), Stokes number of the radius     1
q         r sqrt(j)                                               1
F(q)      (2/q) I1(q)/I0(q)                                       1
G         propagation constant Gamma, real part >= 0              1/m
zc        specific characteristic impedance (times 1/area = Zc)   Pa s/m
zeta      loss multiplier of real walls, 1 = smooth               1
========  =====================================================  ======
"""

import math
from typing import NamedTuple

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel, maker, part

__all__ = ["WIDE_TERMS", "Line", "line", "line_of_table", "ratio_f", "wide_table"]


def _asymptotic_coefficients(count: int) -> np.ndarray:
    """Coefficients c_k of I1(q)/I0(q) = sum c_k q**-k, from the Riccati equation w' = 1 - w**2 - w/q."""
    c = np.zeros(count)
    c[0] = 1.0
    for k in range(1, count):
        c[k] = 0.5 * ((k - 2) * c[k - 1] - sum(c[i] * c[k - i] for i in range(1, k)))
    return c


_TERMS = 20
_C = _asymptotic_coefficients(_TERMS)
# F = sum_k 2 c_k q**-(k+1) with q**-(k+1) = r**-(k+1) exp(-j pi (k+1)/4): two real polynomials in 1/r.
_FR = np.array([2.0 * _C[k] * math.cos(math.pi * (k + 1) / 4) for k in range(_TERMS)])
_FI = np.array([-2.0 * _C[k] * math.sin(math.pi * (k + 1) / 4) for k in range(_TERMS)])


@kernel
def ratio_f(r):
    """Return (F, r dF/dr) at the Stokes number r of the radius; relative error below 1e-11.

    Asymptotic series for r >= 18 (the neglected exp(-2q) is below 1e-11 there), continued fraction below.
    """
    if r >= 18.0:
        s = 1.0 / r
        terms = 20
        if r > 45.0:
            terms = 10
        if r > 90.0:
            terms = 7
        fr = 0.0
        fi = 0.0
        dr = 0.0
        di = 0.0
        for k in range(terms - 1, -1, -1):
            fr = fr * s + _FR[k]
            fi = fi * s + _FI[k]
            dr = dr * s - (k + 1) * _FR[k]
            di = di * s - (k + 1) * _FI[k]
        return complex(fr * s, fi * s), complex(dr * s, di * s)
    q = r * complex(math.sqrt(0.5), math.sqrt(0.5))
    # I1/I0 = 1/(2/q + 1/(4/q + 1/(6/q + ...))), evaluated from the tail.
    depth = int(20 + 2.0 * r)
    tail = 0j
    for n in range(depth, 0, -1):
        tail = 1.0 / (2.0 * n / q + tail)
    f = 2.0 * tail / q
    df = 2.0 * (1.0 - tail / q - tail * tail) - 2.0 * tail / q
    return f, df


class Wall(NamedTuple):
    """What the wall makes of j k (g) and of rho c (h), less one, at a Stokes number r; dg, dh: r dg/dr, r dh/dr."""

    g: complex
    h: complex
    dg: complex
    dh: complex


class Line(NamedTuple):
    """Propagation along a duct: G and zc of the module's table, and their slopes; by_a: a d/da."""

    g: complex
    zc: complex
    g_by_a: complex
    zc_by_a: complex
    g_by_omega: complex
    zc_by_omega: complex
    g_by_zeta: complex
    zc_by_zeta: complex


@kernel
def _wall(r, gas):
    """Return what the wall makes of the air, from its exact form."""
    fv, dfv = ratio_f(r)
    ft, dft = ratio_f(r * math.sqrt(gas.prandtl))
    nv = 1.0 - fv
    nt = 1.0 + (gas.gamma - 1.0) * ft
    g = np.sqrt(nt / nv)
    h = g / nt
    lv = 0.5 * dfv / nv
    lt = 0.5 * (gas.gamma - 1.0) * dft / nt
    return Wall(g - 1.0, h - 1.0, g * (lv + lt), h * (lv - lt))


@part
def _line_with(omega, gas, zeta, wall):
    """Return the line whose wall is known."""
    jk = complex(0.0, omega / gas.c)
    z0 = gas.rho * gas.c
    g = jk * (1.0 + zeta * wall.g)
    by_a = jk * zeta * wall.dg
    zc_by_a = z0 * zeta * wall.dh
    return Line(
        g, z0 * (1.0 + zeta * wall.h), by_a, zc_by_a, (g + 0.5 * by_a) / omega, 0.5 * zc_by_a / omega, jk * wall.g,
        z0 * wall.h,
    )  # fmt: skip


@kernel
def line(omega, a, gas, zeta):
    """Return the `Line` of a duct of radius a, m, from the exact form; zeta = 0 is lossless."""
    if zeta == 0.0:
        return _line_with(omega, gas, zeta, Wall(0j, 0j, 0j, 0j))
    return _line_with(omega, gas, zeta, _wall(a * math.sqrt(gas.rho * omega / gas.mu), gas))


WIDE_TERMS = 20
_COS = np.array([math.cos(math.pi * k / 4) for k in range(WIDE_TERMS + 1)])
_SIN = np.array([math.sin(math.pi * k / 4) for k in range(WIDE_TERMS + 1)])


@kernel
def _put_over(upper, lower, out):
    """Fill the power series of one series over another, which begins with 1."""
    for k in range(out.size):
        total = upper[k]
        for i in range(1, k + 1):
            total -= lower[i] * out[k - i]
        out[k] = total


@kernel
def _put_root(square, root):
    """Fill the power series of the root of a series, less its first term, which is 1."""
    root[0] = 0.0
    for k in range(1, root.size):
        total = square[k]
        for i in range(1, k):
            total -= root[i] * root[k - i]
        root[k] = 0.5 * total


@maker
def wide_table(gas):
    """Return the wide-duct series of one gas, shape (4, WIDE_TERMS + 1): real and imaginary parts of g and h less one.

    g = sqrt(nt/nv) and h = 1/sqrt(nt nv) of `_wall` are power series in 1/q; with q = r sqrt(j) each is two real
    polynomials in 1/r. Made once for a model, it spares every line its roots and divisions.
    """
    n = WIDE_TERMS + 1
    out = np.zeros((4, n))
    series = np.zeros((6, n))
    nv, nt, one, product, square, root = series[0], series[1], series[2], series[3], series[4], series[5]
    nv[0] = 1.0
    nt[0] = 1.0
    one[0] = 1.0
    falling = 1.0
    for k in range(1, n):
        falling /= math.sqrt(gas.prandtl)
        nv[k] = -2.0 * _C[k - 1]
        nt[k] = (gas.gamma - 1.0) * 2.0 * _C[k - 1] * falling
    for k in range(n):
        for i in range(k + 1):
            product[k] += nt[i] * nv[k - i]
    for which in range(2):
        if which == 0:
            _put_over(nt, nv, square)
        else:
            _put_over(one, product, square)
        _put_root(square, root)
        for k in range(n):
            out[2 * which, k] = root[k] * _COS[k]
            out[2 * which + 1, k] = -root[k] * _SIN[k]
    return out


@kernel
def _wall_of_table(r, gas, table):
    """Return what the wall makes of the air, by the series of `wide_table` where it holds."""
    if r < 18.0:
        return _wall(r, gas)
    s = 1.0 / r
    terms = 20
    if r > 30.0:
        terms = 13
    if r > 45.0:
        terms = 9
    if r > 70.0:
        terms = 7
    if r > 150.0:
        terms = 5
    gr = 0.0
    gi = 0.0
    hr = 0.0
    hi = 0.0
    dgr = 0.0
    dgi = 0.0
    dhr = 0.0
    dhi = 0.0
    for k in range(terms, 0, -1):
        # Horner's rule for the sum and, beside it, for s times its derivative.
        gr = (gr + table[0, k]) * s
        gi = (gi + table[1, k]) * s
        hr = (hr + table[2, k]) * s
        hi = (hi + table[3, k]) * s
        dgr = (dgr + k * table[0, k]) * s
        dgi = (dgi + k * table[1, k]) * s
        dhr = (dhr + k * table[2, k]) * s
        dhi = (dhi + k * table[3, k]) * s
    return Wall(complex(gr, gi), complex(hr, hi), complex(-dgr, -dgi), complex(-dhr, -dhi))


@part
def line_of_table(omega, a, gas, zeta, table):
    """Return `line` by the series of `wide_table`, shape (4, WIDE_TERMS + 1)."""
    if zeta == 0.0:
        return _line_with(omega, gas, zeta, Wall(0j, 0j, 0j, 0j))
    return _line_with(omega, gas, zeta, _wall_of_table(a * math.sqrt(gas.rho * omega / gas.mu), gas, table))
