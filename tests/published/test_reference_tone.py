"""The lumped model's tones of docs/physics/synthesis.md#reference-tone, by harmonic balance and in time.

Source of the model: Verge et al. 1997; Auvray, Fabre & Lagree 2012; Terrien, Vergez & Fabre 2013 (from memory); of the
numbers: our own time stepping and describing function. The program's own jet has another law (see
test_jet_wave.py); what is tried here are the solvers that both share.
"""

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from fluewright.acoustics.jet import lumped_law
from fluewright.acoustics.kernels.blown import (
    _motion_of,
    _put_harmonics,
    _put_motion,
    _put_signal,
    balance,
    count_unstable,
)
from fluewright.acoustics.kernels.jet import Jet, JetGrid
from fluewright.acoustics.kernels.loop import admittance, jet_response, onset
from fluewright.acoustics.kernels.played import Played, Score, play

AREA = 4e-3 * 12e-3
A_K = 25.72264728
HARMONICS, SAMPLES = 8, 64
# U_j and the frequency of docs/physics/synthesis.md#reference-tone, one mode and three.
ONE_MODE = [(15.0, 492.1), (20.0, 500.22), (25.0, 505.9), (30.0, 510.5), (40.0, 518.0)]
THREE_MODES = [(20.0, 499.94), (25.0, 504.95), (30.0, 985.5), (40.0, 1001.1), (15.0, 1565.0), (10.0, 1045.0)]


def modes_of(count):
    """Return f_k = 500 k, Q_k = 35 sqrt k, a_k = 2 S/(rho W H L_e)."""
    k = np.arange(1, count + 1)
    return np.column_stack([2.0 * np.pi * 500.0 * k, 35.0 * np.sqrt(k), np.full(count, A_K)])


def law_of(speed):
    """Return the reference jet: h 1, W 4, y0 0.1 mm, rho 1.2."""
    return lumped_law(speed, 1e-3, 4e-3, 1e-4, 1.2)


def turns_of(harmonics=HARMONICS, samples=SAMPLES):
    return np.exp(2j * np.pi * np.outer(np.arange(samples) / samples, np.arange(2 * harmonics + 1)))


def balanced(speed, count, hz, *, harmonics=HARMONICS, size=1.5, samples=SAMPLES):
    """Return (Hz, half amplitudes of v) of a periodic motion near hz; size is the guess of v[1]."""
    jet, weights = law_of(speed)
    v = np.zeros(harmonics + 1, dtype=complex)
    v[1] = size
    omega, done = balance(v, 2.0 * np.pi * hz, harmonics, modes_of(count), jet, weights, turns_of(harmonics, samples))
    assert done
    return omega / (2.0 * np.pi), v


def peak_of(v):
    turn = 2j * np.pi * np.arange(2048) / 2048
    return float(np.abs(sum(2.0 * (v[m] * np.exp(m * turn)).real for m in range(1, v.size))).max())


def rms_of(v):
    return math.sqrt(2.0 * float((np.abs(v[1:]) ** 2).sum()))


def played(speed, count, *, rate=48_000, seconds=0.6):
    """Return (Hz, peak, rms of v over the last 0.2 s in whole periods, all of v), from 1e-6 m/s of mode 1."""
    block = 32
    blocks = int(seconds * rate / block)
    jet, weights = law_of(speed)
    start = np.zeros((count, 2))
    start[0, 1] = 1e-6
    flow = np.zeros(blocks * block)
    score = Score(
        np.full(blocks, math.log(speed)), np.ones(blocks), np.zeros(blocks), np.ones(blocks),
        np.repeat(modes_of(count)[None], blocks, axis=0), np.ones((blocks, count)),
    )  # fmt: skip
    grid = JetGrid(np.log([speed, 1.1 * speed]), np.array([jet, jet]), np.array([weights, weights]))
    played_ = Played(flow, np.zeros(flow.size), np.zeros(blocks))
    play(float(rate), block, score, grid, 1.0, np.zeros(flow.size), start, played_)
    y = flow[-int(0.2 * rate) :]
    up = np.flatnonzero((y[:-1] < 0.0) & (y[1:] >= 0.0))
    at = up + y[up] / (y[up] - y[up + 1])
    rms = math.sqrt(float(np.mean(y[up[0] : up[-1]] ** 2)))
    return (at.size - 1) / (at[-1] - at[0]) * rate, float(np.abs(y).max()), rms, flow


def test_the_sizes_of_the_reference_case():
    assert 2.0 * math.pi * 0.009**2 / (1.2 * AREA * 0.3435) == pytest.approx(A_K, abs=1e-8)
    jet, weights = law_of(20.0)
    b, y0, source, loss, delay = jet
    assert (b, y0) == pytest.approx((0.4e-3, 0.1e-3))
    # rho delta_d b U/W, delta_d = 4/pi sqrt(2 h W) = 3.601265 mm.
    assert source == pytest.approx(8.643037e-3, abs=6e-10)
    assert source * 4e-3 / (1.2 * b * 20.0) == pytest.approx(3.601265e-3, abs=6e-10)
    assert loss == pytest.approx(0.5 * 1.2 / 0.36)
    # At 20 m/s a quarter of a period at 500 Hz: theta = U/(f W) = 10.
    assert 2.0 * math.pi * 500.0 * delay == pytest.approx(math.pi / 2.0)
    assert weights == pytest.approx([1e-3 / 20.0 * math.exp(1.6)])


@pytest.mark.parametrize(
    ("size", "offset", "value"), [(1.0, 0.0, 0.811676), (1.0, 0.25, 0.784938), (5.0, 0.0, 1.251398)]
)
def test_the_describing_function(size, offset, value):
    """D(A) = (1/pi) int tanh(A cos x - y0/b) cos x dx, as the balance takes it: harmonic 1 of the split flow, twice."""
    n = HARMONICS
    v = np.zeros(n + 1, dtype=complex)
    v[1] = 0.5 * size
    # b 1, no delay, gain 1: the deflection is A cos.
    jet = Jet(1.0, offset, 1.0, 0.0, 0.0)
    made, more = _motion_of(n, SAMPLES), _motion_of(n, SAMPLES)
    _put_motion(v, 1.0, n, jet, np.ones(1), turns_of(), made)
    assert 2.0 * made.split[1] == pytest.approx(value, abs=6e-7)
    assert made.force[1] == pytest.approx(1j * made.split[1], abs=1e-15)
    # Its slope with size, by sech^2: dD/dA = gate_0 + gate_2.
    ahead = v.copy()
    ahead[1] += 5e-7
    _put_motion(ahead, 1.0, n, jet, np.ones(1), turns_of(), more)
    assert 2.0 * (more.split[1] - made.split[1]) / 1e-6 == pytest.approx(more.gate[0] + more.gate[2], rel=1e-5)


def test_the_describing_function_ends_at_four_over_pi():
    v = np.zeros(2, dtype=complex)
    v[1] = 500.0
    made = _motion_of(1, 4096)
    _put_motion(v, 1.0, 1, Jet(1.0, 0.0, 1.0, 0.0, 0.0), np.ones(1), turns_of(1, 4096), made)
    assert 2.0 * made.split[1].real == pytest.approx(4.0 / math.pi, rel=1e-5)


def test_series_and_harmonics_undo_each_other():
    rng = np.random.default_rng(3)
    v = rng.standard_normal(HARMONICS + 1) + 1j * rng.standard_normal(HARMONICS + 1)
    v[0] = 0.0
    signal, back = np.empty(SAMPLES), np.empty(HARMONICS + 1, dtype=complex)
    _put_signal(v, HARMONICS, turns_of(), signal)
    _put_harmonics(signal, turns_of(), back)
    assert back == pytest.approx(v, abs=1e-14)


@pytest.mark.parametrize(
    ("speed", "hz"), [(15.0, 496.047992), (20.0, 500.0), (25.0, 502.280849), (30.0, 504.059695), (40.0, 507.035512)]
)
def test_the_linear_pull(speed, hz):
    """docs/physics/jet.md#lumped-law: where the loop's gain is real and positive; one mode of 500 Hz and Q 35."""
    jet, weights = law_of(speed)

    def turned(f):
        return onset(2j * np.pi * f, modes_of(1), jet, weights)[0].imag

    found = brentq(turned, 490.0, 510.0, xtol=1e-9)
    assert found == pytest.approx(hz, abs=6e-7)
    assert onset(2j * np.pi * found, modes_of(1), jet, weights)[0].real > 0.0


def test_the_loops_gain_by_hand():
    """G = Y (rho delta_d h/W) exp(alpha W) sech^2(y0/b) j w exp(-j w tau), and dG/ds."""
    jet, weights = law_of(20.0)
    for s in (2j * math.pi * 470.0, 30.0 + 2j * math.pi * 700.0):
        y = sum(A_K * s / (s * s + s * w / q + w * w) for w, q, _ in modes_of(3))
        assert admittance(s, modes_of(3))[0] == pytest.approx(y, rel=1e-12)
        by_hand = y * 1.2 * 3.601265e-3 * 1e-3 / 4e-3 * math.exp(1.6) / math.cosh(0.25) ** 2
        by_hand *= s * np.exp(-s * 4e-3 / (0.4 * 20.0))
        value, slope = onset(s, modes_of(3), jet, weights)
        assert value == pytest.approx(by_hand, rel=1e-6)
        step = 1e-3
        ahead, back = (onset(s + d, modes_of(3), jet, weights)[0] for d in (step, -step))
        assert slope == pytest.approx((ahead - back) / (2.0 * step), rel=1e-6)
    assert jet_response(1j, 0.5, np.array([2.0]))[0] == pytest.approx(2.0 * np.exp(-0.5j))


def test_one_harmonic_is_the_describing_function():
    """docs/physics/synthesis.md#reference-tone: V = 3.601515 m/s at 500 Hz, the jet's delay a quarter of a period."""
    hz, v = balanced(20.0, 1, 499.0, harmonics=1, samples=4096)
    assert 2.0 * abs(v[1]) == pytest.approx(3.601515, abs=6e-7)
    assert 2.0 * abs(v[1]) / 20.0 == pytest.approx(0.180076, abs=6e-7)
    assert hz == pytest.approx(500.0, abs=1e-6)
    # The balance by hand: V w1/(Q a1) = C w D(g V/b) - 4/(3 pi) rho V^2/0.36.
    jet, weights = law_of(20.0)
    b, y0, source, _, _ = jet
    x = 2.0 * np.pi * (np.arange(4096) + 0.5) / 4096
    size = 2.0 * abs(v[1])
    share = 2.0 * np.mean(np.tanh(weights[0] * size / b * np.cos(x) - y0 / b) * np.cos(x))
    w = 2.0 * np.pi * 500.0
    given = source * w * share - 4.0 / (3.0 * math.pi) * 1.2 * size**2 / 0.36
    assert size * w / (35.0 * A_K) == pytest.approx(given, rel=1e-6)


@pytest.mark.parametrize(("speed", "hz"), ONE_MODE)
def test_one_mode_by_balance(speed, hz):
    found, v = balanced(speed, 1, hz)
    assert found == pytest.approx(hz, abs=1.0)
    if speed == 20.0:
        assert peak_of(v) == pytest.approx(3.655, rel=0.02)
    jet, weights = law_of(speed)
    assert count_unstable(v, 2.0 * np.pi * found, HARMONICS, modes_of(1), jet, weights, turns_of(), 1.0) == 0
    # And as it comes out in time.
    in_time, _, rms, _ = played(speed, 1)
    assert found == pytest.approx(in_time, abs=0.02)
    assert rms_of(v) == pytest.approx(rms, rel=2e-3)


@pytest.mark.parametrize(("speed", "hz"), THREE_MODES)
def test_three_modes_by_balance(speed, hz):
    found, v = balanced(speed, 3, hz, size=0.05 * speed)
    assert found == pytest.approx(hz, abs=1.0)
    jet, weights = law_of(speed)
    assert count_unstable(v, 2.0 * np.pi * found, HARMONICS, modes_of(3), jet, weights, turns_of(), 1.0) == 0
    in_time, _, rms, _ = played(speed, 3)
    assert found == pytest.approx(in_time, abs=0.2)
    assert rms_of(v) == pytest.approx(rms, rel=7e-3)


def test_the_fundamental_of_three_modes_gives_way_to_its_octave():
    """At 20 and 25 m/s the fundamental holds, at 30 it exists but two disturbances grow: the jump lies between."""
    for speed, growing in ((20.0, 0), (25.0, 0), (30.0, 2)):
        found, v = balanced(speed, 3, 500.0)
        jet, weights = law_of(speed)
        assert found == pytest.approx(500.0, abs=10.0)
        assert count_unstable(v, 2.0 * np.pi * found, HARMONICS, modes_of(3), jet, weights, turns_of(), 1.0) == growing


@pytest.mark.parametrize("rate", [48_000, 192_000])
@pytest.mark.parametrize(("speed", "hz"), ONE_MODE)
def test_one_mode_in_time(speed, hz, rate):
    """docs/physics/synthesis.md#reference-tone, 192 kHz; 48 kHz is the program's own rate."""
    found, peak, _, _ = played(speed, 1, rate=rate)
    assert found == pytest.approx(hz, abs=1.0)
    if speed == 20.0:
        assert peak == pytest.approx(3.655, rel=0.02)


@pytest.mark.parametrize("rate", [48_000, 192_000])
@pytest.mark.parametrize(("speed", "hz"), THREE_MODES)
def test_three_modes_in_time(speed, hz, rate):
    assert played(speed, 3, rate=rate)[0] == pytest.approx(hz, abs=1.0)


def test_too_slow_a_jet_dies_out():
    """docs/physics/synthesis.md#reference-tone: one mode at 10 m/s; fades as the root of G(s) = 1 says."""
    _, peak, _, flow = played(10.0, 1)
    assert peak < 1e-7
    jet, weights = law_of(10.0)
    s = 2j * np.pi * 470.0
    for _ in range(50):
        value, slope = onset(s, modes_of(1), jet, weights)
        s -= (value - 1.0) / slope
    assert abs(onset(s, modes_of(1), jet, weights)[0] - 1.0) < 1e-9
    assert s.real < -1.0
    early, late = (np.abs(flow[k : k + 480]).max() for k in (9600, 24_000))
    assert math.log(late / early) / 0.3 == pytest.approx(s.real, rel=0.02)
    assert played(10.0, 1)[0] == pytest.approx(s.imag / (2.0 * np.pi), abs=0.2)


def test_small_motions_grow_as_the_roots_of_the_loop_say():
    """docs/physics/jet.md#onset: the growth rate is the real part of the root of G(s) = 1."""
    jet, weights = law_of(20.0)
    s = 2j * np.pi * 500.0
    for _ in range(50):
        value, slope = onset(s, modes_of(1), jet, weights)
        s -= (value - 1.0) / slope
    flow = played(20.0, 1)[3]
    early, late = (np.abs(flow[k : k + 96]).max() for k in (2400, 3360))
    assert late < 0.05
    assert math.log(late / early) / 0.02 == pytest.approx(s.real, rel=0.02)


def test_the_scheme_is_of_second_order():
    """Half the step brings the loudness of three modes at 30 m/s about four times as near: 1.4, 0.35, 0.08 %."""
    ends = [played(30.0, 3, rate=r)[2] for r in (24_000, 48_000, 96_000, 384_000)]
    off = [abs(e / ends[-1] - 1.0) for e in ends[:-1]]
    assert off[0] < 0.02
    assert 3.3 < off[0] / off[1] < 5.0
    assert 3.3 < off[1] / off[2] < 5.0


def test_sound_pressure_of_the_reference_tone():
    """docs/physics/synthesis.md#level: 1.72873e-4 m3/s peak, 500 Hz, two in phase, 1 m: 71.29 dB; p = rho f U/2."""
    pressure = 2.0 * 1.2 * 500.0 / 2.0 * 3.601515 * AREA
    assert 20.0 * math.log10(pressure / math.sqrt(2.0) / 2e-5) == pytest.approx(71.29, abs=0.006)
