"""Pins of ducts: a lossy cone at its log-mean radius, our own rule for where its losses are taken."""

import math

import pytest

from fluewright.acoustics.kernels.segments import log_mean_radius, piece
from fluewright.acoustics.network import gas_of
from fluewright.air import REF_AIR

GAS = gas_of(REF_AIR)


def test_a_lossy_cone_at_its_log_mean_radius_stays_as_it_was():
    """docs/physics/ducts.md#cone: losses at (r2 - r1)/ln(r2/r1); 8 to 6 mm, 200 mm, 440 Hz, REF air."""
    assert log_mean_radius(8e-3, 6e-3)[0] == pytest.approx(6.952118994e-3, abs=6e-13)
    a, b, c, d = piece(2.0 * math.pi * 440.0, 0.2, 8e-3, 6e-3, GAS, 1.0)[:4]
    assert a == pytest.approx(0.11079646403 + 0.015420021358j, abs=1e-11)
    assert d == pytest.approx(-0.28014920520 + 0.021615460159j, abs=1e-11)
    assert a * d - b * c == pytest.approx(1.0, abs=1e-12)
