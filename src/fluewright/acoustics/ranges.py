"""Says which formulas of the acoustic core are used beyond the range in which they were derived or checked.

Every published or fitted formula has one entry: what is compared, the range, and what to expect outside. A model
beyond a range is still computed; the notes say so beside the result.

========  ==================================================
symbol    meaning
========  ==================================================
a         bore radius at the place in question
b         hole radius; b_in at the bore, b_out at the rim, as the hole's rule takes them
t         chimney height, outside minus bore radius
R_o       outside radius of the body at the hole
k         wave number at the highest frequency solved
========  ==================================================
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Any

import numpy as np

from fluewright.acoustics.kernels.holes import CONSTANTS, OPEN, Fingers, hole_constants
from fluewright.acoustics.kernels.offsets import HOLE_SIZES
from fluewright.acoustics.network import Network, Rules, air_of, window_study
from fluewright.air import Air, vapour_fraction
from fluewright.arrays import FloatArray
from fluewright.errors import InputError
from fluewright.instrument.fingering import HALF, fingerings_of
from fluewright.instrument.geometry import (
    bore_diameter_mm,
    edge_above_floor_mm,
    outside_diameter_mm,
    wall_mm,
    web_mm,
)
from fluewright.instrument.model import Hole, Model

__all__ = [
    "DUBOS_HOLE",
    "LEFEBVRE_HOLE",
    "PLAIN_WINDOW",
    "SOLVED_HOLE",
    "HoleRange",
    "RangeNote",
    "WindowRange",
    "WindowTable",
    "out_of_range",
    "window_ranges",
    "window_sizes",
]


_INFINITY = math.inf
# First crosswise wave in a round bore: the first zero of J1'(x), 1.8412.
_CROSSWISE = 1.8412


@dataclass(frozen=True)
class RangeNote:
    """One formula used beyond its range.

    Attributes
    ----------
    formula : str
        Which formula, with its source.
    key : str
        The size that leads beyond the range, as it stands in the model file.
    quantity : str
        What is compared with the range, for example "W/a".
    value, low, high : float
        In `unit`; a side without a bound is infinite.
    unit : str
        Empty for a ratio.
    effect : str
        What to expect of the result.
    """

    formula: str
    key: str
    quantity: str
    value: float
    low: float
    high: float
    unit: str
    effect: str

    @property
    def text(self) -> str:
        """Return the note as one sentence."""
        unit = f" {self.unit}" if self.unit else ""
        if math.isinf(self.low):
            limit = f"at most {self.high:.4g}{unit}"
        elif math.isinf(self.high):
            limit = f"at least {self.low:.4g}{unit}"
        else:
            limit = f"{self.low:.4g} to {self.high:.4g}{unit}"
        found = f"{self.key}: {self.quantity} is {self.value:.4g}{unit}"
        return f"{found}, but {self.formula} holds for {limit}; {self.effect}"


@dataclass(frozen=True)
class WindowRange:
    """The range of one size of the window, in bore radii (`ramp` in degrees)."""

    name: str
    low: float
    high: float


@dataclass(frozen=True)
class WindowTable:
    """The window formula's name, the range of each of its sizes, and what to expect outside.

    `by_block` is true for a formula that takes the window's whole length and the block's advance apart; else the
    length is what the block leaves of the window.
    """

    formula: str
    ranges: tuple[WindowRange, ...]
    effect: str
    by_block: bool


#: Physics notes 5.2: 32 finite-element windows with the edge on the bore line and the block face in the exit plane.
#: `ear` is the side walls' height over the edge, four points at one shape.
PLAIN_WINDOW = WindowTable(
    formula="the window's inertance (potential-flow fit, physics notes 5.2)",
    ranges=(
        WindowRange("w", 0.3, 1.0),
        WindowRange("h", 0.6, 1.5),
        WindowRange("e", 0.1, 0.6),
        WindowRange("ramp", 12.0, 80.0),
        WindowRange("ear", 0.03, _INFINITY),
    ),
    effect="inside the range the fit is right to 3.2 % of the inertance, outside it was not compared",
    by_block=False,
)


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


#: Physics notes 4.3 to 4.8.
LEFEBVRE_HOLE = HoleRange(
    inner="the matching volume and inner length of a hole (Nederveen et al. 1998, Dubos et al. 1999)",
    series="the series length of a hole (Lefebvre & Scavone 2012)",
    horn="the undercut's horn (fit to two finite-element points, physics notes 4.8)",
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

_WINDOW_WORDS = {
    "w": ("head.window_length_mm", "window length over bore radius"),
    "h": ("head.window_width_mm", "window width over bore radius"),
    "e": ("bore.outside_mm", "wall at the window over bore radius"),
    "ramp": ("head.ramp_angle_deg", "ramp angle"),
    "ear": ("head.ear_height_mm", "height of the ears over bore radius"),
    "offset": ("head.edge_offset_mm", "edge's underside over the bore line, in bore radii,"),
    "thickness": ("head.broken_edge_mm", "thickness of the edge over bore radius"),
    "advance": ("head.block_depth_mm", "block's reach under the window over bore radius"),
    "recess": ("head.block_depth_mm", "block's recess behind the exit plane over bore radius"),
    "ear_lost": ("head.ear_height_mm", "height cut off the ears over bore radius"),
    "ear_full": ("bore.outside_mm", "full height of the ears over bore radius"),
}


def window_ranges(study: Mapping[str, Any] | None = None) -> WindowTable:
    """Return the ranges of the solved window's formula.

    Parameters
    ----------
    study : mapping, optional
        A fitted formula with ``range``: name to [low, high] in bore radii, ``ramp`` in radians, and ``cases``, the
        number of solved windows behind it. By default the one that the program computes with.

    Raises
    ------
    InputError
        It has no ranges, a range is none, or one is of a size that windows do not have.
    """
    data = window_study() if study is None else study
    try:
        rows = [(str(name), float(low), float(high)) for name, (low, high) in data["range"].items()]
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(f"window study: range cannot be read ({error!r}); write name to [low, high]") from error
    found = []
    for name, low, high in rows:
        if name not in _WINDOW_WORDS:
            raise InputError(f"window study: range.{name} is no size of the window; use {', '.join(_WINDOW_WORDS)}")
        if not low <= high:
            raise InputError(f"window study: range.{name} runs from {low} to {high}; write the lower one first")
        turn = math.degrees(1.0) if name == "ramp" else 1.0
        found.append(WindowRange(name, turn * low, turn * high))
    return WindowTable(
        formula=f"the window's inertance (fit to {data.get('cases', 'the')} finite-element windows)",
        ranges=tuple(found),
        effect="the fit was not compared with solved windows there",
        by_block=True,
    )


def window_sizes(model: Model) -> dict[str, float]:
    """Return the window's sizes in bore radii (ramp in degrees), by the names of `WindowRange`.

    `offset` is the edge's underside over the bore's top line, `thickness` its broken edge, as the kernels take them;
    bore and wall are those at the block face. `ear` is missing where the side walls have the body's full height.
    """
    head = model.head
    start = max(head.block_depth_mm, 0.0)
    a = 0.5 * bore_diameter_mm(model, start)
    outer = 0.5 * outside_diameter_mm(model, start)
    thickness = head.broken_edge_mm
    above = head.windway.floor_height_mm + edge_above_floor_mm(model)
    half = 0.5 * head.window_width_mm
    ear_top = math.sqrt(max(outer * outer - half * half, 0.0)) - a
    full = max(ear_top - above - thickness, 0.0)
    sizes = {
        "w": head.window_length_mm,
        "h": head.window_width_mm,
        "e": outer - a,
        "offset": above,
        "thickness": thickness,
        "advance": start,
        "recess": max(-head.block_depth_mm, 0.0),
        "ear_full": full,
        "ear_lost": 0.0 if head.ear_height_mm is None else max(full - head.ear_height_mm, 0.0),
    }
    if head.ear_height_mm is not None:
        sizes["ear"] = head.ear_height_mm
    return {**{name: value / a for name, value in sizes.items()}, "ramp": head.ramp_angle_deg}


def out_of_range(
    network_or_model: Network | Model, frequencies_hz: Iterable[float] | FloatArray
) -> tuple[RangeNote, ...]:
    """Return a note for every formula that the model takes beyond its range at these frequencies.

    Parameters
    ----------
    network_or_model : Network or Model
        A network brings its own air; a model that of its conditions.
    frequencies_hz : floats
        Everything that was or will be solved, Hz; only the lowest and the highest count. NaN is passed over.

    Returns
    -------
    tuple of RangeNote
        Air first, then the bore from head to foot, the window, the holes; empty when all is inside.

    Raises
    ------
    InputError
        There is no frequency, or one is not positive.

    References
    ----------
    .. [1] Physics notes, sections 1 to 5: the range stands beside each formula. Ranges that only say how far we
       compared (finite elements, Bessel functions) are said as such in the note.
    """
    solved = np.asarray(list(frequencies_hz), dtype=float)
    solved = solved[~np.isnan(solved)]
    if solved.size == 0 or not np.isfinite(solved).all() or solved.min() <= 0.0:
        raise InputError("ranges: give the solved frequencies, at least one, all above 0 Hz")
    rules = Rules()
    if isinstance(network_or_model, Network):
        model, air, rules = network_or_model.model, network_or_model.air, network_or_model.rules
        half = bool((network_or_model.states == HALF).any())
    else:
        model, air = network_or_model, air_of(network_or_model)
        half = any(HALF in f.holes for f in fingerings_of(model))
    low_hz, high_hz = float(solved.min()), float(solved.max())
    return (
        *_air_notes(air),
        *_bore_notes(model, air, low_hz, high_hz),
        *_window_notes(model, air, high_hz, rules),
        *_hole_notes(model, half, high_hz, rules),
        *_pair_notes(model, rules.coupled),
    )


def _outside(
    formula: str, key: str, quantity: str, value: float, low: float, high: float, unit: str, effect: str
) -> Iterator[RangeNote]:
    """Yield the note when the value lies outside; the last digits of a sum do not count."""
    slack = 1e-9 * max(abs(value), 1.0)
    if not low - slack <= value <= high + slack:
        yield RangeNote(formula, key, quantity, value, low, high, unit, effect)


def _air_notes(air: Air) -> Iterator[RangeNote]:
    """Yield the ranges of the air's formulas; those of `moist_air` and `mixture_air` are the same, see their text."""
    t, p, x_c = air.temperature_c, air.pressure_pa, air.co2_fraction
    x_v = vapour_fraction(t, relative_humidity=air.relative_humidity, pressure_pa=p)
    cramer = "the sound-speed formula (Cramer 1993)"
    instead = "a mixture of five ideal gases stands in for it, at most 0.7 cents apart where both hold"
    yield from _outside(cramer, "conditions.temperature_c", "temperature", t, 0.0, 30.0, "C", instead)
    yield from _outside(cramer, "conditions.co2_fraction", "carbon dioxide", x_c, 0.0, 0.01, "", instead)
    yield from _outside(cramer, "conditions.relative_humidity", "share of vapour", x_v, 0.0, 0.06, "", instead)
    if 0.0 <= t <= 30.0 and x_c <= 0.01 and x_v <= 0.06:
        density = "the density formula (CIPM-2007)"
        right = "expect the density right to 0.1 %"
        yield from _outside(density, "conditions.temperature_c", "temperature", t, 15.0, 27.0, "C", right)
        yield from _outside(density, "conditions.pressure_pa", "pressure", p, 60_000.0, 110_000.0, "Pa", right)
        yield from _outside(
            cramer,
            "conditions.pressure_pa",
            "pressure",
            p,
            75_000.0,
            102_000.0,
            "Pa",
            "expect the pitch right to 1 cent",
        )
        return
    mixture = "the mixture of five ideal gases"
    yield from _outside(
        "the vapour-pressure formula (CIPM-2007)", "conditions.temperature_c", "temperature", t, 0.0, _INFINITY, "C",
        "it holds for supercooled water, not for ice; expect the pitch right to 1 cent",
    )  # fmt: skip
    yield from _outside(
        mixture, "conditions.temperature_c", "temperature", t, -_INFINITY, 40.0, "C",
        "its heat capacities are straight lines about 27 C",
    )  # fmt: skip
    yield from _outside(
        mixture, "conditions.co2_fraction", "carbon dioxide", x_c, 0.0, 0.06, "", "it was not compared there"
    )


def _bore_notes(model: Model, air: Air, low_hz: float, high_hz: float) -> Iterator[RangeNote]:
    stations = model.bore.stations_mm
    start = max(model.head.block_depth_mm, 0.0)
    k = 2.0 * math.pi * high_hz / air.sound_speed
    for number, ((x0, d0), (x1, d1)) in enumerate(pairwise(stations), start=2):
        if x1 <= start or x1 == x0:  # behind the block, or a step, which is no cone
            continue
        yield from _outside(
            "the spherical-wave cone (physics notes 2.5)", f"bore.stations_mm.{number}.diameter",
            "half angle of the cone above this station", math.degrees(math.atan2(0.5 * abs(d1 - d0), x1 - x0)),
            -_INFINITY, 10.0, "deg", "expect the cone's share of the pitch wrong by percents",
        )  # fmt: skip
    radii = [0.5e-3 * bore_diameter_mm(model, start), *(0.5e-3 * d for x, d in stations if x > start)]
    widest = int(np.argmax(radii))
    yield from _outside(
        "the plane-wave chain (first crosswise wave, k a = 1.84)", "bore.stations_mm",
        f"k a of the widest bore at {high_hz:.0f} Hz", k * radii[widest], -_INFINITY, _CROSSWISE, "",
        "waves across the bore are not in the chain",
    )  # fmt: skip
    narrow = min([*radii, *(0.5e-3 * h.diameter_mm for h in model.holes)])
    wide = max(radii)
    root = math.sqrt(2.0 * math.pi * air.density / air.viscosity)
    yield from _outside(
        "the wall losses (Zwikker & Kosten 1949, compared with Bessel functions)",
        "bore.stations_mm" if narrow == min(radii) else "holes",
        f"Stokes number of the narrowest duct at {low_hz:.0f} Hz", narrow * root * math.sqrt(low_hz), 0.43, _INFINITY,
        "", "our evaluation was not compared there",
    )  # fmt: skip
    yield from _outside(
        "the wall losses (Zwikker & Kosten 1949, compared with Bessel functions)", "bore.stations_mm",
        f"Stokes number of the widest bore at {high_hz:.0f} Hz", wide * root * math.sqrt(high_hz), -_INFINITY, 1018.0,
        "", "our evaluation was not compared there",
    )  # fmt: skip
    yield from _outside(
        "the wall-loss factor (smooth to bare wood, physics notes 2.6)", "bore.wall_loss_factor", "the factor",
        model.bore.wall_loss_factor, 1.0, 1.3, "",
        "it is below smooth walls or above dense bare wood; a porous wall is more than a factor on smooth losses",
    )  # fmt: skip
    yield from _outside(
        "the open end (Silva et al. 2009)", f"bore.stations_mm.{len(stations)}.diameter",
        f"k a of the foot at {high_hz:.0f} Hz", k * 0.5e-3 * stations[-1][1], -_INFINITY, 2.0, "",
        "the fit leaves the exact end there; length and loss of the foot drift off",
    )  # fmt: skip


def _window_notes(model: Model, air: Air, high_hz: float, rules: Rules) -> Iterator[RangeNote]:
    solved = rules.window_rule == "solved"
    table = window_ranges() if solved else PLAIN_WINDOW
    sizes = window_sizes(model)
    if solved:
        a = 0.5e-3 * bore_diameter_mm(model, max(model.head.block_depth_mm, 0.0))
        yield from _outside(
            "the rise of the window's inertance with frequency (same fit)", "bore.stations_mm",
            f"k a at the window at {high_hz:.0f} Hz", 2.0 * math.pi * high_hz / air.sound_speed * a, -_INFINITY, 0.3,
            "", "the rise was fitted below it",
        )  # fmt: skip
    if not table.by_block:
        sizes["w"] -= sizes["advance"]
    thick = any(r.name == "e" and not r.low <= sizes["e"] <= r.high for r in table.ranges)
    for bound in table.ranges:
        # The ears' full height follows from the wall: what is said of the wall need not be said of them again.
        if bound.name not in sizes or (bound.name == "ear_full" and thick):
            continue
        key, quantity = _WINDOW_WORDS[bound.name]
        unit = "deg" if bound.name == "ramp" else ""
        yield from _outside(table.formula, key, quantity, sizes[bound.name], bound.low, bound.high, unit, table.effect)


@dataclass(frozen=True)
class _Chimney:
    """What the kernels make of a hole's sizes, mm: see `hole_constants`."""

    b: float
    b_in: float
    b_out: float
    wall: float
    shaped: float  # rim and undercut, along the chimney


def _chimney(model: Model, hole: Hole, rules: Rules) -> _Chimney:
    cut = hole.undercut
    a, wall = 0.5 * bore_diameter_mm(model, hole.position_mm), wall_mm(model, hole.position_mm)
    slope = math.tan(math.radians(cut.angle_deg))
    size, made = np.zeros(HOLE_SIZES), np.empty(CONSTANTS)
    size[1:7] = (
        0.5 * hole.diameter_mm, hole.outer_round_mm, hole.inner_chamfer_mm,
        cut.all_round_mm, cut.upstream_mm, cut.downstream_mm,
    )  # fmt: skip
    size[7:] = slope, hole.waist_mm
    hole_constants(a, a + wall, size, OPEN, Fingers(1.0, 0.0, 1.0), rules.formulas().hole_rule, made)
    deepest = cut.all_round_mm + max(cut.upstream_mm, cut.downstream_mm)
    l_in = max(deepest / slope, hole.inner_chamfer_mm)
    return _Chimney(float(made[4]), float(made[8]), float(made[5]), wall, l_in + hole.outer_round_mm)


def _finish_notes(hole: Hole, known: HoleRange) -> Iterator[RangeNote]:
    """Yield what a workshop did to the hole's ends beyond the solved ones."""
    formula = "the finished chimney (fit to finite-element holes)"
    effect = "the fit was not compared with solved holes there"
    words = {"outer_round_mm": "rounding of the rim", "inner_chamfer_mm": "chamfer", "waist_mm": "waist"}
    for name, most in known.finish.items():
        yield from _outside(
            formula, f"holes.{hole.name}.{name}", f"{words[name]} over hole radius",
            getattr(hole, name) / (0.5 * hole.diameter_mm), -_INFINITY, most, "", effect,
        )  # fmt: skip
    cut = hole.undercut
    if cut.all_round_mm + cut.upstream_mm + cut.downstream_mm > 0.0:
        yield from _outside(
            formula, f"holes.{hole.name}.undercut.angle_deg", "angle of the undercut", cut.angle_deg,
            *known.undercut_deg, "deg", effect,
        )  # fmt: skip


def _hole_notes(model: Model, half: bool, high_hz: float, rules: Rules) -> Iterator[RangeNote]:
    known = _HOLE_RANGES[rules.hole_rule]
    for hole in model.holes:
        c = _chimney(model, hole, rules)
        key = f"holes.{hole.name}"
        a = 0.5 * bore_diameter_mm(model, hole.position_mm)
        outer = a + c.wall
        yield from _outside(
            known.inner, f"{key}.diameter_mm", "b_in/a, hole over bore,", c.b_in / a, -_INFINITY, known.most_inner, "",
            "neither was compared with finite elements there",
        )  # fmt: skip
        yield from _outside(
            known.series, f"{key}.diameter_mm", "t/b_in, chimney over hole,", c.wall / c.b_in, known.least_height,
            _INFINITY, "", "it was not compared there; a tenth of it moves a note by a few tenths of a cent",
        )  # fmt: skip
        yield from _outside(
            "the outside length of a hole (Dalmont et al. 2001)", f"{key}.diameter_mm",
            "b_out/R_o, hole over body,", c.b_out / outer, -_INFINITY, 0.9, "", "the hole nearly cuts the body in two",
        )  # fmt: skip
        yield from _outside(
            known.horn,
            f"{key}.undercut" if hole.inner_chamfer_mm == 0.0 else f"{key}.inner_chamfer_mm",
            "b_in/b, inner over outer radius,", c.b_in / c.b, -_INFINITY, known.most_horn, "", known.horn_effect,
        )  # fmt: skip
        yield from _finish_notes(hole, known)
        yield from _outside(
            "the chimney (rim, straight part, undercut)", f"{key}.outer_round_mm",
            "height of rim and undercut over the wall", c.shaped / c.wall, -_INFINITY, 0.95, "",
            "both are shortened in proportion to fit the wall",
        )  # fmt: skip
        straight = c.wall - min(c.shaped, 0.95 * c.wall)
        yield from _outside(
            "the finger in a closed hole (physics notes 4.5)", "player.finger_bulge",
            f"bulge in hole {hole.name} over the chimney's straight part", model.player.finger_bulge * c.b / straight,
            -_INFINITY, max(1.0 - 0.05 * c.wall / straight, 0.0), "",
            "the finger is held back to a twentieth of the wall",
        )  # fmt: skip
    if model.holes:
        yield from _outside(
            "the finger in a closed hole (physics notes 4.5)", "player.finger_bulge", "the bulge",
            model.player.finger_bulge, 0.0, 0.6, "hole radii", "measured bulges lie below it",
        )  # fmt: skip
        if half:
            yield from _outside(
                "the half-open hole (step and flange, physics notes 4.9; +-25 % at best)", "player.half_open_fraction",
                "the open share", model.player.half_open_fraction, 0.09, 0.81, "",
                "the step's length was not compared with finite elements there",
            )  # fmt: skip
    yield from _outside(
        "the radiation of window and holes (free space, physics notes 3.5)", "the highest frequency", "it",
        high_hz, -_INFINITY, 2000.0, "Hz",
        "the body is no longer thin against the wave; up to twice the radiation loss",
    )  # fmt: skip


def _pair_notes(model: Model, coupled: bool) -> Iterator[RangeNote]:
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
        yield from _outside(
            formula, f"holes.{second.name}.position_mm", f"clear web to hole {first.name} over bore radius",
            web_mm(model, first, second) / a, least, _INFINITY, "", effect,
        )  # fmt: skip
