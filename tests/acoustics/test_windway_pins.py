"""Pins: the windway's table of docs/physics/jet.md#windway: our own evaluation of published friction, by other code."""

import math

import pytest

from fluewright.acoustics.kernels.windway import Channel, exit_speed, friction_reynolds

RHO, MU = 1.15, 1.85e-5
TABLE = [
    # P, U, U/U_B, Re, x+, f Re, Q L/min
    (50.0, 3.454311, 0.370434, 429.455, 0.0582133, 26.78730, 2.48710),
    (100.0, 5.930539, 0.449705, 737.310, 0.0339070, 28.71635, 4.26999),
    (200.0, 9.746795, 0.522614, 1211.764, 0.0206311, 31.64311, 7.01769),
    (500.0, 17.762687, 0.602362, 2208.334, 0.0113208, 37.67496, 12.78913),
    (1000.0, 27.107413, 0.650013, 3370.111, 0.0074182, 44.37660, 19.51734),
]


@pytest.mark.parametrize(("pressure", "speed", "share", "reynolds", "x_plus", "friction", "flow"), TABLE)
def test_the_table_of_the_windway_stays_as_it_was(pressure, speed, share, reynolds, x_plus, friction, flow):
    """docs/physics/jet.md#windway: h 1, H 12, l 50 mm, entry loss 0.05, no side walls; every digit printed."""
    _, found, at, turned = exit_speed(pressure, Channel(0.05, 1e-3, 1e-3, math.inf, 0.05), RHO, MU)
    assert found == pytest.approx(speed, abs=6e-7)
    assert found / math.sqrt(2.0 * pressure / RHO) == pytest.approx(share, abs=6e-7)
    assert turned == pytest.approx(reynolds, abs=6e-4)
    assert at == pytest.approx(x_plus, abs=6e-8)
    assert friction_reynolds(at, turned) == pytest.approx(friction, abs=6e-6)
    assert found * 12e-6 * 60_000.0 == pytest.approx(flow, abs=6e-6)
