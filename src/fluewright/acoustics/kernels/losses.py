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
from numba import njit

__all__ = ["line", "ratio_f"]


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


@njit(cache=True)
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


@njit(cache=True)
def line(omega, a, rho, c, mu, gamma, pr, zeta):
    """Return (G, zc, a dG/da, a dzc/da, dG/domega, dzc/domega, dG/dzeta, dzc/dzeta); zeta = 0 is lossless."""
    k = omega / c
    jk = complex(0.0, k)
    z0 = rho * c
    if zeta == 0.0:
        zero = 0j
        return jk, complex(z0, 0.0), zero, zero, complex(0.0, 1.0 / c), zero, zero, zero
    r = a * math.sqrt(rho * omega / mu)
    fv, dfv = ratio_f(r)
    ft, dft = ratio_f(r * math.sqrt(pr))
    nv = 1.0 - fv
    nt = 1.0 + (gamma - 1.0) * ft
    g = np.sqrt(nt / nv)
    h = g / nt
    lv = 0.5 * dfv / nv
    lt = 0.5 * (gamma - 1.0) * dft / nt
    big_g = jk * (1.0 + zeta * (g - 1.0))
    zc = z0 * (1.0 + zeta * (h - 1.0))
    ag = jk * zeta * g * (lv + lt)
    az = z0 * zeta * h * (lv - lt)
    return big_g, zc, ag, az, (big_g + 0.5 * ag) / omega, 0.5 * az / omega, jk * (g - 1.0), z0 * (h - 1.0)
