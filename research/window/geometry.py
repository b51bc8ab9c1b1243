"""What air does a duct-flute window with this shape enclose, in bore radii?

Axes: x along the bore, x = 0 at the windway exit (start of the window), z up, y across; only y >= 0 is kept
(mirror plane y = 0).  All lengths are in bore radii.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, cos, radians, sqrt, tan
from typing import Any

from netgen.occ import Axes, Box, Cylinder, OCCGeometry, Pnt, Sphere, X, Y, gp_Dir

__all__ = ["GeometryError", "MeshSizes", "WindowShape", "build_air", "build_mesh", "derived_heights"]

UNDERSIDE_SLOPE = 0.2
"""Slope of the labium's underside where the edge lies off the bore line (about 11 degrees)."""


class GeometryError(ValueError):
    """A shape that cannot be built; the message gives the reason."""


@dataclass(frozen=True)
class WindowShape:
    """One window, every length in bore radii, the angle in degrees."""

    length: float
    width: float
    wall: float
    ramp_deg: float
    ear_share: float = 1.0
    edge_offset: float = 0.0
    block_advance: float = 0.0
    edge_thickness: float = 0.0


@dataclass(frozen=True)
class MeshSizes:
    """Largest element sizes and the size of the outside sphere, in bore radii."""

    edge: float = 0.03
    window: float = 0.1
    bore: float = 0.45
    outside: float = 3.0
    sphere_radius: float = 12.0
    grading: float = 0.4


def derived_heights(shape: WindowShape) -> dict[str, Any]:
    """Heights over the bore axis that follow from a shape, after small features are snapped away."""
    outer = 1.0 + shape.wall
    edge_top = 1.0 + shape.edge_offset
    edge_bottom = edge_top - shape.edge_thickness
    ear_top = sqrt(outer**2 - shape.width**2 / 4.0)
    ear_height = max(0.0, ear_top - edge_top)
    cut: float | None = None
    if ear_height >= 0.03 and shape.ear_share < 0.97:
        kept = shape.ear_share * ear_height
        cut = edge_top + (kept if kept >= 0.01 else 0.0)
    return {
        "outer_radius": outer,
        "edge_top": edge_top,
        "edge_bottom": edge_bottom if abs(edge_bottom - 1.0) >= 0.006 else 1.0,
        "ear_top_at_window": ear_top,
        "ear_height_full": ear_height,
        "ear_cut_height": cut,
        "block_face_x": shape.block_advance if abs(shape.block_advance) >= 0.015 else 0.0,
    }


def _check(shape: WindowShape, outer: float, edge_top: float) -> None:
    if shape.width / 2.0 >= 0.95:
        raise GeometryError(f"half width {shape.width / 2:.3f} reaches the bore's chord limit 0.95")
    if edge_top > outer - 0.03:
        raise GeometryError(f"edge height {edge_top:.3f} does not lie 0.03 below the outer surface {outer:.3f}")
    if shape.block_advance > 0.6 * shape.length:
        raise GeometryError("block covers more than 0.6 of the window")


def build_air(shape: WindowShape, sizes: MeshSizes) -> Any:
    """Solid of the air (half model) with faces named port, open, mirror and wall."""
    h = derived_heights(shape)
    outer, edge_top, edge_bottom = h["outer_radius"], h["edge_top"], h["edge_bottom"]
    x_block, ear_cut = h["block_face_x"], h["ear_cut_height"]
    _check(shape, outer, edge_top)
    w, half = shape.length, shape.width / 2.0
    slope = tan(radians(shape.ramp_deg))
    port_x = w + 3.0
    big = sizes.sphere_radius + 6.0

    def tilted(rise: float) -> Any:
        """Unit cylinder whose top line passes the underside of the edge and climbs by `rise` per length."""
        c = cos(atan(rise))
        direction = gp_Dir(1.0, 0.0, rise)
        top = edge_bottom - 1.0 / c
        start = Pnt(w - 3.0, 0, top - 3.0 * rise)
        return Cylinder(start, direction, 1.0, 9.0)

    bore = Cylinder(Pnt(x_block, 0, 0), X, 1.0, port_x - x_block)
    side_drop = 1.0 - sqrt(1.0 - half**2)
    if edge_bottom < 1.0:
        rise = min(UNDERSIDE_SLOPE, 0.5 * slope)
        flat = (1.0 / cos(atan(rise)) - 1.0) * side_drop
        reach = (1.0 - edge_bottom + flat) / rise + 0.02
        if reach > port_x - w - 0.8:
            port_x = w + reach + 1.5
            bore = Cylinder(Pnt(x_block, 0, 0), X, 1.0, port_x - x_block)
        bore = bore - (Box(Pnt(w, -half, 0.2), Pnt(w + reach, half, 2.0)) - tilted(rise))

    window = Box(Pnt(0, -half, 0.2), Pnt(w, half, big))
    if x_block > 0.0:
        window = window - Cylinder(Pnt(-1.0, 0, 0), X, 1.0, 1.0 + x_block)
    run = (outer + 0.5 - edge_top) / slope

    def above_ramp(x0: float, z_floor: float, y_half: float) -> Any:
        """Everything above the ramp plane and above z_floor, for x > x0, within the half width y_half."""
        from netgen.occ import WorkPlane

        x_meet = max(x0, w + (z_floor - edge_top) / slope) if z_floor > edge_top else w
        z_meet = max(z_floor, edge_top)
        plane = WorkPlane(Axes(Pnt(0, y_half, 0), n=-Y, h=X))
        plane.MoveTo(x0, z_meet)
        if x_meet > x0 + 1e-9:
            plane.LineTo(x_meet, z_meet)
        plane.LineTo(w + run, outer + 0.5).LineTo(x0, outer + 0.5).Close()
        return plane.Face().Extrude(2.0 * y_half)

    body = Cylinder(Pnt(-big, 0, 0), X, outer, 2 * big)
    body = body - bore - window - above_ramp(w, edge_top, half)
    if ear_cut is not None:
        body = body - above_ramp(0.0, ear_cut, outer + 0.5)
    if edge_bottom > 1.0:
        reach = (edge_bottom - 1.0) / UNDERSIDE_SLOPE + 0.02
        under = Box(Pnt(w, -half, 0.2), Pnt(w + reach, half, 2.0)) * tilted(-UNDERSIDE_SLOPE)
        body = body - under
    centre = Pnt(w / 2.0, 0, outer)
    ball = Sphere(centre, sizes.sphere_radius)
    ball = ball * Box(Pnt(-2 * big, 0, -2 * big), Pnt(2 * big, 2 * big, 2 * big))
    air = ball - body
    solids = list(air.solids)
    if len(solids) != 1:
        raise GeometryError(f"the air falls into {len(solids)} separate volumes")
    _name(air, shape, sizes, port_x, outer)
    return air, port_x


def _name(air: Any, shape: WindowShape, sizes: MeshSizes, port_x: float, outer: float) -> None:
    w, half = shape.length, shape.width / 2.0
    air.mat("air")
    for face in air.faces:
        low, high = face.bounding_box
        face.name = "wall"
        if high[1] < 1e-4:
            face.name = "mirror"
        elif abs(low[0] - port_x) < 1e-3 and abs(high[0] - port_x) < 1e-3:
            face.name = "port"
        elif high[2] > outer + 0.5:
            face.name = "open"
        if low[0] > -0.6 and high[0] < port_x - 0.5 and face.name == "wall":
            face.maxh = sizes.window * 1.5
    for edge in air.edges:
        low, high = edge.bounding_box
        if high[1] < 1e-4:
            # cuts through the mirror plane carry no singularity of their own
            continue
        if low[0] < -0.6 or high[0] > w + 1.2 or low[2] < 0.2 or high[1] > half + 0.3:
            continue
        at_edge = low[0] > w - 0.02 and high[0] < w + 0.02
        edge.maxh = sizes.edge if at_edge else sizes.window


def build_mesh(shape: WindowShape, sizes: MeshSizes) -> tuple[Any, float]:
    """Curved tetrahedral mesh of the half model and the place of the port plane."""
    from ngsolve import Mesh

    air, port_x = build_air(shape, sizes)
    geometry = OCCGeometry(air)
    names = {f.name for f in air.faces}
    missing = {"port", "open", "mirror", "wall"} - names
    if missing:
        raise GeometryError(f"faces not found: {sorted(missing)}")
    raw = geometry.GenerateMesh(maxh=sizes.outside, grading=sizes.grading, optsteps3d=3)
    mesh = Mesh(raw)
    mesh.Curve(3)
    return mesh, port_x
