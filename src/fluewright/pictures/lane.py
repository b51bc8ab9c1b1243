"""A lane of cents as the hanging chart and the comparison draw it: its field, and what stands at a note's place."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from fluewright.pictures.cents_axis import CentsAxis
from fluewright.pictures.numerals import step_words
from fluewright.pictures.palette import Palette
from fluewright.pictures.results import NoteMark
from fluewright.pictures.svg import Drawing

__all__ = ["Lane", "shape_words"]


def shape_words(register: int) -> str:
    """Return how the legend tells a register's marks."""
    return {1: "round: register 1", 2: "diamond: register 2"}.get(register, f"triangle: register {register}")


@dataclass(frozen=True)
class Lane:
    """Where a lane of one register lies on the page, and how its parts are drawn.

    Attributes
    ----------
    drawing : Drawing
    palette : Palette
    axis : CentsAxis
    register : int
    left, right, top, height : float
        Of the field, mm of the page.
    text_mm : float
        Size of the letters beside the field.
    """

    drawing: Drawing
    palette: Palette
    axis: CentsAxis
    register: int
    left: float
    right: float
    top: float
    height: float
    text_mm: float

    @property
    def bottom(self) -> float:
        """Lower end of the field."""
        return self.top + self.height

    @property
    def colour(self) -> str:
        """Colour of the register."""
        return self.palette.register_text(self.register)

    def y(self, cents: float) -> float:
        """Return the page place of some cents; what lies outside stands at the field's end."""
        return self.axis.place(cents, self.top, self.height)

    def draw_band(self, tolerance_cents: float) -> None:
        """Draw the band of the tolerance with its two edges."""
        upper, lower = self.y(tolerance_cents), self.y(-tolerance_cents)
        self.drawing.rect(self.left, upper, self.right - self.left, lower - upper, fill=self.palette.band_fill)
        for edge in (upper, lower):
            self.draw_rule(edge, stroke=self.palette.quiet_text, width=0.12, dash="1.6 0.8")

    def draw_rule(self, y: float, *, stroke: str, width: float, dash: str | None = None) -> None:
        """Draw a line across the whole field."""
        self.drawing.line(self.left, y, self.right, y, stroke=stroke, width=width, dash=dash)

    def ticks(self) -> Iterator[tuple[float, float]]:
        """Yield the cents of each step with their place."""
        tick = math.ceil(self.axis.low / self.axis.step) * self.axis.step
        while tick <= self.axis.high + 1e-9:
            yield tick, self.y(tick)
            tick += self.axis.step

    def draw_tick_words(self, cents: float, y: float, gap: float) -> None:
        """Print the cents of a step left of the field."""
        self.drawing.text(
            self.left - gap, y + 0.36 * self.text_mm, step_words(cents), size=self.text_mm,
            fill=self.palette.quiet_text, anchor="end",
        )  # fmt: skip

    def draw_titles(self, register_x: float, cents_x: float) -> None:
        """Print what the lane is and its unit, upward along the field's left side."""
        middle = self.top + 0.5 * self.height
        for x, words, fill, bold in (
            (register_x, f"register {self.register}", self.colour, True),
            (cents_x, "cents", self.palette.quiet_text, False),
        ):
            self.drawing.text(x, middle, words, size=self.text_mm, fill=fill, anchor="middle", turned=True, bold=bold)

    def draw_uncertainty(self, x: float, mark: NoteMark, colour: str) -> None:
        """Draw a mark's uncertainty as a thin bar with two ends; none where the mark lies beyond the field."""
        if mark.uncertainty_cents <= 0.0 or self.axis.side(mark.cents) != 0:
            return
        ends = [self.y(mark.cents + way * mark.uncertainty_cents) for way in (1.0, -1.0)]
        self.drawing.line(x, ends[0], x, ends[1], stroke=colour, width=0.25)
        for end in ends:
            self.drawing.line(x - 0.5, end, x + 0.5, end, stroke=colour, width=0.25)

    def draw_beyond(self, x: float, y: float, side: int, far: float, colour: str) -> None:
        """Draw an arrow head beyond the field's end, for a mark that lies outside: `side` 1 above, -1 below."""
        tip = y - far * side
        self.drawing.polyline(
            [(x, tip), (x - 0.8, tip + 1.0 * side), (x + 0.8, tip + 1.0 * side)], fill=colour, closed=True
        )
