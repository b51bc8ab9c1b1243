"""The noise between the harmonics of a steady tone, octave by octave.

Noise means sound in the gaps between neighbouring harmonics, clear of both, taken over 354 Hz to 22.6 kHz (the octaves
of 500 Hz to 16 kHz) or to 0.48 of the sample rate. It is read in windows of 80 ms.
"""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import BoolArray, Float32Array, FloatArray
from fluewright.listening.framing import block_starts, good_length, power_densities
from fluewright.listening.medians import median
from fluewright.listening.sound import Sound
from fluewright.listening.windows import blackman_harris

__all__ = ["HIGHEST_PART", "HISS_BANDS_HZ", "HISS_REACH_HZ", "Hiss", "measure_hiss"]


#: Centres of the octave bands in which noise is told.
HISS_BANDS_HZ = (500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
#: Lower edge of the lowest and upper edge of the highest of them.
HISS_REACH_HZ = (HISS_BANDS_HZ[0] / math.sqrt(2.0), HISS_BANDS_HZ[-1] * math.sqrt(2.0))
#: Part of the sample rate up to which noise is told.
HIGHEST_PART = 0.48

_HALF_EDGES_HZ: FloatArray = np.asarray(HISS_REACH_HZ[0] * 2.0 ** (0.5 * np.arange(2 * len(HISS_BANDS_HZ) + 1)))
_WINDOW_S = 0.080
_PERIODS = 10.0
_LOBE = 4.0
_LINE_WINDOWS = 8
_LINE_SCATTER = 0.3
_LINE_CLIP = 100.0


@dataclass(frozen=True, eq=False)
class Hiss:
    """Noise in half octaves, and what else the spectrum holds there.

    Parameters
    ----------
    density : float array, shape (halves,)
        Full scale squared per Hz; not a number beyond the sample rate.
    all_power : float array, shape (halves,)
        Power with the harmonics, full scale squared.
    reach_hz : float
        Up to where the sample rate lets noise be told.
    """

    density: FloatArray
    all_power: FloatArray
    reach_hz: float

    @property
    def power(self) -> FloatArray:
        """Return the power of the noise in each half octave, shape (halves,)."""
        return np.asarray(np.nan_to_num(self.density) * self._widths_hz, dtype=np.float64)

    @property
    def total(self) -> float:
        """Return the power of all noise."""
        return float(self.power.sum())

    @property
    def bands(self) -> tuple[float, ...]:
        """Return its power by octave; not a number where the rate does not reach three quarters of the octave."""
        power, widths = self.power, self._widths_hz
        out = []
        for i in range(len(HISS_BANDS_HZ)):
            whole = float(_HALF_EDGES_HZ[2 * i + 2] - _HALF_EDGES_HZ[2 * i])
            known = float(widths[2 * i : 2 * i + 2].sum()) >= 0.75 * whole
            out.append(float(power[2 * i : 2 * i + 2].sum()) if known else math.nan)
        return tuple(out)

    @property
    def _widths_hz(self) -> FloatArray:
        return np.clip(np.minimum(_HALF_EDGES_HZ[1:], self.reach_hz) - _HALF_EDGES_HZ[:-1], 0.0, None)

    def density_at(self, freqs_hz: FloatArray) -> FloatArray:
        """Return the density at frequencies in Hz, shape (n,), as an array of that shape."""
        place = np.clip(np.searchsorted(_HALF_EDGES_HZ, freqs_hz) - 1, 0, len(self.density) - 1)
        return np.asarray(np.nan_to_num(self.density)[place], dtype=np.float64)

    def harmonics_over_noise_db(self, pitch_hz: float) -> tuple[float, ...]:
        """Return the harmonics' power over the noise by octave; not a number where no harmonic lies in it."""
        out = []
        for i, noise in enumerate(self.bands):
            low, high = float(_HALF_EDGES_HZ[2 * i]), min(float(_HALF_EDGES_HZ[2 * i + 2]), self.reach_hz)
            holds = math.floor(high / pitch_hz) * pitch_hz > low
            if not holds or not noise > 0.0:
                out.append(math.nan)
                continue
            ratio = float(np.nansum(self.all_power[2 * i : 2 * i + 2])) / noise - 1.0
            out.append(10.0 * math.log10(max(ratio, 0.1)))
        return tuple(out)


def measure_hiss(
    sound: Sound,
    *,
    part: tuple[int, int],
    track_times_s: FloatArray,
    track_hz: FloatArray,
    pitch_hz: float,
) -> Hiss:
    """Read the noise between the harmonics of a steady tone, half octave by half octave.

    Parameters
    ----------
    sound : Sound
    part : tuple of int
        Places of the steady part's first sample and behind its last.
    track_times_s, track_hz : float array, shape (m,)
        Its pitch against time; the same pitch throughout where it need not be followed.
    pitch_hz : float
        Its mean pitch.
    """
    (first, last), rate_hz = part, sound.rate_hz
    length = good_length(max(_WINDOW_S, _PERIODS / pitch_hz), rate_hz)
    length = max(16, min(length, last - first)) // 2 * 2
    starts = block_starts(first, last, length, length // 2)
    centres_s = np.asarray((starts + 0.5 * length) / rate_hz, dtype=np.float64)
    powers, bin_hz = power_densities(sound, starts, blackman_harris(length))
    reach_hz = min(HISS_REACH_HZ[1], HIGHEST_PART * rate_hz)
    low = math.ceil(HISS_REACH_HZ[0] / bin_hz)
    freqs = np.asarray(np.arange(low, int(reach_hz / bin_hz) + 1) * bin_hz, dtype=np.float64)
    powers = powers[:, low : low + len(freqs)]
    mean = powers.mean(axis=0)

    lobe = _LOBE * bin_hz / pitch_hz
    if float(np.ptp(track_hz)) == 0.0:
        gap = _in_gap(freqs / float(track_hz[0]), lobe, 0.0)
        counts = np.where(gap, len(starts), 0)
        clear_mean, clear_square = mean, np.square(powers).mean(axis=0)
    else:
        gaps = _moving_gaps(freqs, centres_s, length / rate_hz, track_times_s, track_hz, lobe)
        counts = gaps.sum(axis=0)
        clear = np.where(gaps, powers, np.float32(0.0))
        clear_mean = clear.sum(axis=0) / np.maximum(counts, 1)
        clear_square = np.square(clear).sum(axis=0) / np.maximum(counts, 1)
    used = counts >= max(1, len(starts) // 3)
    if len(starts) >= _LINE_WINDOWS:
        # The power of noise scatters from window to window by as much as its mean, that of a strange line does not.
        used &= clear_square > (1.0 + _LINE_SCATTER) * np.square(clear_mean)
    density, all_power = _by_half_octaves(freqs, bin_hz, mean, clear_mean, used)
    return Hiss(density, all_power, reach_hz)


def _in_gap(orders: FloatArray, lobe: float, moves: FloatArray | float) -> BoolArray:
    """Return where orders lie clear of whole numbers by a lobe and by what moves with the order."""
    away = np.abs(orders - np.rint(orders))
    return np.asarray(away > lobe + moves * orders, dtype=np.bool_)


def _moving_gaps(
    freqs: FloatArray, centres_s: FloatArray, window_s: float, times_s: FloatArray, track_hz: FloatArray, lobe: float
) -> BoolArray:
    """Return which bins of each window, shape (windows, bins), are clear of a pitch that moves within the window."""
    pitch = np.interp(centres_s, times_s, track_hz)
    inside = round(0.5 * window_s / max(float(times_s[1] - times_s[0]), 1e-6)) if len(times_s) > 1 else 0
    place = np.clip(np.searchsorted(times_s, centres_s), 0, len(times_s) - 1)
    reach = np.array([0.5 * float(np.ptp(track_hz[max(i - inside, 0) : i + inside + 1])) for i in place])
    return _in_gap(freqs / pitch[:, None], lobe, (reach / pitch)[:, None])


def _by_half_octaves(
    freqs: FloatArray, bin_hz: float, mean: Float32Array, clear_mean: Float32Array | FloatArray, used: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return the density of noise and the power of all sound in each half octave, shape (halves,)."""
    density, all_power = np.full(len(_HALF_EDGES_HZ) - 1, np.nan), np.full(len(_HALF_EDGES_HZ) - 1, np.nan)
    places = np.searchsorted(freqs, _HALF_EDGES_HZ)
    for i in range(len(density)):
        part = slice(int(places[i]), int(places[i + 1]))
        if part.stop - part.start < 2:
            continue
        all_power[i] = float(mean[part].sum()) * bin_hz
        clear = clear_mean[part][used[part]].astype(np.float64)
        if len(clear) < 3:
            # No gap is left: high partials of a wide vibrato. What is lowest there is mostly noise.
            density[i] = float(np.quantile(mean[part], 0.25))
            continue
        # Noise has tops where the air column resonates: its mean counts, but no line that stands far out.
        density[i] = float(np.minimum(clear, _LINE_CLIP * median(clear)).mean())
    return density, all_power
