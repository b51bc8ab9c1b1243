"""Gestures that settle or swell on one note of a blown model, and what is read off their sound."""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.acoustics.branches import Walker, breath_range
from fluewright.acoustics.synthesis import RATE_HZ, Gesture, sound_of
from fluewright.listening import Recording, hear_notes

__all__ = ["Swell", "breaths_of", "heard", "settled", "slow_swell", "stairs", "steady_pitch"]

_HOP = 4800  # samples; 0.1 s


def steady_pitch(v, near_hz):
    """Return the frequency of a settled periodic signal, by the turn of one partial between two overlapping windows."""
    n = v.size
    m = 3 * n // 4
    window, t = np.hanning(m), np.arange(m) / RATE_HZ
    spectrum, f = np.abs(np.fft.rfft(v[:m] * window, 8 * m)), np.fft.rfftfreq(8 * m, 1.0 / RATE_HZ)
    band = (f > 0.85 * near_hz) & (f < 1.15 * near_hz)
    rough = f[band][spectrum[band].argmax()]
    turned = np.exp(-2j * np.pi * rough * t)
    first = (v[:m] * window * turned).sum()
    later = (v[n - m :] * window * turned).sum() * np.exp(-2j * np.pi * rough * (n - m) / RATE_HZ)
    return rough + np.angle(later / first) / (2.0 * np.pi * (n - m) / RATE_HZ)


def breaths_of(note, count=5):
    """Return breaths spread over where a note holds, 8 % of the range (in its logarithm) from both ends."""
    known = np.isfinite(note.branch.frequencies_hz)
    low = note.lowest_pa
    high = min(note.highest_pa, note.branch.pressures_pa[known][-1])
    share = np.linspace(0.08, 0.92, count)
    return low * (high / low) ** share


def stairs(seed_pa, breaths, *, move_s=0.1, hold_s=0.6):
    """Return (corners of breath, (from, to) of the settled part of each step), s, begun at a breath of its own."""
    corners, at, settled_parts = [(0.0, 0.0), (0.02, seed_pa), (0.4, seed_pa)], 0.4, []
    for p in breaths:
        corners += [(at + move_s, p), (at + move_s + hold_s, p)]
        at += move_s + hold_s
        settled_parts.append((at - 0.3, at))
    return corners, settled_parts


def settled(blown, index, *, seed_pa=None, from_index=None):
    """Return (breath, Hz, rms m/s) of a note at breaths spread over its range, each held until it has settled.

    The note begins at a breath of its own, or slurred from another fingering where it does not speak by itself.
    """
    note = blown.notes[index]
    breaths = breaths_of(note)[::-1]
    if seed_pa is None:
        seed_pa = note.planned_pa
        if note.register > 1:
            wanted = 1.3 * note.lower_jump_pa if math.isfinite(note.lower_jump_pa) else note.planned_pa
            seed_pa = min(max(wanted, note.planned_pa), 0.8 * breaths[0] / 0.92)
    corners, parts = stairs(seed_pa, breaths)
    fingers = ((0.0, index),)
    if from_index is not None:
        corners = [(0.0, 0.0), (0.02, blown.notes[from_index].planned_pa)] + [(t + 0.4, p) for t, p in corners[2:]]
        parts = [(a + 0.4, z + 0.4) for a, z in parts]
        fingers = ((0.0, from_index), (0.5, index))
    sound = sound_of(blown, Gesture(tuple(corners), fingers), noise=False)
    rows = []
    for p, (a, z) in zip(breaths, parts, strict=True):
        v = sound.velocity[round(a * RATE_HZ) : round(z * RATE_HZ)]
        rows.append((p, steady_pitch(v, note.frequency_at(p)), float(np.sqrt(np.mean(v**2)))))
    return rows


@dataclass(frozen=True)
class Swell:
    """A slow rise past a jump and a slow fall back, and what was predicted."""

    held: bool  # register 1 sounded before the jump
    jump_pa: float
    mode: int  # where the jump led, by number
    predicted_jump_pa: float
    fall_pa: float
    predicted_fall_pa: float  # lowest breath of that mode


def _shares(v, near_hz):
    """Return (amplitude within 12 % of a frequency over all, strongest frequency) of every 0.1 s."""
    cut = v[: v.size // _HOP * _HOP].reshape(-1, _HOP) * np.hanning(_HOP)
    power, f = np.abs(np.fft.rfft(cut, axis=1)) ** 2, np.fft.rfftfreq(_HOP, 1.0 / RATE_HZ)
    near = (f > 0.88 * near_hz) & (f < 1.12 * near_hz)
    return np.sqrt(power[:, near].sum(axis=1) / power.sum(axis=1)), f[power[:, 3:].argmax(axis=1) + 3]


def _ramp(corners, to_pa, rate):
    """Go on to a breath, by a share of it a second."""
    at, begun = corners[-1]
    seconds = abs(math.log(to_pa / begun)) / rate
    return [*corners, *((at + seconds * s, begun * (to_pa / begun) ** s) for s in np.linspace(0.0, 1.0, 101)[1:])]


def slow_swell(blown, index, rate, *, noise=True, seed=0, over=1.25):
    """Blow a register-1 note slowly past its jump, and from above slowly down past the fall back; rate: share a second.

    Turbulence is on: it is what a jump starts from. Where the jump leads is read off the sound, as the mode nearest to
    it; the fall back is tried in a swell of its own that goes up fast.
    """
    note = blown.notes[index]
    begun = [(0.0, 0.0), (0.05, math.sqrt(note.lowest_pa * note.highest_pa))]
    begun += [(0.5, begun[-1][1]), (1.0, 0.8 * note.highest_pa), (1.2, 0.8 * note.highest_pa)]
    top = over * note.highest_pa
    corners = _ramp(begun, top, rate)
    corners.append((corners[-1][0] + 0.5, top))
    sound = sound_of(blown, Gesture(tuple(corners), ((0.0, index),)), noise=noise, seed=seed)
    share, strongest = _shares(sound.velocity, note.resonance_hz)
    breath = sound.breath_pa[_HOP // 2 :: _HOP][: share.size]
    left = np.flatnonzero((np.arange(share.size) >= 12) & (share < 0.5))
    modes = blown.modes[index]
    known = modes.table[1:, 0] / (2.0 * np.pi)
    row = 1 + int(np.abs(np.log(known / strongest[-2])).argmin())
    lowest, _ = breath_range(Walker(blown.law, modes, row))
    fall = math.nan
    if left.size and math.isfinite(lowest):
        corners = _ramp(begun, top, 0.5)
        corners += [(corners[-1][0] + 0.7, top), (corners[-1][0] + 1.0, 1.35 * lowest)]
        turn = corners[-1][0]
        corners = _ramp(corners, 0.7 * lowest, rate)
        down = sound_of(blown, Gesture(tuple(corners), ((0.0, index),)), noise=noise, seed=seed)
        there, _ = _shares(down.velocity, known[row - 1])
        at = (np.arange(there.size) + 0.5) * _HOP / RATE_HZ
        assert there[np.flatnonzero(at < turn)[-1]] > 0.5, f"{note.note}: the fast swell did not reach the mode"
        gone = np.flatnonzero((at > turn) & (there < 0.5))
        fall = float(down.breath_pa[_HOP // 2 :: _HOP][gone[0]]) if gone.size else math.nan
    return Swell(
        bool(share[11] > 0.8), float(breath[left[0]]) if left.size else math.nan, int(modes.numbers[row]),
        note.highest_pa, fall, lowest,
    )  # fmt: skip


def heard(sound, *, quiet_s=0.2):
    """Return the notes that the program's own listening finds, times from the gesture's beginning; hiss added."""
    quiet = np.zeros(round(quiet_s * RATE_HZ))
    y = np.concatenate([quiet, sound.samples(), quiet])
    y = y + 1e-4 * np.random.default_rng(1).standard_normal(y.size)
    hearing = hear_notes(Recording(y, float(sound.rate_hz), 1, y.size / sound.rate_hz, ""))
    return [(n.onset_s - quiet_s, n.offset_s - quiet_s, n.frequency_hz) for n in hearing.notes]
