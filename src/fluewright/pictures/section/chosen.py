"""How the chosen place of the head's section is marked."""

import math
from collections.abc import Callable, Sequence

from fluewright.pictures.palette import Palette
from fluewright.pictures.section.page import Box, Page, Point
from fluewright.pictures.svg import Drawing

__all__ = ["hatch", "mark_chosen"]


def hatch(polygon: Sequence[Point], spacing_mm: float) -> list[tuple[Point, Point]]:
    """Return the parts within a polygon of lines at 45 degrees, rising to the right.

    Parameters
    ----------
    polygon : sequence of (x, y)
    spacing_mm : float
        Between two lines, along x or y.
    """
    # Along such a line x + y stays.
    sums = [x + y for x, y in polygon]
    found: list[tuple[Point, Point]] = []
    at = math.ceil(min(sums) / spacing_mm) * spacing_mm
    while at < max(sums):
        cuts = []
        for (x1, y1), (x2, y2) in zip(polygon, [*polygon[1:], polygon[0]], strict=True):
            first, second = x1 + y1 - at, x2 + y2 - at
            if (first < 0.0) != (second < 0.0):
                share = first / (first - second)
                cuts.append((x1 + share * (x2 - x1), y1 + share * (y2 - y1)))
        cuts.sort()
        found.extend(zip(cuts[::2], cuts[1::2], strict=True))
        at += spacing_mm
    return found


def _ring(drawing: Drawing, palette: Palette, box: Box) -> None:
    """Draw a frame about a small place: a casing of the ground's colour under ink."""
    left, top, right, bottom = box
    points = [(left, top), (right, top), (right, bottom), (left, bottom)]
    drawing.polyline(points, stroke=palette.ground, width=1.1, closed=True)
    drawing.polyline(points, stroke=palette.ink_text, width=0.5, closed=True)


def _thick(drawing: Drawing, palette: Palette, *runs: Sequence[Point], width: float = 1.1) -> None:
    for run in runs:
        drawing.polyline(run, stroke=palette.ink_text, width=width)


def _area(drawing: Drawing, palette: Palette, polygon: Sequence[Point]) -> None:
    for a, b in hatch(polygon, 2.2):
        drawing.line(*a, *b, stroke=palette.ink_text, width=0.25)
    drawing.polyline(polygon, stroke=palette.ink_text, width=0.9, closed=True)


def mark_chosen(
    drawing: Drawing, palette: Palette, page: Page, targets: dict[str, tuple[Box, ...]], place: str
) -> None:
    """Mark the chosen place: large ones hatched and outlined in ink, small ones drawn thick within a frame.

    Parameters
    ----------
    targets : dict
        As of `targets_of`.
    place : str
        One of `PLACE_NAMES`.
    """
    drawing.open_group(class_="chosen", data_chosen=place, pointer_events="none")
    if place in _LARGE:
        _LARGE[place](drawing, palette, page)
    else:
        if place == "ears":
            ear, edge_x = page.lines.ear, page.lines.edge_x
            _thick(drawing, palette, [page.at(0.0, ear), page.at(edge_x, ear)], width=1.3)
        _ring(drawing, palette, targets[place][0])
        if place in _SMALL:
            _SMALL[place](drawing, palette, page)
    drawing.close_group()


def _mark_window(drawing: Drawing, palette: Palette, page: Page) -> None:
    lines = page.lines
    low, high = max(lines.face, 0.0), lines.edge_x
    points = [(low, lines.bore_y(low)), (low, lines.ear), (high, lines.ear), (high, lines.edge_y)]
    if low > 0.0:
        points = [(0.0, lines.floor), (0.0, lines.ear), *points[2:], (low, lines.floor)]
    _area(drawing, palette, [page.at(*p) for p in points])


def _mark_windway(drawing: Drawing, palette: Palette, page: Page) -> None:
    lines = page.lines
    pieces = [(page.start, 0.0, page.at)]
    if page.entry_zero is not None:
        pieces.append((-lines.model.head.windway.length_mm, page.entry_end, page.at_entry))
    for begin, end, at in pieces:
        top_end = end if end < 0.0 else -lines.upper_along
        floor_end = end if end < 0.0 else lines.face - lines.lower_along
        xs = [begin + (top_end - begin) * i / 12 for i in range(13)]
        _thick(drawing, palette, [at(x, lines.roof_y(x)) for x in xs])
        _thick(drawing, palette, [at(begin, lines.floor), at(floor_end, lines.floor)])


def _mark_block(drawing: Drawing, palette: Palette, page: Page) -> None:
    lines, bottom = page.lines, -page.down
    points = [
        (page.start, lines.floor), (lines.face - lines.lower_along, lines.floor),
        (lines.face, lines.floor - lines.lower_drop), (lines.face, bottom), (page.start, bottom),
    ]  # fmt: skip
    _area(drawing, palette, [page.at(*p) for p in points])
    if page.entry_zero is not None:
        left = -lines.model.head.windway.length_mm
        stub = [(left, lines.floor), (page.entry_end, lines.floor), (page.entry_end, bottom), (left, bottom)]
        _area(drawing, palette, [page.at_entry(*p) for p in stub])


def _mark_ramp(drawing: Drawing, palette: Palette, page: Page) -> None:
    points = page.wall_points()
    for a, b in hatch(points, 2.2):
        drawing.line(*a, *b, stroke=palette.ink_text, width=0.25)
    _thick(drawing, palette, points[:2], width=1.3)


def _mark_entry(drawing: Drawing, palette: Palette, page: Page) -> None:
    lines = page.lines
    length = lines.model.head.windway.length_mm
    run = min(2.0, 0.25 * length, page.entry_end + length if page.entry_zero else 2.0)
    xs = [-length, -length + 0.5 * run, -length + run]
    _thick(drawing, palette, [page.at_entry(x, lines.roof_y(x)) for x in xs])
    _thick(drawing, palette, [page.at_entry(x, lines.floor) for x in (xs[0], xs[-1])])


def _mark_edge(drawing: Drawing, palette: Palette, page: Page) -> None:
    tip, up, *_, under = page.wall_points()
    _thick(drawing, palette, [_towards(tip, under, 3.0), tip, _towards(tip, up, 3.0)])


def _mark_upper_chamfer(drawing: Drawing, palette: Palette, page: Page) -> None:
    _thick(drawing, palette, page.upper_chamfer, width=1.4)


def _mark_lower_chamfer(drawing: Drawing, palette: Palette, page: Page) -> None:
    _thick(drawing, palette, page.lower_chamfer, width=1.4)


_Mark = Callable[[Drawing, Palette, Page], None]
_LARGE: dict[str, _Mark] = {
    "window": _mark_window, "windway": _mark_windway, "block": _mark_block, "ramp": _mark_ramp,
}  # fmt: skip
_SMALL: dict[str, _Mark] = {
    "entry": _mark_entry, "edge": _mark_edge, "upper-chamfer": _mark_upper_chamfer,
    "lower-chamfer": _mark_lower_chamfer,
}  # fmt: skip


def _towards(first: Point, second: Point, far: float) -> Point:
    length = math.hypot(second[0] - first[0], second[1] - first[1])
    share = min(far / length, 1.0) if length > 0.0 else 0.0
    return first[0] + share * (second[0] - first[0]), first[1] + share * (second[1] - first[1])
