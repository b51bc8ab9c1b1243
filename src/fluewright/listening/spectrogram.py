"""The sound's spectrum over time as a small table, for a picture."""

from dataclasses import dataclass

import numpy as np

from fluewright.arrays import Float32Array
from fluewright.errors import RecordingError
from fluewright.listening.recordings import Recording

__all__ = ["Spectrogram", "spectrogram"]

_WINDOW_S = 0.046


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
    recording: Recording, *, start_s: float = 0.0, end_s: float | None = None, top_hz: float = 8000.0,
    columns: int = 900, rows: int = 320,
) -> Spectrogram:  # fmt: skip
    """Return levels over frequency and time; each cell holds the largest level within it.

    Parameters
    ----------
    recording : Recording
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
    end_s = recording.duration_s if end_s is None else min(end_s, recording.duration_s)
    if not 0.0 <= start_s < end_s or not (2 <= columns <= 4000 and 2 <= rows <= 4000):
        raise RecordingError(
            f"spectrogram: nothing to show from {start_s:g} to {end_s:g} s in {columns} x {rows} cells"
        )
    from scipy.fft import rfft

    rate = recording.rate_hz
    top_hz = min(top_hz, 0.5 * rate)
    length = round(_WINDOW_S * rate)
    window = np.hanning(length).astype(np.float32)
    window *= 2.0 / window.sum()
    transform = 1 << (length - 1).bit_length() + 1
    kept = round(top_hz * transform / rate)
    edges = np.unique(np.linspace(0, kept, min(rows, kept) + 1).astype(int))
    # Windows half a length apart at most, so that no attack falls between two columns.
    inside = max(int(np.ceil((end_s - start_s) / columns / (0.5 * _WINDOW_S))), 1)
    centres = start_s + (np.arange(columns * inside) + 0.5) * (end_s - start_s) / (columns * inside)
    starts = np.rint(centres * rate).astype(int) - length // 2
    table = np.empty((len(edges) - 1, columns), dtype=np.float32)
    for column in range(columns):
        best = np.zeros(len(edges) - 1, dtype=np.float32)
        for first in starts[column * inside : (column + 1) * inside]:
            piece = np.zeros(length, dtype=np.float32)
            a, b = max(first, 0), min(first + length, len(recording.samples))
            if b > a:
                piece[a - first : b - first] = recording.samples[a:b]
            power = np.abs(rfft(piece * window, n=transform)[:kept])
            best = np.maximum(best, np.maximum.reduceat(power, edges[:-1]))
        table[:, column] = best
    levels = (20.0 * np.log10(np.maximum(table, 1e-6))).astype(np.float32)
    return Spectrogram(levels, top_hz, start_s, end_s)
