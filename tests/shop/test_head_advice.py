"""A head judged with all that the shop knows: what was excluded, good heads beside it, and what earlier steps did."""

import dataclasses

import pytest

from fluewright.bench.voicing.advice import CHECKS, step_of
from fluewright.bench.voicing.learned import Outcome
from fluewright.bench.voicing.trial import HeadTrial, NoteTrial, Reading
from fluewright.errors import InputError
from fluewright.instrument.starting import load
from fluewright.shop import head_advice
from fluewright.shop.head_advice import evaluate_head, judge_head, log_done
from fluewright.shop.head_records import Records, log_head_trial, read_records

MODEL = load("d5-cylinder")
EMPTY = Records((), (), (), (), ())


def trial(*, by=1.0, warnings=()):
    """Return a trial of the lowest note; all its breaths so many times of a common head's."""
    breaths = {"lowest_pa": 72.0 * by, "comfortable_pa": 150.0, "jump_pa": 300.0 * by, "cents": 3.0}
    return HeadTrial((NoteTrial("D5", 1, {k: Reading(v, 0.02 * abs(v) + 0.1) for k, v in breaths.items()}),), "D5-0001",
                     temperature_c=20.0, warnings=warnings)  # fmt: skip


@pytest.fixture(scope="module")
def judged():
    return judge_head(MODEL, trial(), cache=False)


def keys(judged):
    return [a.step.key for a in judged.advice]


def test_of_a_head_that_nobody_looked_at_every_check_is_open(judged):
    assert judged.open_checks == CHECKS
    assert {"seal-leak", "clean-dry"} <= set(keys(judged))
    assert judged.references == 0
    assert judged.learned.pairs == 0
    assert judged.trial == trial()


def test_what_was_excluded_is_asked_no_more_and_its_remedy_not_advised(judged):
    looked = judge_head(MODEL, trial(), checked=["leak", "fingering"], cache=False)
    assert [key for key, _ in looked.open_checks] == [key for key, _ in CHECKS if key not in ("leak", "fingering")]
    assert "seal-leak" not in keys(looked)
    assert set(keys(judged)) - set(keys(looked)) == {"seal-leak"}
    leak = [next(c.probability for c in j.diagnosis.causes if c.cause.key == "leak") for j in (judged, looked)]
    assert leak[1] < leak[0]


def test_good_heads_given_and_good_heads_of_the_ledger_are_compared_with(judged):
    records = dataclasses.replace(EMPTY, good=(trial(by=1.01), trial(by=0.99)))
    beside = judge_head(MODEL, trial(), records=records, references=[trial(by=1.02)], cache=False)
    assert beside.references == 3
    at = [k[2] for k in judged.diagnosis.expected.keys].index("jump_pa")
    assert beside.diagnosis.expected.covariance[at, at] < judged.diagnosis.expected.covariance[at, at]


def test_what_a_step_did_in_this_shop_counts_where_it_is_advised(judged):
    outcomes = (Outcome("window-longer", 1.0, trial(), trial(by=1.3)),) * 4
    taught = judge_head(MODEL, trial(), records=dataclasses.replace(EMPTY, outcomes=outcomes), cache=False)
    assert taught.learned.pairs == 4
    one, other = (
        next(f.change for a in j.advice if a.step.key == "window-longer" for f in a.forecasts
             if f.quantity == "jump_pa" and a.steps == 1)
        for j in (judged, taught)
    )  # fmt: skip
    # Each time the jump rose by 30 per cent: the forecast goes there, whatever the model says.
    assert other > one + 5.0


def test_what_is_odd_about_the_trial_is_handed_on():
    told = judge_head(MODEL, trial(warnings=("clipped at 3.2 s",)), cache=False)
    assert told.warnings[0] == "clipped at 3.2 s"


def test_a_note_that_the_model_lacks_and_a_word_that_is_no_check_are_refused():
    strange = HeadTrial((NoteTrial("F4", 1, {"jump_pa": Reading(250.0, 5.0)}),))
    with pytest.raises(InputError, match="has no such note"):
        judge_head(MODEL, strange, cache=False)
    with pytest.raises(InputError, match="'luck' is not known"):
        judge_head(MODEL, trial(), checked=["luck"], cache=False)


def test_evaluations_are_asked_for_in_one_order_and_kept_only_where_that_is_wanted(tmp_path, monkeypatch):
    """Whatever order the notes come in: the same evaluations are found again on the disk."""
    asked = []
    monkeypatch.setattr(head_advice, "evaluations_of", lambda _, notes, __, *, folder: asked.append((notes, folder)))
    monkeypatch.setattr(head_advice, "cache_folder", lambda: tmp_path)
    notes = [("D6", 2), ("G5", 1), ("D5", 1)]
    evaluate_head(MODEL, notes)
    evaluate_head(MODEL, notes[::-1], cache=False)
    assert asked == [(notes[::-1], tmp_path), (notes[::-1], None)]


def test_what_was_done_is_logged_with_the_forecast_for_just_so_many_steps(ledger, judged, events):
    log_head_trial(ledger, "D5-0001", trial())
    step = step_of("window-longer")
    event = log_done(ledger, "D5-0001", judged, step, 2.0, reason="the low notes are slow")
    made = events()[-1]
    assert (made.event_id, made.adjustment, made.steps) == (event, "window-longer", 2.0)
    assert made.reason == "the low notes are slow"
    twice = {r["quantity"]: r["change"] for r in made.forecast["readings"]}
    log_done(ledger, "D5-0001", judged, step, 1.0, reason="again")
    once = {r["quantity"]: r["change"] for r in events()[-1].forecast["readings"]}
    assert twice["cents"] == pytest.approx(2.0 * once["cents"], abs=2e-4)
    assert once["cents"] != 0.0
    with pytest.raises(InputError, match="usual steps; give"):
        log_done(ledger, "D5-0001", judged, step, 0.0, reason="none")
    assert len(read_records(ledger, "D5-0001", MODEL).since) == 2


def test_a_remedy_without_a_forecast_is_logged_all_the_same(ledger, judged, events):
    log_done(ledger, "D5-0001", judged, step_of("clean-dry"), 1.0, reason="water in the windway")
    assert events()[-1].forecast["readings"] == []
