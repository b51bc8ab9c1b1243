"""Chains of lossy sections against scikit-rf: its network algebra, with line constants from SciPy put in."""

import math

import numpy as np
import pytest
import skrf
from scipy import special
from skrf.media import DefinedGammaZ0
from skrf.network import cascade_list

from fluewright.acoustics.kernels.segments import piece
from fluewright.acoustics.network import gas_of
from fluewright.air import REF_AIR

GAS = gas_of(REF_AIR)


def exact_line(w: np.ndarray, a: float) -> tuple[np.ndarray, np.ndarray]:
    """Gamma, 1/m, and Zc, Pa s/m3, after Zwikker & Kosten (1949) by SciPy's scaled Bessel functions."""
    rho, c, mu, gamma, prandtl = GAS

    def bessel_ratio(r):
        q = r * np.sqrt(1j)
        return 2.0 / q * special.ive(1, q) / special.ive(0, q)

    r = a * np.sqrt(rho * w / mu)
    z = 1j * w * rho / (math.pi * a**2) / (1.0 - bessel_ratio(r))
    y = 1j * w * math.pi * a**2 / (rho * c**2) * (1.0 + (gamma - 1.0) * bessel_ratio(r * math.sqrt(prandtl)))
    return np.sqrt(z * y), np.sqrt(z / y)


def our_chain(f_hz: np.ndarray, lengths: np.ndarray, radii: np.ndarray) -> np.ndarray:
    total = np.empty((f_hz.size, 2, 2), complex)
    for i, f in enumerate(f_hz):
        matrix = np.eye(2, dtype=complex)
        for length, a in zip(lengths, radii, strict=True):
            entries = piece(2.0 * math.pi * f, length, a, a, GAS, 1.0)[:4]
            matrix = matrix @ np.array(entries).reshape(2, 2)
        total[i] = matrix
    return total


def their_chain(f_hz: np.ndarray, lengths: np.ndarray, radii: np.ndarray) -> np.ndarray:
    frequency = skrf.Frequency.from_f(f_hz, unit="Hz")
    # One reference impedance at all ports keeps the waves of neighbouring sections alike.
    port = GAS.rho * GAS.c / (math.pi * float(np.mean(radii)) ** 2)
    sections = []
    for length, a in zip(lengths, radii, strict=True):
        g, zc = exact_line(2.0 * math.pi * f_hz, a)
        media = DefinedGammaZ0(frequency, gamma=g, z0=zc, z0_port=port)
        sections.append(media.line(float(length), "m"))
    return cascade_list(sections).a


def relative(ours: np.ndarray, theirs: np.ndarray) -> float:
    """Largest difference, with B and C scaled by the chain's impedance so that all four entries count alike.

    Each frequency is scaled by its largest entry, since an entry passing through zero has no relative error.
    """
    impedance = np.sqrt(np.abs(theirs[:, 0, 1] / theirs[:, 1, 0]))
    scale = np.ones_like(theirs, dtype=float)
    scale[:, 0, 1] = 1.0 / impedance
    scale[:, 1, 0] = impedance
    size = np.max(np.abs(theirs) * scale, axis=(1, 2))
    return float(np.max(np.abs(ours - theirs) * scale / size[:, None, None]))


@pytest.mark.parametrize("seed", range(40))
def test_twenty_random_lossy_sections_agree_with_scikit_rf(seed):
    """Radii 2 to 12 mm, lengths 2 to 60 mm, 24 frequencies from 40 Hz to 5 kHz; 1e-9 relative."""
    rng = np.random.default_rng(seed)
    radii = rng.uniform(2e-3, 12e-3, 20)
    lengths = rng.uniform(2e-3, 60e-3, 20)
    f_hz = np.sort(rng.uniform(40.0, 5000.0, 24))
    ours = our_chain(f_hz, lengths, radii)
    assert relative(ours, their_chain(f_hz, lengths, radii)) < 1e-9
    # A D - B C cancels: products up to 1e9 lose nine digits.
    assert np.linalg.det(ours) == pytest.approx(1.0, abs=1e-6)


def test_the_comparison_would_see_a_wrong_section():
    """A thousandth of a millimetre in one of twenty radii is well above the tolerance."""
    rng = np.random.default_rng(99)
    radii, lengths = rng.uniform(2e-3, 12e-3, 20), rng.uniform(2e-3, 60e-3, 20)
    f_hz = np.linspace(100.0, 4000.0, 12)
    theirs = their_chain(f_hz, lengths, radii)
    radii[7] += 1e-6
    assert relative(our_chain(f_hz, lengths, radii), theirs) > 1e-6
