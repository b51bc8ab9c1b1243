"""Curves and bars to scale: a quantity over frequency, or what each size does to the notes."""

import math
from collections.abc import Sequence

from fluewright.errors import InputError
from fluewright.pictures.axes import Frame
from fluewright.pictures.numerals import fixed
from fluewright.pictures.palette import Theme, palette_for
from fluewright.pictures.svg import Drawing, fit_text
from fluewright.units import signed

__all__ = ["effect_bars", "level_curve"]


def level_curve(
    x: Sequence[float],
    levels_db: Sequence[float],
    *,
    title: str,
    x_label: str = "frequency, Hz",
    y_label: str = "level, dB",
    marks: Sequence[tuple[float, str]] = (),
    theme: Theme = "light",
    width_mm: float = 180.0,
    height_mm: float = 90.0,
) -> str:
    """Return an SVG of a curve in dB over x, with labelled upright marks.

    Parameters
    ----------
    x, levels_db : sequence of float, shape (n,)
        At least two points.
    marks : sequence of (x, name)

    Raises
    ------
    InputError
        Fewer than two points, or values that are not finite.
    """
    if len(x) < 2 or len(x) != len(levels_db) or not all(map(math.isfinite, [*x, *levels_db])):
        raise InputError("a curve needs at least two points, all of them finite numbers")
    palette = palette_for(theme)
    drawing = Drawing(width_mm, height_mm)
    low = 10.0 * math.floor(min(levels_db) / 10.0)
    high = max(10.0 * math.ceil(max(levels_db) / 10.0), low + 10.0)
    frame = Frame(
        drawing, palette, box=(18.0, 14.0, width_mm - 6.0, height_mm - 14.0), x=(min(x), max(x)), y=(low, high)
    )
    drawing.text(frame.left, 6.0, fit_text(title, 3.6, frame.right - frame.left), size=3.6, fill=palette.ink_text)
    _draw_level_axes(frame)
    drawing.text(frame.left, frame.bottom + 9.5, x_label, size=2.8, fill=palette.ink_text)
    drawing.text(2.0, frame.top - 3.0, y_label, size=2.8, fill=palette.ink_text)
    points = [(frame.px(at), frame.py(level)) for at, level in zip(x, levels_db, strict=True)]
    drawing.polyline(points, stroke=palette.register_1_text, width=0.35)
    for place, name in marks:
        if frame.x[0] <= place <= frame.x[1]:
            at = frame.px(place)
            drawing.line(at, frame.top, at, frame.bottom, stroke=palette.register_2_text, width=0.25, dash="1 0.7")
            drawing.text(at + 0.6, frame.top + 2.6, name, size=2.6, fill=palette.ink_text)
    return drawing.to_svg(ground=palette.ground, description=title)


def _draw_level_axes(frame: Frame) -> None:
    """Draw a line every 10 dB (20 over a range of more than 60), and ticks of the other axis."""
    drawing, palette = frame.drawing, frame.palette
    (low_x, high_x), (level, high) = frame.x, frame.y
    step = 10.0 if high - level <= 60.0 else 20.0
    while level <= high + 1e-9:
        y = frame.py(level)
        drawing.line(frame.left, y, frame.right, y, stroke=palette.faint_line, width=0.1)
        drawing.text(frame.left - 9.0, y + 1.0, fixed(level, 0), size=2.6, fill=palette.ink_text)
        level += step
    tick = 10.0 ** math.floor(math.log10(high_x - low_x))
    if (high_x - low_x) / tick < 4.0:
        tick /= 2.0
    at = math.ceil(low_x / tick) * tick
    while at <= high_x + 1e-9:
        x = frame.px(at)
        drawing.line(x, frame.bottom, x, frame.bottom + 1.2, stroke=palette.ink_text, width=0.2)
        drawing.text(x - 2.5, frame.bottom + 4.4, fixed(at, 0), size=2.6, fill=palette.ink_text)
        at += tick


def effect_bars(
    names: Sequence[str],
    effects: Sequence[Sequence[float]],
    notes: Sequence[str],
    *,
    title: str,
    theme: Theme = "light",
    width_mm: float = 180.0,
) -> str:
    """Return an SVG with one row a size and one bar a note: cents per 0.1 mm, up is sharper.

    Parameters
    ----------
    names : sequence of str, shape (n,)
        Of the sizes.
    effects : sequence of sequence of float, shape (n, m)
        What each size does to each note.
    notes : sequence of str, shape (m,)

    Raises
    ------
    InputError
        No size, no note, or a figure missing.
    """
    if not names or not notes or any(len(row) != len(notes) for row in effects) or len(effects) != len(names):
        raise InputError("an effect picture needs at least one size and one note, and one figure for every pair")
    palette = palette_for(theme)
    row_mm, left, top = 9.0, 76.0, 18.0
    drawing = Drawing(width_mm, top + row_mm * len(names) + 6.0)
    most = max(max(abs(v) for v in row) for row in effects) or 1.0
    cell = (width_mm - left - 6.0) / len(notes)
    drawing.text(4.0, 6.0, fit_text(title, 3.6, width_mm - 8.0), size=3.6, fill=palette.ink_text)
    for j, note in enumerate(notes):
        drawing.text(
            left + j * cell + 0.2 * cell,
            top - 4.0,
            fit_text(note, 2.2, 0.95 * cell),
            size=2.2,
            fill=palette.ink_text,
        )
    for i, (name, row) in enumerate(zip(names, effects, strict=True)):
        middle = top + row_mm * (i + 0.5)
        drawing.text(4.0, middle + 1.0, fit_text(name, 2.6, left - 22.0), size=2.6, fill=palette.ink_text)
        drawing.text(left - 16.0, middle + 1.0, signed(max(row, key=abs), 2), size=2.6, fill=palette.ink_text)
        drawing.line(left, middle, width_mm - 6.0, middle, stroke=palette.faint_line, width=0.1)
        for j, value in enumerate(row):
            x = left + (j + 0.5) * cell
            drawing.line(
                x, middle, x, middle - value / most * 0.45 * row_mm, stroke=palette.register_1_text, width=0.5 * cell
            )
    return drawing.to_svg(ground=palette.ground, description=title)
