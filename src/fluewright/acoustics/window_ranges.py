"""Says where the window's formulas are used beyond the windows that they were fitted to."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fluewright.acoustics.network import Rules, window_study
from fluewright.acoustics.range_notes import RangeNote, outside
from fluewright.air import Air
from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.instrument.shape import bore_diameter_mm, edge_height_mm, outside_diameter_mm

__all__ = ["PLAIN_WINDOW", "WindowRange", "WindowTable", "window_notes", "window_ranges", "window_sizes"]


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


#: docs/physics/window.md#plain-window: 32 finite-element windows, edge on the bore line, block face in the exit plane.
#: `ear` is the side walls' height over the edge, four points at one shape.
PLAIN_WINDOW = WindowTable(
    formula="the window's inertance (potential-flow fit, docs/physics/window.md#plain-window)",
    ranges=(
        WindowRange("w", 0.3, 1.0),
        WindowRange("h", 0.6, 1.5),
        WindowRange("e", 0.1, 0.6),
        WindowRange("ramp", 12.0, 80.0),
        WindowRange("ear", 0.03, math.inf),
    ),
    effect="inside the range the fit is right to 3.2 % of the inertance, outside it was not compared",
    by_block=False,
)


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
    above = edge_height_mm(head)
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


def window_notes(model: Model, air: Air, high_hz: float, rules: Rules) -> Iterator[RangeNote]:
    """Yield the ranges of the window's formula that a model leaves, at frequencies up to `high_hz`."""
    solved = rules.window_rule == "solved"
    table = window_ranges() if solved else PLAIN_WINDOW
    sizes = window_sizes(model)
    if solved:
        a = 0.5e-3 * bore_diameter_mm(model, max(model.head.block_depth_mm, 0.0))
        yield from outside(
            "the rise of the window's inertance with frequency (same fit)",
            "bore.stations_mm",
            f"k a at the window at {high_hz:.0f} Hz",
            2.0 * math.pi * high_hz / air.sound_speed * a,
            high=0.3,
            effect="the rise was fitted below it",
        )
    if not table.by_block:
        sizes["w"] -= sizes["advance"]
    thick = any(r.name == "e" and not r.low <= sizes["e"] <= r.high for r in table.ranges)
    for bound in table.ranges:
        # The ears' full height follows from the wall: what is said of the wall need not be said of them again.
        if bound.name not in sizes or (bound.name == "ear_full" and thick):
            continue
        key, quantity = _WINDOW_WORDS[bound.name]
        unit = "deg" if bound.name == "ramp" else ""
        yield from outside(
            table.formula,
            key,
            quantity,
            sizes[bound.name],
            low=bound.low,
            high=bound.high,
            unit=unit,
            effect=table.effect,
        )
