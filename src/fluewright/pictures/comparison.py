"""What differs between two versions of a model: both to one scale, lined up at the windway's exit, and their notes.

The older version is drawn dashed and its marks are hollow, the newer one is drawn full and its marks are filled; words
and numbers say the same, so that nothing is told by line or colour alone.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.instrument.differences import size_differences
from fluewright.instrument.model import Model
from fluewright.pictures.body import (
    AlongBody,
    draw_windway_lines,
    head_end_mm,
    hole_from_above,
    hole_name_rows,
    outline_points,
    outside_corners_mm,
)
from fluewright.pictures.cents_axis import CentsAxis, cents_axis, mark_shape, pitch_order
from fluewright.pictures.lane import Lane, shape_words
from fluewright.pictures.numerals import cents_words, enlargement_words
from fluewright.pictures.palette import Palette, Theme, palette_for
from fluewright.pictures.results import NoteMark
from fluewright.pictures.spread import beside, flowing
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm
from fluewright.units import signed

__all__ = ["LEAST_SHOWN_MM", "comparison_picture"]

LEAST_SHOWN_MM = 0.005
"""Differences of a size up to this are not written."""

_TEXT_MM = 2.4
_LEFT_MM, _RIGHT_MM = 17.0, 3.0
_LINE_MM = 1.3 * _TEXT_MM
_LANE_MM = 26.0
_FAN_MM = 4.0
_LEAST_SHOWN_CENTS = 0.05
_DASH = "1.3 0.8"
_ROWS = ("older", "newer", "change")


@dataclass(frozen=True)
class _Join:
    """One thing that both versions may have: its places (mm from the exit; None where it is not), and what is said."""

    name: str
    old_mm: float | None
    new_mm: float | None
    words: tuple[str, ...]


@dataclass(frozen=True)
class _Column:
    note: str
    register: int
    old: NoteMark | None
    new: NoteMark | None


def comparison_picture(
    old: Model, new: Model, old_notes: Sequence[NoteMark], new_notes: Sequence[NoteMark], *,
    names: tuple[str, str] = ("older", "newer"), theme: Theme = "light", width_mm: float = 180.0,
) -> str:  # fmt: skip
    """Return an SVG of two versions of a model.

    Above, the older version dashed and the newer one full, to one scale and lined up at x = 0; what belongs together
    (holes by their names, the edge, the foot) is joined by thin lines, with the differences in place and diameter in mm
    where they are more than 0.005. Below, a lane of cents for each register, notes side by side from low to high.

    Parameters
    ----------
    old, new : Model
    old_notes, new_notes : sequence of NoteMark
        Cents from the target of each version's notes; of several marks of a note the first counts.
    names : tuple of str
        What the versions are called.
    theme : {"light", "dark", "paper"}
        Colours.
    width_mm : float
        Width on paper; at least 85.

    Returns
    -------
    str
        SVG, one user unit a millimetre. The root carries ``data-zero-mm`` and ``data-scale``; each join is a group
        with ``data-join`` (hole's name, "edge", "foot"), each note one with ``data-note`` and ``data-register``.

    Raises
    ------
    InputError
        The theme is not known.
    """
    palette = palette_for(theme)
    width_mm = max(width_mm, 85.0)
    left, right = 5.0, width_mm - _RIGHT_MM
    upper = min(head_end_mm(old), head_end_mm(new))
    scale = (right - left) / (max(old.length_mm, new.length_mm) - upper)
    zero = left - upper * scale
    drawing = Drawing(width_mm, 10.0)
    scale_text = enlargement_words(scale)
    room = right - text_width_mm(scale_text, _TEXT_MM) - 5.0
    for number, title in enumerate((f"dashed: {names[0]}", f"full: {names[1]}")):
        y = 4.4 + 3.8 * number
        drawing.text(1.5, y, fit_text(title, 2.8, room), size=2.8, fill=palette.ink_text, bold=True)
    drawing.text(right, 4.4, scale_text, size=_TEXT_MM, fill=palette.quiet_text, anchor="end")
    y = _draw_bodies(drawing, palette, old, new, zero, scale, left, right)
    y = _draw_notes(drawing, palette, old_notes, new_notes, new.target.tolerance_cents, y + 2.0)
    drawing.height_mm = y + 2.0
    return drawing.to_svg(
        ground=palette.ground,
        description=f"{names[0]} and {names[1]} of {new.model.name}: sizes and notes beside each other",
        data=(("zero-mm", zero), ("scale", scale)),
    )


def _more(value: float) -> str:
    """Return a difference in mm; empty where it is too small to be written."""
    return "" if abs(value) <= LEAST_SHOWN_MM else signed(value, 2)


def _joins(old: Model, new: Model) -> list[_Join]:
    """Return edge, holes by name and foot, from head to foot of the newer version."""
    before, after = ({hole.name: hole for hole in model.holes} for model in (old, new))
    joins = []
    for name in dict.fromkeys([*after, *before]):
        a, b = before.get(name), after.get(name)
        if a is not None and b is not None:
            wider = _more(b.diameter_mm - a.diameter_mm)
            words = (_more(b.position_mm - a.position_mm), f"⌀{wider}" if wider else "")
            joins.append(_Join(name, a.position_mm, b.position_mm, tuple(word for word in words if word)))
        elif b is not None:
            joins.append(_Join(name, None, b.position_mm, ("added",)))
        elif a is not None:
            joins.append(_Join(name, a.position_mm, None, ("gone",)))
    for name, a_mm, b_mm in (
        ("edge", old.head.window_length_mm, new.head.window_length_mm), ("foot", old.length_mm, new.length_mm),
    ):  # fmt: skip
        change = _more(b_mm - a_mm)
        joins.append(_Join(name, a_mm, b_mm, (name, change) if change else ()))
    return joins


def _draw_bodies(
    drawing: Drawing, palette: Palette, old: Model, new: Model, zero: float, scale: float, left: float, right: float
) -> float:
    """Draw both versions and what joins them; return where they end."""
    thick = [max(d for _, d in outside_corners_mm(model)) * scale for model in (old, new)]
    joins = _joins(old, new)
    told = [join for join in joins if join.words]
    taken = sum(_wide(join) for join in told)
    rows = max(1, math.ceil(taken / (0.95 * (right - left))))
    row_mm = _LINE_MM * max([len(join.words) for join in told], default=1) + 0.8
    old_names, new_names = (
        hole_name_rows(model, zero, scale, size_mm=_TEXT_MM, gap_mm=1.2, low_mm=low, high_mm=right)
        for model, low in ((old, left), (new, zero + 5.0))
    )
    old_axis = 15.8 + _LINE_MM * max(len(old_names) - 1, 0) + 0.5 * thick[0]
    old_bottom = old_axis + 0.5 * thick[0]
    between = _Between(
        zero, scale, old_bottom, old_bottom + _FAN_MM, row_mm, old_bottom + 2.0 * _FAN_MM + rows * row_mm
    )
    new_axis = between.new_top + 0.5 * thick[1]
    bottom = new_axis + 0.5 * thick[1]

    drawing.line(zero, 11.8, zero, bottom + 1.2, stroke=palette.quiet_text, width=0.15, dash="3 0.8")
    _draw_joins(drawing, palette, between, joins, rows, left, right)
    if not told:
        said = fit_text(_sameness(old, new), _TEXT_MM, right - left)
        drawing.text(
            0.5 * (left + right), between.labels_top + 0.85 * _TEXT_MM, said, size=_TEXT_MM, fill=palette.ink_text,
            anchor="middle", backing=palette.ground,
        )  # fmt: skip
    for model, axis, dashed in ((old, old_axis, True), (new, new_axis, False)):
        _draw_body(drawing, palette, model, zero, axis, scale, dashed=dashed)
    drawing.text(zero, bottom + 3.4, "x = 0", size=_TEXT_MM, fill=palette.quiet_text, anchor="middle")
    for names, y in ((old_names, 13.4), (new_names, bottom + 3.4)):
        for number, row in enumerate(names):
            for _, name, x in row:
                drawing.text(x, y + _LINE_MM * number, name, size=_TEXT_MM, fill=palette.ink_text, anchor="middle")
    return bottom + 4.6 + _LINE_MM * max(len(new_names) - 1, 0)


@dataclass(frozen=True)
class _Between(AlongBody):
    """The strip between the two bodies: its ends, and the rows of words in it."""

    old_bottom: float
    labels_top: float
    row_mm: float
    new_top: float

    def middle(self, join: _Join) -> float:
        """Return where a join would best be written."""
        places = [place for place in (join.old_mm, join.new_mm) if place is not None]
        return self.x(sum(places) / len(places))


def _wide(join: _Join) -> float:
    return max(text_width_mm(word, _TEXT_MM) for word in join.words) + 1.2


def _draw_joins(
    drawing: Drawing, palette: Palette, between: _Between, joins: Sequence[_Join], rows: int, left: float, right: float
) -> None:
    """Draw what joins the two versions: a line where nothing changed, else a line with what did."""
    for join in joins:
        if not join.words and join.old_mm is not None and join.new_mm is not None:
            drawing.open_group(class_="join", data_join=join.name)
            drawing.describe(f"{join.name}: as before")
            ends = (between.x(join.old_mm), between.old_bottom, between.x(join.new_mm), between.new_top)
            drawing.line(*ends, stroke=palette.faint_line)
            drawing.close_group()
    ordered = sorted([join for join in joins if join.words], key=between.middle)
    placed: list[tuple[_Join, float, float]] = []
    for row in range(rows):
        own = ordered[row::rows]
        places = beside([between.middle(join) for join in own], [_wide(join) for join in own], left, right)
        placed += [(join, x, between.labels_top + row * between.row_mm) for join, x in zip(own, places, strict=True)]
    for join, x, top in placed:
        run = [(x, top), (x, top + between.row_mm - 0.8)]
        if join.old_mm is not None:
            run.insert(0, (between.x(join.old_mm), between.old_bottom))
        if join.new_mm is not None:
            run.append((between.x(join.new_mm), between.new_top))
        drawing.polyline(run, stroke=palette.quiet_text, width=0.2)
    for join, x, top in placed:
        drawing.open_group(class_="join", data_join=join.name)
        drawing.describe(f"{join.name}: {' '.join(join.words)}{'' if join.words[0] in ('added', 'gone') else ' mm'}")
        for number, word in enumerate(join.words):
            drawing.text(
                x, top + _LINE_MM * number + 0.85 * _TEXT_MM, word, size=_TEXT_MM, fill=palette.ink_text,
                anchor="middle", backing=palette.ground,
            )  # fmt: skip
        drawing.close_group()


def _sameness(old: Model, new: Model) -> str:
    """Return what is said where holes, window and length are the same."""
    others = len(size_differences(old, new))
    if others:
        return f"holes, window and length are the same; other numbers that differ: {others}"
    return "nothing differs: both versions have the same numbers"


def _draw_body(
    drawing: Drawing, palette: Palette, model: Model, zero: float, axis: float, scale: float, *, dashed: bool
) -> None:
    """Draw a version from above: outline, windway, window and holes; holes of the far side are dotted.

    Holes too small for dashes have a full rim in both; the outline tells them apart.
    """
    ink, dash = palette.ink_text, _DASH if dashed else None
    drawing.open_group(class_="older" if dashed else "newer")
    drawing.describe("older version" if dashed else "newer version")
    drawing.polyline(
        outline_points(model, zero, axis, scale), fill=palette.ground if dashed else palette.body_fill, stroke=ink,
        width=0.3, dash=dash, closed=True,
    )  # fmt: skip
    draw_windway_lines(drawing, model, palette, x0=zero, y0=axis, scale=scale)
    half = 0.5 * model.head.window_width_mm * scale
    window = [(zero, axis - half), (zero + model.head.window_length_mm * scale, axis - half)]
    window += [(x, axis + half) for x, _ in reversed(window)]
    drawing.polyline(window, fill=palette.ground, stroke=ink, width=0.25, dash=dash, closed=True)
    for hole in model.holes:
        seen = hole_from_above(model, hole, zero, axis, scale)
        drawing.ellipse(
            *seen.ellipse, fill="none" if seen.far_side else palette.ground, stroke=ink, width=0.25,
            dash="0.35 0.35" if seen.far_side else "0.8 0.5" if dashed and seen.radius > 1.2 else None,
        )  # fmt: skip
    drawing.close_group()


def _columns(old_notes: Sequence[NoteMark], new_notes: Sequence[NoteMark]) -> list[_Column]:
    """Return every note of either version, by register and from low to high."""
    before, after = ({(m.register, m.note): m for m in reversed(marks)} for marks in (old_notes, new_notes))
    keys = sorted({*before, *after}, key=lambda key: (key[0], pitch_order(key[1]), key[1]))
    return [
        _Column(note, register, before.get((register, note)), after.get((register, note))) for register, note in keys
    ]


def _draw_notes(
    drawing: Drawing, palette: Palette, old_notes: Sequence[NoteMark], new_notes: Sequence[NoteMark],
    tolerance: float, y: float,
) -> float:  # fmt: skip
    """Draw a lane a register, and the legend; return where they end."""
    columns = _columns(old_notes, new_notes)
    right = drawing.width_mm - _RIGHT_MM
    if not columns:
        return y
    marks = [mark for column in columns for mark in (column.old, column.new) if mark is not None]
    axis = cents_axis(marks, tolerance, _LANE_MM)
    for register in sorted({column.register for column in columns}):
        own = [column for column in columns if column.register == register]
        letters = max(max(len(c.note), *(len(_told(v)) for v in _values(c))) for c in own)
        pitch = max(min(letters, 9) * 0.6021 * _TEXT_MM + 1.1, 7.4)
        most = max(1, math.floor((right - _LEFT_MM) / pitch))
        share = math.ceil(len(own) / math.ceil(len(own) / most))
        for first in range(0, len(own), share):
            lane = own[first : first + share]
            y = _draw_lane(drawing, palette, axis, lane, register, tolerance, pitch, y)
    changes = [v for c in columns for v in [_values(c)[2]] if v is not None]
    words = ["hollow: older", "filled: newer"]
    words += [shape_words(register) for register in sorted({column.register for column in columns})]
    if any(mark.uncertainty_cents > 0.0 for mark in marks):
        words.append("thin bar: standard uncertainty")
    words.append(f"band: tolerance ±{tolerance:g} cents")
    if changes and max(map(abs, changes)) <= _LEAST_SHOWN_CENTS and len(changes) == len(columns):
        words.insert(0, "no note differs")
    y += 1.0
    places = flowing([text_width_mm(word, _TEXT_MM) for word in words], 2.0, right, 4.0)
    for word, (line, x) in zip(words, places, strict=True):
        drawing.text(x, y + 3.6 * line, word, size=_TEXT_MM, fill=palette.quiet_text)
    return y + 3.6 * places[-1][0]


def _values(column: _Column) -> tuple[float | None, float | None, float | None]:
    """Return cents of the older and of the newer version, and the change."""
    old, new = (mark.cents if mark is not None else None for mark in (column.old, column.new))
    return old, new, None if old is None or new is None else new - old


def _told(value: float | None) -> str:
    return "–" if value is None else cents_words(value)


def _draw_lane(
    drawing: Drawing, palette: Palette, axis: CentsAxis, own: Sequence[_Column], register: int, tolerance: float,
    pitch: float, top: float,
) -> float:  # fmt: skip
    """Draw one lane of cents with the notes side by side; return where it ends."""
    right = drawing.width_mm - _RIGHT_MM
    line = 1.35 * _TEXT_MM
    lane = Lane(drawing, palette, axis, register, _LEFT_MM, right, top + line + 1.6, _LANE_MM, _TEXT_MM)
    lane.draw_band(tolerance)
    for tick, y in lane.ticks():
        if tick == 0.0:
            lane.draw_rule(y, stroke=palette.ink_text, width=0.35)
        else:
            lane.draw_rule(y, stroke=palette.faint_line, width=0.07)
        lane.draw_tick_words(tick, y, 1.0)
    lane.draw_titles(3.4, 6.8)
    for number, word in enumerate(_ROWS):
        drawing.text(
            _LEFT_MM - 1.0, lane.bottom + 1.0 + (number + 0.8) * line, word, size=_TEXT_MM,
            fill=palette.ink_text if number == 2 else lane.colour, anchor="end",
        )  # fmt: skip
    step = max(pitch, min((right - _LEFT_MM) / len(own), 2.0 * pitch))
    for number, column in enumerate(own):
        _draw_column(lane, column, _LEFT_MM + step * (number + 0.5), step, min(1.5, 0.2 * pitch))
    return lane.bottom + 1.0 + 3.0 * line + 3.0


def _draw_column(lane: Lane, column: _Column, x: float, step: float, apart: float) -> None:
    """Draw a note of both versions beside each other, and its cents in the rows below."""
    drawing, palette, line = lane.drawing, lane.palette, 1.35 * _TEXT_MM
    values = _values(column)
    drawing.open_group(class_="note", data_note=column.note, data_register=lane.register)
    told = ", ".join(f"{word} {_told(v)}" for word, v in zip(_ROWS, values, strict=True) if v is not None)
    drawing.describe(f"{column.note}, register {lane.register}: {told} cents")
    drawing.text(
        x, lane.top - line - 1.6 + 0.95 * _TEXT_MM, fit_text(column.note, _TEXT_MM, step - 0.4), size=_TEXT_MM,
        fill=palette.ink_text, anchor="middle", bold=True,
    )  # fmt: skip
    spots = [
        (x + way * apart, lane.y(mark.cents), mark, full)
        for way, mark, full in ((-1.0, column.old, False), (1.0, column.new, True))
        if mark is not None
    ]
    if len(spots) == 2:
        drawing.line(*spots[0][:2], *spots[1][:2], stroke=lane.colour, width=0.2)
    for at, place, mark, full in spots:
        lane.draw_uncertainty(at, mark, lane.colour)
        fill = lane.colour if full else palette.ground
        mark_shape(drawing, lane.register, at, place, fill=fill, stroke=lane.colour, width=0.35)
        side = lane.axis.side(mark.cents)
        if side:
            # Off the range: an arrow head beyond the mark; its number stands below.
            lane.draw_beyond(at, place, side, 2.6, lane.colour)
    for row, value in enumerate(values):
        drawing.text(
            x, lane.bottom + 1.0 + (row + 0.8) * line, _told(value), size=_TEXT_MM,
            fill=palette.ink_text if row == 2 else lane.colour, anchor="middle", bold=row == 2,
        )  # fmt: skip
    drawing.close_group()
