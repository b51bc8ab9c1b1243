"""Where the holes lie on the unrolled body: the template at 1:1 for wrapping round it, cut into sheets."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.instrument.model import Model
from fluewright.instrument.parts import Hole
from fluewright.instrument.shape import outside_diameter_mm
from fluewright.pictures.body import head_end_mm
from fluewright.pictures.numerals import fixed, general, short
from fluewright.pictures.palette import PAPER
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm

__all__ = ["OVERLAP_MM", "TemplateSheet", "check_rule", "seam_angle_deg", "template_sheets", "unrolled_mm"]

OVERLAP_MM = 15.0
_SHEET_WIDTH_MM = 166.0
_SHEET_HEIGHT_MM = 218.0
_ABOVE_EXIT_MM = 12.0
_BORDER_MM = 3.0
_LABEL_MM = 2.3
_LINE_MM = 1.2 * _LABEL_MM
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
            for back in range(int(0.6 * size))
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
    """Draw every hole's outline and cross, and beside it its name, diameter, place and angle."""
    marks = [_HoleMark.of(model, hole) for hole in model.holes]
    taken = [mark.box for mark in marks]
    for mark in marks:
        drawing.polyline(mark.outline, stroke=_INK, width=0.2, closed=True)
        _cross(drawing, mark.across, mark.along, mark.drill + 2.0)
        # On the right, where the template has room for it; on the other side where a neighbour's mark or words lie.
        sides = (True, False) if mark.right >= mark.wide or mark.right >= mark.left else (False, True)
        roomy = [right for right in sides if (mark.right if right else mark.left) >= mark.wide]
        free = [right for right in roomy if not any(_meet(mark.words_box(right), box) for box in taken)]
        right = (free or roomy or sides)[0]
        taken.append(mark.words_box(right))
        for number, line in enumerate(mark.lines):
            drawing.text(
                mark.across + mark.gap if right else mark.across - mark.gap,
                mark.along + (number - 1.25) * _LINE_MM,
                fit_text(line, _LABEL_MM, max(mark.right if right else mark.left, mark.wide)),
                size=_LABEL_MM, fill=_INK if number < 2 else _QUIET, anchor="start" if right else "end",
                backing=PAPER.ground,
            )  # fmt: skip


_Box = tuple[float, float, float, float]


def _meet(one: _Box, other: _Box) -> bool:
    """Tell whether two boxes (left, top, right, bottom) overlap."""
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


@dataclass(frozen=True)
class _HoleMark:
    """What is drawn of a hole on the unrolled body: centre, outline, words, and the room for these on either side."""

    across: float
    along: float
    drill: float
    outline: tuple[tuple[float, float], ...]
    lines: tuple[str, ...]
    left: float
    right: float

    @classmethod
    def of(cls, model: Model, hole: Hole) -> "_HoleMark":
        radius = 0.5 * outside_diameter_mm(model, hole.position_mm)
        drill = 0.5 * hole.diameter_mm
        centre = unrolled_mm(model, hole.position_mm, hole.angle_deg)
        # A drill across a cylinder leaves (R asin(r sin t / R), r cos t) on the unrolled surface.
        outline = []
        for i in range(72):
            t = 2.0 * math.pi * i / 72.0
            across = radius * math.asin(min(1.0, max(-1.0, drill * math.sin(t) / radius)))
            outline.append((centre + across, hole.position_mm + drill * math.cos(t)))
        lines = (
            hole.name, f"⌀{short(hole.diameter_mm)}", f"x {fixed(hole.position_mm)}", f"{general(hole.angle_deg)}°",
        )  # fmt: skip
        seam, taken = math.radians(seam_angle_deg(model)), drill + 2.6 + 0.8
        return cls(
            centre, hole.position_mm, drill, tuple(outline), lines, centre + seam * radius - taken,
            (2.0 * math.pi - seam) * radius - centre - taken,
        )  # fmt: skip

    @property
    def gap(self) -> float:
        """From the centre to the words."""
        return self.drill + 2.6

    @property
    def wide(self) -> float:
        """Width of the words, but for a long name, which is cut."""
        return max(text_width_mm(line, _LABEL_MM) for line in self.lines[1:])

    @property
    def box(self) -> _Box:
        """What the cross takes up."""
        reach = self.drill + 2.0
        return self.across - reach, self.along - reach, self.across + reach, self.along + reach

    def words_box(self, right: bool) -> _Box:
        """Return what the words take up on one side."""
        wide = min(text_width_mm(self.lines[0], _LABEL_MM), max(self.right if right else self.left, self.wide))
        wide = max(wide, self.wide)
        left = self.across + self.gap if right else self.across - self.gap - wide
        top = self.along - 1.25 * _LINE_MM - 0.76 * _LABEL_MM
        return left, top, left + wide, self.along + 1.75 * _LINE_MM + 0.24 * _LABEL_MM


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
    frame = _Frame.of(model)
    drawing = Drawing(frame.right - frame.left, frame.bottom - frame.top, left_mm=frame.left, top_mm=frame.top)
    _draw_outline(drawing, frame)
    _draw_window(drawing, model, frame)
    across = [(unrolled_mm(model, h.position_mm, h.angle_deg), 0.5 * h.diameter_mm) for h in model.holes]
    along = [(h.position_mm, 0.5 * h.diameter_mm) for h in model.holes]
    columns = _cuts(frame.left, frame.right, sheet_width_mm, across)
    rows = _cuts(frame.top, frame.bottom, sheet_height_mm, along)
    _draw_joins(drawing, frame, rows, columns)
    _draw_holes(drawing, model)

    sheets = []
    for row, (y0, y1) in enumerate(rows):
        for column, (u0, u1) in enumerate(columns):
            drawing.left_mm, drawing.top_mm = u0, y0
            drawing.width_mm, drawing.height_mm = u1 - u0, y1 - y0
            svg = drawing.to_svg(description=f"Hole template of {model.model.name} at 1:1")
            sheets.append(TemplateSheet(svg, u1 - u0, y1 - y0, u0, y0, row, column, len(rows), len(columns)))
    return tuple(sheets)


@dataclass(frozen=True)
class _Frame:
    """The unrolled body: its corners (x, radius) from head to foot, the angle of its long edges, and its border.

    Coordinates are those of the template: across from the centre line of angle 0, and x.
    """

    corners: tuple[tuple[float, float], ...]
    seam: float
    left: float
    right: float

    @classmethod
    def of(cls, model: Model) -> "_Frame":
        seam, foot = math.radians(seam_angle_deg(model)), model.length_mm
        top = max(head_end_mm(model), -_ABOVE_EXIT_MM)
        corners = [(top, outside_diameter_mm(model, top))]
        corners += [(x, d) for x, d in model.bore.outside_mm if top < x < foot]
        corners.append((foot, outside_diameter_mm(model, foot)))
        widest = max(0.5 * d for _, d in corners)
        return cls(
            tuple((x, 0.5 * d) for x, d in corners), seam, -seam * widest - _BORDER_MM,
            (2.0 * math.pi - seam) * widest + _BORDER_MM,
        )  # fmt: skip

    @property
    def top(self) -> float:
        """Upper border of the drawing."""
        return self.corners[0][0] - _BORDER_MM

    @property
    def bottom(self) -> float:
        """Lower border of the drawing."""
        return self.corners[-1][0] + _BORDER_MM

    def edges_at(self, radius: float) -> tuple[float, float]:
        """Return the left and the right edge where the body has a radius."""
        return -self.seam * radius, (2.0 * math.pi - self.seam) * radius


def _draw_outline(drawing: Drawing, frame: _Frame) -> None:
    """Draw the body's outline and the lines of 0 and 180 degrees."""
    left = [(frame.edges_at(r)[0], x) for x, r in frame.corners]
    right = [(frame.edges_at(r)[1], x) for x, r in frame.corners]
    drawing.polyline([*left, *reversed(right)], stroke=_INK, width=0.25, closed=True)
    top, foot = frame.corners[0][0], frame.corners[-1][0]
    drawing.line(0.0, top, 0.0, foot, stroke=_QUIET, width=0.15, dash="5 1 1 1")
    side = -1.0 if frame.seam > math.pi else 1.0
    line = [(side * math.pi * r, x) for x, r in frame.corners]
    if abs(frame.seam - math.pi) > 1e-6:  # else the line of 180 degrees is the seam itself
        drawing.polyline(line, stroke=_QUIET, width=0.15, dash="5 1 1 1")
        drawing.text(line[0][0] + 0.8, top + 3.0, "180°", size=2.4, fill=_QUIET)
    drawing.text(0.8, top + 3.0, "0°", size=2.4, fill=_QUIET)


def _draw_window(drawing: Drawing, model: Model, frame: _Frame) -> None:
    """Draw the line of the exit plane, and the window."""
    radius = 0.5 * outside_diameter_mm(model, 0.0)
    left, right = frame.edges_at(radius)
    drawing.line(left, 0.0, right, 0.0, stroke=_INK, width=0.3)
    half = radius * math.asin(min(1.0, 0.5 * model.head.window_width_mm / radius))
    drawing.rect(-half, 0.0, 2.0 * half, model.head.window_length_mm, stroke=_INK, stroke_width=0.2)
    # The words stand on the side of the window with more room.
    room = max(-left, right) - half - 2.0
    words = next((w for w in ("exit plane, x = 0", "exit, x = 0") if text_width_mm(w, 2.4) <= room), "x = 0")
    where = left + 1.0 if -left > right else half + 1.0
    drawing.text(where, -0.9, words, size=2.4, fill=_INK, backing=PAPER.ground)


def _draw_joins(
    drawing: Drawing, frame: _Frame, rows: Sequence[tuple[float, float]], columns: Sequence[tuple[float, float]]
) -> None:
    """Draw the lines at which sheets are laid on each other, with crosses to see through."""
    low, high = frame.left, frame.right
    for number, (start, _) in enumerate(rows[1:], start=1):
        y = start + 0.5 * OVERLAP_MM
        drawing.line(low, y, high, y, stroke=_QUIET, width=0.15, dash="1 1")
        for u in (low + 6.0, 0.5 * (low + high), high - 6.0):
            _cross(drawing, u, y, 4.0, 0.2)
        drawing.text(0.5 * (low + high) + 5.0, y - 0.8, f"join {number}", size=2.4, fill=_INK, backing=PAPER.ground)
    for number, (start, _) in enumerate(columns[1:], start=1):
        u = start + 0.5 * OVERLAP_MM
        drawing.line(u, frame.top, u, frame.bottom, stroke=_QUIET, width=0.15, dash="1 1")
        for start_y, end_y in rows:
            for y in (start_y + 24.0, end_y - 24.0):
                _cross(drawing, u, y, 4.0, 0.2)
            drawing.text(u + 2.8, start_y + 62.0, f"side join {number}", size=2.4, fill=_INK, turned=True)


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
