"""Test sounds with known onsets, ends and frequencies."""

import numpy as np

from fluewright.listening.recordings import Recording

RATE_HZ = 48_000
AMPLITUDES = (1.0, 0.4, 0.3, 0.1, 0.05, 0.02)
MAJOR_D5_HZ = 587.33 * 2.0 ** (np.array([0, 2, 4, 5, 7, 9, 11, 12]) / 12.0)


def recording(samples, rate_hz=RATE_HZ):
    samples = np.asarray(samples, dtype=np.float64)
    return Recording(samples, float(rate_hz), 1, len(samples) / rate_hz, "0" * 64)


def silence(duration_s, rate_hz=RATE_HZ):
    return np.zeros(round(duration_s * rate_hz))


def tone(hz, duration_s, *, amplitudes=AMPLITUDES, ramp_s=0.030, rate_hz=RATE_HZ, scale=0.2):
    """A harmonic tone with linear ramps inside its length."""
    count = round(duration_s * rate_hz)
    t = np.arange(count) / rate_hz
    sound = sum(a * np.sin(2 * np.pi * hz * k * t + k) for k, a in enumerate(amplitudes, 1) if hz * k < 0.5 * rate_hz)
    ramp = round(ramp_s * rate_hz)
    if ramp:
        sound[:ramp] *= np.linspace(0, 1, ramp)
        sound[-ramp:] *= np.linspace(1, 0, ramp)
    return scale * sound


def slurred(pitches_hz, each_s, *, change_s=0.02):
    """Pitches one after the other without a break; each change takes `change_s`."""
    hz = np.repeat(pitches_hz, round(each_s * RATE_HZ))
    return following(np.convolve(np.pad(hz, round(0.5 * change_s * RATE_HZ), mode="edge"), _box(change_s), "valid"))


def _box(change_s):
    width = 2 * round(0.5 * change_s * RATE_HZ) + 1
    return np.ones(width) / width


def following(hz, amplitudes=AMPLITUDES[:4], scale=0.2):
    """A tone whose frequency is given for every sample."""
    phase = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    return scale * sum(a * np.sin(k * phase) for k, a in enumerate(amplitudes, 1))
