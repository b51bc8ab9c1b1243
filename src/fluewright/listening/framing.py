"""Windows cut out of a sound, and the spectra of noise in them."""

import math
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from fluewright.arrays import Float32Array, FloatArray, IntArray
from fluewright.listening.sound import Sound

__all__ = ["block_starts", "centres_s", "good_length", "piece_of", "power_densities", "windows_at"]


_Precision = TypeVar("_Precision", bound="np.floating[Any]")


def piece_of(samples: NDArray[_Precision], first: int, stop: int) -> NDArray[_Precision]:
    """Return a sound from one place to another, silent before its start and after its end.

    Parameters
    ----------
    samples : float array, shape (n,)
    first, stop : int
        Places of the first sample and behind the last; either may lie outside the sound.

    Returns
    -------
    array of the same kind, shape (stop - first,)
        A view where the piece lies inside, else a copy.
    """
    if first >= 0 and stop <= len(samples):
        return samples[first:stop]
    piece = np.zeros(stop - first, dtype=samples.dtype)
    inside = samples[max(first, 0) : max(min(stop, len(samples)), 0)]
    piece[max(-first, 0) : max(-first, 0) + len(inside)] = inside
    return piece


def windows_at(samples: NDArray[np.floating[Any]], starts: IntArray, length: int) -> Float32Array:
    """Return windows of a sound, shape (m, length): a view, silent before the sound's start and after its end.

    Parameters
    ----------
    samples : float array, shape (n,)
    starts : int array, shape (m,)
        First sample of each window, rising.
    length : int
    """
    base = int(starts[0])
    piece = piece_of(samples, base, int(starts[-1]) + length).astype(np.float32, copy=False)
    return np.lib.stride_tricks.sliding_window_view(piece, length)[starts - base]


def block_starts(first: int, last: int, length: int, hop: int) -> IntArray:
    """Return where blocks begin, shape (m,), a hop apart, between samples `first` and `last`; one at least."""
    return np.arange(first, max(first + 1, last - length + 1), hop)


def centres_s(starts: IntArray, length: int, rate_hz: float) -> FloatArray:
    """Return the middles of blocks of a length, s, shape of `starts`."""
    return np.asarray((starts + 0.5 * (length - 1)) / rate_hz, dtype=np.float64)


def good_length(seconds: float, rate_hz: float) -> int:
    """Return an even number of samples, no shorter than a time and no fewer than 32, that transforms fast."""
    from scipy.fft import next_fast_len

    return int(next_fast_len(max(16, math.ceil(seconds * rate_hz / 2.0)), real=True)) * 2


def power_densities(sound: Sound, starts: IntArray, window: FloatArray) -> tuple[Float32Array, float]:
    """Return one-sided power densities of windows, and the width of a bin in Hz.

    The transform is as long as the window: neighbouring bins are then nearly independent.

    Parameters
    ----------
    sound : Sound
        Silent before its start and after its end.
    starts : int array, shape (m,)
        First sample of each window, rising.
    window : float array, shape (l,)

    Returns
    -------
    densities : float32 array, shape (m, l // 2 + 1)
        Full scale squared per Hz.
    bin_hz : float
    """
    from scipy.fft import rfft

    length = len(window)
    frames = windows_at(sound.samples, starts, length)
    scaled = window * math.sqrt(2.0 / (sound.rate_hz * float(np.sum(window**2))))
    spectra = rfft(frames * scaled.astype(np.float32), axis=1)
    return np.square(spectra.real) + np.square(spectra.imag), sound.rate_hz / length
