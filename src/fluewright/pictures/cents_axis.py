"""The axis of cents and the marks that stand on it: one look wherever notes are drawn."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.errors import FluewrightError
from fluewright.instrument.pitch import note_to_midi
from fluewright.pictures.results import NoteMark
from fluewright.pictures.svg import Drawing

__all__ = ["MARK_MM", "CentsAxis", "cents_axis", "mark_shape", "pitch_order"]

MARK_MM = 1.05
"""Half the size of a mark."""

_TEXT_MM = 2.6
_NICE_CENTS = (
    5.0,
    10.0,
    15.0,
    20.0,
    30.0,
    40.0,
    50.0,
    60.0,
    80.0,
    100.0,
    150.0,
    200.0,
    300.0,
    400.0,
    600.0,
    1200.0,
)


@dataclass(frozen=True)
class CentsAxis:
    """A range of cents with its step between lines."""

    low: float
    high: float
    step: float

    def place(self, cents: float, top: float, height: float) -> float:
        """Return the y of some cents on a lane, mm; what lies outside stands at its end."""
        inside = min(max(cents, self.low), self.high)
        return top + height * (self.high - inside) / (self.high - self.low)

    def side(self, cents: float) -> int:
        """Return 1 above the range, -1 below it, 0 within."""
        return 1 if cents > self.high else (-1 if cents < self.low else 0)


def pitch_order(note: str) -> int:
    """Return a number that rises with a note's pitch; 0 for a name that is no pitch."""
    try:
        return note_to_midi(note)
    except FluewrightError:
        return 0  # a name that is no pitch is drawn all the same, lowest in its group


def _nice(value: float) -> float:
    for nice in _NICE_CENTS:
        if value <= nice:
            return nice
    return math.ceil(value / 1200.0) * 1200.0


def cents_axis(marks: Sequence[NoteMark], tolerance_cents: float, height_mm: float) -> CentsAxis:
    """Choose a range that holds the tolerance band and all marks but far outliers."""
    sizes = sorted(abs(mark.cents) for mark in marks)
    usual = sizes[min(len(sizes) - 1, math.floor(0.75 * len(sizes)))] if sizes else 0.0
    most = max(40.0, 2.5 * usual, 2.0 * tolerance_cents)
    low, high = -1.4 * tolerance_cents, 1.4 * tolerance_cents
    for mark in marks:
        for end in (mark.cents - mark.uncertainty_cents, mark.cents + mark.uncertainty_cents, mark.cents):
            low = min(low, max(end, -most) * 1.05)
            high = max(high, min(end, most) * 1.05)
    bottom, top = -_nice(-low), _nice(high)
    # A side that is far shorter than the other would squeeze the tolerance band; keep at least a third.
    bottom, top = min(bottom, -_nice(top / 3.0)), max(top, _nice(-bottom / 3.0))
    span = top - bottom
    step = next(
        (s for s in (5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0) if height_mm * s / span >= 1.3 * _TEXT_MM),
        span,
    )
    return CentsAxis(bottom, top, step)


def mark_shape(
    drawing: Drawing,
    register: int,
    x: float,
    y: float,
    *,
    fill: str,
    stroke: str,
    width: float,
    size: float = MARK_MM,
) -> None:
    """Draw a note's mark: round for register 1, a diamond for 2, a triangle above."""
    if register == 1:
        drawing.ellipse(x, y, size, size, fill=fill, stroke=stroke, width=width)
    elif register == 2:
        reach = 1.3 * size
        drawing.polyline(
            [(x, y - reach), (x + reach, y), (x, y + reach), (x - reach, y)],
            fill=fill, stroke=stroke, width=width, closed=True,
        )  # fmt: skip
    else:
        drawing.polyline(
            [(x, y - 1.3 * size), (x + 1.2 * size, y + 0.9 * size), (x - 1.2 * size, y + 0.9 * size)],
            fill=fill, stroke=stroke, width=width, closed=True,
        )  # fmt: skip
