"""What the bench needs on paper for one model: scaled drawings, tables of sizes, the hole template at 1:1."""

import math
import re
from collections.abc import Sequence
from pathlib import Path

from fluewright.instrument.fingering import fingerings_of
from fluewright.instrument.model import Model
from fluewright.instrument.shape import bore_diameter_mm, edge_above_floor_mm, outside_diameter_mm, wall_mm
from fluewright.instrument.temperament import target_frequency_hz
from fluewright.making.paper import write_pdf
from fluewright.making.template import OVERLAP_MM, check_rule, template_sheets
from fluewright.pictures.body import head_end_mm
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.results import NoteMark
from fluewright.pictures.section import head_section
from fluewright.pictures.views import fitting_scale, side_view, top_view

__all__ = ["CAUTIONS", "DATUM_WORDS", "write_sheet"]

DATUM_WORDS = "All axial sizes in mm from one datum: the exit plane of the windway, x = 0, growing toward the foot."
CAUTIONS = (
    ("Machine.", "Dry run first, above the work. Check stock, clamping and clearance. The operator decides; "
        "the machine's "
     "manual, local codes and trained practice come before this sheet."),
    ("Long drills.", "Support the drill, start with a short pilot, low speed, clear the chips often; a "
        "whipping or jammed "
     "long drill injures. Never hold the work by hand."),
    ("Dust.", "Wood and plastic dust harms lungs and skin, some woods strongly. Extract at the source, wear "
        "a mask that "
     "fits."),
    ("Acetal.", "Keep it cool: overheated acetal gives off formaldehyde and its flame is hard to see. Sharp "
        "tools, no "
     "flame, ventilate; see the data sheet."),
    ("Mouth and ears.", "Use only finishes that are safe at the mouth when cured. Protect your hearing at "
        "the machine and "
     "in long tests of high notes."),
    ("Template.", "Check both 100 mm rules with a steel rule before use. If one is off, print again at 100 "
        "%, without "
     "fitting to the page."),
)  # fmt: skip
_PAGE_MM = 180.0
_PAGE_HEIGHT_MM = 262.0


def _num(value: float | None, digits: int = 2) -> str:
    if value is None:
        return "–"
    return f"{value:.{digits}f}".replace("-", "−")


def _shorten(text: str, most: int) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= most else flat[: most - 1] + "…"


def _breakable(text: str, run: int = 14) -> str:
    """Allow a line break inside long words, so that no name runs over its column."""
    return re.sub(rf"(\S{{{run}}})(?=\S)", "\\1\u200b", text)


def _table(columns: Sequence[str], rows: Sequence[Sequence[str]], left: Sequence[int] = ()) -> dict[str, object]:
    return {
        "columns": list(columns),
        "right": [i not in left for i in range(len(columns))],
        "rows": [[_breakable(cell) for cell in row] for row in rows],
    }


def _picture(svg: str) -> dict[str, object]:
    match = re.match(r'<svg [^>]*?width="([0-9.]+)mm"', svg)
    if match is None:
        raise ValueError("a drawing without a width")
    return {"svg": svg, "width": float(match.group(1))}


def _height_mm(svg: str) -> float:
    match = re.match(r'<svg [^>]*?height="([0-9.]+)mm"', svg)
    if match is None:
        raise ValueError("a drawing without a height")
    return float(match.group(1))


def _chart_for(model: Model, marks: Sequence[NoteMark], room_mm: float) -> tuple[str, bool]:
    """Return the chart with the tallest lanes that the page's rest holds, or one for a page of its own.

    The second value tells whether it fits into the rest.
    """
    for lane in (30.0, 26.0, 22.0, 19.0, 16.0, 14.0, 12.5):
        chart = hanging_chart(model, marks, theme="paper", width_mm=_PAGE_MM, lane_height_mm=lane)
        if _height_mm(chart) + 3.0 <= room_mm:
            return chart, True
    for lane in (40.0, 34.0, 28.0, 22.0, 16.0):
        chart = hanging_chart(model, marks, theme="paper", width_mm=_PAGE_MM, lane_height_mm=lane)
        if _height_mm(chart) <= _PAGE_HEIGHT_MM - 4.0:
            break
    return chart, False


def _in_columns(
    columns: Sequence[str], rows: Sequence[Sequence[str]], most_columns: int, least_rows: int = 8
) -> list[dict[str, object]]:
    """Set a long narrow table in columns beside each other."""
    count = max(1, min(most_columns, math.ceil(len(rows) / least_rows)))
    share = math.ceil(len(rows) / count) if rows else 1
    return [_table(columns, rows[i : i + share]) for i in range(0, max(len(rows), 1), share)]


def _profile_groups(model: Model) -> list[dict[str, object]]:
    bore_rows = []
    first_outside = model.bore.outside_mm[0][0]
    places = [x for x, _ in model.bore.stations_mm]
    for i, (x, diameter) in enumerate(model.bore.stations_mm):
        before_step = x in places[i + 1 : i + 2]
        wall = _num(wall_mm(model, x, side="head" if before_step else "foot")) if x >= first_outside else "–"
        bore_rows.append([_num(x), _num(diameter, 3), wall])
    outside_rows = [[_num(x), _num(diameter)] for x, diameter in model.bore.outside_mm]
    return [
        {
            "title": "Bore",
            "tables": _in_columns(["x", "⌀ bore", "wall"], bore_rows, 4),
            "note": "Straight lines between the stations. The last one is the foot end."
            + (" The same x twice: a step in diameter." if len(set(places)) < len(places) else ""),
        },
        {"title": "Outside", "tables": _in_columns(["x", "⌀ outside"], outside_rows, 4), "note": ""},
    ]


def _head_group(model: Model) -> dict[str, object]:
    head, way = model.head, model.head.windway
    left = [
        ["window, exit plane to edge", _num(head.window_length_mm)],
        ["window width", _num(head.window_width_mm)],
        ["ramp angle, °", _num(head.ramp_angle_deg, 1)],
        ["ears, height", "as the wall" if head.ear_height_mm is None else _num(head.ear_height_mm)],
        ["edge from windway centre line", _num(head.edge_offset_mm)],
        ["edge above windway floor", _num(edge_above_floor_mm(head))],
        ["block face at x", _num(head.block_depth_mm)],
        ["broken edges", _num(head.broken_edge_mm)],
    ]
    right = [
        ["windway length", _num(way.length_mm)],
        ["windway width", _num(way.width_mm)],
        ["entry height", _num(way.entry_height_mm)],
        ["exit height", _num(way.exit_height_mm)],
        ["entry flare", _num(way.entry_flare_mm)],
        ["floor above bore line at exit", _num(way.floor_height_mm)],
        [
            "upper chamfer, along flat × °",
            f"{_num(head.upper_chamfer.length_mm)} × {head.upper_chamfer.angle_deg:g}",
        ],
        [
            "lower chamfer, along flat × °",
            f"{_num(head.lower_chamfer.length_mm)} × {head.lower_chamfer.angle_deg:g}",
        ],
    ]
    note = (
        "Edge offset: negative = toward the bore. Block face: positive = reaches under the window. "
        f"Bore at the exit plane ⌀ {bore_diameter_mm(model, 0.0):.2f}, outside ⌀ "
        f"{outside_diameter_mm(model, 0.0):.2f}."
    )
    tables = [_table(["head", "mm"], left, (0,)), _table(["windway", "mm"], right, (0,))]
    return {"title": "Head and windway", "tables": tables, "note": note}


def _hole_group(model: Model) -> dict[str, object]:
    columns = [
        "hole",
        "x",
        "°",
        "⌀",
        "wall",
        "outer r.",
        "inner ch.",
        "waist",
        "undercut",
        "up",
        "down",
        "cut °",
        "finger",
    ]
    rows = []
    for hole in model.holes:
        cut = hole.undercut
        rows.append([
            hole.name, _num(hole.position_mm), f"{hole.angle_deg:g}".replace("-", "−"),
            _num(hole.diameter_mm),
            _num(wall_mm(model, hole.position_mm)), _num(hole.outer_round_mm), _num(hole.inner_chamfer_mm),
            _num(hole.waist_mm),
            _num(cut.all_round_mm), _num(cut.upstream_mm), _num(cut.downstream_mm), f"{cut.angle_deg:g}",
            hole.finger or "–",
        ])  # fmt: skip
    return {
        "title": "Holes",
        "tables": [_table(columns, rows, (0, 12))] if rows else [],
        "note": (
            "x to the hole's centre at the outside; ° round the body from the window side, growing clockwise seen from "
            "the head, 180 = thumb side; ⌀ drill, at the waist where there is one; waist: how much wider in "
            "radius both ends are; undercut: widening at the bore all round, more toward the head (up) and the foot "
            "(down), and its angle."
            if rows
            else "No holes."
        ),
    }


def _target_group(model: Model) -> dict[str, object]:
    target, air = model.target, model.conditions
    seen: set[tuple[int, str]] = set()
    rows = []
    for fingering in fingerings_of(model):
        key = (fingering.register, fingering.note)
        if key in seen:
            continue
        seen.add(key)
        hertz = target_frequency_hz(target, fingering.note, model.model.lowest_note)
        rows.append([fingering.note, str(fingering.register), f"{hertz:.2f}", fingering.text])
    temperament: str = target.temperament
    if target.temperament == "just":
        temperament += f" on {target.tonic or model.model.lowest_note}"
    note = (
        f"A4 = {target.a4_hz:g} Hz, temperament {temperament}, at {air.temperature_c:g} °C, "
        f"{100.0 * air.relative_humidity:.0f} % relative humidity, {air.pressure_pa / 100.0:.0f} hPa; breath "
        "on the lowest "
        f"note {target.breath.lowest_note_pa:g} Pa, rising with frequency to the power "
        f"{target.breath.exponent:g}; "
        f"tolerance ±{target.tolerance_cents:g} cents. Fingerings head to foot: c closed, h half, o open."
    )
    return {
        "title": "Targets",
        "tables": _in_columns(["note", "reg.", "Hz", "fingering"], rows, 3, 6),
        "note": note,
    }


def _template_words(model: Model) -> str:
    diameters = [outside_diameter_mm(model, x) for x in (0.0, *(h.position_mm for h in model.holes), model.length_mm)]
    words = (
        "Check the two 100 mm rules before use. Cut out, wrap round the body print outward, head at the top, "
        "the line x = 0 "
        "on the windway exit, the 0° line along the middle of the window; the long edges must just meet. "
        "Mark centres "
        "through the crosses with a sharp point, then measure them again from the exit plane before "
        "drilling. "
        f"Adjoining sheets overlap by {OVERLAP_MM:g} mm: lay the join lines and crosses on each other."
    )
    if max(diameters) - min(diameters) > 0.01 * max(diameters):
        words += " The body tapers: keep the 0° line straight; the edges follow the circumference at every x."
    return words


def write_sheet(model: Model, path: Path | str, *, marks: Sequence[NoteMark] = (), timestamp: int | None) -> Path:
    """Write the workshop sheet of a model as one A4 PDF.

    Drawings to scale with the head enlarged and, when marks are given, the hanging chart (on the first page
    when it fits legibly, else on the next); tables of all sizes from the one datum; the hole template at 1:1
    with check rules, in as many pages as it needs.

    Parameters
    ----------
    model : Model
        The instrument.
    path : path
        File to write; replaced when it exists.
    marks : sequence of NoteMark
        What the hanging chart shows; none leaves the chart out.
    timestamp : int or None
        Creation time, seconds since 1970; equal input then gives equal bytes. None uses the present time.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        The file cannot be written, a mark does not fit the model, or the instrument fits no usual scale.
    """
    scale = fitting_scale(model.length_mm - head_end_mm(model), _PAGE_MM - 12.0)
    about = [_shorten(model.model.description, 400), _shorten(model.model.material, 120)]
    description = _breakable(" · ".join(part for part in about if part), 60)
    views = [
        top_view(model, theme="paper", width_mm=_PAGE_MM, scale=scale),
        side_view(model, theme="paper", width_mm=_PAGE_MM, scale=scale),
    ]
    small, large = (head_section(model, theme="paper", most_height_mm=most) for most in (60.0, 95.0))
    taken = sum(_height_mm(svg) + 2.0 for svg in (*views, small)) + 9.0 + 4.0 * math.ceil(len(description) / 100)
    chart, beside = _chart_for(model, marks, _PAGE_HEIGHT_MM - taken) if marks else (None, False)
    drawings = [*views, small if beside else large]
    sheets = template_sheets(model)
    template = [
        {
            "svg": sheet.svg,
            "width": sheet.width_mm,
            "place": f"sheet {number} of {len(sheets)}"
            + (
                f" (row {sheet.row + 1} of {sheet.rows} from the head, column {sheet.column + 1} of {sheet.columns})"
                if len(sheets) > 1
                else ""
            )
            + f", x {_num(sheet.top_mm, 0)} to {_num(sheet.top_mm + sheet.height_mm, 0)}",
        }
        for number, sheet in enumerate(sheets, start=1)
    ]
    name = _shorten(model.model.name, 80)
    data = {
        "title": f"Workshop sheet: {name}",
        "name": _breakable(name, 50),
        "kind": f"workshop sheet, lowest note {model.model.lowest_note}, A4 = {model.target.a4_hz:g} Hz",
        "datum": DATUM_WORDS,
        "description": description,
        "short": _shorten(model.model.name, 44),
        "drawings": [_picture(svg) for svg in drawings],
        "cautions": [list(caution) for caution in CAUTIONS],
        "cautions_first": not beside,
        "chart": None if chart is None else _picture(chart),
        "groups": [*_profile_groups(model), _head_group(model), _hole_group(model), _target_group(model)],
        "template": template,
        "template_words": _template_words(model),
        "rule": check_rule(),
        "rule_upright": check_rule(upright=True),
    }
    return write_pdf("sheet.typ", data, path, timestamp=timestamp)
