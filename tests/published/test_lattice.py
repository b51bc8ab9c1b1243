"""Cutoff of a row of open holes: docs/physics/network.md#cutoff (Benade 1960 for the idea)."""

import pytest

from fluewright.acoustics.impedance import cutoff_of_row_hz


def test_cutoff_of_the_printed_row():
    assert cutoff_of_row_hz(7.5e-3, 3.5e-3, 9e-3, 25e-3, 343.5) == pytest.approx(1659.133405, abs=1e-5)
