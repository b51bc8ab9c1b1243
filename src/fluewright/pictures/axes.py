"""Ruled fields: how values become places of a page, and which round values stand beside them."""

import math
from dataclasses import dataclass

from fluewright.pictures.numerals import general
from fluewright.pictures.palette import Palette
from fluewright.pictures.svg import Drawing

__all__ = ["BreathAxis", "Frame", "round_values"]


def round_values(low: float, high: float, *, least: float = 5.0, most: float = 8.0) -> list[float]:
    """Return round values (1, 2 or 5 and their tens apart) between two.

    Parameters
    ----------
    low, high : float
        Ends; the second is larger.
    least, most : float
        The range is cut in no more than `most` parts; in about `least` where round steps allow it.
    """
    step = 10.0 ** math.floor(math.log10((high - low) / least))
    step *= next(f for f in (1.0, 2.0, 5.0, 10.0) if (high - low) / (step * f) <= most)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) for k in range(first, math.floor(high / step + 1e-9) + 1)]


class Frame:
    """A ruled field within a drawing.

    Parameters
    ----------
    box : tuple of float
        Left, top, right and bottom on the page.
    x, y : tuple of float
        Values at the left and right, and at the bottom and top.
    """

    def __init__(
        self, drawing: Drawing, palette: Palette, *, box: tuple[float, float, float, float],
        x: tuple[float, float], y: tuple[float, float],
    ) -> None:  # fmt: skip
        self.drawing, self.palette = drawing, palette
        self.left, self.top, self.right, self.bottom = box
        self.x, self.y = x, y

    def px(self, value: float) -> float:
        """Return the page place of a value across."""
        return self.left + (value - self.x[0]) / (self.x[1] - self.x[0]) * (self.right - self.left)

    def py(self, value: float) -> float:
        """Return the page place of a value upward."""
        return self.bottom - (value - self.y[0]) / (self.y[1] - self.y[0]) * (self.bottom - self.top)

    def rule(self, x_label: str, y_label: str) -> None:
        """Draw ticks, grid and the names of both axes."""
        d, p = self.drawing, self.palette
        for at in round_values(*self.y):
            d.line(self.left, self.py(at), self.right, self.py(at), stroke=p.faint_line, width=0.1)
            d.text(self.left - 1.2, self.py(at) + 0.9, general(at), size=2.4, fill=p.ink_text, anchor="end")
        for at in round_values(*self.x):
            d.line(self.px(at), self.bottom, self.px(at), self.bottom + 1.0, stroke=p.ink_text, width=0.2)
            d.text(self.px(at), self.bottom + 3.8, general(at), size=2.4, fill=p.ink_text, anchor="middle")
        d.text(self.right, self.bottom + 7.6, x_label, size=2.6, fill=p.ink_text, anchor="end")
        d.text(2.0, self.top - 2.0, y_label, size=2.6, fill=p.ink_text)


@dataclass(frozen=True)
class BreathAxis:
    """Blowing pressure from left to right, logarithmic: a breath twice as strong lies equally far on, wherever.

    Attributes
    ----------
    low, high : float
        Pa at the ends.
    left, right : float
        Ends on the page.
    """

    low: float
    high: float
    left: float
    right: float

    def px(self, pressure_pa: float) -> float:
        """Return the page place of a pressure."""
        return self.left + math.log(pressure_pa / self.low) / math.log(self.high / self.low) * (self.right - self.left)

    def draw(
        self, drawing: Drawing, palette: Palette, *, top: float, bottom: float, size: float,
        drops: tuple[float, float],
    ) -> None:  # fmt: skip
        """Draw an upright line at each round pressure with its figure under it, and under those what the axis is."""
        for at in (factor * 10.0**decade for decade in range(5) for factor in (1, 2, 5)):
            if self.low <= at <= self.high:
                x = self.px(at)
                drawing.line(x, top, x, bottom, stroke=palette.faint_line, width=0.1)
                drawing.text(x, bottom + drops[0], general(at), size=size, fill=palette.ink_text, anchor="middle")
        drawing.text(
            self.right, bottom + drops[1], "blowing pressure, Pa", size=size + 0.2, fill=palette.ink_text, anchor="end"
        )
