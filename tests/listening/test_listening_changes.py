"""When one pitch gives way to another: notes that ring on under the next, glides, octaves."""

import numpy as np
import pytest
from listening_tones import RATE_HZ, following

from fluewright.listening.changes import change_s
from fluewright.listening.sound import Sound

CHANGE_S = 0.5


def ringing_on(before_hz, after_hz, *, decay_s=0.03, rise_s=0.02, amplitudes=(1.0, 0.4, 0.2)):
    """Return two notes, the first dying away and the second rising from 0.5 s on, and when they are equally loud."""
    t = np.arange(RATE_HZ) / RATE_HZ - CHANGE_S
    fade = np.where(t < 0, 1.0, np.exp(-np.maximum(t, 0.0) / decay_s))
    rise = np.where(t < 0, 0.0, 1.0 - np.exp(-np.maximum(t, 0.0) / rise_s))
    sound = np.zeros(RATE_HZ)
    for order, amplitude in enumerate(amplitudes, 1):
        sound += fade * amplitude * np.sin(2 * np.pi * order * before_hz * t)
        sound += rise * amplitude * np.sin(2 * np.pi * order * after_hz * t + order)
    return 0.1 * sound, CHANGE_S + float(t[np.argmax((rise > fade) & (t > 0))])


def found(sound, before_hz, after_hz, *, near_s=CHANGE_S, noise=0.001):
    noisy = sound + noise * np.random.default_rng(3).standard_normal(len(sound))
    return change_s(Sound(noisy, RATE_HZ), near_s=near_s, reach_s=0.07, before_hz=before_hz, after_hz=after_hz)


@pytest.mark.parametrize("steps", [-2, -1, 1, 2, 5, 7])
@pytest.mark.parametrize("hz", [293.66, 587.33, 1760.0])
@pytest.mark.parametrize("off_s", [-0.03, 0.03])
def test_a_note_that_rings_on_is_told_from_the_next_though_a_window_does_not_resolve_them(hz, steps, off_s):
    after_hz = hz * 2 ** (steps / 12)
    sound, truth_s = ringing_on(hz, after_hz)
    assert found(sound, hz, after_hz, near_s=truth_s + off_s) == pytest.approx(truth_s, abs=0.006)


@pytest.mark.parametrize("change_time_s", [0.004, 0.02, 0.04])
@pytest.mark.parametrize("ratio", [2 ** (1 / 12), 2 ** (-3 / 12), 1.5])
def test_a_glide_changes_within_a_quarter_of_its_time_from_its_middle(ratio, change_time_s):
    t = np.arange(RATE_HZ) / RATE_HZ - CHANGE_S
    hz = 600.0 * ratio ** np.clip(t / change_time_s + 0.5, 0.0, 1.0)
    assert found(following(hz), 600.0, 600.0 * ratio) == pytest.approx(CHANGE_S, abs=max(0.25 * change_time_s, 0.004))


@pytest.mark.parametrize("ratio", [2.0, 0.5, 3.0, 1 / 3])
def test_an_octave_or_twelfth_changes_where_the_lower_pitch_has_half_of_its_level(ratio):
    t = np.arange(RATE_HZ) / RATE_HZ - CHANGE_S
    hz = np.where(t < 0, 500.0, 500.0 * ratio)
    assert found(following(hz), 500.0, 500.0 * ratio) == pytest.approx(CHANGE_S, abs=0.004)


def test_where_nothing_changes_no_moment_is_named():
    t = np.arange(RATE_HZ) / RATE_HZ
    assert found(0.1 * np.sin(2 * np.pi * 600.0 * t), 600.0, 1200.0) is None
    assert found(0.1 * np.sin(2 * np.pi * 600.0 * t), 600.0, 650.0) is None
    assert change_s(Sound(np.zeros(100), RATE_HZ), near_s=0.0, reach_s=0.05, before_hz=600.0, after_hz=700.0) is None
