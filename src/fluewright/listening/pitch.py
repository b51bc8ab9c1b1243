"""Which pitch sounds at each moment of a recording.

Every frame's strongest lines propose candidates (the line itself or a harmonic of something lower); each
candidate is scored by the harmonics it finds and those it misses, on a compressed (decibel) scale. This is
the harmonic-sum idea of Hermes (1988), with a price on missing harmonics against octave errors downwards,
while harmonics left out cost an octave error upwards its score.

References
----------
.. [1] D. J. Hermes, Measurement of pitch by subharmonic summation, J. Acoust. Soc. Am. 83 (1988) 257-264.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluewright.arrays import Float32Array, FloatArray
from fluewright.listening.spectra import (
    FramePlan,
    Hum,
    find_hum,
    frame_spectra,
    noise_floors,
    plan_frames,
)

__all__ = ["PitchTrack", "pitch_of_spectra", "track_pitch"]


_LINES = 4
_SUBHARMONICS = (1, 2, 3, 4)
_HARMONICS = 6
_RANGE_DB = 28.0
# Price of a harmonic that is not there: low ones are seldom missing, high ones often.
_PRICE = np.array([0.22, 0.22, 0.22, 0.12, 0.12, 0.12], dtype=np.float32)
_LEAST_POWER = np.float32(1e-14)


@dataclass(frozen=True, eq=False)
class PitchTrack:
    """Pitch against time.

    Parameters
    ----------
    times_s : float array, shape (n,)
        Centres of the frames in seconds.
    pitch_hz : float array, shape (n,)
        Best pitch in each frame in Hz, good to about a cent; it means nothing where `clarity_db` is low.
    level_db : float array, shape (n,)
        Level of its harmonics; 0 dB is a sine of full scale.
    clarity_db : float array, shape (n,)
        Its clearest harmonic above the background (noise or hum) in one bin.
    floor_db : float array, shape (n,)
        The background at the pitch, as the level of a sine that would just equal it.
    """

    times_s: FloatArray
    pitch_hz: FloatArray
    level_db: FloatArray
    clarity_db: FloatArray
    floor_db: FloatArray


def track_pitch(
    samples: FloatArray,
    rate_hz: float,
    *,
    lowest_hz: float = 180.0,
    highest_hz: float = 4500.0,
    hop_s: float = 0.010,
    hum: Hum | None = None,
) -> PitchTrack:
    """Follow the pitch through a recording.

    Parameters
    ----------
    samples : float array, shape (n,)
        Sound relative to full scale.
    rate_hz : float
        Samples per second.
    lowest_hz, highest_hz : float
        Range of pitches looked for, in Hz.
    hop_s : float
        Time from frame to frame in seconds.
    hum : Hum, optional
        Mains hum to look past; found in the samples themselves if not given.

    Returns
    -------
    PitchTrack
        One entry every `hop_s`.
    """
    plan = plan_frames(rate_hz, lowest_hz=lowest_hz, hop_s=hop_s)
    if hum is None:
        hum = find_hum(samples, rate_hz, lowest_hz=lowest_hz)
    return pitch_of_spectra(
        frame_spectra(samples, plan), plan, lowest_hz=lowest_hz, highest_hz=min(highest_hz, 0.45 * rate_hz), hum=hum
    )


def pitch_of_spectra(
    spectra: Iterable[Float32Array], plan: FramePlan, *, lowest_hz: float, highest_hz: float, hum: Hum
) -> PitchTrack:
    """Read the pitch from spectra made before.

    Parameters
    ----------
    spectra : iterable of float32 array, shape (frames, bins)
        Batches from `frame_spectra`, at least one frame.
    plan : FramePlan
        The plan that they were made with.
    lowest_hz, highest_hz : float
        Range of pitches looked for, in Hz, under 0.45 of the rate.
    hum : Hum
        Mains hum to look past.

    Returns
    -------
    PitchTrack
        One entry a frame; the first is at 0 s.
    """
    ceiling = hum.ceiling(plan) if len(hum.lines_hz) else None
    rows = [_judge(powers, plan, ceiling, lowest_hz, highest_hz) for powers in spectra]
    pitch, power, clarity, floor = (np.concatenate(column).astype(np.float64) for column in zip(*rows, strict=True))
    times = np.arange(len(pitch), dtype=np.float64) * (plan.hop / plan.rate_hz)
    return PitchTrack(times, pitch, _decibels(power), _decibels(clarity), _decibels(floor))


def _decibels(power: FloatArray) -> FloatArray:
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-14)), dtype=np.float64)


def _judge(
    powers: Float32Array, plan: FramePlan, ceiling: Float32Array | None, lowest_hz: float, highest_hz: float
) -> tuple[NDArray[np.floating], ...]:
    """Return pitch in Hz, power of its harmonics, clarity and background (as power) of each frame."""
    floors, centres_hz = noise_floors(powers, plan)
    if ceiling is not None:
        powers = np.where(powers < 4.0 * ceiling, np.minimum(powers, 1e-3 * ceiling), powers)
    count, bins = powers.shape
    rows = np.arange(count)[:, None]
    first = plan.bins.start

    # Axes: order, frame, candidate; the long axes come last, where sums run fastest.
    lines, heights = _strongest_lines(powers, plan, lowest_hz, highest_hz)
    proposed = lines[:, :, None] / np.array(_SUBHARMONICS, dtype=np.float32)
    candidates = np.asarray(proposed.reshape(count, -1), dtype=np.float32)
    allowed = (candidates >= 0.985 * lowest_hz) & (candidates <= 1.015 * highest_hz)

    orders = np.arange(1, _HARMONICS + 1, dtype=np.float32)
    at_bins = np.multiply.outer(orders, candidates * np.float32(1.0 / plan.bin_hz))
    places = np.rint(at_bins).astype(np.int32) - np.int32(first)
    known = (places >= 1) & (places < bins - 1)
    places = _within(places, 1, bins - 2)
    # The nearest bin will do: off by half a bin of the padded transform a line loses 0.4 dB.
    found = powers.reshape(-1).take(places + (np.arange(count, dtype=np.int32) * np.int32(bins))[:, None])
    background = _floor_at(floors, centres_hz, plan, places)
    if ceiling is not None:
        background = np.maximum(background, 0.25 * ceiling[places])

    top = heights[:, :1] + _LEAST_POWER
    value = np.float32(1.0) + np.float32(10.0 / _RANGE_DB) * np.log10((found + _LEAST_POWER) / top)
    standing = known & (found > np.float32(8.0) * background)
    value = np.where(standing, np.minimum(np.maximum(value, np.float32(0.0)), np.float32(1.0)), np.float32(0.0))
    # Higher harmonics count as far as they make good for those missing below them: a faint one, or a peak of
    # noise in its place, must not make a pure tone's harmonics missing that its subharmonic never looks for.
    worth = np.where(known, value - _PRICE[:, None, None], np.float32(0.0))
    running = worth[0].copy()
    score = worth[0].copy()
    for order in range(1, _HARMONICS):
        running += worth[order]
        np.maximum(score, running, out=score)
    score = np.where(allowed, score, np.float32(-9.0))
    best = np.argmax(score, axis=1)

    frame = rows[:, 0]
    pitch = candidates[frame, best]
    found_best = found[:, frame, best].T
    stands = value[:, frame, best].T > 0.0
    background_best = background[:, frame, best].T
    power = np.where(stands, found_best, np.float32(0.0))
    clarity = np.max(power / (background_best + _LEAST_POWER), axis=1)
    total = power.sum(axis=1)

    # Sharpen: parabola through the logarithm of the three bins around each harmonic that stands out.
    place = places[:, frame, best].T
    step = np.argmax(np.stack([powers[rows, place + d] for d in (-1, 0, 1)]), axis=0) - 1
    place = _within(place + step, 1, bins - 2)
    refined = (first + place + _top_shift(powers, rows, place)) * np.float32(plan.bin_hz) / orders
    near = np.abs(refined - pitch[:, None]) < 0.03 * pitch[:, None]
    weight = power * np.square(orders) * near
    sum_weight = weight.sum(axis=1)
    sharpened = np.where(
        sum_weight > 0.0, (weight * refined).sum(axis=1) / np.where(sum_weight > 0.0, sum_weight, 1.0), pitch
    )
    return sharpened, total, clarity, background_best[:, 0]


def _within(places: NDArray[np.integer], low: int, high: int) -> NDArray[np.integer]:
    """Return whole numbers held between two limits; for small arrays faster than `numpy.clip`."""
    kind = places.dtype.type
    return np.asarray(np.minimum(np.maximum(places, kind(low)), kind(high)))


def _top_shift(powers: Float32Array, rows: NDArray[np.integer], place: NDArray[np.integer]) -> NDArray[np.floating]:
    """Return how far the top of a line lies from its highest bin, -0.5 to 0.5: parabola through the logarithm."""
    left, middle, right = (np.log(powers[rows, place + d] + _LEAST_POWER) for d in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = np.where(bend < -1e-6, 0.5 * (left - right) / np.minimum(bend, -1e-6), 0.0)
    return np.asarray(np.minimum(np.maximum(shift, -0.5), 0.5))


def _strongest_lines(
    powers: Float32Array, plan: FramePlan, lowest_hz: float, highest_hz: float
) -> tuple[Float32Array, Float32Array]:
    """Return frequency in Hz and power of each frame's strongest lines, strongest first."""
    low = max(0, math.floor(0.97 * lowest_hz / plan.bin_hz) - plan.bins.start)
    # A weak fundamental is found from its harmonics, so lines are looked for above the highest pitch too.
    high = min(powers.shape[1], math.ceil(3.0 * highest_hz / plan.bin_hz) - plan.bins.start)
    rest = powers[:, low:high].copy()
    rows = np.arange(len(rest))
    reach = plan.lobe_bins
    around = np.arange(-reach, reach + 1)
    tops, heights = [], []
    for _ in range(_LINES):
        place = np.argmax(rest, axis=1)
        heights.append(rest[rows, place])
        tops.append(place)
        rest[rows[:, None], _within(place[:, None] + around, 0, rest.shape[1] - 1)] = 0.0
    place = _within(low + np.stack(tops, axis=1), 1, powers.shape[1] - 2)
    lines = (plan.bins.start + place + _top_shift(powers, rows[:, None], place)) * plan.bin_hz
    return lines.astype(np.float32), np.stack(heights, axis=1)


def _floor_at(
    floors: Float32Array, centres_hz: FloatArray, plan: FramePlan, places: NDArray[np.integer]
) -> Float32Array:
    """Return the floor in bins `places` (orders, frames, ...), geometrically between the centres of the bands."""
    logs = np.log(floors + np.float32(1e-20))
    bins_hz = np.arange(plan.bins.start, plan.bins.stop) * plan.bin_hz
    upper = np.minimum(np.maximum(np.searchsorted(centres_hz, bins_hz), 1), len(centres_hz) - 1).astype(np.int32)
    low, high = centres_hz[upper - 1], centres_hz[upper]
    part = np.clip((bins_hz - low) / (high - low), 0.0, 1.0).astype(np.float32).take(places)
    rows = np.arange(len(floors), dtype=np.int32) * np.int32(len(centres_hz))
    index = upper.take(places) + rows[:, None]
    flat = logs.reshape(-1)
    below = flat.take(index - 1)
    return np.asarray(np.exp(below + (flat.take(index) - below) * part), dtype=np.float32)
