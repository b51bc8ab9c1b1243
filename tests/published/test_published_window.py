"""The window against the organ-pipe rule and the textbook's resonance of a tube with an inertance.

Sources: Ising 1971 (seen in a secondary source): dL = 0.73 S/sqrt(W H), thin walls; Fletcher & Rossing's form of it,
2.3 a^2/sqrt(W H) (from memory): 2.3/pi = 0.732. The program's own formulas for windows are fits to our own elements:
against held-back heads in test_window_study.py, as pins in tests/acoustics/test_reference_instrument_pins.py.
"""

import math

import numpy as np
import pytest
from published_rules import lossless_rules, published_rules, tube_of

from fluewright.acoustics.impedance import impedance_curve
from fluewright.acoustics.kernels.window import window_inertance, window_solved
from fluewright.acoustics.network import build_network, window_table
from fluewright.acoustics.resonance import resonances
from fluewright.air import REF_AIR


def m_of(w, h, e, degrees):
    """Return M = inertance sqrt(W H)/rho of the program's formula, sizes in bore radii."""
    return window_inertance(w, h, e, math.radians(degrees), 1.0, -1.0) * math.sqrt(w * h)


@pytest.mark.parametrize("h", [1.2, 1.4])
@pytest.mark.parametrize("w", [0.55, 0.6, 0.65])
def test_a_thin_wall_follows_the_organ_pipe_rule(w, h):
    """Ising 1971, M = 0.73 (secondary source): with a wall of a tenth of the bore's radius, 0.67 to 0.79.

    It holds for windows of usual length only: a very long one, W' 0.8, has an eighth less.
    """
    assert m_of(w, h, 0.1, 20) == pytest.approx(0.73, abs=0.06)
    assert m_of(0.8, h, 0.1, 20) < m_of(w, h, 0.1, 20) - 0.03


def test_the_solved_window_follows_the_organ_pipe_rule_too():
    """Ising 1971 as above, by the program's default: no window as thin was solved with M off 0.73 by more than 0.06."""
    table = window_table()
    for w in (0.55, 0.65):
        found = window_solved(w, 1.2, 0.1, math.radians(20.0), 1.0, -1.0, 0.0, 0.02, 0.0, table)[0]
        assert found * math.sqrt(w * 1.2) == pytest.approx(0.73, abs=0.06)


def test_inertance_goes_with_the_root_of_the_area_alone():
    """Ising 1971: twice as large in all sizes, half the inertance; exactly so, since nothing else has a length."""
    small = window_inertance(4e-3, 9e-3, 2e-3, math.radians(25.0), 7e-3, -1.0)
    large = window_inertance(8e-3, 18e-3, 4e-3, math.radians(25.0), 14e-3, -1.0)
    assert small == pytest.approx(2.0 * large, rel=1e-12)


def test_the_windows_radiation_is_that_of_a_simple_source():
    """Rayleigh (any textbook): the real part of the window's impedance is rho w^2/(4 pi c), free space round a thin
    body.
    """
    network = build_network(tube_of(), air=REF_AIR, rules=published_rules())
    f_hz = np.array([300.0, 500.0])
    curve = impedance_curve(network, 0, f_hz)
    wanted = REF_AIR.density * (2.0 * math.pi * f_hz) ** 2 / (4.0 * math.pi * REF_AIR.sound_speed)
    assert (curve.loop - curve.bore).real == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize("mode", [0, 1, 2])
def test_a_lossless_tube_with_an_inertance_at_its_end(mode):
    """tan k (L + foot) = -k dL (Rayleigh; any textbook): an inertance of length dL at one end, an open foot at the
    other.

    Foot after Silva et al. 2009, from memory. dL is no length: as one, the note would be 9 cents sharp and more.
    """
    network = build_network(tube_of(), air=REF_AIR, rules=lossless_rules())
    f = resonances(network).frequencies_hz[mode]
    dl = math.pi * 7e-3 * 7e-3 * window_inertance(5e-3, 9e-3, 3e-3, math.radians(25.0), 7e-3, -1.0)
    k = 2.0 * math.pi * f / REF_AIR.sound_speed
    x = (k * 7e-3) ** 2
    foot = 0.6133 * 7e-3 * (1 + 0.0599 * x) / (1 + 0.238 * x - 0.0153 * x**2 + 0.0015 * x**3)
    assert math.tan(k * (0.280 + foot)) == pytest.approx(-k * dl, rel=1e-6)
    assert round(k * (0.280 + foot) / math.pi) == mode + 1
