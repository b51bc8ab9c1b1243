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
from fluewright.listening.medians import median

__all__ = [
    "FramePlan",
    "Hum",
    "Thinner",
    "find_hum",
    "frame_spectra",
    "noise_floors",
    "plan_frames",
    "thin_out",
]


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
        """Return the most power that the hum can show in each bin of `plan`, however its lines add up."""
        bins_hz = np.arange(plan.bins.start, plan.bins.stop) * plan.bin_hz
        total = np.zeros(len(bins_hz))
        for line_hz, amplitude in zip(self.lines_hz, self.amplitudes, strict=True):
            total += amplitude * _hann_response((bins_hz - line_hz) * len(plan.window) / plan.rate_hz)
        return (total**2).astype(np.float32)


def plan_frames(rate_hz: float, *, lowest_hz: float, hop_s: float = 0.010) -> FramePlan:
    """Return a plan whose window resolves the harmonics of `lowest_hz`."""
    from scipy.fft import prev_fast_len

    transform = int(prev_fast_len(round(2.0 * rate_hz * max(_WINDOW_S, _PERIODS_IN_WINDOW / lowest_hz)), real=True))
    length = transform // 2
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(length) + 0.5) / length)
    window *= 2.0 / window.sum()
    first = max(1, int(0.6 * lowest_hz * transform / rate_hz))
    last = int(min(_HIGHEST_BIN_HZ, 0.48 * rate_hz) * transform / rate_hz)
    hop = max(1, round(hop_s * rate_hz))
    return FramePlan(rate_hz, window.astype(np.float32), hop, transform, slice(first, last))


def frame_spectra(
    samples: FloatArray, plan: FramePlan, *, first: int = 0, stop: int | None = None
) -> Iterator[Float32Array]:
    """Yield the power spectra of successive frames in batches of shape (up to 256, bins).

    Frame i is centred on sample i * hop; the sound is taken as silent before its start and after its end. Frames
    `first` to `stop` - 1 are made, all of them if not said otherwise.
    """
    from scipy.fft import rfft

    length = len(plan.window)
    before = length // 2
    count = 1 + (len(samples) - 1) // plan.hop if stop is None else stop
    padded = np.zeros((min(_CACHED, max(count - first, 0)), plan.transform), dtype=np.float32)
    for start in range(first, count, _BATCH):
        last = min(start + _BATCH, count)
        left, right = start * plan.hop - before, (last - 1) * plan.hop - before + length
        piece = np.zeros(right - left, dtype=np.float32)
        inside = samples[max(left, 0) : min(right, len(samples))]
        piece[max(-left, 0) : max(-left, 0) + len(inside)] = inside
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
    bins_hz = np.arange(plan.bins.start, plan.bins.stop) * plan.bin_hz
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


def find_hum(samples: FloatArray, rate_hz: float, *, lowest_hz: float) -> Hum:
    """Find mains hum (50 or 60 Hz and multiples) by long spectra of the whole recording.

    Hum is only believed where a line stands under the lowest pitch, where no note can be. Lines above may
    belong to notes as well; they count with no more than 10 dB above the strongest line below.
    """
    from scipy.fft import rfft

    none = Hum(np.empty(0), np.empty(0))
    length = min(len(samples), round(1.5 * rate_hz))
    if length < 0.3 * rate_hz:
        return none
    window = np.hanning(length).astype(np.float32)
    window *= 2.0 / window.sum()
    reach = round(_HUM_REACH_HZ * length / rate_hz) + 8
    # Hum stands through the recording: so many moments of it, evenly spread, tell as much as all.
    count = min(len(samples) // length, _HUM_MOMENTS)
    spectra = []
    for start in np.linspace(0, len(samples) - length, count).astype(int).tolist():
        spectrum = rfft(samples[start : start + length].astype(np.float32) * window)[:reach]
        spectra.append(np.abs(spectrum))
    # A line that stands all the time stands in the quieter moments too.
    size = np.quantile(np.stack(spectra), 0.25, axis=0) if count > 1 else spectra[0]
    bin_hz = rate_hz / length
    best = none
    for mains_hz in _MAINS_HZ:
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
            continue
        most = max(below) * 10.0**0.5
        kept = [(f, min(a, most)) for f, a, c in zip(lines_hz, amplitudes, clear, strict=True) if c]
        hum = Hum(np.array([f for f, _ in kept]), np.array([a for _, a in kept]))
        if float(np.sum(hum.amplitudes**2)) > float(np.sum(best.amplitudes**2)):
            best = hum
    return best


class Thinner:
    """Brings sound to a rate under 88.2 kHz, which holds all that is measured, block by block.

    A windowed-sinc low-pass (Blackman, 48 periods of the new rate) goes before each whole-number reduction; the sound
    is taken as silent before its start.

    Parameters
    ----------
    rate_hz : float
        Samples per second of the blocks.
    """

    def __init__(self, rate_hz: float) -> None:
        self._factor = int(rate_hz // 44_100)
        if self._factor < 2:
            self._factor = 1
        self.rate_hz = rate_hz / self._factor
        self._half = 24 * self._factor
        place = np.arange(-self._half, self._half + 1)
        kernel = np.sinc(0.92 * place / self._factor) * np.blackman(2 * self._half + 1)
        self._kernel = kernel / kernel.sum()
        self._waiting = np.zeros(self._half)

    def push(self, block: FloatArray) -> FloatArray:
        """Return the thinned samples that are complete with this block; they lag by half the low-pass, 0.6 ms."""
        if self._factor == 1:
            return block
        self._waiting = np.concatenate([self._waiting, block])
        count = max((len(self._waiting) - len(self._kernel)) // self._factor + 1, 0)
        thinned = np.empty(count)
        step = 16_384
        for start in range(0, count, step):
            stop = min(start + step, count)
            piece = self._waiting[start * self._factor : (stop - 1) * self._factor + len(self._kernel)]
            views = np.lib.stride_tricks.sliding_window_view(piece, len(self._kernel))
            thinned[start:stop] = views[:: self._factor] @ self._kernel
        self._waiting = self._waiting[count * self._factor :].copy()
        return thinned

    def flush(self) -> FloatArray:
        """Return what still waits, as if silence followed, and begin anew."""
        if self._factor == 1:
            return np.empty(0)
        rest = self.push(np.zeros(self._half))
        self._waiting = np.zeros(self._half)
        return rest


def thin_out(samples: FloatArray, rate_hz: float) -> tuple[FloatArray, float]:
    """Return the whole sound at a rate under 88.2 kHz, and that rate; see `Thinner`."""
    if rate_hz < 2.0 * 44_100:
        return samples, rate_hz
    thinner = Thinner(rate_hz)
    return np.concatenate([thinner.push(samples), thinner.flush()]), thinner.rate_hz


def _hann_response(offset_bins: FloatArray) -> FloatArray:
    """Amplitude of the Hann window's transform at `offset_bins` (in units of 1/length), 1 at the centre."""
    x = np.asarray(offset_bins, dtype=np.float64)
    x = np.where(np.abs(np.abs(x) - 1.0) < 1e-6, 1.0 + 2e-6, x)
    response: FloatArray = np.abs(np.sinc(x) / (1.0 - x**2))
    # The zeros fill up where the mains frequency moves a little: keep the envelope of the side lobes.
    envelope = np.where(np.abs(x) > 1.8, 1.0 / (np.pi * np.abs(x) * np.abs(x**2 - 1.0) + 1e-9), 0.0)
    return np.maximum(response, np.minimum(envelope, 1.0))
