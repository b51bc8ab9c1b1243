"""How the harmonics of one note run in amplitude and phase, and how much noise stands between them.

| symbol | meaning |
|---|---|
| z | complex amplitude of a harmonic in one block: A exp(j phase at the block's centre) |
| blocks | Hann-windowed stretches at half overlap, so that all blocks together weigh every sample alike |
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from fluewright.arrays import ComplexArray, FloatArray, IntArray
from fluewright.listening.framing import block_starts, centres_s, piece_of
from fluewright.listening.medians import column_medians, median
from fluewright.listening.sound import Sound, SoundArray
from fluewright.listening.windows import blackman_harris, hann, noise_gain
from fluewright.units import CENTS_PER_OCTAVE, shifted

__all__ = ["Partials", "demodulate", "measure_partials"]


_BLOCK_S = 0.0213
_BLOCK_PERIODS = 5.0
_NOISE_S = 0.080
_NOISE_PERIODS = 10.0
# Noise is read here between the harmonics: clear of the lines at 1/2 and 1/3 that overblown notes may keep.
_GAP = 0.42
# Blocks are demodulated in groups of nearly equal pitch; at this width a harmonic never leaves the window's
# top.
_GROUP_CENTS = 6.0
_NOISE_GROUP_CENTS = 16.0
# A product of matrices with more multiplications is handed to threads, whose start costs more than they save here.
_PRODUCT = 250_000
_FINE = 64


@dataclass(frozen=True, eq=False)
class Partials:
    """Harmonics of one stretch of sound.

    Parameters
    ----------
    times_s : float array, shape (m,)
        Centres of the blocks in seconds from the start of the recording.
    hop_s, block_s : float
        Distance and length of the blocks in seconds.
    pitch_hz : float array, shape (m,)
        The pitch followed, in Hz.
    amplitudes : complex array, shape (m, k)
        z of harmonics 1 to k.
    noise_power : float array, shape (k,)
        Mean of |z|**2 that noise alone would give in one block.
    noise_density : float array, shape (k,)
        One-sided noise density around each harmonic, full scale squared per Hz.
    """

    times_s: FloatArray
    hop_s: float
    block_s: float
    pitch_hz: FloatArray
    amplitudes: ComplexArray
    noise_power: FloatArray
    noise_density: FloatArray


def measure_partials(
    sound: Sound,
    *,
    start_s: float,
    end_s: float,
    track_times_s: FloatArray,
    track_hz: FloatArray,
    count: int = 8,
) -> Partials:
    """Demodulate the harmonics of a tone that follows a known pitch.

    Parameters
    ----------
    sound : Sound
    start_s, end_s : float
        Stretch to measure; all blocks lie within it.
    track_times_s, track_hz : float array, shape (t,)
        The pitch, to a few cents, against time.
    count : int
        Harmonics wanted; those above 0.45 of the rate are left out.

    Returns
    -------
    Partials
        At least one block, if need be shorter than usual.
    """
    samples, rate_hz, middle_hz = sound.samples, sound.rate_hz, median(track_hz)
    count = max(1, min(count, int(0.45 * rate_hz / middle_hz)))
    first = max(0, round(start_s * rate_hz))
    last = min(len(samples), round(end_s * rate_hz))
    length = round(max(_BLOCK_S, _BLOCK_PERIODS / middle_hz) * rate_hz)
    length = max(16, min(length, (last - first) // 2)) // 2 * 2
    hop = length // 2
    starts = block_starts(first, last, length, hop)
    starts += max(last - length - int(starts[-1]), 0) // 2  # what is left over goes to both ends
    window = hann(length)
    times = centres_s(starts, length, rate_hz)
    pitch = np.interp(times, track_times_s, track_hz)
    z = demodulate(samples, rate_hz, starts, window, pitch, count=count)
    density = _noise_between(sound, (first, last), (track_times_s, track_hz), count=count)
    return Partials(times, hop / rate_hz, length / rate_hz, pitch, z, density * noise_gain(window, rate_hz), density)


def _noise_between(
    sound: Sound, part: tuple[int, int], track: tuple[FloatArray, FloatArray], *, count: int
) -> FloatArray:
    """Return the one-sided noise density round each harmonic, shape (count,), read between the harmonics.

    A longer window with very low side lobes keeps the harmonics themselves out. `part` is where the first sample lies
    and where the last has passed, `track` the pitch as (seconds, Hz).
    """
    rate_hz, middle_hz, (first, last) = sound.rate_hz, median(track[1]), part
    length = round(max(_NOISE_S, _NOISE_PERIODS / middle_hz) * rate_hz)
    length = max(16, min(length, last - first)) // 2 * 2
    starts = np.arange(0, max(1, last - first - length + 1), length // 2)
    quiet = blackman_harris(length)
    pitch = np.interp((first + starts + 0.5 * (length - 1)) / rate_hz, *track)
    gaps = max(1, min(count + 1, int(0.49 * rate_hz / middle_hz + 1.0 - _GAP)))
    # Single precision is plenty: its rounding lies 50 dB under the window's side lobes.
    single = sound.samples[first : first + int(starts[-1]) + length].astype(np.float32)
    n = demodulate(single, rate_hz, starts, quiet, pitch, count=gaps, first_order=_GAP, group_cents=_NOISE_GROUP_CENTS)
    power = np.square(np.abs(n))
    # |n|**2 of noise is distributed exponentially: its median is ln 2 times its mean, and hardly feels a
    # stray line.
    whole = median(power) / np.log(2.0)
    per_gap = np.full(count + 1, whole)
    if len(starts) >= 6:
        per_gap[:gaps] = column_medians(power) / np.log(2.0)
    per_gap = np.maximum(per_gap, 1e-24)
    return np.asarray(np.sqrt(per_gap[:-1] * per_gap[1:]) / noise_gain(quiet, rate_hz), dtype=np.float64)


def demodulate(
    samples: SoundArray,
    rate_hz: float,
    starts: IntArray,
    window: FloatArray,
    pitch_hz: FloatArray,
    *,
    count: int,
    first_order: float = 1.0,
    group_cents: float = _GROUP_CENTS,
) -> ComplexArray:
    """Return the complex amplitude at multiples of the pitch in each block.

    Parameters
    ----------
    samples : float array, shape (n,)
        Sound; taken as silent outside. With float32 the work is done in single precision.
    rate_hz : float
        Samples per second.
    starts : int array, shape (m,)
        First sample of each block; may lie before the sound.
    window : float array, shape (l,)
        Symmetric window.
    pitch_hz : float array, shape (m,)
        Pitch in each block in Hz.
    count : int
        How many multiples.
    first_order : float
        The first multiple, not necessarily whole; the others follow at a distance of one.
    group_cents : float
        Blocks whose pitch differs by less share one reference frequency.

    Returns
    -------
    complex array, shape (m, count)
        Amplitude relative to full scale, with the phase at the block's centre.
    """
    length = len(window)
    base = int(starts.min())
    piece = np.ascontiguousarray(piece_of(samples, base, int(starts.max()) + length))
    # As `sliding_window_view`, whose checks take longer than the sums over a short note.
    views = np.ndarray((len(piece) - length + 1, length), piece.dtype, piece, strides=2 * piece.strides)
    out = np.empty((len(starts), count), dtype=np.complex128)
    reference = median(pitch_hz)
    group = np.rint(CENTS_PER_OCTAVE / group_cents * np.log2(pitch_hz / reference)).astype(np.int64)
    waves: dict[int, tuple[SoundArray, SoundArray]] = {}
    half = length // 2
    step = max(_PRODUCT // (half * count), 1)
    for start in range(0, len(starts), step):
        part = slice(start, start + step)
        blocks = views[_places(starts[part] - base)]
        here = group[part]
        values = sorted(set(here.tolist()))
        for value in values:
            if value not in waves:
                hz = shifted(reference, value * group_cents)
                waves[value] = _waves(window, hz / rate_hz, first_order, count, samples.dtype)
        _turn_back(blocks, here, values, waves, out[part])
        if length % 2:
            out[part] += blocks[:, half, None] * (window[half] * (2.0 / window.sum()))
    return out


def _turn_back(
    blocks: SoundArray,
    group: IntArray,
    values: list[int],
    waves: dict[int, tuple[SoundArray, SoundArray]],
    out: ComplexArray,
) -> None:
    """Write the amplitudes of blocks, each by the waves of its group, into `out`, shape (blocks, count).

    The window is symmetric about the block's centre, so sums of mirrored samples meet the cosines and their differences
    the sines: half the work.
    """
    length = blocks.shape[1]
    half = length // 2
    after, before = blocks[:, length - half :], blocks[:, half - 1 :: -1] if half else blocks[:, :0]
    even, odd = after + before, after - before
    if len(values) == 1:
        cosine, sine = waves[values[0]]
        out.real, out.imag = even @ cosine, odd @ sine
        return
    for value in values:
        cosine, sine = waves[value]
        rows = np.flatnonzero(group == value)
        out.real[rows], out.imag[rows] = even[rows] @ cosine, odd[rows] @ sine


def _places(starts: IntArray) -> IntArray | slice:
    """Return an index of the rows `starts`: a slice, which copies nothing, where they are evenly spaced."""
    if len(starts) == 1:
        return slice(int(starts[0]), int(starts[0]) + 1)
    hop = int(starts[1] - starts[0])
    if hop > 0 and bool(np.all(starts[1:] - starts[:-1] == hop)):
        return slice(int(starts[0]), int(starts[-1]) + 1, hop)
    return starts


def _waves(
    window: FloatArray, turns: float, first_order: float, count: int, dtype: np.dtype[Any]
) -> tuple[SoundArray, SoundArray]:
    """Return cosines and sines of the multiples over the second half of the window, shape (half, count)."""
    length = len(window)
    half = length // 2
    kernel = np.empty((count, half), dtype=np.complex128)
    turn = -2.0 * np.pi * turns
    first = 0.5 if length % 2 == 0 else 1.0
    kernel[0] = _turning(turn * first_order, first, half) * (window[length - half :] * (2.0 / window.sum()))
    if count > 1:
        one_more = _turning(turn, first, half)
        for k in range(1, count):
            np.multiply(kernel[k - 1], one_more, out=kernel[k])
    return kernel.real.astype(dtype).T, kernel.imag.astype(dtype).T


def _turning(turn: float, first: float, count: int) -> ComplexArray:
    """Return exp(1j turn (first + n)) for n = 0 to count - 1; as products of few exponentials it is made fast."""
    fine = np.exp(1j * turn * (first + np.arange(_FINE)))
    coarse = np.exp(1j * turn * _FINE * np.arange(-(-count // _FINE)))
    return np.asarray(np.multiply.outer(coarse, fine).reshape(-1)[:count], dtype=np.complex128)
