"""What differs between two versions of a model: both to one scale, lined up at the windway's exit, and their notes.

The older version is drawn dashed and its marks are hollow, the newer one is drawn full and its marks are filled; words
and numbers say the same, so that nothing is told by line or colour alone.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from fluewright.instrument.differences import size_differences
from fluewright.instrument.model import Model
from fluewright.instrument.shape import outside_diameter_mm
from fluewright.pictures.body import head_end_mm, hole_labels, outside_corners_mm
from fluewright.pictures.cents_axis import CentsAxis, cents_axis, mark_shape, pitch_order, signed
from fluewright.pictures.palette import Palette, Theme, palette_for
from fluewright.pictures.results import NoteMark
from fluewright.pictures.spread import spread_apart
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm

__all__ = ["LEAST_SHOWN_MM", "comparison_picture"]

LEAST_SHOWN_MM = 0.005
"""Differences of a size up to this are not written."""

_TEXT_MM = 2.4
_LEFT_MM, _RIGHT_MM = 17.0, 3.0
_LANE_MM = 26.0
_LEAST_SHOWN_CENTS = 0.05
_DASH = "1.3 0.8"


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
    scale_text = f"scale 1:{1.0 / scale:.2f}" if scale <= 1.0 else f"scale {scale:.2f}:1"
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
    return "" if abs(value) <= LEAST_SHOWN_MM else f"{value:+.2f}".replace("-", "−")


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
    taken = sum(max(text_width_mm(word, _TEXT_MM) for word in join.words) + 1.2 for join in told)
    rows = max(1, math.ceil(taken / (0.95 * (right - left))))
    line = 1.3 * _TEXT_MM
    row_mm = line * max([len(join.words) for join in told], default=1) + 0.8
    old_axis = 15.8 + 0.5 * thick[0]
    old_bottom = old_axis + 0.5 * thick[0]
    fan = 4.0
    labels_top = old_bottom + fan
    new_top = labels_top + rows * row_mm + fan
    new_axis = new_top + 0.5 * thick[1]

    def x_of(place_mm: float) -> float:
        return zero + place_mm * scale

    def shown_x(join: _Join) -> float:
        places = [place for place in (join.old_mm, join.new_mm) if place is not None]
        return x_of(sum(places) / len(places))

    drawing.line(zero, 11.8, zero, new_axis + 0.5 * thick[1] + 1.2, stroke=palette.quiet_text, width=0.15, dash="3 0.8")
    for join in joins:
        if not join.words and join.old_mm is not None and join.new_mm is not None:
            drawing.open_group(class_="join", data_join=join.name)
            drawing.describe(f"{join.name}: as before")
            drawing.line(x_of(join.old_mm), old_bottom, x_of(join.new_mm), new_top, stroke=palette.faint_line)
            drawing.close_group()
    ordered = sorted(told, key=shown_x)
    placed: list[tuple[_Join, float, float]] = []
    for row in range(rows):
        own = ordered[row::rows]
        places = _beside([shown_x(j) for j in own], [max(j.words, key=len) for j in own], left, right)
        placed += [(join, x, labels_top + row * row_mm) for join, x in zip(own, places, strict=True)]
    for join, x, top in placed:
        run = [(x, top), (x, top + row_mm - 0.8)]
        if join.old_mm is not None:
            run.insert(0, (x_of(join.old_mm), old_bottom))
        if join.new_mm is not None:
            run.append((x_of(join.new_mm), new_top))
        drawing.polyline(run, stroke=palette.quiet_text, width=0.2)
    for join, x, top in placed:
        drawing.open_group(class_="join", data_join=join.name)
        drawing.describe(f"{join.name}: {' '.join(join.words)}{'' if join.words[0] in ('added', 'gone') else ' mm'}")
        for number, word in enumerate(join.words):
            drawing.text(
                x, top + line * number + 0.85 * _TEXT_MM, word, size=_TEXT_MM, fill=palette.ink_text, anchor="middle",
                backing=palette.ground,
            )  # fmt: skip
        drawing.close_group()
    if not told:
        others = len(size_differences(old, new))
        said = "nothing differs: both versions have the same numbers"
        if others:
            said = f"holes, window and length are the same; other numbers that differ: {others}"
        said = fit_text(said, _TEXT_MM, right - left)
        drawing.text(
            0.5 * (left + right), labels_top + 0.85 * _TEXT_MM, said, size=_TEXT_MM, fill=palette.ink_text,
            anchor="middle", backing=palette.ground,
        )  # fmt: skip
    for model, axis, dashed in ((old, old_axis, True), (new, new_axis, False)):
        _draw_body(drawing, palette, model, zero, axis, scale, dashed=dashed)
    bottom = new_axis + 0.5 * thick[1]
    drawing.text(zero, bottom + 3.4, "x = 0", size=_TEXT_MM, fill=palette.quiet_text, anchor="middle")
    # Holes are joined by their names, so these are written where they fit; numbers from the head otherwise.
    for model, y, low in ((old, 13.4, left), (new, bottom + 3.4, zero + 5.0)):
        wanted = [x_of(hole.position_mm) for hole in model.holes]
        names = [hole.name for hole in model.holes]
        places = _beside(wanted, names, low, right)
        if any(abs(x - w) > 9.0 for x, w in zip(places, wanted, strict=True)):
            names = hole_labels(model)
            places = _beside(wanted, names, low, right)
        for name, x in zip(names, places, strict=True):
            drawing.text(x, y, name, size=_TEXT_MM, fill=palette.ink_text, anchor="middle")
    return bottom + 4.6


def _beside(wanted: Sequence[float], words: Sequence[str], low: float, high: float) -> list[float]:
    """Return places of words of different widths beside each other, nearest to the wanted ones."""
    if not words:
        return []
    widths = [text_width_mm(word, _TEXT_MM) + 1.2 for word in words]
    # Less what the words before take up, each may come as near as the next.
    before = [0.0]
    for a, b in pairwise(widths):
        before.append(before[-1] + 0.5 * (a + b))
    low, high = low + 0.5 * widths[0], high - 0.5 * widths[-1]
    shifted = [x - b for x, b in zip(wanted, before, strict=True)]
    return [x + b for x, b in zip(spread_apart(shifted, 0.0, low, high - before[-1]), before, strict=True)]


def _draw_body(
    drawing: Drawing, palette: Palette, model: Model, zero: float, axis: float, scale: float, *, dashed: bool
) -> None:
    """Draw a version from above: outline, windway, window and holes; holes of the far side are dotted.

    Holes too small for dashes have a full rim in both; the outline tells them apart.
    """
    ink, dash = palette.ink_text, _DASH if dashed else None
    corners = outside_corners_mm(model)
    outline = [(zero + x * scale, axis - 0.5 * d * scale) for x, d in corners]
    outline += [(zero + x * scale, axis + 0.5 * d * scale) for x, d in reversed(corners)]
    drawing.open_group(class_="older" if dashed else "newer")
    drawing.describe("older version" if dashed else "newer version")
    drawing.polyline(
        outline, fill=palette.ground if dashed else palette.body_fill, stroke=ink, width=0.3, dash=dash, closed=True
    )
    head = model.head
    half_way = 0.5 * head.windway.width_mm * scale
    for sign in (-1.0, 1.0):  # the windway is hidden under its roof
        y = axis + sign * half_way
        drawing.line(
            zero - head.windway.length_mm * scale, y, zero, y, stroke=palette.quiet_text, width=0.12, dash="0.8 0.6"
        )
    half = 0.5 * head.window_width_mm * scale
    window = [(zero, axis - half), (zero + head.window_length_mm * scale, axis - half)]
    window += [(x, axis + half) for x, _ in reversed(window)]
    drawing.polyline(window, fill=palette.ground, stroke=ink, width=0.25, dash=dash, closed=True)
    for hole in model.holes:
        around = math.radians(hole.angle_deg)
        radius = 0.5 * hole.diameter_mm * scale
        outside = 0.5 * outside_diameter_mm(model, hole.position_mm) * scale
        far_side = math.cos(around) < -1e-9
        drawing.ellipse(
            zero + hole.position_mm * scale, axis + outside * math.sin(around), radius,
            radius * max(abs(math.cos(around)), 0.05), fill="none" if far_side else palette.ground, stroke=ink,
            width=0.25, dash="0.35 0.35" if far_side else "0.8 0.5" if dashed and radius > 1.2 else None,
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
    shapes = {1: "round: register 1", 2: "diamond: register 2"}
    words = ["hollow: older", "filled: newer"]
    words += [shapes.get(r, f"triangle: register {r}") for r in sorted({column.register for column in columns})]
    if any(mark.uncertainty_cents > 0.0 for mark in marks):
        words.append("thin bar: standard uncertainty")
    words.append(f"band: tolerance ±{tolerance:g} cents")
    if changes and max(map(abs, changes)) <= _LEAST_SHOWN_CENTS and len(changes) == len(columns):
        words.insert(0, "no note differs")
    x, y = 2.0, y + 1.0
    for word in words:
        wide = text_width_mm(word, _TEXT_MM)
        if x + wide > right and x > 2.0:
            x, y = 2.0, y + 3.6
        drawing.text(x, y, word, size=_TEXT_MM, fill=palette.quiet_text)
        x += wide + 4.0
    return y


def _values(column: _Column) -> tuple[float | None, float | None, float | None]:
    """Return cents of the older and of the newer version, and the change."""
    old, new = (mark.cents if mark is not None else None for mark in (column.old, column.new))
    return old, new, None if old is None or new is None else new - old


def _told(value: float | None) -> str:
    return "–" if value is None else signed(value)


def _draw_lane(
    drawing: Drawing, palette: Palette, axis: CentsAxis, own: Sequence[_Column], register: int, tolerance: float,
    pitch: float, top: float,
) -> float:  # fmt: skip
    """Draw one lane of cents with the notes side by side; return where it ends."""
    right = drawing.width_mm - _RIGHT_MM
    line = 1.35 * _TEXT_MM
    plot_top = top + line + 1.6
    plot_bottom = plot_top + _LANE_MM
    colour = palette.register_text(register)
    band_top, band_bottom = (axis.place(c, plot_top, _LANE_MM) for c in (tolerance, -tolerance))
    drawing.rect(_LEFT_MM, band_top, right - _LEFT_MM, band_bottom - band_top, fill=palette.band_fill)
    for edge in (band_top, band_bottom):
        drawing.line(_LEFT_MM, edge, right, edge, stroke=palette.quiet_text, width=0.12, dash="1.6 0.8")
    tick = math.ceil(axis.low / axis.step) * axis.step
    while tick <= axis.high + 1e-9:
        y = axis.place(tick, plot_top, _LANE_MM)
        drawing.line(
            _LEFT_MM, y, right, y, stroke=palette.ink_text if tick == 0.0 else palette.faint_line,
            width=0.35 if tick == 0.0 else 0.07,
        )  # fmt: skip
        shown = "0" if tick == 0.0 else f"{tick:+.0f}".replace("-", "−")
        drawing.text(_LEFT_MM - 1.0, y + 0.36 * _TEXT_MM, shown, size=_TEXT_MM, fill=palette.quiet_text, anchor="end")
        tick += axis.step
    middle = 0.5 * (plot_top + plot_bottom)
    drawing.text(
        3.4, middle, f"register {register}", size=_TEXT_MM, fill=colour, anchor="middle", turned=True, bold=True
    )
    drawing.text(6.8, middle, "cents", size=_TEXT_MM, fill=palette.quiet_text, anchor="middle", turned=True)
    for number, word in enumerate(("older", "newer", "change")):
        drawing.text(
            _LEFT_MM - 1.0, plot_bottom + 1.0 + (number + 0.8) * line, word, size=_TEXT_MM,
            fill=palette.ink_text if number == 2 else colour, anchor="end",
        )  # fmt: skip
    step = max(pitch, min((right - _LEFT_MM) / len(own), 2.0 * pitch))
    for number, column in enumerate(own):
        x = _LEFT_MM + step * (number + 0.5)
        values = _values(column)
        drawing.open_group(class_="note", data_note=column.note, data_register=register)
        drawing.describe(
            f"{column.note}, register {register}: "
            + ", ".join(
                f"{word} {_told(v)}"
                for word, v in zip(("older", "newer", "change"), values, strict=True)
                if v is not None
            )
            + " cents"
        )
        drawing.text(
            x, top + 0.95 * _TEXT_MM, fit_text(column.note, _TEXT_MM, step - 0.4), size=_TEXT_MM,
            fill=palette.ink_text, anchor="middle", bold=True,
        )  # fmt: skip
        spots = [
            (x + way * min(1.5, 0.2 * pitch), axis.place(mark.cents, plot_top, _LANE_MM), mark, full)
            for way, mark, full in ((-1.0, column.old, False), (1.0, column.new, True))
            if mark is not None
        ]
        if len(spots) == 2:
            drawing.line(*spots[0][:2], *spots[1][:2], stroke=colour, width=0.2)
        for at, place, mark, full in spots:
            side = axis.side(mark.cents)
            if mark.uncertainty_cents > 0.0 and side == 0:
                ends = [
                    axis.place(mark.cents + way * mark.uncertainty_cents, plot_top, _LANE_MM) for way in (1.0, -1.0)
                ]
                drawing.line(at, ends[0], at, ends[1], stroke=colour, width=0.25)
                for end in ends:
                    drawing.line(at - 0.5, end, at + 0.5, end, stroke=colour, width=0.25)
            fill = colour if full else palette.ground
            mark_shape(drawing, register, at, place, fill=fill, stroke=colour, width=0.35)
            if side:
                # Off the range: an arrow head beyond the mark; its number stands below.
                tip = place - 2.6 * side
                drawing.polyline(
                    [(at, tip), (at - 0.8, tip + 1.0 * side), (at + 0.8, tip + 1.0 * side)], fill=colour, closed=True
                )
        for row, value in enumerate(values):
            drawing.text(
                x, plot_bottom + 1.0 + (row + 0.8) * line, _told(value), size=_TEXT_MM,
                fill=palette.ink_text if row == 2 else colour, anchor="middle", bold=row == 2,
            )  # fmt: skip
        drawing.close_group()
    return plot_bottom + 1.0 + 3.0 * line + 3.0
