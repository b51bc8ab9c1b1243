"""What each adjustment does in this shop: the model's sensitivities as prior, corrected by trials before and after.

For every adjustment, quantity and register the effect of one usual step is a Gaussian: prior mean the model's, prior
sigma what the physics leaves open; each pair of trials adds a reading of it (conjugate update). A pair's own error is
that of both trials' readings, of how alike two plays are, and of the hand that made the step.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fluewright.bench.voicing.evaluations import MODELLED, Evaluations
from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.bench.voicing.trial import HeadTrial

__all__ = ["Learned", "LearnedEffect", "Outcome", "learn"]

_HAND = 0.15  # of a step: how exactly a hand makes it; an estimate
_OTHER_MODEL = 0.5  # of an effect: what a pair on another model's head may differ by, besides; an estimate
_PRIOR_SHARE = 0.3  # of an effect
_PRIOR_FLOOR: Mapping[str, float] = {
    "lowest_pa": 0.015, "jump_pa": 0.03, "fall_back_pa": 0.02, "cents": 0.7, "cents_per_doubling": 1.0, "rise_s": 0.04,
    "hiss_db": 1.0, "level_db": 0.3, "air_l_per_min": 0.01, "second_db": 0.6, "third_db": 0.8, "chiff_db": 2.0,
}  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """One adjustment that was made, between two trials of the same head and body."""

    adjustment: str
    steps: float
    before: HeadTrial
    after: HeadTrial
    same_model: bool = True


@dataclass(frozen=True)
class LearnedEffect:
    """What one usual step does: posterior mean and sigma (logarithm or unit), the prior's, and how many pairs spoke."""

    mean: float
    sigma: float
    prior_mean: float
    prior_sigma: float
    count: int


@dataclass(frozen=True)
class Learned:
    """All effects by (adjustment, quantity, register)."""

    effects: Mapping[tuple[str, str, int], LearnedEffect]

    def of(self, adjustment: str, quantity: str, register: int) -> LearnedEffect | None:
        """Return one effect, None where neither model nor shop knows it."""
        return self.effects.get((adjustment, quantity, register))

    @property
    def pairs(self) -> int:
        """Return the most pairs that spoke of one effect."""
        return max((e.count for e in self.effects.values()), default=0)


def learn(evaluations: Evaluations, outcomes: Sequence[Outcome]) -> Learned:
    """Return the effects of every evaluated adjustment, after the shop's own pairs of trials.

    Parameters
    ----------
    evaluations : Evaluations
        With the axes of `advice.adjustment_axes`.
    outcomes : sequence of Outcome
        Adjustments that were made; effects that no model computes (chiff) begin at zero with a wide prior.
    """
    at = np.ones(len(evaluations.notes))
    base = evaluations.base.at(at)
    effects: dict[tuple[str, str, int], LearnedEffect] = {}
    registers = sorted({r for _, r in evaluations.notes})
    for axis, (_, points) in evaluations.axes.items():
        if not axis.startswith("step "):
            continue
        change = points[-1].at(at) - base
        for register in registers:
            rows = [i for i, (_, r) in enumerate(evaluations.notes) if r == register]
            for j, quantity in enumerate(MODELLED):
                known = change[rows, j][np.isfinite(change[rows, j])]
                if known.size:
                    mean = float(known.mean())
                    sigma = math.hypot(_PRIOR_SHARE * mean, _PRIOR_FLOOR[quantity])
                    effects[(axis.removeprefix("step "), quantity, register)] = LearnedEffect(
                        mean, sigma, mean, sigma, 0
                    )
    for outcome in outcomes:
        for register in registers:
            for quantity in _PRIOR_FLOOR:
                seen = _seen(outcome, quantity, register)
                if seen is None:
                    continue
                key = (outcome.adjustment, quantity, register)
                wide = _PRIOR_FLOOR[quantity] * 3.0
                old = effects.get(key, LearnedEffect(0.0, wide, 0.0, wide, 0))
                value, sigma = seen
                sigma = math.hypot(sigma, _HAND * old.mean)
                if not outcome.same_model:
                    sigma = math.hypot(sigma, max(_OTHER_MODEL * abs(old.mean), _PRIOR_FLOOR[quantity]))
                precision = old.sigma**-2 + sigma**-2
                mean = (old.mean * old.sigma**-2 + value * sigma**-2) / precision
                effects[key] = LearnedEffect(mean, precision**-0.5, old.prior_mean, old.prior_sigma, old.count + 1)
    return Learned(effects)


def _seen(outcome: Outcome, quantity: str, register: int) -> tuple[float, float] | None:
    """Return (effect of one step, its error) over a register's notes, None where a pair did not read it."""
    spec = QUANTITIES[quantity]
    changes, errors = [], []
    for note in outcome.after.notes:
        old = outcome.before.of(note.note, note.register, quantity)
        new = note.readings.get(quantity)
        if note.register != register or old is None or new is None:
            continue
        if spec.relative:
            changes.append(math.log(new.value / old.value))
            errors.append(math.hypot(new.sigma / new.value, old.sigma / old.value))
        else:
            changes.append(new.value - old.value)
            errors.append(math.hypot(new.sigma, old.sigma))
    if not changes or outcome.steps == 0.0:
        return None
    # Notes of one play share part of their error: the mean of n notes is no better than a third of one note's alone.
    error = max(float(np.sqrt(np.mean(np.square(errors)) / len(errors))), float(np.mean(errors)) / 3.0)
    error = math.hypot(error, math.sqrt(2.0) * spec.shared if quantity != "level_db" else 0.5)
    return float(np.mean(changes)) / outcome.steps, error / abs(outcome.steps)
