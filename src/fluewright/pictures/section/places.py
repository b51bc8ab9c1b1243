"""Which places of a head's section can be pressed, and where their targets and grips lie."""

import math
from dataclasses import dataclass

from fluewright.pictures.numerals import fixed, general
from fluewright.pictures.section.lines import HeadLines
from fluewright.pictures.section.page import TARGET_MM, Box, Page, Point

__all__ = ["PLACE_NAMES", "Grip", "grips_of", "place_words", "targets_of"]

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
    upper, lower, edge_box = _boxes_about_exit(page)
    exit_x, face, edge = (page.at(x, 0.0)[0] for x in (0.0, lines.face, lines.edge_x))
    floor, wall, ear = (page.at(0.0, y)[1] for y in (lines.floor, lines.wall, lines.ear))
    bottom = page.base + page.down * page.scale
    right = page.at(page.foot_side, 0.0)[0]
    middle = 0.5 * (page.at(0.0, lines.roof)[1] + floor)
    found: dict[str, tuple[Box, ...]] = {}

    window_left, window_right = _at_least(exit_x, edge, keep=0.5)
    ears = min(ear + 0.2 * TARGET_MM, middle)
    # Over the ears too, where the block leaves no room under the window and low ears none over it.
    free = edge - face > 2.0 * TARGET_MM or lower[1] - ears > 1.1 * TARGET_MM
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


def _boxes_about_exit(page: Page) -> tuple[Box, Box, Box]:
    """Return the boxes of upper chamfer, lower chamfer and edge."""
    lines = page.lines
    exit_x, roof = page.at(0.0, lines.roof)
    face, floor = page.at(lines.face, lines.floor)
    middle = 0.5 * (roof + floor)
    edge, edge_y = page.at(lines.edge_x, lines.edge_y)
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
    return upper, lower, edge_box


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
        "window": f"{fixed(head.window_length_mm)} mm long, {fixed(head.window_width_mm)} mm wide",
        "windway": f"roof and floor; exit {fixed(way.exit_height_mm)} mm high",
        "block": f"with its face at {fixed(head.block_depth_mm)} mm",
        "ramp": f"{general(head.ramp_angle_deg)} degrees",
        "ears": "as high as the wall" if head.ear_height_mm is None else f"{fixed(head.ear_height_mm)} mm high",
        "entry": f"{fixed(way.entry_height_mm)} mm high, flare {fixed(way.entry_flare_mm)} mm",
        "upper-chamfer": f"{fixed(upper.length_mm)} mm at {general(upper.angle_deg)} degrees",
        "lower-chamfer": f"{fixed(lower.length_mm)} mm at {general(lower.angle_deg)} degrees",
        "edge": f"offset {fixed(head.edge_offset_mm)} mm, broken {fixed(head.broken_edge_mm)} mm",
    }
    return f"{PLACE_NAMES[place]}: {told[place]}"
