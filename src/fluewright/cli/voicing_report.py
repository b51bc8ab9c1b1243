"""A head's trial and its diagnosis, as tables and as JSON."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.cli.printing import finite, print_table, put
from fluewright.units import signed

if TYPE_CHECKING:
    from fluewright.bench.voicing.advice import Checked, RankedAdjustment
    from fluewright.bench.voicing.trial import HeadTrial, Shift
    from fluewright.instrument.model import Model
    from fluewright.ledger import AdjustmentMade
    from fluewright.shop.head_advice import HeadJudged

    Checks = Sequence[tuple[AdjustmentMade, tuple[Checked, ...]]]

__all__ = ["print_checks", "print_trial", "print_voice", "trial_data", "voice_data"]

# A symptom or a cause likelier than this is shown, and an adjustment that mends more.
_SYMPTOM_CHANCE, _CAUSE_CHANCE, _GAIN = 0.3, 0.02, 0.01
_MOST_ADVISED = 5


def trial_data(
    model: "Model", trial: "HeadTrial", moved: Sequence["Shift"], checks: "Checks", warnings: Sequence[str],
    event: int | None,
) -> dict[str, Any]:  # fmt: skip
    """Return a head's trial as plain JSON values, with what moved since another and what came of forecasts."""
    return {
        "model": model.model.name,
        "event": event,
        "warnings": list(warnings),
        "trial": trial.to_plain(),
        "compared": [_shift_row(s) for s in moved],
        "forecasts": _checked_rows(checks),
    }


def _shift_row(shift: "Shift") -> dict[str, Any]:
    return {
        "note": shift.note, "register": shift.register, "quantity": shift.quantity, "before": shift.before,
        "after": shift.after, "change": shift.change, "sigma": shift.sigma, "unit": shift.unit,
    }  # fmt: skip


def _checked_rows(checks: "Checks") -> list[dict[str, Any]]:
    return [
        {
            "adjustment": made.adjustment, "steps": made.steps, "event": made.event_id,
            "readings": [
                {
                    "note": c.forecast.note, "register": c.forecast.register, "quantity": c.forecast.quantity,
                    "forecast": c.forecast.change, "forecast_sigma": c.forecast.sigma, "outcome": c.outcome.change,
                    "outcome_sigma": c.outcome.sigma, "unit": c.forecast.unit, "sigmas": c.sigmas,
                }
                for c in found
            ],
        }
        for made, found in checks
    ]  # fmt: skip


def voice_data(model: "Model", judged: "HeadJudged", checks: "Checks", event: int | None) -> dict[str, Any]:
    """Return a diagnosis with its advice as plain JSON values."""
    diagnosis, symptoms, advice = judged.diagnosis, judged.symptoms, judged.advice
    return {
        "model": model.model.name,
        "event": event,
        "warnings": list(judged.warnings),
        "good_heads": judged.references,
        "exclude_first": [{"check": k, "how": text} for k, text in judged.open_checks],
        "symptoms": [
            {
                "symptom": s.symptom.key, "title": s.symptom.title, "value": finite(s.value), "limit": s.limit,
                "sigma": s.sigma, "unit": s.unit, "probability": s.probability, "notes": list(s.notes),
                "against": "model" if s.symptom.relative else "limit",
            }
            for s in symptoms
        ],
        "faultless": diagnosis.faultless,
        "causes": [
            {
                "cause": c.cause.key, "title": c.cause.title, "probability": c.probability, "size": c.size,
                "sigma": c.sigma, "unit": c.cause.unit, "variant": c.variant, "confirm": c.cause.confirm,
                "misfit": c.misfit,
            }
            for c in diagnosis.causes
        ],
        "advice": [
            {
                "adjustment": a.step.key, "title": a.title, "steps": a.steps, "gain": a.gain, "better": a.better,
                "evidence": a.evidence, "reversible": a.step.adjustment.reversible, "undo": a.step.adjustment.undo,
                "caution": a.step.adjustment.caution, "look": a.step.look, "for": a.reasons,
                "practice": dict(a.practice), "forecast": [f.to_plain() for f in a.forecasts],
                "symptoms": [
                    {"symptom": k, "now": finite(now), "after": finite(after), "sigma": finite(sigma)}
                    for k, now, after, sigma in a.symptoms
                ],
            }
            for a in advice
        ],
        "forecasts": _checked_rows(checks),
    }  # fmt: skip


def _short(key: str) -> str:
    """Return a quantity's name over a column, its unit left off."""
    for unit in ("_pa", "_l_per_min", "_db", "_s"):
        key = key.removesuffix(unit)
    return key.replace("_", " ").removeprefix("cents") or "pitch"


def _figure(value: float, sigma: float) -> str:
    digits = 0 if sigma >= 2.0 else 1 if sigma >= 0.2 else 3
    return f"{value:.{digits}f}±{sigma:.{max(digits, 1)}f}" if math.isfinite(value) else "-"


def print_trial(model: "Model", trial: "HeadTrial", moved: Sequence["Shift"]) -> None:
    """Print what was read of every note, and how it moved since another trial."""
    used = [k for k in QUANTITIES if any(k in n.readings for n in trial.notes)]
    heads = [f"{_short(k)} {QUANTITIES[k].unit}" for k in used]
    name = f" of {trial.head}" if trial.head else ""
    print_table(
        f"{model.model.name}: head trial{name} (one sigma)",
        ["note", *heads],
        [
            [n.name, *(_figure(n.readings[k].value, n.readings[k].sigma) if k in n.readings else "-" for k in used)]
            for n in trial.notes
        ],
    )
    if moved:
        print_table(
            "against the other trial",
            ["note", "reading", "before", "after", "change", "+/-", "sure"],
            [
                [f"{s.note}.{s.register}", QUANTITIES[s.quantity].title, f"{s.before:.4g}", f"{s.after:.4g}",
                 f"{signed(s.change)} {s.unit}", f"{s.sigma:.1f}", "yes" if abs(s.change) > 2.0 * s.sigma else "no"]
                for s in moved if s.quantity != "comfortable_pa"
            ],
        )  # fmt: skip


def print_checks(checks: "Checks") -> None:
    """Print forecasts beside what came of them."""
    for made, found in checks:
        if not found:
            continue
        within = sum(abs(c.sigmas) <= 2.0 for c in found)
        print_table(
            f"forecast of {made.adjustment} ({made.steps:g} steps, event {made.event_id}) and what came of it",
            ["note", "reading", "forecast", "outcome", "sigmas apart"],
            [
                [f"{c.forecast.note}.{c.forecast.register}", QUANTITIES[c.forecast.quantity].title,
                 f"{signed(c.forecast.change)}±{c.forecast.sigma:.1f} {c.forecast.unit}",
                 f"{signed(c.outcome.change)}±{c.outcome.sigma:.1f}", f"{signed(c.sigmas)}"]
                for c in found
            ],
        )  # fmt: skip
        put(f"{within} of {len(found)} readings within two sigmas of their forecast\n")


def print_voice(model: "Model", judged: "HeadJudged") -> None:
    """Print symptoms, causes, what to exclude first, and what to do in the order to try."""
    _print_symptoms(model, judged)
    _print_causes(judged)
    if judged.open_checks:
        put("Exclude first, in this order (about half of all faults end here):\n")
        put("".join(f"  {key}: {text}\n" for key, text in judged.open_checks))
    useful = [a for a in judged.advice if a.gain > _GAIN][:_MOST_ADVISED]
    print_table(
        "what to do, in the order to try",
        ["adjustment", "mends", "better", "rests on", "undone by", "for"],
        [
            [a.title, f"{max(a.gain, 0.0):.0%}", f"{a.better:.0%}", a.evidence,
             a.step.adjustment.undo or "CANNOT BE UNDONE", a.reasons]
            for a in useful
        ],
    )  # fmt: skip
    if useful:
        _print_first(useful[0])
    else:
        put("No adjustment brings this head nearer to its model: leave it.\n")


def _print_symptoms(model: "Model", judged: "HeadJudged") -> None:
    shown = [s for s in judged.symptoms if s.probability >= _SYMPTOM_CHANCE] or judged.symptoms[:1]
    print_table(
        f"{model.model.name}: symptoms",
        ["symptom", "chance", "measured", "limit", "notes"],
        [
            [s.symptom.title, f"{s.probability:.0%}", f"{_figure(s.value, s.sigma)} {s.unit}".strip(),
             f"{s.limit:.3g} {s.unit}".strip() + (" off its model" if s.symptom.relative else ""), ", ".join(s.notes)]
            for s in shown
        ],
    )  # fmt: skip


def _print_causes(judged: "HeadJudged") -> None:
    print_table(
        f"causes (nothing wrong: {judged.diagnosis.faultless:.0%})",
        ["cause", "chance", "size", "confirm by"],
        [
            [c.cause.title + (f", {c.variant}" if c.variant else ""), f"{c.probability:.0%}",
             f"{_figure(c.size, c.sigma)} {c.cause.unit}", c.cause.confirm]
            for c in judged.diagnosis.causes if c.probability >= _CAUSE_CHANCE
        ],
    )  # fmt: skip


def _print_first(first: "RankedAdjustment") -> None:
    """Print the first thing to do: how, what to look at afterwards, and what it should do to the readings."""
    adjustment = first.step.adjustment
    put(f"First: {first.title}. One thing at a time; stop when two steps in a row bring no gain.\n")
    if adjustment.caution:
        put(f"Caution: {adjustment.caution}.\n")
    put(f"Look at afterwards: {first.step.look}.\n")
    for quantity, sign in first.practice:
        put(f"By trade habit: {quantity} {'more' if sign == '+' else 'less' if sign == '-' else 'as before'}.\n")
    told = [f for f in first.forecasts if abs(f.change) > f.sigma]
    if told:
        print_table(
            f"forecast of {first.step.key}",
            ["note", "reading", "change", "+/-"],
            [
                [
                    f"{f.note}.{f.register}",
                    QUANTITIES[f.quantity].title,
                    f"{signed(f.change)} {f.unit}",
                    f"{f.sigma:.1f}",
                ]
                for f in told
            ],
        )
