"""The head's section as a control: every place that the trade cuts is a target to press, with grips to drag."""

from fluewright.pictures.palette import Palette
from fluewright.pictures.section.page import Box, Point
from fluewright.pictures.section.parts import HeadParts
from fluewright.pictures.section.places import PLACE_NAMES, Grip, grips_of, place_words
from fluewright.pictures.svg import Drawing

__all__ = ["draw_control"]


def draw_control(parts: HeadParts, targets: dict[str, tuple[Box, ...]], chosen: str | None, *, control: bool) -> None:
    """Draw the head so that each place is one group: what is seen of it and, to press, its targets and grips.

    Parameters
    ----------
    parts : HeadParts
    targets : dict
        As of `targets_of`.
    chosen : str or None
        The place that is pressed.
    control : bool
        Whether there is anything to press.
    """
    drawing, palette, page = parts.drawing, parts.palette, parts.page
    grips = grips_of(page, targets) if control else ()
    for place in PLACE_NAMES:
        drawing.open_group(
            class_="place", data_place=place, tabindex="0" if control else None, role="button" if control else None,
            aria_pressed=("true" if place == chosen else "false") if control else None,
            cursor="pointer" if control else None,
        )  # fmt: skip
        drawing.describe(place_words(page.lines, place))
        drawing.open_group(pointer_events="none" if control else None)
        parts.draw_place(place)
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


def _draw_box(drawing: Drawing, palette: Palette, box: Box) -> None:
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
