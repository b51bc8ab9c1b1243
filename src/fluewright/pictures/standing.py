"""The standing wave over the instrument: pressure and flow along the bore, above the body seen from the window."""

import math
from collections.abc import Sequence

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.pictures.body import draw_top, head_end_mm, hole_labels, outside_corners_mm
from fluewright.pictures.palette import Theme, palette_for
from fluewright.pictures.svg import Drawing, fit_text

__all__ = ["standing_wave"]


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
    x_mm : floats
        Places from the windway exit plane, growing; a place may come twice where the flow jumps.
    pressure, flow : floats
        Amplitudes, each in any unit: each is drawn over its own largest.
    title : str
    holes : ints
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
    axis = bottom + 9.0 + 0.5 * tallest
    drawing = Drawing(width_mm, axis + 0.5 * tallest + 12.0)
    drawing.text(4.0, 6.0, fit_text(title, 3.6, width_mm - 8.0), size=3.6, fill=palette.ink_text)
    for share in (0.0, 0.5, 1.0):
        y = bottom - share * (bottom - top)
        drawing.line(left, y, right, y, stroke=palette.faint_line, width=0.1)
        drawing.text(left - 1.5, y + 0.9, f"{share:g}", size=2.6, fill=palette.ink_text, anchor="end")
    states = ("closed", "open", "half")
    for index, (hole, label) in enumerate(zip(model.holes, hole_labels(model), strict=True)):
        at = x0 + hole.position_mm * scale
        drawing.line(at, top, at, axis, stroke=palette.quiet_text, width=0.12, dash="0.8 0.6")
        drawing.text(at, bottom + 4.0, label, size=2.6, fill=palette.ink_text, anchor="middle")
        if index < len(holes):
            text = states[holes[index]]
            drawing.text(at, axis + 0.5 * tallest + 4.0, text, size=2.2, fill=palette.quiet_text, anchor="middle")
    draw_top(drawing, model, palette, x0=x0, y0=axis, scale=scale)
    for name, values, stroke, dash, label_x in (
        ("pressure", pressure, palette.register_1_text, None, left),
        ("flow", flow, palette.register_2_text, "1.6 0.8", left + 30.0),
    ):
        most = max(abs(v) for v in values) or 1.0
        drawing.open_group(class_=name)
        drawing.describe(f"{name} over its largest")
        drawing.polyline(
            [(x0 + x * scale, bottom - abs(v) / most * (bottom - top)) for x, v in zip(x_mm, values, strict=True)],
            stroke=stroke, width=0.4, dash=dash,
        )  # fmt: skip
        drawing.close_group()
        drawing.line(label_x, 11.0, label_x + 8.0, 11.0, stroke=stroke, width=0.4, dash=dash)
        drawing.text(label_x + 9.5, 12.0, name, size=2.8, fill=palette.ink_text)
    drawing.text(left + 56.0, 12.0, "each over its largest", size=2.6, fill=palette.quiet_text)
    return drawing.to_svg(ground=palette.ground, description=title)
