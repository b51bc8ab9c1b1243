"""Which note is off, by how much, and where on the instrument it is governed: the hanging chart."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.instrument.model import Model
from fluewright.pictures.body import draw_top, governed_x_mm, head_end_mm, hole_name_rows, outside_corners_mm
from fluewright.pictures.cents_axis import CentsAxis, cents_axis, mark_shape, pitch_order, signed
from fluewright.pictures.palette import Palette, palette_for
from fluewright.pictures.results import MarkKind, NoteMark
from fluewright.pictures.spread import spread_apart
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm

__all__ = ["draw_hanging_chart", "hanging_chart"]

_LEFT_MM, _RIGHT_MM = 21.0, 3.0
_TEXT_MM = 2.6
_SMALLEST_TEXT_MM = 1.9
_FAN_MM = 5.0
_STRIP_GAP_MM = 1.9
_KINDS: tuple[MarkKind, ...] = ("predicted", "measured", "forecast")


@dataclass
class _Column:
    note: str
    register: int
    hole: int | None
    x_mm: float
    marks: dict[MarkKind, NoteMark]


def _columns(model: Model, marks: Sequence[NoteMark]) -> list[_Column]:
    columns: list[_Column] = []
    for mark in marks:
        for column in columns:
            same = (column.note, column.register, column.hole) == (
                mark.note,
                mark.register,
                mark.governing_hole,
            )
            if same and mark.kind not in column.marks:
                column.marks[mark.kind] = mark
                break
        else:
            x = governed_x_mm(model, mark.governing_hole)
            columns.append(_Column(mark.note, mark.register, mark.governing_hole, x, {mark.kind: mark}))
    # Head to foot is high to low, so that leader lines of one hole do not cross.
    return sorted(columns, key=lambda c: (c.register, c.x_mm, -pitch_order(c.note)))


def _draw_mark(drawing: Drawing, palette: Palette, register: int, kind: MarkKind, x: float, y: float) -> None:
    colour = palette.register_text(register)
    if kind == "predicted":
        mark_shape(drawing, register, x, y, fill=colour, stroke=colour, width=0.3)
    elif kind == "measured":
        mark_shape(drawing, register, x, y, fill=palette.ground, stroke=colour, width=0.5)
    else:  # straw alone is too pale on chalk: an ink casing carries the shape
        mark_shape(drawing, register, x, y, fill=palette.ground, stroke=palette.ink_text, width=0.75)
        mark_shape(drawing, register, x, y, fill="none", stroke=palette.forecast_mark, width=0.4)


def hanging_chart(
    model: Model,
    marks: Sequence[NoteMark],
    *,
    theme: str = "light",
    width_mm: float = 180.0,
    tolerance_cents: float | None = None,
    title: str = "",
    lane_height_mm: float = 34.0,
) -> str:
    """Return the hanging chart as SVG text.

    The instrument lies across the page to scale, head to the left. Under it hangs one lane for each register;
    every note stands under the hole that governs it, so that the eye goes from a note that is off up to the
    place to cut.

    Parameters
    ----------
    model : Model
        The instrument.
    marks : sequence of NoteMark
        What is drawn; predicted, measured and forecast marks of one note share a column.
    theme : {"light", "dark", "paper"}
        Colours.
    width_mm : float
        Width on paper; at least 100.
    tolerance_cents : float, optional
        Half width of the tolerance band; by default that of the model's target.
    title : str
        Text over the drawing; by default the model's name.
    lane_height_mm : float
        Height of the cents axis of one lane.

    Returns
    -------
    str
        SVG, one user unit a millimetre. The root carries ``data-zero-mm`` and ``data-scale`` (page place of x
        = 0 and page millimetres for one of the instrument), each note group ``data-note``, ``data-register``,
        ``data-hole``.

    Raises
    ------
    InputError
        A mark names a hole that the model does not have, or the theme is not known.
    """
    drawing, zero, scale, palette = draw_hanging_chart(
        model,
        marks,
        theme=theme,
        width_mm=width_mm,
        tolerance_cents=tolerance_cents,
        title=title,
        lane_height_mm=lane_height_mm,
    )
    return drawing.to_svg(
        ground=palette.ground,
        description=f"Hanging chart of {model.model.name}: cents from the target of every note under its hole",
        data=(("zero-mm", zero), ("scale", scale)),
    )


def draw_hanging_chart(
    model: Model,
    marks: Sequence[NoteMark],
    *,
    theme: str = "light",
    width_mm: float = 180.0,
    tolerance_cents: float | None = None,
    title: str = "",
    lane_height_mm: float = 34.0,
) -> tuple[Drawing, float, float, Palette]:
    """Return the hanging chart as a drawing, with the page place of x = 0, the scale and the palette."""
    palette = palette_for(theme)
    width_mm = max(width_mm, 100.0)
    tolerance = model.target.tolerance_cents if tolerance_cents is None else tolerance_cents
    left, right = _LEFT_MM, width_mm - _RIGHT_MM
    head = head_end_mm(model)
    scale = (right - left - 4.0) / (model.length_mm - head)
    zero = left - head * scale
    thickest = max(d for _, d in outside_corners_mm(model)) * scale

    drawing = Drawing(width_mm, 10.0)
    scale_text = f"scale 1:{1.0 / scale:.2f}" if scale <= 1.0 else f"scale {scale:.2f}:1"
    room = right - text_width_mm(scale_text, _TEXT_MM) - 5.0
    drawing.text(1.5, 4.6, fit_text(title or model.model.name, 3.4, room), size=3.4, fill=palette.ink_text, bold=True)
    drawing.text(right, 4.6, scale_text, size=_TEXT_MM, fill=palette.quiet_text, anchor="end")

    rows = hole_name_rows(model, zero, scale, size_mm=_TEXT_MM, gap_mm=0.8, low_mm=left, high_mm=right)
    row_mm = 1.35 * _TEXT_MM
    axis_y = 11.4 + row_mm * max(len(rows) - 1, 0) + 0.5 * thickest
    for number, row in enumerate(rows):
        # Lines from the row above pass behind the names of this one.
        backing = palette.ground if number else None
        for index, name, x in row:
            y = 9.4 + row_mm * number
            drawing.text(x, y, name, size=_TEXT_MM, fill=palette.ink_text, anchor="middle", backing=backing)
            hole_x = zero + model.holes[index].position_mm * scale
            drawing.line(x, y + 0.6, hole_x, axis_y - 0.5 * thickest, stroke=palette.faint_line, width=0.12)

    columns = _columns(model, marks)
    axis = cents_axis(marks, tolerance, lane_height_mm)
    registers = sorted({column.register for column in columns})
    lanes: list[tuple[int, float, float, list[_Column]]] = []
    for register in registers:
        own = [column for column in columns if column.register == register]
        letters = max(max([len(column.note), *(len(signed(m.cents)) for m in column.marks.values())]) for column in own)
        letters = min(letters, 9)
        size = _TEXT_MM
        pitch = max(letters * 0.6021 * size + 1.1, 7.4)
        if (len(own) - 1) * pitch > right - left - pitch:
            size = _SMALLEST_TEXT_MM
            pitch = max(letters * 0.6021 * size + 0.8, 6.4)
        most = max(1, math.floor((right - left) / pitch))
        rows = math.ceil(len(own) / most)
        share = math.ceil(len(own) / rows)
        for first in range(0, len(own), share):
            lanes.append((register, size, pitch, own[first : first + share]))

    bottom_of_body = axis_y + 0.5 * thickest
    # Lanes below the first are reached by strings that hang behind the ones above.
    tops: list[float] = []
    y = bottom_of_body + 3.0
    heights: list[tuple[int, int, list[MarkKind]]] = []
    for _, size, _, own in lanes:
        kinds = [kind for kind in _KINDS if any(kind in column.marks for column in own)]
        above = max(sum(axis.side(m.cents) > 0 for m in column.marks.values()) for column in own)
        below = max(sum(axis.side(m.cents) < 0 for m in column.marks.values()) for column in own)
        heights.append((above, below, kinds))
        tops.append(y)
        line = 1.35 * size
        y += (
            _FAN_MM
            + line
            + 1.2
            + (above + below) * (line + _STRIP_GAP_MM)
            + lane_height_mm
            + 1.0
            + len(kinds) * line
            + 4.0
        )
    lane_end = y
    for top, (_, _, _, own) in zip(tops, lanes, strict=True):
        for x in sorted({zero + column.x_mm * scale for column in own}):
            drawing.line(x, bottom_of_body, x, top, stroke=palette.faint_line, width=0.15, dash="0.7 0.7")

    for top, (above, below, kinds), lane in zip(tops, heights, lanes, strict=True):
        _draw_lane(
            drawing, palette, axis, lane, kinds, top=top, above=above, below=below, height=lane_height_mm,
            tolerance=tolerance, zero=zero, scale=scale, left=left, right=right,
        )  # fmt: skip
    draw_top(drawing, model, palette, x0=zero, y0=axis_y, scale=scale)
    drawing.height_mm = _draw_legend(drawing, palette, registers, marks, tolerance, lane_end + 1.0, right)
    return drawing, zero, scale, palette


def _draw_lane(
    drawing: Drawing,
    palette: Palette,
    axis: CentsAxis,
    lane: tuple[int, float, float, list[_Column]],
    kinds: Sequence[MarkKind],
    *,
    top: float,
    above: int,
    below: int,
    height: float,
    tolerance: float,
    zero: float,
    scale: float,
    left: float,
    right: float,
) -> None:
    register, size, pitch, own = lane
    line = 1.35 * size
    half = 0.5 * pitch
    places = spread_apart([zero + c.x_mm * scale for c in own], pitch, left + half, right - half)
    name_y = top + _FAN_MM + 0.95 * size
    strip_top = top + _FAN_MM + line + 1.2
    plot_top = strip_top + above * (line + _STRIP_GAP_MM)
    plot_bottom = plot_top + height
    rows_top = plot_bottom + below * (line + _STRIP_GAP_MM) + 1.0
    colour = palette.register_text(register)

    # Field: tolerance band, ticks, target line.
    band_top, band_bottom = (axis.place(c, plot_top, height) for c in (tolerance, -tolerance))
    drawing.rect(left, band_top, right - left, band_bottom - band_top, fill=palette.band_fill)
    for edge in (band_top, band_bottom):
        drawing.line(left, edge, right, edge, stroke=palette.quiet_text, width=0.12, dash="1.6 0.8")
    tick = math.ceil(axis.low / axis.step) * axis.step
    while tick <= axis.high + 1e-9:
        y = axis.place(tick, plot_top, height)
        drawing.line(left - 1.0, y, left, y, stroke=palette.quiet_text, width=0.2)
        if tick != 0.0:
            drawing.line(left, y, right, y, stroke=palette.faint_line, width=0.07)
        shown = "0" if tick == 0.0 else f"{tick:+.0f}".replace("-", "−")
        drawing.text(left - 1.5, y + 0.36 * _TEXT_MM, shown, size=_TEXT_MM, fill=palette.quiet_text, anchor="end")
        tick += axis.step
    target_y = axis.place(0.0, plot_top, height)
    drawing.line(left, target_y, right, target_y, stroke=palette.ink_text, width=0.35)
    drawing.line(left, plot_top, left, plot_bottom, stroke=palette.quiet_text, width=0.2)
    middle = 0.5 * (plot_top + plot_bottom)
    drawing.text(
        4.2,
        middle,
        f"register {register}",
        size=_TEXT_MM,
        fill=colour,
        anchor="middle",
        turned=True,
        bold=True,
    )
    drawing.text(8.6, middle, "cents", size=_TEXT_MM, fill=palette.quiet_text, anchor="middle", turned=True)
    for row, kind in enumerate(kinds):
        row_colour = palette.forecast_text if kind == "forecast" else colour
        drawing.text(
            left - 1.5,
            rows_top + (row + 0.8) * line,
            kind,
            size=min(size, 2.4),
            fill=row_colour,
            anchor="end",
        )

    for column, x in zip(own, places, strict=True):
        hole_x = zero + column.x_mm * scale
        drawing.open_group(
            class_="note",
            data_note=column.note,
            data_register=register,
            data_hole="foot" if column.hole is None else str(column.hole),
        )
        drawing.describe(
            f"{column.note}, register {register}: "
            + ", ".join(f"{kind} {m.cents:+.1f} cents" for kind, m in column.marks.items())
        )
        drawing.line(hole_x, top, x, top + _FAN_MM - 0.8, stroke=palette.quiet_text, width=0.15)
        name = fit_text(column.note, size, pitch - 0.4)
        drawing.text(
            x,
            name_y,
            name,
            size=size,
            fill=palette.ink_text,
            anchor="middle",
            bold=True,
            backing=palette.ground,
        )
        drawing.line(x, strip_top - 0.6, x, rows_top - 0.6, stroke=palette.faint_line, width=0.1)
        slot = min(2.3, 0.31 * pitch)
        slots = [kind for kind in _KINDS if kind in kinds]
        offsets = {kind: (i - 0.5 * (len(slots) - 1)) * slot for i, kind in enumerate(slots)}
        present = column.marks.get("measured") or column.marks.get("predicted")
        forecast = column.marks.get("forecast")
        if present is not None and forecast is not None:
            drawing.line(
                x + offsets[present.kind], axis.place(present.cents, plot_top, height),
                x + offsets["forecast"], axis.place(forecast.cents, plot_top, height),
                stroke=palette.forecast_text, width=0.3,
            )  # fmt: skip
        used = {1: 0, -1: 0}
        for kind in _KINDS:
            mark = column.marks.get(kind)
            if mark is None:
                continue
            mark_x, y = x + offsets[kind], axis.place(mark.cents, plot_top, height)
            mark_colour = palette.forecast_text if kind == "forecast" else colour
            side = axis.side(mark.cents)
            if mark.uncertainty_cents > 0.0 and side == 0:
                ends = [
                    axis.place(mark.cents + sign * mark.uncertainty_cents, plot_top, height) for sign in (1.0, -1.0)
                ]
                drawing.line(mark_x, ends[0], mark_x, ends[1], stroke=mark_colour, width=0.25)
                for end in ends:
                    drawing.line(mark_x - 0.5, end, mark_x + 0.5, end, stroke=mark_colour, width=0.25)
            _draw_mark(drawing, palette, register, kind, mark_x, y)
            text = signed(mark.cents)
            if side:
                # Off the range: an arrow at the edge, the number beyond it.
                tip = y - 2.4 * side
                drawing.polyline(
                    [(mark_x, tip), (mark_x - 0.8, tip + 1.0 * side), (mark_x + 0.8, tip + 1.0 * side)],
                    fill=mark_colour, closed=True,
                )  # fmt: skip
                used[side] += 1
                if side > 0:
                    text_y = plot_top - (used[1] - 1) * (line + _STRIP_GAP_MM) - 3.3
                else:
                    text_y = plot_bottom + (used[-1] - 1) * (line + _STRIP_GAP_MM) + 3.3 + 0.76 * size
                drawing.text(
                    x,
                    text_y,
                    text,
                    size=size,
                    fill=mark_colour,
                    anchor="middle",
                    bold=True,
                    backing=palette.ground,
                )
            row = list(kinds).index(kind)
            drawing.text(
                x, rows_top + (row + 0.8) * line, text, size=size, fill=mark_colour, anchor="middle",
                backing=palette.ground,
            )  # fmt: skip
        drawing.close_group()


def _draw_legend(
    drawing: Drawing,
    palette: Palette,
    registers: Sequence[int],
    marks: Sequence[NoteMark],
    tolerance: float,
    top: float,
    right: float,
) -> float:
    """Explain the marks that occur; return the height of the whole drawing."""
    kinds = [kind for kind in _KINDS if any(mark.kind == kind for mark in marks)]
    first = registers[0] if registers else 1
    entries: list[tuple[str, int, MarkKind | None, str]] = []
    words = {1: "round: register 1", 2: "diamond: register 2"}
    if registers:
        for register in registers:
            entries.append(("shape", register, None, words.get(register, f"triangle: register {register}")))
    told = {
        "predicted": "filled: predicted",
        "measured": "outlined: measured",
        "forecast": "hollow, joined: after the proposed cut",
    }
    entries.extend(("mark", first, kind, told[kind]) for kind in kinds)
    if any(mark.uncertainty_cents > 0.0 for mark in marks):
        entries.append(("bar", first, None, "standard uncertainty"))
    entries.append(("band", first, None, f"tolerance ±{tolerance:g} cents"))
    size = 2.4
    x, y = 2.0, top + 2.0
    for sort, register, kind, text in entries:
        wide = 5.0 + text_width_mm(text, size) + 4.0
        if x + wide > right and x > 2.0:
            x, y = 2.0, y + 4.2
        centre = x + 1.6
        if sort == "shape":
            mark_shape(
                drawing,
                register,
                centre,
                y,
                fill=palette.register_text(register),
                stroke=palette.ink_text,
                width=0.1,
            )
        elif sort == "mark" and kind is not None:
            if kind == "forecast":
                drawing.line(x - 0.6, y + 1.0, centre, y, stroke=palette.forecast_text, width=0.3)
            _draw_mark(drawing, palette, register, kind, centre, y)
        elif sort == "bar":
            drawing.line(centre, y - 1.4, centre, y + 1.4, stroke=palette.ink_text, width=0.25)
            for end in (-1.4, 1.4):
                drawing.line(centre - 0.5, y + end, centre + 0.5, y + end, stroke=palette.ink_text, width=0.25)
        else:
            drawing.rect(x, y - 1.3, 3.2, 2.6, fill=palette.band_fill, stroke=palette.quiet_text, stroke_width=0.12)
        drawing.text(x + 4.6, y + 0.36 * size, text, size=size, fill=palette.ink_text)
        x += wide
    return y + 3.2
