"""How far are the program's hole formulas from the solved single holes? Run with the program's own environment."""

from __future__ import annotations

import argparse
import json
from math import pi, radians, tan
from pathlib import Path
from typing import Any

import numpy as np

from fluewright.acoustics.kernels.holes import CONSTANTS, LEFEBVRE, SOLVED, Fingers, hole_constants
from fluewright.acoustics.kernels.offsets import HOLE_SIZES

__all__ = ["formula", "main"]


def formula(wall: float, hole: dict[str, Any], state: int, rule: int = SOLVED) -> tuple[float, float]:
    """t_e/b and t_a/b of the program's formulas, bore radius 1; an upstream cut is given as such."""
    b = hole["radius"]
    size, out = np.zeros(HOLE_SIZES), np.empty(CONSTANTS)
    cut, angle = hole["undercut"], hole["undercut_deg"]
    if hole["upstream"]:
        angle = hole["upstream_deg"]
    slope = tan(radians(angle)) if cut or hole["upstream"] else 0.0
    size[1:] = b, hole["outer_round"], hole["inner_chamfer"], cut, hole["upstream"], 0.0, slope, hole["waist"]
    hole_constants(1.0, 1.0 + wall, size, state, Fingers(1.0, 0.0, 1.0), rule, out)
    series, inner, outer, rim, radius, rim_radius, straight, horn, inner_radius, match = out
    total = inner + outer + rim / (pi * radius * rim_radius) + straight / (pi * radius**2)
    total += horn / (pi * radius * inner_radius) + match / (pi * inner_radius**2)
    return total * pi * b, series * pi / b


def main() -> None:
    """Print one line a solved single hole: the solution, the formula, the difference."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=Path, default=Path(__file__).parent / "cases")
    parser.add_argument("--published", action="store_true")
    given = parser.parse_args()
    rule = LEFEBVRE if given.published else SOLVED
    print("case kind b wall  t_e/b formula diff  open t_a/b formula  closed t_a/b formula  shift/b")
    for path in sorted(given.cases.glob("*.json")):
        record = json.loads(path.read_text())
        if record["family"] != "single" or record["status"] != "solved":
            continue
        wall = record["parameters"]["wall"]
        hole = record["parameters"]["holes"][0]
        row = record["mesh"]["extrapolated"]
        t_e, t_open = formula(wall, hole, 1, rule)
        _, t_shut = formula(wall, hole, 0, rule)
        print(
            f"{record['case']:03d} {record['kind']:15s} {hole['radius']:.3f} {wall:.3f}  "
            f"{row['t_e_over_b']:.4f} {t_e:.4f} {t_e / row['t_e_over_b'] - 1:+.2%}  "
            f"{row['open_t_a_over_b']:.4f} {t_open:.4f}  {row['closed_t_a_over_b']:.4f} {t_shut:.4f}  "
            f"{row['centre_shift'] / hole['radius']:+.4f}"
        )


if __name__ == "__main__":
    main()
