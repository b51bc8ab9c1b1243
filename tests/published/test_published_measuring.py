"""Pitch measuring against published numbers: docs/physics/listening.md."""

import math

import numpy as np
import pytest

from fluewright.air import moist_air
from fluewright.listening.tones import cramer_rao_hz
from fluewright.units import cents_above


@pytest.mark.parametrize(
    ("seconds", "snr_db", "stated"),
    [(1.0, 20.0, 2.516461e-4), (0.1, 20.0, 7.957747e-3), (0.05, 10.0, 7.117626e-2)],
)
def test_cramer_rao_bound_of_a_sinusoid(seconds, snr_db, stated):
    """Rife & Boorstyn, IEEE IT-20, 591 (1974), from memory: 48 kHz, SNR = A^2/(2 sigma^2)."""
    noise = math.sqrt(0.5 / 10.0 ** (snr_db / 10.0))
    assert cramer_rao_hz(np.array([1.0]), noise, round(48000 * seconds), 48000.0) == pytest.approx(stated, rel=2e-7)


def test_the_shortest_of_them_in_cents():
    assert cents_above(440.0 + 7.117626e-2, 440.0) == pytest.approx(0.280, abs=5e-4)


def test_five_equal_harmonics_improve_it_by_the_root_of_55():
    """Sum of k^2 SNR_k: 1 + 4 + 9 + 16 + 25."""
    one, five = (cramer_rao_hz(np.ones(n), 0.1, 4800, 48000.0) for n in (1, 5))
    assert one / five == pytest.approx(7.416198, abs=5e-7)


def test_commas_and_the_mean_tone_fifth():
    """Definitions in common use: 81/80, quarter-comma fifth 5^(1/4), (3/2)^12/2^7."""
    assert cents_above(81.0, 80.0) == pytest.approx(21.506290, abs=5e-7)
    assert cents_above(5.0**0.25, 1.0) == pytest.approx(696.578428, abs=5e-7)
    assert cents_above(1.5**12, 2.0**7) == pytest.approx(23.460010, abs=5e-7)


def test_a_kelvin_is_three_cents():
    """docs/physics/listening.md#temperature: from 20 C to the measured air, Cramer 1993; 3.14 cents a kelvin."""
    assert cents_above(moist_air(20.5).sound_speed, moist_air(19.5).sound_speed) == pytest.approx(3.14, abs=0.005)
