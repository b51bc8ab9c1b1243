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
from collections.abc import Iterable, Iterator
from itertools import pairwise

import numpy as np

from fluewright.acoustics.hole_ranges import hole_notes, pair_notes
from fluewright.acoustics.network import Network, Rules, air_of
from fluewright.acoustics.range_notes import RangeNote, outside
from fluewright.acoustics.window_ranges import window_notes
from fluewright.air import Air, vapour_fraction
from fluewright.arrays import FloatArray
from fluewright.errors import InputError
from fluewright.instrument.fingering import HALF, fingerings_of
from fluewright.instrument.model import Model
from fluewright.instrument.shape import bore_diameter_mm

__all__ = ["out_of_range"]


# First crosswise wave in a round bore: the first zero of J1'(x), 1.8412.
_CROSSWISE = 1.8412


def out_of_range(
    network_or_model: Network | Model, frequencies_hz: Iterable[float] | FloatArray
) -> tuple[RangeNote, ...]:
    """Return a note for every formula that the model takes beyond its range at these frequencies.

    Parameters
    ----------
    network_or_model : Network or Model
        A network brings its own air; a model that of its conditions.
    frequencies_hz : floats, any shape
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
    .. [1] docs/physics/index.md: the range stands beside each formula. Ranges that only say how far we
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
        *window_notes(model, air, high_hz, rules),
        *hole_notes(model, half, high_hz, rules),
        *pair_notes(model, rules.coupled),
    )


def _air_notes(air: Air) -> Iterator[RangeNote]:
    """Yield the ranges of the air's formulas; those of `moist_air` and `mixture_air` are the same, see their text."""
    t, x_c = air.temperature_c, air.co2_fraction
    x_v = vapour_fraction(t, relative_humidity=air.relative_humidity, pressure_pa=air.pressure_pa)
    cramer = "the sound-speed formula (Cramer 1993)"
    instead = "a mixture of five ideal gases stands in for it, at most 0.7 cents apart where both hold"
    yield from outside(
        cramer, "conditions.temperature_c", "temperature", t, low=0.0, high=30.0, unit="C", effect=instead
    )
    yield from outside(cramer, "conditions.co2_fraction", "carbon dioxide", x_c, low=0.0, high=0.01, effect=instead)
    yield from outside(
        cramer, "conditions.relative_humidity", "share of vapour", x_v, low=0.0, high=0.06, effect=instead
    )
    yield from _moist_notes(air) if 0.0 <= t <= 30.0 and x_c <= 0.01 and x_v <= 0.06 else _mixture_notes(air)


def _moist_notes(air: Air) -> Iterator[RangeNote]:
    """Yield the ranges of the formulas for air in a room."""
    t, p = air.temperature_c, air.pressure_pa
    cramer = "the sound-speed formula (Cramer 1993)"
    density = "the density formula (CIPM-2007)"
    right = "expect the density right to 0.1 %"
    yield from outside(
        density, "conditions.temperature_c", "temperature", t, low=15.0, high=27.0, unit="C", effect=right
    )
    yield from outside(
        density, "conditions.pressure_pa", "pressure", p, low=60_000.0, high=110_000.0, unit="Pa", effect=right
    )
    yield from outside(
        cramer,
        "conditions.pressure_pa",
        "pressure",
        p,
        low=75_000.0,
        high=102_000.0,
        unit="Pa",
        effect="expect the pitch right to 1 cent",
    )


def _mixture_notes(air: Air) -> Iterator[RangeNote]:
    """Yield the ranges of the mixture that stands in for them."""
    t = air.temperature_c
    mixture = "the mixture of five ideal gases"
    yield from outside(
        "the vapour-pressure formula (CIPM-2007)",
        "conditions.temperature_c",
        "temperature",
        t,
        low=0.0,
        unit="C",
        effect="it holds for supercooled water, not for ice; expect the pitch right to 1 cent",
    )
    yield from outside(
        mixture,
        "conditions.temperature_c",
        "temperature",
        t,
        high=40.0,
        unit="C",
        effect="its heat capacities are straight lines about 27 C",
    )
    yield from outside(
        mixture,
        "conditions.co2_fraction",
        "carbon dioxide",
        air.co2_fraction,
        low=0.0,
        high=0.06,
        effect="it was not compared there",
    )


def _bore_notes(model: Model, air: Air, low_hz: float, high_hz: float) -> Iterator[RangeNote]:
    """Yield the ranges of the bore's formulas that a model leaves, from its head to its foot, then of its walls."""
    stations = model.bore.stations_mm
    start = max(model.head.block_depth_mm, 0.0)
    k = 2.0 * math.pi * high_hz / air.sound_speed
    for number, ((x0, d0), (x1, d1)) in enumerate(pairwise(stations), start=2):
        if x1 <= start or x1 == x0:  # behind the block, or a step, which is no cone
            continue
        yield from outside(
            "the spherical-wave cone (docs/physics/ducts.md#cone)",
            f"bore.stations_mm.{number}.diameter",
            "half angle of the cone above this station",
            math.degrees(math.atan2(0.5 * abs(d1 - d0), x1 - x0)),
            high=10.0,
            unit="deg",
            effect="expect the cone's share of the pitch wrong by percents",
        )
    radii = [0.5e-3 * bore_diameter_mm(model, start), *(0.5e-3 * d for x, d in stations if x > start)]
    widest = int(np.argmax(radii))
    yield from outside(
        "the plane-wave chain (first crosswise wave, k a = 1.84)",
        "bore.stations_mm",
        f"k a of the widest bore at {high_hz:.0f} Hz",
        k * radii[widest],
        high=_CROSSWISE,
        effect="waves across the bore are not in the chain",
    )
    yield from outside(
        "the open end (Silva et al. 2009)",
        f"bore.stations_mm.{len(stations)}.diameter",
        f"k a of the foot at {high_hz:.0f} Hz",
        k * 0.5e-3 * stations[-1][1],
        high=2.0,
        effect="the fit leaves the exact end there; length and loss of the foot drift off",
    )
    yield from _wall_notes(model, air, radii, low_hz, high_hz)


def _wall_notes(model: Model, air: Air, radii: list[float], low_hz: float, high_hz: float) -> Iterator[RangeNote]:
    """Yield what the walls' losses are beyond; radii: of the bore, m."""
    narrow = min([*radii, *(0.5e-3 * h.diameter_mm for h in model.holes)])
    wide = max(radii)
    root = math.sqrt(2.0 * math.pi * air.density / air.viscosity)
    for key, duct, hz, radius, low, high in (
        ("bore.stations_mm" if narrow == min(radii) else "holes", "narrowest duct", low_hz, narrow, 0.43, math.inf),
        ("bore.stations_mm", "widest bore", high_hz, wide, -math.inf, 1018.0),
    ):
        yield from outside(
            "the wall losses (Zwikker & Kosten 1949, compared with Bessel functions)",
            key,
            f"Stokes number of the {duct} at {hz:.0f} Hz",
            radius * root * math.sqrt(hz),
            low=low,
            high=high,
            effect="our evaluation was not compared there",
        )
    yield from outside(
        "the wall-loss factor (smooth to bare wood, docs/physics/air.md#real-walls)",
        "bore.wall_loss_factor",
        "the factor",
        model.bore.wall_loss_factor,
        low=1.0,
        high=1.3,
        effect="it is below smooth walls or above dense bare wood; a porous wall is more than a factor on "
        "smooth losses",
    )
