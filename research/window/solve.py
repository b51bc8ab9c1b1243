"""What acoustic impedance does the window load the bore with, over a band of wave numbers?

Lossless Helmholtz equation, lengths in bore radii, time factor exp(+j w t).  A plane wave enters at the port
deep in the bore; the outside sphere carries the monopole condition dp/dr = -(j k + 1/R) p.  The system is
(A + j k B - k^2 M) p = f with real A, B, M.  Its solution is expanded in powers of j k about k = 0 (one real
factorisation), and the problem is projected (Galerkin) on the span of the expansion; a full residual is reported.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from ngsolve import BND, H1, BilinearForm, InnerProduct, Integrate, LinearForm, Mesh, ds, dx, grad
from numpy.typing import NDArray

__all__ = ["Reduced", "impedance", "length_corrections", "reduce", "resonance"]


@dataclass(frozen=True)
class Reduced:
    """Projected system of one mesh at one order."""

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    m: NDArray[np.float64]
    f: NDArray[np.float64]
    port_area: float
    port_x: float
    unknowns: int
    residual: float


def reduce(
    mesh: Mesh, port_x: float, order: int, sphere_radius: float, steps: int = 16, k_check: float = 0.4
) -> Reduced:
    """Project the Helmholtz problem of a mesh on its low-frequency expansion."""
    space = H1(mesh, order=order)
    u, v = space.TnT()
    a = BilinearForm(space, symmetric=True)
    a += grad(u) * grad(v) * dx + (1.0 / sphere_radius) * u * v * ds("open")
    b = BilinearForm(space, symmetric=True)
    b += u * v * ds("open") + u * v * ds("port")
    m = BilinearForm(space, symmetric=True)
    m += u * v * dx
    f = LinearForm(space)
    f += v * ds("port")
    a.Assemble()
    b.Assemble()
    m.Assemble()
    f.Assemble()
    inverse = a.mat.Inverse(space.FreeDofs(), inverse="sparsecholesky")

    # Terms of the power series of p in j k, each scaled to one; the basis is their orthonormal span (A product).
    basis: list[Any] = []
    work = a.mat.CreateColVector()

    def norm_of(vector: Any) -> float:
        work.data = a.mat * vector
        return float(InnerProduct(vector, work)) ** 0.5

    def append(vector: Any) -> None:
        q = a.mat.CreateColVector()
        q.data = vector
        for _ in range(2):
            for old in basis:
                work.data = a.mat * old
                q.data -= InnerProduct(q, work) * old
        size = norm_of(q)
        if size > 1e-11:
            q.data *= 1.0 / size
            basis.append(q)

    def solved(source: Any) -> Any:
        out = a.mat.CreateColVector()
        out.data = inverse * source
        return out

    rhs = a.mat.CreateColVector()
    older = a.mat.CreateColVector()
    older[:] = 0.0
    newer = solved(f.vec)
    newer.data *= 1.0 / norm_of(newer)
    append(newer)
    for _ in range(steps):
        rhs.data = b.mat * newer + m.mat * older
        rhs.data *= -1.0
        following = solved(rhs)
        scale = 1.0 / norm_of(following)
        older, newer = newer, following
        older.data *= scale
        newer.data *= scale
        append(newer)
    n = len(basis)
    vectors = np.array([q.FV().NumPy() for q in basis])

    def project(matrix: Any) -> NDArray[np.float64]:
        columns = []
        for q in basis:
            work.data = matrix * q
            columns.append(vectors @ work.FV().NumPy())
        return np.array(columns).T

    ra, rb, rm = project(a.mat), project(b.mat), project(m.mat)
    rf = vectors @ f.vec.FV().NumPy()
    c = np.linalg.solve(ra + 1j * k_check * rb - k_check**2 * rm, 2j * k_check * rf)
    total = np.zeros(space.ndof, dtype=complex)
    for weight, matrix in ((1.0, a.mat), (1j * k_check, b.mat), (-(k_check**2), m.mat)):
        for i in range(n):
            work.data = matrix * basis[i]
            total += weight * c[i] * work.FV().NumPy()
    load = 2j * k_check * f.vec.FV().NumPy()
    residual = float(np.linalg.norm(total - load) / np.linalg.norm(load))
    area = Integrate(1.0, mesh, BND, definedon=mesh.Boundaries("port"))
    return Reduced(ra, rb, rm, rf, float(area), port_x, int(space.ndof), residual)


def impedance(system: Reduced, k: complex) -> complex:
    """Window impedance over rho c / S, carried by plane waves from the port to x = 0."""
    c = np.linalg.solve(system.a + 1j * k * system.b - k**2 * system.m, 2j * k * system.f)
    mean = complex(system.f @ c) / system.port_area
    # at the port the wave towards the window has amplitude 1, the returning one mean - 1
    reflection = (mean - 1.0) * np.exp(2j * k * system.port_x)
    return (1.0 + reflection) / (1.0 - reflection)


def length_corrections(z: complex, k: complex) -> tuple[complex, float]:
    """Complex length d with Z = j tan(k d), and the inertance length Im(Z)/k."""
    return complex(np.arctan(z / 1j) / k), float((z.imag / k).real)


def resonance(system: Reduced, bore_length: float, mode: int) -> complex:
    """Complex wave number of a mode of a bore of this length with zero pressure at its foot."""
    k = mode * np.pi / (bore_length + 3.0) + 0j
    for _ in range(60):
        z = impedance(system, k)
        half_turns = mode * np.pi
        new = half_turns / (bore_length + _unwrapped(z, k))
        if abs(new - k) < 1e-13:
            break
        k = new
    return complex(k)


def _unwrapped(z: complex, k: complex) -> complex:
    phase = complex(np.arctan(z / 1j))
    if phase.real < 0:
        phase += np.pi
    return phase / k
