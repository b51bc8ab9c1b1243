"""What the head looks like in an enlarged length section: windway, chamfers, block, window, edge and ramp."""

import math

from fluewright.instrument.geometry import bore_diameter_mm, outside_diameter_mm
from fluewright.instrument.model import Model
from fluewright.pictures.palette import palette_for
from fluewright.pictures.svg import Drawing, text_width_mm
from fluewright.pictures.views import scale_words

__all__ = ["head_section"]

_ENLARGEMENTS = (20.0, 15.0, 10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0)
_TEXT_MM = 2.4
_MARGIN_MM = 4.0


def _mm(value: float) -> str:
    return f"{value:.2f}".replace("-", "−")


def head_section(model: Model, *, theme: str = "light", width_mm: float = 180.0, most_height_mm: float = 90.0) -> str:
    """Return the length section of the head, enlarged and to scale, as SVG text.

    The windway floor is drawn parallel to the axis; a difference of entry and exit height lies in the roof. A
    windway too long for the page is broken off at its entry side, with its whole length given as a size.

    Parameters
    ----------
    model : Model
        The instrument.
    theme : {"light", "dark", "paper"}
        Colours.
    width_mm : float
        Width on paper.
    most_height_mm : float
        Largest height on paper.

    Returns
    -------
    str
        SVG, one user unit a millimetre. Each place that the trade cuts is a group with ``data-place``:
        ``windway``, ``upper-chamfer``, ``lower-chamfer``, ``block``, ``window``, ``edge``, ``ramp``.
    """
    palette = palette_for(theme)
    head, way = model.head, model.head.windway
    # Heights count from the bore's upper line at the exit plane, upward.
    bore_0 = bore_diameter_mm(model, 0.0)
    wall = 0.5 * (outside_diameter_mm(model, 0.0) - bore_0)
    floor = way.floor_height_mm
    roof = floor + way.exit_height_mm
    entry_roof = floor + way.entry_height_mm
    edge_x = head.window_length_mm
    edge_y = 0.5 * (floor + roof) + head.edge_offset_mm
    rise = max(wall - edge_y, 0.0)
    ramp_end = edge_x + rise / math.tan(math.radians(max(head.ramp_angle_deg, 1.0)))
    foot_side = min(ramp_end + 1.5, edge_x + max(10.0, 1.6 * edge_x), model.length_mm)
    down = min(max(2.5, 0.3 * bore_0), 0.5 * bore_0)
    up = max(wall, roof, entry_roof + way.entry_flare_mm) + 0.3

    head_room = width_mm - 2.0 * _MARGIN_MM - 4.0
    want_left = max(min(way.length_mm, 1.6 * foot_side), 4.0)
    scale = _ENLARGEMENTS[-1]
    for candidate in _ENLARGEMENTS:
        if (want_left + foot_side) * candidate <= head_room and (up + down) * candidate + 34.0 <= most_height_mm:
            scale = candidate
            break
    left_x = -min(way.length_mm + 2.0, max(head_room / scale - foot_side, want_left))
    whole_way = -left_x > way.length_mm
    shown_way = way.length_mm if whole_way else -left_x
    if scale == _ENLARGEMENTS[-1]:
        foot_side = min(foot_side, head_room / scale + left_x) if head_room / scale + left_x > 1.0 else foot_side

    zero = _MARGIN_MM + 2.0 - left_x * scale + 0.5 * max(head_room - (foot_side - left_x) * scale, 0.0)
    base = 15.0 + up * scale
    height = base + down * scale + 17.0
    drawing = Drawing(width_mm, height)

    def at(x: float, y: float) -> tuple[float, float]:
        return zero + x * scale, base - y * scale

    def bore_y(x: float) -> float:
        first = model.bore.stations_mm[0][0]
        return 0.5 * (bore_diameter_mm(model, max(x, first)) - bore_0)

    def outside_y(x: float) -> float:
        first = model.bore.outside_mm[0][0]
        return 0.5 * (outside_diameter_mm(model, max(x, first)) - bore_0)

    def roof_y(x: float) -> float:
        slope = floor + way.exit_height_mm + (way.entry_height_mm - way.exit_height_mm) * (-x / way.length_mm)
        flare_run = min(2.0, 0.25 * way.length_mm)
        into = max(0.0, -x - (way.length_mm - flare_run)) / flare_run
        return slope + way.entry_flare_mm * into

    ink = palette.ink_text
    upper, lower = head.upper_chamfer, head.lower_chamfer
    upper_along = upper.length_mm * math.cos(math.radians(upper.angle_deg))  # the length lies along the flat
    upper_drop = upper.length_mm * math.sin(math.radians(upper.angle_deg))
    lower_along = lower.length_mm * math.cos(math.radians(lower.angle_deg))
    lower_drop = lower.length_mm * math.sin(math.radians(lower.angle_deg))
    face = head.block_depth_mm
    steps = 12

    # Roof of the windway with the wall above it, the upper chamfer at its exit.
    top = [at(left_x + (0.0 - left_x) * i / steps, outside_y(left_x - left_x * i / steps)) for i in range(steps + 1)]
    chamfer_x = -min(upper_along, way.length_mm)
    under = [at(0.0, roof_y(0.0) + upper_drop), at(chamfer_x, roof_y(chamfer_x))]
    start = -shown_way
    run = [start + (chamfer_x - start) * i / steps for i in range(steps, -1, -1)][1:]
    under += [at(x, roof_y(x)) for x in run]
    drawing.open_group(class_="place", data_place="windway")
    drawing.describe("windway")
    entry_outline = [at(start, roof_y(start)), *([at(start, outside_y(start))] if whole_way else [])]
    if whole_way:
        top = [at(start - start * i / steps, outside_y(start - start * i / steps)) for i in range(steps + 1)]
    drawing.polyline([*top, *under, *entry_outline], fill=palette.wall_fill, stroke=ink, width=0.25, closed=True)
    drawing.close_group()
    if upper.length_mm > 0.0:
        drawing.open_group(class_="place", data_place="upper-chamfer")
        drawing.describe("upper chamfer")
        drawing.polyline([under[0], under[1]], stroke=palette.register_1_text, width=0.6)
        drawing.close_group()

    # Block: floor of the windway, lower chamfer, face.
    lower_x = face - lower_along
    block = [
        at(start, floor),
        at(lower_x, floor),
        at(face, floor - lower_drop),
        at(face, -down),
        at(start, -down),
    ]
    drawing.open_group(class_="place", data_place="block")
    drawing.describe("block")
    drawing.polyline(block, fill=palette.block_fill)
    drawing.polyline(block[:4], stroke=ink, width=0.25)
    if whole_way:
        drawing.line(*block[0], *block[4], stroke=ink, width=0.25)
    drawing.close_group()
    if lower.length_mm > 0.0:
        drawing.open_group(class_="place", data_place="lower-chamfer")
        drawing.describe("lower chamfer")
        drawing.polyline([block[1], block[2]], stroke=palette.register_2_text, width=0.6)
        drawing.close_group()

    # Wall behind the edge, the ramp, and the edge itself.
    end = foot_side
    wall_points = [at(edge_x, edge_y)]
    if ramp_end <= end:
        wall_points.append(at(ramp_end, edge_y + rise))
        wall_points.append(at(end, outside_y(end)))
    else:
        wall_points.append(at(end, edge_y + (end - edge_x) * math.tan(math.radians(head.ramp_angle_deg))))
    # A model says where the edge lies, not how its under-face is relieved: drawn dashed, at 45 degrees.
    relief = min(abs(edge_y - bore_y(edge_x)), end - edge_x)
    wall_points += [at(end, bore_y(end)), at(edge_x + relief, bore_y(edge_x + relief))]
    drawing.open_group(class_="place", data_place="edge")
    drawing.describe("edge")
    drawing.polyline(wall_points, fill=palette.wall_fill)
    drawing.polyline(wall_points[-2:], stroke=ink, width=0.25)
    drawing.polyline([wall_points[-1], wall_points[0]], stroke=ink, width=0.2, dash="0.9 0.6")
    drawing.close_group()
    drawing.open_group(class_="place", data_place="ramp")
    drawing.describe("ramp")
    drawing.polyline(wall_points[:-2], stroke=ink, width=0.25)
    drawing.close_group()
    drawing.open_group(class_="place", data_place="window")
    drawing.describe("window")
    low, high = at(0.0, wall), at(edge_x, bore_y(edge_x))
    drawing.rect(low[0], low[1], high[0] - low[0], max(high[1] - low[1], 0.0))
    drawing.close_group()

    # Side wall (ear) behind the window.
    ear = wall if head.ear_height_mm is None else min(head.ear_height_mm, wall)
    drawing.line(*at(0.0, ear), *at(edge_x, ear), stroke=palette.quiet_text, width=0.15, dash="1.2 0.8")
    drawing.line(
        *at(face, bore_y(0.0)),
        *at(edge_x, bore_y(edge_x)),
        stroke=palette.faint_line,
        width=0.15,
        dash="1.2 0.8",
    )
    centre = 0.5 * (floor + roof)
    drawing.line(
        *at(max(start, -6.0 / scale * 3.0), centre), *at(edge_x + 4.0 / scale, centre),
        stroke=palette.quiet_text, width=0.12, dash="4 0.8 0.6 0.8",
    )  # fmt: skip
    if not whole_way:
        # Broken off: a zigzag says that the windway goes on.
        x, _ = at(start, 0.0)
        y_top, y_low = base - outside_y(start) * scale - 1.0, base + down * scale + 0.5
        middle = 0.5 * (y_top + y_low)
        drawing.polyline(
            [
                (x, y_top), (x, middle - 2.0), (x - 1.2, middle - 0.7), (x + 1.2, middle + 0.7),
                (x, middle + 2.0), (x, y_low),
            ],
            stroke=palette.quiet_text, width=0.2,
        )  # fmt: skip

    # Sizes: lengths above and below, heights in a list beside them.
    row_1 = 11.0
    exit_x, edge_page = at(0.0, 0.0)[0], at(edge_x, 0.0)[0]
    way_page = at(start, 0.0)[0]
    drawing.line(exit_x, row_1 - 1.5, exit_x, base + down * scale + 3.0, stroke=ink, width=0.2)
    drawing.line(edge_page, row_1 - 1.5, edge_page, base - edge_y * scale, stroke=palette.quiet_text, width=0.12)
    if whole_way:
        drawing.line(
            way_page,
            row_1 - 1.5,
            way_page,
            base - roof_y(start) * scale,
            stroke=palette.quiet_text,
            width=0.12,
        )
    length_text = f"windway {_mm(way.length_mm)}" + ("" if whole_way else " (broken off)")
    size_kw = {"stroke": palette.quiet_text, "fill": ink, "backing": palette.ground}
    drawing.dimension(way_page, exit_x, row_1, length_text, size=_TEXT_MM, **size_kw)
    drawing.dimension(exit_x, edge_page, row_1, f"window {_mm(edge_x)}", size=_TEXT_MM, **size_kw)
    drawing.text(exit_x, base + down * scale + 5.4, "x = 0", size=_TEXT_MM, fill=ink, anchor="middle")
    block_mid = 0.5 * (way_page + at(face, 0.0)[0])
    drawing.text(
        block_mid, base + 0.5 * (down * scale) + 0.8, "block", size=_TEXT_MM, fill=ink, anchor="middle",
        backing=palette.block_fill,
    )  # fmt: skip

    facts = [
        f"entry height {_mm(way.entry_height_mm)}",
        f"exit height {_mm(way.exit_height_mm)}",
        f"floor {_mm(floor)} over bore line",
        f"upper chamfer {_mm(upper.length_mm)} × {upper.angle_deg:g}°",
        f"lower chamfer {_mm(lower.length_mm)} × {lower.angle_deg:g}°",
        f"block depth {_mm(face)}",
        f"edge offset {_mm(head.edge_offset_mm)}",
        f"ramp {head.ramp_angle_deg:g}°",
        f"broken edge {_mm(head.broken_edge_mm)}",
        f"wall {_mm(wall)}",
        "ears as high as the wall" if head.ear_height_mm is None else f"ears {_mm(head.ear_height_mm)}",
    ]
    drawing.text(2.0, 3.6, f"head, length section {scale_words(scale)}, mm", size=2.8, fill=ink, bold=True)
    x, y = 2.0, base + down * scale + 9.6
    for fact in facts:
        wide = text_width_mm(fact, _TEXT_MM)
        if x + wide > width_mm - 2.0:
            x, y = 2.0, y + 3.6
        drawing.text(x, y, fact, size=_TEXT_MM, fill=ink)
        x += wide + 4.0
    drawing.height_mm = y + 2.0
    return drawing.to_svg(
        ground=palette.ground,
        description=f"Length section of the head of {model.model.name} at {scale_words(scale)}",
        data=(("zero-mm", zero), ("scale", scale)),
    )
