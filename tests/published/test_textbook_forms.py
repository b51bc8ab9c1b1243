"""Closed forms of textbooks on whole tubes: cones, rows of open holes, closed holes, and the decay of a tone.

Sources beside each: Fletcher & Rossing, The Physics of Musical Instruments (1991); Benade, JASA 32, 1591 (1960), and
Fundamentals of Musical Acoustics (1976); Rayleigh, The Theory of Sound. All from memory; each form is derived in a
line.
"""

import cmath
import math
from dataclasses import replace

import numpy as np
import pytest
from published_rules import lossless_rules, published_rules, tube_of
from scipy import special
from scipy.optimize import brentq

from fluewright.acoustics.impedance import cutoff_of_row_hz, impedance_curve, lattice_cutoff_hz
from fluewright.acoustics.kernels.holes import LEFEBVRE, series_length
from fluewright.acoustics.kernels.segments import piece
from fluewright.acoustics.kernels.window import window_inertance
from fluewright.acoustics.network import build_network, gas_of
from fluewright.acoustics.resonance import resonances
from fluewright.air import REF_AIR

RHO, C = REF_AIR.density, REF_AIR.sound_speed
GAS = gas_of(REF_AIR)
A = 7e-3


def entry(k, which, r1, r2, length):
    """Return one of A, B, C, D of a lossless cone at the wave number k."""
    return piece(k * C, length, r1, r2, GAS, 0.0)["ABCD".index(which)]


@pytest.mark.parametrize(("r1", "r2"), [(4e-3, 9e-3), (9e-3, 4e-3), (6e-3, 6.5e-3), (1e-4, 9e-3)])
@pytest.mark.parametrize("mode", [1, 2, 3])
def test_a_cone_open_at_both_ends_sounds_as_a_cylinder_of_its_length(r1, r2, mode):
    """f = n c/(2 L) however steep (Fletcher & Rossing 8.7): no pressure at the ends, so B = 0 where sin k L = 0."""
    length = 0.3
    k = brentq(
        lambda k: entry(k, "B", r1, r2, length).imag, (mode - 0.2) * math.pi / length, (mode + 0.2) * math.pi / length,
        xtol=1e-13,
    )  # fmt: skip
    assert k == pytest.approx(mode * math.pi / length, rel=1e-9)
    # Reciprocity (Rayleigh): A D - B C = 1 at every other frequency too.
    a, b, c, d = (entry(0.77 * k, which, r1, r2, length) for which in "ABCD")
    assert a * d - b * c == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(("r1", "r2"), [(3e-3, 9e-3), (6e-3, 6.5e-3), (1e-5, 9e-3)])
def test_a_cone_closed_at_its_narrow_end(r1, r2):
    """tan k L = -k x1, x1 the tip's distance from the closed end (Fletcher & Rossing 8.7): D of the cone is 0 there.

    A whole cone, x1 = 0, has all harmonics of c/(2 L); a cylinder, x1 without end, the odd ones of c/(4 L).
    """
    length = 0.3
    x1 = r1 * length / (r2 - r1)
    wanted = brentq(lambda k: math.sin(k * length) + k * x1 * math.cos(k * length), 0.4 * math.pi / length,
                    1.05 * math.pi / length, xtol=1e-13)  # fmt: skip
    # No flow at r1: p2 = 0 there asks for U1 = D U2 = 0.
    found = brentq(lambda k: entry(k, "D", r1, r2, length).real, 0.4 * math.pi / length, 1.05 * math.pi / length,
                   xtol=1e-13)  # fmt: skip
    assert found == pytest.approx(wanted, rel=1e-9)
    assert 0.5 * math.pi / length < found < 1.0001 * math.pi / length


def row_of_holes(count, spacing_mm, diameter_mm, states):
    """Return a lossless, uncoupled network of the plain tube with a row of equal holes from 140 mm on."""
    holes = [
        {"name": str(i + 1), "position_mm": 140.0 + spacing_mm * i, "diameter_mm": diameter_mm} for i in range(count)
    ]
    last = 140.0 + spacing_mm * count
    bore = {"stations_mm": [[-30.0, 14.0], [last, 14.0]], "outside_mm": [[-30.0, 22.0], [last, 22.0]]}
    model = tube_of(
        holes=holes, bore=bore, fingerings={"register_1": {"C5": states * count}}, player={"finger_bulge": 0.0}
    )
    return build_network(model, air=REF_AIR, rules=replace(lossless_rules(), hole_rule="lefebvre"))


@pytest.mark.parametrize(("spacing_mm", "diameter_mm"), [(12.0, 6.0), (20.0, 8.0), (15.0, 4.0)])
def test_a_row_of_open_holes_ends_the_bore_where_benade_says(spacing_mm, diameter_mm):
    """C = s [sqrt(1 + 2 (t_e/s)(a/b)^2) - 1] beyond the first hole, 2 s the spacing (Benade 1976, 21.1).

    An endless ladder of inertances at low frequency, M^2 + M_s M = M_s M_h. Here 24 holes at 30 Hz; t_e of one hole
    from the program's own single hole, the bore between holes shorter by their t_a.
    """
    a, b, f_hz = A, 0.5e-3 * diameter_mm, np.array([30.0])
    k = 2.0 * math.pi * f_hz[0] / C

    def beyond(network):
        """Effective length beyond the first hole, m."""
        z = impedance_curve(network, 0, f_hz).bore[0].imag / (RHO * C / (math.pi * a * a))
        return math.atan(z) / k - 0.140

    t_a = b * series_length(b / a, 4e-3 / b, True, LEFEBVRE)
    # One hole with a foot 12 diameters on: what it is alone, in parallel with the rest of the bore.
    alone = row_of_holes(1, 160.0, diameter_mm, "o")
    rest = 0.160 + 0.6133 * a
    whole = beyond(alone)
    single = 1.0 / (1.0 / (whole - 0.5 * t_a) - 1.0 / (rest + 0.5 * t_a))  # M_h in lengths of bore
    spacing = 1e-3 * spacing_mm + t_a
    ladder = 0.5 * (math.sqrt(spacing**2 + 4.0 * single * spacing) - spacing) + 0.5 * t_a
    found = beyond(row_of_holes(24, spacing_mm, diameter_mm, "o"))
    assert found == pytest.approx(ladder, rel=2e-3)
    t_e = single * (b / a) ** 2
    half = 0.5e-3 * spacing_mm
    assert found == pytest.approx(half * (math.sqrt(1.0 + 2.0 * t_e / half * (a / b) ** 2) - 1.0), rel=0.06)
    # t_e is the wall and about one and a half radii of the hole (Benade 1976).
    assert 1.2 < (t_e - 4e-3) / b < 1.6


def test_cutoff_of_a_models_row_is_benades():
    """0.110 c (b/a)/sqrt(half the spacing t_e), t_e = t + 1.5 b (Benade 1960): lossless, equal holes, 1757 Hz here."""
    network = row_of_holes(6, 25.0, 7.0, "o")
    benade = 0.110 * C * (3.5 / 7.0) / math.sqrt(12.5e-3 * (4e-3 + 1.5 * 3.5e-3))
    assert lattice_cutoff_hz(network) == pytest.approx(benade, rel=0.006)
    assert lattice_cutoff_hz(network) == pytest.approx(cutoff_of_row_hz(A, 3.5e-3, 9.25e-3, 25e-3, C), rel=1e-12)


@pytest.mark.parametrize("mode", [0, 1, 2])
@pytest.mark.parametrize("place_mm", [40.0, 95.0, 140.0, 230.0])
def test_a_closed_hole_adds_its_volume_where_the_pressure_is(mode, place_mm):
    """Rayleigh's principle (Benade 1960): df/f = -1/2 (dV p^2 + t_a S u^2) / int S u^2 dx, lossless, window and foot.

    dV the chimney's volume and what the bore's curve adds (t_m), t_a the negative series length.
    """
    d = 4.0
    hole = {"name": "1", "position_mm": place_mm, "diameter_mm": d}
    names = ((1, "C5"), (2, "C6"), (3, "G6"))

    def lowest_three(holes, letter):
        model = tube_of(
            holes=holes,
            fingerings={f"register_{r}": {note: letter} for r, note in names},
            player={"finger_bulge": 0.0},
            bore={"outside_mm": [[-30.0, 22.0], [280.0, 22.0]]},
        )
        return resonances(build_network(model, air=REF_AIR, rules=lossless_rules())).frequencies_hz

    plain, holed = lowest_three([], "")[mode], lowest_three([hole], "c")[mode]
    k = 2.0 * math.pi * plain / C
    b, t = 0.5e-3 * d, 4e-3
    delta = b / A
    window = math.pi * A * A * window_inertance(5e-3, 9e-3, 4e-3, math.radians(25.0), A, -1.0)
    # u goes as cos, p as sin from a point before the window; the ends hold flow alone.
    phase = math.atan(k * window)
    at = k * 1e-3 * place_mm + phase
    length, foot = 0.280, 0.6133 * A
    whole = 0.5 * length + (math.sin(2.0 * (k * length + phase)) - math.sin(2.0 * phase)) / (4.0 * k)
    whole += window * math.cos(phase) ** 2 + foot * math.cos(k * length + phase) ** 2
    added = (t + b * delta / 8.0 * (1.0 + 0.207 * delta**3)) * (b / A) ** 2  # as a length of bore
    shorter = b * series_length(delta, t / b, False, LEFEBVRE)
    wanted = -0.5 * (added * math.sin(at) ** 2 + shorter * math.cos(at) ** 2) / whole
    assert holed / plain - 1.0 == pytest.approx(wanted, rel=0.02, abs=3e-6)


def test_quality_is_the_decay_of_the_free_tone():
    """Q = w'/(2 w'') of the free oscillation w' + j w'' (any textbook): Z_window + Z_bore = 0 at a complex frequency.

    Line after Zwikker & Kosten, foot after Silva et al. 2009 with its radiation, window an inertance with rho w^2/(4 pi
    c); solved here by SciPy's functions of a complex argument and Newton's rule. For w'/w'' of 50 the two are within
    1/Q.
    """
    solved = resonances(build_network(tube_of(), air=REF_AIR, rules=replace(published_rules(), thick_foot=False)))
    m = window_inertance(5e-3, 9e-3, 3e-3, math.radians(25.0), A, -1.0)
    area = math.pi * A * A
    _, _, mu, gamma, prandtl = GAS

    def loop(w):
        def f(r):
            q = r * cmath.sqrt(1j)
            return 2.0 / q * special.iv(1, q) / special.iv(0, q)

        r = A * cmath.sqrt(RHO * w / mu)
        z = 1j * w * RHO / area / (1.0 - f(r))
        y = 1j * w * area / (RHO * C**2) * (1.0 + (gamma - 1.0) * f(r * math.sqrt(prandtl)))
        jk = 1j * w / C
        g, zc = jk * cmath.sqrt(z * y / jk**2), cmath.sqrt(z / y)  # the root that travels, at a decaying w too
        x = (w / C * A) ** 2
        size = (1 + 0.8 * x) / (1 + 1.3 * x + 0.266 * x**2 + 0.0263 * x**3)
        length = 0.6133 * (1 + 0.0599 * x) / (1 + 0.238 * x - 0.0153 * x**2 + 0.0015 * x**3)
        reflection = -size * cmath.exp(-2j * w / C * A * length)
        end = RHO * C / area * (1.0 + reflection) / (1.0 - reflection)
        th = cmath.tanh(g * 0.280)
        bore = zc * (end + zc * th) / (zc + end * th)
        return bore + 1j * w * RHO * m + RHO * w**2 / (4.0 * math.pi * C)

    for f_hz, quality in zip(solved.frequencies_hz, solved.quality, strict=True):
        w = 2.0 * math.pi * f_hz * (1.0 + 0.5j / quality)
        for _ in range(30):
            step = loop(w) / ((loop(w * (1 + 1e-6)) - loop(w * (1 - 1e-6))) / (2e-6 * w))
            w -= step
        assert abs(step / w) < 1e-10
        assert quality == pytest.approx(w.real / (2.0 * w.imag), rel=0.5 / quality)
        assert f_hz == pytest.approx(w.real / (2.0 * math.pi), rel=1.5 / quality**2)
