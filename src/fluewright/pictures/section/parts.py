"""How the parts of a head are drawn in its section: each place by itself, as a picture or as what a target lies on."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from fluewright.instrument.parts import Chamfer
from fluewright.pictures.palette import Palette
from fluewright.pictures.section.jet import JetDrawn, draw_jet
from fluewright.pictures.section.page import Page, Point
from fluewright.pictures.svg import Drawing

__all__ = ["HeadParts"]

_STEPS = 12


@dataclass(frozen=True)
class HeadParts:
    """A head's parts on a page; without an entry drawn apart it is a picture, else what is seen of each place.

    Attributes
    ----------
    jet : JetDrawn or None
        Drawn with the window of a control.
    """

    drawing: Drawing
    palette: Palette
    page: Page
    jet: JetDrawn | None = None

    def draw_picture(self) -> None:
        """Draw the whole head: each place that the trade cuts is a group, what lies behind the window a thin line."""
        head, lines, palette = self.page.lines.model.head, self.page.lines, self.palette
        upper, lower = head.upper_chamfer.length_mm > 0.0, head.lower_chamfer.length_mm > 0.0
        for place, words, wanted, draw in (
            ("windway", "windway", True, self._windway_in_picture),
            ("upper-chamfer", "upper chamfer", upper, self._upper_chamfer),
            ("block", "block", True, self._block),
            ("lower-chamfer", "lower chamfer", lower, self._lower_chamfer),
            ("edge", "edge", True, self._edge_in_picture),
            ("ramp", "ramp", True, self._ramp_line),
            ("window", "window", True, self._window_in_picture),
        ):
            if wanted:
                self.drawing.open_group(class_="place", data_place=place)
                self.drawing.describe(words)
                draw()
                self.drawing.close_group()
        self._ears_line(lines.edge_x, palette.quiet_text, 0.15)

    def draw_place(self, place: str) -> None:
        """Draw what is seen of a place under its target; in the order of the places none hides what is under it."""
        {
            "window": self._window, "windway": self._windway, "block": self._block_and_stub, "ramp": self._ramp,
            "ears": lambda: self._ears_line(self.page.lines.edge_x, self.palette.quiet_text, 0.25),
            "entry": self._entry, "upper-chamfer": self._upper_chamfer, "lower-chamfer": self._lower_chamfer,
            "edge": self._edge,
        }[place]()  # fmt: skip

    def _roof_outline(self) -> tuple[list[Point], list[Point], list[Point]]:
        """Return the wall over the windway: its outside, the roof with the chamfer, and the line at its upper end."""
        page, lines, at, start = self.page, self.page.lines, self.page.at, self.page.start
        top = [at(start - start * i / _STEPS, lines.outside_y(start - start * i / _STEPS)) for i in range(_STEPS + 1)]
        chamfer_x = -min(lines.upper_along, lines.model.head.windway.length_mm)
        under = list(page.upper_chamfer)
        run = [start + (chamfer_x - start) * i / _STEPS for i in range(_STEPS, -1, -1)][1:]
        under += [at(x, lines.roof_y(x)) for x in run]
        end = [at(start, lines.roof_y(start)), *([at(start, lines.outside_y(start))] if page.whole else [])]
        return top, under, end

    def _line(self, points: Iterable[Point], *, width: float = 0.25, dash: str | None = None) -> None:
        self.drawing.polyline(points, stroke=self.palette.ink_text, width=width, dash=dash)

    def _windway_in_picture(self) -> None:
        top, under, end = self._roof_outline()
        self.drawing.polyline(
            [*top, *under, *end], fill=self.palette.wall_fill, stroke=self.palette.ink_text, width=0.25, closed=True
        )

    def _windway(self) -> None:
        page, lines = self.page, self.page.lines
        top, under, end = self._roof_outline()
        self.drawing.polyline([*top, *under, *end], fill=self.palette.wall_fill)
        self._line([*top, *under, *(end[-1:] if page.whole else [])])
        if page.entry_zero is not None:
            length = lines.model.head.windway.length_mm
            ends = [-length + (page.entry_end + length) * i / _STEPS for i in range(_STEPS + 1)]
            piece = [page.at_entry(x, lines.roof_y(x)) for x in reversed(ends)]
            piece += [page.at_entry(x, lines.outside_y(x)) for x in ends]
            self.drawing.polyline(piece, fill=self.palette.wall_fill)
            self._line(piece)

    def _block(self) -> None:
        """Draw floor of the windway, lower chamfer and face."""
        page, lines, low = self.page, self.page.lines, -self.page.down
        outline = [
            page.at(page.start, lines.floor), *page.lower_chamfer, page.at(lines.face, low), page.at(page.start, low),
        ]  # fmt: skip
        self.drawing.polyline(outline, fill=self.palette.block_fill)
        self._line(outline[:4])
        if page.whole:
            self.drawing.line(*outline[0], *outline[4], stroke=self.palette.ink_text, width=0.25)

    def _block_and_stub(self) -> None:
        self._block()
        page, lines = self.page, self.page.lines
        if page.entry_zero is not None:
            end, length = page.entry_end, lines.model.head.windway.length_mm
            stub = [
                page.at_entry(end, -page.down), page.at_entry(end, lines.floor), page.at_entry(-length, lines.floor),
                page.at_entry(-length, -page.down),
            ]  # fmt: skip
            self.drawing.polyline(stub, fill=self.palette.block_fill)
            self._line(stub[1:])

    def _edge_in_picture(self) -> None:
        """Draw the wall behind the edge; how its under-face is relieved no model says."""
        wall = self.page.wall_points()
        self.drawing.polyline(wall, fill=self.palette.wall_fill)
        self._line(wall[-2:])
        self._line([wall[-1], wall[0]], width=0.2, dash="0.9 0.6")

    def _ramp_line(self) -> None:
        self._line(self.page.wall_points()[:-2])

    def _ramp(self) -> None:
        self._edge_in_picture()
        self._ramp_line()

    def _edge(self) -> None:
        x, y = self.page.wall_points()[0]
        self.drawing.ellipse(x, y, 0.55, 0.55, fill=self.palette.ink_text)

    def _window_in_picture(self) -> None:
        page, lines = self.page, self.page.lines
        low, high = page.at(0.0, lines.wall), page.at(lines.edge_x, lines.bore_y(lines.edge_x))
        self.drawing.rect(low[0], low[1], high[0] - low[0], max(high[1] - low[1], 0.0))

    def _window(self) -> None:
        if self.jet is not None:
            draw_jet(self.drawing, self.palette, self.page, self.jet)

    def _ears_line(self, edge_x: float, stroke: str, width: float) -> None:
        """Draw the side wall behind the window."""
        ear = self.page.lines.ear
        self.drawing.line(
            *self.page.at(0.0, ear), *self.page.at(edge_x, ear), stroke=stroke, width=width, dash="1.2 0.8"
        )

    def _entry(self) -> None:
        page, lines = self.page, self.page.lines
        length = lines.model.head.windway.length_mm
        x, y = page.at_entry(-length, lines.roof_y(-length))
        for level in (y, page.at_entry(-length, lines.floor)[1]):
            self.drawing.line(x - 2.6, level, x, level, stroke=self.palette.quiet_text, width=0.2, dash="0.6 0.5")

    def _upper_chamfer(self) -> None:
        head, ends = self.page.lines.model.head, self.page.upper_chamfer
        self._chamfer(head.upper_chamfer, ends, ends[0], -1.0, self.palette.register_1_text)

    def _lower_chamfer(self) -> None:
        head, ends = self.page.lines.model.head, self.page.lower_chamfer
        self._chamfer(head.lower_chamfer, ends, ends[1], 1.0, self.palette.register_2_text)

    def _chamfer(self, chamfer: Chamfer, ends: tuple[Point, Point], corner: Point, sign: float, colour: str) -> None:
        """Draw a chamfer; one that is not cut yet dashed where it would lie, up (`sign` -1) or down from its corner."""
        if chamfer.length_mm > 0.0:
            self.drawing.polyline(ends, stroke=colour, width=0.6)
            return
        x, y = corner
        angle = math.radians(chamfer.angle_deg)
        along, down = 3.0 * math.cos(angle), 3.0 * math.sin(angle)
        self.drawing.line(x - along, y, x, y + sign * down, stroke=colour, width=0.5, dash="0.7 0.4")
