"""A regular swing of the pitch: how fast and how wide, told from drift and from a wavering tone."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fluewright.arrays import BoolArray, FloatArray, IntArray
from fluewright.listening.curves import top_between

__all__ = ["Vibrato", "find_vibrato"]


_RATES_HZ = (2.5, 10.0)
_STEP_S = 0.011
_PIECE_S = 1.6
_TURNS = 2.5
_LEAST_CENTS = 3.0
_SHARE = 0.60
_SHARE_ALONE = 0.75
_TREND_HZ = 1.2


@dataclass(frozen=True)
class Vibrato:
    """A regular swing of the pitch.

    Parameters
    ----------
    rate_hz : float
        Swings a second.
    extent_cents : float
        Largest deviation to either side of the mean (half of the whole swing).
    """

    rate_hz: float
    extent_cents: float


def find_vibrato(cents: FloatArray, hop_s: float, window_s: float) -> Vibrato | None:
    """Find a regular swing of the pitch: a sine that explains most of what is not slow.

    Long notes are looked at in pieces of 1.6 s at half overlap, so that the swing may change slowly; half of the
    pieces must hold it, at about one rate.

    Parameters
    ----------
    cents : float array, shape (m,)
        Pitch through the note, from windows that follow each other.
    hop_s, window_s : float
        Time from window to window, and their length.

    Returns
    -------
    Vibrato or None
        None where the pitch does not swing regularly, or the note is too short to tell.
    """
    thin = max(1, int(_STEP_S / hop_s))
    whole = len(cents) // thin
    values = cents[: whole * thin].reshape(whole, thin).mean(axis=1)
    step_s = thin * hop_s
    if whole * step_s * _RATES_HZ[1] < _TURNS + 1.0 or whole < 12:
        return None
    count = min(whole, round(_PIECE_S / step_s))
    basis = _basis(count, step_s)
    if len(basis.rates_hz) < 3:
        return None
    places = np.unique(np.linspace(0, whole - count, 1 + math.ceil(2.0 * (whole - count) / count)).astype(np.int64))
    rate, extent, share, inner = _best_swings(values, places, count, basis)
    # What windows and differences of phase take off a swing is given back.
    x = rate * window_s
    extent = extent / (np.sinc(rate * step_s) * np.sinc(x) / (1.0 - x**2))
    good = inner & (extent >= _LEAST_CENTS)
    good &= share >= (_SHARE_ALONE if len(places) == 1 else _SHARE)
    if good.sum() < max(1.0, 0.5 * len(places)):
        return None
    found = float(np.median(rate[good]))
    same = good & (np.abs(rate - found) < 0.15 * found)
    if same.sum() < max(1.0, 0.5 * len(places)):
        return None
    weight = extent[same] ** 2
    return Vibrato(float(weight @ rate[same] / weight.sum()), float(np.mean(extent[same])))


@dataclass(frozen=True, eq=False)
class _Basis:
    """What a piece is laid out in: what is slow, shape (count, slow), and swings clear of it, shape (rates, count)."""

    trend: FloatArray
    rates_hz: FloatArray
    cosines: FloatArray
    sines: FloatArray


@lru_cache(maxsize=32)
def _basis(count: int, hop_s: float) -> _Basis:
    span = count * hop_s
    t = (np.arange(count) + 0.5) * hop_s
    slow = max(1, int(2.0 * span * _TREND_HZ))
    columns = [np.cos(np.pi * j * t / span) for j in range(slow + 1)]
    trend = np.linalg.qr(np.stack([*columns, t - 0.5 * span], axis=1))[0]
    lowest = max(_RATES_HZ[0], _TURNS / span)
    rates = np.arange(lowest, _RATES_HZ[1] + 1e-9, 0.125 / span)
    angles = 2.0 * np.pi * np.outer(rates, t - 0.5 * span)
    cosines, sines = np.cos(angles), np.sin(angles)
    cosines -= cosines @ trend @ trend.T
    sines -= sines @ trend @ trend.T
    return _Basis(np.asarray(trend, dtype=np.float64), rates, cosines, sines)


def _best_swings(
    values: FloatArray, places: IntArray, count: int, basis: _Basis
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """Return the swing that explains most in each piece: rate, extent, its share, and whether it is a top itself."""
    pieces = np.lib.stride_tricks.sliding_window_view(values, count)[places]
    rest = pieces - pieces @ basis.trend @ basis.trend.T
    # A slip of the tracking (at a crack or a click) must not pass for a swing, nor hide one.
    bound = 4.0 * np.median(np.abs(rest), axis=1, keepdims=True)
    rest = np.clip(rest, -bound, bound)
    rates, cosines, sines = basis.rates_hz, basis.cosines, basis.sines
    c, s = rest @ cosines.T, rest @ sines.T
    cc, ss, cs = np.sum(cosines**2, axis=1), np.sum(sines**2, axis=1), np.sum(cosines * sines, axis=1)
    explained = (c * c * ss - 2.0 * c * s * cs + s * s * cc) / (cc * ss - cs * cs)
    best = np.argmax(explained, axis=1)
    row = np.arange(len(places))
    share = explained[row, best] / np.maximum(np.sum(rest**2, axis=1), 1e-12)
    inner = (best > 0) & (best < len(rates) - 1)
    near = np.clip(best, 1, len(rates) - 2)
    left, middle, right = (explained[row, near + d] for d in (-1, 0, 1))
    shift = np.clip(top_between(left, middle, right), -1.0, 1.0)
    rate = rates[near] + shift * (rates[1] - rates[0])
    det = cc[near] * ss[near] - cs[near] ** 2
    a = (c[row, near] * ss[near] - s[row, near] * cs[near]) / det
    b = (s[row, near] * cc[near] - c[row, near] * cs[near]) / det
    return rate, np.hypot(a, b), share, inner
