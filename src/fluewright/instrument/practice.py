"""Says what can be made but goes beyond usual practice, the player's reach or the model's own limits."""

from collections.abc import Iterator
from itertools import combinations, pairwise

from fluewright.instrument.parts import Hole, Parts
from fluewright.instrument.pitch import note_to_midi
from fluewright.instrument.places import hole_place, mm
from fluewright.instrument.shape import (
    bore_diameter_mm,
    distance_mm,
    edge_above_floor_mm,
    inner_radius_mm,
    inner_web_mm,
    web_mm,
)

__all__ = ["warnings_for"]


def warnings_for(model: Parts) -> list[str]:
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


def _step_warnings(model: Parts) -> Iterator[str]:
    for key, stations in (("stations_mm", model.bore.stations_mm), ("outside_mm", model.bore.outside_mm)):
        for number, ((before, d_before), (after, d_after)) in enumerate(pairwise(stations), start=2):
            if before != after:
                continue
            if d_before == d_after:
                yield (
                    f"bore.{key}: stations {number - 1} and {number} are the same, [{mm(after)}, {mm(d_after)}]; "
                    "leave one of them out, or give the step its two diameters"
                )
                continue
            for index, hole in enumerate(model.holes):
                if key == "stations_mm" and abs(hole.position_mm - after) < inner_radius_mm(hole):
                    yield (
                        f"{hole_place(index, hole)}: lies across the step of the bore at {mm(after)}; the "
                        f"prediction takes the bore at its centre, {mm(bore_diameter_mm(model, hole.position_mm))}, "
                        "for the whole hole, so move hole or step if you can"
                    )


def _head_warnings(model: Parts) -> Iterator[str]:
    head, windway = model.head, model.head.windway
    bore = bore_diameter_mm(model, 0.0)
    if windway.width_mm > head.window_width_mm:
        yield (
            f"head.windway.width_mm is {mm(windway.width_mm)}, wider than the window of "
            f"{mm(head.window_width_mm)}; the jet's sides would hit the ears, so narrow the windway"
        )
    if windway.exit_height_mm > windway.entry_height_mm:
        yield (
            f"head.windway.exit_height_mm is {mm(windway.exit_height_mm)}, higher than the entry at "
            f"{mm(windway.entry_height_mm)}; a windway is usually as high or higher at the entry"
        )
    ratio = head.window_length_mm / windway.exit_height_mm
    if not 3.0 <= ratio <= 7.0:
        yield (
            f"head.window_length_mm is {mm(ratio)} times the windway's exit height; 3.5 to 5 is usual, "
            "below 3 the low notes are weak, above 7 the sound is slow"
        )
    if not 0.5 <= head.window_width_mm / bore <= 0.85:
        yield (
            f"head.window_width_mm is {mm(head.window_width_mm / bore)} of the bore at the window; 0.6 to 0.75 is usual"
        )
    view = edge_above_floor_mm(head)
    if view <= 0.0:
        yield (
            f"head.edge_offset_mm is {mm(head.edge_offset_mm)}, so the edge stands {mm(-view)} "
            f"below the line of "
            "the floor; it should be 0.05 to 0.2 above it, so raise the edge"
        )
    elif view > 0.3 * windway.exit_height_mm:
        yield (
            f"head.edge_offset_mm is {mm(head.edge_offset_mm)}, so the edge stands {mm(view)} "
            f"above the line of "
            f"the floor, more than 0.3 of the exit height {mm(windway.exit_height_mm)}; expect "
            f"hiss, lower the edge"
        )
    if not 10.0 <= head.ramp_angle_deg <= 25.0:
        yield (
            f"head.ramp_angle_deg is {mm(head.ramp_angle_deg)}; below 10 the edge is fragile, "
            f"above 25 the tone is "
            "dull, 12 to 20 is usual"
        )
    if head.block_depth_mm < -1.0:
        yield (
            f"head.block_depth_mm is {mm(head.block_depth_mm)}, a recess of more than 1; the "
            f"octaves become narrow, "
            "so set the block within 0.3 of the exit plane"
        )
    if head.block_depth_mm > 0.5 * head.window_length_mm:
        yield (
            f"head.block_depth_mm is {mm(head.block_depth_mm)}, so the block covers more than "
            f"half of the window; "
            "draw it back"
        )
    if head.upper_chamfer.length_mm > 0.25 * head.window_length_mm:
        yield (
            f"head.upper_chamfer.length_mm is {mm(head.upper_chamfer.length_mm)}, more than a "
            f"quarter of the window's "
            f"length {mm(head.window_length_mm)}; expect hiss and a vague attack"
        )
    if head.lower_chamfer.length_mm > 1.5 * head.upper_chamfer.length_mm:
        yield (
            f"head.lower_chamfer.length_mm is {mm(head.lower_chamfer.length_mm)}, more than 1.5 "
            f"times the upper "
            f"chamfer's {mm(head.upper_chamfer.length_mm)}; the jet would tilt toward the bore"
        )
    if head.broken_edge_mm > 0.3:
        yield (
            f"head.broken_edge_mm is {mm(head.broken_edge_mm)}, more than 0.3; the attack is slow "
            f"and needs breath, "
            "0.05 to 0.15 is usual"
        )


def _hole_warnings(model: Parts) -> Iterator[str]:
    limits, foot = model.limits, model.length_mm
    for index, hole in enumerate(model.holes):
        place = hole_place(index, hole)
        bore = bore_diameter_mm(model, hole.position_mm)
        least = limits.smallest_hole_mm if hole.min_diameter_mm is None else hole.min_diameter_mm
        most = limits.largest_hole_mm if hole.max_diameter_mm is None else hole.max_diameter_mm
        if hole.diameter_mm < least:
            yield f"{place}: diameter_mm is {mm(hole.diameter_mm)}, below the least allowed {mm(least)}"
        if hole.diameter_mm > most:
            yield f"{place}: diameter_mm is {mm(hole.diameter_mm)}, above the most allowed {mm(most)}"
        if hole.diameter_mm > 0.8 * bore:
            yield (
                f"{place}: diameter_mm is {mm(hole.diameter_mm)}, more than 0.8 of the bore of "
                f"{mm(bore)} there; "
                "the drill leaves little bore wall beside the hole"
            )
        if hole.min_position_mm is not None and hole.position_mm < hole.min_position_mm:
            yield (f"{place}: position_mm is {mm(hole.position_mm)}, above its place {mm(hole.min_position_mm)}")
        if hole.max_position_mm is not None and hole.position_mm > hole.max_position_mm:
            yield (f"{place}: position_mm is {mm(hole.position_mm)}, below its place {mm(hole.max_position_mm)}")
        margin = foot - hole.position_mm - 0.5 * hole.diameter_mm
        if margin < limits.foot_margin_mm:
            yield (
                f"{place}: only {mm(margin)} is left between the hole and the foot end; "
                f"limits.foot_margin_mm asks for {mm(limits.foot_margin_mm)}"
            )
    for (i, first), (j, second) in combinations(enumerate(model.holes), 2):
        web, inner = web_mm(model, first, second), inner_web_mm(model, first, second)
        if web < limits.smallest_web_mm:
            yield (
                f"{hole_place(j, second)}: the web to {hole_place(i, first)} is {mm(web)}, less than "
                f"limits.smallest_web_mm {mm(limits.smallest_web_mm)}; move them apart or make them smaller"
            )
        elif inner < 0.5:
            yield (
                f"{hole_place(j, second)}: its undercut leaves a web of {mm(inner)} to that of "
                f"{hole_place(i, first)} at the bore, less than 0.5; undercut less or move them apart"
            )
    for key, beyond in (("length_min_mm", -1.0), ("length_max_mm", 1.0)):
        limit = getattr(limits, key)
        if limit is not None and beyond * (foot - limit) > 0.0:
            yield (f"limits.{key} is {mm(limit)}, but the foot end is at {mm(foot)}; change the bore or the limit")


def _reach_warnings(model: Parts) -> Iterator[str]:
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
            apart, limit = distance_mm(model, first, second, outside=True), getattr(reach, key)
            if apart > limit:
                yield (
                    f"{hole_place(j, second)}: is {mm(apart)} from {hole_place(i, first)}, more than "
                    f"limits.reach_mm.{key} {mm(limit)}; move them nearer, or turn the hole toward the hand"
                )
    if "left ring" in at and "right index" in at:
        (i, upper), (j, lower) = at["left ring"], at["right index"]
        apart = abs(lower.position_mm - upper.position_mm)
        if apart < reach.between_hands_least:
            yield (
                f"{hole_place(j, lower)}: is {mm(apart)} below {hole_place(i, upper)}, less than "
                f"limits.reach_mm.between_hands_least {mm(reach.between_hands_least)}; the hands "
                f"would touch"
            )


def _note_warnings(model: Parts) -> Iterator[str]:
    lowest = min((note for notes in model.fingerings.values() for note in notes), key=note_to_midi)
    if note_to_midi(lowest) != note_to_midi(model.model.lowest_note):
        yield (
            f"model.lowest_note is {model.model.lowest_note}, but the lowest fingered note is {lowest}; "
            "change one of them"
        )
