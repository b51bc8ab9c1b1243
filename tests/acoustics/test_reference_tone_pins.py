"""Pins: the lumped model's reference tones, docs/physics/synthesis.md#reference-tone, by harmonic balance and in time.

The model is published (Verge et al. 1997; Auvray, Fabre & Lagree 2012; Terrien, Vergez & Fabre 2013; from memory), its
numbers here are not: they are our first time stepping, other code than the program's. The program's own jet has
another law (tests/published/test_jet_wave.py); what is tried here are the solvers that both share, against those
numbers and against one another. What can be written out by hand stands in tests/published/test_lumped_jet.py.
"""

import math

import numpy as np
import pytest

from fluewright.acoustics.jet import lumped_law
from fluewright.acoustics.kernels.blown import (
    _put_harmonics,
    _put_signal,
    balance,
    count_unstable,
)
from fluewright.acoustics.kernels.jet import JetGrid
from fluewright.acoustics.kernels.loop import onset
from fluewright.acoustics.kernels.played import Played, Score, play

AREA = 4e-3 * 12e-3
A_K = 25.72264728
HARMONICS, SAMPLES = 8, 64
# U_j, modes, frequency of our first time stepping, whether it is the ordinary branch of mode 1.
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


def test_series_and_harmonics_undo_each_other():
    rng = np.random.default_rng(3)
    v = rng.standard_normal(HARMONICS + 1) + 1j * rng.standard_normal(HARMONICS + 1)
    v[0] = 0.0
    signal, back = np.empty(SAMPLES), np.empty(HARMONICS + 1, dtype=complex)
    _put_signal(v, HARMONICS, turns_of(), signal)
    _put_harmonics(signal, turns_of(), back)
    assert back == pytest.approx(v, abs=1e-14)


@pytest.mark.parametrize(("speed", "hz"), ONE_MODE)
def test_one_mode_by_balance_stays_as_it_was(speed, hz):
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
def test_three_modes_by_balance_stay_as_they_were(speed, hz):
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
def test_one_mode_in_time_stays_as_it_was(speed, hz, rate):
    """Stepped at 192 kHz there; 48 kHz is the program's own rate."""
    found, peak, _, _ = played(speed, 1, rate=rate)
    assert found == pytest.approx(hz, abs=1.0)
    if speed == 20.0:
        assert peak == pytest.approx(3.655, rel=0.02)


@pytest.mark.parametrize("rate", [48_000, 192_000])
@pytest.mark.parametrize(("speed", "hz"), THREE_MODES)
def test_three_modes_in_time_stay_as_they_were(speed, hz, rate):
    assert played(speed, 3, rate=rate)[0] == pytest.approx(hz, abs=1.0)


def test_too_slow_a_jet_dies_out():
    """One mode at 10 m/s; as fast as the root of G(s) = 1 says, which has a negative real part."""
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
    """Attack: the growth rate is the real part of the root of G(s) = 1."""
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
