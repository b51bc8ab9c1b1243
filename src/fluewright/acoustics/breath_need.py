"""What breath a whole model asks of its player: the curve that plays it in tune, notes in danger, width of octaves."""

import math
from dataclasses import dataclass

import numpy as np

from fluewright.acoustics.sounding import Blown
from fluewright.units import cents_above

__all__ = ["BreathNeed", "breath_curve", "octave_widths"]


@dataclass(frozen=True)
class BreathNeed:
    """The breath that plays a whole model in tune.

    Attributes
    ----------
    lowest_pa, exponent : float
        p = lowest_pa (f/f_lowest)**exponent, a straight line through the logarithms of the notes' own breaths.
    unevenness : float
        Root mean square of the notes' relative distance from it.
    at_risk : tuple of str
        Notes whose planned breath lies within 15 % of where the register jumps or beyond, or under where it holds.
    hard_to_reach : tuple of str
        Notes that no breath within their register brings to their target, or that do not sound at all.
    """

    lowest_pa: float
    exponent: float
    unevenness: float
    at_risk: tuple[str, ...]
    hard_to_reach: tuple[str, ...]


def breath_curve(blown: Blown) -> BreathNeed:
    """Return the breath that plays all notes in tune, how even it is, and which notes are in danger."""
    at_risk, hard = [], []
    x: list[float] = []
    y: list[float] = []
    for note in blown.notes:
        name = f"{note.note} (register {note.register})"
        if math.isfinite(note.in_tune_pa) and not (
            note.in_tune_pa < note.lowest_pa or note.in_tune_pa > note.highest_pa
        ):
            x.append(math.log(note.target_hz))
            y.append(math.log(note.in_tune_pa))
        else:
            hard.append(name)
        if note.planned_pa > 0.85 * note.highest_pa or note.planned_pa < note.lowest_pa:
            at_risk.append(name)
    if len(x) < 2:
        return BreathNeed(math.nan, math.nan, math.nan, tuple(dict.fromkeys(at_risk)), tuple(dict.fromkeys(hard)))
    lowest = min(math.log(n.target_hz) for n in blown.notes)
    slope, level = np.polyfit(np.asarray(x) - lowest, y, 1)
    rest = np.asarray(y) - level - slope * (np.asarray(x) - lowest)
    return BreathNeed(
        float(math.exp(level)), float(slope), float(np.sqrt(np.mean(rest**2))), tuple(dict.fromkeys(at_risk)),
        tuple(dict.fromkeys(hard)),
    )  # fmt: skip


def octave_widths(blown: Blown) -> tuple[tuple[str, str, float], ...]:
    """Return (lower note, upper note, cents beyond an octave) at the planned breaths, where a fingering has both."""
    rows = []
    for i, low in enumerate(blown.notes):
        for j, high in enumerate(blown.notes):
            same = np.array_equal(blown.network.states[i], blown.network.states[j])
            if low.register == 1 and high.register == 2 and same:
                f1, f2 = low.frequency_at(low.planned_pa), high.frequency_at(high.planned_pa)
                rows.append((low.note, high.note, cents_above(f2, f1) - 1200.0 if f1 > 0 and f2 > 0 else math.nan))
    return tuple(rows)
