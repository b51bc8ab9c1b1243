"""Pitch against breath: where every register of the chosen notes holds, and where it jumps and falls back."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.errors import InputError
from fluewright.pictures.palette import Theme, palette_for
from fluewright.pictures.svg import Drawing, fit_text

__all__ = ["BreathCurve", "breath_chart"]


@dataclass(frozen=True)
class BreathCurve:
    """One note's pitch against breath, as drawn.

    Attributes
    ----------
    note : str
    register : int
    pressures_pa, cents : sequences
        Rising breath, and the pitch against the target there.
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
    drawing = Drawing(width_mm, top + row_mm * len(rows) + 14.0)
    drawing.text(4.0, 6.0, fit_text(title, 3.6, width_mm - 8.0), size=3.6, fill=palette.ink_text)
    drawing.text(
        4.0, 11.0,
        "cents over breath; ring: planned breath; triangles: jump and fall back; bars: where a register holds",
        size=2.4, fill=palette.quiet_text,
    )  # fmt: skip
    breaths = [p for group in rows.values() for c in group for p, y in zip(c.pressures_pa, c.cents, strict=True)
               if math.isfinite(y)]  # fmt: skip
    low, high = 0.9 * min(breaths), 1.1 * max(breaths)

    def px(pressure: float) -> float:
        return left + math.log(pressure / low) / math.log(high / low) * (right - left)

    bottom = top + row_mm * len(rows)
    for decade in range(0, 5):
        for factor in (1, 2, 5):
            at = factor * 10.0**decade
            if low <= at <= high:
                drawing.line(px(at), top, px(at), bottom, stroke=palette.faint_line, width=0.1)
                drawing.text(px(at), bottom + 4.0, f"{at:g}", size=2.6, fill=palette.ink_text, anchor="middle")
    drawing.text(right, bottom + 9.0, "blowing pressure, Pa", size=2.8, fill=palette.ink_text, anchor="end")
    for number, (name, group) in enumerate(rows.items()):
        middle = top + row_mm * (number + 0.5)
        half = 0.5 * row_mm - 3.0
        most = 60.0

        def py(value: float, middle: float = middle, half: float = half, most: float = most) -> float:
            return middle - max(min(value / most, 1.0), -1.0) * half

        drawing.open_group(class_="note")
        drawing.describe(f"{name}: pitch against breath")
        drawing.rect(
            left, py(tolerance_cents), right - left, py(-tolerance_cents) - py(tolerance_cents), fill=palette.band_fill
        )
        for level in (-50.0, 0.0, 50.0):
            drawing.line(left, py(level), right, py(level), stroke=palette.faint_line, width=0.1)
            drawing.text(left - 1.5, py(level) + 0.9, f"{level:+.0f}" if level else "0", size=2.2,
                         fill=palette.quiet_text, anchor="end")  # fmt: skip
        drawing.text(4.0, middle + 1.3, fit_text(name, 3.6, 12.0), size=3.6, fill=palette.ink_text)
        for curve in group:
            colour = palette.register_text(curve.register)
            inside: list[tuple[float, float]] = []
            outside: list[list[tuple[float, float]]] = [[]]
            for pressure, value in zip(curve.pressures_pa, curve.cents, strict=True):
                if not math.isfinite(value) or abs(value) > most:
                    outside.append([])
                    continue
                held = not (pressure < curve.lowest_pa or pressure > curve.highest_pa)
                (inside if held else outside[-1]).append((px(pressure), py(value)))
                if held and outside[-1]:
                    outside.append([])
            if len(inside) > 1:
                drawing.polyline(inside, stroke=colour, width=0.6)
            for part in outside:
                if len(part) > 1:
                    drawing.polyline(part, stroke=colour, width=0.3, dash="1 0.8")
            for place, sign in ((curve.highest_pa, -1.0), (curve.lowest_pa, 1.0)):
                if not (math.isfinite(place) and low <= place <= high) or (sign > 0 and curve.register == 1):
                    continue
                at = _between(place, curve.pressures_pa, curve.cents)
                if math.isfinite(at) and abs(at) <= most:
                    x, y = px(place), py(at)
                    drawing.polyline(
                        [(x - 1.2, y), (x + 1.2, y), (x, y + 2.0 * sign), (x - 1.2, y)], stroke=colour, width=0.35
                    )
            bar = middle + half + 0.6
            for k, (first, last, number_of) in enumerate(
                ((curve.lowest_pa, curve.highest_pa, curve.register), (curve.next_from_pa, high, curve.register + 1))
            ):
                if math.isfinite(first) and first < high and curve is group[0]:
                    shown = palette.register_text(number_of)
                    x1, x2 = px(max(first, low)), px(min(last, high))
                    drawing.rect(x1, bar + 1.1 * k, x2 - x1, 0.8, fill=shown)
                    drawing.text(
                        x1 - 0.6, bar + 1.1 * k + 0.9, f"register {number_of}", size=1.8, fill=shown, anchor="end"
                    )
            if math.isfinite(curve.planned_pa):
                at = _between(curve.planned_pa, curve.pressures_pa, curve.cents)
                if math.isfinite(at):
                    drawing.ellipse(px(curve.planned_pa), py(at), 1.1, 1.1, stroke=colour, width=0.35)
        drawing.close_group()
    return drawing.to_svg(ground=palette.ground, description=title)
