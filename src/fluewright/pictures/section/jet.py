"""The jet within the head's section, from plain numbers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.errors import InputError
from fluewright.pictures.palette import Palette
from fluewright.pictures.section.page import Page, Point
from fluewright.pictures.svg import Drawing

__all__ = ["JetDrawn", "draw_jet"]


@dataclass(frozen=True)
class JetDrawn:
    """The jet as drawn: a band from the windway's exit to the edge.

    Parameters
    ----------
    x_mm : sequence of float, shape (n,)
        Places from the exit plane, rising, at least two.
    centre_mm, half_width_mm : sequence of float, shape (n,)
        Centre line over the middle of the exit (positive outward) and half width at each of them.
    swings_mm : sequence of sequence of float, shape (up to 2, n)
        Deflections from the centre line of up to two phases; none draws the jet steady.
    label : str
        What is said of it, such as its speed and breath.

    Raises
    ------
    InputError
        Lengths that differ, numbers that are not finite, places that do not rise, a width of 0 or less, or more than
        two phases.
    """

    x_mm: Sequence[float]
    centre_mm: Sequence[float]
    half_width_mm: Sequence[float]
    swings_mm: Sequence[Sequence[float]] = ()
    label: str = ""

    def __post_init__(self) -> None:
        """Refuse what cannot be drawn."""
        rows = [self.x_mm, self.centre_mm, self.half_width_mm, *self.swings_mm]
        if len(self.x_mm) < 2 or any(len(row) != len(self.x_mm) for row in rows):
            raise InputError(
                f"jet: its rows have {', '.join(str(len(row)) for row in rows)} numbers; give one a place in each, for "
                "two places or more."
            )
        if not all(math.isfinite(value) for row in rows for value in row):
            raise InputError("jet: a number is not finite; leave the jet out where it is not known.")
        if any(b <= a for a, b in zip(self.x_mm, list(self.x_mm)[1:], strict=False)) or min(self.half_width_mm) <= 0.0:
            raise InputError("jet: x_mm must rise and half_width_mm be more than 0; list the places toward the edge.")
        if len(self.swings_mm) > 2:
            raise InputError(f"jet: {len(self.swings_mm)} phases are given; at most 2 are drawn.")


def draw_jet(drawing: Drawing, palette: Palette, page: Page, jet: JetDrawn) -> None:
    """Draw the jet as a translucent band; of two phases the second has a dashed outline."""
    lines = page.lines
    middle = 0.5 * (lines.floor + lines.roof)
    least, most = -page.down, lines.top
    colour = palette.register_2_text
    drawing.open_group(class_="jet", pointer_events="none")
    drawing.describe(f"jet: {jet.label}" if jet.label else "jet")

    def side(swing: Sequence[float], sign: float) -> list[Point]:
        rows = zip(jet.x_mm, jet.centre_mm, jet.half_width_mm, swing, strict=True)
        heights = [(x, middle + c + d + sign * b) for x, c, b, d in rows]
        return [page.at(x, min(max(y, least), most)) for x, y in heights]

    for number, swing in enumerate(jet.swings_mm or ([0.0] * len(jet.x_mm),)):
        over, under = side(swing, 1.0), side(swing, -1.0)
        drawing.open_group(fill_opacity="0.22")
        drawing.polyline([*over, *reversed(under)], fill=colour, closed=True)
        drawing.close_group()
        dash = None if number == 0 else "1 0.7"
        for run in (over, under):
            drawing.polyline(run, stroke=colour, width=0.3, dash=dash)
        drawing.polyline(side(swing, 0.0), stroke=colour, width=0.2, dash="0.4 0.6")
    drawing.close_group()
