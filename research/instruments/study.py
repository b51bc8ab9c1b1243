"""Which wave numbers have whole flutes, fingering by fingering? Runs the listed cases and writes one file each."""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from dataclasses import asdict, dataclass, replace
from math import pi
from pathlib import Path
from typing import Any

import ngsolve
from modes import SPEED_M_S, Found, NoModeError, find_mode, quality
from shape import Flute, MeshSizes, ShapeError, build_mesh, read_flute

__all__ = ["CASES", "FINE", "MODELS", "ORDER_WEIGHT", "STUDY", "Case", "main", "run_case"]

FORMAT = "fluewright-instrument-case"
VERSION = 1
HERE = Path(__file__).parent
MODELS = {path.stem: path for path in sorted((HERE / "models").glob("*.toml"))}
STUDY = MeshSizes()
FINE = replace(STUDY, edge=0.03, window=0.1, rim=0.2, foot=0.2, bore=0.8, outside_mm=26.0)
ORDER_WEIGHT = 0.5
"""Share of the step from order 2 to 3 added to order 3; see README."""
LIMIT_S = 7200


@dataclass(frozen=True)
class Case:
    """One fingering of one instrument, with the frequencies in Hz (at SPEED_M_S) near which to look for its modes."""

    instrument: str
    fingering: str
    guesses_hz: tuple[float, ...]
    fine: bool = False
    layer_check: bool = False

    @property
    def file_name(self) -> str:
        """Name of the result file."""
        return f"{self.instrument}_{self.fingering.replace(' ', '-')}{'_fine' if self.fine else ''}.json"


def _listed() -> tuple[Case, ...]:
    """Cases of guesses.json, the instruments in turn; after two rounds the first ones again, on the finer mesh."""
    table = json.loads((HERE / "guesses.json").read_text())["guesses_hz"]
    longest = max(len(rows) for rows in table.values())
    out = []
    for number in range(longest):
        for instrument, rows in table.items():
            if number < len(rows):
                fingering, *guesses = rows[number]
                out.append(Case(instrument, fingering, tuple(guesses), layer_check=number == 0))
        if number == 1:
            out += [replace(case, fine=True, layer_check=False) for case in out if case.layer_check]
    return tuple(out)


CASES = _listed()


def _mode_record(mode: int, found: Found, order: int) -> dict[str, Any]:
    return {
        "mode": mode,
        "order": order,
        "frequency_hz_at_c_343_5": found.k.real * SPEED_M_S * 1e3 / (2.0 * pi),
        "k_real": found.k.real,
        "k_imag": found.k.imag,
        "quality": quality(found.k),
        "unknowns": found.unknowns,
        "share_in_bore": found.share_in_bore,
        "nodes_in_bore": found.nodes_in_bore,
        "seconds": found.seconds,
    }


def _extrapolated(low: dict[str, Any], high: dict[str, Any]) -> dict[str, Any]:
    k_real, k_imag = (high[n] + ORDER_WEIGHT * (high[n] - low[n]) for n in ("k_real", "k_imag"))
    return {
        "mode": high["mode"],
        "order": "extrapolated",
        "frequency_hz_at_c_343_5": k_real * SPEED_M_S * 1e3 / (2.0 * pi),
        "k_real": k_real,
        "k_imag": k_imag,
        "quality": quality(complex(k_real, k_imag)),
        "unknowns": high["unknowns"],
    }


def _cents(one: float, other: float) -> float:
    return 1731.2340490667562 * (one / other - 1.0)


def _solve(flute: Flute, case: Case) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Every mode of a case at orders 2 and 3 and extrapolated, and what was built."""
    start = time.time()
    sizes = FINE if case.fine else STUDY
    mesh, built = build_mesh(flute, sizes)
    built["mesh_sizes"] = asdict(sizes)
    built["mesh_seconds"] = round(time.time() - start, 2)
    opened = tuple(letter == "o" for letter in "".join(case.fingering.split()))
    if len(opened) != len(flute.holes):
        raise ShapeError(f"fingering {case.fingering!r} has {len(opened)} letters for {len(flute.holes)} holes")
    records: list[dict[str, Any]] = []
    for mode, guess in enumerate(case.guesses_hz, start=1):
        k = complex(2.0 * pi * guess / (SPEED_M_S * 1e3))
        low = find_mode(flute, mesh, built, opened, mode, k, 2, 8)
        high = find_mode(flute, mesh, built, opened, mode, low.k, 3, 3)
        pair = [_mode_record(mode, low, 2), _mode_record(mode, high, 3)]
        records += [*pair, _extrapolated(*pair)]
        if case.layer_check:
            other = find_mode(flute, mesh, built, opened, mode, high.k, 3, 3, damping=5.0)
            records[-1]["layer_change_cents"] = _cents(other.k.real, high.k.real)
    return records, built


def _caps(flute: Flute) -> list[dict[str, Any]]:
    """How each closed hole's cap compares with a flat one touching the outer surface's crest."""
    return [
        {"hole": h.name, "equivalent_finger_bulge": h.radius / (8.0 * flute.outer_radius(h.x))} for h in flute.holes
    ]


def _header(case: Case) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "version": VERSION,
        "instrument": case.instrument,
        "fingering": case.fingering,
        "fine_mesh": case.fine,
        "speed_of_sound_m_s": SPEED_M_S,
        "order_weight": ORDER_WEIGHT,
    }


def run_case(case: Case) -> dict[str, Any]:
    """Solve a case; one that cannot be built or solved gives a failed record with its reason."""
    start = time.time()
    record = _header(case)
    try:
        flute = read_flute(MODELS[case.instrument])
        record["closed_caps"] = _caps(flute)
        record["modes"], record["mesh"] = _solve(flute, case)
        steps = [
            _cents(high["k_real"], low["k_real"])
            for low, high in zip(record["modes"][0::3], record["modes"][1::3], strict=True)
        ]
        record["convergence"] = {
            "order_step_cents": steps,
            "error_estimate_cents": [abs(step) * ORDER_WEIGHT for step in steps],
        }
        record["status"] = "solved"
    except (ShapeError, NoModeError, RuntimeError, ArithmeticError, ValueError, MemoryError) as error:
        record["status"] = "failed"
        record["reason"] = f"{type(error).__name__}: {error}"
    except Exception as error:
        # netgen reports geometry and meshing failures as bare exceptions of several kinds
        if type(error).__module__.split(".")[0] not in {"netgen", "pyngcore", "ngsolve"}:
            raise
        record["status"] = "failed"
        record["reason"] = f"{type(error).__name__}: {error}"
    record["seconds"] = round(time.time() - start, 2)
    record["memory_mb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3)
    return record


def main() -> None:
    """Run the cases of one share of the list, skipping those with a file already."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=HERE / "cases")
    parser.add_argument("--share", type=int, default=0, help="which share of the list (from 0)")
    parser.add_argument("--shares", type=int, default=1, help="number of processes that divide the list")
    parser.add_argument("--list", action="store_true", help="print the cases and stop")
    parser.add_argument("--only", type=int, help="solve this one case in this process and stop")
    options = parser.parse_args()
    if options.list:
        for number, case in enumerate(CASES):
            print(number, case.instrument, case.fingering, *case.guesses_hz, "fine" if case.fine else "")
        return
    options.out.mkdir(parents=True, exist_ok=True)
    if options.only is not None:
        ngsolve.SetNumThreads(1)
        ngsolve.ngsglobals.msg_level = 0
        _write(options.out, CASES[options.only], run_case(CASES[options.only]))
        return
    for number in range(options.share, len(CASES), options.shares):
        if not (options.out / CASES[number].file_name).exists():
            _run_apart(options.out, number)


def _run_apart(out: Path, number: int) -> None:
    """Solve a case in a process of its own, so that a crash of the geometry kernel costs that case only."""
    command = [sys.executable, __file__, "--out", str(out), "--only", str(number)]
    case, reason = CASES[number], ""
    try:
        done = subprocess.run(command, timeout=LIMIT_S, check=False)
        if done.returncode != 0:
            reason = f"the solving process ended with status {done.returncode}"
    except subprocess.TimeoutExpired:
        reason = f"not done within {LIMIT_S} s"
    if reason and not (out / case.file_name).exists():
        _write(out, case, _header(case) | {"status": "failed", "reason": reason})


def _write(out: Path, case: Case, record: dict[str, Any]) -> None:
    target = out / case.file_name
    partial = target.with_suffix(".part")
    partial.write_text(json.dumps(record, indent=1) + "\n")
    partial.replace(target)
    found = [round(m["frequency_hz_at_c_343_5"], 2) for m in record.get("modes", [])[2::3]]
    steps = record.get("convergence", {}).get("order_step_cents")
    print(
        case.instrument,
        case.fingering,
        "fine" if case.fine else "study",
        record["status"],
        record.get("reason", ""),
        found,
        steps,
        flush=True,
    )


if __name__ == "__main__":
    main()
