"""The sound's spectrum over time as a small table, for a picture."""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import Float32Array, IntArray
from fluewright.errors import RecordingError
from fluewright.listening.framing import windows_at
from fluewright.listening.sound import Sound, SoundArray
from fluewright.listening.windows import sine_hann

__all__ = ["Spectrogram", "spectrogram"]

_WINDOW_S = 0.046
# Windows transformed at a time: their spectra stay in the processor's cache.
_BATCH = 16
_LEAST = 1e-6


@dataclass(frozen=True, eq=False)
class Spectrogram:
    """Levels over frequency and time.

    Attributes
    ----------
    levels_db : float32 array, shape (rows, columns)
        0 dB is a sine of full scale; the first row is the lowest frequency.
    top_hz, start_s, end_s : float
        The table reaches from 0 Hz to top_hz and from start_s to end_s.
    """

    levels_db: Float32Array
    top_hz: float
    start_s: float
    end_s: float


def spectrogram(
    sound: Sound, *, start_s: float = 0.0, end_s: float | None = None, top_hz: float = 8000.0,
    columns: int = 900, rows: int = 320,
) -> Spectrogram:  # fmt: skip
    """Return levels over frequency and time; each cell holds the largest level within it.

    Parameters
    ----------
    sound : Sound
    start_s, end_s : float
        The part shown; all of it by default.
    top_hz : float
        Highest frequency, at most half of the sample rate.
    columns, rows : int
        Size of the table, 2 to 4000.

    Raises
    ------
    RecordingError
        An empty part, or a size outside its limits.
    """
    rate_hz = sound.rate_hz
    duration_s = len(sound) / rate_hz
    end_s = duration_s if end_s is None else min(end_s, duration_s)
    if not 0.0 <= start_s < end_s or not (2 <= columns <= 4000 and 2 <= rows <= 4000):
        raise RecordingError(
            f"spectrogram: nothing to show from {start_s:g} to {end_s:g} s in {columns} x {rows} cells"
        )
    top_hz = min(top_hz, 0.5 * rate_hz)
    length = round(_WINDOW_S * rate_hz)
    transform = 1 << (length - 1).bit_length() + 1
    kept = round(top_hz * transform / rate_hz)
    edges = np.unique(np.linspace(0, kept, min(rows, kept) + 1).astype(int))
    # Windows half a length apart at most, so that no attack falls between two columns.
    inside = max(math.ceil((end_s - start_s) / columns / (0.5 * _WINDOW_S)), 1)
    centres = start_s + (np.arange(columns * inside) + 0.5) * (end_s - start_s) / (columns * inside)
    starts = np.rint(centres * rate_hz).astype(np.int64) - length // 2
    sizes = np.empty((len(starts), len(edges) - 1), dtype=np.float32)
    for row in range(0, len(starts), _BATCH):
        part = slice(row, row + _BATCH)
        sizes[part] = np.maximum.reduceat(
            _sizes(sound.samples, starts[part], length, transform)[:, :kept], edges[:-1], axis=1
        )
    table = sizes.reshape(columns, inside, -1).max(axis=1).T
    levels = (20.0 * np.log10(np.maximum(table, _LEAST))).astype(np.float32)
    return Spectrogram(levels, top_hz, start_s, end_s)


def _sizes(samples: SoundArray, starts: IntArray, length: int, transform: int) -> Float32Array:
    """Return the spectra of windows at rising starts, shape (windows, bins); a sine of amplitude A has the size A."""
    from scipy.fft import rfft

    frames = windows_at(samples, starts, length) * sine_hann(length)
    return np.asarray(np.abs(rfft(frames, n=transform, axis=1)), dtype=np.float32)
