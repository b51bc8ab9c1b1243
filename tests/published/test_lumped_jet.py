"""The lumped model of jet and edge, each of its parts written out by hand after its authors.

Source: Verge et al., JASA 101, 2914 (1997); Auvray, Fabre & Lagree, JASA 131, 1574 (2012); Terrien, Vergez & Fabre 2013
(from memory): deflection (h/U) exp(alpha W) v(t - tau), alpha 0.4/h, tau = W/(0.4 U); flow split tanh((eta - y0)/b), b
= 0.4 h; dipole of the spacing (4/pi) sqrt(2 h W); loss 1/2 rho (v/0.6)**2 in both half cycles. The program's own jet
has another law (test_jet_wave.py); harmonic balance and time stepping are shared, and tried on this one.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from fluewright.acoustics.jet import lumped_law
from fluewright.acoustics.kernels.blown import _motion_of, _put_motion, balance
from fluewright.acoustics.kernels.jet import Jet
from fluewright.acoustics.kernels.loop import admittance, jet_response, onset

RHO, H, W, Y0 = 1.2, 1e-3, 4e-3, 1e-4
B = 0.4 * H
SPACING = 4.0 / math.pi * math.sqrt(2.0 * H * W)
HARMONICS, SAMPLES = 8, 64
#: A loop of a round bore, a 9 mm, and a window of 4 by 12 mm, half a wave of 343.5 m long: 2 S/(rho W H L).
SHARE = 2.0 * math.pi * 0.009**2 / (RHO * W * 12e-3 * 0.3435)
W1, Q1 = 2.0 * math.pi * 500.0, 35.0


def modes_of(count):
    """Return f_k = 500 k, Q_k = 35 sqrt k, equal shares."""
    k = np.arange(1, count + 1)
    return np.column_stack([W1 * k, Q1 * np.sqrt(k), np.full(count, SHARE)])


def law_of(speed):
    return lumped_law(speed, H, W, Y0, RHO)


def turns_of(harmonics=HARMONICS, samples=SAMPLES):
    return np.exp(2j * np.pi * np.outer(np.arange(samples) / samples, np.arange(2 * harmonics + 1)))


def gain_by_hand(s, modes, speed):
    """Return G = Y (rho spacing h/W) exp(alpha W) sech^2(y0/b) s exp(-s tau): the loop's gain for small motions."""
    y = sum(a * s / (s * s + s * w / q + w * w) for w, q, a in modes)
    tau = W / (0.4 * speed)
    return y * RHO * SPACING * H / W * math.exp(0.4 / H * W) / math.cosh(Y0 / B) ** 2 * s * np.exp(-s * tau)


@pytest.mark.parametrize("speed", [10.0, 20.0, 33.0])
def test_the_constants_of_the_lumped_jet(speed):
    """Half width, offset, source rho spacing b U/W, loss, delay and gain, as above."""
    jet, weights = law_of(speed)
    b, y0, source, loss, delay = jet
    assert (b, y0) == pytest.approx((B, Y0))
    assert source == pytest.approx(RHO * SPACING * B * speed / W)
    assert loss == pytest.approx(0.5 * RHO / 0.36)
    assert delay == pytest.approx(W / (0.4 * speed))
    assert weights == pytest.approx([H / speed * math.exp(1.6)])


@pytest.mark.parametrize("size", [0.3, 1.0, 5.0])
@pytest.mark.parametrize("offset", [0.0, 0.25, 1.0])
def test_the_describing_function(size, offset):
    """D(A) = (1/pi) int tanh(A cos x - y0/b) cos x dx (any textbook), by SciPy; harmonic 1 of the split flow, twice."""
    n = HARMONICS
    v = np.zeros(n + 1, dtype=complex)
    v[1] = 0.5 * size
    made = _motion_of(n, SAMPLES)
    # b 1, no delay, gain 1: the deflection is A cos.
    _put_motion(v, 1.0, n, Jet(1.0, offset, 1.0, 0.0, 0.0), np.ones(1), turns_of(), made)
    split, force, gate = made.split, made.force, made.gate
    wanted = quad(lambda x: math.tanh(size * math.cos(x) - offset) * math.cos(x), 0.0, 2.0 * math.pi)[0] / math.pi
    assert 2.0 * split[1] == pytest.approx(wanted, abs=1e-7)
    # Its second harmonic is there for an edge beside the jet alone.
    second = quad(lambda x: math.tanh(size * math.cos(x) - offset) * math.cos(2 * x), 0.0, 2.0 * math.pi)[0] / math.pi
    assert 2.0 * split[2] == pytest.approx(second, abs=1e-7)
    # As a force it is the flow's time derivative.
    assert force[1] == pytest.approx(1j * split[1], abs=1e-15)
    # Its slope with size, by sech^2: dD/dA = gate_0 + gate_2.
    slope = (
        quad(lambda x: math.cosh(size * math.cos(x) - offset) ** -2.0 * math.cos(x) ** 2, 0.0, 2.0 * math.pi)[0]
        / math.pi
    )
    assert gate[0] + gate[2] == pytest.approx(slope, abs=1e-7)


def test_the_describing_function_ends_at_four_over_pi():
    """A square wave's first harmonic (any textbook)."""
    v = np.zeros(2, dtype=complex)
    v[1] = 500.0
    made = _motion_of(1, 4096)
    _put_motion(v, 1.0, 1, Jet(1.0, 0.0, 1.0, 0.0, 0.0), np.ones(1), turns_of(1, 4096), made)
    assert 2.0 * made.split[1].real == pytest.approx(4.0 / math.pi, rel=1e-5)


def test_the_loops_gain_by_hand():
    jet, weights = law_of(20.0)
    for s in (2j * math.pi * 470.0, 30.0 + 2j * math.pi * 700.0):
        y = sum(SHARE * s / (s * s + s * w / q + w * w) for w, q, _ in modes_of(3))
        assert admittance(s, modes_of(3))[0] == pytest.approx(y, rel=1e-12)
        value, slope = onset(s, modes_of(3), jet, weights)
        assert value == pytest.approx(gain_by_hand(s, modes_of(3), 20.0), rel=1e-9)
        ahead, back = (gain_by_hand(s + d, modes_of(3), 20.0) for d in (1e-3, -1e-3))
        assert slope == pytest.approx((ahead - back) / 2e-3, rel=1e-6)
    assert jet_response(1j, 0.5, np.array([2.0]))[0] == pytest.approx(2.0 * np.exp(-0.5j))


@pytest.mark.parametrize("speed", [15.0, 20.0, 25.0, 30.0, 40.0])
def test_the_linear_pull(speed):
    """Where the loop's gain is real and positive; one mode of Q 35: a delay other than a quarter of a period pulls it.

    At 20 m/s the delay is that quarter and the note stands on the resonance; a slower jet is flat, a faster one sharp.
    To first order (f - f1)/f1 = tan(pi/2 - w tau)/(2 Q).
    """
    jet, weights = law_of(speed)
    found = brentq(lambda f: onset(2j * np.pi * f, modes_of(1), jet, weights)[0].imag, 490.0, 510.0, xtol=1e-9)
    assert onset(2j * np.pi * found, modes_of(1), jet, weights)[0].real > 0.0
    assert found == pytest.approx(
        brentq(lambda f: gain_by_hand(2j * np.pi * f, modes_of(1), speed).imag, 490.0, 510.0, xtol=1e-9), abs=1e-6
    )
    delay = 2.0 * math.pi * found * W / (0.4 * speed)
    assert found / 500.0 - 1.0 == pytest.approx(math.tan(math.pi / 2.0 - delay) / (2.0 * Q1), rel=0.02, abs=1e-7)


def test_one_harmonic_is_the_describing_function():
    """The balance by hand at 500 Hz, where the delay is a quarter of a period, solved here by SciPy:

    V w1/(Q a1) = C w D(g V/b) - 4/(3 pi) rho V^2/0.36, C the source and g the gain; V is 3.60 m/s, 0.18 of the jet's.
    """
    jet, weights = law_of(20.0)
    v = np.array([0.0, 1.5], dtype=complex)
    omega, done = balance(v, 2.0 * np.pi * 499.0, 1, modes_of(1), jet, weights, turns_of(1, 4096))
    assert done
    gain, source = H / 20.0 * math.exp(1.6), RHO * SPACING * B * 20.0 / W

    def left(size):
        share = (
            quad(lambda x: math.tanh(gain * size / B * math.cos(x) - Y0 / B) * math.cos(x), 0.0, 2.0 * math.pi)[0]
            / math.pi
        )
        return source * W1 * share - 4.0 / (3.0 * math.pi) * RHO * size**2 / 0.36 - size * W1 / (Q1 * SHARE)

    assert 2.0 * abs(v[1]) == pytest.approx(brentq(left, 1.0, 8.0), rel=1e-6)
    assert omega == pytest.approx(W1, rel=1e-8)
