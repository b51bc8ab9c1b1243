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
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluewright.listening.spectra import (
    FramePlan,
    Hum,
    find_hum,
    frame_spectra,
    noise_floors,
    plan_frames,
)

__all__ = ["PitchTrack", "track_pitch"]

FloatArray = NDArray[np.float64]
PowerArray = NDArray[np.float32]

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
    ceiling = hum.ceiling(plan) if len(hum.lines_hz) else None
    highest = min(highest_hz, 0.45 * rate_hz)
    rows = [_judge(powers, plan, ceiling, lowest_hz, highest) for powers in frame_spectra(samples, plan)]
    pitch, power, clarity, floor = (np.concatenate(column).astype(np.float64) for column in zip(*rows, strict=True))
    times = np.arange(len(pitch), dtype=np.float64) * (plan.hop / rate_hz)
    return PitchTrack(times, pitch, _decibels(power), _decibels(clarity), _decibels(floor))


def _decibels(power: FloatArray) -> FloatArray:
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-14)), dtype=np.float64)


def _judge(
    powers: PowerArray, plan: FramePlan, ceiling: PowerArray | None, lowest_hz: float, highest_hz: float
) -> tuple[NDArray[np.floating], ...]:
    """Return pitch in Hz, power of its harmonics, clarity and background (as power) of each frame."""
    floors, centres_hz = noise_floors(powers, plan)
    if ceiling is not None:
        powers = np.where(powers < 4.0 * ceiling, np.minimum(powers, 1e-3 * ceiling), powers)
    count, bins = powers.shape
    rows = np.arange(count)[:, None]
    first = plan.bins.start

    lines, heights = _strongest_lines(powers, plan, lowest_hz, highest_hz)
    proposed = lines[:, :, None] / np.array(_SUBHARMONICS, dtype=np.float32)
    candidates = np.asarray(proposed.reshape(count, -1), dtype=np.float32)
    allowed = (candidates >= 0.985 * lowest_hz) & (candidates <= 1.015 * highest_hz)

    orders = np.arange(1, _HARMONICS + 1, dtype=np.float32)
    at_hz = np.asarray(candidates[:, :, None] * orders, dtype=np.float32)
    places = np.rint(at_hz / np.float32(plan.bin_hz)).astype(np.int32) - first
    known = (places >= 1) & (places < bins - 1)
    places = np.clip(places, 1, bins - 2)
    flat = powers.reshape(-1)
    # The nearest bin will do: off by half a bin of the padded transform a line loses 0.4 dB.
    found = flat[places + (np.arange(count, dtype=np.int32) * bins)[:, None, None]]
    background = _floor_at(floors, centres_hz, plan, places)
    if ceiling is not None:
        background = np.maximum(background, 0.25 * ceiling[places])

    top = heights[:, :1, None]
    with np.errstate(divide="ignore"):
        value = 1.0 + (10.0 / _RANGE_DB) * np.log10((found + _LEAST_POWER) / (top + _LEAST_POWER))
    standing = known & (found > 8.0 * background)
    value = np.where(standing, np.clip(value, 0.0, 1.0), 0.0)
    # Higher harmonics count as far as they make good for those missing below them: a faint one, or a peak of
    # noise in its place, must not make a pure tone's harmonics missing that its subharmonic never looks for.
    score = np.cumsum(np.where(known, value - _PRICE, 0.0), axis=2).max(axis=2)
    score = np.where(allowed, score, -9.0)
    best = np.argmax(score, axis=1)[:, None]

    pick = np.take_along_axis
    best3 = best[:, :, None]
    pitch = pick(candidates, best, axis=1)[:, 0]
    found_best = pick(found, best3, axis=1)[:, 0, :]
    stands = pick(value, best3, axis=1)[:, 0, :] > 0.0
    background_best = pick(background, best3, axis=1)[:, 0, :]
    power = np.where(stands, found_best, 0.0)
    clarity = np.max(power / (background_best + _LEAST_POWER), axis=1)
    total = power.sum(axis=1)

    # Sharpen: parabola through the logarithm of the three bins around each harmonic that stands out.
    place = pick(places, best3, axis=1)[:, 0, :]
    step = np.argmax(np.stack([powers[rows, place + d] for d in (-1, 0, 1)]), axis=0) - 1
    place = np.clip(place + step, 1, bins - 2)
    left, middle, right = (np.log(powers[rows, place + d] + _LEAST_POWER) for d in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = np.where(bend < -1e-6, 0.5 * (left - right) / np.where(bend < -1e-6, bend, -1.0), 0.0)
    refined = (first + place + np.clip(shift, -0.5, 0.5)) * np.float32(plan.bin_hz) / orders
    near = np.abs(refined - pitch[:, None]) < 0.03 * pitch[:, None]
    weight = power * np.square(orders) * near
    sum_weight = weight.sum(axis=1)
    sharpened = np.where(
        sum_weight > 0.0, (weight * refined).sum(axis=1) / np.where(sum_weight > 0.0, sum_weight, 1.0), pitch
    )
    return sharpened, total, clarity, background_best[:, 0]


def _strongest_lines(
    powers: PowerArray, plan: FramePlan, lowest_hz: float, highest_hz: float
) -> tuple[PowerArray, PowerArray]:
    """Return frequency in Hz and power of each frame's strongest lines, strongest first."""
    low = max(0, math.floor(0.97 * lowest_hz / plan.bin_hz) - plan.bins.start)
    # A weak fundamental is found from its harmonics, so lines are looked for above the highest pitch too.
    high = min(powers.shape[1], math.ceil(3.0 * highest_hz / plan.bin_hz) - plan.bins.start)
    rest = powers[:, low:high].copy()
    rows = np.arange(len(rest))
    reach = plan.lobe_bins
    around = np.arange(-reach, reach + 1)
    lines, heights = [], []
    for _ in range(_LINES):
        place = np.argmax(rest, axis=1)
        heights.append(rest[rows, place])
        inner = np.clip(low + place, 1, powers.shape[1] - 2)
        left, middle, right = (np.log(powers[rows, inner + d] + _LEAST_POWER) for d in (-1, 0, 1))
        bend = left - 2.0 * middle + right
        shift = np.where(bend < -1e-6, 0.5 * (left - right) / np.where(bend < -1e-6, bend, -1.0), 0.0)
        at = (plan.bins.start + inner + np.clip(shift, -0.5, 0.5)) * plan.bin_hz
        lines.append(at.astype(np.float32))
        rest[rows[:, None], np.clip(place[:, None] + around, 0, rest.shape[1] - 1)] = 0.0
    return np.stack(lines, axis=1), np.stack(heights, axis=1)


def _floor_at(floors: PowerArray, centres_hz: FloatArray, plan: FramePlan, places: NDArray[np.int32]) -> PowerArray:
    """Return the floor in bins `places` (frames, ...), geometrically between the centres of the bands."""
    logs = np.log(floors + np.float32(1e-20))
    bins_hz = np.arange(plan.bins.start, plan.bins.stop) * plan.bin_hz
    upper = np.clip(np.searchsorted(centres_hz, bins_hz), 1, len(centres_hz) - 1)
    low, high = centres_hz[upper - 1], centres_hz[upper]
    part = np.clip((bins_hz - low) / (high - low), 0.0, 1.0).astype(np.float32)[places]
    rows = (np.arange(len(floors)) * len(centres_hz)).reshape(-1, *([1] * (places.ndim - 1)))
    flat = logs.reshape(-1)
    index = upper[places] + rows
    below = flat[index - 1]
    return np.asarray(np.exp(below + (flat[index] - below) * part), dtype=np.float32)
