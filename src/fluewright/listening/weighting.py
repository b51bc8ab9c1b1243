"""The filters by which a level or a loudness weighs the frequencies of a sound: K (ITU-R BS.1770) and A (IEC 61672-1).

References
----------
.. [1] Recommendation ITU-R BS.1770-4 (2015) and -5 (2023): the filters at 48 kHz.
.. [2] IEC 61672-1:2013, annex E: poles of the A-weighting.
"""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from fluewright.arrays import FloatArray
from fluewright.listening.rates import checked_rate

__all__ = ["a_weighting_db", "a_weighting_filter", "k_weighting_sections"]


# The standard's filters at 48 kHz: first a shelf that lifts what a head lifts, then a high-pass.
_K_RATE_HZ = 48_000.0
_K_SECTIONS = (
    ((1.53512485958697, -2.69169618940638, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585)),
    ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621)),
)

# A-weighting: frequencies of the poles (the outer two are double), four zeros at 0 Hz.
_A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
_A_TAPS = 32


@lru_cache(maxsize=8)
def _k_sections(rate_hz: float) -> tuple[tuple[float, ...], ...]:
    rows = []
    for (b0, b1, b2), (a0, a1, a2) in _K_SECTIONS:
        # z = (1 + s) / (1 - s) leads back to the analogue filter, whose resonance is put at w = tan(pi f0 / rate).
        over = np.array([b0 - b1 + b2, 2.0 * (b0 - b2), b0 + b1 + b2])
        under = np.array([a0 - a1 + a2, 2.0 * (a0 - a2), a0 + a1 + a2])
        at = math.sqrt(under[2] / under[0])
        turn = math.atan(at) * _K_RATE_HZ / rate_hz
        stretch = math.tan(turn) / at
        over, under = (side * np.array([1.0, stretch, stretch**2]) for side in (over, under))
        back = np.array([[1.0, 1.0, 1.0], [-2.0, 0.0, 2.0], [1.0, -1.0, 1.0]])
        b, a = back @ over, back @ under
        rows.append((*(b / a[0]), *(a / a[0])))
    return tuple(tuple(float(v) for v in row) for row in rows)


def k_weighting_sections(rate_hz: float) -> FloatArray:
    """Return the K-weighting filter for a sample rate as second-order sections.

    The standard gives coefficients for 48 kHz alone. They are turned back into the analogue filters by the bilinear
    transform, and these into filters for `rate_hz` with their resonances (1682 Hz and 38 Hz) kept in place. The
    transform bends what lies near half the sample rate: by less than 0.03 dB at 1 kHz from 22 kHz on, 0.2 dB at 8 kHz.

    Parameters
    ----------
    rate_hz : float
        Samples per second, 8 kHz to 768 kHz.

    Returns
    -------
    float array, shape (2, 6)
        b0, b1, b2, a0, a1, a2 of the shelf and of the high-pass; at 48 kHz those of the standard.

    Raises
    ------
    RecordingError
        The rate is out of range.
    """
    return np.array(_k_sections(checked_rate(rate_hz)))


def a_weighting_db(freqs_hz: ArrayLike) -> FloatArray:
    """Return the A-weighting in dB, 0 at 1 kHz: IEC 61672-1, equation of annex E.

    Parameters
    ----------
    freqs_hz : float array of any shape, or a scalar
        Frequencies above 0 in Hz.

    Returns
    -------
    float array of the same shape
    """
    freqs = np.asarray(freqs_hz, dtype=np.float64)
    gain = np.square(_a_gain(freqs) / _a_gain(np.array([1000.0]))[0])
    return np.asarray(10.0 * np.log10(gain), dtype=np.float64)


def _a_gain(freqs_hz: FloatArray) -> FloatArray:
    f1, f2, f3, f4 = (f**2 for f in _A_POLES_HZ)
    ff = np.square(freqs_hz)
    return np.asarray(f4 * ff**2 / ((ff + f1) * np.sqrt((ff + f2) * (ff + f3)) * (ff + f4)), dtype=np.float64)


@lru_cache(maxsize=8)
def _a_filter(rate_hz: float) -> tuple[tuple[tuple[float, ...], ...], tuple[float, ...]]:
    p1, p2, p3, p4 = (math.exp(-2.0 * math.pi * f / rate_hz) for f in _A_POLES_HZ)
    sections = np.array(
        [
            [1.0, -2.0, 1.0, 1.0, -2.0 * p1, p1 * p1],
            [1.0, -2.0, 1.0, 1.0, -(p2 + p3), p2 * p3],
            [1.0, 0.0, 0.0, 1.0, -2.0 * p4, p4 * p4],
        ]
    )
    grid = np.linspace(0.0, 0.995, 800)[1:] * 0.5 * rate_hz
    z = np.exp(-2j * np.pi * grid / rate_hz)
    got = np.ones(len(grid), dtype=np.complex128)
    for b0, b1, b2, _, a1, a2 in sections:
        got *= (b0 + b1 * z + b2 * z * z) / (1.0 + a1 * z + a2 * z * z)
    ratio = _a_gain(grid) / _a_gain(np.array([1000.0]))[0] / np.abs(got)
    waves = np.cos(2.0 * np.pi * np.outer(grid / rate_hz, np.arange(_A_TAPS + 1)))
    half = np.linalg.lstsq(waves / ratio[:, None], np.ones(len(grid)), rcond=None)[0]
    taps = np.concatenate([0.5 * half[:0:-1], half[:1], 0.5 * half[1:]])
    return tuple(tuple(float(v) for v in row) for row in sections), tuple(float(v) for v in taps)


def a_weighting_filter(rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Return the A-weighting filter for a sample rate: second-order sections, and taps to follow them.

    The poles of the standard go to exp(-2 pi f / rate). What that leaves wrong towards half the sample rate, where
    the bilinear transform would be wrong by much more, is set right by a symmetric filter of 65 taps, which delays the
    sound by 32 samples.

    Parameters
    ----------
    rate_hz : float
        Samples per second, 8 kHz to 768 kHz.

    Returns
    -------
    sections : float array, shape (3, 6)
        As `scipy.signal.sosfilt` takes them.
    taps : float array, shape (65,)
        A finite response.

    Raises
    ------
    RecordingError
        The rate is out of range.
    """
    sections, taps = _a_filter(checked_rate(rate_hz))
    return np.array(sections), np.array(taps)
