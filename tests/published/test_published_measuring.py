"""Pitch measuring against published bounds and definitions; sources beside each check."""

import math

import numpy as np
import pytest

from fluewright.air import moist_air
from fluewright.listening.tones import cramer_rao_hz
from fluewright.units import cents_above


@pytest.mark.parametrize(("seconds", "snr_db"), [(1.0, 20.0), (0.1, 20.0), (0.05, 10.0)])
def test_cramer_rao_bound_of_a_sinusoid(seconds, snr_db):
    """Rife & Boorstyn, IEEE IT-20, 591 (1974), from memory: (fs/2 pi) sqrt(12/(SNR N (N^2 - 1))), SNR = A^2/(2 s^2).

    At 48 kHz, 0.05 s and 10 dB it is 0.28 cents of 440 Hz.
    """
    n, snr = round(48000 * seconds), 10.0 ** (snr_db / 10.0)
    bound = 48000.0 / (2.0 * math.pi) * math.sqrt(12.0 / (snr * n * (n**2 - 1.0)))
    found = cramer_rao_hz(np.array([1.0]), math.sqrt(0.5 / snr), n, 48000.0)
    assert found == pytest.approx(bound, rel=1e-6)
    if seconds == 0.05:
        assert cents_above(440.0 + float(found), 440.0) == pytest.approx(0.280, abs=5e-4)


def test_five_equal_harmonics_improve_it_by_the_root_of_55():
    """Rife & Boorstyn 1974 for harmonics (from memory): the sum of k^2 SNR_k counts, 1 + 4 + 9 + 16 + 25."""
    one, five = (cramer_rao_hz(np.ones(n), 0.1, 4800, 48000.0) for n in (1, 5))
    assert one / five == pytest.approx(math.sqrt(55.0), rel=1e-9)


def test_commas_and_the_mean_tone_fifth():
    """Definitions in common use: 81/80, quarter-comma fifth 5^(1/4), (3/2)^12/2^7."""
    assert cents_above(81.0, 80.0) == pytest.approx(21.506290, abs=5e-7)
    assert cents_above(5.0**0.25, 1.0) == pytest.approx(696.578428, abs=5e-7)
    assert cents_above(1.5**12, 2.0**7) == pytest.approx(23.460010, abs=5e-7)


def test_a_kelvin_is_three_cents():
    """Speed of sound as the root of the absolute temperature (any textbook): 600/ln 2 over 293 K, 2.95; vapour adds to
    it.

    Cramer, JASA 93, 2510 (1993), at 50 % humidity: 3.14 cents a kelvin.
    """
    assert cents_above(moist_air(20.5).sound_speed, moist_air(19.5).sound_speed) == pytest.approx(3.14, abs=0.005)
