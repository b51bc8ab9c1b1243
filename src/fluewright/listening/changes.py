"""When one pitch gives way to another.

The partials of both pitches are fitted together to short windows, so that two notes a semitone apart, one still ringing
while the other begins, are told from each other although no such window resolves them. The moment is the one that
leaves the least on its wrong side: before it the first pitch is the stronger one, after it the second.

| symbol | meaning |
|---|---|
| own partial | a partial of one pitch that does not lie on one of the other's |
| lead | natural logarithm of the second pitch's level over the first's |
"""

import math

import numpy as np

from fluewright.arrays import FloatArray, IntArray
from fluewright.listening.medians import median
from fluewright.listening.sound import Sound
from fluewright.listening.windows import hann

__all__ = ["change_s", "own_partials"]


_WINDOW_S = 0.025
_LONGEST_WINDOW_S = 0.060
_PERIODS = 6.0
# The window holds this part of a beat of the two pitches; with less of it noise would decide.
_BEATS = 0.6
_HOP_S = 0.0025
_OWN = 3
_TRIED = 8
# Partials nearer than this, relative to their frequency, count as one.
_SHARED = 0.02
_RIDGE = 1e-3
# Far from the change the ratio says no more than that it is far.
_MOST_LEAD = 3.0
# A product of matrices with more multiplications is handed to threads, whose start costs more than they save here.
_PRODUCT = 250_000


def change_s(sound: Sound, *, near_s: float, reach_s: float, before_hz: float, after_hz: float) -> float | None:
    """Return when one pitch gives way to another.

    Where both have partials of their own it is when those of the second have become the stronger ones. Of an octave the
    upper pitch has none; then it is when the lower one's pass half of their own level.

    Parameters
    ----------
    sound : Sound
    near_s, reach_s : float
        The moment is looked for at most `reach_s` from `near_s`.
    before_hz, after_hz : float
        The two pitches in Hz.

    Returns
    -------
    float or None
        Seconds from the first sample; None where the sound does not show it.
    """
    rate_hz = sound.rate_hz
    first = own_partials(before_hz, after_hz, rate_hz, shared_part=_SHARED)
    second = own_partials(after_hz, before_hz, rate_hz, shared_part=_SHARED)
    beat_s = _BEATS / max(abs(after_hz - before_hz), 1e-9)
    length_s = max(_WINDOW_S, _PERIODS / min(before_hz, after_hz), min(beat_s, _LONGEST_WINDOW_S))
    length = round(length_s * rate_hz) // 2 * 2
    centres = np.arange(near_s - reach_s, near_s + reach_s + 0.5 * _HOP_S, _HOP_S)
    starts = np.rint(centres * rate_hz).astype(np.int64) - length // 2
    inside = (starts >= 0) & (starts + length <= len(sound))
    centres, starts = centres[inside], starts[inside]
    if len(centres) < 4 or not (first or second):
        return None
    levels = _levels(sound, starts, length, first, second)
    lead = _lead(*levels, with_first=bool(first), with_second=bool(second))
    if lead is None:
        return None
    # What lies on the wrong side of the moment weighs against it: the sum up to it is least.
    sums = np.concatenate([[0.0], np.cumsum(np.clip(lead, -_MOST_LEAD, _MOST_LEAD))])
    place = int(np.argmin(sums))
    if place in (0, len(lead)):
        return None
    low, high = float(lead[place - 1]), float(lead[place])
    part = -low / (high - low) if low < 0.0 < high else 0.5
    return float(centres[place - 1] + part * (centres[place] - centres[place - 1]))


def own_partials(
    own_hz: float, other_hz: float, rate_hz: float, *, shared_part: float = 0.0, shared_hz: float = 0.0
) -> list[float]:
    """Return the first three partials of a pitch, in Hz, that are none of another's.

    Parameters
    ----------
    own_hz, other_hz : float
    rate_hz : float
        Samples per second; partials over 0.45 of it are left out.
    shared_part, shared_hz : float
        Partials nearer than this, relative to their frequency or in Hz, count as one.
    """
    found: list[float] = []
    for order in range(1, _TRIED + 1):
        at_hz = order * own_hz
        if at_hz > 0.45 * rate_hz or len(found) == _OWN:
            break
        apart_hz = abs(at_hz - max(round(at_hz / other_hz), 1) * other_hz)
        if apart_hz > max(shared_part * at_hz, shared_hz):
            found.append(at_hz)
    return found


def _levels(
    sound: Sound,
    starts: IntArray,
    length: int,
    first: list[float],
    second: list[float],
) -> tuple[FloatArray, FloatArray]:
    """Return the levels of both pitches in each window: least squares for all partials together."""
    turns = 2.0 * np.pi * np.array(first + second) / sound.rate_hz
    place = np.arange(length) - 0.5 * (length - 1)
    waves = np.exp(1j * np.outer(place, turns))
    heavy = (waves.conj() * hann(length)[:, None]).T
    normal = heavy @ waves
    normal += _RIDGE * np.diag(np.diag(normal).real)
    gain = np.linalg.solve(normal, heavy)
    both = np.concatenate([gain.real, gain.imag]).astype(np.float32).T
    base = int(starts[0])
    piece = sound.samples[base : int(starts[-1]) + length].astype(np.float32)
    windows = np.lib.stride_tricks.sliding_window_view(piece, length)
    step = max(_PRODUCT // both.size, 1)
    parts = [windows[starts[row : row + step] - base] @ both for row in range(0, len(starts), step)]
    found = np.square(np.concatenate(parts), dtype=np.float64)
    power = found[:, : len(normal)] + found[:, len(normal) :]
    count = len(first)
    return np.sqrt(power[:, :count].sum(axis=1)), np.sqrt(power[:, count:].sum(axis=1))


def _lead(before: FloatArray, after: FloatArray, *, with_first: bool, with_second: bool) -> FloatArray | None:
    if with_first and with_second:
        return np.asarray(np.log((after + 1e-12) / (before + 1e-12)), dtype=np.float64)
    size, sign = (before, -1.0) if with_first else (after, 1.0)
    edge = max(len(size) // 6, 2)
    start, end = median(size[:edge]), median(size[-edge:])
    top, rest = (start, end) if with_first else (end, start)
    if top < 2.0 * rest or not math.isfinite(top):
        return None
    return np.asarray(sign * np.log((size + 1e-12) / (0.5 * (top + rest) + 1e-12)), dtype=np.float64)
