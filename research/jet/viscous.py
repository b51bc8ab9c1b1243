"""How much of the growth of a jet's sinuous wave does viscosity take?

The Orr-Sommerfeld equation for U = sech(y)**2, lengths in b, speeds in the centre line's, R = U_j b/nu:

    (U - c)(phi'' - k^2 phi) - U'' phi = (phi'''' - 2 k^2 phi'' + k^4 phi)/(j k R)

by Chebyshev collocation on half the jet, phi even, mapped so that half of the points lie within 2.5 b; at the outer end
phi' = -k phi. Growth in time for a real k is Im(k c); growth
in space for a real Omega is -Im k of the complex k with k c(k) = Omega.

The jet's own slow widening is left out: the parallel flow that the equation needs is kept up by a force.
"""

import argparse

import numpy as np
import scipy.linalg as la
from numpy.typing import NDArray
from rayleigh import mismatch, wave_numbers
from scipy.optimize import root

__all__ = ["Jet", "fit", "main"]

REYNOLDS = (10.0, 20.0, 30.0, 50.0, 80.0, 120.0, 200.0, 400.0, 2000.0)
WAVES = (0.15, 0.25, 0.4, 0.6, 0.9, 1.2, 1.6)
SHAKEN = (0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 1.1)


def fit(k: float, reynolds: float) -> float:
    """Return what the program takes: the share of the growth that is left."""
    return 1.0 - (6.0 + 6.0 * k**3) / reynolds


def _chebyshev(n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (differentiation matrix, points from 1 down to -1) of n + 1 points."""
    x = np.cos(np.pi * np.arange(n + 1) / n)
    c = np.concatenate([[2.0], np.ones(n - 1), [2.0]]) * (-1.0) ** np.arange(n + 1)
    apart = x[:, None] - x[None, :]
    d = np.outer(c, 1.0 / c) / (apart + np.eye(n + 1))
    return d - np.diag(d.sum(axis=1)), x


class Jet:
    """The discretised equation, in the wave's vorticity z = phi'' - k^2 phi: of second order, so well conditioned."""

    def __init__(self, points: int = 120, far: float = 30.0, near: float = 2.5) -> None:
        d, x = _chebyshev(points)
        # y = near (1 + x)/(s - x): 0 at x = -1, far at x = 1, near at about x = 0.
        s = 1.0 + 2.0 * near / far
        self.y = near * (1.0 + x) / (s - x)
        self.d1 = np.diag((s - x) ** 2 / (near * (1.0 + s))) @ d
        self.d2 = self.d1 @ self.d1
        self.u = 1.0 / np.cosh(self.y) ** 2
        self.bend = 4.0 * self.u - 6.0 * self.u**2

    def speeds(self, k: complex, reynolds: float) -> NDArray[np.complex128]:
        """Return every c of the discretised equation at a wave number."""
        one = np.eye(self.y.size)
        still = self.d2 - k * k * one
        # phi from z: phi' = -k phi outside, phi' = 0 in the middle.
        of_phi = still.astype(complex)
        of_phi[0], of_phi[-1] = self.d1[0] + k * one[0], self.d1[-1]
        inside = one.copy()
        inside[0, 0] = inside[-1, -1] = 0.0
        phi = la.solve(of_phi, inside.astype(complex))
        whole = np.diag(self.u) - self.bend[:, None] * phi - still / (1j * k * reynolds)
        # z is 0 outside; z' = 0 in the middle gives its value there from the others.
        kept = np.arange(1, self.y.size - 1)
        middle = -self.d1[-1, kept] / self.d1[-1, -1]
        c = la.eigvals(whole[np.ix_(kept, kept)] + np.outer(whole[kept, -1], middle))
        return c[np.abs(c) < 2.0]

    def growth(self, k: float, reynolds: float) -> float:
        """Return the growth in time, of the wave that grows fastest."""
        return float(self.fastest(k, reynolds).imag)

    def fastest(self, k: float, reynolds: float) -> complex:
        """Return the complex Omega of the wave that grows fastest."""
        omega = k * self.speeds(k, reynolds)
        return complex(omega[omega.imag.argmax()])

    def wave_number(self, shaken: float, reynolds: float, guess: complex) -> complex:
        """Return the complex k of a real Omega, near a guess: secant on k c(k) - Omega."""

        def off(k: complex) -> complex:
            c = self.speeds(k, reynolds)
            return complex(k * c[np.abs(k * c - shaken).argmin()] - shaken)

        old, new = guess * (1.0 + 1e-3), guess
        f_old = off(old)
        for _ in range(40):
            f_new = off(new)
            if abs(f_new) < 1e-9:
                return new
            old, new, f_old = new, new - f_new * (new - old) / (f_new - f_old), f_new
        raise RuntimeError(f"no wave found at Omega {shaken:g}, R {reynolds:g}")


def inviscid_growth(k: float, near: complex) -> float:
    """Return the growth in time at a real wave number by Rayleigh's equation, as `rayleigh` shoots it."""

    def both(omega: NDArray[np.float64]) -> list[float]:
        value = mismatch(complex(k), complex(omega[0], omega[1]))
        return [value.real, value.imag]

    found = root(both, [near.real, near.imag], tol=1e-9)
    if abs(complex(*both(found.x))) > 1e-7:
        raise RuntimeError(f"no wave found at k {k:g}")
    return float(found.x[1])


def _print(head: str, places: tuple[float, ...], rows: list[tuple[str, list[str]]]) -> None:
    print(f"\n| {head} | " + " | ".join(f"{p:g}" for p in places) + " |\n|" + "---|" * (len(places) + 1))
    for name, cells in rows:
        print(f"| {name} | " + " | ".join(cells) + " |")


def main() -> None:
    """Print growth in time, its share of the inviscid one beside the fit, and the same in space."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--points", type=int, default=120)
    jet = Jet(parser.parse_args().points)
    free = {k: inviscid_growth(k, jet.fastest(k, REYNOLDS[-1])) for k in WAVES}
    growths = {(r, k): jet.growth(k, r) for r in REYNOLDS for k in WAVES}
    print("growth in time k c_i b/U_j at real k b, by R")
    _print(
        "R", WAVES,
        [(f"{r:g}", [f"{growths[r, k]:.4f}" for k in WAVES]) for r in REYNOLDS]
        + [("none", [f"{free[k]:.4f}" for k in WAVES])],
    )  # fmt: skip
    print("\nits share of the inviscid growth / the fit 1 - (6 + 6 (k b)^3)/R")
    _print(
        "R", WAVES,
        [(f"{r:g}", [f"{growths[r, k] / free[k]:.3f} / {fit(k, r):.3f}" for k in WAVES]) for r in REYNOLDS],
    )  # fmt: skip
    print("\ngrowth in space: share of the inviscid one / the fit at the inviscid k_r; by Omega")
    cells: dict[tuple[float, float], str] = {}
    for w, still in zip(SHAKEN, wave_numbers(SHAKEN), strict=True):
        k = still
        for r in reversed(REYNOLDS[1:]):
            k = jet.wave_number(w, r, k)
            cells[r, w] = f"{k.imag / still.imag:.3f} / {fit(still.real, r):.3f}"
    _print("R", SHAKEN, [(f"{r:g}", [cells[r, w] for w in SHAKEN]) for r in REYNOLDS[1:]])


if __name__ == "__main__":
    main()
