"""The standing wave over the instrument: pressure and flow along the bore, above the body seen from the window."""

import math
from collections.abc import Sequence

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.pictures.body import draw_top, head_end_mm, hole_name_rows, outside_corners_mm
from fluewright.pictures.numerals import general
from fluewright.pictures.palette import Palette, Theme, palette_for
from fluewright.pictures.spread import in_rows
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm

__all__ = ["standing_wave"]

_TEXT_MM, _STATE_MM = 2.6, 2.2
_LINE_MM = 1.35 * _TEXT_MM
_STATES = ("closed", "open", "half")


def standing_wave(
    model: Model,
    x_mm: Sequence[float],
    pressure: Sequence[float],
    flow: Sequence[float],
    *,
    title: str,
    holes: Sequence[int] = (),
    theme: Theme = "light",
    width_mm: float = 180.0,
) -> str:
    """Return an SVG of the amplitudes of pressure and flow along the bore, over the instrument to the same scale.

    Parameters
    ----------
    model : Model
    x_mm : sequence of float, shape (n,)
        Places from the windway exit plane, growing; a place may come twice where the flow jumps.
    pressure, flow : sequence of float, shape (n,)
        Amplitudes, each in any unit: each is drawn over its own largest.
    title : str
    holes : sequence of int
        State of each hole (0 closed, 1 open, 2 half open), printed beside its name; empty prints names only.
    theme : str
    width_mm : float
        Of the page.

    Raises
    ------
    InputError
        Fewer than two places, lists of different length, or values that are not finite.
    """
    lists = (x_mm, pressure, flow)
    if len(x_mm) < 2 or len({len(v) for v in lists}) > 1 or not all(math.isfinite(v) for row in lists for v in row):
        raise InputError("a standing wave needs at least two places, with one finite pressure and flow for each")
    palette = palette_for(theme)
    head, foot = head_end_mm(model), model.length_mm
    left, right = 14.0, width_mm - 8.0
    scale = (right - left) / (foot - head)
    x0 = left - head * scale
    top, bottom = 18.0, 68.0
    tallest = max(d for _, d in outside_corners_mm(model)) * scale
    names = hole_name_rows(model, x0, scale, size_mm=_TEXT_MM, gap_mm=0.8, low_mm=left, high_mm=right)
    axis = bottom + 9.0 + _LINE_MM * max(len(names) - 1, 0) + 0.5 * tallest
    drawing = Drawing(width_mm, axis + 0.5 * tallest + 12.0)
    drawing.text(4.0, 6.0, fit_text(title, 3.6, width_mm - 8.0), size=3.6, fill=palette.ink_text)
    for share in (0.0, 0.5, 1.0):
        y = bottom - share * (bottom - top)
        drawing.line(left, y, right, y, stroke=palette.faint_line, width=0.1)
        drawing.text(left - 1.5, y + 0.9, general(share), size=_TEXT_MM, fill=palette.ink_text, anchor="end")
    _draw_places(drawing, palette, model, names, x0, scale, top, bottom, axis)
    drawing.height_mm += _draw_states(drawing, palette, model, holes, x0, scale, axis + 0.5 * tallest, left, right)
    draw_top(drawing, model, palette, x0=x0, y0=axis, scale=scale)
    for name, values, stroke, dash, label_x in (
        ("pressure", pressure, palette.register_1_text, None, left),
        ("flow", flow, palette.register_2_text, "1.6 0.8", left + 30.0),
    ):
        most = max(abs(v) for v in values) or 1.0
        points = [(x0 + x * scale, bottom - abs(v) / most * (bottom - top)) for x, v in zip(x_mm, values, strict=True)]
        drawing.open_group(class_=name)
        drawing.describe(f"{name} over its largest")
        drawing.polyline(points, stroke=stroke, width=0.4, dash=dash)
        drawing.close_group()
        drawing.line(label_x, 11.0, label_x + 8.0, 11.0, stroke=stroke, width=0.4, dash=dash)
        drawing.text(label_x + 9.5, 12.0, name, size=2.8, fill=palette.ink_text)
    drawing.text(left + 56.0, 12.0, "each over its largest", size=_TEXT_MM, fill=palette.quiet_text)
    return drawing.to_svg(ground=palette.ground, description=title)


def _draw_places(
    drawing: Drawing, palette: Palette, model: Model, names: Sequence[Sequence[tuple[int, str, float]]], x0: float,
    scale: float, top: float, bottom: float, axis: float,
) -> None:  # fmt: skip
    """Draw an upright line through each hole, with its name over the body."""
    for number, row in enumerate(names):
        for index, name, x in row:
            at = x0 + model.holes[index].position_mm * scale
            drawing.line(at, top, at, axis, stroke=palette.quiet_text, width=0.12, dash="0.8 0.6")
            drawing.text(
                x, bottom + 4.0 + _LINE_MM * number, name, size=_TEXT_MM, fill=palette.ink_text, anchor="middle",
                backing=palette.ground,
            )  # fmt: skip


def _draw_states(
    drawing: Drawing, palette: Palette, model: Model, holes: Sequence[int], x0: float, scale: float, y: float,
    left: float, right: float,
) -> float:  # fmt: skip
    """Print each hole's state under it; return how much more height that takes than one row.

    Where holes are too near each other for that, every state stands beside its neighbours under its hole's name.
    """
    wanted = [x0 + hole.position_mm * scale for hole in model.holes[: len(holes)]]
    words = [[_STATES[state]] for state in holes[: len(wanted)]]

    def rows() -> list[list[tuple[int, float]]]:
        widths = [max(text_width_mm(word, _STATE_MM) for word in own) + 1.0 for own in words]
        return in_rows(wanted, widths, left, right, most_moved_mm=9.0)

    placed = rows()
    if any(abs(x - wanted[index]) > 0.01 for row in placed for index, x in row):
        room = right - left - 1.0
        words = [[fit_text(model.holes[i].name, _STATE_MM, room), *own] for i, own in enumerate(words)]
        placed = rows()
    line = 1.3 * _STATE_MM
    tall = line * max([len(own) for own in words], default=1)
    for number, row in enumerate(placed):
        for index, x in row:
            for k, word in enumerate(words[index]):
                at = y + 4.0 + tall * number + line * k
                drawing.text(x, at, word, size=_STATE_MM, fill=palette.quiet_text, anchor="middle")
    return tall * max(len(placed), 1) - line
