"""Stretches of a swell whose level beats, as two modes at once make it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.listening.medians import running_median
from fluewright.listening.sound import Sound

__all__ = ["Warble", "find_warbles"]


_HOP_S = 0.004
_WIDTH, _STEP = 100, 25  # of the levels: 0.4 s every 0.1 s
_EDGE_S = 0.06
_BEATS_HZ = (7.4, 60.0)
# 6 dB from top to bottom is an amplitude of one third.
_LEAST_BEAT = 0.33


@dataclass(frozen=True)
class Warble:
    """A stretch whose level beats, and how often a second."""

    start_s: float
    end_s: float
    rate_hz: float


def find_warbles(sound: Sound, spans_s: Sequence[tuple[float, float]]) -> tuple[Warble, ...]:
    """Return stretches whose level beats at 7.5 to 60 Hz by more than 6 dB from top to bottom, away from the ends.

    Parameters
    ----------
    sound : Sound
    spans_s : sequence of (float, float)
        From when to when one register sounds, in order of time.
    """
    found: list[Warble] = []
    samples, rate_hz = sound.samples, sound.rate_hz
    hop = round(_HOP_S * rate_hz)
    frequencies = np.fft.rfftfreq(_WIDTH, hop / rate_hz)
    band = (frequencies >= _BEATS_HZ[0]) & (frequencies <= _BEATS_HZ[1])
    for first_s, last_s in spans_s:
        first, last = round((first_s + _EDGE_S) * rate_hz), round((last_s - _EDGE_S) * rate_hz)
        count = (last - first) // hop
        if count < _WIDTH:
            continue
        level = np.sqrt(np.mean(np.square(samples[first : first + count * hop]).reshape(count, hop), axis=1))
        level = running_median(level, 3)
        for start in range(0, count - _WIDTH + 1, _STEP):
            spectrum = _beat_spectrum(level[start : start + _WIDTH])
            best = int(np.argmax(np.where(band, spectrum, 0.0)))
            if spectrum[best] < _LEAST_BEAT:
                continue
            begins_s = (first + start * hop) / rate_hz
            ends_s = begins_s + _WIDTH * hop / rate_hz
            if found and begins_s <= found[-1].end_s:
                found[-1] = Warble(found[-1].start_s, ends_s, found[-1].rate_hz)
            else:
                found.append(Warble(begins_s, ends_s, float(frequencies[best])))
    return tuple(found)


def _beat_spectrum(level: FloatArray) -> FloatArray:
    """Return the size of what a level does beside rising and falling slowly, relative to it."""
    places = np.arange(len(level))
    smooth = np.polynomial.Polynomial.fit(places, level, 2)(places)
    beat = level / np.maximum(smooth, 1e-9) - 1.0
    return np.abs(np.fft.rfft(beat * np.hanning(len(level)))) * 4.0 / len(level)
