"""How far the partials of a steady tone lie from the multiples of its fundamental."""

import math

import numpy as np

from fluewright.arrays import ComplexArray, FloatArray
from fluewright.listening.phases import turns_along, unwrapped
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["measure_inharmonicity"]


_FEWEST = 12
_LOOKED_AT = 256
# Under this the place of a partial is not told, in cents: side lobes of the others.
_LEAST_CENTS = 1e-3


def measure_inharmonicity(
    z: ComplexArray, track_hz: FloatArray, hop_s: float, *, lead: int, pitch_hz: float, noise: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how far the partials lie from multiples of the lead's own fundamental, and the uncertainty, in cents.

    Parameters
    ----------
    z : complex array, shape (m, k)
        Amplitudes of partials 1 to k in windows at three quarters of overlap, demodulated at multiples of the track.
    track_hz : float array, shape (m,)
        The pitch followed.
    hop_s : float
        Time from window to window.
    lead : int
        Order of the partial that is the measure: it lies at 0.
    pitch_hz : float
        Mean pitch.
    noise : float array, shape (k,)
        Mean of |z|**2 that noise alone would give.

    Returns
    -------
    cents, uncertainty_cents : float array, shape (k,)
        Positive when sharp; not a number for partials that are lost in noise, and all of them in a short note.
    """
    rows, count = z.shape
    cents, uncertainty = np.full(count, np.nan), np.full(count, np.nan)
    if rows < _FEWEST:
        return cents, uncertainty
    expected = 2.0 * np.pi * turns_along(track_hz, hop_s)
    stray = unwrapped(np.angle(z[:, lead - 1] * np.exp(-1j * lead * expected))) / lead
    orders = np.arange(1, count + 1)
    still = z * np.exp(-1j * (expected + stray)[:, None] * orders)
    clear = np.mean(np.square(np.abs(z)), axis=0) > 4.0 * noise
    clear[lead - 1] = True
    used = np.flatnonzero(clear)
    rough_hz = _line_hz(still[:_LOOKED_AT, used], hop_s)
    # Every second window tells all; close ones were needed for lines far from their multiple.
    slope_hz, slope_u_hz = _slope_hz(still[::2, used], rough_hz, 2.0 * hop_s)
    scale = CENTS_PER_RELATIVE / (orders[used] * pitch_hz)
    cents[used] = (rough_hz + slope_hz) * scale
    uncertainty[used] = np.hypot(slope_u_hz * scale, _LEAST_CENTS)
    cents[lead - 1] = 0.0
    return cents, uncertainty


def _line_hz(still: ComplexArray, hop_s: float) -> FloatArray:
    """Return where each partial's line lies, Hz from its multiple: top of a spectrum over the first seconds."""
    padded = 2 ** math.ceil(math.log2(4 * len(still)))
    size = np.square(np.abs(np.fft.fft(still, n=padded, axis=0)))
    top = np.argmax(size, axis=0)
    return np.asarray(np.where(top > padded // 2, top - padded, top) / (padded * hop_s), dtype=np.float64)


def _slope_hz(still: ComplexArray, rough_hz: FloatArray, hop_s: float) -> tuple[FloatArray, FloatArray]:
    """Return what is left of each line's distance in Hz once a rough one is taken off, and its uncertainty."""
    rows = len(still)
    t = (np.arange(rows) - 0.5 * (rows - 1)) * hop_s
    left = still * np.exp(-2j * np.pi * np.outer(t, rough_hz))
    left *= np.exp(-1j * np.angle(left.sum(axis=0)))
    weight = np.square(np.abs(left)) + 1e-30
    phase = unwrapped(np.angle(left))
    total = weight.sum(axis=0)
    x = t[:, None] - (weight * t[:, None]).sum(axis=0) / total
    spread = (weight * x**2).sum(axis=0)
    phase = phase - (weight * phase).sum(axis=0) / total
    slope = (weight * x * phase).sum(axis=0) / spread
    residual = phase - x * slope
    # Scatter of the phase about the line, its memory from window to window counted (1/6 for noise in half-overlapping
    # Hann windows).
    scatter = (weight * residual**2).sum(axis=0) / total * rows / max(rows - 2, 1)
    lag = (residual[1:] * residual[:-1]).sum(axis=0) / np.maximum((residual**2).sum(axis=0), 1e-30)
    memory = np.clip(lag, 1.0 / 7.0, 0.95)
    slope_u = np.sqrt(scatter * (1.0 + memory) / (1.0 - memory) * (weight**2 * x**2).sum(axis=0)) / spread
    return slope / (2.0 * np.pi), slope_u / (2.0 * np.pi)
