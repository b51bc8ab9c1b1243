"""What air surrounds and fills a whole duct flute with these sizes, and how is it meshed?

Axes in mm: x along the bore, x = 0 at the windway exit, z up (window side), y across; only y >= 0 is kept (mirror
plane y = 0).  The mesh has materials "air" (bore, window, chimneys, near outside), "pad0", "pad1", ... (a small
region of outside air over each hole) and "layer" (spherical shell for the absorbing layer).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from math import atan, cos, radians, sqrt, tan
from pathlib import Path
from typing import Any

import numpy as np
from netgen.occ import Axes, Axis, Box, Cylinder, Glue, OCCGeometry, Pnt, Sphere, WorkPlane, X, Y, Z, gp_Dir

__all__ = ["Flute", "Hole", "MeshSizes", "ShapeError", "build_mesh", "read_flute"]

UNDERSIDE_SLOPE = 0.2
"""Slope of the labium's underside where the edge lies off the bore line (about 11 degrees)."""
SNAP_MM = 0.06
"""An underside of the edge nearer than this to the bore line is put on it."""
CHAMFER_SHARE = 0.6551
"""Leg of the 45 degree chamfer that removes the same section, (1 - pi/4) r^2, as a rounding of radius r."""


class ShapeError(ValueError):
    """A shape that cannot be built; the message gives the reason."""


@dataclass(frozen=True)
class Hole:
    """One tone hole in the mirror plane, lengths in mm."""

    name: str
    x: float
    radius: float
    below: bool
    outer_round: float
    cut: float
    cut_depth: float


@dataclass(frozen=True)
class Flute:
    """One whole instrument, lengths in mm; a window length of 0 makes a plain tube open at both ends."""

    name: str
    bore: tuple[tuple[float, float], ...]
    outside: tuple[tuple[float, float], ...]
    window_length: float
    window_width: float
    ramp_deg: float
    edge_height: float
    edge_thickness: float
    block_face_x: float
    holes: tuple[Hole, ...]

    @property
    def foot_x(self) -> float:
        """The foot end."""
        return self.bore[-1][0]

    def bore_radius(self, x: float) -> float:
        """Bore radius at x."""
        return float(np.interp(x, *np.array(self.bore).T)) / 2.0

    def outer_radius(self, x: float) -> float:
        """Outside radius at x."""
        return float(np.interp(x, *np.array(self.outside).T)) / 2.0


@dataclass(frozen=True)
class MeshSizes:
    """Largest element sizes: edge, window, bore, foot in bore radii at the window, rim in hole radii, others in mm."""

    edge: float = 0.05
    window: float = 0.16
    bore: float = 0.9
    rim: float = 0.3
    foot: float = 0.3
    outside_mm: float = 32.0
    margin_mm: float = 28.0
    layer_mm: float = 90.0
    grading: float = 0.45
    rounding: str = "chamfer"


def read_flute(path: Path) -> Flute:
    """Read the sizes of a model file; whatever the solver cannot represent is refused by name."""
    data = tomllib.loads(path.read_text())
    head, windway = data["head"], data["head"]["windway"]
    if "ear_height_mm" in head:
        raise ShapeError("head.ear_height_mm: only full side walls are modelled")
    holes = []
    for h in data.get("holes", []):
        under = h.get("undercut", {})
        if under.get("upstream_mm") or under.get("downstream_mm"):
            raise ShapeError(f"hole {h['name']}: only undercuts all round are modelled")
        cut, chamfer = under.get("all_round_mm", 0.0), h.get("inner_chamfer_mm", 0.0)
        if cut and chamfer:
            raise ShapeError(f"hole {h['name']}: undercut and inner chamfer together are not modelled")
        depth = cut / tan(radians(under.get("angle_deg", 35.0))) if cut else chamfer
        below = abs((h.get("angle_deg", 0.0) + 180.0) % 360.0 - 180.0) > 90.0
        rounding = h.get("outer_round_mm", 0.0)
        holes.append(Hole(h["name"], h["position_mm"], h["diameter_mm"] / 2.0, below, rounding, cut or chamfer, depth))
    return Flute(
        name=data["model"]["name"],
        bore=tuple((float(x), float(d)) for x, d in data["bore"]["stations_mm"]),
        outside=tuple((float(x), float(d)) for x, d in data["bore"]["outside_mm"]),
        window_length=head["window_length_mm"],
        window_width=head["window_width_mm"],
        ramp_deg=head["ramp_angle_deg"],
        edge_height=windway.get("floor_height_mm", 0.0) + windway["exit_height_mm"] / 2.0 + head["edge_offset_mm"],
        edge_thickness=head.get("broken_edge_mm", 0.1),
        block_face_x=head.get("block_depth_mm", 0.0),
        holes=tuple(holes),
    )


def _revolved(stations: tuple[tuple[float, float], ...], start: float) -> Any:
    """Half solid (y >= 0) of revolution through [x, diameter] stations, from x = start on."""
    xs, ds = np.array(stations).T
    points = [(start, float(np.interp(start, xs, ds)) / 2.0)]
    points += [(float(x), float(d) / 2.0) for x, d in stations if x > start + 1e-9]
    # collinear stations would leave needless seams
    kept = [points[0]]
    for i in range(1, len(points) - 1):
        before = (points[i][1] - kept[-1][1]) / (points[i][0] - kept[-1][0])
        after = (points[i + 1][1] - points[i][1]) / (points[i + 1][0] - points[i][0])
        if abs(before - after) > 1e-9:
            kept.append(points[i])
    kept.append(points[-1])
    # with the normal +y the plane's second axis is -z; the other way round the solid comes out inside out
    plane = WorkPlane(Axes(Pnt(0, 0, 0), n=Y, h=X)).MoveTo(start, 0.0)
    for x, r in kept:
        plane.LineTo(x, -r)
    face = plane.LineTo(kept[-1][0], 0.0).Close().Face()
    return face.Revolve(Axis(Pnt(0, 0, 0), -X), 180.0)


def _chimney(flute: Flute, hole: Hole, top: float) -> Any:
    """Everything a hole's tools take away, from inside the bore to radius `top`."""
    a = flute.bore_radius(hole.x)
    low, wide = 0.25 * a, hole.radius + hole.cut
    if wide > 0.97 * a:
        raise ShapeError(f"hole {hole.name}: radius {wide:.2f} mm at the bore reaches the bore's side at {a:.2f} mm")
    # half solid of revolution, made in one piece: unions of coaxial cylinders and cones fail at times
    # the plane's second axis points out of the bore, which also keeps the solid from coming out inside out
    plane = WorkPlane(Axes(Pnt(hole.x, 0, 0), n=Y if hole.below else -Y, h=X)).MoveTo(0.0, low).LineTo(wide, low)
    if hole.cut > 0.0:
        plane.LineTo(wide, a).LineTo(hole.radius, a + hole.cut_depth)
    face = plane.LineTo(hole.radius, top).LineTo(0.0, top).Close().Face()
    return face.Revolve(Axis(Pnt(hole.x, 0, 0), Z), 180.0)


def _body(flute: Flute, sizes: MeshSizes) -> Any:
    """Half of the instrument's material."""
    if flute.window_length == 0.0:
        return _revolved(flute.outside, flute.outside[0][0]) - _revolved(flute.bore, flute.bore[0][0])
    a, w, half = flute.bore_radius(0.0), flute.window_length, flute.window_width / 2.0
    if half > 0.95 * a:
        raise ShapeError(f"half window width {half:.2f} mm reaches the bore's chord limit {0.95 * a:.2f} mm")
    edge_top = a + flute.edge_height
    edge_bottom = edge_top - flute.edge_thickness
    outer = max(d for _, d in flute.outside) / 2.0
    slope = tan(radians(flute.ramp_deg))
    if edge_top <= a or edge_bottom < a - SNAP_MM:
        raise ShapeError(f"edge {flute.edge_height:.3f} mm over the bore line lies too low for this model")
    bore = _revolved(flute.bore, flute.block_face_x)
    body = _revolved(flute.outside, flute.outside[0][0]) - bore
    window = Box(Pnt(0, 0, 0.3 * a), Pnt(w, half, outer + 5.0))
    if flute.block_face_x > 0.0:
        window = window - Cylinder(Pnt(-1.0, 0, 0), X, a, 1.0 + flute.block_face_x)
    run = (outer + 3.0 - edge_top) / slope
    plane = WorkPlane(Axes(Pnt(0, half, 0), n=-Y, h=X)).MoveTo(w, edge_top)
    plane.LineTo(w + run, outer + 3.0).LineTo(w, outer + 3.0).Close()
    body = body - window - plane.Face().Extrude(half)
    if edge_bottom > a + SNAP_MM:
        reach = (edge_bottom - a) / UNDERSIDE_SLOPE + 0.02 * a
        c = cos(atan(UNDERSIDE_SLOPE))
        start = Pnt(w - 3.0 * a, 0, edge_bottom - a / c + 3.0 * a * UNDERSIDE_SLOPE)
        tilted = Cylinder(start, gp_Dir(1.0, 0.0, -UNDERSIDE_SLOPE), a, 9.0 * a)
        body = body - Box(Pnt(w, 0, 0.3 * a), Pnt(w + reach, half, 2 * a)) * tilted
    for hole in flute.holes:
        body = body - _chimney(flute, hole, flute.outer_radius(hole.x) + 3.0)
    if sizes.rounding != "none":
        body = _round_rims(flute, body, sizes.rounding)
    if body.mass <= 0.0:
        raise ShapeError("the geometry kernel lost the body")
    return body


def _rim_edges(flute: Flute, solid: Any, hole: Hole) -> list[Any]:
    """Edges of the chimney's mouth in the outer surface."""
    found = []
    outer = flute.outer_radius(hole.x)
    floor = sqrt(outer**2 - hole.radius**2) - 0.35
    for edge in solid.edges:
        low, high = edge.bounding_box
        z_low, z_high = (-high[2], -low[2]) if hole.below else (low[2], high[2])
        if high[1] < 1e-4 or z_low < floor or z_high > outer + 0.35:
            continue
        if low[0] > hole.x - hole.radius - 0.01 and high[0] < hole.x + hole.radius + 0.01:
            found.append(edge)
    return found


def _round_rims(flute: Flute, body: Any, rounding: str) -> Any:
    for hole in flute.holes:
        if hole.outer_round <= 0.0:
            continue
        rims = _rim_edges(flute, body, hole)
        if not rims:
            raise ShapeError(f"hole {hole.name}: rim not found")
        if rounding == "fillet":
            body = body.MakeFillet(rims, hole.outer_round)
        else:
            body = body.MakeChamfer(rims, CHAMFER_SHARE * hole.outer_round)
    return body


def _pad_margins(flute: Flute) -> list[float]:
    """How far each pad reaches past its hole's rounded rim."""
    out = []
    for hole in flute.holes:
        webs = [
            abs(o.x - hole.x) - o.radius - hole.radius - o.outer_round - hole.outer_round
            for o in flute.holes
            if o is not hole and o.below == hole.below
        ]
        room = min([*webs, 10.0])
        margin = min(0.25 * hole.radius, 0.3 * room)
        if margin < 0.1:
            raise ShapeError(f"hole {hole.name}: no room for a pad between the rims")
        out.append(margin)
    return out


def build_mesh(flute: Flute, sizes: MeshSizes) -> tuple[Any, dict[str, Any]]:
    """Curved tetrahedral mesh of the half model, and figures of what was built."""
    from ngsolve import Mesh

    body = _body(flute, sizes)
    start, foot = flute.outside[0][0], flute.foot_x
    outer = max(d for _, d in flute.outside) / 2.0
    centre = (start + foot) / 2.0
    inner_radius = sqrt(((foot - start) / 2.0) ** 2 + outer**2) + sizes.margin_mm
    big = 2.0 * (inner_radius + sizes.layer_mm)
    kept = Box(Pnt(centre - big, 0, -big), Pnt(centre + big, big, big))
    ball = Sphere(Pnt(centre, 0, 0), inner_radius) * kept
    shell = Sphere(Pnt(centre, 0, 0), inner_radius + sizes.layer_mm) * kept - ball
    air = ball - body
    if len(air.solids) != 1:
        raise ShapeError(f"the air falls into {len(air.solids)} separate volumes")
    full = _revolved(flute.outside, start)
    pads = []
    for number, (hole, margin) in enumerate(zip(flute.holes, _pad_margins(flute), strict=True)):
        top = flute.outer_radius(hole.x) + max(1.0, 0.4 * hole.radius)
        radius = hole.radius + hole.outer_round + margin
        pad = Cylinder(Pnt(hole.x, 0, 0), -Z if hole.below else Z, radius, top) * kept - full
        pad.mat(f"pad{number}")
        pads.append(pad)
    for pad in pads:
        air = air - pad
    air.mat("air")
    shell.mat("layer")
    _set_sizes(flute, sizes, air, pads)
    whole = Glue([air, *pads, shell])
    for face in whole.faces:
        _, high = face.bounding_box
        if high[1] < 1e-4:
            face.name = "mirror"
    raw = OCCGeometry(whole).GenerateMesh(maxh=sizes.outside_mm, grading=sizes.grading, optsteps3d=3)
    mesh = Mesh(raw)
    mesh.Curve(3)
    wanted = {"air", "layer", *(f"pad{i}" for i in range(len(pads)))}
    if set(mesh.GetMaterials()) != wanted:
        raise ShapeError(f"materials {sorted(set(mesh.GetMaterials()))} instead of {sorted(wanted)}")
    built = {
        "centre_x_mm": centre,
        "inner_radius_mm": inner_radius,
        "layer_mm": sizes.layer_mm,
        "edge_top_mm": flute.bore_radius(0.0) + flute.edge_height,
        "elements": int(mesh.ne),
    }
    return mesh, built


def _set_sizes(flute: Flute, sizes: MeshSizes, air: Any, pads: list[Any]) -> None:
    a, w, half = flute.bore_radius(0.0), flute.window_length, flute.window_width / 2.0
    foot = flute.foot_x
    for face in air.faces:
        low, high = face.bounding_box
        inside = low[0] > flute.outside[0][0] - 0.01 and high[0] < foot + 0.01
        if inside and max(-low[2], high[2]) < 1.05 * a and high[1] > 1e-4:
            face.maxh = sizes.bore * a
    for shape in (air, *pads):
        for edge in shape.edges:
            low, high = edge.bounding_box
            if high[1] < 1e-4 or low[0] < flute.outside[0][0] - 0.01 or high[0] > foot + 0.01:
                continue
            if high[0] < w + 1.5 * a and low[0] > -0.1 * a and low[2] > 0.2 * a and high[1] < half + 0.3 * a:
                at_edge = low[0] > w - 0.02 and high[0] < w + 0.02
                edge.maxh = (sizes.edge if at_edge else sizes.window) * a
                continue
            if low[0] > foot - 0.01 or (w == 0.0 and high[0] < flute.outside[0][0] + 0.01):
                edge.maxh = sizes.foot * a
                continue
            for hole in flute.holes:
                reach = hole.radius + max(hole.cut, hole.outer_round) + 0.01
                same_side = (high[2] < 0.0) if hole.below else (low[2] > 0.0)
                if same_side and low[0] > hole.x - reach and high[0] < hole.x + reach:
                    edge.maxh = sizes.rim * hole.radius
