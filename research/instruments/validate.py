"""Does the solver give a plain pipe's known frequencies, and how much do layer, sphere and mesh sizes change it?"""

from __future__ import annotations

import argparse
from dataclasses import replace
from math import log2, pi

import ngsolve
import numpy as np
from modes import SPEED_M_S, find_mode, quality
from scipy.integrate import quad
from scipy.special import i1, j1, k1, y1
from shape import Flute, build_mesh, read_flute
from study import FINE, MODELS, ORDER_WEIGHT, STUDY

__all__ = ["main"]

PIPES = {
    # bore radius, outer radius, length in mm
    "thin": (7.0, 7.35, 280.0),
    "thick": (7.0, 10.0, 280.0),
}


def _unflanged(ka: float) -> tuple[float, float]:
    """Modulus of R and length correction over a of a thin pipe's end (Levine & Schwinger 1948)."""

    def angle(t: float) -> float:
        return float(np.arctan2(j1(t), -y1(t)))

    # t = ka sin s takes the square root's singularity away
    first = quad(lambda s: angle(ka * np.sin(s)) / (ka * np.sin(s)), 0.0, pi / 2)[0]
    modulus = np.exp(-2.0 * ka / pi * first)
    near = quad(
        lambda s: np.log(pi * j1(ka * np.sin(s)) * np.hypot(j1(ka * np.sin(s)), y1(ka * np.sin(s)))) / (ka * np.sin(s)),
        0.0,
        pi / 2,
    )[0]

    def far(t: float) -> float:
        return float(np.log(1.0 / (2.0 * i1(t) * k1(t))) / (t * np.hypot(t, ka)))

    away = quad(far, 0.0, 1.0)[0] + quad(far, 1.0, 200.0)[0]
    # beyond 200: 2 I1 K1 -> 1/t, so the integrand tends to ln(t)/t^2
    away += (np.log(200.0) + 1.0) / 200.0
    return float(modulus), float((near + away) / pi)


def _end(k: float, a: float, b: float) -> complex:
    """Reflection of an end with wall (Dalmont, Nederveen & Joly 2001); thin limit exact, flanged Norris & Sheng."""
    ka, r = k * a, a / b
    modulus, length = _unflanged(ka)
    thin = length * a + 1j * np.log(modulus) / (2.0 * k)
    square = ka**2
    modulus = (1.0 + 0.323 * ka - 0.077 * square) / (1.0 + 0.323 * ka + 0.923 * square)
    flanged = 0.8216 * a / (1.0 + (0.77 * ka) ** 2 / (1.0 + 0.77 * ka)) + 1j * np.log(modulus) / (2.0 * k)
    d = flanged + r * (thin - flanged) + 0.057 * r * (1.0 - r**5) * a
    ripple = -0.43 * (b - a) * a / b**2 * np.sin(k * b / (1.85 - r)) ** 2
    ripple *= np.exp(-1j * k * b * (1.0 + r * (2.3 - r - 0.3 * square)))
    return complex(-np.exp(-2j * k * d) + ripple)


def _known(a: float, b: float, length: float, mode: int) -> complex:
    """Complex wave number of a pipe open at both ends, each end hearing the other as a simple source."""
    k = mode * pi / (length + 1.3 * a) + 0j
    for _ in range(60):
        at = k.real
        reflection = _end(at, a, b)
        z = (1.0 + reflection) / (1.0 - reflection)
        # flows out of the two ends are equal (odd modes) or opposite (even modes)
        way = 1.0 if mode % 2 else -1.0
        z += way * 1j * at * a**2 / (4.0 * length) * np.exp(-1j * at * length)
        k = mode * pi / (length + 2.0 * complex(np.arctan(z / 1j)) / at)
    return complex(k)


def _cents(one: float, other: float) -> float:
    return 1200.0 * log2(one / other)


def _tube(name: str) -> Flute:
    a, b, length = PIPES[name]
    stations = ((0.0, 2 * a), (length, 2 * a))
    return Flute("pipe", stations, ((0.0, 2 * b), (length, 2 * b)), 0.0, 0.0, 15.0, 0.0, 0.0, 0.0, ())


def _pipe(name: str, modes: tuple[int, ...]) -> None:
    a, b, length = PIPES[name]
    tube = _tube(name)
    mesh, built = build_mesh(tube, STUDY)
    for mode in modes:
        known = _known(a, b, length, mode)
        low = find_mode(tube, mesh, built, (), mode, known, 2, 6).k
        high = find_mode(tube, mesh, built, (), mode, low, 3, 3).k
        best = high.real + ORDER_WEIGHT * (high.real - low.real)
        print(
            f"{name} mode {mode}: known {known.real * SPEED_M_S * 1e3 / 2 / pi:.3f} Hz Q {quality(known):.1f}; "
            f"order 2 {_cents(low.real, known.real):+.3f} cents Q {quality(low):.1f}, "
            f"order 3 {_cents(high.real, known.real):+.3f} Q {quality(high):.1f}, "
            f"extrapolated {_cents(best, known.real):+.3f}",
            flush=True,
        )


def _layer() -> None:
    """The thick pipe's first mode at order 3 with other dampings, spheres, layers and meshes."""
    a, b, length = PIPES["thick"]
    tube = _tube("thick")
    known = _known(a, b, length, 1)
    for label, sizes, dampings in (
        ("study", STUDY, (3.5, 5.0, 2.5)),
        ("rims finer", replace(STUDY, foot=0.12), (3.5,)),
        ("sphere 25 mm wider", replace(STUDY, margin_mm=STUDY.margin_mm + 25.0), (3.5,)),
        ("layer 40 mm thicker", replace(STUDY, layer_mm=STUDY.layer_mm + 40.0), (3.5,)),
        ("outside finer", replace(STUDY, outside_mm=0.7 * STUDY.outside_mm), (3.5,)),
    ):
        mesh, built = build_mesh(tube, sizes)
        for damping in dampings:
            k = find_mode(tube, mesh, built, (), 1, known, 3, 3, damping).k
            print(
                f"thick {label} damping {damping}: order 3 {_cents(k.real, known.real):+.3f} cents Q {quality(k):.1f}",
                flush=True,
            )


def _refine(model: str, holes: str) -> None:
    """One fingering of one model on the study mesh and on the finer one."""
    flute = read_flute(MODELS[model])
    for label, sizes in (("study", STUDY), ("finer", FINE)):
        mesh, built = build_mesh(flute, sizes)
        opened = tuple(letter == "o" for letter in "".join(holes.split()))
        k = 1.0 * pi / (flute.foot_x + 25.0) + 0j
        for order, vectors in ((2, 8), (3, 3)):
            found = find_mode(flute, mesh, built, opened, 1, k, order, vectors)
            k = found.k
            hz = k.real * SPEED_M_S * 1e3 / 2 / pi
            print(f"{model} {holes} {label} order {order}: {hz:.3f} Hz, Q {quality(k):.1f}, {found}", flush=True)


def main() -> None:
    """Print the pipes, the layer study or one model on two meshes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", choices=("pipes", "layer", "refine"))
    parser.add_argument("--model", default="d5-cylinder", choices=sorted(MODELS))
    parser.add_argument("--holes", default="ccc ccc", help="all-closed fingering of the model")
    options = parser.parse_args()
    ngsolve.SetNumThreads(1)
    ngsolve.ngsglobals.msg_level = 0
    if options.part == "pipes":
        for name in PIPES:
            _pipe(name, (1, 2, 3))
    elif options.part == "layer":
        _layer()
    else:
        _refine(options.model, options.holes)


if __name__ == "__main__":
    main()
