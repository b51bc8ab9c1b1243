"""Says whether an instrument of these sizes can exist, and what in it goes beyond usual practice."""

import difflib
import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Literal, overload

import numpy as np

from fluewright.arrays import FloatArray
from fluewright.errors import InputError
from fluewright.instrument.fingering import parse_holes
from fluewright.instrument.pitch import note_to_midi

if TYPE_CHECKING:
    from fluewright.instrument.model import Hole, Model

__all__ = [
    "Side",
    "abreast_mm",
    "bore_diameter_mm",
    "check_geometry",
    "edge_above_floor_mm",
    "outside_diameter_mm",
    "wall_mm",
    "warnings_for",
    "web_mm",
]

Side = Literal["head", "foot"]
"""Which side of a step in diameter is meant where a place lies right at it."""

_SAME_MM = 1e-6
# Holes on different sides of the body, side by side: a gauge may put either first. Common practice, no source.
_ABREAST_MM, _ABREAST_DEG = 2.0, 45.0
_SHORTEST_CONE_MM = 0.05
_NARROWEST_BORE_MM, _WIDEST_BORE_MM = 2.0, 100.0


def _say(value: float) -> str:
    return str(round(float(value), 4))


def _hole_place(index: int, hole: "Hole") -> str:
    return f'holes.{index + 1} (name "{hole.name}")'


def _at(stations: Iterable[tuple[float, float]], x: float | FloatArray, side: Side) -> float | FloatArray:
    table = np.array(tuple(stations), dtype=np.float64)
    if side == "head":
        # Of two stations at one place the interpolation takes the later one: seen from the foot, the upper one.
        table, x = table[::-1] * (-1.0, 1.0), -x
    at = np.interp(x, table[:, 0], table[:, 1])
    return at if isinstance(x, np.ndarray) else float(at)


@overload
def bore_diameter_mm(model: "Model", x: float, *, side: Side = "foot") -> float: ...
@overload
def bore_diameter_mm(model: "Model", x: FloatArray, *, side: Side = "foot") -> FloatArray: ...
def bore_diameter_mm(model: "Model", x: float | FloatArray, *, side: Side = "foot") -> float | FloatArray:
    """Return the bore diameter in mm at ``x`` mm; beyond the bore's ends the end diameter holds.

    Right at a step (two stations with the same x) it is that on the foot's side, or on the head's if ``side`` says so.
    """
    return _at(model.bore.stations_mm, x, side)


@overload
def outside_diameter_mm(model: "Model", x: float, *, side: Side = "foot") -> float: ...
@overload
def outside_diameter_mm(model: "Model", x: FloatArray, *, side: Side = "foot") -> FloatArray: ...
def outside_diameter_mm(model: "Model", x: float | FloatArray, *, side: Side = "foot") -> float | FloatArray:
    """Return the outside diameter in mm at ``x`` mm; beyond its ends the end diameter holds, steps as in the bore."""
    return _at(model.bore.outside_mm, x, side)


@overload
def wall_mm(model: "Model", x: float, *, side: Side = "foot") -> float: ...
@overload
def wall_mm(model: "Model", x: FloatArray, *, side: Side = "foot") -> FloatArray: ...
def wall_mm(model: "Model", x: float | FloatArray, *, side: Side = "foot") -> float | FloatArray:
    """Return the wall thickness in mm at ``x`` mm from the exit plane; at a step on the given side."""
    if isinstance(x, np.ndarray):
        return 0.5 * (outside_diameter_mm(model, x, side=side) - bore_diameter_mm(model, x, side=side))
    return 0.5 * (outside_diameter_mm(model, x, side=side) - bore_diameter_mm(model, x, side=side))


def edge_above_floor_mm(model: "Model") -> float:
    """Return how far the edge stands above the line of the windway's floor, in mm (the view)."""
    return 0.5 * model.head.windway.exit_height_mm + model.head.edge_offset_mm


def _turn_rad(first: "Hole", second: "Hole") -> float:
    return abs(math.radians(math.remainder(first.angle_deg - second.angle_deg, 360.0)))


def _distance_mm(model: "Model", first: "Hole", second: "Hole", *, outside: bool) -> float:
    middle = 0.5 * (first.position_mm + second.position_mm)
    diameter = outside_diameter_mm(model, middle) if outside else bore_diameter_mm(model, middle)
    return math.hypot(second.position_mm - first.position_mm, 0.5 * diameter * _turn_rad(first, second))


def abreast_mm(one: "Hole", two: "Hole") -> float:
    """Return by how much two neighbours may stand in the other order than they are listed, mm.

    A thumb hole beside the first finger's is listed first or second whatever the gauge says of a few tenths: on
    different sides of the body (45 degrees apart or more) neither is before the other. Else nothing.
    """
    apart = abs((one.angle_deg - two.angle_deg + 180.0) % 360.0 - 180.0)
    return _ABREAST_MM if apart >= _ABREAST_DEG else 0.0


def web_mm(model: "Model", first: "Hole", second: "Hole") -> float:
    """Return the least web in mm between the edges of two holes, measured round the bore.

    Holes are drilled toward the axis, so their centres are nearest at the bore; the unrolled bore surface
    is taken
    at the mean position. Negative when they overlap. Undercuts are not counted.
    """
    apart = _distance_mm(model, first, second, outside=False)
    return apart - 0.5 * (first.diameter_mm + second.diameter_mm)


def _inner_radius_mm(hole: "Hole") -> float:
    """Return the hole's radius across the bore's surface, with chamfer, waist and undercut."""
    return 0.5 * hole.diameter_mm + hole.inner_chamfer_mm + hole.waist_mm + hole.undercut.all_round_mm


def _inner_web_mm(model: "Model", first: "Hole", second: "Hole") -> float:
    """Return the web between two holes with their chamfers and undercuts, on the straight line between the centres.

    Toward head and foot an undercut may reach further than across: each half of the opening is taken as an ellipse.
    """
    upper, lower = sorted((first, second), key=lambda hole: hole.position_mm)
    along = lower.position_mm - upper.position_mm
    apart = _distance_mm(model, upper, lower, outside=False)
    if apart <= 0.0:
        return -_inner_radius_mm(upper) - _inner_radius_mm(lower)
    left = apart
    for hole, more in ((upper, upper.undercut.downstream_mm), (lower, lower.undercut.upstream_mm)):
        across = _inner_radius_mm(hole)
        cosine = along / apart
        left -= 1.0 / math.sqrt((cosine / (across + more)) ** 2 + (1.0 - cosine**2) / across**2)
    return left


def _outer_web_mm(model: "Model", first: "Hole", second: "Hole") -> float:
    """Return the web between the rounded rims of two holes, measured round the outside."""
    rims = first.outer_round_mm + second.outer_round_mm + 0.5 * (first.diameter_mm + second.diameter_mm)
    return _distance_mm(model, first, second, outside=True) - rims


def _height_mm(model: "Model", x: float) -> float:
    """Return how far the body's crown at ``x`` stands above the bore's top line at the exit plane."""
    return 0.5 * (outside_diameter_mm(model, x) - bore_diameter_mm(model, 0.0))


def _edge_height_mm(model: "Model") -> float:
    """Return how far the underside of the edge stands above the bore's top line at the exit plane."""
    return model.head.windway.floor_height_mm + edge_above_floor_mm(model)


def _ramp_end_mm(model: "Model") -> float:
    """Return where the ramp meets the body's crown."""
    head = model.head
    rise = _height_mm(model, head.window_length_mm) - _edge_height_mm(model) - head.broken_edge_mm
    return head.window_length_mm + max(rise, 0.0) / math.tan(math.radians(head.ramp_angle_deg))


def check_geometry(model: "Model") -> list[str]:
    """Return every fault that makes the model impossible, naming key, value, limit and mend."""
    faults = [*_profile_faults(model)]
    if not faults:
        # Everything else is measured along the profiles, so it can be judged only once they are sound.
        faults = [*_head_faults(model), *_hole_faults(model)]
    return [*faults, *_fingering_faults(model), *_limit_faults(model)]


def _profile_faults(model: "Model") -> Iterator[str]:
    bore, outside = model.bore.stations_mm, model.bore.outside_mm
    places = [*_station_faults("stations_mm", bore), *_station_faults("outside_mm", outside)]
    if places:
        yield from places
        return
    for number, (_, diameter) in enumerate(bore, start=1):
        if not _NARROWEST_BORE_MM <= diameter <= _WIDEST_BORE_MM:
            mend = "widen it" if diameter < _NARROWEST_BORE_MM else "make it narrower"
            yield (
                f"bore.stations_mm: station {number} has the diameter {_say(diameter)}, outside the "
                f"{_say(_NARROWEST_BORE_MM)} to {_say(_WIDEST_BORE_MM)} that a bore may have; {mend}, and check that "
                "it is in mm"
            )
    start = min(0.0, model.head.block_depth_mm)
    if bore[0][0] > start:
        yield (
            f"bore.stations_mm: the first station is at x = {_say(bore[0][0])}, below the block "
            f"face at {_say(start)}; "
            f"begin the bore at {_say(start)} or further up"
        )
    if outside[0][0] > start:
        yield (
            f"bore.outside_mm: the first station is at x = {_say(outside[0][0])}, below the block face at "
            f"{_say(start)}; begin the outside at {_say(start)} or further up"
        )
    foot = bore[-1][0]
    if abs(outside[-1][0] - foot) > _SAME_MM:
        yield (
            f"bore.outside_mm: the last station is at x = {_say(outside[-1][0])}, but the bore ends "
            f"at {_say(foot)}; "
            "end both at the foot"
        )
        return
    edge = model.head.window_length_mm
    if foot <= edge:
        yield (
            f"bore.stations_mm: the foot end at {_say(foot)} is not beyond the edge at {_say(edge)} "
            "(head.window_length_mm); lengthen the bore or shorten the window"
        )
    corners = np.unique([x for x, _ in (*bore, *outside) if x >= max(bore[0][0], outside[0][0])])
    sides: tuple[Side, Side] = ("head", "foot")
    walls = np.array([wall_mm(model, corners, side=side) for side in sides])
    if walls.min() <= 0.0:
        row, column = np.unravel_index(int(np.argmin(walls)), walls.shape)
        x, side = float(corners[column]), sides[int(row)]
        where = "" if walls[0, column] == walls[1, column] else f", on the {side} side of the step,"
        yield (
            f"bore.outside_mm: at x = {_say(x)}{where} the outside is "
            f"{_say(outside_diameter_mm(model, x, side=side))} and the bore "
            f"{_say(bore_diameter_mm(model, x, side=side))}, so no wall is left; make the outside larger or "
            f"the bore smaller"
        )


def _station_faults(key: str, stations: Sequence[tuple[float, float]]) -> Iterator[str]:
    last = len(stations)
    for number, ((before, d_before), (after, d_after)) in enumerate(pairwise(stations), start=2):
        if after < before:
            yield (
                f"bore.{key}: station {number} is at x = {_say(after)}, not beyond station {number - 1} at "
                f"{_say(before)}; list the stations from head to foot (two with the same x are a step)"
            )
        elif after == before and number > 2 and stations[number - 3][0] == after:
            yield (
                f"bore.{key}: stations {number - 2}, {number - 1} and {number} are all at x = {_say(after)}; "
                "a step has two stations, the diameter before it and the one behind it: leave the others out"
            )
        elif after == before and number in (2, last):
            yield (
                f"bore.{key}: stations {number - 1} and {number} are both at x = {_say(after)}, the "
                f"{'first' if number == 2 else 'last'} place; a step (two stations with the same x) lies between the "
                "ends, so leave one of them out"
            )
        elif 0.0 < after - before < _SHORTEST_CONE_MM and d_before != d_after:
            yield (
                f"bore.{key}: from station {number - 1} to {number} the diameter goes from {_say(d_before)} to "
                f"{_say(d_after)} within {_say(after - before)}, less than {_say(_SHORTEST_CONE_MM)}; write a step: "
                f"two stations with the same x, [{_say(after)}, {_say(d_before)}], [{_say(after)}, {_say(d_after)}]"
            )


def _head_faults(model: "Model") -> Iterator[str]:
    head = model.head
    if head.block_depth_mm >= head.window_length_mm:
        yield (
            f"head.block_depth_mm is {_say(head.block_depth_mm)}, so the block covers the whole window of "
            f"{_say(head.window_length_mm)} (head.window_length_mm); draw the block back"
        )
    narrowest = min(bore_diameter_mm(model, 0.0), bore_diameter_mm(model, head.window_length_mm))
    if head.window_width_mm >= narrowest:
        yield (
            f"head.window_width_mm is {_say(head.window_width_mm)}, not less than the bore of "
            f"{_say(narrowest)} at the "
            "window; make the window narrower (0.6 to 0.75 of the bore is usual)"
        )
    if head.windway.width_mm >= narrowest:
        yield (
            f"head.windway.width_mm is {_say(head.windway.width_mm)}, not less than the bore of "
            f"{_say(narrowest)} at "
            "the window; make the windway narrower (as wide as the window, or 0.3 less)"
        )
    for name, chamfer in (("upper_chamfer", head.upper_chamfer), ("lower_chamfer", head.lower_chamfer)):
        along = chamfer.length_mm * math.cos(math.radians(chamfer.angle_deg))
        if along >= head.windway.length_mm:
            yield (
                f"head.{name}.length_mm is {_say(chamfer.length_mm)}, longer than the windway of "
                f"{_say(head.windway.length_mm)}; shorten the chamfer"
            )
    yield from _windway_faults(model)
    yield from _edge_faults(model)


def _windway_faults(model: "Model") -> Iterator[str]:
    head, way = model.head, model.head.windway
    floor, bore = way.floor_height_mm, bore_diameter_mm(model, 0.0)
    at_exit, at_entry = _height_mm(model, 0.0), _height_mm(model, -way.length_mm)
    roof, entry = floor + way.exit_height_mm, floor + way.entry_height_mm + way.entry_flare_mm
    # A flat slit as wide as this meets the bore's wall so far below the top line.
    sag = 0.5 * (bore - math.sqrt(max(bore**2 - way.width_mm**2, 0.0)))
    if floor >= at_exit:
        yield (
            f"head.windway.floor_height_mm is {_say(floor)}, so the floor lies outside the body, which reaches "
            f"{_say(at_exit)} above the bore at the exit; lower the floor or make the head thicker"
        )
    elif roof > at_exit + _SAME_MM:
        yield (
            f"head.windway.exit_height_mm is {_say(way.exit_height_mm)}, so the roof at the exit lies {_say(roof)} "
            f"above the bore, outside the body, which reaches {_say(at_exit)}; lower floor or roof, or make the head "
            "thicker"
        )
    elif entry > at_entry + _SAME_MM:
        key = "entry_flare_mm" if entry - way.entry_flare_mm <= at_entry + _SAME_MM else "entry_height_mm"
        yield (
            f"head.windway.{key} is {_say(getattr(way, key))}, so the roof at the entry lies {_say(entry)} above the "
            f"bore, outside the body, which reaches {_say(at_entry)}; lower floor or roof, or make the head thicker"
        )
    if roof < -sag - _SAME_MM:
        yield (
            f"head.windway.floor_height_mm is {_say(floor)}, so even the roof at the exit lies {_say(-roof)} below "
            f"the bore's top line, inside the bore; raise the floor to {_say(-sag - way.exit_height_mm)} or more"
        )
    if way.entry_flare_mm > way.length_mm:
        yield (
            f"head.windway.entry_flare_mm is {_say(way.entry_flare_mm)}, longer than the windway of "
            f"{_say(way.length_mm)} (head.windway.length_mm); make the flare smaller"
        )
    if head.block_depth_mm <= -way.length_mm:
        yield (
            f"head.block_depth_mm is {_say(head.block_depth_mm)}, so the recess is as deep as the windway is long, "
            f"{_say(way.length_mm)} (head.windway.length_mm), and no block is left; push the block in"
        )
    rise = head.upper_chamfer.length_mm * math.sin(math.radians(head.upper_chamfer.angle_deg))
    if rise > 0.0 and roof + rise >= at_exit:
        yield (
            f"head.upper_chamfer.length_mm is {_say(head.upper_chamfer.length_mm)}, so it rises {_say(rise)} above the "
            f"roof, through the wall, of which {_say(max(at_exit - roof, 0.0))} is left there; shorten the chamfer"
        )
    drop = head.lower_chamfer.length_mm * math.sin(math.radians(head.lower_chamfer.angle_deg))
    if drop > 0.0 and drop >= bore + floor:
        yield (
            f"head.lower_chamfer.length_mm is {_say(head.lower_chamfer.length_mm)}, so it drops {_say(drop)} below the "
            f"floor, through the whole block of {_say(bore + floor)}; shorten the chamfer"
        )


def _edge_faults(model: "Model") -> Iterator[str]:
    head = model.head
    edge, above, radius = head.window_length_mm, _edge_height_mm(model), 0.5 * bore_diameter_mm(model, 0.0)
    crown, wall = _height_mm(model, edge), wall_mm(model, edge)
    if head.broken_edge_mm >= edge:
        yield (
            f"head.broken_edge_mm is {_say(head.broken_edge_mm)}, not less than the window's length of {_say(edge)} "
            "(head.window_length_mm); break the edge less (0.05 to 0.15 is usual)"
        )
    elif head.broken_edge_mm >= wall:
        yield (
            f"head.broken_edge_mm is {_say(head.broken_edge_mm)}, not less than the wall of {_say(wall)} at the edge; "
            "break the edge less (0.05 to 0.15 is usual)"
        )
    elif above + head.broken_edge_mm >= crown:
        yield (
            f"head.edge_offset_mm is {_say(head.edge_offset_mm)}, so the edge would stand {_say(above)} above the "
            f"bore, outside the wall, which reaches {_say(crown)}; lower the edge or the windway, or make the head "
            "thicker"
        )
    if above < -radius:
        yield (
            f"head.edge_offset_mm is {_say(head.edge_offset_mm)}, so the edge would stand {_say(-above)} below the "
            f"bore's top line, beyond the bore's axis at {_say(radius)}; raise the edge or the windway"
        )
    most = max(wall_mm(model, 0.0), wall)
    if head.ear_height_mm is not None and head.ear_height_mm > most + _SAME_MM:
        yield (
            f"head.ear_height_mm is {_say(head.ear_height_mm)}, higher than the body's wall of {_say(most)} at the "
            "window; make the ears lower, or leave the key out for ears as high as the wall"
        )


def _hole_faults(model: "Model") -> Iterator[str]:
    foot, edge = model.length_mm, model.head.window_length_mm
    seen: dict[str, int] = {}
    for index, hole in enumerate(model.holes):
        place = _hole_place(index, hole)
        if hole.name in seen:
            yield (f"{place}: the name is also that of holes.{seen[hole.name] + 1}; give each hole its own name")
        seen.setdefault(hole.name, index)
        low, high = hole.position_mm - 0.5 * hole.diameter_mm, hole.position_mm + 0.5 * hole.diameter_mm
        if hole.position_mm >= foot:
            yield (
                f"{place}: position_mm is {_say(hole.position_mm)}, beyond the foot end at {_say(foot)}; "
                "move the hole or lengthen the bore"
            )
        elif high > foot:
            yield (
                f"{place}: the hole's lower edge is at {_say(high)}, beyond the foot end at {_say(foot)}; "
                "move the hole, make it smaller or lengthen the bore"
            )
        if low < edge:
            yield (
                f"{place}: the hole's upper edge is at {_say(low)}, over the window, which ends at "
                f"{_say(edge)}; "
                "move the hole toward the foot"
            )
        if edge <= hole.position_mm <= foot:
            yield from _one_hole_faults(model, place, hole)
            if edge <= low and high <= foot:
                yield from _reaching_faults(model, place, hole)
    for index, (before, after) in enumerate(pairwise(model.holes), start=1):
        # A hole beyond the foot has been named already; where it belongs in the order is not known.
        if after.position_mm < before.position_mm - abreast_mm(before, after) and before.position_mm < foot:
            yield (
                f"{_hole_place(index, after)}: position_mm is {_say(after.position_mm)}, above the "
                f"hole before it at "
                f"{_say(before.position_mm)}; list the holes from head to foot and match the fingerings"
            )
    for (i, first), (j, second) in combinations(enumerate(model.holes), 2):
        web = web_mm(model, first, second)
        if web <= 0.0:
            yield (
                f"{_hole_place(j, second)}: overlaps {_hole_place(i, first)} by {_say(-web)} at the bore; "
                "move them apart along or round the body, or make them smaller"
            )
            continue
        inner, outer = _inner_web_mm(model, first, second), _outer_web_mm(model, first, second)
        if inner <= 0.0:
            yield (
                f"{_hole_place(j, second)}: with undercut and inner_chamfer_mm it overlaps {_hole_place(i, first)} by "
                f"{_say(-inner)} at the bore; undercut less or move them apart"
            )
        if outer < 0.0:
            yield (
                f"{_hole_place(j, second)}: with outer_round_mm it overlaps {_hole_place(i, first)} by "
                f"{_say(-outer)} on the outside; round the rims less or move them apart"
            )


def _reaching_faults(model: "Model", place: str, hole: "Hole") -> Iterator[str]:
    """Yield what undercut, chamfer and rim of a hole run into: foot, window, ramp."""
    foot, edge = model.length_mm, model.head.window_length_mm
    inner, rim = _inner_radius_mm(hole), 0.5 * hole.diameter_mm + hole.outer_round_mm
    lowest = hole.position_mm + inner + hole.undercut.downstream_mm
    highest = hole.position_mm - inner - hole.undercut.upstream_mm
    if lowest > foot:
        yield (
            f"{place}: undercut and inner_chamfer_mm reach to {_say(lowest)}, beyond the foot end at {_say(foot)}; "
            "undercut less toward the foot"
        )
    if highest < edge and math.cos(math.radians(hole.angle_deg)) > 0.0:
        yield (
            f"{place}: undercut and inner_chamfer_mm reach up to {_say(highest)}, into the window, which ends at "
            f"{_say(edge)}; undercut less toward the head"
        )
    if hole.position_mm + rim > foot:
        yield (
            f"{place}: outer_round_mm reaches to {_say(hole.position_mm + rim)}, beyond the foot end at "
            f"{_say(foot)}; round the rim less"
        )
    # Beside the ramp, as far round the body as the window is wide, the outside is free.
    turned = (
        0.5 * outside_diameter_mm(model, hole.position_mm) * abs(math.radians(math.remainder(hole.angle_deg, 360.0)))
    )
    ramp = _ramp_end_mm(model)
    if hole.position_mm - rim < ramp and turned - rim < 0.5 * model.head.window_width_mm:
        yield (
            f"{place}: its rim (outer_round_mm {_say(hole.outer_round_mm)}) begins at {_say(hole.position_mm - rim)}, "
            f"on the window's ramp, which ends at {_say(ramp)}; move the hole toward the foot, round it less or make "
            "the ramp steeper (head.ramp_angle_deg)"
        )


def _one_hole_faults(model: "Model", place: str, hole: "Hole") -> Iterator[str]:
    bore, wall = bore_diameter_mm(model, hole.position_mm), wall_mm(model, hole.position_mm)
    if hole.diameter_mm >= bore:
        yield (
            f"{place}: diameter_mm is {_say(hole.diameter_mm)}, not less than the bore of "
            f"{_say(bore)} there; "
            "make the hole smaller"
        )
    elif 2.0 * _inner_radius_mm(hole) >= bore:
        yield (
            f"{place}: with undercut and inner_chamfer_mm it is {_say(2.0 * _inner_radius_mm(hole))} wide at the bore, "
            f"not less than the bore of {_say(bore)} there; undercut less"
        )
    if hole.outer_round_mm + hole.inner_chamfer_mm > wall:
        yield (
            f"{place}: outer_round_mm {_say(hole.outer_round_mm)} and inner_chamfer_mm "
            f"{_say(hole.inner_chamfer_mm)} "
            f"are together more than the wall of {_say(wall)}; make them smaller"
        )
    for key in ("diameter_mm", "position_mm"):
        least, most = getattr(hole, f"min_{key}"), getattr(hole, f"max_{key}")
        if least is not None and most is not None and least > most:
            yield f"{place}: min_{key} is {_say(least)}, above max_{key} {_say(most)}; swap or widen them"


def _fingering_faults(model: "Model") -> Iterator[str]:
    if not model.fingerings:
        yield "fingerings: there is none; write at least [fingerings.register_1] with one line a note"
    for register, notes in model.fingerings.items():
        if not notes:
            yield f"fingerings.{register}: there is no note; add one line a note or leave the register out"
        numbers: dict[int, str] = {}
        for note, entry in notes.items():
            number = note_to_midi(note)
            if number in numbers:
                yield (
                    f"fingerings.{register}.{note}: is the same note as {numbers[number]}; keep one "
                    f"of them and list "
                    "the second fingering as its alternative"
                )
            numbers[number] = note
            for text in (entry,) if isinstance(entry, str) else entry:
                try:
                    parse_holes(text, len(model.holes))
                except InputError as error:
                    yield f"fingerings.{register}.{note}: {error}"


def _limit_faults(model: "Model") -> Iterator[str]:
    limits = model.limits
    if limits.smallest_hole_mm > limits.largest_hole_mm:
        yield (
            f"limits.smallest_hole_mm is {_say(limits.smallest_hole_mm)}, above limits.largest_hole_mm "
            f"{_say(limits.largest_hole_mm)}; swap them"
        )
    if (
        limits.length_min_mm is not None
        and limits.length_max_mm is not None
        and limits.length_min_mm > limits.length_max_mm
    ):
        yield (
            f"limits.length_min_mm is {_say(limits.length_min_mm)}, above limits.length_max_mm "
            f"{_say(limits.length_max_mm)}; swap them"
        )
    for number, key in enumerate(limits.fixed, start=1):
        problem = _fixed_problem(model, key)
        if problem:
            yield f'limits.fixed.{number} is "{key}": {problem}'


def _fixed_problem(model: "Model", key: str) -> str:
    if key == "length_mm":  # the foot end, last station of bore and outside together
        return ""
    parts = key.split(".")
    if parts[0] == "holes" and len(parts) > 1:
        names = [hole.name for hole in model.holes]
        if parts[1] != "*" and parts[1] not in names:
            return f"no hole has the name {parts[1]}; the names are {', '.join(names) or 'none'}"
        if not model.holes:
            return "there are no holes; leave it out"
        node: object = model.holes[0]
        parts = parts[2:]
    else:
        node = model
    for part in parts:
        fields = list(getattr(type(node), "model_fields", {}))
        if part not in fields:
            near = difflib.get_close_matches(part, fields, n=1)
            return f"there is no key {part}" + (
                f"; did you mean {near[0]}?" if near else f"; use one of {', '.join(fields)}" if fields else ""
            )
        node = getattr(node, part)
    return ""


def warnings_for(model: "Model") -> list[str]:
    """Return what can be made but goes beyond usual practice, the player's reach or the model's own limits.

    The bounds of usual practice are those of the trade (common practice, and where sources exist: view
    along the
    floor 0.05-0.2 mm, windway never wider than the window).
    """
    return [
        *_step_warnings(model),
        *_head_warnings(model),
        *_hole_warnings(model),
        *_reach_warnings(model),
        *_note_warnings(model),
    ]


def _step_warnings(model: "Model") -> Iterator[str]:
    for key, stations in (("stations_mm", model.bore.stations_mm), ("outside_mm", model.bore.outside_mm)):
        for number, ((before, d_before), (after, d_after)) in enumerate(pairwise(stations), start=2):
            if before != after:
                continue
            if d_before == d_after:
                yield (
                    f"bore.{key}: stations {number - 1} and {number} are the same, [{_say(after)}, {_say(d_after)}]; "
                    "leave one of them out, or give the step its two diameters"
                )
                continue
            for index, hole in enumerate(model.holes):
                if key == "stations_mm" and abs(hole.position_mm - after) < _inner_radius_mm(hole):
                    yield (
                        f"{_hole_place(index, hole)}: lies across the step of the bore at {_say(after)}; the "
                        f"prediction takes the bore at its centre, {_say(bore_diameter_mm(model, hole.position_mm))}, "
                        "for the whole hole, so move hole or step if you can"
                    )


def _head_warnings(model: "Model") -> Iterator[str]:
    head, windway = model.head, model.head.windway
    bore = bore_diameter_mm(model, 0.0)
    if windway.width_mm > head.window_width_mm:
        yield (
            f"head.windway.width_mm is {_say(windway.width_mm)}, wider than the window of "
            f"{_say(head.window_width_mm)}; the jet's sides would hit the ears, so narrow the windway"
        )
    if windway.exit_height_mm > windway.entry_height_mm:
        yield (
            f"head.windway.exit_height_mm is {_say(windway.exit_height_mm)}, higher than the entry at "
            f"{_say(windway.entry_height_mm)}; a windway is usually as high or higher at the entry"
        )
    ratio = head.window_length_mm / windway.exit_height_mm
    if not 3.0 <= ratio <= 7.0:
        yield (
            f"head.window_length_mm is {_say(ratio)} times the windway's exit height; 3.5 to 5 is usual, "
            "below 3 the low notes are weak, above 7 the sound is slow"
        )
    if not 0.5 <= head.window_width_mm / bore <= 0.85:
        yield (
            f"head.window_width_mm is {_say(head.window_width_mm / bore)} of the bore at the "
            f"window; 0.6 to 0.75 is "
            "usual"
        )
    view = edge_above_floor_mm(model)
    if view <= 0.0:
        yield (
            f"head.edge_offset_mm is {_say(head.edge_offset_mm)}, so the edge stands {_say(-view)} "
            f"below the line of "
            "the floor; it should be 0.05 to 0.2 above it, so raise the edge"
        )
    elif view > 0.3 * windway.exit_height_mm:
        yield (
            f"head.edge_offset_mm is {_say(head.edge_offset_mm)}, so the edge stands {_say(view)} "
            f"above the line of "
            f"the floor, more than 0.3 of the exit height {_say(windway.exit_height_mm)}; expect "
            f"hiss, lower the edge"
        )
    if not 10.0 <= head.ramp_angle_deg <= 25.0:
        yield (
            f"head.ramp_angle_deg is {_say(head.ramp_angle_deg)}; below 10 the edge is fragile, "
            f"above 25 the tone is "
            "dull, 12 to 20 is usual"
        )
    if head.block_depth_mm < -1.0:
        yield (
            f"head.block_depth_mm is {_say(head.block_depth_mm)}, a recess of more than 1; the "
            f"octaves become narrow, "
            "so set the block within 0.3 of the exit plane"
        )
    if head.block_depth_mm > 0.5 * head.window_length_mm:
        yield (
            f"head.block_depth_mm is {_say(head.block_depth_mm)}, so the block covers more than "
            f"half of the window; "
            "draw it back"
        )
    if head.upper_chamfer.length_mm > 0.25 * head.window_length_mm:
        yield (
            f"head.upper_chamfer.length_mm is {_say(head.upper_chamfer.length_mm)}, more than a "
            f"quarter of the window's "
            f"length {_say(head.window_length_mm)}; expect hiss and a vague attack"
        )
    if head.lower_chamfer.length_mm > 1.5 * head.upper_chamfer.length_mm:
        yield (
            f"head.lower_chamfer.length_mm is {_say(head.lower_chamfer.length_mm)}, more than 1.5 "
            f"times the upper "
            f"chamfer's {_say(head.upper_chamfer.length_mm)}; the jet would tilt toward the bore"
        )
    if head.broken_edge_mm > 0.3:
        yield (
            f"head.broken_edge_mm is {_say(head.broken_edge_mm)}, more than 0.3; the attack is slow "
            f"and needs breath, "
            "0.05 to 0.15 is usual"
        )


def _hole_warnings(model: "Model") -> Iterator[str]:
    limits, foot = model.limits, model.length_mm
    for index, hole in enumerate(model.holes):
        place = _hole_place(index, hole)
        bore = bore_diameter_mm(model, hole.position_mm)
        least = limits.smallest_hole_mm if hole.min_diameter_mm is None else hole.min_diameter_mm
        most = limits.largest_hole_mm if hole.max_diameter_mm is None else hole.max_diameter_mm
        if hole.diameter_mm < least:
            yield f"{place}: diameter_mm is {_say(hole.diameter_mm)}, below the least allowed {_say(least)}"
        if hole.diameter_mm > most:
            yield f"{place}: diameter_mm is {_say(hole.diameter_mm)}, above the most allowed {_say(most)}"
        if hole.diameter_mm > 0.8 * bore:
            yield (
                f"{place}: diameter_mm is {_say(hole.diameter_mm)}, more than 0.8 of the bore of "
                f"{_say(bore)} there; "
                "the drill leaves little bore wall beside the hole"
            )
        if hole.min_position_mm is not None and hole.position_mm < hole.min_position_mm:
            yield (f"{place}: position_mm is {_say(hole.position_mm)}, above its place {_say(hole.min_position_mm)}")
        if hole.max_position_mm is not None and hole.position_mm > hole.max_position_mm:
            yield (f"{place}: position_mm is {_say(hole.position_mm)}, below its place {_say(hole.max_position_mm)}")
        margin = foot - hole.position_mm - 0.5 * hole.diameter_mm
        if margin < limits.foot_margin_mm:
            yield (
                f"{place}: only {_say(margin)} is left between the hole and the foot end; "
                f"limits.foot_margin_mm asks for {_say(limits.foot_margin_mm)}"
            )
    for (i, first), (j, second) in combinations(enumerate(model.holes), 2):
        web, inner = web_mm(model, first, second), _inner_web_mm(model, first, second)
        if web < limits.smallest_web_mm:
            yield (
                f"{_hole_place(j, second)}: the web to {_hole_place(i, first)} is {_say(web)}, less than "
                f"limits.smallest_web_mm {_say(limits.smallest_web_mm)}; move them apart or make them smaller"
            )
        elif inner < 0.5:
            yield (
                f"{_hole_place(j, second)}: its undercut leaves a web of {_say(inner)} to that of "
                f"{_hole_place(i, first)} at the bore, less than 0.5; undercut less or move them apart"
            )
    for key, beyond in (("length_min_mm", -1.0), ("length_max_mm", 1.0)):
        limit = getattr(limits, key)
        if limit is not None and beyond * (foot - limit) > 0.0:
            yield (f"limits.{key} is {_say(limit)}, but the foot end is at {_say(foot)}; change the bore or the limit")


def _reach_warnings(model: "Model") -> Iterator[str]:
    reach = model.limits.reach_mm
    at: dict[str, tuple[int, Hole]] = {
        hole.finger: (index, hole) for index, hole in enumerate(model.holes) if hole.finger
    }
    fingers = [hole.finger for hole in model.holes if hole.finger]
    for finger in sorted({finger for finger in fingers if fingers.count(finger) > 2}):
        yield f'holes: "{finger}" has {fingers.count(finger)} holes; one finger closes one hole or a pair'
    spans = (
        ("index", "middle", "index_middle"),
        ("middle", "ring", "middle_ring"),
        ("ring", "little", "ring_little"),
        ("index", "ring", "three_fingers"),
    )
    for hand in ("left", "right"):
        for one, other, key in spans:
            if f"{hand} {one}" not in at or f"{hand} {other}" not in at:
                continue
            (i, first), (j, second) = at[f"{hand} {one}"], at[f"{hand} {other}"]
            apart, limit = _distance_mm(model, first, second, outside=True), getattr(reach, key)
            if apart > limit:
                yield (
                    f"{_hole_place(j, second)}: is {_say(apart)} from {_hole_place(i, first)}, more than "
                    f"limits.reach_mm.{key} {_say(limit)}; move them nearer, or turn the hole toward the hand"
                )
    if "left ring" in at and "right index" in at:
        (i, upper), (j, lower) = at["left ring"], at["right index"]
        apart = abs(lower.position_mm - upper.position_mm)
        if apart < reach.between_hands_least:
            yield (
                f"{_hole_place(j, lower)}: is {_say(apart)} below {_hole_place(i, upper)}, less than "
                f"limits.reach_mm.between_hands_least {_say(reach.between_hands_least)}; the hands "
                f"would touch"
            )


def _note_warnings(model: "Model") -> Iterator[str]:
    lowest = min((note for notes in model.fingerings.values() for note in notes), key=note_to_midi)
    if note_to_midi(lowest) != note_to_midi(model.model.lowest_note):
        yield (
            f"model.lowest_note is {model.model.lowest_note}, but the lowest fingered note is {lowest}; "
            "change one of them"
        )
