"""Where the holes lie on the unrolled body: the template at 1:1 for wrapping round it, cut into sheets."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.instrument.model import Model
from fluewright.instrument.shape import outside_diameter_mm
from fluewright.pictures.body import head_end_mm
from fluewright.pictures.palette import PAPER
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm

__all__ = ["OVERLAP_MM", "TemplateSheet", "check_rule", "seam_angle_deg", "template_sheets", "unrolled_mm"]

OVERLAP_MM = 15.0
_SHEET_WIDTH_MM = 166.0
_SHEET_HEIGHT_MM = 218.0
_ABOVE_EXIT_MM = 12.0
_BORDER_MM = 3.0
_LABEL_MM = 2.3
_INK = PAPER.ink_text
_QUIET = PAPER.quiet_text


@dataclass(frozen=True)
class TemplateSheet:
    """One printed part of the template.

    Attributes
    ----------
    svg : str
        Drawing at 1:1, one user unit a millimetre.
    width_mm, height_mm : float
        Its size on paper.
    left_mm, top_mm : float
        Template coordinates of its upper left corner: across from the centre line of angle 0, and x.
    row, column, rows, columns : int
        Its place, from 0, and how many there are.
    """

    svg: str
    width_mm: float
    height_mm: float
    left_mm: float
    top_mm: float
    row: int
    column: int
    rows: int
    columns: int


def seam_angle_deg(model: Model) -> float:
    """Return the angle, 0 to 360, at which the template's long edges meet: the middle of the widest gap."""
    used = sorted({0.0, *(hole.angle_deg % 360.0 for hole in model.holes)})
    gaps = [(after - before, before) for before, after in zip(used, [*used[1:], 360.0], strict=True)]
    widest, start = max(gaps, key=lambda gap: (round(gap[0], 6), -gap[1]))
    return start + 0.5 * widest


def unrolled_mm(model: Model, x_mm: float, angle_deg: float) -> float:
    """Return how far a place on the outside lies across the template from the centre line of angle 0.

    With the head at the top and the print outward, angles that grow clockwise seen from the head lie to the
    left.
    """
    seam = seam_angle_deg(model)
    turned = angle_deg % 360.0
    if turned > seam:
        turned -= 360.0
    return -math.radians(turned) * 0.5 * outside_diameter_mm(model, x_mm)


def _cuts(low: float, high: float, size: float, holes: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Divide a range into overlapping parts no longer than ``size`` whose join lines keep clear of the holes.

    ``holes`` are (centre, radius) along the range.
    """
    parts = [low]
    while high - parts[-1] > size:
        latest = parts[-1] + size - OVERLAP_MM
        # Best no hole touches the overlap at all; where holes lie too near, at least the join line is clear.
        choices = [
            latest - back
            for clear in (0.5 * OVERLAP_MM + 3.0, 5.0)
            for back in range(int(0.4 * size))
            if all(abs(latest - back + 0.5 * OVERLAP_MM - at) > radius + clear for at, radius in holes)
        ]
        start = choices[0] if choices else latest
        parts.append(start)
    return [
        (start, high if number == len(parts) - 1 else parts[number + 1] + OVERLAP_MM)
        for number, start in enumerate(parts)
    ]


def _cross(drawing: Drawing, x: float, y: float, reach: float, width: float = 0.12) -> None:
    drawing.line(x - reach, y, x + reach, y, stroke=_INK, width=width)
    drawing.line(x, y - reach, x, y + reach, stroke=_INK, width=width)


def _draw_holes(drawing: Drawing, model: Model) -> None:
    for hole in model.holes:
        radius = 0.5 * outside_diameter_mm(model, hole.position_mm)
        drill = 0.5 * hole.diameter_mm
        centre = unrolled_mm(model, hole.position_mm, hole.angle_deg)
        # A drill across a cylinder leaves (R asin(r sin t / R), r cos t) on the unrolled surface.
        outline = []
        for i in range(72):
            t = 2.0 * math.pi * i / 72.0
            across = radius * math.asin(min(1.0, max(-1.0, drill * math.sin(t) / radius)))
            outline.append((centre + across, hole.position_mm + drill * math.cos(t)))
        drawing.polyline(outline, stroke=_INK, width=0.2, closed=True)
        _cross(drawing, centre, hole.position_mm, drill + 2.0)
        angle = f"{hole.angle_deg:g}°".replace("-", "−")
        lines = [hole.name, f"⌀{hole.diameter_mm:g}", f"x {hole.position_mm:.2f}", angle]
        # Beside the hole, on the right where the template has room for it.
        gap = drill + 2.6
        seam = math.radians(seam_angle_deg(model))
        right = (2.0 * math.pi - seam) * radius - centre - gap - 0.8
        left = centre + seam * radius - gap - 0.8
        wide = max(text_width_mm(line, _LABEL_MM) for line in lines[1:])
        to_right = right >= wide or right >= left
        for number, line in enumerate(lines):
            drawing.text(
                centre + gap if to_right else centre - gap,
                hole.position_mm + (number - 1.25) * 1.2 * _LABEL_MM,
                fit_text(line, _LABEL_MM, max(right if to_right else left, wide)),
                size=_LABEL_MM,
                fill=_INK if number < 2 else _QUIET,
                anchor="start" if to_right else "end",
                backing=PAPER.ground,
            )


def template_sheets(
    model: Model, *, sheet_width_mm: float = _SHEET_WIDTH_MM, sheet_height_mm: float = _SHEET_HEIGHT_MM
) -> tuple[TemplateSheet, ...]:
    """Return the hole template at 1:1, head at the top, cut into sheets with join lines where it is larger.

    The width at every x is the outside circumference there. On a tapering body the centre lines stay straight
    and the long edges follow the circumference; such a template lies flat to second order in the taper.

    Parameters
    ----------
    model : Model
        The instrument.
    sheet_width_mm, sheet_height_mm : float
        Largest size of one sheet.

    Returns
    -------
    tuple of TemplateSheet
        Row by row from the head.
    """
    seam = math.radians(seam_angle_deg(model))
    foot = model.length_mm
    top = max(head_end_mm(model), -_ABOVE_EXIT_MM)
    corners = [(top, outside_diameter_mm(model, top))]
    corners += [(x, d) for x, d in model.bore.outside_mm if top < x < foot]
    corners.append((foot, outside_diameter_mm(model, foot)))
    places, radii = [x for x, _ in corners], [0.5 * d for _, d in corners]
    left_edge = [(-seam * r, x) for r, x in zip(radii, places, strict=True)]
    right_edge = [((2.0 * math.pi - seam) * r, x) for r, x in zip(radii, places, strict=True)]
    low = min(u for u, _ in left_edge) - _BORDER_MM
    high = max(u for u, _ in right_edge) + _BORDER_MM

    drawing = Drawing(high - low, foot - top + 2.0 * _BORDER_MM, left_mm=low, top_mm=top - _BORDER_MM)
    drawing.polyline([*left_edge, *reversed(right_edge)], stroke=_INK, width=0.25, closed=True)
    drawing.line(0.0, top, 0.0, foot, stroke=_QUIET, width=0.15, dash="5 1 1 1")
    side = -1.0 if seam > math.pi else 1.0
    line = [(side * math.pi * r, x) for r, x in zip(radii, places, strict=True)]
    if abs(seam - math.pi) > 1e-6:  # else the line of 180 degrees is the seam itself
        drawing.polyline(line, stroke=_QUIET, width=0.15, dash="5 1 1 1")
        drawing.text(line[0][0] + 0.8, top + 3.0, "180°", size=2.4, fill=_QUIET)
    drawing.text(0.8, top + 3.0, "0°", size=2.4, fill=_QUIET)
    exit_radius = 0.5 * outside_diameter_mm(model, 0.0)
    exit_left, exit_right = -seam * exit_radius, (2.0 * math.pi - seam) * exit_radius
    drawing.line(exit_left, 0.0, exit_right, 0.0, stroke=_INK, width=0.3)
    half = exit_radius * math.asin(min(1.0, 0.5 * model.head.window_width_mm / exit_radius))
    drawing.rect(-half, 0.0, 2.0 * half, model.head.window_length_mm, stroke=_INK, stroke_width=0.2)
    # The words stand on the side of the window with more room.
    room = max(-exit_left, exit_right) - half - 2.0
    words = next((w for w in ("exit plane, x = 0", "exit, x = 0") if text_width_mm(w, 2.4) <= room), "x = 0")
    where = exit_left + 1.0 if -exit_left > exit_right else half + 1.0
    drawing.text(where, -0.9, words, size=2.4, fill=_INK, backing=PAPER.ground)

    across = [(unrolled_mm(model, h.position_mm, h.angle_deg), 0.5 * h.diameter_mm) for h in model.holes]
    along = [(h.position_mm, 0.5 * h.diameter_mm) for h in model.holes]
    columns = _cuts(low, high, sheet_width_mm, across)
    rows = _cuts(top - _BORDER_MM, foot + _BORDER_MM, sheet_height_mm, along)
    for number, (start, _) in enumerate(rows[1:], start=1):
        y = start + 0.5 * OVERLAP_MM
        drawing.line(low, y, high, y, stroke=_QUIET, width=0.15, dash="1 1")
        for u in (low + 6.0, 0.5 * (low + high), high - 6.0):
            _cross(drawing, u, y, 4.0, 0.2)
        drawing.text(0.5 * (low + high) + 5.0, y - 0.8, f"join {number}", size=2.4, fill=_INK, backing=PAPER.ground)
    for number, (start, _) in enumerate(columns[1:], start=1):
        u = start + 0.5 * OVERLAP_MM
        drawing.line(u, top - _BORDER_MM, u, foot + _BORDER_MM, stroke=_QUIET, width=0.15, dash="1 1")
        for start_y, end_y in rows:
            for y in (start_y + 24.0, end_y - 24.0):
                _cross(drawing, u, y, 4.0, 0.2)
            drawing.text(u + 2.8, start_y + 62.0, f"side join {number}", size=2.4, fill=_INK, turned=True)
    _draw_holes(drawing, model)

    sheets = []
    for row, (y0, y1) in enumerate(rows):
        for column, (u0, u1) in enumerate(columns):
            drawing.left_mm, drawing.top_mm = u0, y0
            drawing.width_mm, drawing.height_mm = u1 - u0, y1 - y0
            svg = drawing.to_svg(description=f"Hole template of {model.model.name} at 1:1")
            sheets.append(TemplateSheet(svg, u1 - u0, y1 - y0, u0, y0, row, column, len(rows), len(columns)))
    return tuple(sheets)


def check_rule(*, upright: bool = False) -> str:
    """Return a rule of exactly 100 mm between its end ticks, as SVG of 104 x 7 mm (upright: 7 x 104 mm)."""
    drawing = Drawing(7.0, 104.0) if upright else Drawing(104.0, 7.0)

    def line(along_1: float, across_1: float, along_2: float, across_2: float, width: float) -> None:
        if upright:
            drawing.line(across_1, along_1, across_2, along_2, stroke="#000000", width=width)
        else:
            drawing.line(along_1, across_1, along_2, across_2, stroke="#000000", width=width)

    line(2.0, 1.5, 102.0, 1.5, 0.2)
    for step in range(11):
        reach = 3.2 if step in (0, 5, 10) else 2.2
        line(2.0 + 10.0 * step, 0.4, 2.0 + 10.0 * step, reach, 0.1)
    if upright:
        drawing.text(5.6, 52.0, "100 mm", size=2.4, fill="#000000", anchor="middle", turned=True)
    else:
        drawing.text(52.0, 6.0, "100 mm", size=2.4, fill="#000000", anchor="middle")
    return drawing.to_svg(description="check rule of 100 mm")
