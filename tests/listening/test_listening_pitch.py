import numpy as np
import pytest
from listening_tones import RATE_HZ, tone

from fluewright.listening.pitch import track_pitch
from fluewright.listening.sound import Sound


def random_tone(rng, index, duration_s=0.2):
    """Random harmonics at 10 dB SNR; every second tone has its fundamental 10 dB under the second."""
    hz = 261.63 * 2 ** rng.uniform(0, 38 / 12)
    level_db = rng.uniform(-25, 0, 6)
    level_db[0] = rng.uniform(-10, 0)
    if index % 2:
        level_db[1] = 0.0
        level_db[0] = -10.0
    t = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    sound = sum(
        10 ** (level / 20) * np.sin(2 * np.pi * hz * k * t + rng.uniform(0, 6.3))
        for k, level in enumerate(level_db, 1)
        if k * hz < 0.5 * RATE_HZ
    )
    sound = sound / np.std(sound)
    return hz, 0.1 * (sound + 10**-0.5 * rng.standard_normal(len(t)))


def test_no_octave_error_over_random_tones_with_weak_fundamentals():
    rng = np.random.default_rng(5)
    for index in range(150):
        hz, sound = random_tone(rng, index)
        track = track_pitch(Sound(sound, RATE_HZ))
        cents = 1200 * np.log2(track.pitch_hz[3:-3] / hz)
        assert np.all(np.abs(cents) < 30), (hz, cents)


@pytest.mark.parametrize("hz", [185.0, 261.6, 587.33, 2349.3, 4400.0])
def test_frames_follow_a_steady_tone_to_a_cent_and_give_its_level(hz):
    sound = tone(hz, 0.4, ramp_s=0.0, amplitudes=(1.0, 0.3), scale=0.5)
    sound = sound + 1e-3 * np.random.default_rng(6).standard_normal(len(sound))
    track = track_pitch(Sound(sound, RATE_HZ))
    inner = slice(4, -4)
    assert np.all(np.abs(1200 * np.log2(track.pitch_hz[inner] / hz)) < 1.0)
    assert np.median(track.level_db) == pytest.approx(20 * np.log10(0.5) + 10 * np.log10(1.09), abs=0.3)
    assert np.all(track.clarity_db[inner] > 30)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100])
def test_other_rates_give_the_same_pitch(rate_hz):
    track = track_pitch(Sound(tone(587.33, 0.3, rate_hz=rate_hz), rate_hz))
    assert np.median(track.pitch_hz) == pytest.approx(587.33, rel=5e-4)


def test_white_noise_is_not_clear_for_long():
    track = track_pitch(Sound(0.1 * np.random.default_rng(7).standard_normal(10 * RATE_HZ), RATE_HZ))
    assert np.percentile(track.clarity_db, 99.5) < 16.0
