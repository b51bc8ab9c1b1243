"""At which complex wave numbers does the air of a meshed flute ring, for one fingering?

(K - k^2 M) p = 0 without wall losses; the shell "layer" carries a radial complex stretch r -> r + s (r - R), which
makes both matrices complex symmetric.  Time factor exp(+j w t): k = k_real + j k_imag, k_imag > 0 for a mode that
dies away.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from ngsolve import (
    H1,
    BilinearForm,
    GridFunction,
    IfPos,
    Integrate,
    Mesh,
    Norm,
    dx,
    grad,
    pml,
    x,
    y,
    z,
)
from ngsolve import ArnoldiSolver as arnoldi
from shape import Flute

__all__ = ["SPEED_M_S", "Found", "NoModeError", "find_mode", "quality"]

SPEED_M_S = 343.5
DAMPING = 3.5
"""The stretch is set so that a wave loses exp(-DAMPING) on its way out through the layer, and as much coming back."""


class NoModeError(RuntimeError):
    """None of the eigenvalues near the guess is the mode asked for; the message lists what was found."""


@dataclass(frozen=True)
class Found:
    """One mode at one order of elements."""

    k: complex
    unknowns: int
    share_in_bore: float
    nodes_in_bore: int
    seconds: float
    """Processor time."""


def quality(k: complex) -> float:
    """Q of a mode from its complex wave number."""
    return float(k.real / (2.0 * abs(k.imag)))


def _spread(flute: Flute, mesh: Mesh, field: GridFunction) -> tuple[float, int]:
    """Share of the squared pressure that lies in the bore, and sign changes along the bore's axis."""
    start, foot = flute.block_face_x, flute.foot_x
    widest = max(d for _, d in flute.bore) / 2.0
    inside = IfPos(widest**2 - y * y - z * z, 1.0, 0.0) * IfPos((x - start) * (foot - x), 1.0, 0.0)
    real = mesh.Materials("air|pad.*")
    square = Norm(field) ** 2
    bore = Integrate(inside * square, mesh, order=4, definedon=real)
    # inside the layer the field is that of the stretched coordinate; it counts as lost to the outside
    total = Integrate(square, mesh, order=4)
    places = np.linspace(start + 0.3, foot - 0.3, 240)
    on_axis = np.array([complex(field(mesh(float(p), 1e-4, 1e-4))) for p in places])
    top = on_axis[np.argmax(np.abs(on_axis))]
    turned = (on_axis / top).real
    sign, changes = 0, 0
    for value in turned:
        if abs(value) < 0.03:
            continue
        now = 1 if value > 0.0 else -1
        if sign and now != sign:
            changes += 1
        sign = now
    return float(abs(bore) / abs(total)), changes


def find_mode(
    flute: Flute,
    mesh: Mesh,
    built: dict[str, Any],
    holes_open: tuple[bool, ...],
    mode: int,
    k_guess: complex,
    order: int,
    vectors: int,
    damping: float = DAMPING,
) -> Found:
    """Mode (1 = lowest) whose pressure has mode - 1 sign changes along the bore, nearest to a guess.

    Parameters
    ----------
    flute, mesh, built
        The instrument and what `shape.build_mesh` made of it.
    holes_open : tuple of bool
        One a hole; a closed hole's pad is left out of the space, which leaves a rigid cap.
    mode, k_guess
        Number of the mode; wave number in 1/mm near which to look (exp(+j w t)).
    order, vectors
        Order of the elements; number of eigenvalues to look at.

    Raises
    ------
    NoModeError
        No eigenvalue found has the right number of sign changes and most of its pressure in the bore.
    """
    start = time.process_time()
    stretch = damping / (k_guess.real * built["layer_mm"])
    mesh.SetPML(
        pml.Radial(origin=(built["centre_x_mm"], 0.0, 0.0), rad=built["inner_radius_mm"], alpha=1j * stretch), "layer"
    )
    try:
        names = ["air", "layer", *(f"pad{i}" for i, is_open in enumerate(holes_open) if is_open)]
        space = H1(mesh, order=order, complex=True, definedon=mesh.Materials("|".join(names)))
        u, v = space.TnT()
        a = BilinearForm(space, symmetric=True)
        a += grad(u) * grad(v) * dx(definedon=mesh.Materials("|".join(names)))
        m = BilinearForm(space, symmetric=True)
        m += u * v * dx(definedon=mesh.Materials("|".join(names)))
        a.Assemble()
        m.Assemble()
        field = GridFunction(space, multidim=vectors)
        # the layer's stretch belongs to exp(-j w t), hence the conjugates
        shift = complex(np.conj(k_guess)) ** 2
        values = arnoldi(a.mat, m.mat, space.FreeDofs(), list(field.vecs), shift, inverse="sparsecholesky")
    finally:
        mesh.UnSetPML("layer")
    unknowns = sum(space.FreeDofs())
    tried = []
    best: tuple[float, Found] | None = None
    one = GridFunction(space)
    for number in range(vectors):
        k = complex(np.conj(np.sqrt(complex(values[number]))))
        if k.real < 0.0:
            k = -k
        one.vec.data = field.vecs[number]
        share, changes = _spread(flute, mesh, one)
        tried.append(f"{k.real:.6f}{k.imag:+.6f}j share {share:.2f} changes {changes}")
        if changes != mode - 1 or share < 0.2:
            continue
        away = abs(k - k_guess) / abs(k_guess) - share
        if best is None or away < best[0]:
            best = (away, Found(k, int(unknowns), share, changes, 0.0))
    if best is None:
        raise NoModeError(f"mode {mode} not found near k = {k_guess:.6f} per mm: " + "; ".join(tried))
    found = best[1]
    return Found(
        found.k, found.unknowns, found.share_in_bore, found.nodes_in_bore, round(time.process_time() - start, 2)
    )
