"""Says what in an instrument of these sizes cannot be: every fault with key, value, limit and mend."""

import difflib
import math
from collections.abc import Iterator, Sequence
from itertools import combinations, pairwise

import numpy as np

from fluewright.errors import InputError
from fluewright.instrument.fingering import parse_holes
from fluewright.instrument.parts import Hole, Parts
from fluewright.instrument.pitch import note_to_midi
from fluewright.instrument.places import hole_place, mm
from fluewright.instrument.shape import (
    Side,
    abreast_mm,
    bore_diameter_mm,
    crown_height_mm,
    edge_height_mm,
    inner_radius_mm,
    inner_web_mm,
    outer_web_mm,
    outside_diameter_mm,
    ramp_end_mm,
    wall_mm,
    web_mm,
)  # fmt: skip

__all__ = ["find_faults"]

_SAME_MM = 1e-6
_SHORTEST_CONE_MM = 0.05
_NARROWEST_BORE_MM, _WIDEST_BORE_MM = 2.0, 100.0


def find_faults(model: Parts) -> list[str]:
    """Return every fault that makes the model impossible, naming key, value, limit and mend."""
    faults = [*_profile_faults(model)]
    if not faults:
        # Everything else is measured along the profiles, so it can be judged only once they are sound.
        faults = [*_head_faults(model), *_hole_faults(model)]
    return [*faults, *_fingering_faults(model), *_limit_faults(model)]


def _profile_faults(model: Parts) -> Iterator[str]:
    bore, outside = model.bore.stations_mm, model.bore.outside_mm
    places = [*_station_faults("stations_mm", bore), *_station_faults("outside_mm", outside)]
    if places:
        yield from places
        return
    for number, (_, diameter) in enumerate(bore, start=1):
        if not _NARROWEST_BORE_MM <= diameter <= _WIDEST_BORE_MM:
            mend = "widen it" if diameter < _NARROWEST_BORE_MM else "make it narrower"
            yield (
                f"bore.stations_mm: station {number} has the diameter {mm(diameter)}, outside the "
                f"{mm(_NARROWEST_BORE_MM)} to {mm(_WIDEST_BORE_MM)} that a bore may have; {mend}, and check that "
                "it is in mm"
            )
    start = min(0.0, model.head.block_depth_mm)
    if bore[0][0] > start:
        yield (
            f"bore.stations_mm: the first station is at x = {mm(bore[0][0])}, below the block "
            f"face at {mm(start)}; "
            f"begin the bore at {mm(start)} or further up"
        )
    if outside[0][0] > start:
        yield (
            f"bore.outside_mm: the first station is at x = {mm(outside[0][0])}, below the block face at "
            f"{mm(start)}; begin the outside at {mm(start)} or further up"
        )
    foot = bore[-1][0]
    if abs(outside[-1][0] - foot) > _SAME_MM:
        yield (
            f"bore.outside_mm: the last station is at x = {mm(outside[-1][0])}, but the bore ends "
            f"at {mm(foot)}; "
            "end both at the foot"
        )
        return
    edge = model.head.window_length_mm
    if foot <= edge:
        yield (
            f"bore.stations_mm: the foot end at {mm(foot)} is not beyond the edge at {mm(edge)} "
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
            f"bore.outside_mm: at x = {mm(x)}{where} the outside is "
            f"{mm(outside_diameter_mm(model, x, side=side))} and the bore "
            f"{mm(bore_diameter_mm(model, x, side=side))}, so no wall is left; make the outside larger or "
            f"the bore smaller"
        )


def _station_faults(key: str, stations: Sequence[tuple[float, float]]) -> Iterator[str]:
    last = len(stations)
    for number, ((before, d_before), (after, d_after)) in enumerate(pairwise(stations), start=2):
        if after < before:
            yield (
                f"bore.{key}: station {number} is at x = {mm(after)}, not beyond station {number - 1} at "
                f"{mm(before)}; list the stations from head to foot (two with the same x are a step)"
            )
        elif after == before and number > 2 and stations[number - 3][0] == after:
            yield (
                f"bore.{key}: stations {number - 2}, {number - 1} and {number} are all at x = {mm(after)}; "
                "a step has two stations, the diameter before it and the one behind it: leave the others out"
            )
        elif after == before and number in (2, last):
            yield (
                f"bore.{key}: stations {number - 1} and {number} are both at x = {mm(after)}, the "
                f"{'first' if number == 2 else 'last'} place; a step (two stations with the same x) lies between the "
                "ends, so leave one of them out"
            )
        elif 0.0 < after - before < _SHORTEST_CONE_MM and d_before != d_after:
            yield (
                f"bore.{key}: from station {number - 1} to {number} the diameter goes from {mm(d_before)} to "
                f"{mm(d_after)} within {mm(after - before)}, less than {mm(_SHORTEST_CONE_MM)}; write a step: "
                f"two stations with the same x, [{mm(after)}, {mm(d_before)}], [{mm(after)}, {mm(d_after)}]"
            )


def _head_faults(model: Parts) -> Iterator[str]:
    head = model.head
    if head.block_depth_mm >= head.window_length_mm:
        yield (
            f"head.block_depth_mm is {mm(head.block_depth_mm)}, so the block covers the whole window of "
            f"{mm(head.window_length_mm)} (head.window_length_mm); draw the block back"
        )
    narrowest = min(bore_diameter_mm(model, 0.0), bore_diameter_mm(model, head.window_length_mm))
    if head.window_width_mm >= narrowest:
        yield (
            f"head.window_width_mm is {mm(head.window_width_mm)}, not less than the bore of "
            f"{mm(narrowest)} at the "
            "window; make the window narrower (0.6 to 0.75 of the bore is usual)"
        )
    if head.windway.width_mm >= narrowest:
        yield (
            f"head.windway.width_mm is {mm(head.windway.width_mm)}, not less than the bore of "
            f"{mm(narrowest)} at "
            "the window; make the windway narrower (as wide as the window, or 0.3 less)"
        )
    for name, chamfer in (("upper_chamfer", head.upper_chamfer), ("lower_chamfer", head.lower_chamfer)):
        along = chamfer.length_mm * math.cos(math.radians(chamfer.angle_deg))
        if along >= head.windway.length_mm:
            yield (
                f"head.{name}.length_mm is {mm(chamfer.length_mm)}, longer than the windway of "
                f"{mm(head.windway.length_mm)}; shorten the chamfer"
            )
    yield from _windway_faults(model)
    yield from _edge_faults(model)


def _windway_faults(model: Parts) -> Iterator[str]:
    head, way = model.head, model.head.windway
    floor, bore = way.floor_height_mm, bore_diameter_mm(model, 0.0)
    at_exit, at_entry = crown_height_mm(model, 0.0), crown_height_mm(model, -way.length_mm)
    roof, entry = floor + way.exit_height_mm, floor + way.entry_height_mm + way.entry_flare_mm
    # A flat slit as wide as this meets the bore's wall so far below the top line.
    sag = 0.5 * (bore - math.sqrt(max(bore**2 - way.width_mm**2, 0.0)))
    if floor >= at_exit:
        yield (
            f"head.windway.floor_height_mm is {mm(floor)}, so the floor lies outside the body, which reaches "
            f"{mm(at_exit)} above the bore at the exit; lower the floor or make the head thicker"
        )
    elif roof > at_exit + _SAME_MM:
        yield (
            f"head.windway.exit_height_mm is {mm(way.exit_height_mm)}, so the roof at the exit lies {mm(roof)} "
            f"above the bore, outside the body, which reaches {mm(at_exit)}; lower floor or roof, or make the head "
            "thicker"
        )
    elif entry > at_entry + _SAME_MM:
        key = "entry_flare_mm" if entry - way.entry_flare_mm <= at_entry + _SAME_MM else "entry_height_mm"
        yield (
            f"head.windway.{key} is {mm(getattr(way, key))}, so the roof at the entry lies {mm(entry)} above the "
            f"bore, outside the body, which reaches {mm(at_entry)}; lower floor or roof, or make the head thicker"
        )
    if roof < -sag - _SAME_MM:
        yield (
            f"head.windway.floor_height_mm is {mm(floor)}, so even the roof at the exit lies {mm(-roof)} below "
            f"the bore's top line, inside the bore; raise the floor to {mm(-sag - way.exit_height_mm)} or more"
        )
    if way.entry_flare_mm > way.length_mm:
        yield (
            f"head.windway.entry_flare_mm is {mm(way.entry_flare_mm)}, longer than the windway of "
            f"{mm(way.length_mm)} (head.windway.length_mm); make the flare smaller"
        )
    if head.block_depth_mm <= -way.length_mm:
        yield (
            f"head.block_depth_mm is {mm(head.block_depth_mm)}, so the recess is as deep as the windway is long, "
            f"{mm(way.length_mm)} (head.windway.length_mm), and no block is left; push the block in"
        )
    rise = head.upper_chamfer.length_mm * math.sin(math.radians(head.upper_chamfer.angle_deg))
    if rise > 0.0 and roof + rise >= at_exit:
        yield (
            f"head.upper_chamfer.length_mm is {mm(head.upper_chamfer.length_mm)}, so it rises {mm(rise)} above the "
            f"roof, through the wall, of which {mm(max(at_exit - roof, 0.0))} is left there; shorten the chamfer"
        )
    drop = head.lower_chamfer.length_mm * math.sin(math.radians(head.lower_chamfer.angle_deg))
    if drop > 0.0 and drop >= bore + floor:
        yield (
            f"head.lower_chamfer.length_mm is {mm(head.lower_chamfer.length_mm)}, so it drops {mm(drop)} below the "
            f"floor, through the whole block of {mm(bore + floor)}; shorten the chamfer"
        )


def _edge_faults(model: Parts) -> Iterator[str]:
    head = model.head
    edge, above, radius = head.window_length_mm, edge_height_mm(head), 0.5 * bore_diameter_mm(model, 0.0)
    crown, wall = crown_height_mm(model, edge), wall_mm(model, edge)
    if head.broken_edge_mm >= edge:
        yield (
            f"head.broken_edge_mm is {mm(head.broken_edge_mm)}, not less than the window's length of {mm(edge)} "
            "(head.window_length_mm); break the edge less (0.05 to 0.15 is usual)"
        )
    elif head.broken_edge_mm >= wall:
        yield (
            f"head.broken_edge_mm is {mm(head.broken_edge_mm)}, not less than the wall of {mm(wall)} at the edge; "
            "break the edge less (0.05 to 0.15 is usual)"
        )
    elif above + head.broken_edge_mm >= crown:
        yield (
            f"head.edge_offset_mm is {mm(head.edge_offset_mm)}, so the edge would stand {mm(above)} above the "
            f"bore, outside the wall, which reaches {mm(crown)}; lower the edge or the windway, or make the head "
            "thicker"
        )
    if above < -radius:
        yield (
            f"head.edge_offset_mm is {mm(head.edge_offset_mm)}, so the edge would stand {mm(-above)} below the "
            f"bore's top line, beyond the bore's axis at {mm(radius)}; raise the edge or the windway"
        )
    most = max(wall_mm(model, 0.0), wall)
    if head.ear_height_mm is not None and head.ear_height_mm > most + _SAME_MM:
        yield (
            f"head.ear_height_mm is {mm(head.ear_height_mm)}, higher than the body's wall of {mm(most)} at the "
            "window; make the ears lower, or leave the key out for ears as high as the wall"
        )


def _hole_faults(model: Parts) -> Iterator[str]:
    foot, edge = model.length_mm, model.head.window_length_mm
    seen: dict[str, int] = {}
    for index, hole in enumerate(model.holes):
        place = hole_place(index, hole)
        if hole.name in seen:
            yield (f"{place}: the name is also that of holes.{seen[hole.name] + 1}; give each hole its own name")
        seen.setdefault(hole.name, index)
        low, high = hole.position_mm - 0.5 * hole.diameter_mm, hole.position_mm + 0.5 * hole.diameter_mm
        if hole.position_mm >= foot:
            yield (
                f"{place}: position_mm is {mm(hole.position_mm)}, beyond the foot end at {mm(foot)}; "
                "move the hole or lengthen the bore"
            )
        elif high > foot:
            yield (
                f"{place}: the hole's lower edge is at {mm(high)}, beyond the foot end at {mm(foot)}; "
                "move the hole, make it smaller or lengthen the bore"
            )
        if low < edge:
            yield (
                f"{place}: the hole's upper edge is at {mm(low)}, over the window, which ends at "
                f"{mm(edge)}; "
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
                f"{hole_place(index, after)}: position_mm is {mm(after.position_mm)}, above the "
                f"hole before it at "
                f"{mm(before.position_mm)}; list the holes from head to foot and match the fingerings"
            )
    for (i, first), (j, second) in combinations(enumerate(model.holes), 2):
        web = web_mm(model, first, second)
        if web <= 0.0:
            yield (
                f"{hole_place(j, second)}: overlaps {hole_place(i, first)} by {mm(-web)} at the bore; "
                "move them apart along or round the body, or make them smaller"
            )
            continue
        inner, outer = inner_web_mm(model, first, second), outer_web_mm(model, first, second)
        if inner <= 0.0:
            yield (
                f"{hole_place(j, second)}: with undercut and inner_chamfer_mm it overlaps {hole_place(i, first)} by "
                f"{mm(-inner)} at the bore; undercut less or move them apart"
            )
        if outer < 0.0:
            yield (
                f"{hole_place(j, second)}: with outer_round_mm it overlaps {hole_place(i, first)} by "
                f"{mm(-outer)} on the outside; round the rims less or move them apart"
            )


def _reaching_faults(model: Parts, place: str, hole: Hole) -> Iterator[str]:
    """Yield what undercut, chamfer and rim of a hole run into: foot, window, ramp."""
    foot, edge = model.length_mm, model.head.window_length_mm
    inner, rim = inner_radius_mm(hole), 0.5 * hole.diameter_mm + hole.outer_round_mm
    lowest = hole.position_mm + inner + hole.undercut.downstream_mm
    highest = hole.position_mm - inner - hole.undercut.upstream_mm
    if lowest > foot:
        yield (
            f"{place}: undercut and inner_chamfer_mm reach to {mm(lowest)}, beyond the foot end at {mm(foot)}; "
            "undercut less toward the foot"
        )
    if highest < edge and math.cos(math.radians(hole.angle_deg)) > 0.0:
        yield (
            f"{place}: undercut and inner_chamfer_mm reach up to {mm(highest)}, into the window, which ends at "
            f"{mm(edge)}; undercut less toward the head"
        )
    if hole.position_mm + rim > foot:
        yield (
            f"{place}: outer_round_mm reaches to {mm(hole.position_mm + rim)}, beyond the foot end at "
            f"{mm(foot)}; round the rim less"
        )
    # Beside the ramp, as far round the body as the window is wide, the outside is free.
    turned = (
        0.5 * outside_diameter_mm(model, hole.position_mm) * abs(math.radians(math.remainder(hole.angle_deg, 360.0)))
    )
    ramp = ramp_end_mm(model)
    if hole.position_mm - rim < ramp and turned - rim < 0.5 * model.head.window_width_mm:
        yield (
            f"{place}: its rim (outer_round_mm {mm(hole.outer_round_mm)}) begins at {mm(hole.position_mm - rim)}, "
            f"on the window's ramp, which ends at {mm(ramp)}; move the hole toward the foot, round it less or make "
            "the ramp steeper (head.ramp_angle_deg)"
        )


def _one_hole_faults(model: Parts, place: str, hole: Hole) -> Iterator[str]:
    bore, wall = bore_diameter_mm(model, hole.position_mm), wall_mm(model, hole.position_mm)
    if hole.diameter_mm >= bore:
        yield (
            f"{place}: diameter_mm is {mm(hole.diameter_mm)}, not less than the bore of "
            f"{mm(bore)} there; "
            "make the hole smaller"
        )
    elif 2.0 * inner_radius_mm(hole) >= bore:
        yield (
            f"{place}: with undercut and inner_chamfer_mm it is {mm(2.0 * inner_radius_mm(hole))} wide at the bore, "
            f"not less than the bore of {mm(bore)} there; undercut less"
        )
    if hole.outer_round_mm + hole.inner_chamfer_mm > wall:
        yield (
            f"{place}: outer_round_mm {mm(hole.outer_round_mm)} and inner_chamfer_mm "
            f"{mm(hole.inner_chamfer_mm)} "
            f"are together more than the wall of {mm(wall)}; make them smaller"
        )
    for key in ("diameter_mm", "position_mm"):
        least, most = getattr(hole, f"min_{key}"), getattr(hole, f"max_{key}")
        if least is not None and most is not None and least > most:
            yield f"{place}: min_{key} is {mm(least)}, above max_{key} {mm(most)}; swap or widen them"


def _fingering_faults(model: Parts) -> Iterator[str]:
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


def _limit_faults(model: Parts) -> Iterator[str]:
    limits = model.limits
    if limits.smallest_hole_mm > limits.largest_hole_mm:
        yield (
            f"limits.smallest_hole_mm is {mm(limits.smallest_hole_mm)}, above limits.largest_hole_mm "
            f"{mm(limits.largest_hole_mm)}; swap them"
        )
    if (
        limits.length_min_mm is not None
        and limits.length_max_mm is not None
        and limits.length_min_mm > limits.length_max_mm
    ):
        yield (
            f"limits.length_min_mm is {mm(limits.length_min_mm)}, above limits.length_max_mm "
            f"{mm(limits.length_max_mm)}; swap them"
        )
    for number, key in enumerate(limits.fixed, start=1):
        problem = _fixed_problem(model, key)
        if problem:
            yield f'limits.fixed.{number} is "{key}": {problem}'


def _fixed_problem(model: Parts, key: str) -> str:
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
