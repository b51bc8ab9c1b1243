"""What the head looks like in an enlarged length section: windway, chamfers, block, window, edge and ramp.

With `control` it is also what a maker presses and drags: every place that the trade cuts is a target, and the sizes
that voicing changes have grips.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.pictures.head_lines import HeadLines
from fluewright.pictures.numerals import scale_words
from fluewright.pictures.palette import Palette, palette_for
from fluewright.pictures.section_places import (
    PLACE_NAMES,
    TARGET_MM,
    Grip,
    Page,
    grips_of,
    mark_chosen,
    place_words,
    targets_of,
)
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm

__all__ = ["PLACE_NAMES", "JetDrawn", "head_section"]

_ENLARGEMENTS = (20.0, 15.0, 10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0)
_TEXT_MM = 2.4
_MARGIN_MM = 4.0
_STEPS = 12
_LEAD_MM, _GAP_MM = 5.0, 3.0  # of the page: before the entry, and at the break behind it

Point = tuple[float, float]


@dataclass(frozen=True)
class JetDrawn:
    """The jet as drawn: a band from the windway's exit to the edge.

    Parameters
    ----------
    x_mm : sequence of float
        Places from the exit plane, rising, at least two.
    centre_mm, half_width_mm : sequence of float
        Centre line over the middle of the exit (positive outward) and half width at each of them.
    swings_mm : sequence of sequence of float
        Deflections from the centre line of up to two phases; none draws the jet steady.
    label : str
        What is said of it, such as its speed and breath.

    Raises
    ------
    InputError
        Lengths that differ, numbers that are not finite, places that do not rise, a width of 0 or less, or more than
        two phases.
    """

    x_mm: Sequence[float]
    centre_mm: Sequence[float]
    half_width_mm: Sequence[float]
    swings_mm: Sequence[Sequence[float]] = ()
    label: str = ""

    def __post_init__(self) -> None:
        """Refuse what cannot be drawn."""
        rows = [self.x_mm, self.centre_mm, self.half_width_mm, *self.swings_mm]
        if len(self.x_mm) < 2 or any(len(row) != len(self.x_mm) for row in rows):
            raise InputError(
                f"jet: its rows have {', '.join(str(len(row)) for row in rows)} numbers; give one a place in each, for "
                "two places or more."
            )
        if not all(math.isfinite(value) for row in rows for value in row):
            raise InputError("jet: a number is not finite; leave the jet out where it is not known.")
        if any(b <= a for a, b in zip(self.x_mm, list(self.x_mm)[1:], strict=False)) or min(self.half_width_mm) <= 0.0:
            raise InputError("jet: x_mm must rise and half_width_mm be more than 0; list the places toward the edge.")
        if len(self.swings_mm) > 2:
            raise InputError(f"jet: {len(self.swings_mm)} phases are given; at most 2 are drawn.")


def _mm(value: float) -> str:
    return f"{value:.2f}".replace("-", "−")


def head_section(
    model: Model, *, theme: str = "light", width_mm: float = 180.0, most_height_mm: float = 90.0,
    control: bool = False, chosen: str | None = None, jet: JetDrawn | None = None,
) -> str:  # fmt: skip
    """Return the length section of the head, enlarged and to scale, as SVG text.

    The windway floor is drawn parallel to the axis; a difference of entry and exit height lies in the roof. A
    windway too long for the page is broken off at its entry side, with its whole length given as a size; with
    ``control`` or ``chosen`` it is broken in its middle, so that the entry is there to press.

    Parameters
    ----------
    model : Model
        The instrument.
    theme : {"light", "dark", "paper"}
        Colours.
    width_mm : float
        Width on paper; with ``control`` or ``chosen`` at least 90.
    most_height_mm : float
        Largest height on paper; with ``control`` it gives way where targets would hide each other.
    control : bool
        Make every place of `PLACE_NAMES` a target to press, at least 7 mm wide and high on the page, and add grips
        for the sizes that are dragged.
    chosen : str, optional
        The place that is drawn marked.
    jet : JetDrawn, optional
        Drawn from the windway's exit to the edge.

    Returns
    -------
    str
        SVG, one user unit a millimetre. Each place that the trade cuts is a group with ``data-place``:
        ``windway``, ``upper-chamfer``, ``lower-chamfer``, ``block``, ``window``, ``edge``, ``ramp``. The root carries
        ``data-zero-mm`` and ``data-scale`` (page place of x = 0 and page millimetres for one of the head).

        With ``control`` there are ``entry`` and ``ears`` too, every group has ``tabindex``, ``role="button"``,
        ``aria-pressed`` and a title, and grips within them are groups ``class="grip"`` with ``data-size`` (key of the
        model), ``data-direction`` ("x" or "y" of the page) and ``data-sign``: the size grows by ``data-sign`` for
        each millimetre dragged along that direction over ``data-scale``.

    Raises
    ------
    InputError
        The theme or the chosen place is not known.
    """
    palette = palette_for(theme)
    if chosen is not None and chosen not in PLACE_NAMES:
        raise InputError(f"chosen is {chosen!r}, no place of the section; use one of {', '.join(PLACE_NAMES)}.")
    lines = HeadLines(model)
    apart = control or chosen is not None
    width_mm = max(width_mm, 90.0) if apart else width_mm
    page = (_page_with_entry if apart else _plain_page)(lines, width_mm, most_height_mm)
    drawing = Drawing(width_mm, page.base + page.down * page.scale + 17.0)
    if apart:
        targets = targets_of(page)
        _draw_control(drawing, palette, page, targets, jet, chosen, control=control)
    else:
        targets = {}
        _draw_places(drawing, palette, page)
        if jet is not None:
            _draw_jet(drawing, palette, page, jet)
    if apart:
        drawing.open_group(pointer_events="none")
    _draw_lines(drawing, palette, page)
    if chosen is not None:
        mark_chosen(drawing, palette, page, targets, chosen)
    _draw_sizes(drawing, palette, page, jet, chosen)
    if apart:
        drawing.close_group()
    return drawing.to_svg(
        ground=palette.ground,
        description=f"Length section of the head of {model.model.name} at {scale_words(page.scale)}",
        data=(("zero-mm", page.zero), ("scale", page.scale)),
        # What is drawn as an image has no parts for readers that do not see it; a control has.
        role="group" if control else "img",
    )


def _plain_page(lines: HeadLines, width_mm: float, most_height_mm: float) -> Page:
    """Place the section; a windway that is too long is broken off at its entry side."""
    way = lines.model.head.windway
    foot_side = min(lines.ramp_end + 1.5, lines.edge_x + max(10.0, 1.6 * lines.edge_x), lines.model.length_mm)
    down = min(max(2.5, 0.3 * lines.bore_0), 0.5 * lines.bore_0)
    head_room = width_mm - 2.0 * _MARGIN_MM - 4.0
    want_left = max(min(way.length_mm, 1.6 * foot_side), 4.0)
    scale = _ENLARGEMENTS[-1]
    for candidate in _ENLARGEMENTS:
        high = (lines.top + down) * candidate + 34.0
        if (want_left + foot_side) * candidate <= head_room and high <= most_height_mm:
            scale = candidate
            break
    left_x = -min(way.length_mm + 2.0, max(head_room / scale - foot_side, want_left))
    whole = -left_x > way.length_mm
    if scale == _ENLARGEMENTS[-1]:
        foot_side = min(foot_side, head_room / scale + left_x) if head_room / scale + left_x > 1.0 else foot_side
    zero = _MARGIN_MM + 2.0 - left_x * scale + 0.5 * max(head_room - (foot_side - left_x) * scale, 0.0)
    start = -(way.length_mm if whole else -left_x)
    return Page(lines, scale, zero, 15.0 + lines.top * scale, start, whole, foot_side, down)


def _page_with_entry(lines: HeadLines, width_mm: float, most_height_mm: float) -> Page:
    """Place the section so that exit, window and edge have room for targets, and the entry is drawn at any length."""
    length = lines.model.head.windway.length_mm
    room = width_mm - 2.0 * _MARGIN_MM - _LEAD_MM
    stub_mm, right_mm = 8.0, 2.0 * TARGET_MM + 4.0

    def needs(scale: float) -> tuple[float, float, float]:
        """Return page mm: left of the exit plane, under the bore's line, and across all."""
        # Left of the exit: the chamfers or the recessed face, the roof's grip, and as much of the plain windway.
        cut = max(lines.upper_along, lines.lower_along - lines.face, 0.0) * scale
        left = max(cut + 1.0, TARGET_MM - 2.0) + 2.0 * TARGET_MM + 1.0
        under = max(lines.lower_drop - lines.floor, 0.0) * scale + 2.0 * TARGET_MM + 6.0
        return left, under, stub_mm + _GAP_MM + left + lines.edge_x * scale + right_mm

    def clear(scale: float) -> bool:
        """Tell whether no target hides another: window and windway longer than what lies over them."""
        over = max(max(lines.upper_along, 0.0) * scale + 1.0, TARGET_MM - 2.0)
        return lines.edge_x * scale >= TARGET_MM + 6.0 and length * scale >= over + TARGET_MM + 4.0

    wide = [s for s in _ENLARGEMENTS if needs(s)[2] <= room] or [_ENLARGEMENTS[-1]]
    fitting = [s for s in wide if lines.top * s + needs(s)[1] + 38.0 <= most_height_mm]
    scale = fitting[0] if fitting else wide[-1]
    if not clear(scale):
        # Targets count more than the height.
        scale = next((s for s in reversed(wide) if s > scale and clear(s)), max(scale, wide[0]))
    left_mm, under_mm, _ = needs(scale)
    down = min(max(under_mm / scale, min(2.5, 0.5 * lines.bore_0)), lines.bore_0)
    # What is left goes to the ramp, up to its end, then to the windway.
    spare = max(room - (stub_mm + _GAP_MM + left_mm + lines.edge_x * scale + right_mm), 0.0)
    wanted = max((lines.ramp_end + 1.5 - lines.edge_x) * scale - right_mm, 0.0)
    right_mm += min(0.6 * spare, wanted)
    right_mm = min(right_mm, (lines.model.length_mm - lines.edge_x) * scale)
    foot_side = lines.edge_x + right_mm / scale
    left_room = room - lines.edge_x * scale - right_mm
    if length * scale <= left_room:
        zero = _MARGIN_MM + _LEAD_MM + length * scale + 0.5 * (left_room - length * scale)
        return Page(lines, scale, zero, 19.0 + lines.top * scale, -length, True, foot_side, down)
    stub_mm = min(stub_mm + 0.15 * spare, 14.0)
    entry_zero = _MARGIN_MM + _LEAD_MM
    start = -(left_room - stub_mm - _GAP_MM) / scale
    zero = entry_zero + stub_mm + _GAP_MM - start * scale
    return Page(
        lines, scale, zero, 19.0 + lines.top * scale, start, False, foot_side, down, entry_zero,
        -length + stub_mm / scale,
    )  # fmt: skip


def _roof_outline(page: Page) -> tuple[list[Point], list[Point], list[Point]]:
    """Return the wall over the windway: its outside, the roof with the chamfer, and the line at its upper end."""
    lines, at, start = page.lines, page.at, page.start
    top = [at(start - start * i / _STEPS, lines.outside_y(start - start * i / _STEPS)) for i in range(_STEPS + 1)]
    chamfer_x = -min(lines.upper_along, lines.model.head.windway.length_mm)
    under = list(page.upper_chamfer)
    run = [start + (chamfer_x - start) * i / _STEPS for i in range(_STEPS, -1, -1)][1:]
    under += [at(x, lines.roof_y(x)) for x in run]
    end = [at(start, lines.roof_y(start)), *([at(start, lines.outside_y(start))] if page.whole else [])]
    return top, under, end


def _block_outline(page: Page) -> list[Point]:
    lines, at = page.lines, page.at
    low = -page.down
    return [at(page.start, lines.floor), *page.lower_chamfer, at(lines.face, low), at(page.start, low)]


def _draw_places(drawing: Drawing, palette: Palette, page: Page) -> None:
    """Draw the head as a picture: places are groups, the body's parts filled."""
    lines, head, ink = page.lines, page.lines.model.head, palette.ink_text
    top, under, end = _roof_outline(page)
    drawing.open_group(class_="place", data_place="windway")
    drawing.describe("windway")
    drawing.polyline([*top, *under, *end], fill=palette.wall_fill, stroke=ink, width=0.25, closed=True)
    drawing.close_group()
    if head.upper_chamfer.length_mm > 0.0:
        drawing.open_group(class_="place", data_place="upper-chamfer")
        drawing.describe("upper chamfer")
        drawing.polyline([under[0], under[1]], stroke=palette.register_1_text, width=0.6)
        drawing.close_group()

    # Block: floor of the windway, lower chamfer, face.
    block = _block_outline(page)
    drawing.open_group(class_="place", data_place="block")
    drawing.describe("block")
    drawing.polyline(block, fill=palette.block_fill)
    drawing.polyline(block[:4], stroke=ink, width=0.25)
    if page.whole:
        drawing.line(*block[0], *block[4], stroke=ink, width=0.25)
    drawing.close_group()
    if head.lower_chamfer.length_mm > 0.0:
        drawing.open_group(class_="place", data_place="lower-chamfer")
        drawing.describe("lower chamfer")
        drawing.polyline([block[1], block[2]], stroke=palette.register_2_text, width=0.6)
        drawing.close_group()

    # Wall behind the edge, the ramp, and the edge itself.
    wall = page.wall_points()
    drawing.open_group(class_="place", data_place="edge")
    drawing.describe("edge")
    drawing.polyline(wall, fill=palette.wall_fill)
    drawing.polyline(wall[-2:], stroke=ink, width=0.25)
    drawing.polyline([wall[-1], wall[0]], stroke=ink, width=0.2, dash="0.9 0.6")
    drawing.close_group()
    drawing.open_group(class_="place", data_place="ramp")
    drawing.describe("ramp")
    drawing.polyline(wall[:-2], stroke=ink, width=0.25)
    drawing.close_group()
    drawing.open_group(class_="place", data_place="window")
    drawing.describe("window")
    low, high = page.at(0.0, lines.wall), page.at(lines.edge_x, lines.bore_y(lines.edge_x))
    drawing.rect(low[0], low[1], high[0] - low[0], max(high[1] - low[1], 0.0))
    drawing.close_group()
    # Side wall (ear) behind the window.
    left, right = page.at(0.0, lines.ear), page.at(lines.edge_x, lines.ear)
    drawing.line(*left, *right, stroke=palette.quiet_text, width=0.15, dash="1.2 0.8")


def _draw_control(
    drawing: Drawing, palette: Palette, page: Page, targets: dict[str, tuple[tuple[float, float, float, float], ...]],
    jet: JetDrawn | None, chosen: str | None, *, control: bool,
) -> None:  # fmt: skip
    """Draw the head so that each place is one group: what is seen of it, its targets, its grips."""
    drawn = _visible_places(drawing, palette, page, jet)
    grips = grips_of(page, targets) if control else ()
    for place in PLACE_NAMES:
        drawing.open_group(
            class_="place", data_place=place, tabindex="0" if control else None, role="button" if control else None,
            aria_pressed=("true" if place == chosen else "false") if control else None,
            cursor="pointer" if control else None,
        )  # fmt: skip
        drawing.describe(place_words(page.lines, place))
        drawing.open_group(pointer_events="none" if control else None)
        drawn[place]()
        drawing.close_group()
        if control:
            drawing.open_group(class_="target", pointer_events="all", fill_opacity="0")
            for box in targets[place]:
                _draw_box(drawing, palette, box)
            drawing.close_group()
        for grip in grips:
            if grip.place == place:
                _draw_grip(drawing, palette, grip)
        drawing.close_group()


def _visible_places(
    drawing: Drawing, palette: Palette, page: Page, jet: JetDrawn | None
) -> dict[str, Callable[[], None]]:
    """Return how what is seen of each place is drawn; in the order of the places nothing hides what is under it."""
    lines, head, ink = page.lines, page.lines.model.head, palette.ink_text
    at, entry, length = page.at, page.at_entry, head.windway.length_mm
    apart = page.entry_zero is not None
    wall, block = page.wall_points(), _block_outline(page)
    ends = [-length + (page.entry_end + length) * i / _STEPS for i in range(_STEPS + 1)] if apart else []

    def window() -> None:
        if jet is not None:
            _draw_jet(drawing, palette, page, jet)

    def windway() -> None:
        top, under, end = _roof_outline(page)
        drawing.polyline([*top, *under, *end], fill=palette.wall_fill)
        drawing.polyline([*top, *under, *(end[-1:] if page.whole else [])], stroke=ink, width=0.25)
        if apart:
            roof = [entry(x, lines.roof_y(x)) for x in reversed(ends)]
            outside = [entry(x, lines.outside_y(x)) for x in ends]
            drawing.polyline([*roof, *outside], fill=palette.wall_fill)
            drawing.polyline([*roof, *outside], stroke=ink, width=0.25)

    def block_part() -> None:
        drawing.polyline(block, fill=palette.block_fill)
        drawing.polyline(block[:4], stroke=ink, width=0.25)
        if page.whole:
            drawing.line(*block[0], *block[4], stroke=ink, width=0.25)
        if apart:
            stub = [
                entry(page.entry_end, -page.down), entry(page.entry_end, lines.floor), entry(-length, lines.floor),
                entry(-length, -page.down),
            ]  # fmt: skip
            drawing.polyline(stub, fill=palette.block_fill)
            drawing.polyline(stub[1:], stroke=ink, width=0.25)

    def ramp() -> None:
        drawing.polyline(wall, fill=palette.wall_fill)
        drawing.polyline(wall[-2:], stroke=ink, width=0.25)
        drawing.polyline([wall[-1], wall[0]], stroke=ink, width=0.2, dash="0.9 0.6")
        drawing.polyline(wall[:-2], stroke=ink, width=0.25)

    def ears() -> None:
        drawing.line(
            *at(0.0, lines.ear), *at(lines.edge_x, lines.ear), stroke=palette.quiet_text, width=0.25, dash="1.2 0.8"
        )

    def entry_part() -> None:
        x, y = entry(-length, lines.roof_y(-length))
        for level in (y, entry(-length, lines.floor)[1]):
            drawing.line(x - 2.6, level, x, level, stroke=palette.quiet_text, width=0.2, dash="0.6 0.5")

    def chamfer(ends: tuple[Point, Point], colour: str, *, sign: float, cut: bool, angle_deg: float) -> None:
        if cut:
            drawing.polyline(ends, stroke=colour, width=0.6)
            return
        # Not cut yet: dashed where it would lie.
        x, y = ends[0] if sign < 0.0 else ends[1]
        along = 3.0 * math.cos(math.radians(angle_deg))
        down = 3.0 * math.sin(math.radians(angle_deg))
        drawing.line(x - along, y, x, y + sign * down, stroke=colour, width=0.5, dash="0.7 0.4")

    def edge() -> None:
        x, y = wall[0]
        drawing.ellipse(x, y, 0.55, 0.55, fill=ink)

    upper, lower = head.upper_chamfer, head.lower_chamfer
    return {
        "window": window, "windway": windway, "block": block_part, "ramp": ramp, "ears": ears, "entry": entry_part,
        "upper-chamfer": lambda: chamfer(
            page.upper_chamfer, palette.register_1_text, sign=-1.0, cut=upper.length_mm > 0.0,
            angle_deg=upper.angle_deg,
        ),
        "lower-chamfer": lambda: chamfer(
            page.lower_chamfer, palette.register_2_text, sign=1.0, cut=lower.length_mm > 0.0, angle_deg=lower.angle_deg
        ),
        "edge": edge,
    }  # fmt: skip


def _draw_box(drawing: Drawing, palette: Palette, box: tuple[float, float, float, float]) -> None:
    left, top, right, bottom = box
    drawing.rect(left, top, right - left, bottom - top, fill=palette.ground)


def _draw_grip(drawing: Drawing, palette: Palette, grip: Grip) -> None:
    """Draw what is dragged: an unseen box and a double arrow along the direction of dragging."""
    drawing.open_group(
        class_="grip", data_size=grip.key, data_direction=grip.direction, data_sign=grip.sign, pointer_events="all",
        cursor="ew-resize" if grip.direction == "x" else "ns-resize",
    )  # fmt: skip
    drawing.open_group(fill_opacity="0")
    _draw_box(drawing, palette, grip.box)
    drawing.close_group()
    x, y = grip.arrow
    half, head, thick = 2.3, 1.1, 0.65

    def place(along: float, across: float) -> Point:
        return (x + along, y + across) if grip.direction == "x" else (x + across, y + along)

    outline = [
        place(-half, 0.0), place(-half + head, -thick), place(-half + head, -0.12), place(half - head, -0.12),
        place(half - head, -thick), place(half, 0.0), place(half - head, thick), place(half - head, 0.12),
        place(-half + head, 0.12), place(-half + head, thick),
    ]  # fmt: skip
    drawing.polyline(outline, fill=palette.ink_text, stroke=palette.ground, width=0.3, closed=True)
    drawing.polyline(outline, fill=palette.ink_text, closed=True)
    drawing.close_group()


def _draw_jet(drawing: Drawing, palette: Palette, page: Page, jet: JetDrawn) -> None:
    """Draw the jet as a translucent band; of two phases the second has a dashed outline."""
    lines = page.lines
    middle = 0.5 * (lines.floor + lines.roof)
    least, most = -page.down, lines.top
    colour = palette.register_2_text
    drawing.open_group(class_="jet", pointer_events="none")
    drawing.describe(f"jet: {jet.label}" if jet.label else "jet")

    def side(swing: Sequence[float], sign: float) -> list[Point]:
        rows = zip(jet.x_mm, jet.centre_mm, jet.half_width_mm, swing, strict=True)
        heights = [(x, middle + c + d + sign * b) for x, c, b, d in rows]
        return [page.at(x, min(max(y, least), most)) for x, y in heights]

    for number, swing in enumerate(jet.swings_mm or ([0.0] * len(jet.x_mm),)):
        over, under = side(swing, 1.0), side(swing, -1.0)
        drawing.open_group(fill_opacity="0.22")
        drawing.polyline([*over, *reversed(under)], fill=colour, closed=True)
        drawing.close_group()
        dash = None if number == 0 else "1 0.7"
        for run in (over, under):
            drawing.polyline(run, stroke=colour, width=0.3, dash=dash)
        drawing.polyline(side(swing, 0.0), stroke=colour, width=0.2, dash="0.4 0.6")
    drawing.close_group()


def _draw_lines(drawing: Drawing, palette: Palette, page: Page) -> None:
    """Draw what is no place: the bore's line under the window, the exit's centre line, breaks."""
    lines, at = page.lines, page.at
    edge_x = lines.edge_x
    drawing.line(
        *at(lines.face, lines.bore_y(0.0)),
        *at(edge_x, lines.bore_y(edge_x)),
        stroke=palette.faint_line,
        width=0.15,
        dash="1.2 0.8",
    )
    centre = 0.5 * (lines.floor + lines.roof)
    drawing.line(
        *at(max(page.start, -6.0 / page.scale * 3.0), centre), *at(edge_x + 4.0 / page.scale, centre),
        stroke=palette.quiet_text, width=0.12, dash="4 0.8 0.6 0.8",
    )  # fmt: skip
    if page.whole:
        return
    # Broken off: a zigzag says that the windway goes on.
    cuts = [(at(page.start, 0.0)[0], lines.outside_y(page.start))]
    if page.entry_zero is not None:
        cuts.append((page.at_entry(page.entry_end, 0.0)[0], lines.outside_y(page.entry_end)))
    for x, outside in cuts:
        y_top, y_low = page.base - outside * page.scale - 1.0, page.base + page.down * page.scale + 0.5
        middle = 0.5 * (y_top + y_low)
        drawing.polyline(
            [
                (x, y_top), (x, middle - 2.0), (x - 1.2, middle - 0.7), (x + 1.2, middle + 0.7),
                (x, middle + 2.0), (x, y_low),
            ],
            stroke=palette.quiet_text, width=0.2,
        )  # fmt: skip


def _draw_sizes(drawing: Drawing, palette: Palette, page: Page, jet: JetDrawn | None, chosen: str | None) -> None:
    """Write title and sizes: lengths above and below, the rest in a list; set the drawing's height."""
    lines, at, ink, width_mm = page.lines, page.at, palette.ink_text, drawing.width_mm
    head, way = lines.model.head, lines.model.head.windway
    base, low = page.base, page.base + page.down * page.scale
    row_1 = 11.0
    exit_x, edge_page = at(0.0, 0.0)[0], at(lines.edge_x, 0.0)[0]
    way_page = page.entry_x
    quiet = palette.quiet_text
    drawing.line(exit_x, row_1 - 1.5, exit_x, low + 3.0, stroke=ink, width=0.2)
    drawing.line(edge_page, row_1 - 1.5, edge_page, base - lines.edge_y * page.scale, stroke=quiet, width=0.12)
    if page.whole or page.entry_zero is not None:
        roof = lines.roof_y(-way.length_mm)
        drawing.line(way_page, row_1 - 1.5, way_page, base - roof * page.scale, stroke=quiet, width=0.12)
    broken = "" if page.whole else " (broken off)" if page.entry_zero is None else " (shortened)"
    size_kw = {"stroke": quiet, "fill": ink, "backing": palette.ground}
    length_text = f"windway {_mm(way.length_mm)}{broken}"
    if page.entry_zero is not None:
        # Its text must stay over the windway: what does not fit is said in fewer words.
        shorter = (length_text, f"windway {_mm(way.length_mm)}", _mm(way.length_mm))
        room = exit_x - way_page - 4.0
        length_text = next((t for t in shorter if text_width_mm(t, _TEXT_MM) < room), shorter[-1])
    drawing.dimension(way_page, exit_x, row_1, length_text, size=_TEXT_MM, **size_kw)
    drawing.dimension(exit_x, edge_page, row_1, f"window {_mm(lines.edge_x)}", size=_TEXT_MM, **size_kw)
    drawing.text(exit_x, low + 5.4, "x = 0", size=_TEXT_MM, fill=ink, anchor="middle")
    block_mid = 0.5 * (at(page.start, 0.0)[0] + at(lines.face, 0.0)[0])
    drawing.text(
        block_mid, base + 0.5 * (page.down * page.scale) + 0.8, "block", size=_TEXT_MM, fill=ink, anchor="middle",
        backing=palette.block_fill,
    )  # fmt: skip

    upper, lower = head.upper_chamfer, head.lower_chamfer
    facts = [
        f"entry height {_mm(way.entry_height_mm)}",
        f"exit height {_mm(way.exit_height_mm)}",
        f"floor {_mm(lines.floor)} over bore line",
        f"upper chamfer {_mm(upper.length_mm)} × {upper.angle_deg:g}°",
        f"lower chamfer {_mm(lower.length_mm)} × {lower.angle_deg:g}°",
        f"block depth {_mm(lines.face)}",
        f"edge offset {_mm(head.edge_offset_mm)}",
        f"ramp {head.ramp_angle_deg:g}°",
        f"broken edge {_mm(head.broken_edge_mm)}",
        f"wall {_mm(lines.wall)}",
        "ears as high as the wall" if head.ear_height_mm is None else f"ears {_mm(head.ear_height_mm)}",
    ]
    if jet is not None and jet.label:
        facts.append(f"jet: {jet.label}")
    title = f"head, length section {scale_words(page.scale)}, mm"
    drawing.text(2.0, 3.6, title, size=2.8, fill=ink, bold=True)
    if chosen is not None:
        said = f"chosen: {PLACE_NAMES[chosen]}"
        beside = width_mm - 4.0 - text_width_mm(title, 2.8) - text_width_mm(said, _TEXT_MM)
        drawing.text(
            width_mm - 2.0, 3.6 if beside > 2.0 else 7.2, said, size=_TEXT_MM, fill=ink, anchor="end", bold=True
        )
    x, y = 2.0, low + 9.6
    for fact in facts:
        text = fit_text(fact, _TEXT_MM, width_mm - 4.0)
        wide = text_width_mm(text, _TEXT_MM)
        if x + wide > width_mm - 2.0:
            x, y = 2.0, y + 3.6
        drawing.text(x, y, text, size=_TEXT_MM, fill=ink)
        x += wide + 4.0
    drawing.height_mm = y + 2.0
