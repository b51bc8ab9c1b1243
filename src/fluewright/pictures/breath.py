"""Pitch against breath: where every register of the chosen notes holds, and where it jumps and falls back."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.errors import InputError
from fluewright.pictures.axes import BreathAxis
from fluewright.pictures.numerals import step_words
from fluewright.pictures.palette import Palette, Theme, palette_for
from fluewright.pictures.svg import Drawing, fit_text

__all__ = ["BreathCurve", "breath_chart"]

_MOST_CENTS = 60.0


@dataclass(frozen=True)
class BreathCurve:
    """One note's pitch against breath, as drawn.

    Attributes
    ----------
    note : str
    register : int
    pressures_pa, cents : sequence of float, shape (n,)
        Rising breath, and the pitch against the target there; NaN where nothing sounds.
    lowest_pa, highest_pa : float
        Where the register holds; infinite or NaN where not known.
    planned_pa : float
        The breath that the model plans; NaN draws no mark.
    next_from_pa : float
        From where the next register holds on the same fingering: what overlaps is the hysteresis. NaN draws none.
    """

    note: str
    register: int
    pressures_pa: Sequence[float]
    cents: Sequence[float]
    lowest_pa: float
    highest_pa: float
    planned_pa: float
    next_from_pa: float = math.nan


def _between(at: float, x: Sequence[float], y: Sequence[float]) -> float:
    for i in range(len(x) - 1):
        if x[i] <= at <= x[i + 1]:
            share = math.log(at / x[i]) / math.log(x[i + 1] / x[i])
            return y[i] + share * (y[i + 1] - y[i])
    return math.nan


def breath_chart(
    curves: Sequence[BreathCurve],
    *,
    title: str,
    tolerance_cents: float = 5.0,
    theme: Theme = "light",
    width_mm: float = 180.0,
    row_mm: float = 34.0,
) -> str:
    """Return an SVG: one row a note name, cents over breath (logarithmic), each register in its colour.

    A register's line is full where it holds and dashed beyond; a triangle upward marks the jump, one downward the fall
    back, a ring the planned breath. The band is the tolerance about the target; bars under it shade where each register
    holds, the next one on the same fingering too.

    Raises
    ------
    InputError
        No curve, or none with two finite points.
    """
    rows: dict[str, list[BreathCurve]] = {}
    for curve in curves:
        if sum(map(math.isfinite, curve.cents)) >= 2:
            rows.setdefault(curve.note, []).append(curve)
    if not rows:
        raise InputError("a breath chart needs at least one note that sounds")
    palette = palette_for(theme)
    left, right, top = 24.0, width_mm - 6.0, 20.0
    bottom = top + row_mm * len(rows)
    drawing = Drawing(width_mm, bottom + 14.0)
    drawing.text(4.0, 6.0, fit_text(title, 3.6, width_mm - 8.0), size=3.6, fill=palette.ink_text)
    drawing.text(
        4.0, 11.0,
        "cents over breath; ring: planned breath; triangles: jump and fall back; bars: where a register holds",
        size=2.4, fill=palette.quiet_text,
    )  # fmt: skip
    breaths = [p for group in rows.values() for c in group for p, y in zip(c.pressures_pa, c.cents, strict=True)
               if math.isfinite(y)]  # fmt: skip
    axis = BreathAxis(0.9 * min(breaths), 1.1 * max(breaths), left, right)
    axis.draw(drawing, palette, top=top, bottom=bottom, size=2.6, drops=(4.0, 9.0))
    for number, (name, group) in enumerate(rows.items()):
        field = _Field(drawing, palette, axis, top + row_mm * (number + 0.5), 0.5 * row_mm - 3.0)
        drawing.open_group(class_="note")
        drawing.describe(f"{name}: pitch against breath")
        field.draw_ground(name, tolerance_cents)
        for curve in group:
            field.draw_curve(curve)
            field.draw_ends(curve)
            if curve is group[0]:
                field.draw_bars(curve)
            field.draw_plan(curve)
        drawing.close_group()
    return drawing.to_svg(ground=palette.ground, description=title)


@dataclass(frozen=True)
class _Field:
    """One note's row: cents upward from its middle, what lies beyond the most that is drawn stands at its edge."""

    drawing: Drawing
    palette: Palette
    axis: BreathAxis
    middle: float
    half: float

    def py(self, cents: float) -> float:
        return self.middle - max(min(cents / _MOST_CENTS, 1.0), -1.0) * self.half

    def draw_ground(self, name: str, tolerance_cents: float) -> None:
        """Draw the tolerance band, the lines of the cents and the note's name."""
        d, p, left, right = self.drawing, self.palette, self.axis.left, self.axis.right
        high, low = self.py(tolerance_cents), self.py(-tolerance_cents)
        d.rect(left, high, right - left, low - high, fill=p.band_fill)
        for level in (-50.0, 0.0, 50.0):
            y = self.py(level)
            d.line(left, y, right, y, stroke=p.faint_line, width=0.1)
            d.text(left - 1.5, y + 0.9, step_words(level), size=2.2, fill=p.quiet_text, anchor="end")
        d.text(4.0, self.middle + 1.3, fit_text(name, 3.6, 12.0), size=3.6, fill=p.ink_text)

    def draw_curve(self, curve: BreathCurve) -> None:
        """Draw a register's pitch: full where it holds, dashed beyond."""
        inside: list[tuple[float, float]] = []
        outside: list[list[tuple[float, float]]] = [[]]
        for pressure, value in zip(curve.pressures_pa, curve.cents, strict=True):
            if not math.isfinite(value) or abs(value) > _MOST_CENTS:
                outside.append([])
                continue
            held = not (pressure < curve.lowest_pa or pressure > curve.highest_pa)
            (inside if held else outside[-1]).append((self.axis.px(pressure), self.py(value)))
            if held and outside[-1]:
                outside.append([])
        colour = self.palette.register_text(curve.register)
        if len(inside) > 1:
            self.drawing.polyline(inside, stroke=colour, width=0.6)
        for part in outside:
            if len(part) > 1:
                self.drawing.polyline(part, stroke=colour, width=0.3, dash="1 0.8")

    def draw_ends(self, curve: BreathCurve) -> None:
        """Draw a triangle where the register jumps, and where a higher one falls back."""
        for place, sign in ((curve.highest_pa, -1.0), (curve.lowest_pa, 1.0)):
            if not (math.isfinite(place) and self.axis.low <= place <= self.axis.high):
                continue
            at = _between(place, curve.pressures_pa, curve.cents)
            if (sign > 0 and curve.register == 1) or not math.isfinite(at) or abs(at) > _MOST_CENTS:
                continue
            x, y = self.axis.px(place), self.py(at)
            self.drawing.polyline(
                [(x - 1.2, y), (x + 1.2, y), (x, y + 2.0 * sign), (x - 1.2, y)],
                stroke=self.palette.register_text(curve.register), width=0.35,
            )  # fmt: skip

    def draw_bars(self, curve: BreathCurve) -> None:
        """Draw under the field where the register holds, and under that where the next one does."""
        axis, bar = self.axis, self.middle + self.half + 0.6
        holds = ((curve.lowest_pa, curve.highest_pa), (curve.next_from_pa, axis.high))
        for k, (first, last) in enumerate(holds):
            if not (math.isfinite(first) and first < axis.high):
                continue
            register = curve.register + k
            shown = self.palette.register_text(register)
            x1, x2 = axis.px(max(first, axis.low)), axis.px(min(last, axis.high))
            self.drawing.rect(x1, bar + 1.1 * k, x2 - x1, 0.8, fill=shown)
            self.drawing.text(x1 - 0.6, bar + 1.1 * k + 0.9, f"register {register}", size=1.8, fill=shown, anchor="end")

    def draw_plan(self, curve: BreathCurve) -> None:
        """Draw a ring at the planned breath."""
        if not math.isfinite(curve.planned_pa):
            return
        at = _between(curve.planned_pa, curve.pressures_pa, curve.cents)
        if math.isfinite(at):
            colour = self.palette.register_text(curve.register)
            self.drawing.ellipse(self.axis.px(curve.planned_pa), self.py(at), 1.1, 1.1, stroke=colour, width=0.35)
