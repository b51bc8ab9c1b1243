"""What shunt, series and mutual inertances do many different tone holes show? Runs the cases, one file each."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from dataclasses import asdict, dataclass, replace
from math import atan, degrees, log2, pi, sqrt
from pathlib import Path
from typing import Any

import ngsolve
import numpy as np
from extract import SingleHole, at_frequency, chain, pair, single
from geometry import GeometryError, HoledTube, HoleShape, MeshSizes, build_mesh
from ngsolve import Integrate
from scipy.stats import qmc
from series import disc, inside_mutual, outside_mutual, outside_point
from solve import open_ports, pistons_inside, pistons_outside, scattering, through

__all__ = ["CASES", "Case", "main", "run_case"]

FORMAT = "fluewright-hole-case"
VERSION = 1
SEED = 31415
ORDERS = (2, 3)
ORDER_WEIGHT = 0.5
"""Share of the step from order 2 to 3 added to order 3; see README, convergence."""
FINE_EVERY = 10
LIMIT_S = 1800
KA = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4)
SINGLE_KINDS = ("straight", "round", "chamfer", "undercut", "upstream", "waist", "round+undercut", "round+upstream")
SINGLE_QUOTA = (5, 4, 4, 5, 4, 4, 2, 2)
ROWS = (
    (3, 0.40, 0.40, 1.6),
    (3, 0.55, 0.40, 1.8),
    (3, 0.70, 0.30, 2.2),
    (3, 0.50, 0.60, 2.6),
    (6, 0.45, 0.45, 1.8),
    (6, 0.60, 0.40, 2.0),
    (6, 0.35, 0.50, 1.5),
    (6, 0.50, 0.25, 2.5),
)
"""Holes, radius, wall, spacing."""
OPPOSITE = (4, 12, 20)
UNEQUAL = (2, 7, 10, 15, 18, 23)
WITH_FREQUENCY = (0, 3, 8, 12, 15, 21)
PAIRS = 26


@dataclass(frozen=True)
class Case:
    """One case of the study."""

    family: str
    kind: str
    tube: HoledTube
    frequency: bool = False


def _rounded(value: float) -> float:
    return round(float(value), 5)


def _single_case(kind: str, u: np.ndarray) -> Case:
    b, wall = 0.3 + 0.5 * u[0], 0.2 + 0.6 * u[1]
    feature, angle = u[2], 20.0 + 30.0 * u[3]
    cut_inside = "undercut" in kind or "upstream" in kind
    if cut_inside:
        b = 0.3 + 0.38 * u[0]
    extra: dict[str, float] = {}
    outer_round = 0.0
    if "round" in kind:
        share = 0.1 + 0.4 * (u[4] if "+" in kind else feature)
        outer_round = min(share * b, (0.3 if "+" in kind else 0.7) * wall)
        extra["outer_round"] = _rounded(outer_round)
    if cut_inside:
        # the cone must end below the outer rim's lowest place (at the sides) and below its rounding: thin walls
        # under wide holes are raised until three tenths of the wall are left for the cone
        while (room := _cone_room(b, wall, outer_round)) < 0.3 * wall:
            wall += 0.02
        cut = (0.1 + 0.4 * feature) * b
        cut = min(cut, 0.86 - b) if "undercut" in kind else min(cut, 2.0 * (0.86 - b))
        # a wide cut in a thin wall takes a blunter tool, at most 50 degrees, then a smaller cut
        angle = max(angle, min(50.0, degrees(atan(cut / room))))
        cut = min(cut, room * float(np.tan(np.radians(angle))))
        name = "undercut" if "undercut" in kind else "upstream"
        extra |= {name: _rounded(cut), f"{name}_deg": _rounded(angle)}
    if kind == "chamfer":
        extra["inner_chamfer"] = _rounded(min((0.05 + 0.25 * feature) * b, 0.6 * wall, 0.93 - b))
    if kind == "waist":
        extra["waist"] = _rounded(min((0.05 + 0.25 * feature) * b, 0.5 * wall, 0.88 - b))
    hole = HoleShape(0.0, _rounded(b), **extra)
    return Case("single", kind, HoledTube(_rounded(wall), (hole,)))


def _cone_room(b: float, wall: float, outer_round: float) -> float:
    """Height over the bore's crest that a cone may take without meeting the outer rim or its rounding."""
    outer = 1.0 + wall
    return min(0.85 * wall, sqrt(outer**2 - b**2) - 1.0 - 0.03 - 1.15 * outer_round)


def _pair_case(number: int, u: np.ndarray) -> Case:
    b, wall = 0.3 + 0.45 * u[0], 0.2 + 0.5 * u[1]
    other = b
    if number in UNEQUAL:
        other = 0.3 + 0.45 * ((u[0] + 0.35 + 0.3 * u[3]) % 1.0)
    below = number in OPPOSITE
    low = 0.5 if below else max(1.2, b + other + 0.25)
    high = 3.0 if below else 6.0
    d = 2.0 ** (log2(low) + (log2(high) - log2(low)) * u[2])
    holes = (
        HoleShape(_rounded(-d / 2), _rounded(b)),
        HoleShape(_rounded(d / 2), _rounded(other), below=below),
    )
    kind = ("opposite" if below else "top") + (" unequal" if number in UNEQUAL else " equal")
    return Case("pair", kind, HoledTube(_rounded(wall), holes), number in WITH_FREQUENCY)


def _row_case(count: int, b: float, wall: float, spacing: float) -> Case:
    places = [_rounded(spacing * (i - (count - 1) / 2)) for i in range(count)]
    return Case("row", f"{count} holes", HoledTube(wall, tuple(HoleShape(x, b) for x in places)))


def _cases() -> list[Case]:
    kinds: list[str] = []
    left = list(SINGLE_QUOTA)
    while any(left):
        for i, kind in enumerate(SINGLE_KINDS):
            if left[i]:
                kinds.append(kind)
                left[i] -= 1
    singles = qmc.Sobol(d=5, scramble=True, rng=SEED).random(64)
    pairs = qmc.Sobol(d=4, scramble=True, rng=SEED + 1).random(32)
    out = [_single_case(kind, singles[i]) for i, kind in enumerate(kinds)]
    out += [_pair_case(i, pairs[i]) for i in range(PAIRS)]
    return out + [_row_case(*row) for row in ROWS]


CASES = _cases()


def _sizes(tube: HoledTube) -> MeshSizes:
    span = tube.holes[-1].x - tube.holes[0].x
    radius = round(18.0 + 1.5 * span, 3)
    if len(tube.holes) > 3:
        # a row of six is judged by its ports; its single holes are solved on the same coarser sizes
        return MeshSizes(rim=0.12, chimney=0.45, sphere_radius=radius)
    return MeshSizes(sphere_radius=radius)


def _extrapolate(low: Any, high: Any) -> Any:
    """Order 3 plus a share of the step from order 2, entry by entry through lists and dictionaries of numbers."""
    if isinstance(high, dict):
        return {k: _extrapolate(low[k], high[k]) for k in high}
    if isinstance(high, list):
        return [_extrapolate(a, b) for a, b in zip(low, high, strict=True)]
    return high + ORDER_WEIGHT * (high - low)


def _finish(tables: dict[str, Any]) -> dict[str, Any]:
    names = [n for n in tables["3"] if n not in ("unknowns", "seconds")]
    low, high = ({n: tables[o][n] for n in names} for o in ("2", "3"))
    finished: dict[str, Any] = _extrapolate(low, high)
    return finished


def solve_single(tube: HoledTube, sizes: MeshSizes, closed: bool = True) -> dict[str, Any]:
    """Open and closed values of one hole: t_e, t_a (in hole radii), shift of the acoustic centre, volume."""
    start = time.time()
    hole = tube.holes[0]
    b = hole.radius
    mesh = build_mesh(tube, sizes)
    split = "chimney0" in mesh.GetMaterials()
    shut = mesh if split or not closed else build_mesh(tube, sizes, rounded=False, outside=False)
    out: dict[str, Any] = {"sizes": asdict(sizes), "elements": int(mesh.ne), "orders": {}}
    for order in ORDERS:
        began = time.time()
        ports = open_ports(mesh, order, sizes.sphere_radius, 1)
        bore = through(mesh, order, "bore")
        found, shift = single(ports.lengths, bore)
        # ports stand evenly about the rims, not about the straight part's axis
        offset = 0.5 * sum(tube.ports) - hole.x
        row = {
            "t_e_over_b": found.shunt * b,
            "open_t_a_over_b": found.series / b,
            "centre_shift": shift + offset,
            "shunt_length": found.shunt,
            "series_length": found.series,
            "bore_excess": bore - (tube.ports[1] - tube.ports[0]),
            "unknowns": ports.unknowns,
        }
        if closed:
            shut_bore = bore if shut is mesh else through(shut, order, "bore")
            row["closed_t_a_over_b"] = (through(shut, order, "bore|chimney0") - shut_bore) / b
        row["seconds"] = round(time.time() - began, 2)
        out["orders"][str(order)] = row
    if closed:
        out["chimney_volume"] = 2.0 * float(Integrate(1.0, shut, definedon=shut.Materials("chimney0")))
    out["extrapolated"] = _finish(out["orders"])
    out["seconds"] = round(time.time() - start, 2)
    return out


def _alone(tube: HoledTube, sizes: MeshSizes) -> tuple[list[dict[str, Any]], list[dict[str, SingleHole]]]:
    """Solutions of each distinct hole by itself, in order of the holes, by order and extrapolated."""
    known: dict[float, dict[str, Any]] = {}
    for hole in tube.holes:
        if hole.radius not in known:
            by_itself = HoledTube(tube.wall, (replace(hole, x=0.0, below=False),))
            known[hole.radius] = solve_single(by_itself, replace(sizes, sphere_radius=18.0), closed=False)
    records = list(known.values())
    tables = []
    for hole in tube.holes:
        record = known[hole.radius]
        rows = {**record["orders"], "extrapolated": record["extrapolated"]}
        tables.append({o: SingleHole(r["shunt_length"], r["series_length"]) for o, r in rows.items()})
    return records, tables


def solve_several(tube: HoledTube, sizes: MeshSizes, frequency: bool) -> dict[str, Any]:
    """Port matrix, hole flows, piston matrices outside and inside, and what a pair's matrix says of its coupling."""
    start = time.time()
    n = len(tube.holes)
    places = [h.x for h in tube.holes]
    ports = tube.ports
    mesh = build_mesh(tube, sizes)
    records, alone = _alone(tube, sizes)
    out: dict[str, Any] = {"sizes": asdict(sizes), "elements": int(mesh.ne), "singles": records, "orders": {}}
    for order in ORDERS:
        began = time.time()
        found = open_ports(mesh, order, sizes.sphere_radius, n)
        # the meshed bore differs from a cylinder by a few 1e-5 of its length: taken out of the ports' own lengths
        excess = through(mesh, order, "bore") - (ports[1] - ports[0])
        lengths = found.lengths - 0.5 * excess * np.eye(2)
        out["orders"][str(order)] = {
            "port_lengths": lengths.tolist(),
            "hole_flows": found.flows.tolist(),
            "pistons_outside": pistons_outside(mesh, order, sizes.sphere_radius, n).tolist(),
            "pistons_inside": pistons_inside(mesh, order, ports, places).tolist(),
            "bore_excess": excess,
            "unknowns": found.unknowns,
            "seconds": round(time.time() - began, 2),
        }
    out["extrapolated"] = _finish(out["orders"])
    for name in (*map(str, ORDERS), "extrapolated"):
        row = out["orders"].get(name) or out["extrapolated"]
        holes = [a[name] for a in alone]
        lengths = np.array(row["port_lengths"])
        row["uncoupled_port_lengths"] = chain(holes, places, ports, np.zeros((n, n))).tolist()
        if n == 2:
            row["pair"] = pair(lengths, np.array(row["hole_flows"]), holes, places, ports)
    out["series"] = series_values(tube)
    mutual = np.array(out["series"]["outside"]) + np.array(out["series"]["inside"])
    holes = [a["extrapolated"] for a in alone]
    out["coupled_by_series_port_lengths"] = chain(holes, places, ports, pi * mutual).tolist()
    outer = np.array(out["series"]["outside"])
    out["coupled_by_outside_series_port_lengths"] = chain(holes, places, ports, pi * outer).tolist()
    if frequency:
        out["frequency"] = _frequency(mesh, sizes, [a["2"] for a in alone], places, ports)
    out["seconds"] = round(time.time() - start, 2)
    return out


def series_values(tube: HoledTube) -> dict[str, Any]:
    """Mutual inertances (over rho / a) of uniform pistons by the exact series; points where pistons overlap in x."""
    n = len(tube.holes)
    outer = 1.0 + tube.wall
    outside, inside = np.zeros((n, n)), np.zeros((n, n))
    points = False
    for i in range(n):
        for j in range(i):
            one, two = tube.holes[i], tube.holes[j]
            x = abs(one.x - two.x)
            turn = pi if one.below != two.below else 0.0
            if x > one.radius + two.radius + 0.1:
                discs = [disc(h.radius, outer) for h in (one, two)]
                outside[i, j] = outside_mutual(x, turn, outer, *discs)
                inside[i, j] = inside_mutual(x, turn, 1.0, *(disc(h.radius, 1.0) for h in (one, two)))
            else:
                points = True
                outside[i, j] = outside_point(x, turn, outer)
                inside[i, j] = inside_mutual(max(x, 0.1), turn)
            outside[j, i], inside[j, i] = outside[i, j], inside[i, j]
    return {"outside": outside.tolist(), "inside": inside.tolist(), "points_used": points}


def _frequency(
    mesh: Any, sizes: MeshSizes, holes: list[SingleHole], places: list[float], ports: tuple[float, float]
) -> dict[str, Any]:
    """Scattering of the port planes and hole impedances over a band, at order 2 without extrapolation."""
    rows = []
    for k, s in zip(KA, scattering(mesh, 2, sizes.sphere_radius, KA), strict=True):
        z = at_frequency(s, k, holes, places, ports)
        rows.append(
            {
                "ka": k,
                "scattering_real": s.real.tolist(),
                "scattering_imag": s.imag.tolist(),
                "inertance": (z.real / pi).tolist(),
                "radiation_share": (-4.0 * z.imag / k).tolist(),
            }
        )
    return {"order": 2, "table": rows}


def _header(index: int) -> dict[str, Any]:
    case = CASES[index]
    return {
        "format": FORMAT,
        "version": VERSION,
        "case": index,
        "seed": SEED,
        "family": case.family,
        "kind": case.kind,
        "parameters": asdict(case.tube),
        "ports": list(case.tube.ports),
        "order_weight": ORDER_WEIGHT,
    }


def _key_value(case: Case, row: dict[str, Any]) -> float:
    if case.family == "single":
        return float(row["t_e_over_b"])
    return float(np.sum(row["port_lengths"]))


def run_case(index: int) -> dict[str, Any]:
    """Solve a case; one that cannot be built or solved gives a failed record with its reason."""
    start = time.time()
    record = _header(index)
    case = CASES[index]
    sizes = _sizes(case.tube)
    try:
        record["mesh"] = _solve(case, sizes)
        ends = {o: _key_value(case, record["mesh"]["orders"][o]) for o in ("2", "3")}
        value = _key_value(case, record["mesh"]["extrapolated"])
        record["relative_order_step"] = (ends["3"] - ends["2"]) / value
        record["relative_error_estimate"] = abs(record["relative_order_step"]) * ORDER_WEIGHT
        if index % FINE_EVERY == 0:
            fine = replace(sizes, rim=sizes.rim / 2, chimney=0.2, bore=0.4, sphere_radius=sizes.sphere_radius + 4.0)
            record["fine_mesh"] = _solve(replace(case, frequency=False), fine)
            record["relative_fine_change"] = _key_value(case, record["fine_mesh"]["extrapolated"]) / value - 1.0
        record["status"] = "solved"
    except (GeometryError, RuntimeError, ArithmeticError, ValueError, np.linalg.LinAlgError) as error:
        record["status"] = "failed"
        record["reason"] = f"{type(error).__name__}: {error}"
    except Exception as error:
        # netgen reports meshing failures as bare exceptions of several kinds; all are kept with their words
        if type(error).__module__.split(".")[0] not in {"netgen", "pyngcore", "ngsolve"}:
            raise
        record["status"] = "failed"
        record["reason"] = f"{type(error).__name__}: {error}"
    record["seconds"] = round(time.time() - start, 2)
    return record


def _solve(case: Case, sizes: MeshSizes) -> dict[str, Any]:
    if case.family == "single":
        return solve_single(case.tube, sizes)
    return solve_several(case.tube, sizes, case.frequency)


def main() -> None:
    """Run the cases of one share of the list, skipping those with a file already."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "cases")
    parser.add_argument("--share", type=int, default=0, help="which share of the list (from 0)")
    parser.add_argument("--shares", type=int, default=1, help="number of processes that divide the list")
    parser.add_argument("--only", type=int, help="solve this one case in this process and stop")
    parser.add_argument("--list", action="store_true", help="print the cases and stop")
    options = parser.parse_args()
    if options.list:
        for index, case in enumerate(CASES):
            print(index, case.family, case.kind, "wall", case.tube.wall, *case.tube.holes)
        return
    options.out.mkdir(parents=True, exist_ok=True)
    if options.only is not None:
        ngsolve.SetNumThreads(1)
        ngsolve.ngsglobals.msg_level = 0
        _write(options.out, run_case(options.only))
        return
    for index in range(options.share, len(CASES), options.shares):
        if not (options.out / f"{index:03d}.json").exists():
            _run_apart(options.out, index)


def _run_apart(out: Path, index: int) -> None:
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
        _write(out, _header(index) | {"status": "failed", "reason": reason})


def _write(out: Path, record: dict[str, Any]) -> None:
    target = out / f"{record['case']:03d}.json"
    partial = target.with_suffix(".part")
    partial.write_text(json.dumps(record, indent=1) + "\n")
    partial.replace(target)
    words = (record["case"], record["kind"], record["status"], record.get("reason", ""))
    print(*words, record.get("relative_order_step"), record.get("seconds"), flush=True)


if __name__ == "__main__":
    main()
