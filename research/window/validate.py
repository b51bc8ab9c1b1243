"""Does the window solver give known figures, and how large are its mesh, order and sphere errors?"""

from __future__ import annotations

import argparse
import time

import ngsolve
import numpy as np
from geometry import MeshSizes, WindowShape, build_mesh
from netgen.occ import Box, Cylinder, OCCGeometry, Pnt, Sphere, X
from solve import impedance, length_corrections, reduce

__all__ = ["main"]

# Potential-flow solutions of docs/physics/window.md#plain-window (flat, edge on the bore line, full side walls):
# W/a, H/a, e/a, ramp in degrees, inertance length over a.
ROWS = (
    (0.60, 1.20, 0.10, 20.0, 2.7495),
    (0.60, 1.20, 0.35, 20.0, 3.5700),
    (0.60, 1.20, 0.60, 20.0, 4.1513),
    (0.60, 1.20, 0.35, 45.0, 3.7014),
    (0.45, 1.20, 0.35, 20.0, 4.4893),
    (1.00, 1.20, 0.35, 20.0, 2.0995),
    (0.60, 0.90, 0.35, 20.0, 4.5384),
    (0.43, 1.28, 0.55, 18.0, 4.9060),
    (0.85, 1.30, 0.25, 30.0, 2.1624),
)
EARS = ((0.20, 3.564), (0.10, 3.429), (0.03, 3.315))


# Flanged pipe, exact by mode matching (docs/physics/ends.md#flange): ka, modulus of R, length correction over a.
FLANGED = ((0.1, 0.990135, 0.817896), (0.2, 0.962060, 0.805753))


def _flanged() -> None:
    """Half model of a pipe ending in an infinite wall, on the study's element sizes."""
    ball = Sphere(Pnt(0, 0, 0), 12.0) * Box(Pnt(0, 0, -30), Pnt(30, 30, 30))
    pipe = Cylinder(Pnt(-3.0, 0, 0), X, 1.0, 3.5) * Box(Pnt(-9, 0, -9), Pnt(9, 9, 9))
    air = ball + pipe
    for face in air.faces:
        low, high = face.bounding_box
        face.name = "wall"
        if high[1] < 1e-4:
            face.name = "mirror"
        elif high[0] < -2.99:
            face.name = "port"
        elif high[0] > 1.0:
            face.name = "open"
    for edge in air.edges:
        low, high = edge.bounding_box
        if abs(low[0]) < 1e-4 and abs(high[0]) < 1e-4 and high[1] > 0.5 and high[1] < 2.0:
            edge.maxh = 0.06
    mesh = ngsolve.Mesh(OCCGeometry(air).GenerateMesh(maxh=3.0, grading=0.4))
    mesh.Curve(3)
    for order in (2, 3, 4):
        # the port lies 3 a before the end: with the pipe's axis turned round, that is port_x = 3
        system = reduce(mesh, 3.0, order, 12.0)
        for ka, modulus, known in FLANGED:
            z = impedance(system, ka)
            reflection = (z - 1) / (z + 1)
            length = -np.angle(-reflection) / (2 * ka)
            print(
                f"order {order} ka {ka}: |R| {abs(reflection):.6f} known {modulus}, L/a {length:.5f} known {known}",
                flush=True,
            )


def _length(shape: WindowShape, sizes: MeshSizes, orders: tuple[int, ...], ka: float) -> list[float]:
    mesh, port_x = build_mesh(shape, sizes)
    out = []
    for order in orders:
        system = reduce(mesh, port_x, order, sizes.sphere_radius)
        out.append(length_corrections(impedance(system, ka), ka)[1])
    return out


def main() -> None:
    """Print the reference rows, the ear rows and the convergence study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", choices=("rows", "ears", "convergence", "flanged"))
    part = parser.parse_args().part
    ngsolve.SetNumThreads(1)
    ngsolve.ngsglobals.msg_level = 0
    sizes = MeshSizes()
    if part == "flanged":
        _flanged()
    elif part == "rows":
        for w, h, e, ramp, known in ROWS:
            start = time.time()
            low, high = _length(WindowShape(w, h, e, ramp), sizes, (2, 3), 0.01)
            print(
                f"W {w:.2f} H {h:.2f} e {e:.2f} ramp {ramp:.0f}: order 2 {low:.4f}, order 3 {high:.4f}, "
                f"known {known:.4f}, order 3 over known {100 * (high / known - 1):+.2f} %, "
                f"step {100 * (high / low - 1):.2f} %, {time.time() - start:.0f} s",
                flush=True,
            )
    elif part == "ears":
        for height, known in EARS:
            full = (1.35**2 - 0.6**2) ** 0.5 - 1.0
            low, high = _length(WindowShape(0.6, 1.2, 0.35, 20.0, height / full), sizes, (2, 3), 0.01)
            print(f"ear {height}: {low:.4f} {high:.4f} known {known}", flush=True)
    else:
        shape = WindowShape(0.6, 1.2, 0.35, 20.0)
        for name, trial, orders in (
            ("study mesh", sizes, (2, 3, 4)),
            ("finer", MeshSizes(0.015, 0.07, 0.35, 2.0), (2, 3, 4)),
            ("sphere 8", MeshSizes(sphere_radius=8.0), (2, 3)),
            ("sphere 24", MeshSizes(sphere_radius=24.0, outside=5.0), (2, 3)),
        ):
            figures = _length(shape, trial, orders, 0.01)
            print(name, " ".join(f"{v:.4f}" for v in figures), flush=True)


if __name__ == "__main__":
    main()
