"""Do the study's meshes and orders reproduce earlier solutions, and how far do they move when refined?"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace

import ngsolve
import numpy as np
from geometry import HoledTube, HoleShape, MeshSizes, build_mesh
from series import disc, inside_mutual, outside_mutual
from solve import pistons_inside, pistons_outside
from study import solve_single

__all__ = ["main"]

KNOWN = (
    # radius, t/b, t_e/b, open t_a/b, closed t_a/b (docs/physics/holes.md#series-length and #whole-hole); None: no value
    (0.3, 0.6, 2.0026, None, None),
    (0.5, 1.0, 2.2637, -0.0757, -0.0723),
    (0.7, 0.6, 1.6711, None, None),
    (0.3, 1.0, None, -0.0277, -0.0263),
    (0.7, 1.0, None, -0.1462, -0.1403),
)


def straight() -> None:
    """Straight holes against earlier elements."""
    print(
        "| b/a | t/b | quantity | order 2 | order 3 | extrapolated | reference | difference |\n"
        "|---|---|---|---|---|---|---|---|"
    )
    for b, ratio, *known in KNOWN:
        out = solve_single(HoledTube(b * ratio, (HoleShape(0.0, b),)), MeshSizes())
        for name, value in zip(("t_e_over_b", "open_t_a_over_b", "closed_t_a_over_b"), known, strict=True):
            if value is None:
                continue
            low, high, best = (r[name] for r in (out["orders"]["2"], out["orders"]["3"], out["extrapolated"]))
            print(
                f"| {b} | {ratio} | {name} | {low:.5f} | {high:.5f} | {best:.5f} | {value} | {best / value - 1:+.2%} |"
            )
            sys.stdout.flush()


def convergence() -> None:
    """One hole on finer meshes and with other outside spheres."""
    tube = HoledTube(0.4, (HoleShape(0.0, 0.5),))
    base = MeshSizes()
    print("| mesh | order | t_e/b | open t_a/b | closed t_a/b |\n|---|---|---|---|---|")
    for words, sizes in (
        ("study mesh", base),
        ("rims twice as fine", replace(base, rim=0.04, chimney=0.2, bore=0.4)),
        ("sphere 12", replace(base, sphere_radius=12.0)),
        ("sphere 36", replace(base, sphere_radius=36.0)),
    ):
        out = solve_single(tube, sizes)
        for order, row in (*out["orders"].items(), ("extrapolated", out["extrapolated"])):
            values = (row[n] for n in ("t_e_over_b", "open_t_a_over_b", "closed_t_a_over_b"))
            print(f"| {words} | {order} | " + " | ".join(f"{v:.5f}" for v in values) + " |")
            sys.stdout.flush()


def pistons() -> None:
    """Piston matrices of a pair outside and inside against the exact series."""
    print("| place | b/a | wall | d/a | below | order 2 | order 3 | series |\n|---|---|---|---|---|---|---|---|")
    for b, wall, d, below in ((0.5, 0.4, 1.4, False), (0.35, 0.3, 3.0, False), (0.4, 0.4, 1.2, True)):
        tube = HoledTube(wall, (HoleShape(-d / 2, b), HoleShape(d / 2, b, below=below)))
        sizes = MeshSizes(sphere_radius=18.0 + 1.5 * d)
        mesh = build_mesh(tube, sizes)
        outside = [pistons_outside(mesh, o, sizes.sphere_radius, 2)[0, 1] for o in (2, 3)]
        inside = [pistons_inside(mesh, o, tube.ports, [-d / 2, d / 2])[0, 1] for o in (2, 3)]
        turn = np.pi if below else 0.0
        exact = outside_mutual(d, turn, 1 + wall, disc(b, 1 + wall), disc(b, 1 + wall))
        cells = f"{b} | {wall} | {d} | {below}"
        print(f"| outside | {cells} | {outside[0]:.6f} | {outside[1]:.6f} | {exact:.6f} |")
        exact = inside_mutual(d, turn, 1.0, disc(b, 1.0), disc(b, 1.0))
        print(f"| inside | {cells} | {inside[0]:.6f} | {inside[1]:.6f} | {exact:.6f} |")
        sys.stdout.flush()


def main() -> None:
    """Run one check and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("check", choices=("straight", "convergence", "pistons"))
    ngsolve.SetNumThreads(1)
    ngsolve.ngsglobals.msg_level = 0
    {"straight": straight, "convergence": convergence, "pistons": pistons}[parser.parse_args().check]()


if __name__ == "__main__":
    main()
