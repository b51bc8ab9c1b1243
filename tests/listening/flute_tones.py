"""Random tones with spectra such as duct flutes have, at known pitch and signal-to-noise ratio.

The kinds (common experience with such instruments, no source): a plain falling spectrum; a fundamental weaker than the
second partial, as in low notes blown hard; a second partial about as strong as the fundamental; nearly a sine, as in
high or softly blown notes; a strong third partial over a weak second, as in hole patterns that favour odd partials.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

KINDS = ("plain", "weak first", "strong second", "pure", "strong third")
LOWEST_HZ, HIGHEST_HZ = 261.6256, 2349.318  # C4, D7
_EDGE_S = 0.1


@dataclass(frozen=True)
class FluteTone:
    """A tone in noise: seed, kind, pitch in Hz at its start, power of tone over noise in dB, partial levels in dB."""

    seed: int
    kind: str
    hz: float
    snr_db: float
    levels_db: tuple[float, ...]
    rate_hz: int
    samples: np.ndarray


def partial_levels_db(rng, kind, weakest_db):
    """Return the levels of partials 1 to 8; a weak fundamental is 6 to `weakest_db` under the second partial."""
    levels = -rng.uniform(4.0, 14.0) * np.arange(8) + rng.uniform(-8.0, 8.0, 8)
    levels[0] = 0.0
    if kind == "weak first":
        levels[:3] = rng.uniform(-weakest_db, -6.0), 0.0, rng.uniform(-25.0, -2.0)
    elif kind == "strong second":
        levels[:3] = rng.uniform(-6.0, 0.0), 0.0, rng.uniform(-30.0, -4.0)
    elif kind == "pure":
        levels[1:] = rng.uniform(-60.0, -30.0, 7)
    elif kind == "strong third":
        levels[:3] = rng.uniform(-10.0, 0.0), rng.uniform(-35.0, -8.0), 0.0
    levels[3:] = np.minimum(levels[3:], -5.0)
    return levels


def flute_tone(seed, *, weakest_db=14.0, breath=False, snr_db=None):
    """Return the tone of a seed: C4 to D7, 0.3 to 1 s, every second one at 3 dB, the others up to 40 dB.

    The noise is white, or falls by 6 dB an octave above 5 kHz with `breath`: the same power then lies where the
    partials are, three times as dense.
    """
    rng = np.random.default_rng([77, seed])
    kind = KINDS[seed % len(KINDS)]
    rate_hz = int(rng.choice([44_100, 48_000]))
    hz = LOWEST_HZ * (HIGHEST_HZ / LOWEST_HZ) ** rng.uniform()
    duration_s = rng.uniform(0.3, 1.0)
    drawn_db = 3.0 if seed // len(KINDS) % 2 else rng.uniform(3.0, 40.0)
    snr_db = drawn_db if snr_db is None else snr_db
    levels = partial_levels_db(rng, kind, weakest_db)
    count, edge = round(duration_s * rate_hz), round(_EDGE_S * rate_hz)
    t = np.arange(count) / rate_hz
    phase = 2 * np.pi * hz * (t + 0.5 * rng.uniform(-0.005, 0.005) * t * t)
    sound = np.zeros(count)
    turning = np.exp(1j * phase)
    partial = np.ones(count, dtype=complex)
    for order, level in enumerate(levels, 1):
        partial *= turning  # exp(1j order phase)
        if 1.01 * order * hz < 0.5 * rate_hz:
            sound += (10 ** (level / 20) * np.exp(1j * rng.uniform(0, 2 * np.pi)) * partial).imag
    sound *= 0.1 / np.std(sound)
    ramp = round(rng.uniform(0.01, 0.05) * rate_hz)
    sound[:ramp] *= np.linspace(0, 1, ramp)
    sound[-ramp:] *= np.linspace(1, 0, ramp)
    noise = rng.standard_normal(count + 2 * edge)
    if breath:
        keep = np.exp(-2 * np.pi * 5000.0 / rate_hz)
        noise = lfilter([1.0 - keep], [1.0, -keep], noise)
        noise /= np.std(noise)
    samples = 0.1 * 10 ** (-snr_db / 20) * noise
    samples[edge : edge + count] += sound
    return FluteTone(seed, kind, float(hz), float(snr_db), tuple(float(v) for v in levels), rate_hz, samples)
