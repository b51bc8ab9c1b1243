"""How strongly do two pistons in a long rigid cylinder's wall couple through still air, outside and inside?

Static (k -> 0) Green's functions as exact series.  Lengths in any one unit, inertances over rho: p = G dU/dt.

Outside, cylinder of radius R:  the Fourier integral over cos(k x) K_m(k R) / (-k K_m'(k R)) is turned onto the
imaginary k axis, where the Wronskian of the Hankel functions leaves a positive, exponentially falling integrand:

    G(phi, x) = 1/(pi^3 R^2) sum_m e_m cos(m phi) int_0^inf exp(-s |x|) / (s^2 |H_m'(s R)|^2) ds

with e_0 = 1, e_m = 2.  Inside, duct of radius a: the sum over the evanescent duct modes (j: zeros of J_m', without
the plane wave), G = sum e_m cos(m phi) exp(-j |x|/a) / (2 pi j a (1 - m^2/j^2)).  Uniform pistons multiply every
term by one shape factor a piston, which holds as long as they do not overlap in x.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import h1vp, jnp_zeros

__all__ = ["Piston", "disc", "inside_mutual", "main", "outside_mutual", "outside_point"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Piston:
    """Points (angle, x) and weights (sum 1) of one piston about its centre; symmetric in the angle."""

    angle: Array
    x: Array
    weight: Array

    def factor(self, order: int, s: Array) -> Array:
        """Mean of cos(order angle) exp(s x) over the piston."""
        return (self.weight * np.cos(order * self.angle)) @ np.exp(np.outer(self.x, s))


def disc(b: float, wall_radius: float, points: int = 24) -> Piston:
    """Part of a cylinder's wall inside a crossing straight hole of radius b, uniform over the curved surface."""
    nodes, weights = np.polynomial.legendre.leggauss(points)
    radius = b * 0.5 * (nodes + 1.0)
    turn = 2.0 * np.pi * (np.arange(2 * points) + 0.5) / (2 * points)
    r, t = (v.ravel() for v in np.meshgrid(radius, turn, indexing="ij"))
    w = np.repeat(weights * radius, 2 * points)
    y = r * np.sin(t)
    w = w / np.sqrt(1.0 - (y / wall_radius) ** 2)
    return Piston(np.arcsin(y / wall_radius), r * np.cos(t), w / w.sum())


POINT = Piston(np.zeros(1), np.zeros(1), np.ones(1))


def _quadrature(decay: float, start: float) -> tuple[Array, Array]:
    """Nodes and weights on (start, infinity) for an integrand falling about as exp(-decay s)."""
    edges = start + np.concatenate(([0.0], np.geomspace(0.02, 45.0, 28))) / decay
    nodes, weights = np.polynomial.legendre.leggauss(10)
    half = 0.5 * np.diff(edges)
    middle = 0.5 * (edges[1:] + edges[:-1])
    return (middle[:, None] + half[:, None] * nodes).ravel(), (half[:, None] * weights).ravel()


def outside_mutual(x: float, turn: float, radius: float, one: Piston = POINT, two: Piston = POINT) -> float:
    """Mutual inertance over rho of two pistons in the outer wall, centres x along and `turn` radians around apart."""
    reach = x - float(np.max(one.x)) - float(np.max(two.x))
    if reach <= 0.0:
        raise ValueError(f"pistons overlap along the axis (x {x:g}, free length {reach:g})")
    total, small = 0.0, 0
    for m in range(0, 4000):
        # below s R = m the derivative is very large; the integrand is nil until shortly before
        turning = max(0.0, m - 4.0 * m ** (1.0 / 3.0) - 4.0) / radius
        s, w = _quadrature(reach, turning)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            size = np.abs(h1vp(m, s * radius)) ** 2
            density = np.where(np.isfinite(size), 1.0 / (s * s * size), 0.0)
        term = float(np.sum(w * density * np.exp(-s * x) * one.factor(m, s) * two.factor(m, s)))
        term *= (1.0 if m == 0 else 2.0) * np.cos(m * turn)
        total += term
        small = small + 1 if abs(term) < 1e-10 * abs(total) + 1e-13 else 0
        if small > 3:
            break
    return total / (np.pi**3 * radius**2)


def outside_point(x: float, turn: float, radius: float) -> float:
    """As `outside_mutual` for points; x may be 0 when the points lie apart in angle (even in x, extrapolated)."""
    if x >= 0.1 * radius:
        return outside_mutual(x, turn, radius)
    at = radius * np.array([0.1, 0.15, 0.2, 0.25, 0.3])
    values = [outside_mutual(float(v), turn, radius) for v in at]
    return float(np.polynomial.polynomial.polyfit(at**2, values, 4) @ (x * x) ** np.arange(5))


def inside_mutual(x: float, turn: float, radius: float = 1.0, one: Piston = POINT, two: Piston = POINT) -> float:
    """Mutual inertance over rho inside a long duct, beyond the plane wave's (one-dimensional) value."""
    total = 0.0
    reach = x - float(np.max(one.x)) - float(np.max(two.x))
    if reach <= 0.0:
        raise ValueError(f"pistons overlap along the axis (x {x:g}, free length {reach:g})")
    for m in range(0, 400):
        zeros = jnp_zeros(m, max(4, int(12.0 / reach)))
        if zeros[0] * reach / radius > 40.0:
            break
        s = zeros / radius
        value = np.exp(-s * x) * one.factor(m, s) * two.factor(m, s) / (2.0 * np.pi * s * radius**2)
        value = value / (1.0 - (m / zeros) ** 2)
        total += (1.0 if m == 0 else 2.0) * np.cos(m * turn) * float(value.sum())
    return total


def table() -> list[str]:
    """Rows of the outside table: 4 pi (straight distance) G for points and for discs."""
    rows = [
        "| x/R | 0 deg | discs b/R 0.2 | discs b/R 0.3 | discs b/R 0.4 | discs b/R 0.6 | 90 deg | 180 deg |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for x in (0.0, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.4, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 20.0, 40.0):
        cells = [f"{x:g}"]
        cells.append(f"{4 * np.pi * x * outside_point(x, 0.0, 1.0):.4f}" if x > 0 else "2")
        for b in (0.2, 0.3, 0.4, 0.6):
            if x - 2 * b < 0.09:
                cells.append("")
                continue
            piston = disc(b, 1.0)
            cells.append(f"{4 * np.pi * x * outside_mutual(x, 0.0, 1.0, piston, piston):.4f}")
        for turn, chord in ((np.pi / 2, np.sqrt(2.0)), (np.pi, 2.0)):
            cells.append(f"{4 * np.pi * np.hypot(x, chord) * outside_point(x, turn, 1.0):.4f}")
        rows.append("| " + " | ".join(cells) + " |")
    return rows


def main() -> None:
    """Print the outside table, or with --inside the inside one."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--inside", action="store_true")
    if not parser.parse_args().inside:
        print("\n".join(table()))
        return
    print("| x/a | 0 deg | discs b/a 0.3 | discs b/a 0.5 | 90 deg | 180 deg |\n|---|---|---|---|---|---|")
    for x in (0.5, 0.7, 1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0):
        cells = [f"{x:g}", f"{inside_mutual(x, 0.0):.5f}"]
        for b in (0.3, 0.5):
            piston = disc(b, 1.0)
            free = x - 2 * b >= 0.09
            cells.append(f"{inside_mutual(x, 0.0, 1.0, piston, piston):.5f}" if free else "")
        cells += [f"{inside_mutual(x, turn):.5f}" for turn in (np.pi / 2, np.pi)]
        print("| " + " | ".join(cells) + " |")


if __name__ == "__main__":
    main()
