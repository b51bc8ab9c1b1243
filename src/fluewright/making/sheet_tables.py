"""Every size of a model as the workshop sheet prints it, in tables from one datum."""

import math
from collections.abc import Sequence

from fluewright.instrument.fingering import fingerings_of
from fluewright.instrument.model import Model
from fluewright.instrument.shape import bore_diameter_mm, edge_above_floor_mm, outside_diameter_mm, wall_mm
from fluewright.instrument.temperament import target_frequency_hz
from fluewright.making.tables import Table, TableGroup
from fluewright.pictures.numerals import fixed, general

__all__ = ["sheet_tables"]


def sheet_tables(model: Model) -> tuple[TableGroup, ...]:
    """Return the tables of bore, outside, head and windway, holes, and targets.

    Lengths are mm with two decimals (bore diameters three), x from the windway's exit plane toward the foot.
    """
    return (_bore_group(model), _outside_group(model), _head_group(model), _hole_group(model), _target_group(model))


def _beside(table: Table, most_columns: int, least_rows: int) -> list[Table]:
    """Set a long narrow table in parts beside each other."""
    return table.cut(max(1, min(most_columns, math.ceil(len(table.rows) / least_rows))))


def _bore_group(model: Model) -> TableGroup:
    first_outside = model.bore.outside_mm[0][0]
    places = [x for x, _ in model.bore.stations_mm]
    rows = []
    for i, (x, diameter) in enumerate(model.bore.stations_mm):
        before_step = x in places[i + 1 : i + 2]
        wall = fixed(wall_mm(model, x, side="head" if before_step else "foot")) if x >= first_outside else "–"
        rows.append([fixed(x), fixed(diameter, 3), wall])
    note = "Straight lines between the stations. The last one is the foot end."
    if len(set(places)) < len(places):
        note += " The same x twice: a step in diameter."
    return TableGroup("Bore", _beside(Table(["x", "⌀ bore", "wall"], rows), 4, 8), note)


def _outside_group(model: Model) -> TableGroup:
    rows = [[fixed(x), fixed(diameter)] for x, diameter in model.bore.outside_mm]
    return TableGroup("Outside", _beside(Table(["x", "⌀ outside"], rows), 4, 8))


def _head_group(model: Model) -> TableGroup:
    head, way = model.head, model.head.windway
    upper, lower = head.upper_chamfer, head.lower_chamfer
    left = [
        ["window, exit plane to edge", fixed(head.window_length_mm)],
        ["window width", fixed(head.window_width_mm)],
        ["ramp angle, °", fixed(head.ramp_angle_deg, 1)],
        ["ears, height", "as the wall" if head.ear_height_mm is None else fixed(head.ear_height_mm)],
        ["edge from windway centre line", fixed(head.edge_offset_mm)],
        ["edge above windway floor", fixed(edge_above_floor_mm(head))],
        ["block face at x", fixed(head.block_depth_mm)],
        ["broken edges", fixed(head.broken_edge_mm)],
    ]
    right = [
        ["windway length", fixed(way.length_mm)],
        ["windway width", fixed(way.width_mm)],
        ["entry height", fixed(way.entry_height_mm)],
        ["exit height", fixed(way.exit_height_mm)],
        ["entry flare", fixed(way.entry_flare_mm)],
        ["floor above bore line at exit", fixed(way.floor_height_mm)],
        ["upper chamfer, along flat × °", f"{fixed(upper.length_mm)} × {general(upper.angle_deg)}"],
        ["lower chamfer, along flat × °", f"{fixed(lower.length_mm)} × {general(lower.angle_deg)}"],
    ]
    note = (
        "Edge offset: negative = toward the bore. Block face: positive = reaches under the window. "
        f"Bore at the exit plane ⌀ {fixed(bore_diameter_mm(model, 0.0))}, outside ⌀ "
        f"{fixed(outside_diameter_mm(model, 0.0))}."
    )
    return TableGroup(
        "Head and windway", [Table(["head", "mm"], left, (0,)), Table(["windway", "mm"], right, (0,))], note
    )


_HOLE_COLUMNS = (
    "hole", "x", "°", "⌀", "wall", "outer r.", "inner ch.", "waist", "undercut", "up", "down", "cut °", "finger",
)  # fmt: skip


def _hole_rows(model: Model) -> Sequence[Sequence[str]]:
    return [
        [
            hole.name, fixed(hole.position_mm), general(hole.angle_deg), fixed(hole.diameter_mm),
            fixed(wall_mm(model, hole.position_mm)), fixed(hole.outer_round_mm), fixed(hole.inner_chamfer_mm),
            fixed(hole.waist_mm), fixed(hole.undercut.all_round_mm), fixed(hole.undercut.upstream_mm),
            fixed(hole.undercut.downstream_mm), general(hole.undercut.angle_deg), hole.finger or "–",
        ]
        for hole in model.holes
    ]  # fmt: skip


def _hole_group(model: Model) -> TableGroup:
    if not model.holes:
        return TableGroup("Holes", [], "No holes.")
    note = (
        "x to the hole's centre at the outside; ° round the body from the window side, growing clockwise seen from "
        "the head, 180 = thumb side; ⌀ drill, at the waist where there is one; waist: how much wider in "
        "radius both ends are; undercut: widening at the bore all round, more toward the head (up) and the foot "
        "(down), and its angle."
    )
    return TableGroup("Holes", [Table(_HOLE_COLUMNS, _hole_rows(model), (0, 12))], note)


def _target_group(model: Model) -> TableGroup:
    target, air = model.target, model.conditions
    rows: dict[tuple[int, str], list[str]] = {}
    for fingering in fingerings_of(model):
        hertz = target_frequency_hz(target, fingering.note, model.model.lowest_note)
        row = [fingering.note, str(fingering.register), fixed(hertz), fingering.text]
        rows.setdefault((fingering.register, fingering.note), row)
    temperament: str = target.temperament
    if target.temperament == "just":
        temperament += f" on {target.tonic or model.model.lowest_note}"
    note = (
        f"A4 = {general(target.a4_hz)} Hz, temperament {temperament}, at {general(air.temperature_c)} °C, "
        f"{fixed(100.0 * air.relative_humidity, 0)} % relative humidity, {fixed(air.pressure_pa / 100.0, 0)} hPa; "
        f"breath on the lowest note {general(target.breath.lowest_note_pa)} Pa, rising with frequency to the power "
        f"{general(target.breath.exponent)}; tolerance ±{general(target.tolerance_cents)} cents. Fingerings head to "
        "foot: c closed, h half, o open."
    )
    return TableGroup("Targets", _beside(Table(["note", "reg.", "Hz", "fingering"], list(rows.values())), 3, 6), note)
