"""What air do tone holes of these shapes in a long cylindrical body enclose, in bore radii?

Axes: x along the bore (upstream = negative x), z up, y across; only y >= 0 is kept (mirror plane y = 0).  The bore is
a cylinder of radius 1 between two port planes; the body a rigid cylinder of radius 1 + wall that runs out through the
outside sphere.  Holes stand in the mirror plane, on top or (below = True) at 180 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import radians, sqrt, tan
from typing import Any

from netgen.occ import (
    Axes,
    Axis,
    Box,
    Cylinder,
    Face,
    Glue,
    OCCGeometry,
    Pnt,
    Segment,
    Sphere,
    SplineInterpolation,
    ThruSections,
    Wire,
    WorkPlane,
    X,
    Z,
)

__all__ = ["PORT_GAP", "GeometryError", "HoleShape", "HoledTube", "MeshSizes", "build_mesh"]

PORT_GAP = 3.2
"""Distance from the outermost rim to the port planes: other waves have fallen by exp(-1.84 x 3.2) there."""
WIDE_SHARE = 0.15
"""Share of the inner rim's saddle depth over which a conical undercut goes on below the crest of the bore."""


class GeometryError(ValueError):
    """A shape that cannot be built; the message gives the reason."""


@dataclass(frozen=True)
class HoleShape:
    """One hole, lengths in bore radii, angle in degrees.

    Attributes
    ----------
    x : place of the straight part's axis along the bore.
    radius : radius b of the straight part (of the narrowest place of a waisted chimney).
    outer_round : radius of the quarter round that follows the outer rim.
    inner_chamfer : leg of the 45 degree chamfer that follows the inner rim.
    undercut, undercut_deg : widening at the bore's crest, all round, and the cone's angle to the hole's axis.
    upstream, upstream_deg : the same on the upstream side only (the downstream wall stays straight).
    waist : widening of a waisted chimney at the crests of bore and body over its middle.
    below : hole on the opposite side (180 degrees).
    """

    x: float
    radius: float
    outer_round: float = 0.0
    inner_chamfer: float = 0.0
    undercut: float = 0.0
    undercut_deg: float = 30.0
    upstream: float = 0.0
    upstream_deg: float = 30.0
    waist: float = 0.0
    below: bool = False

    @property
    def straight(self) -> bool:
        """Whether the chimney is a plain cylinder."""
        return not (self.outer_round or self.inner_chamfer or self.undercut or self.upstream or self.waist)

    @property
    def reach(self) -> float:
        """Largest distance of the rims from the axis along x."""
        return self.radius + max(self.outer_round, self.inner_chamfer, self.undercut, self.upstream, self.waist)


@dataclass(frozen=True)
class HoledTube:
    """Wall thickness of the body and its holes, in order of x."""

    wall: float
    holes: tuple[HoleShape, ...]

    @property
    def ports(self) -> tuple[float, float]:
        """Places of the two port planes."""
        return (
            min(h.x - h.reach for h in self.holes) - PORT_GAP,
            max(h.x + h.reach for h in self.holes) + PORT_GAP,
        )

    @property
    def middle(self) -> float:
        """Centre of the outside sphere on the axis."""
        return 0.5 * (self.holes[0].x + self.holes[-1].x)


@dataclass(frozen=True)
class MeshSizes:
    """Largest element sizes: rims and chimney walls in hole radii, the rest in bore radii."""

    rim: float = 0.08
    chimney: float = 0.3
    bore: float = 0.5
    outside: float = 5.0
    sphere_radius: float = 18.0
    grading: float = 0.4


def _turned(profile: list[tuple[float, float]], arc: list[tuple[float, float]] | None, x: float) -> Any:
    """Solid of revolution about the vertical line at x from points (radius, z), an arc in front of them."""
    points = [Pnt(x + r, 0, z) for r, z in profile]
    edges = [Segment(p, q) for p, q in pairwise(points)]
    if arc is not None:
        curve = SplineInterpolation([Pnt(x + r, 0, z) for r, z in arc])
        edges = [curve, *edges, Segment(points[-1], Pnt(x + arc[0][0], 0, arc[0][1]))]
    else:
        edges.append(Segment(points[-1], points[0]))
    return Face(Wire(edges)).Revolve(Axis(Pnt(x, 0, 0), Z), 360)


def _cutter(hole: HoleShape, wall: float) -> Any:
    """Air of the chimney without the two rim-following cuts, from inside the bore to well outside."""
    b, x, outer = hole.radius, hole.x, 1.0 + wall
    floor, top = 0.05, outer + 0.6
    if hole.waist:
        wide = b + hole.waist
        if wide > 0.95:
            raise GeometryError(f"waisted chimney of end radius {wide:.3f} reaches the bore's limit 0.95")
        low = 1.0 - WIDE_SHARE * (1.0 - sqrt(1.0 - wide**2))
        high = outer + 0.05 * wall
        n = 9
        z = [low + (high - low) * i / (n - 1) for i in range(n)]
        arc = [(b + hole.waist * ((v - 1.0 - wall / 2) / (wall / 2)) ** 2, v) for v in z]
        return _turned([(arc[-1][0], high), (arc[-1][0], top), (0, top), (0, floor), (arc[0][0], floor)], arc, x)
    cut, angle = (hole.undercut, hole.undercut_deg) if hole.undercut else (hole.upstream, hole.upstream_deg)
    if not cut:
        return Cylinder(Pnt(x, 0, floor), Z, b, top - floor)
    slope = tan(radians(angle))
    depth = cut / slope
    if depth > 0.95 * wall:
        raise GeometryError(f"undercut depth {depth:.3f} leaves less than 0.05 of the wall {wall:.3f}")
    middle_wide = b + (cut if hole.undercut else cut / 2)
    sag = 1.0 - sqrt(max(0.0, 1.0 - middle_wide**2))
    below = WIDE_SHARE * sag
    low = 1.0 - below
    grown = cut + below * slope
    wide = b + (grown if hole.undercut else grown / 2)
    if wide > 0.95:
        raise GeometryError(f"undercut radius {wide:.3f} reaches the bore's limit 0.95")
    if hole.undercut:
        return _turned([(0, floor), (wide, floor), (wide, low), (b, 1.0 + depth), (b, top), (0, top)], None, x)
    shift = x - grown / 2
    upper = WorkPlane(Axes(Pnt(x, 0, 1.0 + depth), n=Z, h=X)).Circle(b).Wire()
    lower = WorkPlane(Axes(Pnt(shift, 0, low), n=Z, h=X)).Circle(wide).Wire()
    horn = ThruSections([lower, upper], True)
    return (
        horn
        + Cylinder(Pnt(x, 0, 1.0 + depth), Z, b, top - 1.0 - depth)
        + Cylinder(Pnt(shift, 0, floor), Z, wide, low - floor)
    )


def _rim_edges(body: Any, hole: HoleShape, inner: bool, wall: float) -> list[Any]:
    b = hole.reach if inner else hole.radius
    reach, level = b + 0.02, 1.0 + 0.5 * wall
    found = []
    for edge in body.edges:
        low, high = edge.bounding_box
        if low[0] < hole.x - reach or high[0] > hole.x + reach or low[2] < 0.05:
            continue
        flat = high[2] - low[2] < 1.0 - sqrt(1.0 - min(b, 0.98) ** 2) + 0.02
        if inner and high[2] < min(level, 1.01) and flat:
            found.append(edge)
        if not inner and high[2] > 1.0 + 0.98 * wall and low[2] > sqrt((1.0 + wall) ** 2 - b**2) - 0.01 and flat:
            found.append(edge)
    if not found:
        raise GeometryError("no rim edge found for a rounding or chamfer")
    return found


def _build(tube: HoledTube, sizes: MeshSizes, rounded: bool, outside: bool) -> Any:
    """Glued solids named bore, chimney0.., outside (or bore, outside when an outer rim is rounded)."""
    outer = 1.0 + tube.wall
    left, right = tube.ports
    big = sizes.sphere_radius + 6.0
    bore = Cylinder(Pnt(left, 0, 0), X, 1.0, right - left)
    short = Cylinder(Pnt(left + 0.5, 0, 0), X, outer, right - left - 1.0)
    body = short - Cylinder(Pnt(left, 0, 0), X, 1.0, right - left)
    for hole in tube.holes:
        cutter = _cutter(hole, tube.wall)
        if hole.below:
            cutter = cutter.Rotate(Axis(Pnt(0, 0, 0), X), 180)
        body = body - cutter
    for hole in tube.holes:
        if hole.inner_chamfer:
            body = body.MakeChamfer(_rim_edges(body, hole, True, tube.wall), hole.inner_chamfer)
        if hole.outer_round and rounded:
            body = body.MakeFillet(_rim_edges(body, hole, False, tube.wall), hole.outer_round)
    half = Box(Pnt(-3 * big, 0, -3 * big), Pnt(3 * big, 3 * big, 3 * big))
    parts = []
    inside = bore * half
    inside.mat("bore")
    parts.append(inside)
    chimneys = ((short - body) - bore) * half
    ball = Sphere(Pnt(tube.middle, 0, 0), sizes.sphere_radius)
    beyond = (ball - Cylinder(Pnt(tube.middle - big, 0, 0), X, outer, 2 * big)) * half
    solids = list(chimneys.solids)
    if len(solids) != len(tube.holes):
        raise GeometryError(f"the chimneys are {len(solids)} volumes, not {len(tube.holes)}")
    if rounded and any(h.outer_round for h in tube.holes):
        for solid in solids:
            beyond = beyond + solid
        if len(list(beyond.solids)) != 1:
            raise GeometryError("the air outside falls into several volumes")
        beyond.mat("outside")
        parts.append(beyond)
    else:
        for solid in solids:
            place = solid.center
            number = min(
                range(len(tube.holes)),
                key=lambda i: abs(tube.holes[i].x - place[0]) + (tube.holes[i].below != (place[2] < 0)),
            )
            solid.mat(f"chimney{number}")
            parts.append(solid)
        if outside:
            beyond.mat("outside")
            parts.append(beyond)
    air = Glue(parts)
    _name(air, tube, sizes)
    return air


def _name(air: Any, tube: HoledTube, sizes: MeshSizes) -> None:
    outer = 1.0 + tube.wall
    left, right = tube.ports
    for face in air.faces:
        low, high = face.bounding_box
        face.name = "wall"
        if high[1] < 1e-4:
            face.name = "mirror"
        elif high[0] < left + 1e-3:
            face.name = "port0"
        elif low[0] > right - 1e-3:
            face.name = "port1"
        elif high[2] > outer + 0.5:
            face.name = "open"
        for hole in tube.holes:
            near = low[0] > hole.x - hole.reach - 0.05 and high[0] < hole.x + hole.reach + 0.05
            if near and face.name == "wall":
                face.maxh = sizes.chimney * hole.radius
    for edge in air.edges:
        low, high = edge.bounding_box
        if high[1] < 1e-4:
            continue
        for hole in tube.holes:
            near = low[0] > hole.x - hole.reach - 0.05 and high[0] < hole.x + hole.reach + 0.05
            upper = high[2] < 0 if hole.below else low[2] > 0
            if near and upper and high[1] < hole.reach + 0.05:
                edge.maxh = sizes.rim * hole.radius


def build_mesh(tube: HoledTube, sizes: MeshSizes, rounded: bool = True, outside: bool = True) -> Any:
    """Curved tetrahedral mesh of the half model.

    With `rounded` False the outer quarter rounds are left out; with `outside` False only bore and chimneys (up to the
    body's outer surface) are meshed.  Materials: bore, chimney0.. (absent when an outer rim is rounded) and outside;
    boundaries port0, port1, open, mirror, wall.
    """
    from ngsolve import Mesh

    air = _build(tube, sizes, rounded, outside)
    names = {f.name for f in air.faces}
    missing = {"port0", "port1", "mirror", "wall", *(("open",) if outside else ())} - names
    if missing:
        raise GeometryError(f"faces not found: {sorted(missing)}")
    raw = OCCGeometry(air).GenerateMesh(maxh=sizes.outside, grading=sizes.grading, optsteps3d=3)
    mesh = Mesh(raw)
    mesh.Curve(3)
    return mesh
