"""Says whether an instrument of these sizes can exist, and what in it goes beyond usual practice."""

import difflib
import math
from collections.abc import Iterable, Iterator
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, overload

import numpy as np
from numpy.typing import NDArray

from fluewright.errors import InputError
from fluewright.instrument.fingering import parse_holes
from fluewright.instrument.pitch import note_to_midi

if TYPE_CHECKING:
    from fluewright.instrument.model import Hole, Model

__all__ = [
    "bore_diameter_mm",
    "check_geometry",
    "edge_above_floor_mm",
    "outside_diameter_mm",
    "wall_mm",
    "warnings_for",
    "web_mm",
]

_SAME_MM = 1e-6


def _say(value: float) -> str:
    return str(round(float(value), 4))


def _hole_place(index: int, hole: "Hole") -> str:
    return f'holes.{index + 1} (name "{hole.name}")'


def _profile(stations: Iterable[tuple[float, float]]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    table = np.array(tuple(stations), dtype=np.float64)
    return table[:, 0], table[:, 1]


@overload
def bore_diameter_mm(model: "Model", x: float) -> float: ...
@overload
def bore_diameter_mm(model: "Model", x: NDArray[np.float64]) -> NDArray[np.float64]: ...
def bore_diameter_mm(model: "Model", x: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Return the bore diameter in mm at ``x`` mm; beyond the bore's ends the end diameter holds."""
    at = np.interp(x, *_profile(model.bore.stations_mm))
    return at if isinstance(x, np.ndarray) else float(at)


@overload
def outside_diameter_mm(model: "Model", x: float) -> float: ...
@overload
def outside_diameter_mm(model: "Model", x: NDArray[np.float64]) -> NDArray[np.float64]: ...
def outside_diameter_mm(model: "Model", x: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Return the outside diameter in mm at ``x`` mm; beyond its ends the end diameter holds."""
    at = np.interp(x, *_profile(model.bore.outside_mm))
    return at if isinstance(x, np.ndarray) else float(at)


@overload
def wall_mm(model: "Model", x: float) -> float: ...
@overload
def wall_mm(model: "Model", x: NDArray[np.float64]) -> NDArray[np.float64]: ...
def wall_mm(model: "Model", x: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Return the wall thickness in mm at ``x`` mm from the exit plane."""
    if isinstance(x, np.ndarray):
        return 0.5 * (outside_diameter_mm(model, x) - bore_diameter_mm(model, x))
    return 0.5 * (outside_diameter_mm(model, x) - bore_diameter_mm(model, x))


def edge_above_floor_mm(model: "Model") -> float:
    """Return how far the edge stands above the line of the windway's floor, in mm (the view)."""
    return 0.5 * model.head.windway.exit_height_mm + model.head.edge_offset_mm


def _turn_rad(first: "Hole", second: "Hole") -> float:
    return abs(math.radians(math.remainder(first.angle_deg - second.angle_deg, 360.0)))


def _distance_mm(model: "Model", first: "Hole", second: "Hole", *, outside: bool) -> float:
    middle = 0.5 * (first.position_mm + second.position_mm)
    diameter = outside_diameter_mm(model, middle) if outside else bore_diameter_mm(model, middle)
    return math.hypot(second.position_mm - first.position_mm, 0.5 * diameter * _turn_rad(first, second))


def web_mm(model: "Model", first: "Hole", second: "Hole") -> float:
    """Return the least web in mm between the edges of two holes, measured round the bore.

    Holes are drilled toward the axis, so their centres are nearest at the bore; the unrolled bore surface
    is taken
    at the mean position. Negative when they overlap. Undercuts are not counted.
    """
    apart = _distance_mm(model, first, second, outside=False)
    return apart - 0.5 * (first.diameter_mm + second.diameter_mm)


def _undercut_web_mm(model: "Model", upper: "Hole", lower: "Hole") -> float:
    reach_down = upper.undercut.all_round_mm + upper.undercut.downstream_mm
    reach_up = lower.undercut.all_round_mm + lower.undercut.upstream_mm
    return web_mm(model, upper, lower) - reach_down - reach_up


def check_geometry(model: "Model") -> list[str]:
    """Return every fault that makes the model impossible, naming key, value, limit and mend."""
    faults = [*_profile_faults(model)]
    if not faults:
        # Everything else is measured along the profiles, so it can be judged only once they are sound.
        faults = [*_head_faults(model), *_hole_faults(model)]
    return [*faults, *_fingering_faults(model), *_limit_faults(model)]


def _profile_faults(model: "Model") -> Iterator[str]:
    bore, outside = model.bore.stations_mm, model.bore.outside_mm
    sound = True
    for key, stations in (("stations_mm", bore), ("outside_mm", outside)):
        for number, ((before, _), (after, _)) in enumerate(pairwise(stations), start=2):
            if after <= before:
                sound = False
                yield (
                    f"bore.{key}: station {number} is at x = {_say(after)}, not beyond station "
                    f"{number - 1} at "
                    f"{_say(before)}; list the stations from head to foot, each x once"
                )
    if not sound:
        return
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
    places = np.unique([x for x, _ in (*bore, *outside) if x >= max(bore[0][0], outside[0][0])])
    walls = wall_mm(model, places)
    worst = int(np.argmin(walls))
    if walls[worst] <= 0.0:
        x = float(places[worst])
        yield (
            f"bore.outside_mm: at x = {_say(x)} the outside is "
            f"{_say(outside_diameter_mm(model, x))} and the bore "
            f"{_say(bore_diameter_mm(model, x))}, so no wall is left; make the outside larger or "
            f"the bore smaller"
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
    for index, (before, after) in enumerate(pairwise(model.holes), start=1):
        # A hole beyond the foot has been named already; where it belongs in the order is not known.
        if after.position_mm < before.position_mm < foot:
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


def _one_hole_faults(model: "Model", place: str, hole: "Hole") -> Iterator[str]:
    bore, wall = bore_diameter_mm(model, hole.position_mm), wall_mm(model, hole.position_mm)
    if hole.diameter_mm >= bore:
        yield (
            f"{place}: diameter_mm is {_say(hole.diameter_mm)}, not less than the bore of "
            f"{_say(bore)} there; "
            "make the hole smaller"
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
    return [*_head_warnings(model), *_hole_warnings(model), *_reach_warnings(model), *_note_warnings(model)]


def _head_warnings(model: "Model") -> Iterator[str]:
    head, windway = model.head, model.head.windway
    bore = bore_diameter_mm(model, 0.0)
    wall = wall_mm(model, head.window_length_mm)
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
    edge_height = windway.floor_height_mm + view
    if edge_height >= wall:
        yield (
            f"head.edge_offset_mm: the edge would stand {_say(edge_height)} above the bore, outside "
            f"the wall of "
            f"{_say(wall)}; lower the edge or the windway, or make the head thicker"
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
        web, undercut_web = web_mm(model, first, second), _undercut_web_mm(model, first, second)
        if web < limits.smallest_web_mm:
            yield (
                f"{_hole_place(j, second)}: the web to {_hole_place(i, first)} is {_say(web)}, less than "
                f"limits.smallest_web_mm {_say(limits.smallest_web_mm)}; move them apart or make them smaller"
            )
        elif undercut_web <= 0.0:
            yield (
                f"{_hole_place(j, second)}: its undercut meets that of {_hole_place(i, first)} at the bore; "
                "undercut less or move them apart"
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
