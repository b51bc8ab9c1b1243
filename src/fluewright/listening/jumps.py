"""When one register gives way to another within a breath.

The moment is where the sound of one pitch gives way to that of the other, by the power of their own partials in short
windows. Of an octave the upper pitch has none; then the lower one's alone decide.
"""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import BoolArray, FloatArray
from fluewright.listening.changes import own_partials
from fluewright.listening.medians import running_median
from fluewright.listening.sound import Sound

__all__ = ["Jump", "jump_s"]


_WINDOW_S = 0.012
_PERIODS = 4.0
_HOP_S = 0.002
_BEYOND_S = 0.12
# Partials nearer than this part of the lower pitch count as one.
_SHARED = 0.25


@dataclass(frozen=True)
class Jump:
    """A change of register within the breath.

    Attributes
    ----------
    time_s : float
    up : bool
    before_hz, after_hz, before_db, after_db : float
        Pitch and level just before and after; 0 dB is a sine of full scale.
    pressure_pa : float
        NaN without a breath log.
    """

    time_s: float
    up: bool
    before_hz: float
    after_hz: float
    before_db: float
    after_db: float
    pressure_pa: float = math.nan


def jump_s(sound: Sound, *, between_s: tuple[float, float], before_hz: float, after_hz: float) -> float:
    """Return when one pitch gives way to the other: where partials that only one has pass half of their own level.

    Parameters
    ----------
    sound : Sound
    between_s : (float, float)
        When the first pitch was last seen and the second first.
    before_hz, after_hz : float
        The two pitches.

    Returns
    -------
    float
        Seconds from the first sample; half-way between where the sound does not show it.
    """
    rate_hz = sound.rate_hz
    middle = 0.5 * (between_s[0] + between_s[1])
    reach = 0.5 * (between_s[1] - between_s[0]) + _BEYOND_S
    length = round(max(_WINDOW_S, _PERIODS / min(before_hz, after_hz)) * rate_hz)
    centres = np.arange(middle - reach, middle + reach, _HOP_S)
    starts = np.rint(centres * rate_hz).astype(int) - length // 2
    kept = (starts >= 0) & (starts + length <= len(sound))
    if kept.sum() < 10:
        return middle
    frames = np.lib.stride_tricks.sliding_window_view(sound.samples, length)[starts[kept]] * np.hanning(length)
    shares = []
    for own_hz, other_hz, rising in ((before_hz, after_hz, False), (after_hz, before_hz, True)):
        partials = own_partials(own_hz, other_hz, rate_hz, shared_hz=_SHARED * min(own_hz, other_hz))
        share = _share(_amount(frames, partials, rate_hz), rising=rising) if partials else None
        if share is not None:
            shares.append(share)
    if not shares:
        return middle
    return _half_way(centres[kept], running_median(np.mean(shares, axis=0), 5) >= 0.5, middle)


def _amount(frames: FloatArray, partials_hz: list[float], rate_hz: float) -> FloatArray:
    """Return the amplitude of some partials together in each frame."""
    t = np.arange(frames.shape[1]) / rate_hz
    total = np.zeros(len(frames))
    for hz in partials_hz:
        total += np.abs(frames @ np.exp(-2j * np.pi * hz * t)) ** 2
    return np.sqrt(total)


def _share(size: FloatArray, *, rising: bool) -> FloatArray | None:
    """Return how far the second pitch has come, 0 to 1, by partials that grow or fade; None where they hardly do."""
    edge = max(len(size) // 6, 3)
    top = float(np.median(size[-edge:] if rising else size[:edge]))
    rest = float(np.median(size[:edge] if rising else size[-edge:]))
    if top <= 2.0 * rest:
        return None
    part = np.clip((size - rest) / (top - rest), 0.0, 1.0)
    return part if rising else 1.0 - part


def _half_way(at_s: FloatArray, second: BoolArray, middle_s: float) -> float:
    """Return the last place that still belongs to the first pitch; `second` is where the second one has taken over."""
    first = np.flatnonzero(~second)
    if len(first) == 0 or first[-1] == len(at_s) - 1:
        over = np.flatnonzero(second)
        return float(at_s[over[0]]) if len(over) else middle_s
    return float(0.5 * (at_s[first[-1]] + at_s[first[-1] + 1]))
