"""How the instrument looks from above and in length section, to scale, with sizes from the plane x = 0."""

import math
from collections.abc import Sequence

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.instrument.shape import bore_diameter_mm, edge_above_floor_mm, outside_diameter_mm
from fluewright.pictures.body import draw_top, head_end_mm, hole_labels, outside_corners_mm
from fluewright.pictures.palette import Palette, palette_for
from fluewright.pictures.spread import spread_apart
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm

__all__ = ["DRAWING_SCALES", "fitting_scale", "scale_words", "side_view", "top_view"]

DRAWING_SCALES = (1.0, 2.0, 2.5, 4.0, 5.0, 10.0, 20.0, 50.0)
"""Reductions that a drawing may use (1:n); 1, 2, 5 and their tens are those of ISO 5455 (from memory)."""

_TEXT_MM = 2.4
_SIDE_MM = 6.0


def fitting_scale(length_mm: float, room_mm: float) -> float:
    """Return the largest usual scale (1, 0.5, 0.4 ...) at which a length fits into the room."""
    for reduction in DRAWING_SCALES:
        if length_mm / reduction <= room_mm:
            return 1.0 / reduction
    raise InputError(
        f"a length of {length_mm:.0f} mm does not fit into {room_mm:.0f} mm even at "
        f"1:{DRAWING_SCALES[-1]:g}. "
        "Check the stations of the model."
    )


def scale_words(scale: float) -> str:
    """Return a scale as printed: ``1:2`` for 0.5, ``4:1`` for 4."""
    return f"1:{1.0 / scale:g}" if scale <= 1.0 else f"{scale:g}:1"


def _place(model: Model, width_mm: float, scale: float | None) -> tuple[float, float]:
    """Return scale and page place of x = 0."""
    head = head_end_mm(model)
    length = model.length_mm - head
    chosen = fitting_scale(length, width_mm - 2.0 * _SIDE_MM) if scale is None else scale
    return chosen, 0.5 * (width_mm - length * chosen) - head * chosen


def _ordinates(
    drawing: Drawing,
    palette: Palette,
    entries: Sequence[tuple[float, float, float, str]],
    *,
    row_y: float,
    upward: bool,
    width_mm: float,
) -> bool:
    """Print texts in a row, joined to their (x, y) by thin lines; return whether some were left out for room.

    Each entry is (true x on the page, y where its line starts, dash flag, text).
    """
    kept = sorted(entries, key=lambda entry: entry[0])
    pitch = max([text_width_mm(text, _TEXT_MM) for *_, text in kept], default=0.0) + 2.0
    room = width_mm - 2.0 - pitch
    most = max(2, math.floor(room / pitch) + 1)
    thinned = len(kept) > most
    if thinned:
        picks = sorted({round(i * (len(kept) - 1) / (most - 1)) for i in range(most)})
        kept = [kept[i] for i in picks]
    places = spread_apart([x for x, *_ in kept], pitch, 1.0 + 0.5 * pitch, width_mm - 1.0 - 0.5 * pitch)
    way = -1.0 if upward else 1.0
    near, fan = row_y - way * 1.2, row_y - way * 5.2
    for (x, y, dashed, text), place in zip(kept, places, strict=True):
        dash = "0.8 0.6" if dashed else None
        drawing.polyline([(x, y), (x, fan), (place, near)], stroke=palette.quiet_text, width=0.12, dash=dash)
        base = row_y if upward else row_y + 0.76 * _TEXT_MM
        drawing.text(place, base, text, size=_TEXT_MM, fill=palette.ink_text, anchor="middle")
    return thinned


def _mm(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return ("0" if text == "-0" else text).replace("-", "−")


def _note(drawing: Drawing, palette: Palette, text: str, y: float) -> None:
    drawing.text(2.0, y, fit_text(text, _TEXT_MM, drawing.width_mm - 4.0), size=_TEXT_MM, fill=palette.quiet_text)


def top_view(model: Model, *, theme: str = "light", width_mm: float = 180.0, scale: float | None = None) -> str:
    """Return the instrument seen from the window side, to scale, with running sizes from x = 0, as SVG text.

    Above the body stand the holes' names and diameters, under it their distances from the exit plane. Holes
    on the far side are dashed.

    Parameters
    ----------
    model : Model
        The instrument.
    theme : {"light", "dark", "paper"}
        Colours.
    width_mm : float
        Width on paper.
    scale : float, optional
        Page millimetres for one of the instrument; by default the largest usual scale that fits.

    Returns
    -------
    str
        SVG, one user unit a millimetre.
    """
    palette = palette_for(theme)
    scale, zero = _place(model, width_mm, scale)
    thick = max(d for _, d in outside_corners_mm(model)) * scale
    axis_y = 10.5 + 0.5 * thick
    foot_y = axis_y + 0.5 * thick
    drawing = Drawing(width_mm, foot_y + 17.0)
    labels = hole_labels(model)
    holes = [
        (
            zero + h.position_mm * scale,
            axis_y,
            1.0 if math.cos(math.radians(h.angle_deg)) < 0 else 0.0,
            h,
            label,
        )
        for h, label in zip(model.holes, labels, strict=True)
    ]
    _ordinates(
        drawing, palette,
        [(x, y - 0.5 * thick, dash, f"{label}: ⌀{_mm(h.diameter_mm)}") for x, y, dash, h, label in holes],
        row_y=3.2, upward=True, width_mm=width_mm,
    )  # fmt: skip
    draw_top(drawing, model, palette, x0=zero, y0=axis_y, scale=scale)
    drawing.line(
        zero + head_end_mm(model) * scale - 2.0, axis_y, zero + model.length_mm * scale + 2.0, axis_y,
        stroke=palette.quiet_text, width=0.12, dash="4 0.8 0.6 0.8",
    )  # fmt: skip
    drawing.line(zero, axis_y - 0.5 * thick - 1.5, zero, foot_y + 1.5, stroke=palette.ink_text, width=0.3)
    below = [
        (x, foot_y if dash else y + 0.5 * h.diameter_mm * scale, dash, _mm(h.position_mm)) for x, y, dash, h, _ in holes
    ]
    edge = model.head.window_length_mm
    below += [
        (zero + x * scale, foot_y, 0.0, _mm(x))
        for x in sorted({round(head_end_mm(model), 4), 0.0, edge, model.length_mm})
    ]
    thinned = _ordinates(drawing, palette, below, row_y=foot_y + 7.0, upward=False, width_mm=width_mm)
    words = f"scale {scale_words(scale)}, mm from the exit plane of the windway, x = 0; dashed: far side"
    _note(drawing, palette, words + ("; not all sizes fit, see the tables" if thinned else ""), foot_y + 14.5)
    return drawing.to_svg(
        ground=palette.ground,
        description=f"Top view of {model.model.name} at {scale_words(scale)}",
        data=(("zero-mm", zero), ("scale", scale)),
    )


def side_view(model: Model, *, theme: str = "light", width_mm: float = 180.0, scale: float | None = None) -> str:
    """Return the instrument in length section, to scale, with bore and outside sizes from x = 0, as SVG text.

    Above stand the outside diameters, under it the bore diameters, each with its distance from the exit
    plane. Holes on the window side are cut in the upper wall, those on the thumb side in the lower one.

    Parameters
    ----------
    model : Model
        The instrument.
    theme : {"light", "dark", "paper"}
        Colours.
    width_mm : float
        Width on paper.
    scale : float, optional
        Page millimetres for one of the instrument; by default the largest usual scale that fits.

    Returns
    -------
    str
        SVG, one user unit a millimetre.
    """
    palette = palette_for(theme)
    scale, zero = _place(model, width_mm, scale)
    corners = outside_corners_mm(model)
    thick = max(d for _, d in corners) * scale
    axis_y = 10.5 + 0.5 * thick
    foot_y = axis_y + 0.5 * thick
    drawing = Drawing(width_mm, foot_y + 17.0)
    first_bore = model.bore.stations_mm[0][0]
    bore = list(model.bore.stations_mm)

    outline = [(zero + x * scale, axis_y - 0.5 * d * scale) for x, d in corners]
    outline += [(zero + x * scale, axis_y + 0.5 * d * scale) for x, d in reversed(corners)]
    drawing.polyline(outline, fill=palette.wall_fill, stroke=palette.ink_text, width=0.25, closed=True)
    inner = [(zero + x * scale, axis_y - 0.5 * d * scale) for x, d in bore]
    inner += [(zero + x * scale, axis_y + 0.5 * d * scale) for x, d in reversed(bore)]
    drawing.polyline(inner, fill=palette.ground, stroke=palette.ink_text, width=0.2, closed=True)

    head = model.head
    top_at_exit = axis_y - 0.5 * bore_diameter_mm(model, 0.0) * scale
    floor = top_at_exit - head.windway.floor_height_mm * scale
    block_end = zero + head.block_depth_mm * scale
    entry = zero - head.windway.length_mm * scale
    bottom = axis_y + 0.5 * bore_diameter_mm(model, max(first_bore, 0.0)) * scale
    drawing.polyline(
        [(entry, floor), (block_end, floor), (block_end, bottom), (entry, bottom)],
        fill=palette.block_fill, stroke=palette.ink_text, width=0.2, closed=True,
    )  # fmt: skip
    drawing.polyline(
        [
            (entry, floor), (zero, floor), (zero, floor - head.windway.exit_height_mm * scale),
            (entry, floor - head.windway.entry_height_mm * scale),
        ],
        fill=palette.ground, stroke=palette.ink_text, width=0.12, closed=True,
    )  # fmt: skip
    edge_x = head.window_length_mm
    edge_y = floor - edge_above_floor_mm(head) * scale
    outside_at_exit = axis_y - 0.5 * outside_diameter_mm(model, 0.0) * scale
    rise = max(edge_y - outside_at_exit, 0.0)
    ramp_end = zero + edge_x * scale + rise / math.tan(math.radians(max(head.ramp_angle_deg, 1.0)))
    drawing.polyline(
        [
            (zero, outside_at_exit - 0.2), (zero, top_at_exit + 0.1),
            (zero + edge_x * scale, top_at_exit + 0.1),
            (zero + edge_x * scale, edge_y), (ramp_end, outside_at_exit - 0.2),
        ],
        fill=palette.ground, closed=True,
    )  # fmt: skip
    drawing.polyline(
        [
            (zero, outside_at_exit), (zero, floor - head.windway.exit_height_mm * scale),
        ],
        stroke=palette.ink_text, width=0.2,
    )  # fmt: skip
    drawing.polyline(
        [(zero + edge_x * scale, top_at_exit), (zero + edge_x * scale, edge_y), (ramp_end, outside_at_exit)],
        stroke=palette.ink_text, width=0.2,
    )  # fmt: skip

    for index, hole in enumerate(model.holes):
        sign = -1.0 if math.cos(math.radians(hole.angle_deg)) >= 0 else 1.0
        x, radius = zero + hole.position_mm * scale, 0.5 * hole.diameter_mm * scale
        near = axis_y + sign * (0.5 * bore_diameter_mm(model, hole.position_mm) * scale - 0.15)
        far = axis_y + sign * (0.5 * outside_diameter_mm(model, hole.position_mm) * scale + 0.15)
        drawing.open_group(class_="hole", data_hole=index)
        drawing.rect(x - radius, min(near, far), 2.0 * radius, abs(far - near), fill=palette.ground)
        for side in (-radius, radius):
            drawing.line(x + side, near, x + side, far, stroke=palette.ink_text, width=0.2)
        drawing.close_group()

    drawing.line(
        zero + head_end_mm(model) * scale - 2.0, axis_y, zero + model.length_mm * scale + 2.0, axis_y,
        stroke=palette.quiet_text, width=0.12, dash="4 0.8 0.6 0.8",
    )  # fmt: skip
    drawing.line(zero, axis_y - 0.5 * thick - 1.5, zero, foot_y + 1.5, stroke=palette.ink_text, width=0.3)
    outside = [
        (zero + x * scale, axis_y - 0.5 * d * scale, 0.0, f"⌀{_mm(d)} @ {_mm(x)}")
        for x, d in model.bore.outside_mm
        if x <= model.length_mm
    ]
    inside = [(zero + x * scale, axis_y + 0.5 * d * scale, 1.0, f"⌀{_mm(d)} @ {_mm(x)}") for x, d in bore]
    thinned = _ordinates(drawing, palette, outside, row_y=3.2, upward=True, width_mm=width_mm)
    thinned |= _ordinates(drawing, palette, inside, row_y=foot_y + 7.0, upward=False, width_mm=width_mm)
    words = f"scale {scale_words(scale)}, ⌀ @ x from the windway exit plane, x = 0, in mm; above: outside, below: bore"
    _note(drawing, palette, words + ("; not all fit, see the tables" if thinned else ""), foot_y + 14.5)
    return drawing.to_svg(
        ground=palette.ground,
        description=f"Length section of {model.model.name} at {scale_words(scale)}",
        data=(("zero-mm", zero), ("scale", scale)),
    )
