"""How the instrument looks from above, to scale: outline, windway entry, window and holes."""

import math

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.instrument.shape import outside_diameter_mm
from fluewright.pictures.palette import Palette
from fluewright.pictures.svg import Drawing

__all__ = ["draw_top", "governed_x_mm", "head_end_mm", "hole_labels", "outside_corners_mm"]


def head_end_mm(model: Model) -> float:
    """Return the x of the instrument's upper end: the beak or the windway entry, the one further up."""
    return min(model.bore.outside_mm[0][0], model.bore.stations_mm[0][0], -model.head.windway.length_mm)


def outside_corners_mm(model: Model) -> list[tuple[float, float]]:
    """Return (x, outside diameter) from the upper end to the foot, held constant above the first station."""
    upper, foot = head_end_mm(model), model.length_mm
    inner = [(x, d) for x, d in model.bore.outside_mm if upper < x < foot]
    return [(upper, outside_diameter_mm(model, upper)), *inner, (foot, outside_diameter_mm(model, foot))]


def governed_x_mm(model: Model, hole: int | None) -> float:
    """Return where a governing hole lies; None is the foot end."""
    if hole is None:
        return model.length_mm
    if not 0 <= hole < len(model.holes):
        raise InputError(
            f"a mark names governing hole index {hole}, but {model.model.name} has holes 0 to "
            f"{len(model.holes) - 1}. "
            "Give an index from the head, from 0, or None for the foot."
        )
    return model.holes[hole].position_mm


def hole_labels(model: Model) -> list[str]:
    """Return short names of the holes: their own when all are short, else their numbers from the head."""
    names = [hole.name for hole in model.holes]
    if all(0 < len(name) <= 4 for name in names):
        return names
    return [str(index + 1) for index in range(len(names))]


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
    corners = outside_corners_mm(model)
    upper = [(x0 + x * scale, y0 - 0.5 * d * scale) for x, d in corners]
    lower = [(x0 + x * scale, y0 + 0.5 * d * scale) for x, d in reversed(corners)]
    drawing.polyline(upper + lower, fill=palette.body_fill, stroke=palette.ink_text, width=0.25, closed=True)
    head = model.head
    half = 0.5 * head.window_width_mm * scale
    half_way = 0.5 * head.windway.width_mm * scale
    for sign in (-1.0, 1.0):  # the windway is hidden under its roof
        drawing.line(
            x0 - head.windway.length_mm * scale, y0 + sign * half_way, x0, y0 + sign * half_way,
            stroke=palette.quiet_text, width=0.12, dash="0.8 0.6",
        )  # fmt: skip
    drawing.open_group(class_="window")
    drawing.rect(x0, y0 - half, head.window_length_mm * scale, 2.0 * half, fill=palette.ground, stroke=palette.ink_text)
    drawing.close_group()
    for index, hole in enumerate(model.holes):
        around = math.radians(hole.angle_deg)
        radius = 0.5 * hole.diameter_mm * scale
        outside = 0.5 * outside_diameter_mm(model, hole.position_mm) * scale
        # Seen from above, a hole drilled toward the axis at an angle is narrowed by the cosine of that angle.
        narrow = max(abs(math.cos(around)), 0.05)
        far_side = math.cos(around) < -1e-9
        drawing.open_group(class_="hole", data_hole=index)
        drawing.ellipse(
            x0 + hole.position_mm * scale,
            y0 + outside * math.sin(around),
            radius,
            radius * narrow,
            fill="none" if far_side else palette.ground,
            stroke=palette.ink_text,
            width=0.25,
            dash="0.6 0.45" if far_side else None,
        )
        drawing.close_group()
