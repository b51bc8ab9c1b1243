"""Which places of a head's section can be pressed, where targets and grips lie, and how a chosen one is marked."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.pictures.head_lines import HeadLines
from fluewright.pictures.palette import Palette
from fluewright.pictures.svg import Drawing

__all__ = ["PLACE_NAMES", "TARGET_MM", "Grip", "Page", "grips_of", "hatch", "mark_chosen", "place_words", "targets_of"]

TARGET_MM = 7.0
"""Least width and height of a target on the page."""

PLACE_NAMES: dict[str, str] = {
    "window": "window",
    "windway": "windway",
    "block": "block",
    "ramp": "ramp",
    "ears": "ears",
    "entry": "windway entry",
    "upper-chamfer": "upper chamfer",
    "lower-chamfer": "lower chamfer",
    "edge": "edge",
}
"""Places of the section and what they are called; drawn in this order, so that small ones lie over large ones."""

Point = tuple[float, float]
Box = tuple[float, float, float, float]


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


@dataclass(frozen=True)
class Grip:
    """Where a size is dragged: its key, "x" or "y", mm of size per mm along the page over the scale, box and arrow."""

    place: str
    key: str
    direction: str
    sign: float
    box: Box
    arrow: Point


def _at_least(low: float, high: float, *, keep: float) -> tuple[float, float]:
    """Return the range widened to a target's width; `keep` 0 keeps its lower end, 1 its upper, 0.5 the middle."""
    short = max(TARGET_MM - (high - low), 0.0)
    return low - keep * short, high + (1.0 - keep) * short


def targets_of(page: Page) -> dict[str, tuple[Box, ...]]:
    """Return the boxes (left, top, right, bottom) on the page that belong to each place, in the order of drawing.

    A later place lies over an earlier one. The small ones about the windway's exit are set beside each other: the upper
    chamfer over the middle of the exit, the lower one under it, the edge's beyond both.
    """
    lines = page.lines
    exit_x, roof = page.at(0.0, lines.roof)
    face, floor = page.at(lines.face, lines.floor)
    middle = 0.5 * (roof + floor)
    edge, edge_y = page.at(lines.edge_x, lines.edge_y)
    wall, ear = page.at(0.0, lines.wall)[1], page.at(0.0, lines.ear)[1]
    bottom = page.base + page.down * page.scale
    right = page.at(page.foot_side, 0.0)[0]
    found: dict[str, tuple[Box, ...]] = {}

    # Where the block reaches far under the window its chamfer and the edge share what is left between them.
    edge_left = max(edge - 3.0, min(edge, 0.5 * (max(face, exit_x) + edge)))
    edge_box = (edge_left, edge_y - TARGET_MM, max(edge + 4.5, edge_left + TARGET_MM), edge_y + TARGET_MM)
    in_plane, in_roof = page.upper_chamfer
    upper_right = min(exit_x + 2.0, edge_left)
    upper_bottom = min(middle, roof + 0.5 * TARGET_MM)
    upper = (
        min(in_roof[0] - 1.0, upper_right - TARGET_MM), min(in_plane[1] - 2.6, upper_bottom - TARGET_MM),
        upper_right, upper_bottom,
    )  # fmt: skip
    in_floor, in_face = page.lower_chamfer
    lower_right = min(face + 2.0, edge_left)
    lower_top = max(middle, floor - 0.5 * TARGET_MM)
    lower = (
        min(in_floor[0] - 1.0, lower_right - TARGET_MM), lower_top,
        lower_right, max(in_face[1] + 2.6, lower_top + TARGET_MM),
    )  # fmt: skip

    window_left, window_right = _at_least(exit_x, edge, keep=0.5)
    ears = min(ear + 0.2 * TARGET_MM, middle)
    # Over the ears too, where the block leaves no room under the window and low ears none over it.
    free = edge - face > 2.0 * TARGET_MM or lower_top - ears > 1.1 * TARGET_MM
    window_top = ear if free else ears - 2.1 * TARGET_MM
    found["window"] = ((window_left, window_top, window_right, bottom),)
    channel = _at_least(wall, floor, keep=1.0)
    if page.entry_zero is None:
        parts = [(page.entry_x, exit_x)]
    else:
        parts = [(page.entry_zero, page.at_entry(page.entry_end, 0.0)[0]), (page.at(page.start, 0.0)[0], exit_x)]
    found["windway"] = tuple((a, channel[0], b, channel[1]) for a, b in parts)
    ends = [b for _, b in parts[:-1]] + [face + 0.5 * TARGET_MM]
    found["block"] = tuple((a, floor, b, bottom) for (a, _), b in zip(parts, ends, strict=True))
    ramp = _at_least(wall - 1.0, page.at(0.0, lines.bore_y(page.foot_side))[1] + 1.0, keep=0.5)
    found["ramp"] = ((edge, ramp[0], max(right, edge_box[2] + TARGET_MM), ramp[1]),)
    found["ears"] = ((exit_x, ears - TARGET_MM, edge, ears),)
    entry_roof = page.at_entry(-lines.model.head.windway.length_mm, lines.roof_y(-lines.model.head.windway.length_mm))
    open_top, open_bottom = _at_least(entry_roof[1] - 1.5, floor + 1.5, keep=0.5)
    found["entry"] = ((page.entry_x - 4.5, open_top, page.entry_x + 3.0, open_bottom),)
    found["upper-chamfer"], found["lower-chamfer"], found["edge"] = (upper,), (lower,), (edge_box,)
    return {place: found[place] for place in PLACE_NAMES}


def grips_of(page: Page, targets: dict[str, tuple[Box, ...]]) -> tuple[Grip, ...]:
    """Return where sizes are dragged; each lies within its place's targets, or beside them on free ground."""
    head, lines = page.lines.model.head, page.lines
    (upper,), (lower,), (edge,) = targets["upper-chamfer"], targets["lower-chamfer"], targets["edge"]
    edge_y = page.at(0.0, lines.edge_y)[1]
    roof_y = page.at(0.0, lines.roof_y((upper[0] - 3.5 - page.zero) / page.scale))[1]
    face = page.at(lines.face, 0.0)[0]
    half = 0.5 * TARGET_MM
    along = {
        name: -1.0 / math.cos(math.radians(chamfer.angle_deg))
        for name, chamfer in (("upper", head.upper_chamfer), ("lower", head.lower_chamfer))
    }
    edge_x = page.at(lines.edge_x, 0.0)[0]
    return (
        Grip(
            "windway", "head.windway.exit_height_mm", "y", -1.0,
            (upper[0] - TARGET_MM, roof_y - half, upper[0], roof_y + half), (upper[0] - half, roof_y),
        ),
        Grip(
            "block", "head.block_depth_mm", "x", 1.0, (face - half, lower[3], face + half, lower[3] + TARGET_MM),
            (face, lower[3] + half),
        ),
        Grip(
            "upper-chamfer", "head.upper_chamfer.length_mm", "x", along["upper"], upper,
            (0.5 * (upper[0] + upper[2]) - 0.5, upper[1] + 1.1),
        ),
        Grip(
            "lower-chamfer", "head.lower_chamfer.length_mm", "x", along["lower"], lower,
            (0.5 * (lower[0] + lower[2]) - 0.5, lower[3] - 1.1),
        ),
        Grip(
            "edge", "head.window_length_mm", "x", 1.0, (edge[0], edge_y, edge[2], edge[3]),
            (edge_x + 1.0, edge_y + half + 0.5),
        ),
        Grip(
            "edge", "head.edge_offset_mm", "y", -1.0, (edge[0], edge[1], edge[2], edge_y),
            (edge_x + 1.0, edge_y - half - 0.5),
        ),
    )  # fmt: skip


def place_words(lines: HeadLines, place: str) -> str:
    """Return the name of a place with its sizes, for readers that do not see it."""
    head, way = lines.model.head, lines.model.head.windway
    upper, lower = head.upper_chamfer, head.lower_chamfer
    told = {
        "window": f"{head.window_length_mm:.2f} mm long, {head.window_width_mm:.2f} mm wide",
        "windway": f"roof and floor; exit {way.exit_height_mm:.2f} mm high",
        "block": f"with its face at {head.block_depth_mm:.2f} mm",
        "ramp": f"{head.ramp_angle_deg:g} degrees",
        "ears": "as high as the wall" if head.ear_height_mm is None else f"{head.ear_height_mm:.2f} mm high",
        "entry": f"{way.entry_height_mm:.2f} mm high, flare {way.entry_flare_mm:.2f} mm",
        "upper-chamfer": f"{upper.length_mm:.2f} mm at {upper.angle_deg:g} degrees",
        "lower-chamfer": f"{lower.length_mm:.2f} mm at {lower.angle_deg:g} degrees",
        "edge": f"offset {head.edge_offset_mm:.2f} mm, broken {head.broken_edge_mm:.2f} mm",
    }
    return f"{PLACE_NAMES[place]}: {told[place]}"


def hatch(polygon: Sequence[Point], spacing_mm: float) -> list[tuple[Point, Point]]:
    """Return the parts within a polygon of lines at 45 degrees, rising to the right."""
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
    """Mark the chosen place: large ones hatched and outlined in ink, small ones drawn thick within a frame."""
    lines = page.lines
    bottom = -page.down
    drawing.open_group(class_="chosen", data_chosen=place, pointer_events="none")
    if place == "window":
        low, high = max(lines.face, 0.0), lines.edge_x
        points = [(low, lines.bore_y(low)), (low, lines.ear), (high, lines.ear), (high, lines.edge_y)]
        if low > 0.0:
            points = [(0.0, lines.floor), (0.0, lines.ear), *points[2:], (low, lines.floor)]
        _area(drawing, palette, [page.at(*p) for p in points])
    elif place == "windway":
        length = lines.model.head.windway.length_mm
        pieces = [(page.start, 0.0, page.at)]
        if page.entry_zero is not None:
            pieces.append((-length, page.entry_end, page.at_entry))
        for begin, end, at in pieces:
            top_end = end if end < 0.0 else -lines.upper_along
            floor_end = end if end < 0.0 else lines.face - lines.lower_along
            xs = [begin + (top_end - begin) * i / 12 for i in range(13)]
            _thick(drawing, palette, [at(x, lines.roof_y(x)) for x in xs])
            _thick(drawing, palette, [at(begin, lines.floor), at(floor_end, lines.floor)])
    elif place == "block":
        points = [
            (page.start, lines.floor), (lines.face - lines.lower_along, lines.floor),
            (lines.face, lines.floor - lines.lower_drop), (lines.face, bottom), (page.start, bottom),
        ]  # fmt: skip
        _area(drawing, palette, [page.at(*p) for p in points])
        if page.entry_zero is not None:
            left = -lines.model.head.windway.length_mm
            stub = [(left, lines.floor), (page.entry_end, lines.floor), (page.entry_end, bottom), (left, bottom)]
            _area(drawing, palette, [page.at_entry(*p) for p in stub])
    elif place == "ramp":
        points = page.wall_points()
        for a, b in hatch(points, 2.2):
            drawing.line(*a, *b, stroke=palette.ink_text, width=0.25)
        _thick(drawing, palette, points[:2], width=1.3)
    elif place == "ears":
        (left, ear), (right, _) = page.at(0.0, lines.ear), page.at(lines.edge_x, lines.ear)
        _thick(drawing, palette, [(left, ear), (right, ear)], width=1.3)
        _ring(drawing, palette, targets[place][0])
    else:
        _ring(drawing, palette, targets[place][0])
        if place == "entry":
            left = -lines.model.head.windway.length_mm
            run = min(2.0, 0.25 * lines.model.head.windway.length_mm, page.entry_end - left if page.entry_zero else 2.0)
            xs = [left, left + 0.5 * run, left + run]
            _thick(drawing, palette, [page.at_entry(x, lines.roof_y(x)) for x in xs])
            _thick(drawing, palette, [page.at_entry(x, lines.floor) for x in (left, left + run)])
        elif place == "edge":
            points = page.wall_points()
            tip = points[0]
            _thick(drawing, palette, [_towards(tip, points[-1], 3.0), tip, _towards(tip, points[1], 3.0)])
        else:
            _thick(drawing, palette, page.upper_chamfer if place == "upper-chamfer" else page.lower_chamfer, width=1.4)
    drawing.close_group()


def _towards(first: Point, second: Point, far: float) -> Point:
    length = math.hypot(second[0] - first[0], second[1] - first[1])
    share = min(far / length, 1.0) if length > 0.0 else 0.0
    return first[0] + share * (second[0] - first[0]), first[1] + share * (second[1] - first[1])
