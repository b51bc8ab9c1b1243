"""What the bench's page shows of a piece: notes, verdict and chart as plain data."""

from collections.abc import Mapping, Sequence
from typing import Any

from fluewright.bench.verdict import Verdict
from fluewright.bench.words import note_words, reason_words
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.sizes import with_sizes
from fluewright.ledger import PieceState
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.palette import Theme
from fluewright.pictures.results import MarkKind, NoteMark
from fluewright.shop.ticking import Ticking
from fluewright.units import cents_above, signed
from fluewright.web.answers import sentence
from fluewright.web.journal import TickedNote

__all__ = ["bench_view"]

Ticked = Mapping[int, Sequence[TickedNote]]


def bench_view(ticking: Ticking, verdict: Verdict | None, ticked: Ticked, theme: Theme) -> dict[str, Any]:
    """Return everything that the bench's page shows, as plain data.

    Parameters
    ----------
    ticking : Ticking
    verdict : Verdict or None
        None before the piece was played.
    ticked : mapping
        Playings of the present trial by fingering.
    theme : str
    """
    sitting = ticking.sitting
    record = sitting.record
    assert record is not None
    return {
        "serial": record.serial,
        "model": record.model_name,
        "state": str(record.state),
        "tolerance_cents": sitting.model.target.tolerance_cents,
        "temperature_c": ticking.conditions.temperature_c,
        "design_temperature_c": sitting.model.conditions.temperature_c,
        "breath_pa": ticking.conditions.breath_pa,
        "states": [str(s) for s in PieceState],
        "trials": len(sitting.trials),
        "taught_by_pieces": sitting.taught_by,
        "notes": [
            {
                "index": i,
                "note": f.note,
                "register": f.register,
                "fingering": f.text,
                "target_hz": float(sitting.pitch.network.targets_hz[i]),
                "plays": len(ticked.get(i, ())),
                "heard_cents": _heard_cents(ticking, ticked, i),
                "cents": float(verdict.cents[i]) if verdict else None,
                "sigma": float(verdict.sigma[i]) if verdict else None,
            }
            for i, f in enumerate(sitting.pitch.fingerings)
            if not f.alternative
        ],
        "verdict": None if verdict is None else _verdict_data(ticking, verdict),
        "chart": _chart(ticking, verdict, ticked, theme),
    }


def _heard_cents(ticking: Ticking, ticked: Ticked, fingering: int) -> float | None:
    return ticking.cents(fingering, [(n.frequency_hz, n.sigma_hz) for n in ticked.get(fingering, ())])


def _upper_outside(ticking: Ticking, verdict: Verdict) -> list[str]:
    """Return the notes of upper registers that will lie outside the tolerance, which cuts at holes do not mend."""
    cents = verdict.plan[-1].cents_after if verdict.plan else verdict.cents
    tolerance = ticking.sitting.model.target.tolerance_cents
    return [
        f"{f.note} {signed(float(cents[i]), 0)}"
        for i, f in enumerate(ticking.sitting.pitch.fingerings)
        if f.register > 1 and not f.alternative and abs(cents[i]) > tolerance
    ]


def _verdict_data(ticking: Ticking, verdict: Verdict) -> dict[str, Any]:
    return {
        "state": verdict.state,
        "reasons": [sentence(reason_words(reason)) for reason in verdict.reasons],
        "doubt": verdict.doubt,
        "play_next": [note_words(note) for note in verdict.play_next],
        "upper_outside": _upper_outside(ticking, verdict),
        "plan": [
            {
                "key": c.key,
                "feature": c.feature,
                "note": c.note,
                "before_mm": round(c.before_mm, 2),
                # As finely as it is gauged, so that words, pin and field say the same.
                "after_mm": round(c.after_mm, 2),
                "how": c.how,
                "tool": c.tool,
                "risk": c.overshoot,
                "lasts": c.lasts,
                "caution": c.caution,
            }
            for c in verdict.plan
        ],
    }


def _chart(ticking: Ticking, verdict: Verdict | None, ticked: Ticked, theme: Theme) -> str:
    sitting = ticking.sitting
    last = None if verdict is None else verdict.last
    # After a cut nothing is measured until it is played: what stands there is the forecast of what was cut.
    kind: MarkKind = "measured" if sitting.played_as_it_is else "predicted"
    marks = []
    for i, f in enumerate(sitting.pitch.fingerings):
        if f.alternative:
            continue
        hole = governing_hole(f)
        heard = _heard_cents(ticking, ticked, i)
        if heard is not None:
            marks.append(NoteMark(f.note, f.register, heard, 2.0, "measured", hole))
        elif verdict is not None:
            marks.append(NoteMark(f.note, f.register, float(verdict.cents[i]), float(verdict.sigma[i]), kind, hole))
        if last is not None:
            cents, sigma = float(last.cents_after[i]), float(last.sigma_after[i])
            marks.append(NoteMark(f.note, f.register, cents, sigma, "forecast", hole))
        elif verdict is None and heard is None:
            cents = cents_above(float(ticking.expected_hz[i]), float(sitting.pitch.network.targets_hz[i]))
            marks.append(NoteMark(f.note, f.register, cents, 0.0, "predicted", hole))
    made = with_sizes(sitting.model, sitting.as_built)
    return hanging_chart(made, marks, theme=theme, title=sitting.record.serial if sitting.record else "")
