"""Windows, made once for each length: for a short note that costs more than the sums they are for."""

from functools import lru_cache

import numpy as np

from fluewright.arrays import Float32Array, FloatArray

__all__ = ["blackman", "blackman_harris", "hann", "noise_gain", "sine_hann"]


@lru_cache(maxsize=32)
def hann(length: int) -> FloatArray:
    """Return a Hann window, shape (length,), read-only; its zeros lie half a sample beyond its ends."""
    return _kept(0.5 - 0.5 * np.cos(_turn(length)))


def sine_hann(length: int) -> Float32Array:
    """Return a Hann window, shape (length,), that gives a sine of amplitude A the size A; its ends are zeros."""
    window = np.hanning(length).astype(np.float32)
    window *= 2.0 / window.sum()
    return window


@lru_cache(maxsize=32)
def blackman(length: int) -> FloatArray:
    """Return a Blackman window, shape (length,), read-only: side lobes at -58 dB in a lobe three bins to a side."""
    x = _turn(length)
    return _kept(0.42 - 0.5 * np.cos(x) + 0.08 * np.cos(2.0 * x))


@lru_cache(maxsize=32)
def blackman_harris(length: int) -> FloatArray:
    """Return the window with side lobes at -92 dB, shape (length,), read-only.

    F. J. Harris, On the use of windows for harmonic analysis with the discrete Fourier transform, Proc. IEEE 66 (1978)
    51-83, table 1: minimum four-term Blackman-Harris.
    """
    x = _turn(length)
    return _kept(0.35875 - 0.48829 * np.cos(x) + 0.14128 * np.cos(2.0 * x) - 0.01168 * np.cos(3.0 * x))


def noise_gain(window: FloatArray, rate_hz: float) -> float:
    """Return the mean of |z|**2 that noise of the one-sided density 1 per Hz gives, z scaled to a sine's amplitude.

    Parameters
    ----------
    window : float array, shape (l,)
    rate_hz : float
        Samples per second.
    """
    return 2.0 * rate_hz * float(np.sum(window**2)) / float(window.sum()) ** 2


def _turn(length: int) -> FloatArray:
    return 2.0 * np.pi * (np.arange(length) + 0.5) / length


def _kept(window: FloatArray) -> FloatArray:
    window.flags.writeable = False
    return window
