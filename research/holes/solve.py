"""What static inertances do two ports see through a bore with open or closed holes?

Potential flow: Laplace's equation for the pressure, p = inertance x volume acceleration; lengths in bore radii,
inertances over rho / a.  "Length" inertances are those times the bore's area pi.  Far outside dp/dr = -p/R.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from ngsolve import BND, H1, BilinearForm, GridFunction, InnerProduct, Integrate, LinearForm, Mesh, ds, dx, grad
from numpy.typing import NDArray

__all__ = [
    "PortMatrix",
    "open_ports",
    "pistons_inside",
    "pistons_outside",
    "scattering",
    "through",
]

Array = NDArray[np.float64]
PORTS = ("port0", "port1")


@dataclass(frozen=True)
class PortMatrix:
    """Static two-port of bore and open holes.

    `lengths` (2, 2): inertance lengths (mean port pressures a unit inflow density at one port);
    `flows` (holes, 2): share of the inflow at each port that leaves by each hole.
    """

    lengths: Array
    flows: Array
    unknowns: int


def _solver(space: Any, form: Any) -> Any:
    form.Assemble()
    return form.mat.Inverse(space.FreeDofs(), inverse="sparsecholesky")


def _load(space: Any, region: Any) -> Any:
    load = LinearForm(space)
    load += space.TestFunction() * ds(definedon=region)
    load.Assemble()
    return load.vec


def _area(mesh: Mesh, region: Any) -> float:
    return float(Integrate(1.0, mesh, BND, definedon=region))


def mouths(mesh: Mesh, holes: int, of: str) -> list[Any]:
    """Faces between each chimney and the bore or the outside."""
    other = mesh.Materials(of).Boundaries()
    return [mesh.Materials(f"chimney{i}").Boundaries() * other for i in range(holes)]


def open_ports(mesh: Mesh, order: int, sphere_radius: float, holes: int) -> PortMatrix:
    """Two-port of a mesh with open holes; flows by the consistent nodal flux through the inner mouths."""
    space = H1(mesh, order=order)
    u, v = space.TnT()
    form = BilinearForm(space, symmetric=True)
    form += grad(u) * grad(v) * dx + (1.0 / sphere_radius) * u * v * ds("open")
    inverse = _solver(space, form)
    loads = [_load(space, mesh.Boundaries(p)) for p in PORTS]
    areas = [_area(mesh, mesh.Boundaries(p)) for p in PORTS]
    split = "chimney0" in mesh.GetMaterials()
    faces = mouths(mesh, holes, "bore") if split else [mesh.Materials("outside").Boundaries() * _bore_faces(mesh)]
    lengths, flows = np.empty((2, 2)), np.empty((len(faces), 2))
    weights = []
    for face in faces:
        weight = GridFunction(space)
        weight.Set(1.0, definedon=face)
        weights.append(weight)
    for j in range(2):
        p = GridFunction(space)
        p.vec.data = inverse * loads[j]
        for i in range(2):
            lengths[i, j] = InnerProduct(loads[i], p.vec) / areas[i]
        for i, weight in enumerate(weights):
            out = Integrate(grad(p) * grad(weight), mesh, definedon=mesh.Materials("bore"))
            flows[i, j] = -float(out) / areas[j]
    return PortMatrix(lengths, flows, int(space.ndof))


def _bore_faces(mesh: Mesh) -> Any:
    return mesh.Materials("bore").Boundaries()


def through(mesh: Mesh, order: int, materials: str) -> float:
    """Inertance length from port to port of closed parts of the mesh, every other face a rigid wall.

    The ports carry p + dp/dn = +-1, which keeps the problem solvable; the flow follows from the port pressure.
    """
    space = H1(mesh, order=order, definedon=mesh.Materials(materials))
    u, v = space.TnT()
    form = BilinearForm(space, symmetric=True)
    form += grad(u) * grad(v) * dx + u * v * ds("port0|port1")
    inverse = _solver(space, form)
    first, last = (_load(space, mesh.Boundaries(p)) for p in PORTS)
    load = first.CreateVector()
    load.data = first - last
    p = first.CreateVector()
    p.data = inverse * load
    mean = float(InnerProduct(load, p)) / sum(_area(mesh, mesh.Boundaries(q)) for q in PORTS)
    return 2.0 * mean / (1.0 - mean)


def _pistons(mesh: Mesh, space: Any, form: Any, faces: list[Any]) -> Array:
    inverse = _solver(space, form)
    loads = [_load(space, f) for f in faces]
    areas = [_area(mesh, f) for f in faces]
    out = np.empty((len(faces), len(faces)))
    p = loads[0].CreateVector()
    for j, load in enumerate(loads):
        p.data = inverse * load
        for i, other in enumerate(loads):
            # half model: the whole piston's flow is twice that through the meshed half
            out[i, j] = InnerProduct(other, p) / (areas[i] * 2.0 * areas[j])
    return out


def pistons_outside(mesh: Mesh, order: int, sphere_radius: float, holes: int) -> Array:
    """Inertances (holes, holes) of uniform pistons in the outer mouths, body otherwise rigid."""
    space = H1(mesh, order=order, definedon=mesh.Materials("outside"))
    u, v = space.TnT()
    form = BilinearForm(space, symmetric=True)
    form += grad(u) * grad(v) * dx + (1.0 / sphere_radius) * u * v * ds("open")
    return _pistons(mesh, space, form, mouths(mesh, holes, "outside"))


def pistons_inside(mesh: Mesh, order: int, ports: tuple[float, float], places: list[float]) -> Array:
    """Inertances of uniform pistons in the inner mouths, less the one-dimensional value for flow at the hole axes."""
    space = H1(mesh, order=order, definedon=mesh.Materials("bore"), dirichlet="port0|port1")
    u, v = space.TnT()
    form = BilinearForm(space, symmetric=True)
    form += grad(u) * grad(v) * dx
    whole = _pistons(mesh, space, form, mouths(mesh, len(places), "bore"))
    left, right = ports
    x = np.array(places)
    low, high = np.minimum.outer(x, x), np.maximum.outer(x, x)
    return whole - (low - left) * (right - high) / ((right - left) * np.pi)


def scattering(
    mesh: Mesh, order: int, sphere_radius: float, wave_numbers: tuple[float, ...]
) -> list[NDArray[np.complex128]]:
    """Scattering matrices between the port planes, column j for a wave entering at port j (exp(+j w t)).

    One complex symmetric factorisation of A + j k B - k^2 M for each wave number; ports absorb plane waves, the
    sphere spherical ones.
    """
    space = H1(mesh, order=order, complex=True)
    u, v = space.TnT()
    areas = np.array([_area(mesh, mesh.Boundaries(p)) for p in PORTS])
    loads = [_load(space, mesh.Boundaries(p)) for p in PORTS]
    out = []
    for k in wave_numbers:
        form = BilinearForm(space, symmetric=True)
        form += (grad(u) * grad(v) - k**2 * u * v) * dx + 1j * k * u * v * ds("port0|port1")
        form += (1j * k + 1.0 / sphere_radius) * u * v * ds("open")
        inverse = _solver(space, form)
        s = np.empty((2, 2), dtype=complex)
        for j in range(2):
            p = loads[j].CreateVector()
            p.data = inverse * loads[j]
            for i in range(2):
                # no conjugate: the load is real
                mean = InnerProduct(p, loads[i], conjugate=False) / areas[i]
                s[i, j] = 2j * k * mean - (1.0 if i == j else 0.0)
        out.append(s)
    return out
