"""Open ends against the exact integrals of Levine and Schwinger, and against published fits.

The flanged end is tried against modes matched in test_published_flange.py.
"""

import cmath
import math

import numpy as np
import pytest
from scipy import special
from scipy.integrate import quad

from fluewright.acoustics.kernels.radiation import (
    FLANGED,
    UNFLANGED,
    end_correction,
    end_impedance,
    hole_outside_length,
)
from fluewright.acoustics.network import gas_of
from fluewright.air import REF_AIR

RHO, C = REF_AIR.density, REF_AIR.sound_speed


def levine_schwinger(ka: float) -> tuple[float, float]:
    """Exact (|R|, L/a) of a thin open pipe, Levine & Schwinger, Phys. Rev. 73, 383 (1948); ka < 3.83.

    With x = ka sin(theta) the root in the integrand goes; arctan(-J1/Y1) is taken continuous in (0, pi).
    """

    def phase(theta):
        x = ka * math.sin(theta)
        return math.atan2(special.j1(x), -special.y1(x)) / x

    def modulus(theta):
        x = ka * math.sin(theta)
        j, y = special.j1(x), special.y1(x)
        return math.log(math.pi * j * math.hypot(j, y)) / x

    def decaying(x):
        return -math.log(2.0 * special.ive(1, x) * special.kve(1, x)) / (x * math.hypot(x, ka))

    tight = {"epsabs": 1e-11, "epsrel": 1e-10, "limit": 200}
    first = quad(phase, 0.0, math.pi / 2, **tight)[0]
    second = quad(modulus, 0.0, math.pi / 2, **tight)[0]
    third = quad(decaying, 0.0, 1.0, **tight)[0] + quad(decaying, 1.0, math.inf, **tight)[0]
    return math.exp(-2.0 * ka / math.pi * first), (second + third) / math.pi


def fit(ka: float, which) -> tuple[float, float]:
    log_r, length, _, _ = end_correction(ka * ka, which)
    return math.exp(log_r), length


def reflection(f_hz: float, a: float, b: float, *, thick: int, radiate: float = 1.0) -> tuple[complex, complex]:
    """(R, Z/Z0) from the impedance that the kernel returns."""
    z0 = RHO * C / (math.pi * a * a)
    z = end_impedance(2.0 * math.pi * f_hz, a, b, gas_of(REF_AIR), thick, radiate).z / z0
    return (z - 1.0) / (z + 1.0), z


def norris_sheng(ka: float) -> tuple[float, float, float, float]:
    """(|R|, L/a) unflanged, then flanged; Norris & Sheng, JSV 135, 85 (1989), as in Dalmont et al. 2001.

    0.6133, 0.044 and 0.19 seen in print, the rest from memory.
    """
    x = ka * ka
    return (
        (1.0 + 0.2 * ka - 0.084 * x) / (1.0 + 0.2 * ka + 0.416 * x),
        0.6133 * ((1.0 + 0.044 * x) / (1.0 + 0.19 * x) - 0.02 * math.sin(2.0 * ka) ** 2),
        (1.0 + 0.323 * ka - 0.077 * x) / (1.0 + 0.323 * ka + 0.923 * x),
        0.8216 / (1.0 + (0.77 * ka) ** 2 / (1.0 + 0.77 * ka)),
    )


def thick_wall_by_norris_sheng(f_hz: float, a: float, b: float) -> complex:
    """R of a pipe with outer radius b: Dalmont, Nederveen & Joly, JSV 244, 505 (2001), on the fits above."""
    k = 2.0 * math.pi * f_hz / C
    ka, ratio = k * a, a / b
    r0, l0, r1, l1 = norris_sheng(ka)
    unflanged = complex(a * l0, math.log(r0) / (2.0 * k))
    flanged = complex(a * l1, math.log(r1) / (2.0 * k))
    d = flanged + ratio * (unflanged - flanged) + 0.057 * ratio * (1.0 - ratio**5) * a
    turn = k * b * (1.0 + ratio * (2.3 - ratio - 0.3 * ka**2))
    rim = -0.43 * (b - a) * a / b**2 * math.sin(k * b / (1.85 - ratio)) ** 2 * cmath.exp(-1j * turn)
    return -cmath.exp(-2j * k * d) + rim


@pytest.mark.parametrize("ka", [0.1, 0.2, 0.5, 1.0, 1.5, 2.0])
def test_the_fit_keeps_near_levine_and_schwinger(ka):
    """Phys. Rev. 73, 383 (1948), equations for |R| and l/a, integrated here.

    The fit is that of Silva et al., JSV 322, 255 (2009), from memory.
    """
    exact = levine_schwinger(ka)
    ours = fit(ka, UNFLANGED)
    assert ours[0] == pytest.approx(exact[0], abs=0.003)
    assert ours[1] == pytest.approx(exact[1], abs=0.007)


def test_the_zero_frequency_limits():
    """0.6133 a unflanged (Levine & Schwinger 1948; the integral: 0.6127), 0.8216 a flanged (Dalmont et al. 2001)."""
    assert levine_schwinger(1e-4)[1] == pytest.approx(0.6133, abs=7e-4)
    assert fit(1e-4, UNFLANGED)[1] == pytest.approx(0.6133, abs=1e-6)
    assert fit(1e-4, FLANGED)[1] == pytest.approx(0.8216, abs=1e-6)


def test_the_unflanged_fit_holds_over_its_whole_range():
    """Levine & Schwinger 1948: |R| within 0.003 and L/a within 0.007 for every ka up to 2; it is a fit, not the
    integral.
    """
    ka = np.linspace(0.02, 2.0, 34)
    apart = np.array([np.subtract(fit(x, UNFLANGED), levine_schwinger(x)) for x in ka])
    assert 0.001 < np.abs(apart[:, 0]).max() < 0.003
    assert 0.001 < np.abs(apart[:, 1]).max() < 0.007


@pytest.mark.parametrize(("which", "n", "d1", "d2"), [(UNFLANGED, 0.167, 1.393, 0.457), (FLANGED, 0.182, 1.825, 0.649)])
def test_the_causal_form_of_the_same_paper_keeps_near(which, n, d1, d2):
    """Silva et al. (2009), causal form, from memory: |R| within 0.018, L/a within 0.04 of the exact values.

    The fit has 0.003 and 0.007 of its own, hence the sums.
    """
    for ka in np.linspace(0.05, 2.0, 40):
        r = -(1.0 + n * 1j * ka) / (1.0 + d1 * 1j * ka - d2 * ka**2)
        modulus, length = fit(ka, which)
        assert modulus == pytest.approx(abs(r), abs=0.021)
        assert length == pytest.approx(-cmath.phase(-r) / (2.0 * ka), abs=0.047)


@pytest.mark.parametrize("ka", [0.1, 0.5, 1.2])
def test_reflection_and_impedance_of_the_unflanged_fit(ka):
    """Silva et al. (2009), table of coefficients, from memory: |R| and L/a as fractions of (ka)**2, Z = (1 + R)/(1 -
    R).
    """
    x = ka * ka
    size = (1.0 + 0.800 * x) / (1.0 + 1.300 * x + 0.266 * x**2 + 0.0263 * x**3)
    length = 0.6133 * (1.0 + 0.0599 * x) / (1.0 + 0.238 * x - 0.0153 * x**2 + 0.00150 * x**3)
    r = -size * cmath.exp(-2j * ka * length)
    ours = reflection(ka * C / (2.0 * math.pi * 7e-3), 7e-3, 7e-3, thick=0)
    assert ours[0] == pytest.approx(r, abs=1e-12)
    assert ours[1] == pytest.approx((1.0 + r) / (1.0 - r), rel=1e-12)


@pytest.mark.parametrize("ka", [0.05, 0.1, 0.2])
def test_radiation_resistance_at_low_frequency(ka):
    """(ka)**2/4 of Z0 without a flange, (ka)**2/2 with one (Rayleigh; any textbook): half the power, all of it."""
    f_hz = ka * C / (2.0 * math.pi * 7e-3)
    assert reflection(f_hz, 7e-3, 7e-3, thick=0)[1].real == pytest.approx(ka**2 / 4.0, rel=0.25 * ka**2)
    assert reflection(f_hz, 7e-3, 7e3, thick=1)[1].real == pytest.approx(ka**2 / 2.0, rel=0.25 * ka**2)


@pytest.mark.parametrize("ratio", [0.5, 0.8, 0.9, 1.0])
def test_low_frequency_length_of_a_thick_walled_end(ratio):
    """Dalmont, Nederveen & Joly, JSV 244, 505 (2001), as quoted by Dickens (2007): between flange and none.

    d = 0.8216 + r (0.6133 - 0.8216) + 0.057 r (1 - r**5), r the inner over the outer radius.
    """
    f_hz, a = 0.1, 7e-3
    z = reflection(f_hz, a, a / ratio, thick=1)[1]
    length = 0.8216 + ratio * (0.6133 - 0.8216) + 0.057 * ratio * (1.0 - ratio**5)
    assert z.imag / (2.0 * math.pi * f_hz / C * a) == pytest.approx(length, abs=1e-6)


def test_a_wall_without_end_is_a_flange():
    """0.8216 a (Dalmont et al. 2001, introduction)."""
    f_hz, a = 0.1, 7e-3
    z = reflection(f_hz, a, a * 1e9, thick=1)[1]
    assert z.imag / (2.0 * math.pi * f_hz / C * a) == pytest.approx(0.8216, abs=1e-6)


@pytest.mark.parametrize(("f_hz", "slack"), [(440.0, 5e-5), (2000.0, 2e-3)])
def test_reflection_of_a_thick_walled_end(f_hz, slack):
    """Dalmont et al. (2001), a = 7, b = 9 mm, on the fits of Norris & Sheng, above.

    The kernel puts the fits of Silva et al. into the same frame, which comes to 3e-5 and 1.6e-3 apart. Without the
    edge's own reflection it would be 3.4e-4 and 6.8e-3.
    """
    assert reflection(f_hz, 7e-3, 9e-3, thick=1)[0] == pytest.approx(
        thick_wall_by_norris_sheng(f_hz, 7e-3, 9e-3), abs=slack
    )


@pytest.mark.parametrize("ratio", [0.2, 0.4, 0.6, 0.8])
def test_outside_length_of_a_hole_in_a_cylinder(ratio):
    """0.822 - 0.47 (b/R)**0.8, Dalmont et al. (2001), from memory.

    Benade & Murday, JASA 41, 1609 (1967), 0.64 [1 + 0.32 ln(0.3 R/b)], from memory: within 0.031 of it.
    """
    b = 3.5e-3
    ours = hole_outside_length(b, b / ratio)[0] / b
    assert ours == pytest.approx(0.822 - 0.47 * ratio**0.8, abs=1e-9)
    assert ours == pytest.approx(0.64 * (1.0 + 0.32 * math.log(0.3 / ratio)), abs=0.031)


def test_a_hole_in_a_very_thick_body_is_flanged():
    """0.8216 a (Dalmont et al. 2001, introduction), in the hole's formula 0.822."""
    assert hole_outside_length(1e-9, 1e3)[0] / 1e-9 == pytest.approx(0.822, abs=1e-6)
