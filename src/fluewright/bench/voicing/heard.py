"""A head's trial out of recordings: slow swells beside a breath log, and tongued notes.

A swell gives where a note begins and dies away, where it jumps and falls back, and its pitch against breath; tongued
notes give rise, chiff, hiss, partials and level. Which note a stretch is: the nearest of the model's within 90 cents of
its middle pitch, taken as the upper register where a jump led to it.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.bench.voicing.trial import NoteTrial, Reading, merged
from fluewright.errors import RecordingError
from fluewright.listening.note_tones import NoteTone
from fluewright.listening.swells import Swell, SwellStretch
from fluewright.units import cents_above

__all__ = ["notes_of_swell", "notes_of_tones"]


_NEAR_CENTS = 90.0
_ABOUT = 1.3  # breath over comfortable up to which the rise of pitch is read
_LAG = 0.03  # relative error of a breath in a swell: the sound follows late


def _nearest(hz: float, targets: Mapping[tuple[str, int], float], *, upper: bool) -> tuple[str, int] | None:
    """Return the model's note of a pitch: of two with one name the upper where a jump led to it."""
    off = {k: abs(cents_above(hz, f)) for k, f in targets.items()}
    near = sorted((k for k in off if off[k] <= _NEAR_CENTS), key=lambda k: (round(off[k]), k[1]))
    if not near:
        return None
    same = [k for k in near if k[0] == near[0][0]]
    return max(same, key=lambda k: k[1]) if upper else min(same, key=lambda k: k[1])


def notes_of_swell(
    swell: Swell, targets: Mapping[tuple[str, int], float], comfortable_pa: Mapping[tuple[str, int], float], *,
    full_scale_db: float = math.nan,
) -> tuple[tuple[NoteTrial, ...], tuple[str, ...]]:  # fmt: skip
    """Return (what each note gave, warnings).

    Parameters
    ----------
    swell : Swell
        Heard with a breath log.
    targets : mapping of (note, register) to Hz
    comfortable_pa : mapping of (note, register) to Pa
        The breath at which pitch is read; the model's planned one where the maker names none.
    full_scale_db : float
        Sound pressure level, dB at 1 m, of a sine of full scale: from a calibration of the microphone. Without it the
        level is left out: in dB of full scale it says nothing beside the model's.

    Raises
    ------
    RecordingError
        No stretch has a known breath.
    """
    if not any(np.isfinite(s.pressures_pa).any() for s in swell.stretches):
        raise RecordingError(
            "the swell has no breath beside it: give --breath-log FILE, or readings like --breath 0=40 --breath 12=280"
        )
    warnings = list(swell.warnings)
    named: list[tuple[str, int] | None] = []
    for stretch in swell.stretches:
        led = any(j.up and abs(j.time_s - stretch.start_s) < 0.3 for j in swell.jumps)
        name = _nearest(stretch.middle_hz, targets, upper=led)
        if name is None:
            warnings.append(f"{stretch.middle_hz:.1f} Hz at {stretch.start_s:.2f} s fits no note of the model")
        named.append(name)
    parts = []
    for stretch, name in zip(swell.stretches, named, strict=True):
        if name is not None:
            parts.append(_stretch(stretch, name, swell, targets[name], comfortable_pa[name], full_scale_db))
    for jump in swell.jumps:
        if not math.isfinite(jump.pressure_pa):
            continue
        rising = _rising(swell, jump.time_s)
        low_hz, high_hz = sorted((jump.before_hz, jump.after_hz))
        below = _nearest(low_hz, targets, upper=False)
        above = _nearest(high_hz, targets, upper=True)
        if jump.up == rising:
            # On rising breath it jumps up, on falling breath the upper register falls back.
            if below is not None:
                parts.append(NoteTrial(*below, {"jump_pa" if rising else "fall_back_pa": _breath(jump.pressure_pa)}))
            if above is not None and above[1] > 1 and not rising:
                parts.append(NoteTrial(*above, {"lowest_pa": _breath(jump.pressure_pa)}))
        elif below is not None and below[1] == 1:
            # Under its lowest breath a note may whistle faintly at a higher mode: it begins and ends there.
            parts.append(NoteTrial(*below, {"lowest_pa": _breath(jump.pressure_pa, 0.05)}))
    return merged(parts), tuple(dict.fromkeys(warnings))


def _rising(swell: Swell, time_s: float) -> bool:
    """Return whether breath rises about a time."""
    times = np.concatenate([s.times_s for s in swell.stretches])
    pressures = np.concatenate([s.pressures_pa for s in swell.stretches])
    near = np.isfinite(pressures) & (np.abs(times - time_s) < 1.0)
    if near.sum() < 3:
        return True
    return float(np.polyfit(times[near] - time_s, pressures[near], 1)[0]) >= 0.0


def _breath(pressure: float, spread: float = 0.0) -> Reading:
    return Reading(pressure, pressure * math.hypot(_LAG, spread))


def _stretch(
    stretch: SwellStretch, name: tuple[str, int], swell: Swell, target_hz: float, comfortable: float,
    full_scale_db: float,
) -> NoteTrial:  # fmt: skip
    readings: dict[str, Reading] = {}
    pa, hz = stretch.pressures_pa, stretch.frequencies_hz
    inner = [j.time_s for j in swell.jumps]
    ends = []
    for time, place in ((stretch.start_s, 0), (stretch.end_s, -1)):
        if not any(abs(time - t) < 0.3 for t in inner) and math.isfinite(pa[place]):
            ends.append(float(pa[place]))
    if name[1] == 1 and ends:
        # It begins late on rising breath and dies late on falling breath: the mean of both, where both are heard.
        spread = 0.5 * abs(math.log(ends[0] / ends[-1])) if len(ends) > 1 and min(ends) > 0.0 else 0.05
        middle = math.sqrt(ends[0] * ends[-1]) if len(ends) > 1 else ends[0]
        if middle > 0.0:
            readings["lowest_pa"] = _breath(middle, 0.5 * spread)
    known = np.isfinite(pa) & (pa > 0.0)
    curve: tuple[tuple[float, float], ...] = ()
    if known.sum() >= 10:
        order = np.argsort(pa[known])
        x, f = np.log(pa[known][order]), hz[known][order]
        cents = cents_above(f, target_hz)
        groups = np.array_split(np.arange(x.size), min(24, x.size // 5))
        curve = tuple((float(np.exp(x[g].mean())), float(np.median(f[g]))) for g in groups)
        near = np.abs(x - math.log(comfortable)) < math.log(_ABOUT)
        if near.sum() >= 10 and np.ptp(x[near]) > 0.5 * math.log(_ABOUT):
            slope, level = np.polyfit(x[near] - math.log(comfortable), cents[near], 1)
            readings["comfortable_pa"] = _breath(comfortable)
            readings["cents"] = Reading(float(level), QUANTITIES["cents"].reading)
            readings["cents_per_doubling"] = Reading(
                float(slope) * math.log(2.0), QUANTITIES["cents_per_doubling"].reading
            )
            if math.isfinite(full_scale_db):
                level = float(np.interp(math.log(comfortable), x, stretch.levels_db[known][order]))
                readings["level_db"] = Reading(level + full_scale_db, 1.0)
    return NoteTrial(*name, readings, curve)


def notes_of_tones(
    tones: Sequence[NoteTone], targets: Mapping[tuple[str, int], float]
) -> tuple[tuple[NoteTrial, ...], tuple[str, ...]]:
    """Return (attack, hiss, partials and level of each tongued note, warnings).

    A note's chiff is left out where none stands out of the tone's own noise.
    """
    parts, warnings = [], []
    for tone in tones:
        name = _nearest(tone.note.frequency_hz, targets, upper=False)
        if name is None:
            warnings.append(f"{tone.note.frequency_hz:.1f} Hz at {tone.note.onset_s:.2f} s fits no note of the model")
            continue
        levels = tone.harmonic_levels_db
        values = {
            "rise_s": tone.rise_s,
            "chiff_db": tone.chiff_db,
            "hiss_db": -tone.harmonic_to_noise_db,
            "second_db": levels[1] - levels[0],
            "third_db": levels[2] - levels[0],
        }
        readings = {}
        for key, value in values.items():
            spec = QUANTITIES[key]
            if math.isfinite(value) and spec.low <= value <= spec.high:
                readings[key] = Reading(value, spec.reading * (abs(value) if spec.relative else 1.0))
        parts.append(NoteTrial(*name, readings))
    return merged(parts), tuple(dict.fromkeys(warnings))
