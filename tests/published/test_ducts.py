"""Lossy ducts and steps against exact forms evaluated by SciPy, and against published numbers."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import special

from fluewright.acoustics.kernels.gas import Gas
from fluewright.acoustics.kernels.losses import line, ratio_f
from fluewright.acoustics.kernels.segments import log_mean_radius, piece, step_length
from fluewright.air import REF_AIR

RHO, C, MU, GAMMA, PR = (
    REF_AIR.density, REF_AIR.sound_speed, REF_AIR.viscosity, REF_AIR.gamma, REF_AIR.prandtl
)  # fmt: skip
GAS = Gas(RHO, C, MU, GAMMA, PR)
Z0 = RHO * C
C1 = 1.0 + (GAMMA - 1.0) / math.sqrt(PR)
C2 = (3.0 + 4.0 * (GAMMA - 1.0) / math.sqrt(PR) - (GAMMA - 1.0) / PR) / 2.0 - C1**2 / 2.0


def omega(f_hz: float) -> float:
    return 2.0 * math.pi * f_hz


def exact_line(w: float, a: float) -> tuple[complex, complex]:
    """Gamma and specific Zc after Zwikker & Kosten by SciPy's scaled Bessel functions: none of our series."""

    def bessel_ratio(r):
        q = r * np.sqrt(1j)
        return 2.0 / q * special.ive(1, q) / special.ive(0, q)

    r = a * math.sqrt(RHO * w / MU)
    z = 1j * w * RHO / (1.0 - bessel_ratio(r))
    y = 1j * w / (RHO * C**2) * (1.0 + (GAMMA - 1.0) * bessel_ratio(r * math.sqrt(PR)))
    g = np.sqrt(z * y)
    return complex(g), complex(np.sqrt(z / y))


def test_ratio_and_its_derivative_at_one_point():
    """Zwikker & Kosten (1949): exact Bessel functions. The kernel gives r dF/dr, which is q dF/dq."""
    f, df = ratio_f(20.0)
    assert f == pytest.approx(0.0707344226 - 0.0681886812j, abs=8e-11)
    assert df / (20.0 * np.sqrt(1j)) == pytest.approx(-0.000181681834 + 0.004823477392j, abs=8e-13)


@pytest.mark.parametrize(
    ("f_hz", "a_mm", "r", "nepers", "decibels", "slowing", "impedance"),
    [
        (440, 7.0, 94.50814555, 0.089890995, 0.780783, 1.011046177, 1.003916490 - 0.004045622j),
        (100, 10.0, 64.36427226, 0.030152580, 0.261902, 1.016217936, 1.005750060 - 0.006029226j),
        (2000, 6.0, 172.7074657, 0.222480918, 1.932445, 1.006044978, 1.002143307 - 0.002181874j),
        (440, 0.5, 6.75058182, 1.455295736, 12.640538, 1.152049560, 1.053472929 - 0.081054670j),
    ],
)
def test_attenuation_slowing_and_impedance_of_round_ducts(f_hz, a_mm, r, nepers, decibels, slowing, impedance):
    """Zwikker & Kosten (1949), Kirchhoff (1868), Keefe, JASA 75, 58 (1984): exact evaluation."""
    w, a = omega(f_hz), a_mm * 1e-3
    g, zc = line(w, a, GAS, 1.0)[:2]
    assert a * math.sqrt(RHO * w / MU) == pytest.approx(r, rel=2e-9)
    assert g.real == pytest.approx(nepers, abs=6e-10)
    assert g.real * 20.0 / math.log(10.0) == pytest.approx(decibels, abs=6e-7)
    assert g.imag * C / w == pytest.approx(slowing, abs=6e-10)
    assert zc / Z0 == pytest.approx(impedance, abs=9e-10)


@pytest.mark.parametrize("f_hz", [5.0, 60.0, 440.0, 1500.0, 4000.0])
@pytest.mark.parametrize("a_mm", [0.3, 1.0, 3.0, 7.0, 12.0, 25.0])
def test_losses_against_bessel_functions_of_scipy(f_hz, a_mm):
    """Same physics, other mathematics: our asymptotic series and continued fraction against AMOS."""
    g, zc = line(omega(f_hz), a_mm * 1e-3, GAS, 1.0)[:2]
    g_exact, zc_exact = exact_line(omega(f_hz), a_mm * 1e-3)
    assert g == pytest.approx(g_exact, rel=1e-10)
    assert zc == pytest.approx(zc_exact, rel=1e-10)


def test_a_narrow_duct_at_low_frequency_is_poiseuilles():
    """Series resistance 8 mu/(pi a^4), Pa s/m4; at 1 mHz and a = 0.5 mm the exact form is 5e-12 above it."""
    a = 0.5e-3
    g, zc = line(omega(1e-3), a, GAS, 1.0)[:2]
    series = g * zc / (math.pi * a**2)
    assert series.real == pytest.approx(7.41534711e8, rel=1e-9)
    assert series.real == pytest.approx(8.0 * MU / (math.pi * a**4), rel=1e-9)
    # Poiseuille's inertance is four thirds of the plug's.
    assert series.imag == pytest.approx(4.0 / 3.0 * omega(1e-3) * RHO / (math.pi * a**2), rel=1e-6)


def test_a_very_wide_duct_has_no_walls():
    g, zc = line(omega(4000.0), 1000.0, GAS, 1.0)[:2]
    assert g == pytest.approx(1j * omega(4000.0) / C, rel=1e-6)
    assert zc == pytest.approx(Z0, rel=1e-6)
    assert line(omega(4000.0), 0.007, GAS, 0.0)[:2] == (1j * omega(4000.0) / C, Z0)


def test_two_terms_of_the_wide_tube_expansion():
    """Our expansion of the exact form: constants, and the two-term value at 440 Hz and 7 mm."""
    assert pytest.approx(1.476492836, abs=6e-10) == C1
    assert pytest.approx(1.080223646, abs=6e-10) == C2
    w = omega(440.0)
    q = 7e-3 * math.sqrt(RHO * w / MU) * np.sqrt(1j)
    two_terms = 1j * w / C * (1.0 + C1 / q + C2 / q**2)
    assert two_terms == pytest.approx(0.08988384726 + 8.13724099492j, abs=1e-11)
    assert line(w, 7e-3, GAS, 1.0)[0] == pytest.approx(0.08989099520 + 8.13723380780j, abs=1e-10)


@pytest.mark.parametrize("r", [50.0, 75.0, 100.0, 150.0, 300.0])
def test_the_wide_tube_expansion_is_good_to_1e_4_beyond_r_50(r):
    w = omega(440.0)
    a = r / math.sqrt(RHO * w / MU)
    q = r * np.sqrt(1j)
    assert line(w, a, GAS, 1.0)[0] == pytest.approx(1j * w / C * (1.0 + C1 / q + C2 / q**2), rel=1e-4)


def test_the_rules_of_the_textbooks_lie_near_the_exact_loss():
    """First order alpha = k C1/(sqrt2 r); alpha = 1.2e-5 sqrt(w)/a, Fletcher & Rossing, from memory."""
    w, a = omega(440.0), 7e-3
    r = a * math.sqrt(RHO * w / MU)
    first_order = w / C * C1 / (math.sqrt(2.0) * r)
    rounded = 1.2e-5 * math.sqrt(w) / a
    assert first_order == pytest.approx(0.08891047, abs=6e-9)
    assert rounded == pytest.approx(0.0901, abs=5e-5)
    exact = line(w, a, GAS, 1.0)[0].real
    assert exact == pytest.approx(first_order, rel=0.012)
    assert exact == pytest.approx(rounded, rel=0.004)


def test_flattening_by_the_walls():
    """First order: 1200 log2(1 - C1/(sqrt2 r)) = -19.23 cents at 440 Hz and 7 mm.

    The exact phase speed, 1/1.011046177, is -19.02 cents: 1/(1 + x) against 1 - x is the whole difference.
    """
    w, a = omega(440.0), 7e-3
    x = C1 / (math.sqrt(2.0) * a * math.sqrt(RHO * w / MU))
    assert 1200.0 * math.log2(1.0 - x) == pytest.approx(-19.23, abs=0.005)
    slowing = line(w, a, GAS, 1.0)[0].imag * C / w
    assert -1200.0 * math.log2(slowing) == pytest.approx(-19.02, abs=0.005)


def test_real_walls_flatten_by_six_cents_at_zeta_1_3():
    """zeta = 1.3 on loss and phase: -5.81 cents in first order at 440 Hz and 7 mm.

    The kernel scales the exact Gamma - jk, which gives -5.67; within 0.15 cents of the first-order rule.
    """
    w, a = omega(440.0), 7e-3
    x = C1 / (math.sqrt(2.0) * a * math.sqrt(RHO * w / MU))
    first_order = 1200.0 * math.log2((1.0 - 1.3 * x) / (1.0 - x))
    assert first_order == pytest.approx(-5.81, abs=0.005)
    smooth, rough = (line(w, a, GAS, zeta) for zeta in (1.0, 1.3))
    cents = 1200.0 * math.log2(smooth[0].imag / rough[0].imag)
    assert cents == pytest.approx(first_order, abs=0.15)
    assert rough[0].real == pytest.approx(1.3 * smooth[0].real, rel=1e-12)
    assert rough[1] - Z0 == pytest.approx(1.3 * (smooth[1] - Z0), rel=1e-12)


def test_lossy_cylinder():
    """Exact evaluation at 440 Hz, a = 7 mm, L = 0.1 m; SI."""
    a, b, c, d = piece(omega(440.0), 0.1, 7e-3, 7e-3, GAS, 1.0)[:4]
    assert a == pytest.approx(0.6868246110 + 0.0065338097j, abs=1e-10)
    assert d == a
    assert b == pytest.approx(2.447050e4 + 1.953919863e6j, abs=6e-3)
    assert c == pytest.approx(1.206951e-9 + 2.704021742e-7j, abs=8e-16)
    assert a * d - b * c == pytest.approx(1.0, abs=1e-13)


def test_lossless_cone():
    """Spherical waves, r1 = 8, r2 = 6 mm, L = 0.2 m, 440 Hz: exact evaluation."""
    a, b, c, d = piece(omega(440.0), 0.2, 8e-3, 6e-3, GAS, 0.0)[:4]
    assert a == pytest.approx(0.1260494073, abs=1e-10)
    assert b == pytest.approx(2.7314214506e6j, rel=4e-11)
    assert c == pytest.approx(3.7805001538e-7j, rel=4e-11)
    assert d == pytest.approx(-0.2587391889, abs=1e-10)


def test_lossy_cone_at_its_log_mean_radius():
    """Spherical waves with losses at (r2 - r1)/ln(r2/r1): exact evaluation."""
    assert log_mean_radius(8e-3, 6e-3)[0] == pytest.approx(6.952118994e-3, abs=6e-13)
    a, b, c, d = piece(omega(440.0), 0.2, 8e-3, 6e-3, GAS, 1.0)[:4]
    assert a == pytest.approx(0.11079646403 + 0.015420021358j, abs=1e-11)
    assert d == pytest.approx(-0.28014920520 + 0.021615460159j, abs=1e-11)
    assert a * d - b * c == pytest.approx(1.0, abs=1e-12)


def chain(radii, length):
    """Product of equal pieces through the given radii, pairs (r1, r2)."""
    total = np.eye(2, dtype=complex)
    for r1, r2 in radii:
        a, b, c, d = piece(omega(440.0), length, r1, r2, GAS, 1.0)[:4]
        total = total @ np.array([[a, b], [c, d]])
    return total


def test_a_cone_in_pieces_comes_to_its_cylinder_slices():
    """2000 cylinder slices: A, D as stated; one lossy cone is off by 4e-4 and 8e-4, ten of 20 mm by 1e-5."""
    edges = np.linspace(8e-3, 6e-3, 2001)
    middles = 0.5 * (edges[1:] + edges[:-1])
    slices = chain([(m, m) for m in middles], 0.2 / 2000)
    assert slices[0, 0] == pytest.approx(0.111091 + 0.015100j, abs=1e-6)
    assert slices[1, 1] == pytest.approx(-0.280671 + 0.022186j, abs=1e-6)
    one = chain([(8e-3, 6e-3)], 0.2)
    assert abs(one[0, 0] - slices[0, 0]) == pytest.approx(0.0004, abs=5e-5)
    assert abs(one[1, 1] - slices[1, 1]) == pytest.approx(0.0008, abs=5e-5)
    steps = np.linspace(8e-3, 6e-3, 11)
    ten = chain(list(pairwise(steps)), 0.02)
    assert abs(ten[0, 0] - slices[0, 0]) < 1e-5
    assert abs(ten[1, 1] - slices[1, 1]) < 1e-5


@pytest.mark.parametrize(
    ("xi", "stated", "elements", "slack"),
    [
        (0.3, 0.495733, 0.4923, 0.004),
        (0.5, 0.298857, 0.2969, 0.003),
        (0.7, 0.132553, 0.1317, 0.002),
        (0.9, 0.009028, 0.0206, 0.012),
    ],
)
def test_length_of_a_step(xi, stated, elements, slack):
    """Classical cubic, from memory; and finite elements of our own, 0.2 % low.

    The stated digits differ from the stated cubic by up to 4.3e-6, hence 5e-6. At 0.9 the cubic is 0.0116
    short of the elements, a hundredth of a radius.
    """
    length = step_length(xi * 8e-3, 8e-3)[0] / (xi * 8e-3)
    assert length == pytest.approx(stated, abs=5e-6)
    assert length == pytest.approx(elements, abs=slack)


def test_limits_of_a_step():
    """A very wide second part is a flange, 0.8216 a; equal radii are no step, and never a negative length."""
    assert step_length(1e-9, 1.0)[0] / 1e-9 == pytest.approx(0.8216, rel=1e-8)
    assert step_length(8e-3, 8e-3)[0] == 0.0
    assert all(step_length(xi, 1.0)[0] >= 0.0 for xi in np.linspace(0.01, 1.0, 100))


def test_widening_moves_a_lossless_open_pipe_as_rayleighs_rule_says():
    """Bore perturbation rule (Rayleigh): df/f = 1/2 int (dS/S)(ke - pe)/int ke.

    An ideally open pipe of length L has B = 0 at resonance; mode 1 flows most at both ends. Widening
    raises it there, lowers it in the middle, and does nothing when uniform.
    """
    length, a, part = 0.3, 7e-3, 0.03
    swell = a * math.sqrt(1.001)

    def root(radii):
        def b(w):
            total = np.eye(2, dtype=complex)
            for piece_length, r in radii:
                aa, bb, cc, dd = piece(w, piece_length, r, r, GAS, 0.0)[:4]
                total = total @ np.array([[aa, bb], [cc, dd]])
            return total[0, 1].imag

        low, high = 0.98 * math.pi * C / length, 1.02 * math.pi * C / length
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if b(low) * b(middle) > 0 else (low, middle)
        return low

    plain = root([(length, a)])
    assert root([(length, swell)]) == pytest.approx(plain, rel=1e-12)
    end = root([(part, swell), (length - part, a)]) / plain - 1.0
    middle = root([(0.135, a), (part, swell), (0.135, a)]) / plain - 1.0
    # int over the part of (ke - pe) dx / int ke dx, with ke ~ cos^2, pe ~ sin^2 of pi x/L
    rule = 0.5 * 0.001 * (math.sin(2.0 * math.pi * part / length) * length / (2.0 * math.pi)) / (length / 2.0)
    assert end == pytest.approx(rule, rel=2e-3)
    rule_middle = -0.5 * 0.001 * (2.0 * math.sin(math.pi * part / length) * length / (2.0 * math.pi)) / (length / 2.0)
    assert middle == pytest.approx(rule_middle, rel=2e-3)
