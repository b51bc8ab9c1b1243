"""The burst of noise with which a note begins: how long it is, and how much energy it has.

Noise is followed in the gaps between the harmonics, in windows of seven periods whose side lobes are 58 dB down. What
stands there apart from noise, such as the click of a tone that begins within a period or two, is counted with it.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from fluewright.arrays import BoolArray, FloatArray
from fluewright.listening.attack import NoteStart
from fluewright.listening.curves import crossing
from fluewright.listening.framing import good_length, power_densities
from fluewright.listening.hiss import HIGHEST_PART, HISS_REACH_HZ
from fluewright.listening.medians import median
from fluewright.listening.notes import HeardNote
from fluewright.listening.sound import Sound
from fluewright.listening.windows import blackman

__all__ = ["OnsetNoise", "follow_noise", "measure_chiff"]


_HOP_S = 0.005
_WINDOW_S = 0.010
_PERIODS = 7.0
_LOBE = 2.9
_BEFORE_S = 0.150
_AFTER_S = 0.450
_LATEST_S = 0.250
_BANDS_HZ = (HISS_REACH_HZ[0], 2828.4, 5656.9, 11313.7, HISS_REACH_HZ[1])
_CLIP = 12.0
_END = 0.25
_SMOOTH = (0.25, 0.5, 0.25)
_CHANCE = 5.0
_REFERENCE_S = 0.100


@dataclass(frozen=True, eq=False)
class OnsetNoise:
    """Noise through the onset of a note.

    Parameters
    ----------
    times_s : float array, shape (m,)
        Centres of the windows.
    power : float array, shape (m,)
        Of all noise, full scale squared.
    density : float array, shape (m,)
        In the lowest band, full scale squared per Hz.
    window_s : float
    spread_s : float
        By how much the window lengthens a burst at its 6 dB points.
    """

    times_s: FloatArray
    power: FloatArray
    density: FloatArray
    window_s: float
    spread_s: float


def follow_noise(sound: Sound, note: HeardNote, before_s: float) -> OnsetNoise:
    """Follow the noise in the gaps round a note's onset, every 5 ms.

    Parameters
    ----------
    sound : Sound
        At a rate from `thin_out`.
    note : HeardNote
    before_s : float
        When the note before ended; minus infinity before the first.
    """
    pitch_hz, rate_hz = note.frequency_hz, sound.rate_hz
    length = good_length(max(_WINDOW_S, _PERIODS / pitch_hz), rate_hz)
    window = blackman(length)
    window_s = length / rate_hz
    # The tail of the note before is kept out.
    begin = max(note.onset_s - _BEFORE_S, before_s + 0.5 * window_s, 0.0)
    end = min(note.onset_s + _AFTER_S, max(note.offset_s - 0.5 * window_s - 0.02, note.onset_s + 0.02))
    begin = min(begin, note.onset_s)
    times = np.arange(begin, max(end, begin + 2.5 * _HOP_S), _HOP_S)
    starts = np.rint(times * rate_hz).astype(np.int64) - length // 2
    powers, bin_hz = power_densities(sound, starts, window)
    reach_hz = HIGHEST_PART * rate_hz
    orders = np.arange(powers.shape[1]) * (bin_hz / pitch_hz)
    gap = np.abs(orders - np.rint(orders)) * pitch_hz >= _LOBE * bin_hz
    total = np.zeros(len(times))
    lowest = np.zeros(len(times))
    for i, (low, high) in enumerate(pairwise(_BANDS_HZ)):
        top = min(high, reach_hz)
        if top <= low:
            break
        first, last = math.ceil(low / bin_hz), int(top / bin_hz)
        places = first + np.flatnonzero(gap[first : last + 1])
        if len(places) == 0:
            places = np.arange(first, last + 1)
        band = powers[:, places]
        # A line of another sound (the last note's echo) counts no more than noise might.
        half = len(places) // 2
        middle = np.partition(band, half, axis=1)[:, half, None]
        density = np.minimum(band, _CLIP * middle).mean(axis=1)
        if i == 0:
            lowest = density.astype(np.float64)
        total += density * (top - low)
    return OnsetNoise(times, total, lowest, window_s, _spread_s(length, rate_hz))


@lru_cache(maxsize=64)
def _spread_s(length: int, rate_hz: float) -> float:
    """Return by how much windows, smoothed over three, lengthen a sudden burst between its 6 dB points."""
    hop = round(_HOP_S * rate_hz)
    shape = np.zeros(length + 2 * hop)
    for start, share in zip((0, hop, 2 * hop), _SMOOTH, strict=True):
        shape[start : start + length] += share * blackman(length) ** 2
    total = np.cumsum(shape)
    quarter = float(np.interp(_END * total[-1], total, np.arange(len(shape))))
    return (len(shape) - 2.0 * quarter) / rate_hz


def measure_chiff(
    noise: OnsetNoise, start: NoteStart, *, onset_s: float, tone_power: float, noise_power: float
) -> tuple[float, float]:
    """Return the energy and the length of the burst of noise at the onset.

    Parameters
    ----------
    noise : OnsetNoise
    start : NoteStart
        The harmonics beside it: noise that goes with the tone grows with their power.
    onset_s : float
        When the note begins.
    tone_power, noise_power : float
        Of the steady part, full scale squared.

    Returns
    -------
    chiff_db : float
        Against 0.1 s of the steady tone; not a number where no burst stands out.
    chiff_s : float
        How long it stays within 6 dB of its top; 0 where there is none, not a number where the note is too short.
    """
    times, power = noise.times_s, noise.power
    if len(times) < 6:
        return math.nan, math.nan
    late = power[times > min(onset_s + 0.2, onset_s + 0.6 * (times[-1] - onset_s))]
    usual = median(late) if len(late) >= 5 else noise_power
    base = _usual_noise(noise, start, onset_s, usual)
    excess = power - base
    smooth = excess.copy()
    a, b, c = _SMOOTH
    smooth[1:-1] = a * excess[:-2] + b * excess[1:-1] + c * excess[2:]
    # Chance alone lifts noise over what it usually is: by how much, the steady part tells.
    chance = float(np.std(late)) if len(late) >= 5 else 0.5 * usual
    near = times <= onset_s + _LATEST_S
    top = int(np.argmax(np.where(near, smooth, -np.inf)))
    height = float(smooth[top])
    if height < max(float(base[top]), _CHANCE * chance, 1e-7 * tone_power):
        return math.nan, 0.0
    limit = _END * height
    first, last = _round_top(smooth > limit, top)
    begins = crossing(times, smooth, first - 1, limit) if first > 0 else float(times[0])
    ends = crossing(times, smooth, last, limit) if last < len(smooth) - 1 else float(times[-1])
    more = math.ceil(noise.window_s / _HOP_S)
    energy = float(np.sum(excess[max(first - more, 0) : last + more + 1])) * _HOP_S
    if energy <= 0.0:
        return math.nan, 0.0
    chiff_db = 10.0 * math.log10(energy / (tone_power * _REFERENCE_S))
    return chiff_db, max(ends - begins - noise.spread_s, 0.25 * noise.window_s)


def _usual_noise(noise: OnsetNoise, start: NoteStart, onset_s: float, usual: float) -> FloatArray:
    """Return the power of the room's noise and of that which goes with the tone, shape (m,)."""
    early = np.sort(noise.power[noise.times_s < onset_s - 0.5 * noise.window_s])
    room = float(early[len(early) // 5]) if len(early) >= 4 else 0.0
    room = min(room, usual)
    grown = np.interp(noise.times_s, start.times_s, np.minimum(start.amplitude / start.full, 1.0))
    return np.asarray(room + (usual - room) * grown**2, dtype=np.float64)


def _round_top(over: BoolArray, top: int) -> tuple[int, int]:
    """Return the first and last place round a top that are over the limit; single gaps are passed over."""
    first = last = top
    while first > 0 and over[max(first - 2, 0) : first].any():
        first -= 1
    while last < len(over) - 1 and over[last + 1 : last + 3].any():
        last += 1
    while not over[first]:
        first += 1
    while not over[last]:
        last -= 1
    return first, last
