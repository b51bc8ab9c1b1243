"""Lossy ducts, cones and steps against exact forms evaluated or integrated by SciPy.

Source of the losses: Zwikker & Kosten, Sound Absorbing Materials (1949); Kirchhoff (1868); Keefe, JASA 75, 58 (1984).
"""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import special
from scipy.integrate import solve_ivp

from fluewright.acoustics.kernels.gas import Gas
from fluewright.acoustics.kernels.losses import line, ratio_f
from fluewright.acoustics.kernels.segments import piece, step_length
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


@pytest.mark.parametrize("r", [0.3, 5.0, 17.9, 18.1, 20.0, 44.0, 46.0, 89.0, 91.0, 400.0])
def test_ratio_and_its_derivative(r):
    """F = (2/q) I1(q)/I0(q), Zwikker & Kosten (1949); the kernel gives q dF/dq, here from I1' = I0 - I1/q."""
    q = r * np.sqrt(1j)
    ratio = special.ive(1, q) / special.ive(0, q)
    f, df = ratio_f(r)
    assert f == pytest.approx(2.0 * ratio / q, rel=1e-10)
    assert df == pytest.approx(2.0 * (1.0 - ratio / q - ratio**2) - 2.0 * ratio / q, rel=1e-8)


@pytest.mark.parametrize(
    ("f_hz", "a_mm", "nepers", "decibels", "slowing", "impedance"),
    [
        (440, 7.0, 0.089890995, 0.780783, 1.011046177, 1.003916490 - 0.004045622j),
        (100, 10.0, 0.030152580, 0.261902, 1.016217936, 1.005750060 - 0.006029226j),
        (2000, 6.0, 0.222480918, 1.932445, 1.006044978, 1.002143307 - 0.002181874j),
        (440, 0.5, 1.455295736, 12.640538, 1.152049560, 1.053472929 - 0.081054670j),
    ],
)
def test_attenuation_slowing_and_impedance_of_round_ducts(f_hz, a_mm, nepers, decibels, slowing, impedance):
    """Zwikker & Kosten (1949), Keefe (1984); evaluated by other code than the program's."""
    w, a = omega(f_hz), a_mm * 1e-3
    g, zc = line(w, a, GAS, 1.0)[:2]
    assert g.real == pytest.approx(nepers, abs=6e-10)
    assert g.real * 20.0 / math.log(10.0) == pytest.approx(decibels, abs=6e-7)
    assert g.imag * C / w == pytest.approx(slowing, abs=6e-10)
    assert zc / Z0 == pytest.approx(impedance, abs=9e-10)


@pytest.mark.parametrize("f_hz", [5.0, 60.0, 440.0, 1500.0, 4000.0])
@pytest.mark.parametrize("a_mm", [0.3, 1.0, 3.0, 7.0, 12.0, 25.0])
def test_losses_against_bessel_functions_of_scipy(f_hz, a_mm):
    """Zwikker & Kosten (1949): our asymptotic series and continued fraction against SciPy's Bessel functions."""
    g, zc = line(omega(f_hz), a_mm * 1e-3, GAS, 1.0)[:2]
    g_exact, zc_exact = exact_line(omega(f_hz), a_mm * 1e-3)
    assert g == pytest.approx(g_exact, rel=1e-10)
    assert zc == pytest.approx(zc_exact, rel=1e-10)


def test_a_narrow_duct_at_low_frequency_is_poiseuilles():
    """Series resistance 8 mu/(pi a^4), Pa s/m4 (Poiseuille; any textbook), at 1 mHz and a = 0.5 mm.

    Compliance at constant temperature, pi a^2/p: the wall takes all heat (Keefe 1984, limit of small r).
    """
    a = 0.5e-3
    g, zc = line(omega(1e-3), a, GAS, 1.0)[:2]
    series = g * zc / (math.pi * a**2)
    assert series.real == pytest.approx(8.0 * MU / (math.pi * a**4), rel=1e-9)
    # Poiseuille's inertance is four thirds of the plug's.
    assert series.imag == pytest.approx(4.0 / 3.0 * omega(1e-3) * RHO / (math.pi * a**2), rel=1e-6)
    shunt = g / zc
    assert shunt.imag == pytest.approx(omega(1e-3) * GAMMA / (RHO * C**2), rel=1e-6)
    assert shunt.real < 1e-3 * shunt.imag


def test_a_very_wide_duct_has_no_walls():
    """Limit of large r: a plane wave, j k and rho c (any textbook)."""
    g, zc = line(omega(4000.0), 1000.0, GAS, 1.0)[:2]
    assert g == pytest.approx(1j * omega(4000.0) / C, rel=1e-6)
    assert zc == pytest.approx(Z0, rel=1e-6)
    assert line(omega(4000.0), 0.007, GAS, 0.0)[:2] == (1j * omega(4000.0) / C, Z0)


def test_what_the_wide_tube_expansion_leaves_falls_with_the_cube_of_the_radius():
    """Two terms, j k (1 + C1/q + C2/q**2) (Keefe 1984, from memory; C2 by our own expansion): 7e-5 k at r = 50."""
    w = omega(440.0)
    left = []
    for r in (50.0, 100.0, 200.0, 400.0):
        q = r * np.sqrt(1j)
        left.append(abs(line(w, r / math.sqrt(RHO * w / MU), GAS, 1.0)[0] * C / (1j * w) - 1.0 - C1 / q - C2 / q**2))
    assert left[0] < 1e-5
    for near, far in pairwise(left):
        assert near / far == pytest.approx(8.0, rel=0.1)


def test_the_rules_of_the_textbooks_lie_near_the_exact_loss():
    """First order alpha = k C1/(sqrt2 r) (Kirchhoff); alpha = 1.2e-5 sqrt(w)/a, Fletcher & Rossing, from memory."""
    w, a = omega(440.0), 7e-3
    exact = line(w, a, GAS, 1.0)[0].real
    assert exact == pytest.approx(w / C * C1 / (math.sqrt(2.0) * a * math.sqrt(RHO * w / MU)), rel=0.012)
    assert exact == pytest.approx(1.2e-5 * math.sqrt(w) / a, rel=0.004)


@pytest.mark.parametrize(("f_hz", "a_mm"), [(440.0, 7.0), (1000.0, 5.0), (600.0, 9.0)])
def test_flattening_by_the_walls(f_hz, a_mm):
    """Kirchhoff's phase speed c/(1 + C1/(sqrt2 r)), first order in 1/r; the second order has no say in it.

    19.02 cents flat at 440 Hz and 7 mm.
    """
    w, a = omega(f_hz), a_mm * 1e-3
    x = C1 / (math.sqrt(2.0) * a * math.sqrt(RHO * w / MU))
    slowing = line(w, a, GAS, 1.0)[0].imag * C / w
    assert 1200.0 * math.log2(slowing) == pytest.approx(1200.0 * math.log2(1.0 + x), rel=3e-4)


def test_real_walls_flatten_by_as_much_more_as_their_factor():
    """Our rule: Gamma - jk and Zc - Z0 times zeta (common practice, no source). First order, -5.81 cents at zeta 1.3,
    440 Hz and 7 mm; the exact wave has -5.67."""
    w, a = omega(440.0), 7e-3
    x = C1 / (math.sqrt(2.0) * a * math.sqrt(RHO * w / MU))
    first_order = 1200.0 * math.log2((1.0 - 1.3 * x) / (1.0 - x))
    smooth, rough = (line(w, a, GAS, zeta) for zeta in (1.0, 1.3))
    assert 1200.0 * math.log2(smooth[0].imag / rough[0].imag) == pytest.approx(first_order, abs=0.15)
    assert rough[0].real == pytest.approx(1.3 * smooth[0].real, rel=1e-12)
    assert rough[1] - Z0 == pytest.approx(1.3 * (smooth[1] - Z0), rel=1e-12)


@pytest.mark.parametrize(("f_hz", "a_mm", "length_mm"), [(440.0, 7.0, 100.0), (1900.0, 3.0, 4.0), (150.0, 9.0, 250.0)])
def test_lossy_cylinder(f_hz, a_mm, length_mm):
    """cosh, Zc sinh, sinh/Zc of a line (any textbook), with Zwikker & Kosten's line by SciPy."""
    a, length = a_mm * 1e-3, length_mm * 1e-3
    g, zc = exact_line(omega(f_hz), a)
    z = zc / (math.pi * a**2)
    aa, bb, cc, dd = piece(omega(f_hz), length, a, a, GAS, 1.0)[:4]
    assert aa == pytest.approx(np.cosh(g * length), rel=1e-9)
    assert dd == aa
    assert bb == pytest.approx(z * np.sinh(g * length), rel=1e-9)
    assert cc == pytest.approx(np.sinh(g * length) / z, rel=1e-9)


@pytest.mark.parametrize(("r1_mm", "r2_mm"), [(8.0, 6.0), (5.0, 7.5)])
def test_lossless_cone(r1_mm, r2_mm):
    """Two spherical waves from the cone's tip, p = exp(-+jks)/s, u from Newton's law (Olson 1957; any textbook).

    The matrix that takes the state at one end to the other, put together here from the two waves.
    """
    length, f_hz = 0.2, 440.0
    k = omega(f_hz) / C
    r1, r2 = r1_mm * 1e-3, r2_mm * 1e-3
    begin = r1 * length / (r2 - r1)  # from the tip; negative where the cone narrows

    def states(s, radius):
        """Columns: (p, flow towards the far end) of the wave exp(-jks)/s and of exp(+jks)/s."""
        column = []
        for sign in (-1j, 1j):
            p = np.exp(sign * k * s) / s
            slope = (sign * k - 1.0 / s) * p
            column.append([p, -slope / (1j * omega(f_hz) * RHO) * math.pi * radius**2])
        return np.array(column).T

    matrix = states(begin, r1) @ np.linalg.inv(states(begin + length, r2))
    found = np.array(piece(omega(f_hz), length, r1, r2, GAS, 0.0)[:4]).reshape(2, 2)
    impedance = Z0 / (math.pi * r1 * r1)
    scale = np.array([[1.0, 1.0 / impedance], [impedance, 1.0]])
    assert np.abs((found - matrix) * scale).max() < 1e-11


def chain(radii, length):
    """Product of equal pieces through the given radii, pairs (r1, r2)."""
    total = np.eye(2, dtype=complex)
    for r1, r2 in radii:
        a, b, c, d = piece(omega(440.0), length, r1, r2, GAS, 1.0)[:4]
        total = total @ np.array([[a, b], [c, d]])
    return total


def test_a_lossy_cone_against_its_integrated_wave_equation():
    """dp/dx = -z u, du/dx = -y p with Zwikker & Kosten's z and y of the local radius, integrated by SciPy.

    8 to 6 mm over 200 mm: ten cones of 20 mm are within 1e-5, one cone of the whole length within 1e-3, and no better
    than 1e-4.
    """
    w, length, r1, r2 = omega(440.0), 0.2, 8e-3, 6e-3
    unit = Z0 / (math.pi * r1 * r1)

    def slopes(x, state):
        radius = r1 + (r2 - r1) * x / length
        g, zc = exact_line(w, radius)
        z, y = g * zc / (math.pi * radius**2), g / zc * math.pi * radius**2
        return [-z * state[1] / unit, -y * state[0] * unit]

    columns = [
        solve_ivp(slopes, (length, 0.0), np.array(at_end, complex), rtol=1e-9, atol=1e-11).y[:, -1]
        for at_end in ([1.0, 0.0], [0.0, 1.0])
    ]
    exact = np.array(columns).T
    scale = np.array([[1.0, 1.0 / unit], [unit, 1.0]])
    steps = np.linspace(r1, r2, 11)
    assert np.abs(chain(list(pairwise(steps)), length / 10) * scale - exact).max() < 1e-5
    assert 1e-4 < np.abs(chain([(r1, r2)], length) * scale - exact).max() < 1e-3


def step_by_modes(xi, narrow=40):
    """Inertance of a step as a length over the narrow radius: mode matching of two round ducts at low frequency.

    Narrow duct of radius xi, wide one of radius 1. Velocity in the opening: sum of the narrow duct's modes; the near
    field of a mode of zero g reaches xi/g into the narrow duct and 1/g into the wide one. The wide duct takes more
    modes by the ratio of the radii, so that both resolve the edge alike.
    """
    wide = round(narrow / xi)
    g_narrow, g_wide = special.jn_zeros(1, narrow), special.jn_zeros(1, wide)
    # Means over the opening of the wide duct's modes, times 1 and times the narrow duct's J0(g r/xi)/J0(g).
    x = g_wide * xi
    plane = 2.0 * special.j1(x) / x
    overlap = 2.0 * x[:, None] * special.j1(x)[:, None] / (x[:, None] ** 2 - g_narrow**2)
    weight = xi / special.j0(g_wide) ** 2 / g_wide
    # The flow in the opening is that of least energy (Kelvin).
    inner = np.diag(1.0 / g_narrow) + overlap.T @ (weight[:, None] * overlap)
    cross = overlap.T @ (weight * plane)
    return float(weight @ plane**2 - cross @ np.linalg.solve(inner, cross))


@pytest.mark.parametrize(("xi", "slack"), [(0.02, 5e-4), (0.3, 5e-4), (0.5, 1.2e-3), (0.7, 5e-4), (0.9, 0.0125)])
def test_length_of_a_step(xi, slack):
    """Kergomard & Garcia, JSV 114, 465 (1987), from memory: 0.8216 (1 - 1.35 xi + 0.31 xi**3); and modes matched here.

    The cubic keeps to the modes within a thousandth of a radius up to 0.7; at 0.9 it is 0.009, they 0.021.
    """
    length = step_length(xi * 8e-3, 8e-3)[0] / (xi * 8e-3)
    assert length == pytest.approx(0.8216 * (1.0 - 1.35 * xi + 0.31 * xi**3), abs=1e-12)
    assert length == pytest.approx(step_by_modes(xi), abs=slack)


def test_limits_of_a_step():
    """A very wide second part is a flange, 0.8216 a (Dalmont et al. 2001); equal radii are no step; none below 0."""
    assert step_length(1e-9, 1.0)[0] / 1e-9 == pytest.approx(0.8216, rel=1e-8)
    assert step_length(8e-3, 8e-3)[0] == 0.0
    assert all(step_length(xi, 1.0)[0] >= 0.0 for xi in np.linspace(0.01, 1.0, 100))


def test_widening_moves_a_lossless_open_pipe_as_rayleighs_rule_says():
    """Bore perturbation rule (Rayleigh, Theory of Sound, 265): df/f = 1/2 int (dS/S)(ke - pe)/int ke.

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
