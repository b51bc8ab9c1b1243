"""A slow rise and fall of breath: pitch against level or breath, jumps between registers, warbles.

The pitch track (every 10 ms) is cut where it moves by a third or more and stays; what lies between is a stretch of one
register. The moment of a jump is where the sound of one pitch gives way to that of the other, by the power of their own
partials in short windows. Where the level beats by more than 6 dB at 7.5 to 60 Hz, as two modes at once make it, a
warble is told.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fluewright.arrays import BoolArray, FloatArray
from fluewright.errors import RecordingError
from fluewright.listening.breath_log import BreathLog
from fluewright.listening.medians import running_median
from fluewright.listening.notes import ListeningSettings
from fluewright.listening.pitch import track_pitch
from fluewright.listening.recordings import Recording
from fluewright.listening.segments import sounding_frames
from fluewright.listening.spectra import find_hum, thin_out
from fluewright.units import cents_above

__all__ = ["Jump", "Swell", "SwellStretch", "Warble", "hear_swell"]


_HOP_S = 0.010
_JUMP_CENTS = 300.0
_SHORTEST_S = 0.12
_HOLE_S = 0.15
_WINDOW_S = 0.012


@dataclass(frozen=True)
class SwellStretch:
    """One register held.

    Attributes
    ----------
    start_s, end_s : float
    times_s, frequencies_hz, levels_db, pressures_pa : array, shape (n,)
        Every 10 ms; pressures NaN without a breath log.
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
class Jump:
    """A change of register within the breath.

    Attributes
    ----------
    time_s : float
    up : bool
    before_hz, after_hz, before_db, after_db : float
        Pitch and level just before and after.
    pressure_pa : float
        NaN without a breath log.
    """

    time_s: float
    up: bool
    before_hz: float
    after_hz: float
    before_db: float
    after_db: float
    pressure_pa: float


@dataclass(frozen=True)
class Warble:
    """A stretch whose level beats, and how often a second."""

    start_s: float
    end_s: float
    rate_hz: float


@dataclass(frozen=True)
class Swell:
    """All that was heard of one or more swells in a recording."""

    stretches: tuple[SwellStretch, ...]
    jumps: tuple[Jump, ...]
    warbles: tuple[Warble, ...]
    warnings: tuple[str, ...]


def hear_swell(
    recording: Recording, log: BreathLog | None = None, *, settings: ListeningSettings | None = None
) -> Swell:
    """Follow pitch, level and register through slow swells.

    Parameters
    ----------
    recording : Recording
    log : BreathLog, optional
        On the recording's clock (`align_log`).
    settings : ListeningSettings, optional

    Raises
    ------
    RecordingError
        The sample rate is too low, or nothing with a pitch sounds.
    """
    settings = settings or ListeningSettings()
    samples, rate_hz = thin_out(recording.samples, recording.rate_hz)
    if settings.lowest_hz > 0.2 * rate_hz:
        raise RecordingError(f"{rate_hz:g} samples a second are too few; record at 44100 or 48000")
    hum = find_hum(samples, rate_hz, lowest_hz=settings.lowest_hz)
    track = track_pitch(
        samples, rate_hz, lowest_hz=settings.lowest_hz, highest_hz=settings.highest_hz, hop_s=_HOP_S, hum=hum
    )
    sounding = sounding_frames(track.level_db, track.clarity_db, clear_db=settings.clear_db, frames_per_s=1.0 / _HOP_S)
    if not sounding.any():
        raise RecordingError("no pitch stands clear of the background; record nearer to the instrument")
    cents = 1200.0 * np.log2(np.maximum(track.pitch_hz, 1.0))
    groups = [g for run in _runs(sounding) for g in _registers(cents, run)]
    pressures = log.at(track.times_s) if log is not None else np.full(len(track.times_s), math.nan)
    stretches = [_stretch(track.times_s, track.pitch_hz, track.level_db, pressures, a, b) for a, b in groups]
    jumps = []
    for (first, second), (before, after) in zip(pairwise(groups), pairwise(stretches), strict=True):
        step = cents_above(after.frequencies_hz[:8].mean(), before.frequencies_hz[-8:].mean())
        if (second[0] - first[1]) * _HOP_S > _HOLE_S or abs(step) < _JUMP_CENTS:
            continue
        time = _moment(
            samples,
            rate_hz,
            before.end_s,
            after.start_s,
            float(np.median(before.frequencies_hz[-8:])),
            float(np.median(after.frequencies_hz[:8])),
        )
        jumps.append(
            Jump(
                time,
                step > 0.0,
                float(np.median(before.frequencies_hz[-8:])),
                float(np.median(after.frequencies_hz[:8])),
                float(np.median(before.levels_db[-8:])),
                float(np.median(after.levels_db[:8])),
                float(log.at(np.array([time]))[0]) if log else math.nan,
            )
        )
    warnings = [*recording.warnings, *(log.warnings if log else ())]
    return Swell(tuple(stretches), tuple(jumps), tuple(_warbles(samples, rate_hz, groups)), tuple(warnings))


def _runs(sounding: BoolArray) -> list[tuple[int, int]]:
    """Return (first, last) of runs of sounding frames; short holes are closed."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], sounding.astype(np.int8), [0]])))
    runs: list[tuple[int, int]] = []
    for first, stop in zip(edges[0::2], edges[1::2], strict=True):
        if runs and first - runs[-1][1] - 1 <= _HOLE_S / _HOP_S:
            runs[-1] = (runs[-1][0], int(stop) - 1)
        else:
            runs.append((int(first), int(stop) - 1))
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


def _stretch(
    times: FloatArray, pitch: FloatArray, level: FloatArray, pressures: FloatArray, first: int, last: int
) -> SwellStretch:
    part = slice(first, last + 1)
    hz = running_median(pitch[part], 5)
    middle = float(np.median(hz))
    inside = np.abs(cents_above(hz, middle)) < _JUMP_CENTS
    t, f, db, pa = times[part][inside], hz[inside], level[part][inside], pressures[part][inside]
    blown = np.isfinite(pa) & (pa > 5.0)
    # Doubling of breath where it is known; else 6 dB, which a doubling of the jet's force about makes.
    by = np.log2(np.maximum(pa, 1e-3)) if blown.sum() > 20 else db / 6.0
    use = blown if blown.sum() > 20 else np.ones(len(db), dtype=bool)
    slope = math.nan
    if use.sum() > 20 and np.ptp(by[use]) > 0.4:
        from scipy.stats import theilslopes

        step = max(int(use.sum()) // 400, 1)
        slope = float(theilslopes(1200.0 * np.log2(f[use] / middle)[::step], by[use][::step])[0])
    return SwellStretch(float(t[0]), float(t[-1]), t, f, db, pa, slope)


def _own_partials(own_hz: float, other_hz: float, rate_hz: float) -> list[float]:
    """Return the first partials of a pitch that are none of the other's."""
    found = []
    for k in range(1, 9):
        at = k * own_hz
        if at > 0.45 * rate_hz:
            break
        nearest = max(round(at / other_hz), 1) * other_hz
        if abs(at - nearest) > 0.25 * min(own_hz, other_hz):
            found.append(at)
    return found[:3]


def _moment(
    samples: FloatArray, rate_hz: float, before_s: float, after_s: float, low_hz: float, high_hz: float
) -> float:
    """Return when one pitch gives way to the other: where partials that only one has pass half of their own level.

    The lower pitch of an octave has partials of its own, the upper has none; then the lower one's alone decide.
    """
    middle = 0.5 * (before_s + after_s)
    reach = 0.5 * (after_s - before_s) + 0.12
    length = round(max(_WINDOW_S, 4.0 / min(low_hz, high_hz)) * rate_hz)
    window = np.hanning(length)
    centres = np.arange(middle - reach, middle + reach, 0.002)
    starts = np.rint(centres * rate_hz).astype(int) - length // 2
    kept = (starts >= 0) & (starts + length <= len(samples))
    if kept.sum() < 10:
        return middle
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[starts[kept]] * window
    t = np.arange(length) / rate_hz

    def amount(partials: list[float]) -> FloatArray:
        total = np.zeros(len(frames))
        for f in partials:
            total += np.abs(frames @ np.exp(-2j * np.pi * f * t)) ** 2
        return np.sqrt(total)

    shares = []
    for own, other, rising in ((low_hz, high_hz, False), (high_hz, low_hz, True)):
        partials = _own_partials(own, other, rate_hz)
        if not partials:
            continue
        size = amount(partials)
        edge = max(len(size) // 6, 3)
        top = float(np.median(size[-edge:] if rising else size[:edge]))
        rest = float(np.median(size[:edge] if rising else size[-edge:]))
        if top > 2.0 * rest:
            part = np.clip((size - rest) / (top - rest), 0.0, 1.0)
            shares.append(part if rising else 1.0 - part)
    if not shares:
        return middle
    share = running_median(np.mean(shares, axis=0), 5)
    # The last place that still belongs to the first pitch.
    under = np.flatnonzero(share < 0.5)
    at = centres[kept]
    if len(under) == 0 or under[-1] == len(at) - 1:
        over = np.flatnonzero(share >= 0.5)
        return float(at[over[0]]) if len(over) else middle
    return float(0.5 * (at[under[-1]] + at[under[-1] + 1]))


def _warbles(samples: FloatArray, rate_hz: float, groups: list[tuple[int, int]]) -> list[Warble]:
    """Return stretches whose level beats at 7.5 to 60 Hz by more than 6 dB from top to bottom, away from the ends."""
    found: list[Warble] = []
    hop = round(0.004 * rate_hz)
    width, step = 100, 25  # of the 4 ms levels: 0.4 s every 0.1 s
    for first, last in groups:
        a, b = round((first * _HOP_S + 0.06) * rate_hz), round((last * _HOP_S - 0.06) * rate_hz)
        count = (b - a) // hop
        if count < width:
            continue
        level = np.sqrt(np.mean(np.square(samples[a : a + count * hop]).reshape(count, hop), axis=1))
        level = running_median(level, 3)
        for start in range(0, count - width + 1, step):
            piece = level[start : start + width]
            smooth = np.polynomial.Polynomial.fit(np.arange(width), piece, 2)(np.arange(width))
            beat = piece / np.maximum(smooth, 1e-9) - 1.0
            spectrum = np.abs(np.fft.rfft(beat * np.hanning(width))) * 4.0 / width
            frequency = np.fft.rfftfreq(width, hop / rate_hz)
            band = (frequency >= 7.4) & (frequency <= 60.0)
            best = int(np.argmax(np.where(band, spectrum, 0.0)))
            # 6 dB from top to bottom is an amplitude of one third.
            if spectrum[best] < 0.33:
                continue
            t0 = (a + start * hop) / rate_hz
            t1 = t0 + width * hop / rate_hz
            if found and t0 <= found[-1].end_s:
                found[-1] = Warble(found[-1].start_s, t1, found[-1].rate_hz)
            else:
                found.append(Warble(t0, t1, float(frequency[best])))
    return found
