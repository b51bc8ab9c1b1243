"""Trial against trial of a head: pitch against breath, breath marks of every note, attack, hiss and level.

The newer trial is drawn full and dark, the older one hollow and dashed; registers keep their colours and shapes (round
for 1, diamond for 2), so that nothing is told by colour alone.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.errors import InputError
from fluewright.pictures.axes import BreathAxis, Frame, round_values
from fluewright.pictures.numerals import general, step_words
from fluewright.pictures.palette import Palette, Theme, palette_for
from fluewright.pictures.svg import Drawing, fit_text

__all__ = ["TrialLine", "TrialMark", "trial_picture"]

_BREATHS = ("lowest_pa", "comfortable_pa", "jump_pa", "fall_back_pa")
_PANELS: tuple[tuple[str, str, float], ...] = (
    ("cents", "pitch at that breath, cents", 1.0),
    ("cents_per_doubling", "cents a doubling of breath", 1.0),
    ("rise_s", "rise of the attack, ms", 1000.0),
    ("chiff_db", "noise of the attack, dB", 1.0),
    ("hiss_db", "noise against tone, dB", 1.0),
    ("level_db", "level, dB", 1.0),
    ("air_l_per_min", "air, l/min", 1.0),
    ("second_db", "second partial, dB", 1.0),
)


@dataclass(frozen=True)
class TrialLine:
    """Pitch against breath of one note: (Pa, cents against its target), rising breath; `new`: of the newer trial."""

    note: str
    register: int
    points: Sequence[tuple[float, float]]
    new: bool


@dataclass(frozen=True)
class TrialMark:
    """One reading with its standard uncertainty; `new`: of the newer trial."""

    note: str
    register: int
    quantity: str
    value: float
    sigma: float
    new: bool


def _mark(drawing: Drawing, x: float, y: float, register: int, colour: str, *, new: bool, size: float = 1.0) -> None:
    """Draw a round mark (register 1) or a diamond (register 2), full when new."""
    fill = colour if new else "none"
    if register == 1:
        drawing.ellipse(x, y, size, size, fill=fill, stroke=colour, width=0.3)
    else:
        r = 1.25 * size
        drawing.polyline(
            [(x - r, y), (x, y - r), (x + r, y), (x, y + r)], fill=fill, stroke=colour, width=0.3, closed=True
        )


def trial_picture(
    lines: Sequence[TrialLine], marks: Sequence[TrialMark], *, title: str, theme: Theme = "light",
    width_mm: float = 190.0, computed: bool = False,
) -> str:  # fmt: skip
    """Return an SVG of one trial, or of two in one picture.

    Top: pitch against breath, where it was read. Middle: a row a note with its lowest and comfortable breath, jump and
    fall back on one axis of breath. Below: small fields of attack, hiss, level and the rest, notes side by side. Bars
    are two sigma. `computed` marks are a model's own: nothing was read, so nothing is said of reading errors.

    Raises
    ------
    InputError
        No reading at all.
    """
    if not marks:
        raise InputError("a trial's picture needs at least one reading")
    palette = palette_for(theme)
    notes = list(dict.fromkeys((m.register, m.note) for m in marks))
    notes.sort(key=lambda n: n[0])
    curves = [line for line in lines if len(line.points) > 1]
    breaths = [m.value for m in marks if m.quantity in _BREATHS] + [p for c in curves for p, _ in c.points]
    panels = [p for p in _PANELS if any(m.quantity == p[0] for m in marks)]
    top = 18.0
    curve_mm = 52.0 if curves else 0.0
    row = 6.0
    rows_mm = row * len(notes) + 16.0 if breaths else 0.0
    per_line = 4
    panel_mm = 34.0
    panels_mm = panel_mm * math.ceil(len(panels) / per_line)
    drawing = Drawing(width_mm, top + curve_mm + rows_mm + panels_mm + 4.0)
    drawing.text(4.0, 6.0, fit_text(title, 3.6, width_mm - 8.0), size=3.6, fill=palette.ink_text)
    two = any(m.new for m in marks) and not all(m.new for m in marks)
    said = "round: register 1, diamond: register 2" + ("" if computed else "; bars two sigma")
    pair = "full: as it is now; hollow, dashed: as saved; "
    if not computed:
        pair = "full: this trial; hollow, dashed: the other; "
    drawing.text(4.0, 11.0, (pair if two else "") + said, size=2.4, fill=palette.quiet_text)
    left, right = 22.0, width_mm - 6.0
    if breaths:
        axis = BreathAxis(0.85 * min(breaths), 1.15 * max(breaths), left, right)
        bottom = top + curve_mm + row * len(notes) + 4.0
        axis.draw(drawing, palette, top=top, bottom=bottom, size=2.4, drops=(3.6, 7.4))
        if curves:
            _curves(drawing, palette, curves, axis, top, top + curve_mm - 6.0)
        _rows(drawing, palette, notes, marks, axis, top + curve_mm + 3.0, row)
    across = (width_mm - 8.0) / per_line
    for k, (key, name, factor) in enumerate(panels):
        x0 = 4.0 + across * (k % per_line)
        y0 = top + curve_mm + rows_mm + panel_mm * (k // per_line)
        _panel(drawing, palette, notes, [m for m in marks if m.quantity == key], name, factor, x0, y0, across, panel_mm)
    return drawing.to_svg(ground=palette.ground, description=title)


def _curves(
    drawing: Drawing, palette: Palette, curves: Sequence[TrialLine], axis: BreathAxis, top: float, bottom: float
) -> None:
    values = [c for line in curves for _, c in line.points if math.isfinite(c)]
    low, high = max(min(values) - 5.0, -150.0), min(max(values) + 5.0, 150.0)

    frame = Frame(drawing, palette, box=(axis.left, top, axis.right, bottom), x=(axis.low, axis.high), y=(low, high))
    drawing.open_group(class_="curves")
    drawing.describe("pitch against breath")
    for at in round_values(low, high, least=3.0, most=5.0):
        y = frame.py(at)
        drawing.line(axis.left, y, axis.right, y, stroke=palette.faint_line, width=0.25 if at == 0.0 else 0.1)
        drawing.text(axis.left - 1.2, y + 0.9, step_words(at), size=2.4, fill=palette.ink_text, anchor="end")
    drawing.text(2.0, top - 1.6, "cents against the target", size=2.4, fill=palette.quiet_text)
    ends: list[tuple[float, float]] = []
    for line in curves:
        colour = palette.register_text(line.register)
        points = [(axis.px(p), frame.py(min(max(c, low), high))) for p, c in line.points if math.isfinite(c)]
        if len(points) < 2:
            continue
        drawing.polyline(points, stroke=colour, width=0.55 if line.new else 0.35, dash=None if line.new else "1.2 0.8")
        if line.new or not any(o.new and (o.note, o.register) == (line.note, line.register) for o in curves):
            x, y = points[-1]
            while any(abs(x - a) < 8.0 and abs(y - b) < 2.4 for a, b in ends):
                y -= 2.4
            ends.append((x, y))
            drawing.text(x + 0.8, y + 0.8, line.note, size=2.4, fill=colour, backing=palette.ground)
    drawing.close_group()


def _rows(
    drawing: Drawing, palette: Palette, notes: Sequence[tuple[int, str]], marks: Sequence[TrialMark],
    axis: BreathAxis, top: float, row: float,
) -> None:  # fmt: skip
    """Draw a note's breaths: a bar from lowest to jump, a tick at each end, the mark at its comfortable breath."""
    px = axis.px
    for k, (register, note) in enumerate(notes):
        y = top + row * (k + 0.5) - 3.0
        drawing.open_group(class_="note")
        drawing.describe(f"{note}, register {register}: breaths")
        drawing.text(4.0, y + 1.0, fit_text(f"{note}.{register}", 2.8, 16.0), size=2.8, fill=palette.ink_text)
        drawing.line(axis.left, y, axis.right, y, stroke=palette.faint_line, width=0.1)
        for new in (False, True):
            mine = {m.quantity: m for m in marks if (m.register, m.note) == (register, note) and m.new is new}
            at = y + (0.9 if new else -0.9)
            colour = palette.register_text(register)
            if "lowest_pa" in mine and "jump_pa" in mine:
                drawing.line(px(mine["lowest_pa"].value), at, px(mine["jump_pa"].value), at, stroke=colour,
                             width=0.5 if new else 0.25, dash=None if new else "1.2 0.8")  # fmt: skip
            for key in ("lowest_pa", "jump_pa", "fall_back_pa"):
                if key not in mine:
                    continue
                x = px(mine[key].value)
                spread = mine[key].sigma / mine[key].value
                a, b = px(mine[key].value * math.exp(-2.0 * spread)), px(mine[key].value * math.exp(2.0 * spread))
                drawing.line(a, at, b, at, stroke=colour, width=0.9 if new else 0.6)
                tip = {"jump_pa": -1.7, "fall_back_pa": 1.7, "lowest_pa": 0.0}[key]
                if tip:
                    drawing.polyline([(x - 1.0, at), (x + 1.0, at), (x, at + tip)], fill=colour if new else "none",
                                     stroke=colour, width=0.3, closed=True)  # fmt: skip
                else:
                    drawing.line(x, at - 1.2, x, at + 1.2, stroke=colour, width=0.5)
            if "comfortable_pa" in mine:
                _mark(drawing, px(mine["comfortable_pa"].value), at, register, colour, new=new, size=0.8)
        drawing.close_group()
    drawing.text(
        axis.left, top + row * len(notes) + 8.4,
        "tick: lowest; mark: comfortable; triangle up: jumps, down: falls back", size=2.2, fill=palette.quiet_text,
    )  # fmt: skip


def _panel(
    drawing: Drawing, palette: Palette, notes: Sequence[tuple[int, str]], marks: Sequence[TrialMark], name: str,
    factor: float, x0: float, y0: float, across: float, panel_mm: float,
) -> None:  # fmt: skip
    left, right, top, bottom = x0 + 9.0, x0 + across - 2.0, y0 + 5.0, y0 + panel_mm - 6.0
    values = [factor * (m.value + s * 2.0 * m.sigma) for m in marks for s in (-1.0, 1.0)]
    low, high = min(values), max(values)
    pad = max(0.08 * (high - low), 1e-3 * max(abs(high), abs(low), 1e-6))
    low, high = low - pad, high + pad

    py = Frame(drawing, palette, box=(left, top, right, bottom), x=(0.0, 1.0), y=(low, high)).py
    drawing.open_group(class_="field")
    drawing.describe(name)
    drawing.text(x0, y0 + 2.6, fit_text(name, 2.3, across - 2.0), size=2.3, fill=palette.ink_text)
    for at in round_values(low, high, least=3.0, most=5.0):
        drawing.line(left, py(at), right, py(at), stroke=palette.faint_line, width=0.1)
        drawing.text(left - 0.8, py(at) + 0.8, general(at), size=2.1, fill=palette.ink_text, anchor="end")
    known = [n for n in notes if any((m.register, m.note) == n for m in marks)]
    step = (right - left) / max(len(known), 1)
    for k, (register, note) in enumerate(known):
        x = left + step * (k + 0.5)
        drawing.text(x, bottom + 3.0, fit_text(note, 2.1, step), size=2.1, fill=palette.ink_text, anchor="middle")
        for m in marks:
            if (m.register, m.note) != (register, note):
                continue
            at = x + (0.9 if m.new else -0.9)
            colour = palette.register_text(register)
            a, b = py(factor * (m.value - 2.0 * m.sigma)), py(factor * (m.value + 2.0 * m.sigma))
            drawing.line(at, a, at, b, stroke=colour, width=0.4, dash=None if m.new else "0.8 0.6")
            _mark(drawing, at, py(factor * m.value), register, colour, new=m.new, size=0.9)
    drawing.close_group()
