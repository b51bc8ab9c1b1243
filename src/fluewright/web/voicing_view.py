"""What the voicing page shows of a head: trial, steps, outcomes, advice as plain data."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from fluewright.bench.voicing.advice import CHECKS, RankedAdjustment
from fluewright.bench.voicing.guide import TrialStep
from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.bench.voicing.trial import HeadTrial, NoteTrial, shifts
from fluewright.pictures.palette import Theme
from fluewright.shop.head_advice import HeadJudged
from fluewright.shop.head_hearing import HeadHeard
from fluewright.shop.head_pictures import head_trial_picture
from fluewright.shop.head_records import Records
from fluewright.shop.head_sitting import HeadSitting, note_order
from fluewright.web.head_draft import HeadDraft

__all__ = ["StepTaken", "advice_view", "head_view"]


@dataclass(frozen=True)
class StepTaken:
    """A step of the guided trial, what was heard of it (None: nothing yet), and why nothing is."""

    step: TrialStep
    heard: HeadHeard | None
    fault: str


def head_view(
    sitting: HeadSitting, draft: HeadDraft, records: Records, taken: Sequence[StepTaken], now: HeadTrial | None, *,
    theme: Theme, beside: int | None,
) -> dict[str, Any]:  # fmt: skip
    """Return everything that the page shows at once, but for serial and judgement.

    Parameters
    ----------
    sitting : HeadSitting
    draft : HeadDraft
    records : Records
    taken : sequence of StepTaken
    now : HeadTrial or None
        The trial that is being made.
    theme : str
    beside : int or None
        Event of the trial to show the newest one beside; by default the one before it.
    """
    shown, other = _pair(records, now, beside)
    model = sitting.model
    return {
        "model": model.model.name,
        "design_temperature_c": model.conditions.temperature_c,
        "temperature_c": draft.temperature_c,
        "body": draft.body,
        "good": draft.good,
        "checks": [{"key": k, "how": how, "done": k in draft.checked} for k, how in CHECKS],
        "steps": [_step_data(draft, one) for one in taken],
        "notes": [list(n) for n in note_order(model)],
        "quantities": [{"key": q.key, "title": q.title, "unit": q.unit} for q in QUANTITIES.values()],
        "typed": [
            {"note": n.note, "register": n.register, "quantity": q, "value": r.value}
            for n in draft.typed_notes() for q, r in n.readings.items()
        ],
        "has_something": now is not None,
        "trials": [
            {"event": e, "good": t.good, "body": t.body, "temperature_c": t.temperature_c, "notes": len(t.notes)}
            for e, t in records.trials
        ],
        "beside": None if other is None else other[0],
        "picture": "" if shown is None else head_trial_picture(
            model, shown, None if other is None else other[1],
            beside="" if other is None else f"event {other[0]}", theme=theme,
        ),
        "shifts": [] if shown is None or other is None else _shift_rows(other[1], shown),
        "outcomes": _outcome_rows(records),
        "waiting": [{"event": m.event_id, "title": m.title, "steps": m.steps} for m in records.since],
    }  # fmt: skip


def _pair(
    records: Records, now: HeadTrial | None, beside: int | None
) -> tuple[HeadTrial | None, tuple[int, HeadTrial] | None]:
    """Return the trial to show, and the one to show it beside."""
    trials = list(records.trials)
    shown = now if now is not None else (trials.pop()[1] if trials else None)
    if beside is not None:
        return shown, next((t for t in records.trials if t[0] == beside), None)
    return shown, trials[-1] if trials else None


def _step_data(draft: HeadDraft, one: StepTaken) -> dict[str, Any]:
    step, heard, take = one.step, one.heard, draft.takes.get(one.step.key)
    return {
        "key": step.key, "title": step.title, "say": step.say, "kind": step.kind,
        "notes": [list(n) for n in step.notes],
        "breaths": [
            {"note": n, "register": r, "quantity": q, "title": QUANTITIES[q].title,
             "value": draft.typed_value(n, r, q)}
            for n, r, q in step.breaths
        ],
        "take": None if take is None else take.name,
        "log": bool(take and take.log_sha256),
        "heard": [] if heard is None else [_note_row(n) for n in heard.notes],
        "warnings": [one.fault] if one.fault else [] if heard is None else list(heard.warnings),
    }  # fmt: skip


def advice_view(judged: HeadJudged) -> dict[str, Any]:
    """Return symptoms, causes and ranked adjustments of a trial, as plain data."""
    found = judged.diagnosis
    return {
        "faultless": found.faultless,
        "good_heads": judged.references,
        "warnings": list(judged.warnings),
        "open_checks": [{"key": k, "how": how} for k, how in judged.open_checks],
        "symptoms": [
            {"title": s.symptom.title, "chance": s.probability, "value": _finite(s.value), "limit": s.limit,
             "sigma": _finite(s.sigma), "unit": s.unit, "relative": s.symptom.relative, "notes": list(s.notes)}
            for s in judged.symptoms
        ],
        "causes": [
            {"title": c.cause.title + (f", {c.variant}" if c.variant else ""), "chance": c.probability,
             "size": c.size, "sigma": c.sigma, "unit": c.cause.unit, "confirm": c.cause.confirm}
            for c in found.causes
        ],
        "advice": [_advice_row(a) for a in judged.advice],
    }  # fmt: skip


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _note_row(note: NoteTrial) -> dict[str, Any]:
    return {
        "note": note.note, "register": note.register,
        "readings": [
            {"title": QUANTITIES[k].title, "value": r.value, "sigma": r.sigma, "unit": QUANTITIES[k].unit}
            for k, r in note.readings.items() if k in QUANTITIES
        ],
    }  # fmt: skip


def _shift_rows(before: HeadTrial, after: HeadTrial) -> list[dict[str, Any]]:
    return [
        {"note": s.note, "register": s.register, "title": QUANTITIES[s.quantity].title, "change": s.change,
         "sigma": s.sigma, "unit": s.unit, "sure": abs(s.change) > 2.0 * s.sigma}
        for s in shifts(before, after) if s.quantity != "comfortable_pa"
    ]  # fmt: skip


def _outcome_rows(records: Records) -> list[dict[str, Any]]:
    return [
        {
            "event": made.event_id, "title": made.title, "steps": made.steps,
            "within": sum(abs(c.sigmas) <= 2.0 for c in found),
            "readings": [
                {"note": c.forecast.note, "register": c.forecast.register,
                 "title": QUANTITIES[c.forecast.quantity].title, "unit": c.forecast.unit,
                 "forecast": c.forecast.change, "forecast_sigma": c.forecast.sigma, "outcome": c.outcome.change,
                 "outcome_sigma": c.outcome.sigma, "sigmas": c.sigmas}
                for c in found
            ],
        }
        for made, found in reversed(records.every_check())
    ]  # fmt: skip


def _advice_row(one: RankedAdjustment) -> dict[str, Any]:
    adjustment = one.step.adjustment
    told = [f for f in one.forecasts if abs(f.change) > f.sigma]
    return {
        "key": one.step.key, "title": adjustment.title, "steps": one.steps, "gain": one.gain, "better": one.better,
        "evidence": one.evidence, "undo": adjustment.undo, "caution": adjustment.caution, "look": one.step.look,
        "reasons": one.reasons, "check": one.step.check,
        "habit": [
            f"{what} {'more' if sign == '+' else 'less' if sign == '-' else 'as before'}" for what, sign in one.practice
        ],
        "forecast": [
            {"note": f.note, "register": f.register, "title": QUANTITIES[f.quantity].title, "change": f.change,
             "sigma": f.sigma, "unit": f.unit}
            for f in told
        ],
    }  # fmt: skip
