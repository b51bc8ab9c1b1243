"""Where the head's section lies on its page, and how large it is drawn."""

import math
from dataclasses import dataclass

from fluewright.pictures.section.lines import HeadLines

__all__ = ["TARGET_MM", "Box", "Page", "Point", "page_with_entry", "plain_page"]

TARGET_MM = 7.0
"""Least width and height of a target on the page."""

_ENLARGEMENTS = (20.0, 15.0, 10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0)
_MARGIN_MM = 4.0
_LEAD_MM, _GAP_MM = 5.0, 3.0  # of the page: before the entry, and at the break behind it

Point = tuple[float, float]
Box = tuple[float, float, float, float]
"""Left, top, right and bottom on the page."""


@dataclass(frozen=True)
class Page:
    """Where the section lies on the page.

    Attributes
    ----------
    lines : HeadLines
    scale : float
        Page millimetres for one of the instrument.
    zero, base : float
        Page place of x = 0 and of the bore's upper line there.
    start : float
        x at which the drawn windway begins; the entry, if `whole`.
    foot_side, down : float
        x at which the drawing ends toward the foot, and how far it reaches under the bore's upper line.
    entry_zero : float or None
        Page place of the entry plane where the entry is drawn apart, beyond a break.
    entry_end : float
        x at which the part drawn with the entry ends.
    """

    lines: HeadLines
    scale: float
    zero: float
    base: float
    start: float
    whole: bool
    foot_side: float
    down: float
    entry_zero: float | None = None
    entry_end: float = 0.0

    def at(self, x: float, y: float) -> Point:
        """Return the page place of a point of the head."""
        return self.zero + x * self.scale, self.base - y * self.scale

    def at_entry(self, x: float, y: float) -> Point:
        """Return the page place of a point near the entry."""
        if self.entry_zero is None:
            return self.at(x, y)
        return self.entry_zero + (x + self.lines.model.head.windway.length_mm) * self.scale, self.base - y * self.scale

    @property
    def entry_x(self) -> float:
        """Page place of the entry plane; of the break, where the entry is not drawn."""
        return self.at(self.start, 0.0)[0] if self.entry_zero is None else self.entry_zero

    @property
    def upper_chamfer(self) -> tuple[Point, Point]:
        """Ends of the upper chamfer: in the exit plane, and in the roof."""
        lines = self.lines
        x = -min(lines.upper_along, lines.model.head.windway.length_mm)
        return self.at(0.0, lines.roof_y(0.0) + lines.upper_drop), self.at(x, lines.roof_y(x))

    @property
    def lower_chamfer(self) -> tuple[Point, Point]:
        """Ends of the lower chamfer: in the floor, and in the block's face."""
        lines = self.lines
        return self.at(lines.face - lines.lower_along, lines.floor), self.at(lines.face, lines.floor - lines.lower_drop)

    def wall_points(self) -> list[Point]:
        """Return the wall behind the edge: edge, ramp, outside, the end, bore, and the relief under the edge."""
        lines, end = self.lines, self.foot_side
        points = [self.at(lines.edge_x, lines.edge_y)]
        if lines.ramp_end <= end:
            points.append(self.at(lines.ramp_end, lines.edge_y + lines.rise))
            points.append(self.at(end, lines.outside_y(end)))
        else:
            slope = math.tan(math.radians(lines.model.head.ramp_angle_deg))
            points.append(self.at(end, lines.edge_y + (end - lines.edge_x) * slope))
        # A model says where the edge lies, not how its under-face is relieved: drawn dashed, at 45 degrees.
        relief = min(abs(lines.edge_y - lines.bore_y(lines.edge_x)), end - lines.edge_x)
        points.append(self.at(end, lines.bore_y(end)))
        points.append(self.at(lines.edge_x + relief, lines.bore_y(lines.edge_x + relief)))
        return points


def plain_page(lines: HeadLines, width_mm: float, most_height_mm: float) -> Page:
    """Place the section; a windway that is too long is broken off at its entry side.

    Parameters
    ----------
    lines : HeadLines
    width_mm, most_height_mm : float
        Of the page; the largest usual enlargement that fits both is taken.
    """
    way = lines.model.head.windway
    foot_side = min(lines.ramp_end + 1.5, lines.edge_x + max(10.0, 1.6 * lines.edge_x), lines.model.length_mm)
    down = min(max(2.5, 0.3 * lines.bore_0), 0.5 * lines.bore_0)
    head_room = width_mm - 2.0 * _MARGIN_MM - 4.0
    want_left = max(min(way.length_mm, 1.6 * foot_side), 4.0)
    scale = _ENLARGEMENTS[-1]
    for candidate in _ENLARGEMENTS:
        high = (lines.top + down) * candidate + 34.0
        if (want_left + foot_side) * candidate <= head_room and high <= most_height_mm:
            scale = candidate
            break
    left_x = -min(way.length_mm + 2.0, max(head_room / scale - foot_side, want_left))
    whole = -left_x > way.length_mm
    if scale == _ENLARGEMENTS[-1]:
        foot_side = min(foot_side, head_room / scale + left_x) if head_room / scale + left_x > 1.0 else foot_side
    zero = _MARGIN_MM + 2.0 - left_x * scale + 0.5 * max(head_room - (foot_side - left_x) * scale, 0.0)
    start = -(way.length_mm if whole else -left_x)
    return Page(lines, scale, zero, 15.0 + lines.top * scale, start, whole, foot_side, down)


def page_with_entry(lines: HeadLines, width_mm: float, most_height_mm: float) -> Page:
    """Place the section so that exit, window and edge have room for targets, and the entry is drawn at any length."""
    length = lines.model.head.windway.length_mm
    room = width_mm - 2.0 * _MARGIN_MM - _LEAD_MM
    stub_mm, right_mm = 8.0, 2.0 * TARGET_MM + 4.0

    def needs(scale: float) -> tuple[float, float, float]:
        """Return page mm: left of the exit plane, under the bore's line, and across all."""
        # Left of the exit: the chamfers or the recessed face, the roof's grip, and as much of the plain windway.
        cut = max(lines.upper_along, lines.lower_along - lines.face, 0.0) * scale
        left = max(cut + 1.0, TARGET_MM - 2.0) + 2.0 * TARGET_MM + 1.0
        under = max(lines.lower_drop - lines.floor, 0.0) * scale + 2.0 * TARGET_MM + 6.0
        return left, under, stub_mm + _GAP_MM + left + lines.edge_x * scale + right_mm

    def clear(scale: float) -> bool:
        """Tell whether no target hides another: window and windway longer than what lies over them."""
        over = max(max(lines.upper_along, 0.0) * scale + 1.0, TARGET_MM - 2.0)
        return lines.edge_x * scale >= TARGET_MM + 6.0 and length * scale >= over + TARGET_MM + 4.0

    wide = [s for s in _ENLARGEMENTS if needs(s)[2] <= room] or [_ENLARGEMENTS[-1]]
    fitting = [s for s in wide if lines.top * s + needs(s)[1] + 38.0 <= most_height_mm]
    scale = fitting[0] if fitting else wide[-1]
    if not clear(scale):
        # Targets count more than the height.
        scale = next((s for s in reversed(wide) if s > scale and clear(s)), max(scale, wide[0]))
    left_mm, under_mm, _ = needs(scale)
    down = min(max(under_mm / scale, min(2.5, 0.5 * lines.bore_0)), lines.bore_0)
    # What is left goes to the ramp, up to its end, then to the windway.
    spare = max(room - (stub_mm + _GAP_MM + left_mm + lines.edge_x * scale + right_mm), 0.0)
    wanted = max((lines.ramp_end + 1.5 - lines.edge_x) * scale - right_mm, 0.0)
    right_mm += min(0.6 * spare, wanted)
    right_mm = min(right_mm, (lines.model.length_mm - lines.edge_x) * scale)
    foot_side = lines.edge_x + right_mm / scale
    left_room = room - lines.edge_x * scale - right_mm
    if length * scale <= left_room:
        zero = _MARGIN_MM + _LEAD_MM + length * scale + 0.5 * (left_room - length * scale)
        return Page(lines, scale, zero, 19.0 + lines.top * scale, -length, True, foot_side, down)
    stub_mm = min(stub_mm + 0.15 * spare, 14.0)
    entry_zero = _MARGIN_MM + _LEAD_MM
    start = -(left_room - stub_mm - _GAP_MM) / scale
    zero = entry_zero + stub_mm + _GAP_MM - start * scale
    return Page(
        lines, scale, zero, 19.0 + lines.top * scale, start, False, foot_side, down, entry_zero,
        -length + stub_mm / scale,
    )  # fmt: skip
