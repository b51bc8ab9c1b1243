"""What the shop's own trials teach, and that they outweigh the model where they contradict it."""

import math

import numpy as np
import pytest

from fluewright.bench.voicing.advice import advise
from fluewright.bench.voicing.causes import diagnose
from fluewright.bench.voicing.learned import Outcome, learn
from fluewright.bench.voicing.trial import HeadTrial, NoteTrial, Reading

KEY = ("block-forward", "cents", 1)


def pair(change: float, *, steps: float = 1.0, sigma: float = 0.5, same_model: bool = True) -> Outcome:
    """Return trials of two notes, before and after, that moved by so many cents a step."""

    def trial(by: float) -> HeadTrial:
        return HeadTrial(tuple(NoteTrial(n, 1, {"cents": Reading(by, sigma)}) for n in ("D5", "G5")))

    return Outcome("block-forward", steps, trial(0.0), trial(change * steps), same_model)


def test_without_trials_the_model_speaks(shop):
    effect = learn(shop.evaluations, []).effects[KEY]
    assert effect.count == 0
    assert effect.mean == effect.prior_mean


def test_one_pair_is_the_gaussian_update(shop):
    """Mean and sigma are those of two independent readings weighed by their precisions."""
    prior = learn(shop.evaluations, []).effects[KEY]
    got = learn(shop.evaluations, [pair(-5.0)]).effects[KEY]
    # Two notes, both read with 0.5 before and after; one shared error of 1 cent each play; the hand's 15 % of a step.
    error = max(math.sqrt(0.5 / 2), math.sqrt(0.5) / 3)
    error = math.hypot(math.hypot(error, math.sqrt(2.0)), 0.15 * prior.mean)
    weight = prior.sigma**-2 + error**-2
    assert got.mean == pytest.approx((prior.mean * prior.sigma**-2 - 5.0 * error**-2) / weight)
    assert got.sigma == pytest.approx(weight**-0.5)
    assert got.count == 1


def test_many_pairs_outweigh_the_model_and_order_is_of_no_account(shop):
    rng = np.random.default_rng(4)
    pairs = [pair(-4.0 + 0.5 * rng.standard_normal(), steps=s) for s in (1.0, 2.0) * 20]
    got = learn(shop.evaluations, pairs).effects[KEY]
    back = learn(shop.evaluations, pairs[::-1]).effects[KEY]
    assert got.mean == pytest.approx(-4.0, abs=0.4)
    assert got.sigma < 0.2
    assert got.mean == pytest.approx(back.mean, rel=0.05)


def test_another_models_pairs_count_less(shop):
    prior, same, other = (
        learn(shop.evaluations, p).effects[KEY] for p in ([], [pair(-6.0)], [pair(-6.0, same_model=False)])
    )
    assert abs(other.mean - prior.mean) < abs(same.mean - prior.mean)


def test_advice_says_measured_here_before(shop, head):
    learned = learn(shop.evaluations, [pair(-4.0)] * 12)
    diagnosis = diagnose(
        shop.evaluations, head({"head.window_length_mm": 0.45}), shop.causes, references=[head(seed=2)]
    )
    before = next(a for a in advise(diagnosis, (), steps={"block-forward": 1.0}) if a.step.key == "block-forward")
    after = next(
        a for a in advise(diagnosis, (), steps={"block-forward": 1.0}, learned=learned) if a.step.key == "block-forward"
    )
    assert (before.evidence, after.evidence) == ("computed", "measured here")
    old, new = (
        next(f for f in a.forecasts if (f.note, f.register, f.quantity) == ("D5", 1, "cents")) for a in (before, after)
    )
    assert new.change < old.change
    assert new.change == pytest.approx(-4.0, abs=1.2)


def test_chiff_is_learned_though_no_model_computes_it(shop):
    def trial(db: float) -> HeadTrial:
        return HeadTrial((NoteTrial("D5", 1, {"chiff_db": Reading(db, 1.0)}),))

    pairs = [Outcome("lower-chamfer", 1.0, trial(-10.0), trial(-14.0))] * 6
    effect = learn(shop.evaluations, pairs).of("lower-chamfer", "chiff_db", 1)
    assert effect is not None
    assert effect.prior_mean == 0.0
    assert -4.0 < effect.mean < -3.0
