"""What was computed and heard as pictures: marks of the hanging chart, pitch against breath, cents of a recording."""

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from fluewright.acoustics.resonance import NotePrediction
from fluewright.acoustics.sounding import Blown, NoteBreath
from fluewright.bench.verdict import Verdict
from fluewright.instrument.fingering import Fingering, governing_hole
from fluewright.instrument.sizes import with_sizes
from fluewright.pictures.breath import BreathCurve, breath_chart
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.hearing import NoteBox
from fluewright.pictures.palette import Theme
from fluewright.pictures.results import MarkKind, NoteMark
from fluewright.units import CENTS_PER_RELATIVE, cents_above

if TYPE_CHECKING:  # a picture needs neither the ledger nor the listening
    from fluewright.shop.note_names import NamedNote
    from fluewright.shop.sitting import Sitting

__all__ = ["breath_picture", "note_boxes", "predicted_marks", "verdict_chart", "verdict_marks"]


def predicted_marks(notes: Iterable[NotePrediction]) -> list[NoteMark]:
    """Return the marks of the hanging chart for predictions."""
    return [
        NoteMark(n.note, n.register, n.cents, n.uncertainty_cents, "predicted", n.governing_hole) for n in notes
    ]  # fmt: skip


def verdict_marks(fingerings: Sequence[Fingering], verdict: Verdict, *, kind: MarkKind = "measured") -> list[NoteMark]:
    """Return the marks of a piece as it is, of a kind, and of what the planned cuts will make of it."""
    last = verdict.last
    marks = []
    for i, f in enumerate(fingerings):
        if f.alternative:
            continue
        at = governing_hole(f)
        marks.append(NoteMark(f.note, f.register, float(verdict.cents[i]), float(verdict.sigma[i]), kind, at))
        if last is not None:
            after = float(last.cents_after[i])
            marks.append(NoteMark(f.note, f.register, after, float(last.sigma_after[i]), "forecast", at))
    return marks


def verdict_chart(
    sitting: "Sitting", verdict: Verdict, *, kind: MarkKind = "measured", theme: Theme = "light", title: str = ""
) -> str:
    """Return the hanging chart of a piece with the sizes that it has, and hollow marks for what cuts will make of it.

    Parameters
    ----------
    sitting : Sitting
    verdict : Verdict
    kind : MarkKind
        What the notes as they are rest on.
    theme : Theme
    title : str
        By default the model's name.
    """
    made = with_sizes(sitting.model, sitting.as_built)
    marks = verdict_marks(sitting.pitch.fingerings, verdict, kind=kind)
    title = title or f"{sitting.model.model.name}: now, and after the proposed cuts"
    return hanging_chart(made, marks, title=title, theme=theme)


def breath_picture(blown: Blown, notes: Sequence[NoteBreath], *, theme: Theme = "light") -> str:
    """Return the SVG of pitch against breath for notes of a blown model.

    Raises
    ------
    InputError
        None of them sounds.
    """
    model = blown.network.model
    curves = [
        BreathCurve(
            n.note, n.register, n.branch.pressures_pa.tolist(),
            [cents_above(float(f), n.target_hz) if f > 0 else math.nan for f in n.branch.frequencies_hz],
            n.lowest_pa, n.highest_pa, n.planned_pa, n.fall_back_pa,
        )
        for n in notes
    ]  # fmt: skip
    title = f"{model.model.name}: pitch against breath"
    return breath_chart(curves, title=title, tolerance_cents=model.target.tolerance_cents, theme=theme)


def note_boxes(notes: Iterable["NamedNote"]) -> list[NoteBox]:
    """Return heard notes as the pictures of a recording draw them; one that fits no note is called "?"."""
    return [
        NoteBox(
            n.name or "?", n.heard.onset_s, n.heard.offset_s, n.heard.frequency_hz, n.cents if n.name else 0.0,
            CENTS_PER_RELATIVE * n.heard.frequency_uncertainty_hz / n.heard.frequency_hz,
        )
        for n in notes
    ]  # fmt: skip
