"""Measures of an instrument: diameters, walls, heights and distances at any place, mm."""

import math
from collections.abc import Iterable
from typing import Literal, TypeVar

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.instrument.parts import Head, Hole, Parts

__all__ = [
    "Side",
    "abreast_mm",
    "bore_diameter_mm",
    "crown_height_mm",
    "distance_mm",
    "edge_above_floor_mm",
    "edge_height_mm",
    "inner_radius_mm",
    "inner_web_mm",
    "outer_web_mm",
    "outside_diameter_mm",
    "ramp_end_mm",
    "wall_mm",
    "web_mm",
]

Side = Literal["head", "foot"]
"""Which side of a step in diameter is meant where a place lies right at it."""

_Place = TypeVar("_Place", float, FloatArray)

# Holes on different sides of the body, side by side: a gauge may put either first. Common practice, no source.
_ABREAST_MM, _ABREAST_DEG = 2.0, 45.0


def _at(stations: Iterable[tuple[float, float]], x: _Place, side: Side) -> _Place:
    table = np.array(tuple(stations), dtype=np.float64)
    if side == "head":
        # Of two stations at one place the interpolation takes the later one: seen from the foot, the upper one.
        table, x = table[::-1] * (-1.0, 1.0), -x
    at = np.interp(x, table[:, 0], table[:, 1])
    return at if isinstance(x, np.ndarray) else float(at)


def bore_diameter_mm(model: Parts, x: _Place, *, side: Side = "foot") -> _Place:
    """Return the bore diameter in mm at ``x`` mm, shaped as ``x``; beyond the bore's ends the end diameter holds.

    Right at a step (two stations with the same x) it is that on the foot's side, or on the head's if ``side`` says so.
    """
    return _at(model.bore.stations_mm, x, side)


def outside_diameter_mm(model: Parts, x: _Place, *, side: Side = "foot") -> _Place:
    """Return the outside diameter in mm at ``x`` mm, shaped as ``x``; ends and steps as in the bore."""
    return _at(model.bore.outside_mm, x, side)


def wall_mm(model: Parts, x: _Place, *, side: Side = "foot") -> _Place:
    """Return the wall thickness in mm at ``x`` mm from the exit plane, shaped as ``x``; at a step on the given side."""
    return 0.5 * (outside_diameter_mm(model, x, side=side) - bore_diameter_mm(model, x, side=side))


def edge_above_floor_mm(head: Head) -> float:
    """Return how far the edge stands above the line of the windway's floor, in mm (the view)."""
    return 0.5 * head.windway.exit_height_mm + head.edge_offset_mm


def edge_height_mm(head: Head) -> float:
    """Return how far the underside of the edge stands above the bore's top line, mm; negative: below it."""
    return head.windway.floor_height_mm + edge_above_floor_mm(head)


def _turn_rad(first: Hole, second: Hole) -> float:
    return abs(math.radians(math.remainder(first.angle_deg - second.angle_deg, 360.0)))


def distance_mm(model: Parts, first: Hole, second: Hole, *, outside: bool) -> float:
    """Return the distance between the centres of two holes along the surface of bore or outside, unrolled, mm."""
    middle = 0.5 * (first.position_mm + second.position_mm)
    diameter = outside_diameter_mm(model, middle) if outside else bore_diameter_mm(model, middle)
    return math.hypot(second.position_mm - first.position_mm, 0.5 * diameter * _turn_rad(first, second))


def abreast_mm(one: Hole, two: Hole) -> float:
    """Return by how much two neighbours may stand in the other order than they are listed, mm.

    A thumb hole beside the first finger's is listed first or second whatever the gauge says of a few tenths: on
    different sides of the body (45 degrees apart or more) neither is before the other. Else nothing.
    """
    apart = abs((one.angle_deg - two.angle_deg + 180.0) % 360.0 - 180.0)
    return _ABREAST_MM if apart >= _ABREAST_DEG else 0.0


def web_mm(model: Parts, first: Hole, second: Hole) -> float:
    """Return the least web in mm between the edges of two holes, measured round the bore.

    Holes are drilled toward the axis, so their centres are nearest at the bore; the unrolled bore surface is taken at
    the mean position. Negative when they overlap. Undercuts are not counted.
    """
    apart = distance_mm(model, first, second, outside=False)
    return apart - 0.5 * (first.diameter_mm + second.diameter_mm)


def inner_radius_mm(hole: Hole) -> float:
    """Return the hole's radius across the bore's surface, with chamfer, waist and undercut."""
    return 0.5 * hole.diameter_mm + hole.inner_chamfer_mm + hole.waist_mm + hole.undercut.all_round_mm


def inner_web_mm(model: Parts, first: Hole, second: Hole) -> float:
    """Return the web between two holes with their chamfers and undercuts, on the straight line between the centres.

    Toward head and foot an undercut may reach further than across: each half of the opening is taken as an ellipse.
    """
    upper, lower = sorted((first, second), key=lambda hole: hole.position_mm)
    along = lower.position_mm - upper.position_mm
    apart = distance_mm(model, upper, lower, outside=False)
    if apart <= 0.0:
        return -inner_radius_mm(upper) - inner_radius_mm(lower)
    left = apart
    for hole, more in ((upper, upper.undercut.downstream_mm), (lower, lower.undercut.upstream_mm)):
        across = inner_radius_mm(hole)
        cosine = along / apart
        left -= 1.0 / math.sqrt((cosine / (across + more)) ** 2 + (1.0 - cosine**2) / across**2)
    return left


def outer_web_mm(model: Parts, first: Hole, second: Hole) -> float:
    """Return the web between the rounded rims of two holes, measured round the outside."""
    rims = first.outer_round_mm + second.outer_round_mm + 0.5 * (first.diameter_mm + second.diameter_mm)
    return distance_mm(model, first, second, outside=True) - rims


def crown_height_mm(model: Parts, x: float) -> float:
    """Return how far the body's crown at ``x`` stands above the bore's top line at the exit plane."""
    return 0.5 * (outside_diameter_mm(model, x) - bore_diameter_mm(model, 0.0))


def ramp_end_mm(model: Parts) -> float:
    """Return where the ramp meets the body's crown."""
    head = model.head
    rise = crown_height_mm(model, head.window_length_mm) - edge_height_mm(head) - head.broken_edge_mm
    return head.window_length_mm + max(rise, 0.0) / math.tan(math.radians(head.ramp_angle_deg))
