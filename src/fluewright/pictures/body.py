"""How the instrument looks from above, to scale: outline, windway entry, window and holes."""

import math
from dataclasses import dataclass

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.instrument.parts import Hole
from fluewright.instrument.shape import outside_diameter_mm
from fluewright.pictures.palette import Palette
from fluewright.pictures.spread import in_rows
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm

__all__ = [
    "HoleFromAbove",
    "draw_top",
    "draw_windway_lines",
    "governed_x_mm",
    "head_end_mm",
    "hole_from_above",
    "hole_name_rows",
    "outline_points",
    "outside_corners_mm",
]

_MOST_MOVED_MM = 9.0


def head_end_mm(model: Model) -> float:
    """Return the x of the instrument's upper end: the beak or the windway entry, the one further up."""
    return min(model.bore.outside_mm[0][0], model.bore.stations_mm[0][0], -model.head.windway.length_mm)


def outside_corners_mm(model: Model) -> list[tuple[float, float]]:
    """Return (x, outside diameter) from the upper end to the foot, held constant above the first station."""
    upper, foot = head_end_mm(model), model.length_mm
    inner = [(x, d) for x, d in model.bore.outside_mm if upper < x < foot]
    return [(upper, outside_diameter_mm(model, upper)), *inner, (foot, outside_diameter_mm(model, foot))]


def governed_x_mm(model: Model, hole: int | None) -> float:
    """Return where a governing hole lies; None is the foot end.

    Raises
    ------
    InputError
        The model has no such hole.
    """
    if hole is None:
        return model.length_mm
    if not 0 <= hole < len(model.holes):
        raise InputError(
            f"a mark names governing hole index {hole}, but {model.model.name} has holes 0 to "
            f"{len(model.holes) - 1}. "
            "Give an index from the head, from 0, or None for the foot."
        )
    return model.holes[hole].position_mm


def hole_name_rows(
    model: Model, zero_mm: float, scale: float, *, size_mm: float, gap_mm: float, low_mm: float, high_mm: float
) -> list[list[tuple[int, str, float]]]:
    """Return rows of (hole's index, its name, centre on the page): as few rows as keep every name near its hole.

    A hole has one name, in the model, on every paper and in every picture; it is never told by its number.

    Parameters
    ----------
    zero_mm, scale : float
        Page place of x = 0, and page millimetres for one of the instrument.
    size_mm, gap_mm : float
        Of the letters, and between two names.
    low_mm, high_mm : float
        Ends of the page that names may take up; one wider than that is cut with an ellipsis.
    """
    names = [fit_text(hole.name, size_mm, high_mm - low_mm - gap_mm) for hole in model.holes]
    rows = in_rows(
        [zero_mm + hole.position_mm * scale for hole in model.holes],
        [text_width_mm(name, size_mm) + gap_mm for name in names],
        low_mm, high_mm, most_moved_mm=_MOST_MOVED_MM,
    )  # fmt: skip
    return [[(index, names[index], x) for index, x in row] for row in rows]


@dataclass(frozen=True)
class AlongBody:
    """Where the body lies along the page: the place of x = 0, and page millimetres for one of the instrument."""

    zero: float
    scale: float

    def x(self, place_mm: float) -> float:
        """Return the page place of one of the instrument."""
        return self.zero + place_mm * self.scale


def outline_points(model: Model, x0: float, y0: float, scale: float) -> list[tuple[float, float]]:
    """Return the closed outline of the body on the page; `x0`, `y0` is the page place of x = 0 on the axis."""
    corners = outside_corners_mm(model)
    points = [(x0 + x * scale, y0 - 0.5 * d * scale) for x, d in corners]
    points += [(x0 + x * scale, y0 + 0.5 * d * scale) for x, d in reversed(corners)]
    return points


@dataclass(frozen=True)
class HoleFromAbove:
    """How a hole looks from the window's side, on the page.

    Attributes
    ----------
    ellipse : tuple of float
        Centre x and y, half axes along and across the body.
    far_side : bool
        Whether the body hides it.
    """

    ellipse: tuple[float, float, float, float]
    far_side: bool

    @property
    def radius(self) -> float:
        """Half the drill's diameter, on the page."""
        return self.ellipse[2]


def hole_from_above(model: Model, hole: Hole, x0: float, y0: float, scale: float) -> HoleFromAbove:
    """Return a hole as seen from the window's side; `x0`, `y0` is the page place of x = 0 on the axis."""
    around = math.radians(hole.angle_deg)
    radius = 0.5 * hole.diameter_mm * scale
    outside = 0.5 * outside_diameter_mm(model, hole.position_mm) * scale
    # Seen from above, a hole drilled toward the axis at an angle is narrowed by the cosine of that angle.
    narrow = max(abs(math.cos(around)), 0.05)
    centre = (x0 + hole.position_mm * scale, y0 + outside * math.sin(around))
    return HoleFromAbove((*centre, radius, radius * narrow), math.cos(around) < -1e-9)


def draw_windway_lines(drawing: Drawing, model: Model, palette: Palette, *, x0: float, y0: float, scale: float) -> None:
    """Draw the two sides of the windway, which its roof hides, dashed; `x0`, `y0` as of `draw_top`."""
    half = 0.5 * model.head.windway.width_mm * scale
    for way in (-1.0, 1.0):
        y = y0 + way * half
        drawing.line(
            x0 - model.head.windway.length_mm * scale, y, x0, y, stroke=palette.quiet_text, width=0.12, dash="0.8 0.6"
        )


def draw_top(drawing: Drawing, model: Model, palette: Palette, *, x0: float, y0: float, scale: float) -> None:
    """Draw the instrument seen from the window side; a hole on the far side is dashed.

    Parameters
    ----------
    x0 : float
        Place on the page of the windway exit plane (x = 0).
    y0 : float
        Place on the page of the axis.
    scale : float
        Millimetres on the page for one millimetre of the instrument.
    """
    outline = outline_points(model, x0, y0, scale)
    drawing.polyline(outline, fill=palette.body_fill, stroke=palette.ink_text, width=0.25, closed=True)
    draw_windway_lines(drawing, model, palette, x0=x0, y0=y0, scale=scale)
    half = 0.5 * model.head.window_width_mm * scale
    wide = model.head.window_length_mm * scale
    drawing.open_group(class_="window")
    drawing.rect(x0, y0 - half, wide, 2.0 * half, fill=palette.ground, stroke=palette.ink_text)
    drawing.close_group()
    for index, hole in enumerate(model.holes):
        seen = hole_from_above(model, hole, x0, y0, scale)
        drawing.open_group(class_="hole", data_hole=index)
        drawing.ellipse(
            *seen.ellipse, fill="none" if seen.far_side else palette.ground, stroke=palette.ink_text, width=0.25,
            dash="0.6 0.45" if seen.far_side else None,
        )  # fmt: skip
        drawing.close_group()
