"""Coupling of openings: the program's fits against exact fields of a rigid cylinder and of a rigid duct.

Source: boundary-value solutions for an infinite rigid cylinder and duct (Morse & Ingard, Theoretical Acoustics, 1968,
eigenfunctions from memory); free space: Lefebvre, Scavone & Kergomard 2013 (docs/physics/network.md#coupling). The
integrals are evaluated here with SciPy, nothing of the program in them.
"""

import math

import numpy as np
import pytest
from scipy.special import jnp_zeros, jvp, yvp

from fluewright.acoustics.kernels.coupling import OWN_SWELL, inner_coupling, outer_coupling

NODES, WEIGHTS = np.polynomial.legendre.leggauss(160)


def on_the_cylinder(z, k, angle=0.0, orders=40):
    """Return p/(j omega rho U) on a rigid cylinder of radius 1 at distance z along it, 1/m, time exp(+j omega t).

    Sum over azimuthal orders of the integral round the branch cut, q the radial wave number:
    exp(-j beta z)/(j beta) over q |H_m'(q)|**2, beta**2 = k**2 - q**2.
    """
    total = 0j
    for m in range(orders):
        t = (NODES + 1.0) * math.pi / 4.0
        q = k * np.sin(t)
        slope = np.hypot(jvp(m, q), yvp(m, q))
        f = np.exp(-1j * k * np.cos(t) * z) / (1j * q * slope) / slope
        term = np.sum(f * WEIGHTS) * math.pi / 4.0
        top = math.asinh(45.0 / (k * z))
        for i in range(6):
            u = top * (i + (NODES + 1.0) / 2.0) / 6.0
            q = k * np.cosh(u)
            slope = np.hypot(jvp(m, q), yvp(m, q))
            f = np.exp(-k * np.sinh(u) * z) / (q * slope) / slope
            term += np.sum(f * WEIGHTS) * top / 12.0
        if not np.isfinite(term):
            break  # Bessel functions of high order overflow where their share is nothing
        term *= (1.0 if m == 0 else 2.0) * math.cos(m * angle)
        total += term
        if m > 4 and abs(term) < 1e-6 * abs(total):
            break
    return total / math.pi**2 / math.pi


def fitted(z, k, angle=0.0):
    free, _, _, body, _, _, swell, _, _ = outer_coupling(z, 1.0, angle)
    return free * np.exp(-1j * k * z) + body + k * k * swell


@pytest.mark.parametrize("z", [0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0])
def test_two_openings_on_one_side_at_low_frequency(z):
    """Morse & Ingard 1968: within 1.2 % of free space, which is 1 here: 1.56 at half a radius, 1.21 at two, 1.08 at
    four.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        exact = on_the_cylinder(z, 1e-3).real
    assert fitted(z, 1e-3).real * 4 * math.pi * z == pytest.approx(exact * 4 * math.pi * z, abs=0.012)


@pytest.mark.parametrize("z", [1.0, 2.0, 4.0, 8.0])
def test_an_opening_on_the_other_side_is_shielded(z):
    """Morse & Ingard 1968: less than free space, 0.55 at one radius."""
    distance = math.hypot(z, 2.0)
    with np.errstate(over="ignore", invalid="ignore"):
        exact = on_the_cylinder(z, 1e-3, math.pi).real
    assert fitted(z, 1e-3, math.pi).real * 4 * math.pi * distance == pytest.approx(
        exact * 4 * math.pi * distance, abs=0.015
    )
    assert fitted(z, 1e-3, math.pi).real * 4 * math.pi * distance < 0.95


@pytest.mark.parametrize(
    ("k", "reactance", "resistance"), [(0.1, 0.006, 0.007), (0.2, 0.013, 0.008), (0.4, 0.045, 0.12)]
)
def test_growth_with_frequency(k, reactance, resistance):
    """Morse & Ingard 1968. k R 0.4 is about 2 kHz on a body of 22 mm; leaving the growth out would cost 0.12 there."""
    worst_plain = 0.0
    for z in (1.3, 2.0, 3.0, 4.0, 6.0):
        exact = on_the_cylinder(z, k) * 4 * math.pi * z
        found = fitted(z, k) * 4 * math.pi * z
        assert abs(found.real - exact.real) < reactance
        assert abs(found.imag - exact.imag) < resistance
        free, _, _, body, *_ = outer_coupling(z, 1.0, 0.0)
        worst_plain = max(worst_plain, abs((free * np.exp(-1j * k * z) + body).real * 4 * math.pi * z - exact.real))
    assert worst_plain > 1.1 * reactance * (k / 0.4) ** 0.5


@pytest.mark.parametrize("k", [0.2, 0.3, 0.4, 0.5])
def test_a_source_feels_its_own_field_off_the_body(k):
    """Morse & Ingard 1968: what is left of the field close by once the static part and the free wave are taken away,
    over k**2.
    """
    z = 0.4
    with np.errstate(over="ignore", invalid="ignore"):
        rest = (on_the_cylinder(z, k, orders=40) - on_the_cylinder(z, 1e-3, orders=40)).real
    rest -= (math.cos(k * z) - 1.0) / (4 * math.pi * z)
    assert pytest.approx(rest / k**2, rel=0.2) == OWN_SWELL


@pytest.mark.parametrize("angle", [0.0, 0.5, math.pi / 2, math.pi])
@pytest.mark.parametrize("z", [1.2, 1.6, 2.5])
def test_inside_the_bore(z, angle):
    """Morse & Ingard 1968: mode sum of a rigid duct, 12 orders of 12 zeros each, against the program's six waves."""
    total = 0.0
    for m in range(12):
        zeros = jnp_zeros(m, 12)
        twice = 1.0 if m == 0 else 2.0
        total += np.sum(twice * math.cos(m * angle) * np.exp(-zeros * z) / (zeros * (1 - (m / zeros) ** 2)))
    assert inner_coupling(z, 1.0, angle)[0] == pytest.approx(total / (2 * math.pi), abs=3e-4)
