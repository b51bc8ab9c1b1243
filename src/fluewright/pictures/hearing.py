"""What was heard, as pictures: spectrogram, cents per note, swell loop, attack."""

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

from fluewright.arrays import Float32Array, FloatArray
from fluewright.errors import InputError
from fluewright.pictures.axes import Frame, round_values
from fluewright.pictures.numerals import fixed, step_words
from fluewright.pictures.palette import Palette, Theme, palette_for
from fluewright.pictures.svg import Drawing, fit_text
from fluewright.units import minus, signed

__all__ = ["NoteBox", "SwellLine", "attack_picture", "cents_picture", "spectrogram_picture", "swell_loop"]

_FLOOR_DB = 70.0  # of the loudest cell that is still drawn


@dataclass(frozen=True)
class NoteBox:
    """One heard note as drawn: its name, when, pitch, cents against its target and their uncertainty (one sigma)."""

    name: str
    start_s: float
    end_s: float
    frequency_hz: float
    cents: float
    uncertainty_cents: float


@dataclass(frozen=True)
class SwellLine:
    """One register of a swell as drawn: cents above the lowest pitch, over breath or level, in the order of time.

    Attributes
    ----------
    over, cents : sequence of float, shape (n,)
        NaN where it is not known.
    rising : bool
        Whether the breath grows.
    """

    over: Sequence[float]
    cents: Sequence[float]
    rising: bool


def _begin(title: str, theme: Theme, width_mm: float, height_mm: float) -> tuple[Drawing, Palette]:
    palette = palette_for(theme)
    drawing = Drawing(width_mm, height_mm)
    drawing.text(4.0, 6.0, fit_text(title, 3.6, width_mm - 8.0), size=3.6, fill=palette.ink_text)
    return drawing, palette


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def spectrogram_picture(
    levels_db: FloatArray | Float32Array, *, top_hz: float, start_s: float, end_s: float, title: str,
    notes: Sequence[NoteBox] = (),
    track: Sequence[tuple[float, float]] = (), theme: Theme = "light", width_mm: float = 200.0,
    height_mm: float = 110.0,
) -> str:  # fmt: skip
    """Return an SVG of a spectrogram with the tracked pitch as a line and the notes' names over it.

    Parameters
    ----------
    levels_db : array, shape (rows, columns)
        The first row is the lowest frequency; 70 dB under the largest is blank.
    notes, track : sequences
        Notes, and (seconds, Hz) of the pitch; a gap over 50 ms breaks the line.

    Raises
    ------
    InputError
        The table is empty.
    """
    import numpy as np
    from PIL import Image

    table = np.asarray(levels_db, dtype=float)
    if table.ndim != 2 or table.size == 0 or end_s <= start_s:
        raise InputError("a spectrogram needs a table of levels and some time")
    drawing, palette = _begin(title, theme, width_mm, height_mm)
    share = np.clip((table - table.max() + _FLOOR_DB) / _FLOOR_DB, 0.0, 1.0)[::-1, :, None]
    ground, ink = np.array(_rgb(palette.ground)), np.array(_rgb(palette.ink_text))
    pixels = np.rint(ground + share * (ink - ground)).astype(np.uint8)
    png = io.BytesIO()
    Image.fromarray(pixels, mode="RGB").save(png, format="PNG", optimize=True)
    frame = Frame(
        drawing,
        palette,
        box=(16.0, 18.0, width_mm - 6.0, height_mm - 12.0),
        x=(start_s, end_s),
        y=(0.0, top_hz / 1000.0),
    )
    drawing.image(frame.left, frame.top, frame.right - frame.left, frame.bottom - frame.top, png=png.getvalue())
    frame.rule("time, s", "kHz")
    line: list[tuple[float, float]] = []
    before = -math.inf
    for at, hz in [*track, (math.inf, math.nan)]:
        if at - before > 0.05 or not math.isfinite(hz):
            if len(line) > 1:
                drawing.polyline(line, stroke=palette.register_1_text, width=0.4)
            line = []
        if math.isfinite(hz) and start_s <= at <= end_s and hz <= top_hz:
            line.append((frame.px(at), frame.py(hz / 1000.0)))
        before = at
    for number, note in enumerate(notes):
        if note.end_s < start_s or note.start_s > end_s:
            continue
        a, b = frame.px(max(note.start_s, start_s)), frame.px(min(note.end_s, end_s))
        y = 13.0 + 2.4 * (number % 2)
        drawing.line(a, frame.top - 0.6, b, frame.top - 0.6, stroke=palette.register_2_text, width=0.6)
        drawing.text(0.5 * (a + b), y, note.name, size=2.2, fill=palette.ink_text, anchor="middle")
    return drawing.to_svg(ground=palette.ground, description=title)


def cents_picture(
    notes: Sequence[NoteBox], *, title: str, tolerance_cents: float = 5.0, theme: Theme = "light",
    width_mm: float = 180.0,
) -> str:  # fmt: skip
    """Return an SVG: one row a note in the order of playing, cents with a bar of two sigma, and the tolerance band.

    Raises
    ------
    InputError
        No note.
    """
    if not notes:
        raise InputError("a picture of cents needs at least one note")
    row = 5.0
    drawing, palette = _begin(title, theme, width_mm, 22.0 + row * len(notes) + 12.0)
    reach = max(10.0, *(min(abs(n.cents) + 2.0 * n.uncertainty_cents, 120.0) for n in notes))
    reach = 10.0 * math.ceil(reach / 10.0)
    frame = Frame(
        drawing, palette, box=(40.0, 14.0, width_mm - 22.0, 16.0 + row * len(notes)), x=(-reach, reach),
        y=(float(len(notes)), 0.0),
    )  # fmt: skip
    drawing.rect(
        frame.px(-tolerance_cents), frame.top, frame.px(tolerance_cents) - frame.px(-tolerance_cents),
        frame.bottom - frame.top, fill=palette.band_fill,
    )  # fmt: skip
    for at in round_values(-reach, reach):
        drawing.line(frame.px(at), frame.top, frame.px(at), frame.bottom, stroke=palette.faint_line, width=0.1)
        drawing.text(frame.px(at), frame.bottom + 3.8, step_words(at), size=2.4, fill=palette.ink_text,
                     anchor="middle")  # fmt: skip
    drawing.text(frame.right, frame.bottom + 7.6, "cents, sharp to the right; bar: two sigma", size=2.6,
                 fill=palette.ink_text, anchor="end")  # fmt: skip
    for k, note in enumerate(notes):
        y = frame.py(k + 0.5)
        drawing.text(4.0, y + 0.9, f"{fixed(note.start_s)} s", size=2.4, fill=palette.quiet_text)
        drawing.text(frame.left - 3.0, y + 1.0, note.name, size=2.8, fill=palette.ink_text, anchor="end")
        at = max(-reach, min(reach, note.cents))
        low, high = (max(-reach, min(reach, note.cents + s * 2.0 * note.uncertainty_cents)) for s in (-1.0, 1.0))
        drawing.line(frame.px(low), y, frame.px(high), y, stroke=palette.register_1_text, width=0.5)
        drawing.ellipse(frame.px(at), y, 0.9, 0.9, fill=palette.register_1_text)
        drawing.text(width_mm - 4.0, y + 0.9, signed(note.cents), size=2.4, fill=palette.ink_text, anchor="end")
    return drawing.to_svg(ground=palette.ground, description=title)


def swell_loop(
    lines: Sequence[SwellLine], jumps: Sequence[tuple[float, float, float, bool]], *, title: str, over: str,
    theme: Theme = "light", width_mm: float = 180.0, height_mm: float = 110.0,
) -> str:  # fmt: skip
    """Return an SVG of pitch over breath or level through a swell, with its jumps.

    Parameters
    ----------
    lines : sequence of SwellLine
        Rising breath is drawn full, falling breath dashed.
    jumps : sequence of (over, cents before, cents after, up)
    over : str
        Name and unit of the x axis.

    Raises
    ------
    InputError
        Nothing to draw.
    """
    xs = [v for line in lines for v in line.over if math.isfinite(v)]
    ys = [v for line in lines for v in line.cents if math.isfinite(v)]
    if len(xs) < 2 or len(ys) < 2 or max(xs) <= min(xs):
        raise InputError("a swell loop needs at least two points at different breath")
    drawing, palette = _begin(title, theme, width_mm, height_mm)
    low, high = min(ys) - 20.0, max(ys) + 20.0
    frame = Frame(
        drawing, palette, box=(18.0, 16.0, width_mm - 6.0, height_mm - 12.0), x=(min(xs), max(xs)), y=(low, high)
    )
    frame.rule(over, "cents above the lowest pitch")
    for line in lines:
        points = [
            (frame.px(x), frame.py(y))
            for x, y in zip(line.over, line.cents, strict=True)
            if math.isfinite(x) and math.isfinite(y)
        ]
        if len(points) > 1:
            colour = palette.register_1_text if line.rising else palette.register_2_text
            drawing.polyline(points, stroke=colour, width=0.4, dash=None if line.rising else "1.2 0.8")
    for x, before, after, up in jumps:
        if not math.isfinite(x):
            continue
        a, b = frame.py(before), frame.py(after)
        colour = palette.register_1_text if up else palette.register_2_text
        drawing.line(frame.px(x), a, frame.px(x), b, stroke=colour, width=0.3, dash="0.5 0.7")
        tip = 1.6 if up else -1.6
        drawing.polyline(
            [(frame.px(x) - 1.0, b + tip), (frame.px(x), b), (frame.px(x) + 1.0, b + tip)], stroke=colour, width=0.4
        )
        drawing.text(frame.px(x) + 1.2, 0.5 * (a + b), minus(f"{x:.4g}"), size=2.4, fill=palette.ink_text)
    drawing.text(width_mm - 6.0, 11.5, "full: breath rising; dashed: falling", size=2.4, fill=palette.quiet_text,
                 anchor="end")  # fmt: skip
    return drawing.to_svg(ground=palette.ground, description=title)


def attack_picture(
    samples: Sequence[float], rate_hz: float, *, start_s: float, onset_s: float, title: str,
    marks: Sequence[tuple[float, str]] = (), theme: Theme = "light", width_mm: float = 180.0, height_mm: float = 60.0,
) -> str:  # fmt: skip
    """Return an SVG of the sound's outline about an onset: largest and smallest value in 600 columns, with marks.

    Raises
    ------
    InputError
        Fewer than two samples.
    """
    import numpy as np

    sound = np.asarray(samples, dtype=float)
    if sound.ndim != 1 or sound.size < 2:
        raise InputError("an attack needs at least two samples")
    drawing, palette = _begin(title, theme, width_mm, height_mm)
    top = float(np.abs(sound).max()) or 1.0
    duration_ms = 1e3 * sound.size / rate_hz
    first_ms = 1e3 * (start_s - onset_s)
    frame = Frame(
        drawing, palette, box=(16.0, 14.0, width_mm - 6.0, height_mm - 12.0), x=(first_ms, first_ms + duration_ms),
        y=(-top, top),
    )  # fmt: skip
    frame.rule("ms from the onset", "sound, of full scale")
    edges = np.unique(np.linspace(0, sound.size, min(600, sound.size) + 1).astype(int))
    upper = np.maximum.reduceat(sound, edges[:-1])
    lower = np.minimum.reduceat(sound, edges[:-1])
    at = first_ms + 1e3 * 0.5 * (edges[:-1] + edges[1:]) / rate_hz
    outline = [(frame.px(float(x)), frame.py(float(y))) for x, y in zip(at, upper, strict=True)]
    outline += [(frame.px(float(x)), frame.py(float(y))) for x, y in zip(at[::-1], lower[::-1], strict=True)]
    drawing.polyline(outline, fill=palette.register_1_text, closed=True)
    for k, (place, name) in enumerate([(0.0, "onset"), *marks]):
        if frame.x[0] <= place <= frame.x[1]:
            drawing.line(frame.px(place), frame.top, frame.px(place), frame.bottom, stroke=palette.register_2_text,
                         width=0.3, dash="1 0.7")  # fmt: skip
            drawing.text(frame.px(place) + 0.6, frame.top + 2.4 + 2.8 * (k % 3), name, size=2.4, fill=palette.ink_text)
    return drawing.to_svg(ground=palette.ground, description=title)
