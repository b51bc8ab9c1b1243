"""What is written into the head's section, and the lines that belong to no place."""

from fluewright.pictures.numerals import fixed, general, scale_words
from fluewright.pictures.palette import Palette
from fluewright.pictures.section.jet import JetDrawn
from fluewright.pictures.section.lines import HeadLines
from fluewright.pictures.section.page import Page
from fluewright.pictures.section.places import PLACE_NAMES
from fluewright.pictures.spread import flowing
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm

__all__ = ["draw_lines", "draw_sizes"]

_TEXT_MM = 2.4


def draw_lines(drawing: Drawing, palette: Palette, page: Page) -> None:
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


def draw_sizes(drawing: Drawing, palette: Palette, page: Page, jet: JetDrawn | None, chosen: str | None) -> None:
    """Write title and sizes: lengths above and below, the rest in a list; set the drawing's height."""
    lines, ink = page.lines, palette.ink_text
    low = page.base + page.down * page.scale
    _draw_lengths(drawing, palette, page)
    exit_x, block_x = page.at(0.0, 0.0)[0], 0.5 * (page.at(page.start, 0.0)[0] + page.at(lines.face, 0.0)[0])
    drawing.text(exit_x, low + 5.4, "x = 0", size=_TEXT_MM, fill=ink, anchor="middle")
    drawing.text(
        block_x, page.base + 0.5 * (page.down * page.scale) + 0.8, "block", size=_TEXT_MM, fill=ink, anchor="middle",
        backing=palette.block_fill,
    )  # fmt: skip
    right = drawing.width_mm - 2.0
    title = f"head, length section {scale_words(page.scale)}, mm"
    drawing.text(2.0, 3.6, title, size=2.8, fill=ink, bold=True)
    if chosen is not None:
        said = f"chosen: {PLACE_NAMES[chosen]}"
        beside = right - 2.0 - text_width_mm(title, 2.8) - text_width_mm(said, _TEXT_MM)
        drawing.text(right, 3.6 if beside > 2.0 else 7.2, said, size=_TEXT_MM, fill=ink, anchor="end", bold=True)
    facts = [fit_text(fact, _TEXT_MM, right - 2.0) for fact in _facts(lines, jet)]
    places = flowing([text_width_mm(fact, _TEXT_MM) for fact in facts], 2.0, right, 4.0)
    for fact, (line, x) in zip(facts, places, strict=True):
        drawing.text(x, low + 9.6 + 3.6 * line, fact, size=_TEXT_MM, fill=ink)
    drawing.height_mm = low + 9.6 + 3.6 * places[-1][0] + 2.0


def _draw_lengths(drawing: Drawing, palette: Palette, page: Page) -> None:
    """Draw the dimension lines of windway and window over the head."""
    lines, quiet, row = page.lines, palette.quiet_text, 11.0
    length, low = lines.model.head.windway.length_mm, page.base + page.down * page.scale
    entry_x, exit_x, edge_x = page.entry_x, page.at(0.0, 0.0)[0], page.at(lines.edge_x, 0.0)[0]
    drawing.line(exit_x, row - 1.5, exit_x, low + 3.0, stroke=palette.ink_text, width=0.2)
    drawing.line(edge_x, row - 1.5, edge_x, page.base - lines.edge_y * page.scale, stroke=quiet, width=0.12)
    if page.whole or page.entry_zero is not None:
        roof = page.base - lines.roof_y(-length) * page.scale
        drawing.line(entry_x, row - 1.5, entry_x, roof, stroke=quiet, width=0.12)
    broken = "" if page.whole else " (broken off)" if page.entry_zero is None else " (shortened)"
    words = f"windway {fixed(length)}{broken}"
    if page.entry_zero is not None:
        # Its text must stay over the windway: what does not fit is said in fewer words.
        shorter = (words, f"windway {fixed(length)}", fixed(length))
        room = exit_x - entry_x - 4.0
        words = next((t for t in shorter if text_width_mm(t, _TEXT_MM) < room), shorter[-1])
    for x1, x2, text in ((entry_x, exit_x, words), (exit_x, edge_x, f"window {fixed(lines.edge_x)}")):
        drawing.dimension(x1, x2, row, text, size=_TEXT_MM, stroke=quiet, fill=palette.ink_text, backing=palette.ground)


def _facts(lines: HeadLines, jet: JetDrawn | None) -> list[str]:
    """Return what is listed under the head."""
    head, way = lines.model.head, lines.model.head.windway
    upper, lower = head.upper_chamfer, head.lower_chamfer
    facts = [
        f"entry height {fixed(way.entry_height_mm)}",
        f"exit height {fixed(way.exit_height_mm)}",
        f"floor {fixed(lines.floor)} over bore line",
        f"upper chamfer {fixed(upper.length_mm)} × {general(upper.angle_deg)}°",
        f"lower chamfer {fixed(lower.length_mm)} × {general(lower.angle_deg)}°",
        f"block depth {fixed(lines.face)}",
        f"edge offset {fixed(head.edge_offset_mm)}",
        f"ramp {general(head.ramp_angle_deg)}°",
        f"broken edge {fixed(head.broken_edge_mm)}",
        f"wall {fixed(lines.wall)}",
        "ears as high as the wall" if head.ear_height_mm is None else f"ears {fixed(head.ear_height_mm)}",
    ]
    if jet is not None and jet.label:
        facts.append(f"jet: {jet.label}")
    return facts
