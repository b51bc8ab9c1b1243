"""Fit the six numbers of the program's finished chimneys to the solved single holes, and state what is left.

The formula is `hole_constants` of the program with rule SOLVED: inner radius from shares of undercut, chamfer and
waist, outer radius from a share of the rounding, a flare's added length, and what the outside length lacks. That last
one comes from the straight holes alone, the other five from the finished ones, all of them; how good the formula is
say the quarters, each held back in turn. The series length t_a counts in the same unit as the shunt length t_e.

    python fit.py            in the program's own environment; the constants stand at the top of kernels/holes.py
"""

import json
from math import atan, pi, radians, sqrt, tan
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

from fluewright.acoustics.kernels import holes as kernel

CASES = Path(__file__).parent / "cases"
NAMES = ("UNDERCUT_SHARE", "CHAMFER_SHARE", "WAIST_SHARE", "FLARE", "OUTSIDE_MORE", "RIM_SHARE")


def singles():
    """Return (case, kind, wall, hole, solution) of every solved single hole."""
    found = []
    for path in sorted(CASES.glob("*.json")):
        case = json.loads(path.read_text())
        if case["family"] == "single" and case["status"] == "solved":
            parameters = case["parameters"]
            found.append(
                (case["case"], case["kind"], parameters["wall"], parameters["holes"][0], case["mesh"]["extrapolated"])
            )
    return found


def lengths(p, wall, hole):
    """Return (t_e/b, open t_a/b): the program's formula with these six numbers, bore radius 1."""
    undercut, chamfer_share, waist_share, flare, more, rim_share = p
    b = hole["radius"]
    x = hole["waist"] / b
    straight = b / sqrt(0.5 / (1 + x) + 0.5 * (atan(sqrt(x)) / sqrt(x) if x else 1.0))
    ends = (b + waist_share * hole["waist"] - straight) if x else 0.0
    b_out = straight + rim_share * hole["outer_round"] + ends
    b_in = (
        straight + undercut * (hole["undercut"] + 0.5 * hole["upstream"]) + chamfer_share * hole["inner_chamfer"] + ends
    )
    deep = 0.0
    if hole["undercut"] or hole["upstream"]:
        deep = (hole["undercut"] + hole["upstream"]) / tan(
            radians(hole["upstream_deg"] if hole["upstream"] else hole["undercut_deg"])
        )
    l_in, l_out = max(deep, hole["inner_chamfer"]), hole["outer_round"]
    shrink = min(1.0, 0.95 * wall / (l_in + l_out)) if l_in + l_out else 1.0
    l_in, l_out = l_in * shrink, l_out * shrink
    horn = min(b_in / straight, 1.6) - 1.0
    outside = b_out * (0.822 - 0.47 * (b_out / (1 + wall)) ** 0.8 + more)
    total = kernel.inner_length(b_in) / (pi * b_in) + outside / (pi * b_out**2) + l_out / (pi * straight * b_out)
    total += (wall - l_in - l_out) / (pi * straight**2) + l_in * (1 + flare * horn**2) / (pi * straight * b_in)
    total += kernel.matching_length(b_in) / (pi * b_in)
    series = b_in * kernel.series_length(b_in, wall / b_in, True, kernel.LEFEBVRE)
    return total * pi * b, series / b


def residuals(p, rows):
    found = []
    for _, _, wall, hole, solved in rows:
        t_e, t_a = lengths(p, wall, hole)
        found += [t_e / solved["t_e_over_b"] - 1.0, (t_a - solved["open_t_a_over_b"]) / solved["t_e_over_b"]]
    return np.array(found)


def main():
    rows = singles()
    straight = [r for r in rows if r[1] == "straight"]
    finished = [r for r in rows if r[1] != "straight"]
    whole = (0.85, 0.36, 0.45, 1.05, 0.0105, 0.47)

    def one(more):
        return residuals((*whole[:4], more[0], whole[5]), straight)[::2]

    more = float(least_squares(one, [0.01]).x[0])
    print(
        f"OUTSIDE_MORE {more:.4f} from {len(straight)} straight holes, "
        f"left {100 * np.abs(one([more])).max():.2f} % at worst"
    )

    def all_but(p, some):
        return residuals((*p[:4], more, p[4]), some)

    def fitted(some):
        return least_squares(all_but, (*whole[:4], whole[5]), args=(some,)).x

    def told(label, te):
        print(f"  {label}: t_e rms {np.sqrt(np.mean(te**2)):.2f} %, worst {np.abs(te).max():.2f} % of {te.size}")

    fit = fitted(finished)
    print("all", ", ".join(f"{n} {v:.4f}" for n, v in zip((*NAMES[:4], NAMES[5]), fit, strict=True)))
    told("fitted", 100 * all_but(fit, finished)[::2])
    apart = []
    for quarter in range(4):
        held = finished[quarter::4]
        fit = fitted([r for r in finished if not any(r is one for one in held)])
        apart.append(100 * all_but(fit, held)[::2])
        told(f"held back, quarter {quarter + 1}", apart[-1])
    told("held back, each quarter in turn", np.concatenate(apart))
    ratios = [-s["centre_shift"] / h["upstream"] for _, _, _, h, s in rows if h["upstream"]]
    print(f"centre shift over a one-sided cut: mean {np.mean(ratios):.3f}, {min(ratios):.3f} to {max(ratios):.3f}")


if __name__ == "__main__":
    main()
