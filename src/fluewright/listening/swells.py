"""A slow rise and fall of breath: pitch against level or breath, jumps between registers, warbles.

The pitch track (every 10 ms) is cut where it moves by a third or more and stays; what lies between is a stretch of one
register. What of that does not depend on breath is found once (`follow_registers`); a breath log is laid beside it
afterwards (`swell_of`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from fluewright.arrays import BoolArray, FloatArray
from fluewright.errors import RecordingError
from fluewright.listening.breath_log import BreathLog
from fluewright.listening.jumps import Jump, jump_s
from fluewright.listening.medians import running_median
from fluewright.listening.pitch import PitchTrack
from fluewright.listening.segments import runs_of, sounding_frames
from fluewright.listening.sound import Sound
from fluewright.listening.warbles import Warble, find_warbles
from fluewright.units import CENTS_PER_OCTAVE, cents_above

__all__ = ["HeldRegister", "Registers", "Swell", "SwellStretch", "follow_registers", "swell_of"]


_HOP_S = 0.010
_JUMP_CENTS = 300.0
_SHORTEST_S = 0.12
_HOLE_S = 0.15
_NEXT_FRAMES = 8
_BREATH_PAUSE_S = 0.5
_SHORTEST_BREATH_S = 1.0
# A doubling of the jet's force makes about so much more level.
_DB_PER_DOUBLING = 6.0
_FEWEST = 20
_LEAST_PA = 5.0
_MOST_PLACES = 400


@dataclass(frozen=True)
class SwellStretch:
    """One register held.

    Attributes
    ----------
    start_s, end_s : float
    times_s, frequencies_hz, levels_db, pressures_pa : array, shape (n,)
        Every 10 ms; 0 dB is a sine of full scale; pressures NaN without a breath log.
    cents_per_doubling : float
        Rise of pitch a doubling of breath; with no breath log a 6 dB rise of level. NaN where breath hardly moves.
    """

    start_s: float
    end_s: float
    times_s: FloatArray
    frequencies_hz: FloatArray
    levels_db: FloatArray
    pressures_pa: FloatArray
    cents_per_doubling: float

    @property
    def middle_hz(self) -> float:
        """Return the median pitch."""
        return float(np.median(self.frequencies_hz))


@dataclass(frozen=True)
class Swell:
    """All that was heard of one or more swells in a recording."""

    stretches: tuple[SwellStretch, ...]
    jumps: tuple[Jump, ...]
    warbles: tuple[Warble, ...]
    warnings: tuple[str, ...]

    def breaths(self) -> "tuple[Swell, ...]":
        """Return every breath by itself: what lies within half a second of one another, a second long at least."""
        groups: list[list[SwellStretch]] = []
        for stretch in self.stretches:
            if groups and stretch.start_s - groups[-1][-1].end_s < _BREATH_PAUSE_S:
                groups[-1].append(stretch)
            else:
                groups.append([stretch])
        out = []
        for group in groups:
            start_s, end_s = group[0].start_s, group[-1].end_s
            if end_s - start_s > _SHORTEST_BREATH_S:
                jumps = tuple(j for j in self.jumps if start_s <= j.time_s <= end_s)
                warbles = tuple(w for w in self.warbles if w.start_s <= end_s and w.end_s >= start_s)
                out.append(Swell(tuple(group), jumps, warbles, ()))
        return tuple(out)


@dataclass(frozen=True, eq=False)
class HeldRegister:
    """One register held, without its breath.

    Attributes
    ----------
    first, last : int
        Frames of the track, both counted in.
    times_s, frequencies_hz, levels_db : float array, shape (n,)
        What they hold, slips to another pitch left out.
    """

    first: int
    last: int
    times_s: FloatArray
    frequencies_hz: FloatArray
    levels_db: FloatArray


@dataclass(frozen=True)
class Registers:
    """What of swells does not depend on breath: registers held, jumps without their pressures, warbles."""

    held: tuple[HeldRegister, ...]
    jumps: tuple[Jump, ...]
    warbles: tuple[Warble, ...]


def follow_registers(sound: Sound, track: PitchTrack, *, clear_db: float) -> Registers:
    """Follow pitch, level and register through slow swells.

    Parameters
    ----------
    sound : Sound
        At a rate from `thin_out`.
    track : PitchTrack
        Its pitch every 10 ms.
    clear_db : float
        How far a tone must stand above the background; see `ListeningSettings`.

    Raises
    ------
    RecordingError
        Nothing with a pitch sounds.
    """
    sounding = sounding_frames(track.level_db, track.clarity_db, clear_db=clear_db, frames_per_s=1.0 / _HOP_S)
    if not sounding.any():
        raise RecordingError("no pitch stands clear of the background; record nearer to the instrument")
    cents = CENTS_PER_OCTAVE * np.log2(np.maximum(track.pitch_hz, 1.0))
    held = [_held(track, *piece) for run in _runs(sounding) for piece in _registers(cents, run)]
    jumps = [j for before, after in pairwise(held) if (j := _jump(sound, before, after)) is not None]
    spans_s = [(h.first * _HOP_S, h.last * _HOP_S) for h in held]
    return Registers(tuple(held), tuple(jumps), find_warbles(sound, spans_s))


def swell_of(registers: Registers, log: BreathLog | None = None, *, warnings: Sequence[str] = ()) -> Swell:
    """Return swells with the breath beside them.

    Parameters
    ----------
    registers : Registers
    log : BreathLog, optional
        On the recording's clock (`align_log`).
    warnings : sequence of str
        What was odd about the recording; the log's own are added.
    """
    stretches = tuple(_stretch(h, log) for h in registers.held)
    if log is None:
        return Swell(stretches, registers.jumps, registers.warbles, tuple(warnings))
    pressures = log.at(np.array([j.time_s for j in registers.jumps]))
    jumps = tuple(replace(j, pressure_pa=float(pa)) for j, pa in zip(registers.jumps, pressures, strict=True))
    return Swell(stretches, jumps, registers.warbles, (*warnings, *log.warnings))


def _runs(sounding: BoolArray) -> list[tuple[int, int]]:
    """Return (first, last) of runs of sounding frames; short holes are closed."""
    runs: list[tuple[int, int]] = []
    for first, last in runs_of(sounding):
        if runs and first - runs[-1][1] - 1 <= _HOLE_S / _HOP_S:
            runs[-1] = (runs[-1][0], last)
        else:
            runs.append((first, last))
    return [r for r in runs if (r[1] - r[0] + 1) * _HOP_S >= _SHORTEST_S]


def _registers(cents: FloatArray, run: tuple[int, int]) -> list[tuple[int, int]]:
    """Cut a run where pitch moves by a third or more and stays; return (first, last) of the pieces."""
    first, last = run
    smooth = running_median(cents[first : last + 1], 9)
    labels = np.zeros(len(smooth), dtype=int)
    level, label = smooth[0], 0
    seen: list[float] = [level]
    for i, value in enumerate(smooth):
        # The register's own pitch is followed slowly; a leap from it begins another.
        if abs(value - level) > _JUMP_CENTS:
            label += 1
            level = value
            seen.append(level)
        else:
            level += 0.1 * (value - level)
        labels[i] = label
    pieces = []
    for k in range(label + 1):
        places = np.flatnonzero(labels == k)
        if len(places) * _HOP_S >= _SHORTEST_S:
            pieces.append((first + int(places[0]), first + int(places[-1])))
    merged: list[tuple[int, int]] = []
    for a, b in pieces:
        if merged and abs(np.median(cents[a : a + 12]) - np.median(cents[merged[-1][1] - 11 : merged[-1][1] + 1])) < (
            _JUMP_CENTS
        ):
            merged[-1] = (merged[-1][0], b)
        else:
            merged.append((a, b))
    return merged


def _held(track: PitchTrack, first: int, last: int) -> HeldRegister:
    """Return what the track holds from one frame to another, both counted in; slips to another pitch are left out."""
    part = slice(first, last + 1)
    hz = running_median(track.pitch_hz[part], 5)
    inside = np.abs(cents_above(hz, float(np.median(hz)))) < _JUMP_CENTS
    return HeldRegister(first, last, track.times_s[part][inside], hz[inside], track.level_db[part][inside])


def _jump(sound: Sound, before: HeldRegister, after: HeldRegister) -> Jump | None:
    """Return the jump from one register to the next, or None where there is a pause or hardly a step."""
    last_hz, next_hz = before.frequencies_hz[-_NEXT_FRAMES:], after.frequencies_hz[:_NEXT_FRAMES]
    step = cents_above(float(next_hz.mean()), float(last_hz.mean()))
    if (after.first - before.last) * _HOP_S > _HOLE_S or abs(step) < _JUMP_CENTS:
        return None
    before_hz, after_hz = float(np.median(last_hz)), float(np.median(next_hz))
    between_s = (float(before.times_s[-1]), float(after.times_s[0]))
    return Jump(
        jump_s(sound, between_s=between_s, before_hz=before_hz, after_hz=after_hz),
        step > 0.0,
        before_hz,
        after_hz,
        float(np.median(before.levels_db[-_NEXT_FRAMES:])),
        float(np.median(after.levels_db[:_NEXT_FRAMES])),
    )


def _stretch(held: HeldRegister, log: BreathLog | None) -> SwellStretch:
    t, f, db = held.times_s, held.frequencies_hz, held.levels_db
    pa = log.at(t) if log is not None else np.full(len(t), math.nan)
    blown = np.isfinite(pa) & (pa > _LEAST_PA)
    # Doubling of breath where it is known; else what a doubling does to the level.
    by, use = db / _DB_PER_DOUBLING, np.ones(len(db), dtype=bool)
    if blown.sum() > _FEWEST:
        by, use = np.log2(np.maximum(pa, 1e-3)), blown
    slope = math.nan
    if use.sum() > _FEWEST and np.ptp(by[use]) > 0.4:
        from scipy.stats import theilslopes

        step = max(int(use.sum()) // _MOST_PLACES, 1)
        cents = cents_above(f[use], float(np.median(f)))
        slope = float(theilslopes(cents[::step], by[use][::step])[0])
    return SwellStretch(float(t[0]), float(t[-1]), t, f, db, pa, slope)
