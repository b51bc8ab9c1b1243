"""What inertance and radiation do many different windows show? Runs the sampled cases and writes one file each."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import ngsolve
import numpy as np
from geometry import GeometryError, MeshSizes, WindowShape, build_mesh, derived_heights
from scipy.stats import qmc
from solve import Reduced, impedance, length_corrections, reduce, resonance

__all__ = ["case_shape", "main", "run_case"]

FORMAT = "fluewright-window-case"
VERSION = 1
SEED = 20240
COUNT = 216
THICK_FROM = 192
"""Cases from here on have thick walls, as turned recorder heads do."""
KA = (0.01, 0.05, 0.08, 0.12, 0.17, 0.22, 0.26, 0.30, 0.35)
FOOT_LENGTH = 30.0
MODES = (1, 2, 3, 4)
ORDER_WEIGHT = 0.5
"""Share of the step from order 2 to 3 added to order 3; see README, convergence."""
FINE_EVERY = 10
LIMIT_S = 600


def case_shape(points: np.ndarray, index: int) -> WindowShape:
    """Shape of a case; a third of the windows are shorter than 0.45, the last cases have walls of 0.6 to 1."""
    u = points[index]
    w = 0.25 + 0.6 * u[0] if u[0] < 1.0 / 3.0 else 0.45 + 0.825 * (u[0] - 1.0 / 3.0)
    wall = 0.08 + 0.52 * u[2] if index < THICK_FROM else 0.6 + 0.4 * u[2]
    top = min(0.15, wall - 0.04)
    share = min(1.0, 1.1 * u[4])
    values = (
        w,
        0.7 + 0.8 * u[1],
        wall,
        10.0 + 30.0 * u[3],
        share,
        -0.08 + (top + 0.08) * u[5],
        (-0.3 + 0.55 * u[6]) * w,
        0.01 + 0.05 * u[7],
    )
    return WindowShape(*(round(float(v), 5) for v in values))


def _table(system: Reduced) -> list[dict[str, float]]:
    rows = []
    for ka in KA:
        z = impedance(system, ka)
        rows.append(
            {
                "ka": ka,
                "z_real": z.real,
                "z_imag": z.imag,
                "inertance_length": length_corrections(z, ka)[1],
                "phase_length": length_corrections(z, ka)[0].real,
                "radiation_share": 4.0 * z.real / ka**2,
            }
        )
    return rows


def _solve_mesh(shape: WindowShape, sizes: MeshSizes) -> dict[str, Any]:
    start = time.time()
    mesh, port_x = build_mesh(shape, sizes)
    out: dict[str, Any] = {
        "mesh_sizes": asdict(sizes),
        "elements": int(mesh.ne),
        "port_x": port_x,
        "mesh_seconds": round(time.time() - start, 2),
        "orders": {},
    }
    for order in (2, 3):
        start = time.time()
        system = reduce(mesh, port_x, order, sizes.sphere_radius)
        modes = [resonance(system, FOOT_LENGTH, n) for n in MODES]
        out["orders"][str(order)] = {
            "unknowns": system.unknowns,
            "residual": system.residual,
            "table": _table(system),
            "modes": [{"n": n, "k_real": k.real, "k_imag": k.imag} for n, k in zip(MODES, modes, strict=True)],
            "seconds": round(time.time() - start, 2),
        }
    out["extrapolated"] = _extrapolated(out["orders"])
    return out


def _extrapolated(orders: dict[str, Any]) -> dict[str, Any]:
    rows = []
    for low, high in zip(orders["2"]["table"], orders["3"]["table"], strict=True):
        row = {"ka": high["ka"]}
        for name in ("z_real", "z_imag", "inertance_length", "radiation_share"):
            row[name] = high[name] + ORDER_WEIGHT * (high[name] - low[name])
        row["phase_length"] = float(np.arctan(row["z_imag"]) / row["ka"])
        row["order_step"] = high["inertance_length"] - low["inertance_length"]
        rows.append(row)
    modes = [
        {
            "n": high["n"],
            "k_real": high["k_real"] + ORDER_WEIGHT * (high["k_real"] - low["k_real"]),
            "k_imag": high["k_imag"] + ORDER_WEIGHT * (high["k_imag"] - low["k_imag"]),
        }
        for low, high in zip(orders["2"]["modes"], orders["3"]["modes"], strict=True)
    ]
    return {"table": rows, "modes": modes}


def _header(index: int, shape: WindowShape) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "version": VERSION,
        "case": index,
        "seed": SEED,
        "parameters": asdict(shape),
        "derived": derived_heights(shape),
        "foot_length": FOOT_LENGTH,
        "order_weight": ORDER_WEIGHT,
    }


def run_case(index: int, shape: WindowShape) -> dict[str, Any]:
    """Solve a case; a shape that cannot be built or solved gives a failed record with its reason."""
    start = time.time()
    record = _header(index, shape)
    sizes = MeshSizes()
    try:
        record["mesh"] = _solve_mesh(shape, sizes)
        first = record["mesh"]["extrapolated"]["table"][0]
        record["relative_order_step"] = first["order_step"] / first["inertance_length"]
        record["relative_error_estimate"] = abs(record["relative_order_step"]) * ORDER_WEIGHT * 0.5
        if index % FINE_EVERY == 0:
            fine = replace(sizes, edge=sizes.edge / 2, window=0.07, bore=0.35, sphere_radius=14.0)
            record["fine_mesh"] = _solve_mesh(shape, fine)
            other = record["fine_mesh"]["extrapolated"]["table"][0]["inertance_length"]
            record["relative_fine_change"] = other / first["inertance_length"] - 1.0
        record["status"] = "solved"
    except (GeometryError, RuntimeError, ArithmeticError, ValueError, np.linalg.LinAlgError) as error:
        # netgen reports meshing failures as bare exceptions of several kinds; all are kept with their words
        record["status"] = "failed"
        record["reason"] = f"{type(error).__name__}: {error}"
    except Exception as error:
        if type(error).__module__.split(".")[0] not in {"netgen", "pyngcore", "ngsolve"}:
            raise
        record["status"] = "failed"
        record["reason"] = f"{type(error).__name__}: {error}"
    record["seconds"] = round(time.time() - start, 2)
    return record


def main() -> None:
    """Run the cases of one share of the list, skipping those with a file already."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "cases")
    parser.add_argument("--share", type=int, default=0, help="which share of the list (from 0)")
    parser.add_argument("--shares", type=int, default=1, help="number of processes that divide the list")
    parser.add_argument("--count", type=int, default=COUNT)
    parser.add_argument("--only", type=int, help="solve this one case in this process and stop")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    points = qmc.Sobol(d=8, scramble=True, rng=SEED).random(256)
    if options.only is not None:
        ngsolve.SetNumThreads(1)
        ngsolve.ngsglobals.msg_level = 0
        _write(options.out, run_case(options.only, case_shape(points, options.only)))
        return
    for index in range(options.share, options.count, options.shares):
        if not (options.out / f"{index:03d}.json").exists():
            _run_apart(options.out, index, case_shape(points, index))


def _run_apart(out: Path, index: int, shape: WindowShape) -> None:
    """Solve a case in a process of its own, so that a crash of the geometry kernel costs that case only."""
    command = [sys.executable, __file__, "--out", str(out), "--only", str(index)]
    reason = ""
    try:
        done = subprocess.run(command, timeout=LIMIT_S, check=False)
        if done.returncode != 0:
            reason = f"the solving process ended with status {done.returncode}"
    except subprocess.TimeoutExpired:
        reason = f"not done within {LIMIT_S} s"
    if reason and not (out / f"{index:03d}.json").exists():
        _write(out, _header(index, shape) | {"status": "failed", "reason": reason})


def _write(out: Path, record: dict[str, Any]) -> None:
    target = out / f"{record['case']:03d}.json"
    partial = target.with_suffix(".part")
    partial.write_text(json.dumps(record, indent=1) + "\n")
    partial.replace(target)
    words = (record["case"], record["status"], record.get("reason", ""), record.get("relative_order_step"))
    print(*words, record.get("seconds"), flush=True)


if __name__ == "__main__":
    main()
