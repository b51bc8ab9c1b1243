"""Breath pressure recorded beside the sound: read from a table, or from a few readings of a water column."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.errors import InputError, RecordingError
from fluewright.files import read_text
from fluewright.units import MM_OF_WATER_PA

__all__ = ["BreathLog", "align_log", "read_breath_log", "typed_breath_log"]


_MOST_BYTES = 64 * 1024**2
# Of a time in whatever unit a clock counts: thirty years in microseconds.
_LATEST = 1e15
_HIGHEST_PA = 50_000.0


@dataclass(frozen=True, eq=False)
class BreathLog:
    """Blowing pressure over time.

    Attributes
    ----------
    times_s, pressures_pa : float array, shape (n,)
        Rising times on the recording's clock, and Pa.
    warnings : tuple of str
    """

    times_s: FloatArray
    pressures_pa: FloatArray
    warnings: tuple[str, ...] = ()

    def at(self, times_s: FloatArray) -> FloatArray:
        """Return the pressure in Pa at given times, shape (n,), by straight lines.

        NaN before the first and after the last reading.
        """
        return np.interp(times_s, self.times_s, self.pressures_pa, left=math.nan, right=math.nan)

    def moved(self, offset_s: float, *, rate: float = 1.0) -> "BreathLog":
        """Return the log with its times t turned into rate t + offset_s."""
        return BreathLog(rate * self.times_s + offset_s, self.pressures_pa, self.warnings)


def read_breath_log(path: Path) -> BreathLog:
    """Read a table of two columns, time and pressure in Pa.

    Columns are separated by comma, semicolon, tab or blanks; titles above the
    first reading and lines that begin with # are passed over. Times in
    seconds, or in milliseconds where they are whole numbers over 1000 in steps over 1. A time that runs back by more
    than a second is taken for a counter that overflowed at a power of two.

    Raises
    ------
    RecordingError
        The file cannot be read, holds no two readings, or a line is no pair of finite numbers; the line is named.
    """
    try:
        text = read_text(path, "a breath log, a CSV of time and Pa,", most_bytes=_MOST_BYTES)
    except InputError as fault:
        raise RecordingError(str(fault)) from None
    rows: list[tuple[float, float]] = []
    decimal_comma = ";" in text
    for number, line in enumerate(text.splitlines(), start=1):
        bare = line.replace('"', "").strip()
        words = [w for w in re.split(r"[;\t ]+" if decimal_comma else r"[,;\t ]+", bare) if w]
        if not words or words[0][0] == "#" or (words[0][0].isalpha() and not rows):
            continue
        try:
            time, pressure = (float(w.replace(",", ".")) for w in words[:2])
        except ValueError:
            raise RecordingError(
                f"{path}, line {number}: {line[:60]!r} is no pair of time and pressure in Pa, like 1.250,180"
            ) from None
        if not (abs(time) <= _LATEST and abs(pressure) <= _HIGHEST_PA):
            raise RecordingError(
                f"{path}, line {number}: {line[:60]!r} holds a value that is no number, beyond "
                f"{_HIGHEST_PA:g} Pa, or a time beyond {_LATEST:g}"
            )
        rows.append((time, pressure))
    if len(rows) < 2:
        raise RecordingError(f"{path}: fewer than two readings of time and pressure; give a CSV of seconds and Pa")
    times, pressures = (np.array(column) for column in zip(*rows, strict=True))
    whole = bool(np.all(times == np.rint(times))) and times.max() > 1000.0
    scale = 1e-3 if whole and float(np.median(np.abs(np.diff(times)))) > 1.0 else 1.0
    warnings = []
    back = np.flatnonzero(np.diff(times) < -1.0 / scale)
    if len(back):
        span = 2.0 ** math.ceil(math.log2(max(float(times.max()), 2.0)))
        for place in back:
            times[place + 1 :] += span
        warnings.append(f"the breath log's clock ran back {len(back)} times; it is taken to overflow at {span:g}")
    if (np.diff(times) < 0.0).any():
        raise RecordingError(f"{path}: the times do not rise; sort the log by time")
    first = np.concatenate([[True], np.diff(times) > 0.0])
    return BreathLog(times[first] * scale, pressures[first], tuple(warnings))


def typed_breath_log(readings: Sequence[str]) -> BreathLog:
    """Return the log of a few readings typed like ``2.5=120`` (s = Pa) or ``2.5=12mm`` (of water; also cm).

    Raises
    ------
    RecordingError
        Fewer than two readings, or one that cannot be read.
    """
    rows = []
    for text in readings:
        found = re.fullmatch(r"\s*([0-9.]+)\s*s?\s*=\s*([0-9.]+)\s*(pa|mm|cm)?\s*", text.lower())
        try:
            if found is None:
                raise ValueError
            factor = {"mm": MM_OF_WATER_PA, "cm": 10.0 * MM_OF_WATER_PA}.get(found[3] or "pa", 1.0)
            rows.append((float(found[1]), factor * float(found[2])))
        except ValueError:
            raise RecordingError(
                f"breath reading {text!r}: write SECONDS=PRESSURE, in Pa or with mm or cm of water: 2.5=120, 2.5=12mm"
            ) from None
    rows.sort()
    if len(rows) < 2 or any(a[0] == b[0] for a, b in pairwise(rows)):
        raise RecordingError("breath readings: give at least two, at different times")
    times, pressures = (np.array(column) for column in zip(*rows, strict=True))
    return BreathLog(times, pressures)


def align_log(log: BreathLog, times_s: FloatArray, levels_db: FloatArray) -> tuple[BreathLog, float, float]:
    """Find which time of a sound a breath log begins at, from level and pressure.

    Level rises with the logarithm of breath; the shift is where both, taken every 20 ms, correlate best.

    Parameters
    ----------
    log : BreathLog
    times_s, levels_db : float array, shape (n,)
        Level of the sound against time.

    Returns
    -------
    log : BreathLog
        On the recording's clock.
    shift_s : float
        Its time 0 there.
    correlation : float

    Raises
    ------
    RecordingError
        Too little sound or pressure, or no shift at which they agree (correlation under 0.4).
    """
    step = 0.02
    grid = np.arange(times_s[0], times_s[-1], step)
    level = np.interp(grid, times_s, np.maximum(levels_db, np.max(levels_db) - 60.0))
    span = np.arange(log.times_s[0], log.times_s[-1], step)
    force = np.log(np.maximum(np.interp(span, log.times_s, log.pressures_pa), 3.0))
    if len(grid) < 100 or len(span) < 100 or np.ptp(force) < 0.5 or np.ptp(level) < 6.0:
        raise RecordingError("breath log: too little sound or pressure to find which belongs to which; give the offset")
    from scipy.signal import correlate

    size = len(grid) + len(span)
    a, b = level - level.mean(), force - force.mean()
    together = correlate(a, b, method="fft")
    ones_a, ones_b = np.ones(len(a)), np.ones(len(b))
    power = correlate(a * a, ones_b, method="fft") * correlate(ones_a, b * b, method="fft")
    overlap = correlate(ones_a, ones_b, method="fft")
    likely = together / np.sqrt(np.maximum(power, 1e-9))
    likely[overlap < 0.3 * min(len(a), len(b))] = -1.0
    best = int(np.argmax(likely))
    shift = (best - (len(span) - 1)) * step + grid[0] - span[0]
    if likely[best] < 0.4 or size == 0:
        raise RecordingError(
            f"breath log: level and pressure agree nowhere (best correlation {likely[best]:.2f}); give the offset"
        )
    return log.moved(float(shift)), float(shift), float(likely[best])
