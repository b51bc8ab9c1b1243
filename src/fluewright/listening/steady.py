"""The steady part of a note: its partials' levels, how steady pitch and level are, vibrato, hiss, inharmonicity.

It is read in windows of some 21 ms that follow the pitch, clear of the note's start and end; noise in longer ones, see
`hiss`.
"""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import ComplexArray, FloatArray
from fluewright.listening.framing import block_starts, centres_s
from fluewright.listening.hiss import Hiss, measure_hiss
from fluewright.listening.inharmonicity import measure_inharmonicity
from fluewright.listening.notes import HeardNote
from fluewright.listening.partials import demodulate
from fluewright.listening.phases import stray_cents, stray_hz
from fluewright.listening.sound import Sound
from fluewright.listening.vibrato import Vibrato, find_vibrato
from fluewright.listening.windows import hann, noise_gain
from fluewright.units import CENTS_PER_RELATIVE

__all__ = ["HARMONICS", "SteadyTone", "measure_steady"]


HARMONICS = 12
_BLOCK_S = 0.0213
_BLOCK_PERIODS = 5.0
_STRETCH_S = 0.080
_FOLLOWED_HZ = 2500.0
# A swing narrower than a group of equal kernels needs no following.
_FOLLOWED_CENTS = 6.0
_WIDEST_PART = 0.12
_LEAST_POWER = 1e-20


@dataclass(frozen=True, eq=False)
class SteadyTone:
    """A note's tone between its start and its end. Levels are relative to a sine of full scale.

    Parameters
    ----------
    lead : int
        Order of the partial that pitch is read from.
    power, noise_power : float
        Of all harmonics and of all noise, full scale squared.
    levels_db : float array, shape (k,)
        Of harmonics 1 to k, less noise.
    harmonic_to_noise_db : float
    harmonic_to_noise_bands_db, hiss_bands_db : tuple of float
        By octave; see `NoteTone`.
    vibrato : Vibrato or None
    steadiness_cents, steadiness_db : float
    inharmonicity_cents, inharmonicity_uncertainty_cents : float array, shape (k,)
    """

    lead: int
    power: float
    noise_power: float
    levels_db: FloatArray
    harmonic_to_noise_db: float
    harmonic_to_noise_bands_db: tuple[float, ...]
    hiss_bands_db: tuple[float, ...]
    vibrato: Vibrato | None
    steadiness_cents: float
    steadiness_db: float
    inharmonicity_cents: FloatArray
    inharmonicity_uncertainty_cents: FloatArray


def measure_steady(sound: Sound, note: HeardNote) -> SteadyTone:
    """Measure the tone clear of its start and end.

    Parameters
    ----------
    sound : Sound
        At a rate from `thin_out`.
    note : HeardNote
    """
    samples, rate_hz, pitch_hz = sound.samples, sound.rate_hz, note.frequency_hz
    first, last = _steady_part(sound, note)
    length = round(max(_BLOCK_S, _BLOCK_PERIODS / pitch_hz) * rate_hz)
    length = max(16, min(length, (last - first) // 2)) // 4 * 4
    window, hop = hann(length), length // 4
    starts = block_starts(first, last, length, hop)
    times, hop_s = centres_s(starts, length, rate_hz), hop / rate_hz
    lead = _lead_order(note)

    # First the pitch, from low partials about one fixed frequency; then all partials along that pitch.
    count = max(1, min(HARMONICS, int(0.45 * rate_hz / pitch_hz)))
    low = max(lead, min(2 if 2.0 * pitch_hz < _FOLLOWED_HZ else 1, count))
    z_low = demodulate(samples, rate_hz, starts, window, np.full(len(starts), pitch_hz), count=low)
    strays_hz = stray_hz(z_low, pitch_hz, hop_s, lead)
    track = _followed(times, strays_hz, pitch_hz)
    z = demodulate(samples, rate_hz, starts, window, track, count=count)
    hiss = measure_hiss(sound, part=(first, last), track_times_s=times, track_hz=track, pitch_hz=pitch_hz)

    partials_hz = np.asarray(np.arange(1, count + 1) * pitch_hz, dtype=np.float64)
    in_window = noise_gain(window, rate_hz) * hiss.density_at(partials_hz)
    power, levels, loudness = _levels(z[::2], in_window)
    cents = stray_cents(strays_hz, pitch_hz)
    vibrato = find_vibrato(cents, hop_s, length / rate_hz)
    inharmonicity, uncertainty = measure_inharmonicity(z, track, hop_s, lead=lead, pitch_hz=pitch_hz, noise=in_window)
    return SteadyTone(
        lead=lead,
        power=power,
        noise_power=hiss.total,
        levels_db=levels,
        harmonic_to_noise_db=10.0 * math.log10(power / max(hiss.total, _LEAST_POWER)),
        harmonic_to_noise_bands_db=hiss.harmonics_over_noise_db(pitch_hz),
        hiss_bands_db=_against(hiss, power),
        vibrato=vibrato,
        steadiness_cents=_steadiness(cents, hop_s, vibrato),
        steadiness_db=_steadiness(loudness, 2.0 * hop_s, None),
        inharmonicity_cents=inharmonicity,
        inharmonicity_uncertainty_cents=uncertainty,
    )


def _steady_part(sound: Sound, note: HeardNote) -> tuple[int, int]:
    """Return the places of the steady part's first sample and behind its last."""
    rate_hz = sound.rate_hz
    duration = note.offset_s - note.onset_s
    first = max(round((note.onset_s + min(0.120, 0.3 * duration)) * rate_hz), 0)
    return first, min(round((note.offset_s - min(0.050, 0.15 * duration)) * rate_hz), len(sound))


def _lead_order(note: HeardNote) -> int:
    """Return the order of the partial that tells the pitch best: strong, and low enough to be followed."""
    best, lead = -math.inf, 1
    for k, level in enumerate(note.harmonic_levels_db[:3], 1):
        if k > 1 and k * note.frequency_hz > _FOLLOWED_HZ:
            break
        # A fundamental within 12 dB is taken: higher partials lose their turns sooner.
        worth = level + (12.0 if k == 1 else 0.0)
        if math.isfinite(level) and worth > best:
            best, lead = worth, k
    return lead


def _followed(times: FloatArray, strays_hz: FloatArray, pitch_hz: float) -> FloatArray:
    """Return the pitch to follow in each window, Hz; one for all where it hardly moves, which spares making kernels."""
    track = np.full(len(times), pitch_hz)
    if len(strays_hz) >= 2:
        limited = np.clip(strays_hz, -_WIDEST_PART * pitch_hz, _WIDEST_PART * pitch_hz)
        track = pitch_hz + np.interp(times, 0.5 * (times[1:] + times[:-1]), limited)
        if len(track) >= 5:
            track[1:-1] = (track[:-2] + track[1:-1] + track[2:]) / 3.0
    if float(np.ptp(track)) < _FOLLOWED_CENTS * pitch_hz / CENTS_PER_RELATIVE:
        return np.full(len(times), float(np.mean(track)))
    return np.asarray(track, dtype=np.float64)


def _levels(z: ComplexArray, in_window: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Return power and levels (dB) of the harmonics less noise, and the level of all (dB) in each window with it."""
    size = np.square(np.abs(z))
    mean = size.mean(axis=0)
    power = max(0.5 * float(np.maximum(mean - in_window, 0.0).sum()), _LEAST_POWER)
    lost = in_window / math.sqrt(len(z))
    levels = 10.0 * np.log10(np.maximum(np.maximum(mean - in_window, lost), _LEAST_POWER))
    return power, levels, 10.0 * np.log10(np.maximum(size.sum(axis=1), _LEAST_POWER))


def _against(hiss: Hiss, power: float) -> tuple[float, ...]:
    """Return the noise in each octave against the whole tone, dB."""
    return tuple(10.0 * math.log10(max(v, _LEAST_POWER) / power) if v >= 0.0 else math.nan for v in hiss.bands)


def _steadiness(values: FloatArray, hop_s: float, vibrato: Vibrato | None) -> float:
    """Return the standard deviation over 80 ms stretches about a straight line, a vibrato taken out."""
    size = max(1, round(_STRETCH_S / hop_s))
    groups = len(values) // size
    if groups < 3:
        return math.nan
    values = values[: groups * size]
    if vibrato is not None:
        # Its phase and depth may change along the note: fitted anew in every piece of some turns.
        values = values.copy()
        piece = max(size, round(3.0 / (vibrato.rate_hz * hop_s)))
        t = np.arange(len(values)) * hop_s
        for start in range(0, len(values), piece):
            part = slice(start, len(values) if start + 2 * piece > len(values) else start + piece)
            angle = 2.0 * np.pi * vibrato.rate_hz * t[part]
            swing = np.stack([np.cos(angle), np.sin(angle), np.ones(len(angle))], axis=1)
            values[part] -= swing[:, :2] @ np.linalg.lstsq(swing, values[part], rcond=None)[0][:2]
            if part.stop == len(values):
                break
    means = values.reshape(groups, size).mean(axis=1)
    x = np.arange(groups) - 0.5 * (groups - 1)
    means -= means.mean()
    means -= x * float(x @ means) / float(x @ x)
    return math.sqrt(float(means @ means) / (groups - 2))
