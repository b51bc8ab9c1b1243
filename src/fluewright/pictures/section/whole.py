"""What the head looks like in an enlarged length section: windway, chamfers, block, window, edge and ramp.

With `control` it is also what a maker presses and drags: every place that the trade cuts is a target, and the sizes
that voicing changes have grips.
"""

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.pictures.numerals import scale_words
from fluewright.pictures.palette import palette_for
from fluewright.pictures.section.chosen import mark_chosen
from fluewright.pictures.section.control import draw_control
from fluewright.pictures.section.jet import JetDrawn, draw_jet
from fluewright.pictures.section.lines import HeadLines
from fluewright.pictures.section.page import page_with_entry, plain_page
from fluewright.pictures.section.parts import HeadParts
from fluewright.pictures.section.places import PLACE_NAMES, targets_of
from fluewright.pictures.section.sizes import draw_lines, draw_sizes
from fluewright.pictures.svg import Drawing

__all__ = ["head_section"]


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
    page = (page_with_entry if apart else plain_page)(lines, width_mm, most_height_mm)
    drawing = Drawing(width_mm, page.base + page.down * page.scale + 17.0)
    if apart:
        targets = targets_of(page)
        draw_control(HeadParts(drawing, palette, page, jet), targets, chosen, control=control)
        # What lies over the targets lets presses through.
        drawing.open_group(pointer_events="none")
        draw_lines(drawing, palette, page)
        if chosen is not None:
            mark_chosen(drawing, palette, page, targets, chosen)
        draw_sizes(drawing, palette, page, jet, chosen)
        drawing.close_group()
    else:
        HeadParts(drawing, palette, page).draw_picture()
        if jet is not None:
            draw_jet(drawing, palette, page, jet)
        draw_lines(drawing, palette, page)
        draw_sizes(drawing, palette, page, jet, None)
    return drawing.to_svg(
        ground=palette.ground,
        description=f"Length section of the head of {model.model.name} at {scale_words(page.scale)}",
        data=(("zero-mm", page.zero), ("scale", page.scale)),
        # What is drawn as an image has no parts for readers that do not see it; a control has.
        role="group" if control else "img",
    )
