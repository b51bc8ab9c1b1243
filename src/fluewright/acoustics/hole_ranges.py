"""Says where the tone holes' formulas are used beyond the holes that they were compared with."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from fluewright.acoustics.kernels.holes import (
    CONSTANTS,
    INNER_RADIUS,
    OPEN,
    RIM_RADIUS,
    STRAIGHT_RADIUS,
    Fingers,
    hole_constants,
)
from fluewright.acoustics.network import Rules, hole_row
from fluewright.acoustics.range_notes import RangeNote, outside
from fluewright.instrument.model import Model
from fluewright.instrument.parts import Hole
from fluewright.instrument.shape import bore_diameter_mm, wall_mm, web_mm

__all__ = ["DUBOS_HOLE", "LEFEBVRE_HOLE", "SOLVED_HOLE", "HoleRange", "hole_notes", "pair_notes"]


@dataclass(frozen=True)
class HoleRange:
    """What one rule for holes was compared with.

    Attributes
    ----------
    inner : str
        Source of the matching volume and the inner length.
    series : str
        Source of the series length.
    horn : str
        Source of the undercut's horn.
    most_inner : float
        Largest b_in/a.
    least_height : float
        Smallest t/b_in. Higher chimneys only add a cylinder; smaller holes only come nearer to one in a flat wall.
    most_horn : float
        Largest b_in/b.
    horn_effect : str
        What to expect of the horn outside.
    finish : mapping
        Largest share of b of a rim's rounding, a chamfer and a waist, by the names in the model.
    undercut_deg : tuple of float
        Least and largest angle of an undercut.
    """

    inner: str
    series: str
    horn: str
    most_inner: float
    least_height: float
    most_horn: float
    horn_effect: str
    finish: Mapping[str, float]
    undercut_deg: tuple[float, float]


#: docs/physics/holes.md#inner-length to docs/physics/holes.md#horn.
LEFEBVRE_HOLE = HoleRange(
    inner="the matching volume and inner length of a hole (Nederveen et al. 1998, Dubos et al. 1999)",
    series="the series length of a hole (Lefebvre & Scavone 2012)",
    horn="the undercut's horn (fit to two finite-element points, docs/physics/holes.md#horn)",
    most_inner=0.9,
    least_height=0.6,
    most_horn=1.5,
    horn_effect="the horn's lengthening is held at that of 1.5; expect more than 2 % off in the hole's length",
    finish={},
    undercut_deg=(0.0, 90.0),
)
DUBOS_HOLE = replace(LEFEBVRE_HOLE, series="the series length of a hole (Dubos et al. 1999)")
#: The 30 single holes of research/holes: b/a 0.30 to 0.74, t/a 0.24 to 0.79, t/b 0.48 to 2.1; undercuts and chamfers
#: take b_in/a to 0.83 and t/b_in down to 0.41.
SOLVED_HOLE = HoleRange(
    inner="the matching volume and inner length of a hole (compared with 30 finite-element holes)",
    series="the series length of a hole (compared with 30 finite-element holes)",
    horn="the undercut's horn (fit to finite-element holes)",
    most_inner=0.83,
    least_height=0.41,
    most_horn=1.42,
    horn_effect="the fit was not compared with solved holes there; from 1.6 on the horn's lengthening is held",
    finish={"outer_round_mm": 0.45, "inner_chamfer_mm": 0.22, "waist_mm": 0.26},
    undercut_deg=(25.0, 50.0),
)
_HOLE_RANGES = {"solved": SOLVED_HOLE, "lefebvre": LEFEBVRE_HOLE, "dubos": DUBOS_HOLE}


@dataclass(frozen=True)
class _Chimney:
    """What the kernels make of a hole's sizes, mm: see `hole_constants`."""

    b: float
    b_in: float
    b_out: float
    wall: float
    shaped: float  # rim and undercut, along the chimney


def hole_notes(model: Model, half: bool, high_hz: float, rules: Rules) -> Iterator[RangeNote]:
    """Yield the ranges of the holes' formulas that a model leaves; `half`: some hole is half open in a fingering."""
    known = _HOLE_RANGES[rules.hole_rule]
    for hole in model.holes:
        chimney = _chimney(model, hole, rules)
        yield from _radius_notes(model, hole, chimney, known)
        yield from _finish_notes(hole, known)
        yield from _height_notes(model, hole, chimney)
    if model.holes:
        yield from outside(
            "the finger in a closed hole (docs/physics/holes.md#finger)",
            "player.finger_bulge",
            "the bulge",
            model.player.finger_bulge,
            low=0.0,
            high=0.6,
            unit="hole radii",
            effect="measured bulges lie below it",
        )
        if half:
            yield from outside(
                "the half-open hole (step and flange, docs/physics/holes.md#partly-open; +-25 % at best)",
                "player.half_open_fraction",
                "the open share",
                model.player.half_open_fraction,
                low=0.09,
                high=0.81,
                effect="the step's length was not compared with finite elements there",
            )
    yield from outside(
        "the radiation of window and holes (free space, docs/physics/ends.md#radiation-resistance)",
        "the highest frequency",
        "it",
        high_hz,
        high=2000.0,
        unit="Hz",
        effect="the body is no longer thin against the wave; up to twice the radiation loss",
    )


def _radius_notes(model: Model, hole: Hole, c: _Chimney, known: HoleRange) -> Iterator[RangeNote]:
    """Yield what a hole's radii are beyond, against bore, body and each other."""
    key = f"holes.{hole.name}"
    a = 0.5 * bore_diameter_mm(model, hole.position_mm)
    yield from outside(
        known.inner,
        f"{key}.diameter_mm",
        "b_in/a, hole over bore,",
        c.b_in / a,
        high=known.most_inner,
        effect="neither was compared with finite elements there",
    )
    yield from outside(
        known.series,
        f"{key}.diameter_mm",
        "t/b_in, chimney over hole,",
        c.wall / c.b_in,
        low=known.least_height,
        effect="it was not compared there; a tenth of it moves a note by a few tenths of a cent",
    )
    yield from outside(
        "the outside length of a hole (Dalmont et al. 2001)",
        f"{key}.diameter_mm",
        "b_out/R_o, hole over body,",
        c.b_out / (a + c.wall),
        high=0.9,
        effect="the hole nearly cuts the body in two",
    )
    yield from outside(
        known.horn,
        f"{key}.undercut" if hole.inner_chamfer_mm == 0.0 else f"{key}.inner_chamfer_mm",
        "b_in/b, inner over outer radius,",
        c.b_in / c.b,
        high=known.most_horn,
        effect=known.horn_effect,
    )


def _height_notes(model: Model, hole: Hole, c: _Chimney) -> Iterator[RangeNote]:
    """Yield what a hole's rim and undercut, and the finger in it, are beyond against the wall."""
    yield from outside(
        "the chimney (rim, straight part, undercut)",
        f"holes.{hole.name}.outer_round_mm",
        "height of rim and undercut over the wall",
        c.shaped / c.wall,
        high=0.95,
        effect="both are shortened in proportion to fit the wall",
    )
    straight = c.wall - min(c.shaped, 0.95 * c.wall)
    yield from outside(
        "the finger in a closed hole (docs/physics/holes.md#finger)",
        "player.finger_bulge",
        f"bulge in hole {hole.name} over the chimney's straight part",
        model.player.finger_bulge * c.b / straight,
        high=max(1.0 - 0.05 * c.wall / straight, 0.0),
        effect="the finger is held back to a twentieth of the wall",
    )


def _chimney(model: Model, hole: Hole, rules: Rules) -> _Chimney:
    cut = hole.undercut
    a, wall = 0.5 * bore_diameter_mm(model, hole.position_mm), wall_mm(model, hole.position_mm)
    made = np.empty(CONSTANTS)
    formulas = rules.formulas()
    hole_constants(1e-3 * a, 1e-3 * (a + wall), hole_row(hole), OPEN, Fingers(1.0, 0.0, 1.0), formulas.hole_rule, made)
    deepest = cut.all_round_mm + max(cut.upstream_mm, cut.downstream_mm)
    l_in = max(deepest / math.tan(math.radians(cut.angle_deg)), hole.inner_chamfer_mm)
    b, b_in, b_out = 1e3 * made[[STRAIGHT_RADIUS, INNER_RADIUS, RIM_RADIUS]]
    return _Chimney(float(b), float(b_in), float(b_out), wall, l_in + hole.outer_round_mm)


def _finish_notes(hole: Hole, known: HoleRange) -> Iterator[RangeNote]:
    """Yield what a workshop did to the hole's ends beyond the solved ones."""
    formula = "the finished chimney (fit to finite-element holes)"
    effect = "the fit was not compared with solved holes there"
    words = {"outer_round_mm": "rounding of the rim", "inner_chamfer_mm": "chamfer", "waist_mm": "waist"}
    for name, most in known.finish.items():
        yield from outside(
            formula,
            f"holes.{hole.name}.{name}",
            f"{words[name]} over hole radius",
            getattr(hole, name) / (0.5 * hole.diameter_mm),
            high=most,
            effect=effect,
        )
    cut = hole.undercut
    if cut.all_round_mm + cut.upstream_mm + cut.downstream_mm > 0.0:
        yield from outside(
            formula,
            f"holes.{hole.name}.undercut.angle_deg",
            "angle of the undercut",
            cut.angle_deg,
            low=known.undercut_deg[0],
            high=known.undercut_deg[1],
            unit="deg",
            effect=effect,
        )


def pair_notes(model: Model, coupled: bool) -> Iterator[RangeNote]:
    """Yield pairs of holes whose fields inside the bore meet.

    The field of a hole's mouth falls along the bore as exp(-1.84 x/a) (first crosswise wave, below its cutoff): a
    sixth is left after one bore radius. With coupling the mouths still count as points. Both bounds are our estimate.
    """
    if coupled:
        formula, least = "the coupling of holes through the bore (mouths as points; our estimate)", 0.25
        effect = "the coupling may be off by a third: a cent or two where both holes are open"
    else:
        formula, least = "the chain of separate holes (no coupling through the bore; our estimate)", 1.0
        effect = "notes with both holes open are off by up to a few cents"
    for first, second in combinations(sorted(model.holes, key=lambda h: h.position_mm), 2):
        a = 0.5 * bore_diameter_mm(model, 0.5 * (first.position_mm + second.position_mm))
        yield from outside(
            formula,
            f"holes.{second.name}.position_mm",
            f"clear web to hole {first.name} over bore radius",
            web_mm(model, first, second) / a,
            low=least,
            effect=effect,
        )
