"""A plain sound for the virtual piece: harmonics, breath noise and drift, one note after another.

Where the sound itself is not wanted, `heard_without_sound` says what the listening would have read off it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.units import shifted

__all__ = ["DrawnNote", "heard_without_sound", "play"]

# What `hear_notes` states of the notes of `play`, and how far it is from them, cents.
_STATED_CENTS = (0.26, 0.50)
_MISSED_CENTS = 0.04


def play(
    frequencies_hz: Sequence[float],
    *,
    rate_hz: int = 44100,
    note_s: float = 0.6,
    gap_s: float = 0.12,
    noise_db: float = -34.0,
    rng: np.random.Generator,
) -> FloatArray:
    """Return samples of the notes in order, shape (samples,), full scale 1, tongued, at about -9 dBFS.

    Each note has six harmonics falling by about 12 dB an octave, a soft attack, a drift of a cent or so about its
    mean, breath noise that follows the tone, and the room's noise `noise_db` below the tone everywhere.
    """
    n = int(note_s * rate_hz)
    gap = int(gap_s * rate_hz)
    time = np.arange(n) / rate_hz
    envelope = np.minimum(1.0, np.minimum(time / 0.03, (note_s - time) / 0.04))
    pieces = [np.zeros(2 * gap)]
    for f in frequencies_hz:
        bend = 1.5 * rng.standard_normal()
        # The drift has no mean over the note, so the note's mean pitch is the one asked for.
        cents = bend * (time / note_s - 0.5) + 0.6 * np.sin(2 * np.pi * 5.2 * time + rng.uniform(0, 2 * np.pi))
        phase = 2 * np.pi * np.cumsum(shifted(f, cents)) / rate_hz
        tone = np.zeros(n)
        for k in range(1, 7):
            if k * f < 0.45 * rate_hz:
                tone += k ** (-2.0) * rng.uniform(0.6, 1.2) * np.sin(k * phase + rng.uniform(0, 2 * np.pi))
        breath = 0.02 * rng.standard_normal(n)
        pieces += [envelope * (0.35 * tone + breath * 0.35), np.zeros(gap)]
    samples = np.concatenate([*pieces, np.zeros(gap)])
    noise = 10.0 ** (noise_db / 20.0) * 0.35
    sound: FloatArray = np.clip(samples + noise * rng.standard_normal(samples.size) * 0.3, -1.0, 1.0)
    return sound


@dataclass(frozen=True)
class DrawnNote:
    """A note as the listening would have heard it: its mean frequency and the standard uncertainty of that, Hz."""

    frequency_hz: float
    frequency_uncertainty_hz: float


def heard_without_sound(frequencies_hz: Sequence[float], *, rng: np.random.Generator) -> tuple[DrawnNote, ...]:
    """Return what listening to `play` gives, drawn: each pitch with the error and the uncertainty found there.

    No sound is made: a hundred trials take no time.
    """
    found = []
    for f in frequencies_hz:
        stated = float(rng.uniform(*_STATED_CENTS))
        cents = _MISSED_CENTS * float(rng.standard_normal())
        # As many places as the listening is sure of, so that a last bit elsewhere changes nothing here.
        hz = round(shifted(f, cents), 4)
        found.append(DrawnNote(hz, round(hz * stated * np.log(2.0) / 1200.0, 4)))
    return tuple(found)
