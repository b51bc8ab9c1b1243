"""What pressing a place of the section shows: one usual step of each adjustment there, and what it does to the sound.

Bars go from zero to the right where there is more of a quantity, to the left where there is less; each unit has one
scale in the whole picture. What only habit tells has a direction and no size: an arrow and a word, never a bar.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.errors import InputError
from fluewright.grades import Grade
from fluewright.pictures.palette import Palette, Theme, palette_for
from fluewright.pictures.svg import Drawing, fit_text, text_width_mm
from fluewright.units import signed

__all__ = ["AdjustmentEffects", "EffectRow", "effect_picture"]

_WORDS = {1: "more", 0: "no change", -1: "less"}
_TEXT_MM = 2.4
_SIDE_MM = 4.0
_LEAST_WIDE_MM = 150.0
_NAME_MM, _VALUE_MM = 54.0, 27.0
_LEAST_FULL = {"cents": 5.0, "%": 10.0, "dB": 2.0}
# Ends of the scale at the least: what is too small to notice shall not look large. Common practice, no source.


@dataclass(frozen=True)
class EffectRow:
    """What one usual step does to one quantity.

    Parameters
    ----------
    quantity : str
        What it is called, such as "pitch, register 1".
    value, uncertainty : float
        Change and its standard uncertainty, in the unit; of practice +1, 0 or -1 (more, no change, less) and nothing.
    unit : str
        "cents", "%", "dB".
    evidence : Grade
        What it rests on: the equations, the trade's habit, the shop's own trials.

    Raises
    ------
    InputError
        A number is not finite, an uncertainty negative, an evidence not known, or practice given a size.
    """

    quantity: str
    value: float
    uncertainty: float
    unit: str
    evidence: Grade

    def __post_init__(self) -> None:
        """Refuse what cannot be drawn."""
        if self.evidence not in list(Grade):
            raise InputError(f"{self.quantity}: evidence is {self.evidence!r}; use one of {', '.join(Grade)}.")
        if not math.isfinite(self.value) or not math.isfinite(self.uncertainty) or self.uncertainty < 0.0:
            raise InputError(
                f"{self.quantity}: value {self.value} ± {self.uncertainty} cannot be drawn; leave the row out where it "
                "is not known."
            )
        if self.evidence is Grade.PRACTICE and self.value not in (-1.0, 0.0, 1.0):
            raise InputError(
                f"{self.quantity}: practice is {self.value:g}; it tells a direction only, +1, 0 or -1, and no size."
            )


@dataclass(frozen=True)
class AdjustmentEffects:
    """One adjustment and what its usual step does.

    Parameters
    ----------
    key, title : str
        Name in files, and what is said; the title names the step.
    rows : sequence of EffectRow
    undo : str
        How it is undone; empty when it cannot be.
    caution : str
    reason : str
        Why it cannot be made on this head; then there are no rows.
    """

    key: str
    title: str
    rows: Sequence[EffectRow]
    undo: str = ""
    caution: str = ""
    reason: str = ""


def _nice(value: float) -> float:
    """Return the round value at or above."""
    if value <= 0.0:
        return 1.0
    step = 10.0 ** math.floor(math.log10(value))
    return next(f * step for f in (1.0, 1.5, 2.0, 3.0, 5.0, 7.5, 10.0) if value <= f * step * (1.0 + 1e-12))


def _size(row: EffectRow) -> str:
    largest = max(abs(row.value), row.uncertainty)
    digits = 2 if largest < 0.995 else 1 if largest < 9.95 else 0
    if largest == 0.0:
        return f"0 {row.unit}"
    spread = f" ± {row.uncertainty:.{digits}f}" if row.uncertainty > 0.0 else ""
    return f"{signed(row.value, digits)}{spread} {row.unit}"


def _lines(text: str, width_mm: float) -> list[str]:
    """Break a text into lines of a width."""
    lines: list[str] = []
    for word in text.split():
        if lines and text_width_mm(f"{lines[-1]} {word}", _TEXT_MM) <= width_mm:
            lines[-1] += f" {word}"
        else:
            lines.append(fit_text(word, _TEXT_MM, width_mm))
    return lines


def effect_picture(
    adjustments: Sequence[AdjustmentEffects], *, title: str, theme: Theme = "light", width_mm: float = 180.0
) -> str:
    """Return an SVG of what each adjustment of a place does by one usual step.

    Parameters
    ----------
    adjustments : sequence of AdjustmentEffects
        In the order in which they are shown.
    title : str
        Such as the place's name.
    theme : {"light", "dark", "paper"}
        Colours.
    width_mm : float
        Width on paper, at least 85; under 150 every row has two lines.

    Returns
    -------
    str
        SVG, one user unit a millimetre. Each adjustment is a group with ``data-adjustment``, each row one with
        ``data-quantity`` and ``data-evidence``.

    Raises
    ------
    InputError
        No adjustment, or the theme is not known.
    """
    if not adjustments:
        raise InputError("an effect picture needs at least one adjustment; this place has none")
    palette = palette_for(theme)
    width_mm = max(width_mm, 85.0)
    wide = width_mm >= _LEAST_WIDE_MM
    drawing = Drawing(width_mm, 10.0)
    room = width_mm - 2.0 * _SIDE_MM
    drawing.text(_SIDE_MM, 5.4, fit_text(title, 3.4, room), size=3.4, fill=palette.ink_text, bold=True)
    full: dict[str, float] = {}
    for row in (row for a in adjustments for row in a.rows if row.evidence is not Grade.PRACTICE):
        # An uncertainty larger than its value shall not make every other bar small: it is cut off with an arrow.
        most = abs(row.value) + min(row.uncertainty, abs(row.value))
        full[row.unit] = max(full.get(row.unit, _LEAST_FULL.get(row.unit, 0.0)), most)
    full = {unit: _nice(most) for unit, most in full.items()}
    y = 8.4
    for adjustment in adjustments:
        drawing.open_group(class_="adjustment", data_adjustment=adjustment.key)
        drawing.describe(adjustment.title)
        y = _draw_adjustment(drawing, palette, adjustment, full, y, wide=wide)
        drawing.close_group()
    y = _draw_legend(drawing, palette, full, adjustments, y + 1.0)
    drawing.height_mm = y + 2.0
    return drawing.to_svg(ground=palette.ground, description=f"{title}: what one usual step does")


def _draw_adjustment(
    drawing: Drawing, palette: Palette, adjustment: AdjustmentEffects, full: dict[str, float], y: float, *, wide: bool
) -> float:
    """Draw one adjustment from `y` down; return where it ends."""
    right = drawing.width_mm - _SIDE_MM
    room = right - _SIDE_MM
    drawing.line(_SIDE_MM, y, right, y, stroke=palette.faint_line, width=0.2)
    y += 0.6
    for line in _lines(adjustment.title, room):
        y += 3.4
        drawing.text(_SIDE_MM, y, line, size=_TEXT_MM, fill=palette.ink_text, bold=True)
    said = f"undone: {adjustment.undo}" if adjustment.undo else "cannot be undone"
    if adjustment.caution:
        said += f"; {adjustment.caution}"
    if adjustment.reason:
        said = f"not on this head: {adjustment.reason}"
    for line in _lines(said, room):
        y += 3.3
        drawing.text(_SIDE_MM, y, line, size=_TEXT_MM, fill=palette.quiet_text)
    y += 1.8
    if adjustment.reason or not adjustment.rows:
        return y
    return _draw_rows(drawing, palette, adjustment.rows, full, y, wide=wide)


def _draw_rows(
    drawing: Drawing, palette: Palette, rows: Sequence[EffectRow], full: dict[str, float], y: float, *, wide: bool
) -> float:
    """Draw the quantities of one adjustment under each other; return where they end."""
    right = drawing.width_mm - _SIDE_MM
    evidence_mm = text_width_mm(Grade.MEASURED_HERE, _TEXT_MM)
    if wide:
        name_mm, step = _NAME_MM, 4.6
        left_x, field = _SIDE_MM + _NAME_MM + 2.0, right - evidence_mm - 1.5 - _VALUE_MM - 1.5
    else:
        name_mm, step = right - _SIDE_MM - evidence_mm - 2.0, 8.4
        left_x, field = _SIDE_MM, right - _VALUE_MM - 1.5
    zero, half = 0.5 * (left_x + field), 0.5 * (field - left_x)
    bottom = y + step * len(rows)
    for x in (left_x, field):
        drawing.line(x, y, x, bottom, stroke=palette.faint_line, width=0.12, dash="0.7 0.7")
    drawing.line(zero, y, zero, bottom, stroke=palette.quiet_text, width=0.25)
    backing = None if wide else palette.ground
    for number, row in enumerate(rows):
        top = y + step * number
        middle = top + (0.5 * step if wide else 5.6)
        base = middle + 0.36 * _TEXT_MM
        name_y = base if wide else top + 2.8
        drawing.open_group(class_="effect", data_quantity=row.quantity, data_evidence=row.evidence)
        drawing.describe(f"{row.quantity}: {_told(row)}, {row.evidence}")
        for x, at, words, room, fill, anchor, behind in (
            (_SIDE_MM, name_y, row.quantity, name_mm, palette.ink_text, "start", backing),
            (right, name_y, row.evidence, evidence_mm, palette.quiet_text, "end", backing),
            (field + 1.5, base, _told(row), _VALUE_MM, palette.ink_text, "start", None),
        ):
            said = fit_text(words, _TEXT_MM, room)
            drawing.text(x, at, said, size=_TEXT_MM, fill=fill, anchor=anchor, backing=behind)
        if row.evidence is Grade.PRACTICE:
            _draw_direction(drawing, palette, zero, middle, int(row.value))
        else:
            _draw_bar(drawing, palette, row, zero, half, middle, half / full[row.unit])
        drawing.close_group()
    return bottom + 1.6


def _told(row: EffectRow) -> str:
    return _WORDS[int(row.value)] if row.evidence is Grade.PRACTICE else _size(row)


def _draw_bar(
    drawing: Drawing, palette: Palette, row: EffectRow, zero: float, half: float, y: float, per_unit: float
) -> None:
    """Draw a bar from zero, filled when computed, outlined when measured, and its uncertainty as a thin bar."""
    end, thick = zero + row.value * per_unit, 1.1
    measured = row.evidence is Grade.MEASURED_HERE
    drawing.polyline(
        [(zero, y - thick), (end, y - thick), (end, y + thick), (zero, y + thick)],
        fill=palette.ground if measured else palette.register_1_text, stroke=palette.register_1_text,
        width=0.5 if measured else 0.2, closed=True,
    )  # fmt: skip
    if row.uncertainty <= 0.0:
        return
    ends = [(end + way * row.uncertainty * per_unit, way) for way in (-1.0, 1.0)]
    shown = [min(max(x, zero - half), zero + half) for x, _ in ends]
    for stroke, width, more in ((palette.ground, 0.75, 0.25), (palette.ink_text, 0.25, 0.0)):
        drawing.line(shown[0] - more, y, shown[1] + more, y, stroke=stroke, width=width)
        for at, (x, way) in zip(shown, ends, strict=True):
            if at == x:
                drawing.line(x, y - 0.7 - more, x, y + 0.7 + more, stroke=stroke, width=width)
            elif more == 0.0:  # goes on beyond the scale
                tip = [(at - 1.2 * way, y - 0.8), (at, y), (at - 1.2 * way, y + 0.8)]
                drawing.polyline(tip, stroke=stroke, width=width)


def _draw_direction(drawing: Drawing, palette: Palette, zero: float, y: float, way: int) -> None:
    """Draw which way habit says it goes: an arrow head beside zero, two strokes on it for no change."""
    if way == 0:
        for x in (-0.5, 0.5):
            drawing.line(zero + x, y - 1.0, zero + x, y + 1.0, stroke=palette.ink_text, width=0.4)
        return
    tip, root = zero + 4.4 * way, zero + 1.6 * way
    drawing.polyline(
        [(root, y - 1.3), (tip, y), (root, y + 1.3)], fill=palette.ground, stroke=palette.ink_text, width=0.4,
        closed=True,
    )  # fmt: skip


def _draw_legend(
    drawing: Drawing, palette: Palette, full: dict[str, float], adjustments: Sequence[AdjustmentEffects], y: float
) -> float:
    """Say how long a bar is and what its kinds mean; return where the words end."""
    found = {row.evidence for a in adjustments for row in a.rows}
    words = ["one usual step; right: more, left: less"]
    if full:
        ends = ", ".join(f"{most:g} {unit}" for unit, most in full.items())
        words.append(f"dashed ends: {ends}")
    if any(row.uncertainty > 0.0 for a in adjustments for row in a.rows):
        words.append("thin bar: standard uncertainty")
    told = {
        Grade.COMPUTED: "filled: computed from the model",
        Grade.MEASURED_HERE: "outlined: measured here, in this shop's trials",
        Grade.PRACTICE: "arrow: practice, a direction without a size",
    }
    words += [text for kind, text in told.items() if kind in found]
    for line in _lines("; ".join(words) + ".", drawing.width_mm - 2.0 * _SIDE_MM):
        y += 3.4
        drawing.text(_SIDE_MM, y, line, size=_TEXT_MM, fill=palette.quiet_text)
    return y
