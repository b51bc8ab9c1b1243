"""Which note is off, by how much, and where on the instrument it is governed: the hanging chart."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from fluewright.instrument.model import Model
from fluewright.pictures.body import AlongBody, draw_top, governed_x_mm, head_end_mm, hole_name_rows, outside_corners_mm
from fluewright.pictures.cents_axis import CentsAxis, cents_axis, mark_shape, pitch_order
from fluewright.pictures.lane import Lane, shape_words
from fluewright.pictures.numerals import cents_words, enlargement_words
from fluewright.pictures.palette import Palette, palette_for
from fluewright.pictures.results import MarkKind, NoteMark
from fluewright.pictures.spread import flowing, spread_apart
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm
from fluewright.units import signed

__all__ = ["hanging_chart"]

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


@dataclass(frozen=True)
class _Field(AlongBody):
    """The page: its body, ends of the lanes, height of an axis."""

    drawing: Drawing
    palette: Palette
    left: float
    right: float
    height: float


@dataclass(frozen=True)
class _Hung:
    """One lane's columns, the size of its letters, the room of a column, and what stands in it.

    `above` and `below` count the marks of one column that lie beyond the axis.
    """

    register: int
    size: float
    pitch: float
    columns: list[_Column]
    kinds: list[MarkKind]
    above: int
    below: int
    top: float
    height: float

    @property
    def line(self) -> float:
        return 1.35 * self.size

    @property
    def strip_top(self) -> float:
        return self.top + _FAN_MM + self.line + 1.2

    @property
    def plot_top(self) -> float:
        return self.strip_top + self.above * (self.line + _STRIP_GAP_MM)

    @property
    def rows_top(self) -> float:
        return self.plot_top + self.height + self.below * (self.line + _STRIP_GAP_MM) + 1.0

    @property
    def end(self) -> float:
        return self.rows_top + len(self.kinds) * self.line + 4.0


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
    palette = palette_for(theme)
    width_mm = max(width_mm, 100.0)
    tolerance = model.target.tolerance_cents if tolerance_cents is None else tolerance_cents
    left, right = _LEFT_MM, width_mm - _RIGHT_MM
    head = head_end_mm(model)
    scale = (right - left - 4.0) / (model.length_mm - head)
    drawing = Drawing(width_mm, 10.0)
    field = _Field(left - head * scale, scale, drawing, palette, left, right, lane_height_mm)
    half = 0.5 * max(d for _, d in outside_corners_mm(model)) * scale
    axis_y = _draw_names(field, model, title or model.model.name, half)

    axis = cents_axis(marks, tolerance, lane_height_mm)
    lanes = _hung(field, axis, _columns(model, marks), axis_y + half + 3.0)
    # Lanes below the first are reached by strings that hang behind the ones above.
    for hung in lanes:
        for x in sorted({field.x(column.x_mm) for column in hung.columns}):
            drawing.line(x, axis_y + half, x, hung.top, stroke=palette.faint_line, width=0.15, dash="0.7 0.7")
    for hung in lanes:
        _draw_lane(field, axis, hung, tolerance)
    draw_top(drawing, model, palette, x0=field.zero, y0=axis_y, scale=scale)
    end = lanes[-1].end if lanes else axis_y + half + 3.0
    drawing.height_mm = _draw_legend(field, sorted({hung.register for hung in lanes}), marks, tolerance, end + 1.0)
    return drawing.to_svg(
        ground=palette.ground,
        description=f"Hanging chart of {model.model.name}: cents from the target of every note under its hole",
        data=(("zero-mm", field.zero), ("scale", scale)),
    )


def _draw_names(field: _Field, model: Model, title: str, half: float) -> float:
    """Print title, scale and the holes' names, each joined to its hole; return where the instrument's axis lies."""
    drawing, palette, right = field.drawing, field.palette, field.right
    scale_text = enlargement_words(field.scale)
    room = right - text_width_mm(scale_text, _TEXT_MM) - 5.0
    drawing.text(1.5, 4.6, fit_text(title, 3.4, room), size=3.4, fill=palette.ink_text, bold=True)
    drawing.text(right, 4.6, scale_text, size=_TEXT_MM, fill=palette.quiet_text, anchor="end")
    rows = hole_name_rows(
        model, field.zero, field.scale, size_mm=_TEXT_MM, gap_mm=0.8, low_mm=field.left, high_mm=right
    )
    row_mm = 1.35 * _TEXT_MM
    axis_y = 11.4 + row_mm * max(len(rows) - 1, 0) + half
    for number, row in enumerate(rows):
        # Lines from the row above pass behind the names of this one.
        backing = palette.ground if number else None
        for index, name, x in row:
            y = 9.4 + row_mm * number
            drawing.text(x, y, name, size=_TEXT_MM, fill=palette.ink_text, anchor="middle", backing=backing)
            hole_x = field.x(model.holes[index].position_mm)
            drawing.line(x, y + 0.6, hole_x, axis_y - half, stroke=palette.faint_line, width=0.12)
    return axis_y


def _hung(field: _Field, axis: CentsAxis, columns: Sequence[_Column], top: float) -> list[_Hung]:
    """Return the lanes from `top` down: one a register, more where its notes need more than one width of the page."""
    lanes: list[_Hung] = []
    for register in sorted({column.register for column in columns}):
        own = [column for column in columns if column.register == register]
        size, pitch = _letters(own, field.right - field.left)
        most = max(1, math.floor((field.right - field.left) / pitch))
        rows = math.ceil(len(own) / most)
        share = math.ceil(len(own) / rows)
        for first in range(0, len(own), share):
            part = own[first : first + share]
            sides = [[axis.side(mark.cents) for mark in column.marks.values()] for column in part]
            lanes.append(
                _Hung(
                    register, size, pitch, part,
                    kinds=[kind for kind in _KINDS if any(kind in column.marks for column in part)],
                    above=max(s.count(1) for s in sides), below=max(s.count(-1) for s in sides),
                    top=lanes[-1].end if lanes else top, height=field.height,
                )
            )  # fmt: skip
    return lanes


def _letters(columns: Sequence[_Column], room: float) -> tuple[float, float]:
    """Return size of the letters and room of a column; smaller ones where the columns do not fit beside each other."""
    most = max(max([len(c.note), *(len(cents_words(m.cents)) for m in c.marks.values())]) for c in columns)
    letters = min(most, 9)
    pitch = max(letters * 0.6021 * _TEXT_MM + 1.1, 7.4)
    if (len(columns) - 1) * pitch <= room - pitch:
        return _TEXT_MM, pitch
    return _SMALLEST_TEXT_MM, max(letters * 0.6021 * _SMALLEST_TEXT_MM + 0.8, 6.4)


def _draw_lane(field: _Field, axis: CentsAxis, hung: _Hung, tolerance: float) -> None:
    """Draw the field of a lane and its columns."""
    drawing, palette = field.drawing, field.palette
    lane = Lane(drawing, palette, axis, hung.register, field.left, field.right, hung.plot_top, field.height, _TEXT_MM)
    lane.draw_band(tolerance)
    for tick, y in lane.ticks():
        drawing.line(lane.left - 1.0, y, lane.left, y, stroke=palette.quiet_text, width=0.2)
        if tick != 0.0:
            lane.draw_rule(y, stroke=palette.faint_line, width=0.07)
        lane.draw_tick_words(tick, y, 1.5)
    lane.draw_rule(lane.y(0.0), stroke=palette.ink_text, width=0.35)
    drawing.line(lane.left, lane.top, lane.left, lane.bottom, stroke=palette.quiet_text, width=0.2)
    lane.draw_titles(4.2, 8.6)
    for row, kind in enumerate(hung.kinds):
        drawing.text(
            lane.left - 1.5, hung.rows_top + (row + 0.8) * hung.line, kind, size=min(hung.size, 2.4),
            fill=_kind_text(lane, kind), anchor="end",
        )  # fmt: skip
    half = 0.5 * hung.pitch
    wanted = [field.x(column.x_mm) for column in hung.columns]
    places = spread_apart(wanted, hung.pitch, lane.left + half, lane.right - half)
    for column, hole_x, x in zip(hung.columns, wanted, places, strict=True):
        _draw_column(lane, hung, column, hole_x, x)


def _kind_text(lane: Lane, kind: MarkKind) -> str:
    return lane.palette.forecast_text if kind == "forecast" else lane.colour


def _draw_column(lane: Lane, hung: _Hung, column: _Column, hole_x: float, x: float) -> None:
    """Draw a note under its hole: string, name, marks, and its cents in the rows below."""
    drawing, palette, size = lane.drawing, lane.palette, hung.size
    drawing.open_group(
        class_="note", data_note=column.note, data_register=column.register,
        data_hole="foot" if column.hole is None else str(column.hole),
    )  # fmt: skip
    told = ", ".join(f"{kind} {signed(mark.cents)} cents" for kind, mark in column.marks.items())
    drawing.describe(f"{column.note}, register {column.register}: {told}")
    drawing.line(hole_x, hung.top, x, hung.top + _FAN_MM - 0.8, stroke=palette.quiet_text, width=0.15)
    drawing.text(
        x, hung.top + _FAN_MM + 0.95 * size, fit_text(column.note, size, hung.pitch - 0.4), size=size,
        fill=palette.ink_text, anchor="middle", bold=True, backing=palette.ground,
    )  # fmt: skip
    drawing.line(x, hung.strip_top - 0.6, x, hung.rows_top - 0.6, stroke=palette.faint_line, width=0.1)
    slot = min(2.3, 0.31 * hung.pitch)
    at = {kind: x + (i - 0.5 * (len(hung.kinds) - 1)) * slot for i, kind in enumerate(hung.kinds)}
    present = column.marks.get("measured") or column.marks.get("predicted")
    forecast = column.marks.get("forecast")
    if present is not None and forecast is not None:
        drawing.line(
            at[present.kind], lane.y(present.cents), at["forecast"], lane.y(forecast.cents),
            stroke=palette.forecast_text, width=0.3,
        )  # fmt: skip
    beyond = {1: 0, -1: 0}
    for row, kind in enumerate(hung.kinds):
        mark = column.marks.get(kind)
        if mark is None:
            continue
        colour, y, text = _kind_text(lane, kind), lane.y(mark.cents), cents_words(mark.cents)
        lane.draw_uncertainty(at[kind], mark, colour)
        _draw_mark(drawing, palette, column.register, kind, at[kind], y)
        side = lane.axis.side(mark.cents)
        if side:
            # Off the range: an arrow at the edge, the number beyond it.
            lane.draw_beyond(at[kind], y, side, 2.4, colour)
            out = beyond[side] * (hung.line + _STRIP_GAP_MM) + 3.3
            drawing.text(
                x, lane.top - out if side > 0 else lane.bottom + out + 0.76 * size, text, size=size, fill=colour,
                anchor="middle", bold=True, backing=palette.ground,
            )  # fmt: skip
            beyond[side] += 1
        drawing.text(
            x, hung.rows_top + (row + 0.8) * hung.line, text, size=size, fill=colour, anchor="middle",
            backing=palette.ground,
        )  # fmt: skip
    drawing.close_group()


def _draw_legend(
    field: _Field, registers: Sequence[int], marks: Sequence[NoteMark], tolerance: float, top: float
) -> float:
    """Explain the marks that occur; return the height of the whole drawing."""
    drawing, palette = field.drawing, field.palette
    first = registers[0] if registers else 1
    told: dict[MarkKind, str] = {
        "predicted": "filled: predicted", "measured": "outlined: measured",
        "forecast": "hollow, joined: after the proposed cut",
    }  # fmt: skip

    def shape(register: int, x: float, y: float) -> None:
        fill = palette.register_text(register)
        mark_shape(drawing, register, x, y, fill=fill, stroke=palette.ink_text, width=0.1)

    def mark(kind: MarkKind, x: float, y: float) -> None:
        if kind == "forecast":
            drawing.line(x - 2.2, y + 1.0, x, y, stroke=palette.forecast_text, width=0.3)
        _draw_mark(drawing, palette, first, kind, x, y)

    def bar(x: float, y: float) -> None:
        drawing.line(x, y - 1.4, x, y + 1.4, stroke=palette.ink_text, width=0.25)
        for end in (-1.4, 1.4):
            drawing.line(x - 0.5, y + end, x + 0.5, y + end, stroke=palette.ink_text, width=0.25)

    def band(x: float, y: float) -> None:
        drawing.rect(x - 1.6, y - 1.3, 3.2, 2.6, fill=palette.band_fill, stroke=palette.quiet_text, stroke_width=0.12)

    entries: list[tuple[Callable[[float, float], None], str]] = [
        (partial(shape, register), shape_words(register)) for register in registers
    ]
    entries += [(partial(mark, kind), told[kind]) for kind in _KINDS if any(m.kind == kind for m in marks)]
    if any(m.uncertainty_cents > 0.0 for m in marks):
        entries.append((bar, "standard uncertainty"))
    entries.append((band, f"tolerance ±{tolerance:g} cents"))
    size, y = 2.4, top + 2.0
    places = flowing([9.0 + text_width_mm(text, size) for _, text in entries], 2.0, field.right, 0.0)
    for (draw, text), (line, x) in zip(entries, places, strict=True):
        y = top + 2.0 + 4.2 * line
        draw(x + 1.6, y)
        drawing.text(x + 4.6, y + 0.36 * size, text, size=size, fill=palette.ink_text)
    return y + 3.2
