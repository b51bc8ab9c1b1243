"""A head judged with everything that the shop knows: symptoms, causes, what to do, and what was done logged."""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from fluewright.bench.voicing.advice import CHECKS, RankedAdjustment, Step, adjustment_axes, advise
from fluewright.bench.voicing.causes import Cause, Diagnosis, cause_axes, causes_of, diagnose
from fluewright.bench.voicing.evaluations import Evaluations, evaluations_of
from fluewright.bench.voicing.learned import Learned, learn
from fluewright.bench.voicing.symptoms import SymptomFound, SymptomSettings, find_symptoms
from fluewright.bench.voicing.trial import HeadTrial
from fluewright.errors import InputError
from fluewright.folders import cache_folder
from fluewright.instrument.model import Model
from fluewright.shop.head_records import Records, log_adjustment
from fluewright.shop.head_sitting import check_notes, note_order

__all__ = ["HeadJudged", "check_steps", "check_words", "evaluate_head", "judge_head", "log_done"]

_MOST_STEPS = 20.0


@dataclass(frozen=True, eq=False)
class HeadJudged:
    """One head's trial, judged.

    Attributes
    ----------
    trial : HeadTrial
    diagnosis : Diagnosis
    symptoms : tuple of SymptomFound
    advice : tuple of RankedAdjustment
        Best first.
    open_checks : tuple of (str, str)
        What is to be excluded first, and how.
    learned : Learned
    references : int
        Good heads that it was compared with.
    warnings : tuple of str
    """

    trial: HeadTrial
    diagnosis: Diagnosis
    symptoms: tuple[SymptomFound, ...]
    advice: tuple[RankedAdjustment, ...]
    open_checks: tuple[tuple[str, str], ...]
    learned: Learned
    references: int
    warnings: tuple[str, ...]


def check_words(model: Model, words: Collection[str]) -> tuple[Cause, ...]:
    """Return the model's causes; refuse words that name neither a check nor a cause.

    Raises
    ------
    InputError
    """
    causes = causes_of(model)
    known = [k for k, _ in CHECKS] + [c.key for c in causes]
    for word in words:
        if word not in known:
            raise InputError(f"{word!r} is not known; use {', '.join(known)}", field="checked")
    return causes


def evaluate_head(model: Model, notes: Collection[tuple[str, int]], *, cache: bool = True) -> Evaluations:
    """Return all evaluations of a model that a judgement of these notes needs: some ten seconds once, then kept."""
    order = {n: i for i, n in enumerate(note_order(model))}
    return evaluations_of(
        model, sorted(notes, key=lambda n: order[n]), cause_axes(causes_of(model)) | adjustment_axes(model),
        folder=cache_folder() if cache else None,
    )  # fmt: skip


def judge_head(
    model: Model, trial: HeadTrial, *, records: Records | None = None, references: Sequence[HeadTrial] = (),
    checked: Collection[str] = (), settings: SymptomSettings | None = None,
    evaluated: Collection[tuple[str, int]] = (), cache: bool = True,
) -> HeadJudged:  # fmt: skip
    """Return what is wrong with a head, why, and what to do first.

    Parameters
    ----------
    model : Model
    trial : HeadTrial
    records : Records, optional
        The ledger's: good heads and outcomes of earlier adjustments.
    references : sequence of HeadTrial
        Further good heads.
    checked : collection of str
        What was excluded: checks (`advice.CHECKS`) and causes by name.
    settings : SymptomSettings, optional
    evaluated : collection of (note, register)
        Notes evaluated beyond the trial's, so that trials of fewer notes find them kept.
    cache : bool
        Keep evaluations on disk.

    Raises
    ------
    InputError
        A note that the model lacks, an unknown check, or nothing that the model computes.
    """
    causes = check_words(model, checked)
    check_notes(model, trial)
    good = [*references, *(records.good if records is not None else ())]
    evaluations = evaluate_head(model, {*evaluated, *((n.note, n.register) for n in trial.notes)}, cache=cache)
    diagnosis = diagnose(evaluations, trial, causes, references=good, excluded=tuple(checked))
    symptoms = find_symptoms(diagnosis.expected, trial, settings or SymptomSettings())
    learned = learn(evaluations, records.outcomes if records is not None else ())
    advice = advise(diagnosis, symptoms, learned=learned, done=tuple(checked))
    still_open = tuple((k, text) for k, text in CHECKS if k not in checked)
    return HeadJudged(trial, diagnosis, symptoms, advice, still_open, learned, len(good),
        (*trial.warnings, *diagnosis.warnings),
    )  # fmt: skip


def check_steps(steps: float) -> None:
    """Refuse a number of usual steps that cannot be meant; negative is one taken back.

    Raises
    ------
    InputError
        It is not 0.1 to 20, either way.
    """
    if not (math.isfinite(steps) and 0.1 <= abs(steps) <= _MOST_STEPS):
        raise InputError(
            f"{steps:g} usual steps; give 0.1 to {_MOST_STEPS:g}, negative for one taken back", field="steps"
        )


def log_done(ledger: Path, serial: str, judged: HeadJudged, step: Step, steps: float, *, reason: str) -> int:
    """Record that an adjustment was made, with the forecast for just so many steps, and return its event.

    Raises
    ------
    InputError
        The steps cannot be meant.
    """
    check_steps(steps)
    ranked = advise(judged.diagnosis, judged.symptoms, learned=judged.learned, steps={step.key: steps})
    found = next((a for a in ranked if a.step.key == step.key), None)
    return log_adjustment(ledger, serial, step, steps, found.forecasts if found else (), reason=reason)
