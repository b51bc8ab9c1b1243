"""Whether forecasts deserve trust: how many outcomes lay under each stated quantile."""

import math
from collections.abc import Sequence

from fluewright.errors import InputError
from fluewright.pictures.palette import Theme, palette_for
from fluewright.pictures.svg import Drawing, fit_text

__all__ = ["trust_picture"]


def trust_picture(
    levels: Sequence[float],
    observed: Sequence[float],
    *,
    count: int,
    title: str = "Forecast against outcome",
    theme: Theme = "light",
    width_mm: float = 100.0,
) -> str:
    """Return the calibration curve as SVG: honest forecasts lie on the straight line.

    Parameters
    ----------
    levels, observed : sequence of float, shape (n,)
        Stated quantiles and the share of outcomes under each, 0 to 1; NaN where nothing is known.
    count : int
        Of outcomes; the grey band is twice the standard error that so many would leave by chance.

    Raises
    ------
    InputError
        Lengths that differ, or a level outside 0 to 1.
    """
    if len(levels) != len(observed) or not all(0.0 <= v <= 1.0 for v in levels):
        raise InputError("trust: as many shares as levels are needed, the levels between 0 and 1")
    palette = palette_for(theme)
    side = width_mm - 24.0
    drawing = Drawing(width_mm, side + 30.0)
    left, top = 18.0, 14.0

    def at(x: float, y: float) -> tuple[float, float]:
        return left + x * side, top + (1.0 - y) * side

    drawing.text(left, 6.0, fit_text(title, 3.6, side), size=3.6, fill=palette.ink_text)
    for i in range(6):
        value = i / 5.0
        x, y = at(value, value)
        drawing.line(left, y, left + side, y, stroke=palette.faint_line, width=0.1)
        drawing.line(x, top, x, top + side, stroke=palette.faint_line, width=0.1)
        drawing.text(left - 9.0, y + 1.0, f"{100 * value:.0f} %", size=2.6, fill=palette.ink_text)
        drawing.text(x - 3.0, top + side + 4.4, f"{100 * value:.0f} %", size=2.6, fill=palette.ink_text)
    drawing.text(left, top + side + 9.5, "stated: the outcome lies under this", size=2.8, fill=palette.ink_text)
    drawing.text(left, top + side + 13.5, f"upright: how many of {count} did", size=2.8, fill=palette.ink_text)
    if count:
        for sign in (-2.0, 2.0):
            band = [
                at(v, min(max(v + sign * math.sqrt(v * (1.0 - v) / count), 0.0), 1.0))
                for v in (i / 40.0 for i in range(41))
            ]
            drawing.polyline(band, stroke=palette.faint_line, width=0.3)
    drawing.line(*at(0.0, 0.0), *at(1.0, 1.0), stroke=palette.ink_text, width=0.25)
    known = [at(x, y) for x, y in zip(levels, observed, strict=True) if math.isfinite(y)]
    if len(known) > 1:
        drawing.polyline(known, stroke=palette.register_1_text, width=0.6)
    return drawing.to_svg(
        ground=palette.ground,
        description=f"Calibration curve of {count} forecasts: share of outcomes under each stated quantile",
    )
