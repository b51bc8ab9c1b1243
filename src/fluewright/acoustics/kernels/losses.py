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

import numpy as np

from fluewright.acoustics.kernels.compiled import kernel

__all__ = ["WIDE_TERMS", "line", "line_of_table", "ratio_f", "wide_table"]


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


@kernel
def _wall(r, gamma, pr):
    """Return (g, h, r dg/dr, r dh/dr): what the wall makes of j k and of rho c, at the Stokes number r."""
    fv, dfv = ratio_f(r)
    ft, dft = ratio_f(r * math.sqrt(pr))
    nv = 1.0 - fv
    nt = 1.0 + (gamma - 1.0) * ft
    g = np.sqrt(nt / nv)
    h = g / nt
    lv = 0.5 * dfv / nv
    lt = 0.5 * (gamma - 1.0) * dft / nt
    return g, h, g * (lv + lt), h * (lv - lt)


@kernel
def line(omega, a, rho, c, mu, gamma, pr, zeta):
    """Return (G, zc, a dG/da, a dzc/da, dG/domega, dzc/domega, dG/dzeta, dzc/dzeta); zeta = 0 is lossless."""
    k = omega / c
    jk = complex(0.0, k)
    z0 = rho * c
    if zeta == 0.0:
        zero = 0j
        return jk, complex(z0, 0.0), zero, zero, complex(0.0, 1.0 / c), zero, zero, zero
    g, h, dg, dh = _wall(a * math.sqrt(rho * omega / mu), gamma, pr)
    big_g = jk * (1.0 + zeta * (g - 1.0))
    zc = z0 * (1.0 + zeta * (h - 1.0))
    ag = jk * zeta * dg
    az = z0 * zeta * dh
    return big_g, zc, ag, az, (big_g + 0.5 * ag) / omega, 0.5 * az / omega, jk * (g - 1.0), z0 * (h - 1.0)


WIDE_TERMS = 20
_COS = np.array([math.cos(math.pi * k / 4) for k in range(WIDE_TERMS + 1)])
_SIN = np.array([math.sin(math.pi * k / 4) for k in range(WIDE_TERMS + 1)])


@kernel
def wide_table(gamma, pr):
    """Return the wide-duct series of one gas, shape (4, WIDE_TERMS + 1): real and imaginary parts of g - 1 and h - 1.

    g = sqrt(nt/nv) and h = 1/sqrt(nt nv) of `_wall` are power series in 1/q; with q = r sqrt(j) each is two real
    polynomials in 1/r. Made once for a model, it spares every line its roots and divisions.
    """
    n = WIDE_TERMS + 1
    nv = np.zeros(n)
    nt = np.zeros(n)
    nv[0] = 1.0
    nt[0] = 1.0
    root = math.sqrt(pr)
    power = 1.0
    for k in range(1, n):
        power /= root
        nv[k] = -2.0 * _C[k - 1]
        nt[k] = (gamma - 1.0) * 2.0 * _C[k - 1] * power
    ratio = np.zeros(n)  # nt / nv
    both = np.zeros(n)  # 1 / (nt nv)
    product = np.zeros(n)
    for k in range(n):
        total = nt[k]
        for i in range(1, k + 1):
            total -= nv[i] * ratio[k - i]
        ratio[k] = total
        for i in range(k + 1):
            product[k] += nt[i] * nv[k - i]
    both[0] = 1.0
    for k in range(1, n):
        for i in range(1, k + 1):
            both[k] -= product[i] * both[k - i]
    out = np.zeros((4, n))
    for which in range(2):
        square = ratio if which == 0 else both
        s = np.zeros(n)
        s[0] = 1.0
        for k in range(1, n):
            total = square[k]
            for i in range(1, k):
                total -= s[i] * s[k - i]
            s[k] = 0.5 * total
        for k in range(1, n):
            out[2 * which, k] = s[k] * _COS[k]
            out[2 * which + 1, k] = -s[k] * _SIN[k]
    return out


@kernel
def line_of_table(omega, a, rho, c, mu, gamma, pr, zeta, table):
    """Return (G, zc, r dg/dr, r dh/dr, g - 1, h - 1) of a line: `line` by the series of `wide_table`.

    The last four without losses' factor zeta and without j k or rho c; see `line` for what they make.
    """
    if zeta == 0.0:
        return complex(0.0, omega / c), complex(rho * c, 0.0), 0j, 0j, 0j, 0j
    r = a * math.sqrt(rho * omega / mu)
    if r < 18.0:
        g, h, dg, dh = _wall(r, gamma, pr)
        g -= 1.0
        h -= 1.0
    else:
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
        g = complex(gr, gi)
        h = complex(hr, hi)
        dg = complex(-dgr, -dgi)
        dh = complex(-dhr, -dhi)
    jk = complex(0.0, omega / c)
    return jk * (1.0 + zeta * g), rho * c * (1.0 + zeta * h), dg, dh, g, h
