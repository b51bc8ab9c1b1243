"""Random models of every kind that a maker may write, for the tests of networks and sensitivities beside this one.

Sizes keep clear of the places where the program's formulas have a kink or a jump by design (a wall exactly as high
as the ears, an undercut through the whole wall ...), because a derivative has two sides there.
"""

import math
import runpy
from pathlib import Path
from typing import Any

import numpy as np

from fluewright.instrument.files import validate_model
from fluewright.instrument.model import Model
from fluewright.instrument.parts import Hole
from fluewright.instrument.shape import bore_diameter_mm, wall_mm

__all__ = ["LETTERS", "clear_of_grid", "published_rules", "random_model"]

published_rules = runpy.run_path(str(Path(__file__).parents[1] / "published" / "published_rules.py"))["published_rules"]

LETTERS = "coh"
GRID_MM = 20.0  # conical bores are cut into pieces no longer than this, so their number jumps at its multiples
NOTES = ("C5", "D5", "E5", "F5", "G5", "A5", "B5", "C6")


def clear_of_grid(places: list[float], margin: float = 0.03) -> bool:
    """Return whether all distances between neighbours are off the multiples of the grid, mm."""
    gaps = np.diff(np.sort(places))
    return bool((np.abs(gaps - GRID_MM * np.round(gaps / GRID_MM)) > margin).all())


def clear_of_kinks(hole: Hole, bore: float, wall: float, bulge: float) -> bool:
    """Return whether the hole is off the limits of its formulas; bore and wall in mm, bulge in hole radii.

    They are: inner corrections change over at radius ratio 0.85, the horn's patch ends at 1.5, and what a finger
    leaves of a straight chimney is never less than a twentieth of the wall.
    """
    b, cut = 0.5 * hole.diameter_mm, hole.undercut
    one_sided = 0.5 * (cut.upstream_mm + cut.downstream_mm)
    inner = math.sqrt((b + cut.all_round_mm) * (b + cut.all_round_mm + one_sided)) + hole.inner_chamfer_mm
    deepest = cut.all_round_mm + max(cut.upstream_mm, cut.downstream_mm)
    height = max(deepest / math.tan(math.radians(cut.angle_deg)), hole.inner_chamfer_mm)
    left = wall - height - hole.outer_round_mm
    return bool(
        2.0 * inner / bore < 0.83
        and abs(inner / b - 1.5) > 0.02
        and left > 0.06 * wall
        and abs(left - bulge * b - 0.05 * wall) > 0.03
    )


def _bore(rng: np.random.Generator, start: float, length: float) -> list[list[float]]:
    """Return 2 to 5 stations: cylinders and cones, narrowing and widening."""
    count = int(rng.integers(2, 6))
    inner = np.sort(rng.uniform(15.0, length - 15.0, count - 2))
    places = [start, *np.round(inner, 2), length]
    diameter = float(np.round(rng.uniform(9.0, 19.0), 2))
    table = [[places[0], diameter]]
    for x in places[1:]:
        if rng.random() < 0.6:
            diameter = float(np.round(diameter * rng.uniform(0.85, 1.12), 2))
        table.append([float(x), diameter])
    return table


def _hole(rng: np.random.Generator, number: int, x: float, bore: float, wall: float, plain: bool) -> dict[str, Any]:
    """Return one hole; `plain` has at most an even undercut, else every shape of rim and edge."""
    diameter = bore * rng.uniform(0.25, 0.66)
    hole: dict[str, Any] = {"name": str(number), "position_mm": x, "diameter_mm": round(diameter, 3)}
    cut: dict[str, float] = {}
    if rng.random() < (0.4 if plain else 0.75):
        cut = {"all_round_mm": rng.uniform(0.08, 0.35), "angle_deg": rng.uniform(25.0, 50.0)}
        if not plain:
            cut["upstream_mm"] = rng.uniform(0.1, 0.3)
            # Never as deep as upstream: which of them is the deeper one decides the undercut's height.
            cut["downstream_mm"] = cut["upstream_mm"] * (0.5 if rng.random() < 0.5 else 1.5)
        deepest = cut["all_round_mm"] + max(cut.get("upstream_mm", 0.0), cut.get("downstream_mm", 0.0))
        height = deepest / math.tan(math.radians(cut["angle_deg"]))
        if height > 0.7 * wall:
            scale = 0.7 * wall / height
            for key in ("all_round_mm", "upstream_mm", "downstream_mm"):
                if key in cut:
                    cut[key] *= scale
            height *= scale
        hole["undercut"] = cut
    else:
        height = 0.0
    if not plain and rng.random() < 0.6:
        hole["outer_round_mm"] = rng.uniform(0.05, 0.2) * wall
    if not plain and rng.random() < 0.5:
        # Clearly lower or clearly higher than the undercut, which shares its part of the wall.
        hole["inner_chamfer_mm"] = 0.5 * height if height > 0.1 else rng.uniform(0.05, 0.2) * min(wall, 2.0)
    return hole


def random_model(rng: np.random.Generator, *, most_holes: int = 8, plain: bool = False, warm: bool = True) -> Model:
    """Return one random valid model with one or two random fingerings.

    Parameters
    ----------
    rng : Generator
    most_holes : int
        Holes: 0 up to this many.
    plain : bool
        Only the shapes that published formulas cover: cylindrical holes, some evenly undercut.
    warm : bool
        Whether some models are blown with breath warmer or colder than the room.
    """
    while True:
        raw = _draw(rng, most_holes, plain, warm)
        start = max(raw["head"]["block_depth_mm"], 0.0)
        inside = [x for x, _ in raw["bore"]["stations_mm"] if x > start]
        places = [start, *inside, *(h["position_mm"] for h in raw["holes"])]
        if not clear_of_grid(places):
            continue
        model = validate_model(raw)
        bulge = model.player.finger_bulge
        sound = (
            clear_of_kinks(h, bore_diameter_mm(model, h.position_mm), wall_mm(model, h.position_mm), bulge)
            for h in model.holes
        )
        if all(sound):
            return model


def _draw(rng: np.random.Generator, most_holes: int, plain: bool, warm: bool) -> dict[str, Any]:
    length = float(np.round(rng.uniform(180.0, 420.0), 2))
    stations = _bore(rng, -25.0, length)
    where, bores = np.array(stations).T
    wall = rng.uniform(2.2, 5.5)
    outside = [[-30.0, float(np.round(bores.max() + 2.0 * wall + rng.uniform(0.0, 1.0), 2))]]
    middle = float(np.round(rng.uniform(0.3, 0.7) * length, 2))
    outside.append([middle, float(np.round(bores.max() + 2.0 * wall, 2))])
    outside.append([length, float(np.round(bores.max() + 1.5 * wall, 2))])
    x_out, d_out = np.array(outside).T
    bore = float(np.interp(0.0, where, bores))
    window = rng.uniform(0.24, 0.45) * bore
    block = float(rng.choice([rng.uniform(-1.5, -0.1), rng.uniform(0.05, 0.12) * window]))
    width = rng.uniform(0.45, 0.72) * bore
    start = max(block, 0.0)
    a = 0.5 * float(np.interp(start, where, bores))
    full = 0.5 * float(np.interp(start, x_out, d_out)) - a
    head: dict[str, Any] = {
        "window_length_mm": window,
        "window_width_mm": width,
        # The formula's ramp has a kink at 45 degrees.
        "ramp_angle_deg": rng.uniform(12.0, 42.0),
        "block_depth_mm": block,
        "windway": {"length_mm": 30.0, "width_mm": width, "entry_height_mm": 1.0, "exit_height_mm": 0.9},
    }
    if rng.random() < 0.5:
        # Between the points that the table of ears is joined by.
        low, high = [(0.04, 0.09), (0.11, 0.19), (0.21, 0.34)][int(rng.integers(3))]
        ear = a * rng.uniform(low, high)
        if ear < 0.9 * full:
            head["ear_height_mm"] = ear
    count = int(rng.integers(0, most_holes + 1))
    holes = []
    x = rng.uniform(0.3, 0.45) * length
    gap = min(0.95 * (length - 20.0 - x) / max(count, 1), 30.0)
    for i in range(count):
        at = float(np.round(x + gap * i + rng.uniform(0.0, 0.12) * gap, 2))
        bore_at = float(np.interp(at, where, bores))
        wall_at = 0.5 * (float(np.interp(at, x_out, d_out)) - bore_at)
        # Holes that would meet become smaller; their undercuts do not count.
        holes.append(_hole(rng, i + 1, at, min(bore_at, 1.2 * gap), wall_at, plain))
    conditions: dict[str, Any] = {"temperature_c": rng.uniform(12.0, 28.0), "relative_humidity": rng.uniform(0.2, 0.9)}
    if warm and rng.random() < 0.6:
        conditions["breath_temperature_c"] = conditions["temperature_c"] + rng.uniform(-3.0, 9.0)
        conditions["cooling_length_mm"] = rng.uniform(90.0, 400.0)
    fingerings: dict[str, dict[str, str]] = {}
    for register in (1, 2):
        # Closed from the head as players do, then a fork or a half-open hole now and then.
        closed = int(rng.integers(0, count + 1))
        states = ["c"] * closed + ["o"] * (count - closed)
        for i in range(count):
            if rng.random() < 0.3:
                states[i] = LETTERS[int(rng.integers(3))]
        fingerings[f"register_{register}"] = {NOTES[int(rng.integers(8))]: "".join(states)}
    return {
        "format": "fluewright-model/1",
        "model": {"name": "random", "lowest_note": "C5"},
        "conditions": conditions,
        "bore": {"stations_mm": stations, "outside_mm": outside, "wall_loss_factor": rng.uniform(1.0, 1.4)},
        "head": head,
        "holes": holes,
        "player": {"finger_bulge": rng.uniform(0.05, 0.45), "half_open_fraction": rng.uniform(0.25, 0.75)},
        "fingerings": fingerings,
    }


def test_random_models_show_every_kind_of_size_and_state():
    """Among 200: undercuts, rims, edges, cones both ways, half-open holes, warm breath, ears, both block places."""
    seen = dict.fromkeys(
        ("undercut", "one-sided", "rim", "edge", "narrowing", "widening", "cylinder", "half", "warm", "ears", "advance",
         "recess", "no holes", "many holes"), 0
    )  # fmt: skip
    for seed in range(200):
        model = random_model(np.random.default_rng(seed))
        bores = np.diff([d for _, d in model.bore.stations_mm])
        letters = "".join(str(text) for notes in model.fingerings.values() for text in notes.values())
        for kind, there in (
            ("undercut", any(h.undercut.all_round_mm > 0 for h in model.holes)),
            ("one-sided", any(h.undercut.upstream_mm > 0 for h in model.holes)),
            ("rim", any(h.outer_round_mm > 0 for h in model.holes)),
            ("edge", any(h.inner_chamfer_mm > 0 for h in model.holes)),
            ("narrowing", (bores < 0).any()),
            ("widening", (bores > 0).any()),
            ("cylinder", (bores == 0).any()),
            ("half", "h" in letters),
            ("warm", model.conditions.breath_temperature_c is not None),
            ("ears", model.head.ear_height_mm is not None),
            ("advance", model.head.block_depth_mm > 0),
            ("recess", model.head.block_depth_mm < 0),
            ("no holes", not model.holes),
            ("many holes", len(model.holes) >= 7),
        ):
            seen[kind] += bool(there)
    assert min(seen.values()) >= 10, seen
