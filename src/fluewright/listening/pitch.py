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
from fluewright.listening.curves import top_between
from fluewright.listening.sound import Sound
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
_ORDERS = np.arange(1, _HARMONICS + 1, dtype=np.float32)
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

    def clear(self, clear_db: float) -> tuple[FloatArray, FloatArray]:
        """Return times and pitch in Hz, each of shape (m,), of the frames as clear as that."""
        there = self.clarity_db >= clear_db
        return self.times_s[there], self.pitch_hz[there]


def track_pitch(
    sound: Sound,
    *,
    lowest_hz: float = 180.0,
    highest_hz: float = 4500.0,
    hop_s: float = 0.010,
    hum: Hum | None = None,
) -> PitchTrack:
    """Follow the pitch through a recording.

    Parameters
    ----------
    sound : Sound
    lowest_hz, highest_hz : float
        Range of pitches looked for, in Hz.
    hop_s : float
        Time from frame to frame in seconds.
    hum : Hum, optional
        Mains hum to look past; found in the sound itself if not given.

    Returns
    -------
    PitchTrack
        One entry every `hop_s`.
    """
    plan = plan_frames(sound.rate_hz, lowest_hz=lowest_hz, hop_s=hop_s)
    if hum is None:
        hum = find_hum(sound, lowest_hz=lowest_hz)
    return pitch_of_spectra(
        frame_spectra(sound.samples, plan),
        plan,
        lowest_hz=lowest_hz,
        highest_hz=min(highest_hz, 0.45 * plan.rate_hz),
        hum=hum,
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


@dataclass(frozen=True, eq=False)
class _Frames:
    """Spectra with what their background is. The long axes come last throughout, where sums run fastest."""

    powers: Float32Array  # (frames, bins), hum pressed down
    plan: FramePlan
    floors: Float32Array  # (frames, bands)
    centres_hz: FloatArray  # (bands,)
    ceiling: Float32Array | None  # (bins,), the most that hum can show

    @property
    def rows(self) -> NDArray[np.integer]:
        return np.arange(len(self.powers))[:, None]


@dataclass(frozen=True, eq=False)
class _Sought:
    """What stands where the harmonics of candidates would be; all arrays: shape (orders, frames, candidates)."""

    places: NDArray[np.integer]  # bins, counted from the first one kept
    known: NDArray[np.bool_]  # whether the spectra reach so far
    found: Float32Array  # power there
    background: Float32Array  # power of what would stand there anyway

    def of(self, best: NDArray[np.integer]) -> "_Sought":
        """Return one candidate of each frame, shape (frames, orders)."""
        frame = np.arange(len(best))
        return _Sought(
            self.places[:, frame, best].T,
            self.known[:, frame, best].T,
            self.found[:, frame, best].T,
            self.background[:, frame, best].T,
        )


def _judge(
    powers: Float32Array, plan: FramePlan, ceiling: Float32Array | None, lowest_hz: float, highest_hz: float
) -> tuple[NDArray[np.floating], ...]:
    """Return pitch in Hz, power of its harmonics, clarity and background (as power) of each frame."""
    floors, centres_hz = noise_floors(powers, plan)
    if ceiling is not None:
        powers = np.where(powers < 4.0 * ceiling, np.minimum(powers, 1e-3 * ceiling), powers)
    frames = _Frames(powers, plan, floors, centres_hz, ceiling)
    lines, heights = _strongest_lines(powers, plan, lowest_hz, highest_hz)
    proposed = lines[:, :, None] / np.array(_SUBHARMONICS, dtype=np.float32)
    candidates = np.asarray(proposed.reshape(len(powers), -1), dtype=np.float32)
    sought = _look_up(frames, candidates)
    value = _standing(sought, heights[:, :1])
    allowed = (candidates >= 0.985 * lowest_hz) & (candidates <= 1.015 * highest_hz)
    best = np.argmax(np.where(allowed, _score(sought, value), np.float32(-9.0)), axis=1)

    frame = frames.rows[:, 0]
    chosen = sought.of(best)
    power = np.where(value[:, frame, best].T > 0.0, chosen.found, np.float32(0.0))
    clarity = np.max(power / (chosen.background + _LEAST_POWER), axis=1)
    pitch = _sharpened(frames, candidates[frame, best], chosen.places, power)
    return pitch, power.sum(axis=1), clarity, chosen.background[:, 0]


def _look_up(frames: _Frames, candidates: Float32Array) -> _Sought:
    """Look up what stands at the harmonics of candidates in Hz, shape (frames, candidates)."""
    plan, (count, bins) = frames.plan, frames.powers.shape
    at_bins = np.multiply.outer(_ORDERS, candidates * np.float32(1.0 / plan.bin_hz))
    places = np.rint(at_bins).astype(np.int32) - np.int32(plan.bins.start)
    known = (places >= 1) & (places < bins - 1)
    places = _within(places, 1, bins - 2)
    # The nearest bin will do: off by half a bin of the padded transform a line loses 0.4 dB.
    found = frames.powers.reshape(-1).take(places + (np.arange(count, dtype=np.int32) * np.int32(bins))[:, None])
    background = _floor_at(frames.floors, frames.centres_hz, plan, places)
    if frames.ceiling is not None:
        background = np.maximum(background, 0.25 * frames.ceiling[places])
    return _Sought(places, known, found, background)


def _standing(sought: _Sought, top: Float32Array) -> Float32Array:
    """Return how far each harmonic stands out, 0 to 1 on a scale of decibels under the frame's strongest line."""
    value = np.float32(1.0) + np.float32(10.0 / _RANGE_DB) * np.log10(
        (sought.found + _LEAST_POWER) / (top + _LEAST_POWER)
    )
    held: Float32Array = np.minimum(np.maximum(value, np.float32(0.0)), np.float32(1.0))
    stands = sought.known & (sought.found > np.float32(8.0) * sought.background)
    return np.where(stands, held, np.float32(0.0))


def _score(sought: _Sought, value: Float32Array) -> Float32Array:
    """Return the score of each candidate, shape (frames, candidates).

    Higher harmonics count as far as they make good for those missing below them: a faint one, or a peak of noise in its
    place, must not make a pure tone's harmonics missing that its subharmonic never looks for.
    """
    worth: Float32Array = np.where(sought.known, value - _PRICE[:, None, None], np.float32(0.0))
    running: Float32Array = worth[0].copy()
    score: Float32Array = worth[0].copy()
    for order in range(1, _HARMONICS):
        running += worth[order]
        np.maximum(score, running, out=score)
    return score


def _sharpened(
    frames: _Frames, pitch: Float32Array, place: NDArray[np.integer], power: Float32Array
) -> NDArray[np.floating]:
    """Return the pitch by a parabola through the logarithm of the three bins round each harmonic that stands out."""
    powers, plan, rows = frames.powers, frames.plan, frames.rows
    step = np.argmax(np.stack([powers[rows, place + d] for d in (-1, 0, 1)]), axis=0) - 1
    place = _within(place + step, 1, powers.shape[1] - 2)
    refined = (plan.bins.start + place + _top_shift(powers, rows, place)) * np.float32(plan.bin_hz) / _ORDERS
    near = np.abs(refined - pitch[:, None]) < 0.03 * pitch[:, None]
    weight = power * np.square(_ORDERS) * near
    total = weight.sum(axis=1)
    return np.where(total > 0.0, (weight * refined).sum(axis=1) / np.where(total > 0.0, total, 1.0), pitch)


def _within(places: NDArray[np.integer], low: int, high: int) -> NDArray[np.integer]:
    """Return whole numbers held between two limits; for small arrays faster than `numpy.clip`."""
    kind = places.dtype.type
    return np.asarray(np.minimum(np.maximum(places, kind(low)), kind(high)))


def _top_shift(powers: Float32Array, rows: NDArray[np.integer], place: NDArray[np.integer]) -> NDArray[np.floating]:
    """Return how far the top of a line lies from its highest bin, -0.5 to 0.5: parabola through the logarithm."""
    shift = top_between(*(np.log(powers[rows, place + d] + _LEAST_POWER) for d in (-1, 0, 1)))
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
    bins_hz = plan.bins_hz
    upper = np.minimum(np.maximum(np.searchsorted(centres_hz, bins_hz), 1), len(centres_hz) - 1).astype(np.int32)
    low, high = centres_hz[upper - 1], centres_hz[upper]
    part = np.clip((bins_hz - low) / (high - low), 0.0, 1.0).astype(np.float32).take(places)
    rows = np.arange(len(floors), dtype=np.int32) * np.int32(len(centres_hz))
    index = upper.take(places) + rows[:, None]
    flat = logs.reshape(-1)
    below = flat.take(index - 1)
    return np.asarray(np.exp(below + (flat.take(index) - below) * part), dtype=np.float32)
