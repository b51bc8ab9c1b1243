"""What to do to a head: adjustments ranked by what they mend, each with its forecast, its price and what it rests on.

The gain of an adjustment is how much nearer the head comes to a faultless one of its model, in squares of what a maker
notices, in the mean over all causes and their sizes after the trial (so that a doubtful cause earns a small step), plus
the symptoms that it takes away. What can be undone goes before what cannot, unless it gains less than half as much
(docs/trade/voicing.md#before-any-cut: the reversible thing first). One adjustment at a time.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fluewright.acoustics.voicing import ADJUSTMENTS, Adjustment
from fluewright.arrays import BoolArray, FloatArray
from fluewright.bench.voicing.causes import Diagnosis
from fluewright.bench.voicing.learned import Learned, LearnedEffect
from fluewright.bench.voicing.quantities import QUANTITIES, in_percent
from fluewright.bench.voicing.reference import curve_along
from fluewright.bench.voicing.symptoms import SymptomFound
from fluewright.bench.voicing.trial import HeadTrial, ReadingChange, Shift, shifts
from fluewright.errors import InputError
from fluewright.grades import Grade
from fluewright.instrument.model import Model

__all__ = [
    "CHECKS",
    "STEPS",
    "Checked",
    "RankedAdjustment",
    "ReadingForecast",
    "Step",
    "adjustment_axes",
    "advise",
    "check_forecast",
    "forecast_from_plain",
]  # fmt: skip


CHECKS: tuple[tuple[str, str], ...] = (
    ("dirt", "dirt or water in the windway: dry it, blow it clear, look through"),
    ("leak", "leak: joints, cracks, block sides, a pad over every hole; 1000 to 500 Pa in more than 5 s"),
    ("fingering", "fingering as the model has it; every hole covered"),
    ("assembly", "head, block and joints seated as usual"),
)
"""What is excluded first, in this order (docs/trade/voicing.md#before-any-cut; about half of all voicing faults end
here: common practice, no source)."""

_NOTICED: Mapping[str, float] = {
    "lowest_pa": 0.05, "jump_pa": 0.10, "fall_back_pa": 0.10, "cents": 5.0, "cents_per_doubling": 8.0, "rise_s": 0.15,
    "hiss_db": 2.0, "level_db": 1.5, "air_l_per_min": 0.06, "second_db": 3.0, "third_db": 4.0,
}  # fmt: skip
# From where a maker notices a difference; logarithms where compared as ratios. Common practice, no source.

_FLOOR: Mapping[str, float] = {
    "lowest_pa": 0.01, "jump_pa": 0.02, "fall_back_pa": 0.015, "cents": 0.5, "cents_per_doubling": 0.7, "rise_s": 0.03,
    "hiss_db": 0.3, "level_db": 0.2, "air_l_per_min": 0.01, "second_db": 0.4, "third_db": 0.5,
}  # fmt: skip
# Least uncertainty of a forecast: half of a hand's error in a usual step; an estimate.

_ELSEWHERE = 0.35
# What a gain is worth that makes up for a fault somewhere else: it leaves two deviations. An estimate.

_SHARE = 0.25  # of an effect: what the physics does not carry (as in `acoustics.voicing`)


@dataclass(frozen=True)
class Step:
    """One adjustment of the catalogue, with what the trade adds to the physics.

    `most` is how many usual steps may be made at once: one, where it cannot be undone.
    """

    adjustment: Adjustment
    look: str = "play the lowest, a middle and the top note again, three times each"
    most: int = 1
    check: bool = False

    @property
    def key(self) -> str:
        """Return its name."""
        return self.adjustment.key


_H = "head."
_LOOK: Mapping[str, str] = {
    "window-longer": "the top notes: do they still come; the bottom note's tuning",
    "block-forward": "the low notes: not dull; the jump of the lowest note",
    "block-back": "the octaves' width; low notes",
    "windway-higher": "upper notes: breath and air they need; moisture less",
    "windway-lower": "the low notes: not thin; clogging after ten minutes",
    "edge-outward": "hiss; second partial",
    "edge-inward": "the low notes' speech",
    "lower-chamfer": "attack of the low notes; hiss",
    "upper-chamfer": "the slur up; hiss",
    "edge-break": "attack; brightness",
}


def _most(adjustment: Adjustment) -> int:
    """Return how many usual steps may be made at once: a block slides, a shim comes in a few sizes, a cut is one."""
    if adjustment.key.startswith("block"):
        return 8
    return 3 if adjustment.reversible else 1


STEPS: tuple[Step, ...] = (
    Step(
        Adjustment("seal-leak", "find and seal the leak (grease the joint, wax, seat the pads)", (), "wipe it off"),
        "the leak test again, then the lowest note", check=True,
    ),
    Step(
        Adjustment("clean-dry", "dry and clean the windway, surfactant", (), "nothing to undo"),
        "play again after ten minutes", check=True,
    ),
    Step(
        Adjustment(
            "new-block-less-chamfer", "a second block with its chamfer 0.1 mm shorter",
            ((_H + "lower_chamfer.length_mm", -0.1),), "put the old block back",
        ),
        "attack and hiss of the low notes", most=3,
    ),
    Step(
        Adjustment(
            "new-block-more-chamfer", "a second block with its chamfer 0.1 mm longer",
            ((_H + "lower_chamfer.length_mm", 0.1),), "put the old block back",
        ),
        "attack and hiss of the low notes", most=3,
    ),
    Step(
        Adjustment(
            "dress-edge", "dress the ramp to a sharp edge: break 0.05 mm less, window 0.05 mm longer",
            ((_H + "broken_edge_mm", -0.05), (_H + "window_length_mm", 0.05)),
            caution="never to a razor; budget the window first",
        ),
        "attack; top notes",
    ),
    *(
        Step(a, _LOOK.get(a.key, Step.look), most=_most(a))
        for a in ADJUSTMENTS if a.key not in ("lower-chamfer-angle", "upper-chamfer-angle")
    ),
)  # fmt: skip
"""What can be advised: what is excluded first, then the trade's usual steps (docs/trade/voicing.md#adjustments)."""


def adjustment_axes(model: Model) -> dict[str, tuple[Mapping[str, float], float]]:
    """Return what `evaluations_of` must evaluate for the adjustments: one usual step each."""
    head = model.head
    full = head.ear_height_mm
    found: dict[str, tuple[Mapping[str, float], float]] = {}
    for step in STEPS:
        changes = dict(step.adjustment.steps)
        if not changes or (full is None and _H + "ear_height_mm" in changes):
            continue
        found[f"step {step.key}"] = (changes, -1.0)
    return found


@dataclass(frozen=True)
class ReadingForecast(ReadingChange):
    """What an adjustment will do to one reading, and what that is known from."""

    evidence: Grade

    def to_plain(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "note": self.note, "register": self.register, "quantity": self.quantity,
            "change": round(self.change, 4), "sigma": round(self.sigma, 4), "unit": self.unit,
            "evidence": self.evidence,
        }  # fmt: skip


def forecast_from_plain(said: Mapping[str, Any]) -> tuple[ReadingForecast, ...]:
    """Return forecasts out of the ledger; what is none of them is passed over."""
    return tuple(
        ReadingForecast(
            f["note"], int(f["register"]), f["quantity"], float(f["change"]), float(f["sigma"]), f["evidence"]
        )
        for f in said.get("readings", ())
        if f.get("quantity") in QUANTITIES
    )


@dataclass(frozen=True)
class RankedAdjustment:
    """One adjustment, judged.

    Attributes
    ----------
    step : Step
    steps : float
        How many usual steps at once.
    gain : float
        How much nearer to a faultless head, as a share of how far it is off: 1 mends all, below 0 makes it worse.
    better : float
        Probability that it brings the head nearer.
    forecasts : tuple of ReadingForecast
    symptoms : tuple of (str, float, float, float)
        Symptom, its measure now and after, and the sigma of the change, in the measure's own unit.
    evidence : Grade
    practice : tuple of (str, str)
        What only habit says: quantity and "+" or "-".
    reasons : str
        For which cause it is good.
    """

    step: Step
    steps: float
    gain: float
    better: float
    forecasts: tuple[ReadingForecast, ...]
    symptoms: tuple[tuple[str, float, float, float], ...]
    evidence: Grade
    practice: tuple[tuple[str, str], ...] = ()
    reasons: str = ""
    rank: float = field(default=0.0, compare=False)

    @property
    def title(self) -> str:
        """Return what to do."""
        times = "" if self.steps == 1 else f", {self.steps:g} steps"
        return self.step.adjustment.title + times


def advise(
    diagnosis: Diagnosis, symptoms: Sequence[SymptomFound], *, learned: Learned | None = None,
    done: Sequence[str] = (), steps: Mapping[str, float] | None = None,
) -> tuple[RankedAdjustment, ...]:  # fmt: skip
    """Return every adjustment that can be judged, best first.

    Parameters
    ----------
    diagnosis : Diagnosis
        Its evaluations hold the axes of causes and adjustments.
    symptoms : sequence of SymptomFound
    learned : Learned, optional
        Effects from the shop's own trials.
    done : sequence of str
        Checks already made (`CHECKS`); their remedies are no longer advised.
    steps : mapping of str to float, optional
        How many usual steps were made of an adjustment, where that is settled.
    """
    cases = _Cases.of(diagnosis)
    found = []
    for step in STEPS:
        if _REMEDY_OF.get(step.key) in done:
            continue
        if step.key == "clean-dry":
            found.append(_cleaning(step, diagnosis))
            continue
        effect = _sealing(cases) if step.key == "seal-leak" else _stepping(step, cases, diagnosis, learned, steps or {})
        if effect is not None:
            shop = _of_shop(step.key, cases.keys, learned)
            found.append(_ranked(step, effect, cases, shop, symptoms, diagnosis))
    return tuple(sorted(found, key=lambda a: -a.rank))


_REMEDY_OF: Mapping[str, str] = {"seal-leak": "leak", "clean-dry": "dirt"}


@dataclass(frozen=True, eq=False)
class _Cases:
    """What may be wrong with the head: nothing, or one of the causes at one of its sizes.

    Attributes
    ----------
    keys : tuple of (note, register, quantity)
    off : array, shape (cases, n)
        How far each reading is then from a faultless head's.
    chance : array, shape (cases,)
    leaks : array, shape (cases,)
        Whether the head leaks.
    scale : array, shape (n,)
        Turns squares of what is off into squares of what a maker notices. Readings of one kind say the same of every
        note: each quantity counts as much as all its notes' mean.
    """

    keys: tuple[tuple[str, int, str], ...]
    off: FloatArray
    chance: FloatArray
    leaks: BoolArray
    scale: FloatArray

    @classmethod
    def of(cls, diagnosis: Diagnosis) -> "_Cases":
        """Return the cases that a diagnosis leaves open."""
        keys = diagnosis.expected.keys
        noticed = np.array([_NOTICED[q] for _, _, q in keys])
        counts = {q: sum(k[2] == q for k in keys) for q in _NOTICED}
        off, chance, leaks = [np.zeros((1, len(keys)))], [np.array([diagnosis.faultless])], [np.zeros(1, dtype=bool)]
        for axis, (sizes, weight) in diagnosis.weights.items():
            change, known = curve_along(diagnosis.evaluations, diagnosis.expected, axis, sizes)
            off.append(np.where(known, change, 0.0))
            chance.append(weight)
            leaks.append(np.full(sizes.size, axis.split()[0] == "leak"))
        chances = np.concatenate(chance)
        return cls(
            keys, np.vstack(off), chances / chances.sum(), np.concatenate(leaks),
            1.0 / (noticed**2 * np.array([counts[q] for _, _, q in keys])),
        )  # fmt: skip

    def distance(self, moved: FloatArray | float = 0.0) -> FloatArray:
        """Return how far each case is from a faultless head, shape (cases,), after a move of shape (cases, n)."""
        return np.asarray((self.off + moved) ** 2 @ self.scale)


@dataclass(frozen=True, eq=False)
class _Effect:
    """What so many usual steps of an adjustment do to the readings in each case: array, shape (cases, n)."""

    steps: float
    moved: FloatArray
    evidence: Grade


def _sealing(cases: _Cases) -> _Effect:
    """Return what sealing does: a head that leaks is right again, another stays as it is."""
    return _Effect(1.0, np.where(cases.leaks[:, None], -cases.off, 0.0), Grade.COMPUTED)


def _stepping(
    step: Step, cases: _Cases, diagnosis: Diagnosis, learned: Learned | None, settled: Mapping[str, float]
) -> _Effect | None:
    """Return what an adjustment does in the number of usual steps that brings most; None where it was not evaluated."""
    axis = f"step {step.key}"
    if axis not in diagnosis.evaluations.axes:
        return None
    change, known = curve_along(diagnosis.evaluations, diagnosis.expected, axis, np.array([1.0]))
    one = np.where(known[0], change[0], 0.0)
    shop = _of_shop(step.key, cases.keys, learned)
    for place, effect in shop.items():
        one[place] += effect.mean - effect.prior_mean
    scores = [float(cases.chance @ cases.distance(n * one)) for n in range(1, step.most + 1)]
    count = settled.get(step.key, 1.0 + int(np.argmin(scores)))
    evidence = Grade.MEASURED_HERE if shop else Grade.COMPUTED
    return _Effect(count, np.broadcast_to(count * one, cases.off.shape), evidence)


def _of_shop(
    key: str, keys: Sequence[tuple[str, int, str]], learned: Learned | None
) -> dict[int, LearnedEffect]:  # fmt: skip
    """Return what the shop's own trials have shown of an adjustment, by the place of the reading."""
    if learned is None:
        return {}
    effects = {i: learned.of(key, quantity, register) for i, (_, register, quantity) in enumerate(keys)}
    return {i: effect for i, effect in effects.items() if effect is not None and effect.count > 0}


def _cleaning(step: Step, diagnosis: Diagnosis) -> RankedAdjustment:
    """Return what drying and cleaning promises: half of low windways are dirt; docs/trade/voicing.md#before-any-cut."""
    low = next((c.probability for c in diagnosis.causes if c.cause.key == "windway-low"), 0.0)
    gain = 0.5 * low
    return RankedAdjustment(
        step, 1, gain, 0.5 * low, (), (), Grade.PRACTICE, (("breath", "-"), ("moisture noise", "-")),
        "windway-low" if low > 0.05 else "", gain,
    )  # fmt: skip


def _ranked(
    step: Step, effect: _Effect, cases: _Cases, shop: Mapping[int, LearnedEffect], symptoms: Sequence[SymptomFound],
    diagnosis: Diagnosis,
) -> RankedAdjustment:  # fmt: skip
    """Return an adjustment with its gain, its forecasts and its rank among the others."""
    chance, before, after = cases.chance, cases.distance(), cases.distance(effect.moved)
    whole = float(chance @ before)
    gain = (whole - float(chance @ after)) / max(whole, 1e-12)
    mean = chance @ effect.moved
    vary = np.sqrt(np.maximum(chance @ effect.moved**2 - mean**2, 0.0))
    by_hand = np.array([_FLOOR[q] for _, _, q in cases.keys]) * math.sqrt(abs(effect.steps))
    sigma = np.sqrt(vary**2 + (_SHARE * mean) ** 2 + by_hand**2)
    for place, known in shop.items():
        sigma[place] = math.hypot(effect.steps * known.sigma, by_hand[place])
    rank = gain
    if gain > 0.0:
        rank *= 1.0 if step.adjustment.reversible else 0.5
        rank *= 1.0 if _undoes(step, diagnosis) else _ELSEWHERE
    return RankedAdjustment(
        step, effect.steps, gain, float(chance @ (after < before)),
        _forecasts(step, cases.keys, mean, sigma, effect.evidence), _on_symptoms(symptoms, mean, sigma),
        effect.evidence, step.adjustment.practice, _for_which(mean, diagnosis), rank,
    )  # fmt: skip


def _forecasts(
    step: Step, keys: Sequence[tuple[str, int, str]], mean: FloatArray, sigma: FloatArray, evidence: Grade
) -> tuple[ReadingForecast, ...]:
    habits = dict(step.adjustment.practice)
    found = []
    for (note, register, quantity), change, spread in zip(keys, mean.tolist(), sigma.tolist(), strict=True):
        if quantity == "hiss_db" and "hiss" in habits and evidence is Grade.COMPUTED:
            continue  # the equations carry the jet's speed alone: habit knows better
        if QUANTITIES[quantity].relative:
            change, spread = in_percent(change, spread)
        found.append(ReadingForecast(note, register, quantity, change, spread, evidence))
    return tuple(found)


def _on_symptoms(
    symptoms: Sequence[SymptomFound], mean: FloatArray, sigma: FloatArray
) -> tuple[tuple[str, float, float, float], ...]:
    """Return (symptom, its measure now, after, sigma of the change) of every symptom that readings carry."""
    moved = []
    for symptom in symptoms:
        if not symptom.weights.any():
            continue
        shift = float(symptom.weights @ mean)
        spread = float(np.sqrt((symptom.weights**2) @ sigma**2))
        if symptom.unit == "%":
            after = 100.0 * math.expm1(math.log1p(symptom.value / 100.0) + shift)
            spread *= 100.0
        elif symptom.unit == "":
            after = symptom.value * math.exp(shift)
            spread *= after
        else:
            after = symptom.value + shift
        moved.append((symptom.symptom.key, symptom.value, after, spread))
    return tuple(moved)


def _undoes(step: Step, diagnosis: Diagnosis) -> bool:
    """Return whether a step takes back the very deviation of a likely cause, and does not only make up for it.

    What counts is the cause's own size, not what moves along with it: a windway too high shifts the edge against the
    jet as well, but a cut at the edge does not make the windway lower. A leak is sealed where it is likelier than not
    to be there; before that it stands among the checks.
    """
    changes = dict(step.adjustment.steps)
    for found in diagnosis.causes:
        if found.cause.key == "leak":
            if step.key == "seal-leak" and found.probability > 0.3:
                return True
            continue
        if found.probability < 0.1:
            continue
        moved = dict(next(c for v, c in found.cause.variants if v == found.variant))
        most = max(map(abs, moved.values()))
        made = {key: change for key, change in moved.items() if abs(change) == most}
        if any(made.get(key, 0.0) * change < 0.0 for key, change in changes.items()):
            return True
    return False


def _for_which(effect: FloatArray, diagnosis: Diagnosis) -> str:
    """Return the causes (over 5 %) whose own effect this one opposes, likeliest first."""
    scale = np.array([_NOTICED[q] for _, _, q in diagnosis.expected.keys])
    names = []
    for found in diagnosis.causes:
        if found.probability < 0.05:
            continue
        axis = found.cause.axis(found.variant)
        change, _ = curve_along(diagnosis.evaluations, diagnosis.expected, axis, np.array([found.size]))
        if float((change[0] / scale) @ (effect / scale)) < 0.0:
            names.append(found.cause.key)
    return ", ".join(names)


@dataclass(frozen=True)
class Checked:
    """A forecast beside what came of it; `sigmas` is their difference over its uncertainty."""

    forecast: ReadingForecast
    outcome: Shift
    sigmas: float


def check_forecast(forecasts: Sequence[ReadingForecast], before: HeadTrial, after: HeadTrial) -> tuple[Checked, ...]:
    """Return each forecast beside the shift from the trial before to the trial after."""
    found = {(s.note, s.register, s.quantity): s for s in shifts(before, after)}
    checked = []
    for forecast in forecasts:
        outcome = found.get((forecast.note, forecast.register, forecast.quantity))
        if outcome is not None:
            sigma = math.hypot(forecast.sigma, outcome.sigma)
            checked.append(Checked(forecast, outcome, (outcome.change - forecast.change) / max(sigma, 1e-9)))
    return tuple(checked)


def step_of(key: str) -> Step:
    """Return an adjustment by its name.

    Raises
    ------
    InputError
        There is none.
    """
    for step in STEPS:
        if step.key == key:
            return step
    raise InputError(f"adjustment {key!r} is not known; use one of {', '.join(s.key for s in STEPS)}")
