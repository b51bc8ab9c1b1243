"""How the instrument looks from above and in length section, to scale, with sizes from the plane x = 0."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.instrument.shape import bore_diameter_mm, edge_above_floor_mm, outside_diameter_mm
from fluewright.pictures.body import AlongBody, draw_top, head_end_mm, outside_corners_mm
from fluewright.pictures.numerals import scale_words, short
from fluewright.pictures.palette import Palette, palette_for
from fluewright.pictures.spread import spread_apart
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm

__all__ = ["DRAWING_SCALES", "fitting_scale", "side_view", "top_view"]

DRAWING_SCALES = (1.0, 2.0, 2.5, 4.0, 5.0, 10.0, 20.0, 50.0)
"""Reductions that a drawing may use (1:n); 1, 2, 5 and their tens are those of ISO 5455 (from memory)."""

_TEXT_MM = 2.4
_LINE_MM = 1.3 * _TEXT_MM
_SIDE_MM = 6.0


def fitting_scale(length_mm: float, room_mm: float) -> float:
    """Return the largest usual scale (1, 0.5, 0.4 ...) at which a length fits into the room.

    Raises
    ------
    InputError
        It fits at none.
    """
    for reduction in DRAWING_SCALES:
        if length_mm / reduction <= room_mm:
            return 1.0 / reduction
    raise InputError(
        f"a length of {length_mm:.0f} mm does not fit into {room_mm:.0f} mm even at "
        f"1:{DRAWING_SCALES[-1]:g}. "
        "Check the stations of the model."
    )


@dataclass(frozen=True)
class _View(AlongBody):
    """Where a view lies on its page.

    Attributes
    ----------
    axis_y : float
        Page place of the axis.
    half : float
        Half the body's largest thickness on the page.
    """

    drawing: Drawing
    palette: Palette
    model: Model
    axis_y: float
    half: float

    @property
    def foot_y(self) -> float:
        """Page place of the body's lower side."""
        return self.axis_y + self.half

    def y(self, diameter_mm: float, side: float) -> float:
        """Return the place of a diameter's upper (side -1) or lower (side 1) end."""
        return self.axis_y + side * 0.5 * diameter_mm * self.scale

    def profile(self, stations: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        """Return the closed outline of stations (x, diameter) about the axis."""
        upper = [(self.x(x), self.y(d, -1.0)) for x, d in stations]
        return upper + [(self.x(x), self.y(d, 1.0)) for x, d in reversed(stations)]

    def draw_axis(self) -> None:
        """Draw the centre line and the line of the exit plane."""
        ends = (self.x(head_end_mm(self.model)) - 2.0, self.axis_y, self.x(self.model.length_mm) + 2.0, self.axis_y)
        self.drawing.line(*ends, stroke=self.palette.quiet_text, width=0.12, dash="4 0.8 0.6 0.8")
        upper, lower = self.axis_y - self.half - 1.5, self.foot_y + 1.5
        self.drawing.line(self.zero, upper, self.zero, lower, stroke=self.palette.ink_text, width=0.3)

    def to_svg(self, words: str, description: str) -> str:
        """Print what the sizes are under the view, and return the picture."""
        said = f"scale {scale_words(self.scale)}, {words}"
        text = fit_text(said, _TEXT_MM, self.drawing.width_mm - 4.0)
        self.drawing.text(2.0, self.foot_y + 14.5, text, size=_TEXT_MM, fill=self.palette.quiet_text)
        return self.drawing.to_svg(
            ground=self.palette.ground,
            description=f"{description} of {self.model.model.name} at {scale_words(self.scale)}",
            data=(("zero-mm", self.zero), ("scale", self.scale)),
        )


def _view(model: Model, theme: str, width_mm: float, scale: float | None, over: float) -> _View:
    """Return an empty view with its body `over` millimetres under the upper border."""
    head = head_end_mm(model)
    length = model.length_mm - head
    chosen = fitting_scale(length, width_mm - 2.0 * _SIDE_MM) if scale is None else scale
    half = 0.5 * max(d for _, d in outside_corners_mm(model)) * chosen
    zero = 0.5 * (width_mm - length * chosen) - head * chosen
    drawing = Drawing(width_mm, over + 2.0 * half + 17.0)
    return _View(zero, chosen, drawing, palette_for(theme), model, over + half, half)


def _ordinates(
    drawing: Drawing,
    palette: Palette,
    entries: Sequence[tuple[float, float, float, tuple[str, ...]]],
    *,
    row_y: float,
    upward: bool,
    width_mm: float,
) -> bool:
    """Print texts in a row, joined to their (x, y) by thin lines; return whether some were left out for room.

    Each entry is (true x on the page, y where its line starts, dash flag, lines of text).
    """
    kept = sorted(entries, key=lambda entry: entry[0])
    pitch, most = _pitch([text for *_, text in kept], width_mm)
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
        base = row_y - _LINE_MM * (len(text) - 1) if upward else row_y + 0.76 * _TEXT_MM
        for number, line in enumerate(text):
            y = base + _LINE_MM * number
            drawing.text(place, y, line, size=_TEXT_MM, fill=palette.ink_text, anchor="middle")
    return thinned


def _pitch(texts: Sequence[tuple[str, ...]], width_mm: float) -> tuple[float, int]:
    """Return the distance that such texts need from each other, and how many have room."""
    pitch = max([text_width_mm(line, _TEXT_MM) for text in texts for line in text], default=0.0) + 2.0
    return pitch, max(2, math.floor((width_mm - 2.0 - pitch) / pitch) + 1)


def _hole_words(model: Model, width_mm: float) -> list[tuple[str, ...]]:
    """Return each hole's name and diameter: in one line where all have room so, else in two, the name cut at need."""
    pairs = [(hole.name, f"⌀{short(hole.diameter_mm)}") for hole in model.holes]
    words: list[tuple[str, ...]] = [(f"{name}: {size}",) for name, size in pairs]
    if _pitch(words, width_mm)[1] >= len(words):
        return words
    room = max((width_mm - 2.0) / len(pairs) - 2.0, text_width_mm("⌀00.00", _TEXT_MM))
    return [(fit_text(name, _TEXT_MM, room), size) for name, size in pairs]


def top_view(model: Model, *, theme: str = "light", width_mm: float = 180.0, scale: float | None = None) -> str:
    """Return the instrument seen from the window side, to scale, with running sizes from x = 0, as SVG text.

    Above the body stand the holes' names and diameters, under it their distances from the exit plane. Holes
    on the far side are dashed.

    Parameters
    ----------
    model : Model
    theme : {"light", "dark", "paper"}
    width_mm : float
        Of the page.
    scale : float, optional
        Page millimetres for one of the instrument; by default the largest usual scale that fits.

    Returns
    -------
    str
        SVG, one user unit a millimetre.

    Raises
    ------
    InputError
        The theme is not known, or the instrument fits no usual scale.
    """
    words = _hole_words(model, width_mm)
    names_y = 3.2 + _LINE_MM * (max([len(lines) for lines in words], default=1) - 1)
    view = _view(model, theme, width_mm, scale, names_y + 7.3)
    drawing, palette, foot_y = view.drawing, view.palette, view.foot_y
    holes = [(view.x(h.position_mm), 1.0 if math.cos(math.radians(h.angle_deg)) < 0 else 0.0, h) for h in model.holes]
    above = [(x, view.axis_y - view.half, dash, lines) for (x, dash, _), lines in zip(holes, words, strict=True)]
    thinned = _ordinates(drawing, palette, above, row_y=names_y, upward=True, width_mm=width_mm)
    draw_top(drawing, model, palette, x0=view.zero, y0=view.axis_y, scale=view.scale)
    view.draw_axis()
    below = [(x, foot_y if dash else view.y(h.diameter_mm, 1.0), dash, (short(h.position_mm),)) for x, dash, h in holes]
    edge = model.head.window_length_mm
    below += [
        (view.x(x), foot_y, 0.0, (short(x),))
        for x in sorted({round(head_end_mm(model), 4), 0.0, edge, model.length_mm})
    ]
    thinned |= _ordinates(drawing, palette, below, row_y=foot_y + 7.0, upward=False, width_mm=width_mm)
    said = "mm from the exit plane of the windway, x = 0; dashed: far side"
    return view.to_svg(said + ("; not all sizes fit, see the tables" if thinned else ""), "Top view")


def side_view(model: Model, *, theme: str = "light", width_mm: float = 180.0, scale: float | None = None) -> str:
    """Return the instrument in length section, to scale, with bore and outside sizes from x = 0, as SVG text.

    Above stand the outside diameters, under it the bore diameters, each with its distance from the exit
    plane. Holes on the window side are cut in the upper wall, those on the thumb side in the lower one.

    Takes what `top_view` takes, and raises what it raises.
    """
    view = _view(model, theme, width_mm, scale, 10.5)
    drawing, palette = view.drawing, view.palette
    drawing.polyline(
        view.profile(outside_corners_mm(model)), fill=palette.wall_fill, stroke=palette.ink_text, width=0.25,
        closed=True,
    )  # fmt: skip
    bore = list(model.bore.stations_mm)
    drawing.polyline(view.profile(bore), fill=palette.ground, stroke=palette.ink_text, width=0.2, closed=True)
    _draw_block(view)
    _draw_window(view)
    _draw_side_holes(view)
    view.draw_axis()
    outside = [
        (view.x(x), view.y(d, -1.0), 0.0, (f"⌀{short(d)} @ {short(x)}",))
        for x, d in model.bore.outside_mm
        if x <= model.length_mm
    ]
    inside = [(view.x(x), view.y(d, 1.0), 1.0, (f"⌀{short(d)} @ {short(x)}",)) for x, d in bore]
    thinned = _ordinates(drawing, palette, outside, row_y=3.2, upward=True, width_mm=width_mm)
    thinned |= _ordinates(drawing, palette, inside, row_y=view.foot_y + 7.0, upward=False, width_mm=width_mm)
    said = "⌀ @ x from the windway exit plane, x = 0, in mm; above: outside, below: bore"
    return view.to_svg(said + ("; not all fit, see the tables" if thinned else ""), "Length section")


def _draw_block(view: _View) -> None:
    """Draw the block, and the windway over it."""
    model, palette, drawing, scale = view.model, view.palette, view.drawing, view.scale
    head, way = model.head, model.head.windway
    floor = view.y(bore_diameter_mm(model, 0.0), -1.0) - way.floor_height_mm * scale
    entry, block_end = view.x(-way.length_mm), view.x(head.block_depth_mm)
    bottom = view.y(bore_diameter_mm(model, max(model.bore.stations_mm[0][0], 0.0)), 1.0)
    drawing.polyline(
        [(entry, floor), (block_end, floor), (block_end, bottom), (entry, bottom)],
        fill=palette.block_fill, stroke=palette.ink_text, width=0.2, closed=True,
    )  # fmt: skip
    drawing.polyline(
        [
            (entry, floor), (view.zero, floor), (view.zero, floor - way.exit_height_mm * scale),
            (entry, floor - way.entry_height_mm * scale),
        ],
        fill=palette.ground, stroke=palette.ink_text, width=0.12, closed=True,
    )  # fmt: skip


def _draw_window(view: _View) -> None:
    """Cut the window out of the wall, and draw the windway's end, the edge and the ramp."""
    model, palette, drawing, scale, zero = view.model, view.palette, view.drawing, view.scale, view.zero
    head, way = model.head, model.head.windway
    bore = view.y(bore_diameter_mm(model, 0.0), -1.0)
    floor = bore - way.floor_height_mm * scale
    outside = view.y(outside_diameter_mm(model, 0.0), -1.0)
    edge, edge_y = view.x(head.window_length_mm), floor - edge_above_floor_mm(head) * scale
    rise = max(edge_y - outside, 0.0)
    ramp_end = edge + rise / math.tan(math.radians(max(head.ramp_angle_deg, 1.0)))
    drawing.polyline(
        [(zero, outside - 0.2), (zero, bore + 0.1), (edge, bore + 0.1), (edge, edge_y), (ramp_end, outside - 0.2)],
        fill=palette.ground, closed=True,
    )  # fmt: skip
    for line in (
        [(zero, outside), (zero, floor - way.exit_height_mm * scale)],
        [(edge, bore), (edge, edge_y), (ramp_end, outside)],
    ):
        drawing.polyline(line, stroke=palette.ink_text, width=0.2)


def _draw_side_holes(view: _View) -> None:
    """Cut each hole through the wall on its side."""
    model, palette, drawing = view.model, view.palette, view.drawing
    for index, hole in enumerate(model.holes):
        sign = -1.0 if math.cos(math.radians(hole.angle_deg)) >= 0 else 1.0
        x, radius = view.x(hole.position_mm), 0.5 * hole.diameter_mm * view.scale
        near = view.y(bore_diameter_mm(model, hole.position_mm), sign) - sign * 0.15
        far = view.y(outside_diameter_mm(model, hole.position_mm), sign) + sign * 0.15
        drawing.open_group(class_="hole", data_hole=index)
        drawing.rect(x - radius, min(near, far), 2.0 * radius, abs(far - near), fill=palette.ground)
        for side in (-radius, radius):
            drawing.line(x + side, near, x + side, far, stroke=palette.ink_text, width=0.2)
        drawing.close_group()
