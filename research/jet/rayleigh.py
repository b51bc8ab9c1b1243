"""How does a jet's sinuous wave travel and grow without viscosity?

Rayleigh's equation for the profile U = sech(y)**2, lengths in b and speeds in the centre line's,

    (U - c)(phi'' - k^2 phi) - U'' phi = 0,   c = Omega/k,

for a real Omega = w b/U_j and the complex k = k_r - j g of the wave exp(j(k x - Omega t)) that grows in space as
exp(g x). Sinuous: the cross flow phi is even, phi'(0) = 0; outside phi ~ exp(-k y). Shot from y = 10 to the middle and
closed by a root finder in k, from one frequency to the next. The path bends off the real axis, above the critical
point, so that weakly growing and damped waves are reached as well (Lin's rule, the limit of vanishing viscosity).
"""

import argparse

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import root

__all__ = ["BEYOND", "SHAKEN", "main", "mismatch", "wave_numbers"]

# What `_RAYLEIGH` in src/fluewright/acoustics/jet.py holds, and frequencies beyond it where that goes on straight.
SHAKEN = (
    0.003, 0.005, 0.01, 0.02, 0.03, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2,
    1.25, 1.3,
)  # fmt: skip
BEYOND = (4.0 / 3.0, 1.4, 1.5, 1.6, 1.8, 2.0)
FAR = 10.0
BENT = 0.35  # how far the path leaves the real axis; the profile's own pole is at pi/2
START = (0.15, 0.39667 - 0.24903j)


def mismatch(k: complex, shaken: complex, bent: float = BENT) -> complex:
    """Return phi'(0)/phi(0) of the wave that fades outside: 0 for a sinuous wave of the jet."""

    def path(t: float) -> tuple[complex, complex]:
        """Return y and dy/dt; real at both ends."""
        hill = (t / FAR) * (1.0 - t / FAR) * np.exp(1.0 - t)
        slope = ((1.0 - 2.0 * t / FAR) / FAR - hill / np.exp(1.0 - t)) * np.exp(1.0 - t)
        return t + 1j * bent * FAR * hill, 1.0 + 1j * bent * FAR * slope

    def slopes(t: float, state: NDArray[np.complex128]) -> list[complex]:
        y, along = path(t)
        u = 1.0 / np.cosh(y) ** 2
        bend = 4.0 * u - 6.0 * u * u
        return [along * state[1], along * (k * k + bend / (u - shaken / k)) * state[0]]

    begun = np.array([1.0, -k], dtype=complex)
    shot = solve_ivp(slopes, (FAR, 0.0), begun, method="DOP853", rtol=1e-10, atol=1e-13)
    return complex(shot.y[1, -1] / shot.y[0, -1])


def wave_numbers(
    shaken: tuple[float, ...], *, start: tuple[float, complex] = START, bent: float = BENT
) -> list[complex]:
    """Return k at every Omega, each found from its neighbours, outwards from a known place."""
    known = {start[0]: start[1]}

    def walk(places: list[float]) -> None:
        last: list[tuple[float, complex]] = [start]
        for w in places:
            (w1, k1), (w2, k2) = last[-1], last[max(len(last) - 2, 0)]
            # A power law from the last two: k goes about as Omega**0.7 to Omega.
            guess = k1 * (w / w1) ** 0.8 if w1 == w2 else k1 + (k1 - k2) * (w - w1) / (w1 - w2)
            if w < 0.05:
                guess = k1 * (w / w1) ** 0.7

            def both(x: NDArray[np.float64], w: float = w) -> list[float]:
                value = mismatch(complex(x[0], x[1]), w, bent)
                return [value.real, value.imag]

            found = root(both, [guess.real, guess.imag], tol=1e-9)
            if not found.success and abs(mismatch(complex(*found.x), w, bent)) > 1e-7:
                raise RuntimeError(f"no wave found at Omega {w:g}: {found.message}")
            known[w] = complex(*found.x)
            last.append((w, known[w]))

    walk(sorted(w for w in shaken if w > start[0]))
    walk(sorted((w for w in shaken if w <= start[0]), reverse=True))
    return [known[w] for w in shaken]


def main() -> None:
    """Print the table that the program holds, the frequencies beyond it, and how good a straight line is there."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.parse_args()
    print("| Omega | k_r b | -k_i b | c_p/U_j |\n|---|---|---|---|")
    table = wave_numbers(SHAKEN)
    for w, k in zip(SHAKEN, table, strict=True):
        print(f"| {w:g} | {k.real:.5f} | {-k.imag:.5f} | {w / k.real:.5f} |")
    last, end = SHAKEN[-1], table[-1]
    print(f"\nbeyond {last:g}, beside straight lines of slope 0.9557 and -0.215\n")
    print("| Omega | k_r b | straight | -k_i b | straight |\n|---|---|---|---|---|")
    for w, k in zip(BEYOND, wave_numbers(BEYOND, start=(last, end)), strict=True):
        print(
            f"| {w:.4g} | {k.real:.5f} | {end.real + 0.9557 * (w - last):.5f} | {-k.imag:.5f} "
            f"| {-end.imag - 0.215 * (w - last):.5f} |"
        )


if __name__ == "__main__":
    main()
