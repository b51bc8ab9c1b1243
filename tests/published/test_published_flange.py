"""The flanged end by mode matching after Zorumski (1973), written here, against the program's fit.

Source: W. E. Zorumski, JASA 54, 1667 (1973), for the generalised radiation impedance. The solution below is our own:
Hankel transforms of the duct's modes, solved for the reflected plane wave. The fit is that of Silva et al., JSV 322,
255 (2009), from memory.
"""

import cmath
import math

import numpy as np
import pytest
from scipy import special

from fluewright.acoustics.kernels.radiation import FLANGED, UNFLANGED, end_correction, hole_outside_length

NODES, WEIGHTS = np.polynomial.legendre.leggauss(10)


def panels(edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Gauss points and weights of all panels between the edges."""
    middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
    return (middle[:, None] + half[:, None] * NODES).ravel(), (half[:, None] * WEIGHTS).ravel()


def flanged(ka: float, modes: int = 24) -> tuple[float, float]:
    """Return (|R|, L/a) of a rigid duct of radius 1 in an infinite rigid plane, `modes` radial modes."""
    roots = np.concatenate([[0.0], special.jn_zeros(1, modes - 1)])

    def transform(tau: np.ndarray) -> np.ndarray:
        return tau * special.j1(tau) / (tau**2 - roots[:, None] ** 2)

    # Radiating part, tau = ka sin(t); near field, tau = ka cosh(t), then tau itself: both take out the root.
    t, weight = panels(np.linspace(0.0, math.pi / 2, 7))
    tau = ka * np.sin(t)
    phi = transform(tau)
    z = 2.0 * ka * (phi * (weight * tau)) @ phi.T + 0j
    t, weight = panels(np.linspace(0.0, math.acosh(1.0 + 3.0 / ka), 12))
    tau = ka * np.cosh(t)
    phi = transform(tau)
    z += 2j * ka * (phi * (weight * tau)) @ phi.T
    last = 1200.0
    tau, weight = panels(np.linspace(ka + 3.0, last, 600))
    phi = transform(tau)
    z += 2j * ka * (phi * (weight * tau / np.sqrt(tau**2 - ka**2))) @ phi.T
    # Beyond `last` J1**2 is 1/(pi tau) on average, and so the rest of the integral 1/(2 pi last**2).
    z += 2j * ka / (2.0 * math.pi * last**2)
    wave = np.sqrt(ka**2 - roots.astype(complex) ** 2)
    wave = np.where(wave.imag > 0.0, -wave, wave) / ka
    right = z[:, 0] * wave[0]
    right[0] -= 1.0
    r = complex(np.linalg.solve(np.eye(modes) + z * wave, right)[0])
    return abs(r), -cmath.phase(-r) / (2.0 * ka)


def test_at_low_frequency_the_length_is_0_8216():
    """Dalmont et al., JSV 244, 505 (2001), introduction: 0.8216 a (seen). The modes come to it, and so does the fit."""
    assert flanged(0.005, modes=40)[1] == pytest.approx(0.8216, abs=6e-4)
    assert end_correction(0.005**2, FLANGED)[1] == pytest.approx(0.8216, abs=2e-5)


@pytest.mark.parametrize("ka", [0.05, 0.1, 0.2, 0.4, 0.5, 0.8, 1.0, 1.1, 1.3, 1.6, 2.0])
def test_the_fit_holds_over_its_whole_range(ka):
    """|R| within 0.003 and L/a within 0.0085 for ka up to 2; the fit is 0.0081 a short at ka 1.3.

    The modes' length is good to 0.0006 a. A tube without any flange has 0.02 to 0.14 more of |R| from ka 0.2 on.
    """
    modulus, length = flanged(ka)
    log_r, fitted, _, _ = end_correction(ka * ka, FLANGED)
    assert math.exp(log_r) == pytest.approx(modulus, abs=0.003)
    assert fitted == pytest.approx(length, abs=0.0085)
    log_open, open_length, _, _ = end_correction(ka * ka, UNFLANGED)
    assert log_open > log_r
    assert fitted > open_length


def test_the_flanged_reflection_begins_as_a_half_space_radiates():
    """1 - |R| is (ka)**2 at low frequency, twice that of an open pipe (Rayleigh; any textbook)."""
    for which, share in ((FLANGED, 1.0), (UNFLANGED, 0.5)):
        assert -end_correction(0.02**2, which)[0] == pytest.approx(share * 0.02**2, rel=2e-3)


def test_the_flanged_length_lies_between_rayleighs_bounds():
    """Theory of Sound, 307 and appendix A: over pi/4 (the mouth one membrane), under 8/(3 pi) (a piston in it).

    So does the outside length of a hole in a body that is all but flat.
    """
    for length in (end_correction(1e-6, FLANGED)[1], hole_outside_length(1e-9, 1e3)[0] / 1e-9):
        assert math.pi / 4.0 < length < 8.0 / (3.0 * math.pi)
