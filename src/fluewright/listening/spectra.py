"""What the sound contains around each moment, and what of it is only background.

Frames are Hann-windowed stretches of about 43 ms. Powers are scaled so that a sine of amplitude A peaks at
A**2.

| symbol | meaning |
|---|---|
| `frames` | spectra, one row a frame |
| floor | mean power of noise in one bin, read between the lines of the spectrum |
| hum | lines at multiples of the mains frequency that stand through the whole recording |
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fluewright.arrays import Float32Array, FloatArray
from fluewright.listening.framing import piece_of
from fluewright.listening.medians import median
from fluewright.listening.sound import Sound, SoundArray
from fluewright.listening.windows import hann, sine_hann

__all__ = ["FramePlan", "Hum", "find_hum", "frame_spectra", "noise_floors", "plan_frames"]


_WINDOW_S = 0.0427
_PERIODS_IN_WINDOW = 7.7
_BATCH = 256
# Frames transformed at a time: their spectra stay in the processor's cache.
_CACHED = 64
# Bands in which the floor is read: wide enough that the lines of the lowest notes leave room between them.
_FLOOR_EDGES_HZ = (
    0.0,
    400.0,
    800.0,
    1300.0,
    1900.0,
    2700.0,
    3700.0,
    5000.0,
    6500.0,
    8500.0,
    11000.0,
    14000.0,
)
_FLOOR_QUANTILE = 0.25
_HIGHEST_BIN_HZ = 14_000.0
_MAINS_HZ = (50.0, 60.0)
_HUM_REACH_HZ = 1500.0
_HUM_MOMENTS = 12


@dataclass(frozen=True, eq=False)
class FramePlan:
    """How a recording is cut into frames.

    Parameters
    ----------
    rate_hz : float
        Samples per second.
    window : float32 array, shape (n,)
        Hann window, scaled so that a sine of amplitude A has the peak power A**2.
    hop : int
        Samples from one frame's centre to the next.
    transform : int
        Length of the zero-padded Fourier transform.
    bins : slice
        Bins kept, from just under the lowest pitch to 14 kHz.
    """

    rate_hz: float
    window: Float32Array
    hop: int
    transform: int
    bins: slice

    @property
    def bin_hz(self) -> float:
        """Distance of two bins in Hz."""
        return float(self.rate_hz / self.transform)

    @property
    def lobe_bins(self) -> int:
        """Half width of a line in bins (from its top to the first zero of the Hann window)."""
        return math.ceil(2.0 * self.transform / len(self.window))

    @property
    def first_hz(self) -> float:
        """Frequency of the first bin kept."""
        return float(self.bins.start * self.bin_hz)

    @property
    def bins_hz(self) -> FloatArray:
        """Frequencies of the bins kept, shape (bins,)."""
        return np.asarray(np.arange(self.bins.start, self.bins.stop) * self.bin_hz)


@dataclass(frozen=True, eq=False)
class Hum:
    """Mains hum that stands through the recording.

    Parameters
    ----------
    lines_hz, amplitudes : float array, shape (m,)
        Frequency in Hz and amplitude relative to full scale of each line; empty without hum.
    """

    lines_hz: FloatArray
    amplitudes: FloatArray

    def ceiling(self, plan: FramePlan) -> Float32Array:
        """Return the most power that the hum can show in a plan's bins, shape (bins,), however its lines add up."""
        bins_hz = plan.bins_hz
        total = np.zeros(len(bins_hz))
        for line_hz, amplitude in zip(self.lines_hz, self.amplitudes, strict=True):
            total += amplitude * _hann_response((bins_hz - line_hz) * len(plan.window) / plan.rate_hz)
        return (total**2).astype(np.float32)


def plan_frames(rate_hz: float, *, lowest_hz: float, hop_s: float = 0.010) -> FramePlan:
    """Return a plan whose window resolves the harmonics of `lowest_hz`."""
    from scipy.fft import prev_fast_len

    transform = int(prev_fast_len(round(2.0 * rate_hz * max(_WINDOW_S, _PERIODS_IN_WINDOW / lowest_hz)), real=True))
    length = transform // 2
    window = hann(length) * (2.0 / hann(length).sum())
    first = max(1, int(0.6 * lowest_hz * transform / rate_hz))
    last = int(min(_HIGHEST_BIN_HZ, 0.48 * rate_hz) * transform / rate_hz)
    hop = max(1, round(hop_s * rate_hz))
    return FramePlan(rate_hz, window.astype(np.float32), hop, transform, slice(first, last))


def frame_spectra(
    samples: SoundArray, plan: FramePlan, *, first: int = 0, stop: int | None = None
) -> Iterator[Float32Array]:
    """Yield the power spectra of successive frames in batches.

    Parameters
    ----------
    samples : float array, shape (n,)
        Sound relative to full scale, silent before its start and after its end.
    plan : FramePlan
    first, stop : int
        The first frame and the one behind the last; all of them by default. Frame i is centred on sample i * hop.

    Yields
    ------
    float32 array, shape (frames, bins)
        At most 256 frames; the power of a sine of amplitude A peaks at A**2.
    """
    from scipy.fft import rfft

    length = len(plan.window)
    before = length // 2
    count = 1 + (len(samples) - 1) // plan.hop if stop is None else stop
    padded = np.zeros((min(_CACHED, max(count - first, 0)), plan.transform), dtype=np.float32)
    for start in range(first, count, _BATCH):
        last = min(start + _BATCH, count)
        left, right = start * plan.hop - before, (last - 1) * plan.hop - before + length
        piece = piece_of(samples, left, right).astype(np.float32)
        frames = np.lib.stride_tricks.sliding_window_view(piece, length)[:: plan.hop]
        powers = np.empty((len(frames), plan.bins.stop - plan.bins.start), dtype=np.float32)
        for row in range(0, len(frames), _CACHED):
            part = powers[row : row + _CACHED]
            np.multiply(frames[row : row + _CACHED], plan.window, out=padded[: len(part), :length])
            spectrum = rfft(padded[: len(part)], axis=1)[:, plan.bins]
            np.square(spectrum.real, out=part)
            part += np.square(spectrum.imag)
        yield powers


def noise_floors(powers: Float32Array, plan: FramePlan) -> tuple[Float32Array, FloatArray]:
    """Return the mean noise power a bin in bands of each frame, and the bands' centres.

    The lower quartile of a band's bins is taken, which lines of tones (they fill up to two thirds of a band)
    hardly move; for noise, whose powers are distributed exponentially, it is -ln(3/4) times the mean.

    Parameters
    ----------
    powers : float32 array, shape (frames, bins)
        From `frame_spectra`.
    plan : FramePlan
        The plan that they were made with.

    Returns
    -------
    floors : float32 array, shape (frames, bands)
        Mean noise power in one bin.
    centres_hz : float array, shape (bands,)
        Centre of each band in Hz.
    """
    bins_hz = plan.bins_hz
    floors, centres = [], []
    for low, high in pairwise(_FLOOR_EDGES_HZ):
        first, last = np.searchsorted(bins_hz, (low, high))
        if last - first < 8:
            continue
        # Neighbouring bins of a zero-padded transform say the same twice: every second one is enough.
        band = np.ascontiguousarray(powers[:, first:last:2])
        place = int(_FLOOR_QUANTILE * band.shape[1])
        band.partition(place, axis=1)
        floors.append(band[:, place] / np.float32(-math.log(1.0 - _FLOOR_QUANTILE)))
        centres.append(0.5 * float(bins_hz[first] + bins_hz[last - 1]))
    return np.stack(floors, axis=1), np.array(centres)


def find_hum(sound: Sound, *, lowest_hz: float) -> Hum:
    """Find mains hum (50 or 60 Hz and multiples) by long spectra of the whole recording.

    Hum is only believed where a line stands under the lowest pitch, where no note can be. Lines above may
    belong to notes as well; they count with no more than 10 dB above the strongest line below.

    Parameters
    ----------
    sound : Sound
    lowest_hz : float
        Lowest pitch that a note may have, Hz.
    """
    none = Hum(np.empty(0), np.empty(0))
    length = min(len(sound), round(1.5 * sound.rate_hz))
    if length < 0.3 * sound.rate_hz:
        return none
    size, bin_hz = _standing(sound, length), sound.rate_hz / length
    best = none
    for mains_hz in _MAINS_HZ:
        hum = _lines_of(mains_hz, size, bin_hz, lowest_hz)
        if hum is not None and float(np.sum(hum.amplitudes**2)) > float(np.sum(best.amplitudes**2)):
            best = hum
    return best


def _standing(sound: Sound, length: int) -> FloatArray:
    """Return the size of what stands through a sound, in bins of a long spectrum of the lowest frequencies."""
    from scipy.fft import rfft

    window = sine_hann(length)
    reach = round(_HUM_REACH_HZ * length / sound.rate_hz) + 8
    # Hum stands through the recording: so many moments of it, evenly spread, tell as much as all.
    count = min(len(sound) // length, _HUM_MOMENTS)
    spectra = []
    for start in np.linspace(0, len(sound) - length, count).astype(int).tolist():
        spectrum = rfft(sound.samples[start : start + length].astype(np.float32) * window)[:reach]
        spectra.append(np.abs(spectrum))
    # A line that stands all the time stands in the quieter moments too.
    return np.asarray(np.quantile(np.stack(spectra), 0.25, axis=0) if count > 1 else spectra[0])


def _lines_of(mains_hz: float, size: FloatArray, bin_hz: float, lowest_hz: float) -> Hum | None:
    """Return the lines at multiples of a mains frequency that stand clear; None where none is under the notes."""
    lines_hz, amplitudes, clear = [], [], []
    for order in range(1, int(_HUM_REACH_HZ / mains_hz) + 1):
        centre = order * mains_hz / bin_hz
        spread = 2.0 + 0.004 * centre
        first, last = max(1, math.floor(centre - spread)), math.ceil(centre + spread) + 1
        top = first + int(np.argmax(size[first:last]))
        around = size[max(1, top - 24) : top + 25]
        lines_hz.append(top * bin_hz)
        amplitudes.append(1.2 * float(size[top]))  # 1.2: the top may lie between two bins
        clear.append(float(size[top]) > 5.0 * median(around) and size[top] > 1e-7)
    below = [a for f, a, c in zip(lines_hz, amplitudes, clear, strict=True) if c and f < 0.9 * lowest_hz]
    if not below:
        return None
    most = max(below) * 10.0**0.5
    kept = [(f, min(a, most)) for f, a, c in zip(lines_hz, amplitudes, clear, strict=True) if c]
    return Hum(np.array([f for f, _ in kept]), np.array([a for _, a in kept]))


def _hann_response(offset_bins: FloatArray) -> FloatArray:
    """Amplitude of the Hann window's transform at `offset_bins` (in units of 1/length), 1 at the centre."""
    x = np.asarray(offset_bins, dtype=np.float64)
    x = np.where(np.abs(np.abs(x) - 1.0) < 1e-6, 1.0 + 2e-6, x)
    response: FloatArray = np.abs(np.sinc(x) / (1.0 - x**2))
    # The zeros fill up where the mains frequency moves a little: keep the envelope of the side lobes.
    envelope = np.where(np.abs(x) > 1.8, 1.0 / (np.pi * np.abs(x) * np.abs(x**2 - 1.0) + 1e-9), 0.0)
    return np.maximum(response, np.minimum(envelope, 1.0))
