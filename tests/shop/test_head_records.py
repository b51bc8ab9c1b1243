"""What the ledger tells of heads: which trials and adjustments belong together, and what can be learned of them."""

import json
import math

import pytest

from fluewright.bench.voicing.advice import STEPS, ReadingForecast
from fluewright.bench.voicing.trial import HeadTrial, NoteTrial, Reading
from fluewright.grades import Grade
from fluewright.ledger import open_ledger
from fluewright.shop.head_records import (
    HEAD_ANALYSIS_VERSION,
    log_adjustment,
    log_head_trial,
    read_records,
    read_trial_file,
)
from fluewright.shop.models import save_version
from fluewright.shop.pieces import begin_piece, measure_piece

WINDOW = next(s for s in STEPS if s.key == "window-longer")
BLOCK = next(s for s in STEPS if s.key == "block-back")


def trial(jump_pa, *, body="", good=False):
    return HeadTrial((NoteTrial("D5", 1, {"jump_pa": Reading(jump_pa, 5.0)}),), "", body, good, 21.0, ("typed",))


@pytest.fixture
def log(ledger):
    """Return a writer of a head's story: numbers are trials with that jump, steps adjustments."""

    def write(*story, serial="D5-0001", body="", good=False, forecasts=()):
        return [
            log_head_trial(ledger, serial, trial(what, body=body, good=good))
            if isinstance(what, float)
            else log_adjustment(ledger, serial, what, 1.0, forecasts, reason="slow")
            for what in story
        ]

    return write


@pytest.fixture
def records(ledger, model):
    return lambda serial="D5-0001": read_records(ledger, serial, model)


def jumps(outcome):
    return tuple(t.of("D5", 1, "jump_pa").value for t in (outcome.before, outcome.after))


def test_an_empty_history_holds_nothing(records):
    found = records()
    assert (found.trials, found.since, found.before_last, found.good, found.outcomes, found.judged) == ((),) * 6
    assert found.every_check() == found.checked() == found.checked(trial(250.0)) == ()


def test_adjustments_stand_between_the_trials_about_them(log, records):
    first, one, second, two, three = log(250.0, WINDOW, 260.0, BLOCK, WINDOW)
    found = records()
    assert [event for event, _ in found.trials] == [first, second]
    assert [made.event_id for made in found.since] == [two, three]
    assert [made.event_id for made in found.before_last] == [one]


def test_a_trial_is_of_the_head_that_it_was_logged_for(log, records):
    """Whatever the trial itself says of its head, body and worth: what was logged counts."""
    log(250.0, body="red", good=True)
    ((_, kept),) = records().trials
    assert (kept.head, kept.body, kept.good, kept.temperature_c) == ("D5-0001", "red", True, 21.0)


def test_before_the_first_trial_every_adjustment_is_since(log, records):
    (made,) = log(WINDOW)
    assert [m.event_id for m in records().since] == [made]
    assert records().before_last == ()


def test_only_an_adjustment_alone_between_two_trials_tells_what_it_does(log, records):
    """Of two things done at once no forecast can be told from the other."""
    log(WINDOW, 250.0, WINDOW, 265.0, WINDOW, BLOCK, 270.0, 271.0, BLOCK, 240.0)
    outcomes = records().outcomes
    assert [(o.adjustment, o.steps, jumps(o)) for o in outcomes] == [
        ("window-longer", 1.0, (250.0, 265.0)), ("block-back", 1.0, (271.0, 240.0)),
    ]  # fmt: skip
    assert [(made.adjustment, b.of("D5", 1, "jump_pa").value) for made, b, _ in records().judged] == [
        ("window-longer", 250.0), ("block-back", 271.0),
    ]  # fmt: skip


def test_a_head_on_another_body_says_nothing_of_the_adjustment(log, records):
    log(250.0, body="red")
    log(WINDOW, 265.0, body="blue")
    assert records().outcomes == ()


def test_other_pieces_teach_by_their_outcomes_those_of_another_model_marked(ledger, model, log, records):
    begin_piece(ledger, "d5-cylinder", prefix="D5")
    save_version(ledger, model, "sister")
    begin_piece(ledger, "sister", prefix="S")
    log(250.0, WINDOW, 265.0, serial="D5-0002")
    log(300.0, WINDOW, 330.0, serial="S-0001")
    assert [(o.same_model, jumps(o)) for o in records().outcomes] == [(True, (250.0, 265.0)), (False, (300.0, 330.0))]
    # Its own story stays its own.
    assert records().trials == records().judged == ()


def test_good_heads_of_another_model_are_no_reference_and_of_many_the_newest_six_count(ledger, model, log, records):
    save_version(ledger, model, "sister")
    begin_piece(ledger, "sister", prefix="S")
    log(300.0, serial="S-0001", good=True)
    assert records().good == ()
    for number in range(2, 10):
        begin_piece(ledger, "d5-cylinder", prefix="D5")
        log(200.0 + number, serial=f"D5-000{number}", good=True)
    assert [t.of("D5", 1, "jump_pa").value for t in records().good] == [204.0, 205.0, 206.0, 207.0, 208.0, 209.0]


def test_a_forecast_is_checked_by_the_next_trial(log, records):
    forecast = ReadingForecast("D5", 1, "jump_pa", 4.0, 2.0, Grade.COMPUTED)
    log(250.0, WINDOW, forecasts=(forecast,))
    ((made, (checked,)),) = records().checked(trial(265.0))
    assert made.adjustment == "window-longer"
    assert checked.outcome.change == pytest.approx(6.0)
    assert checked.forecast.change == pytest.approx(4.0)
    assert records().checked() == ()
    log(265.0)
    assert records().checked() == records().every_check()
    assert len(records().every_check()) == 1
    # After one more trial with nothing done between, the last two say nothing of it any more.
    log(266.0)
    assert records().checked() == ()
    assert len(records().every_check()) == 1


def test_of_two_adjustments_since_the_last_trial_none_is_checked(log, records):
    log(250.0, WINDOW, BLOCK)
    assert records().checked(trial(265.0)) == ()


def test_an_adjustment_is_kept_with_its_forecast_and_moves_the_sizes_that_are_known(ledger, events):
    key, change = next((k, c) for k, c in WINDOW.adjustment.steps if k == "head.window_length_mm")
    forecast = ReadingForecast("D5", 1, "jump_pa", 4.0, 2.0, Grade.COMPUTED)
    log_adjustment(ledger, "D5-0001", WINDOW, 2.0, (forecast,), reason="slow")
    made = events()[-1]
    assert (made.adjustment, made.title, made.steps) == ("window-longer", WINDOW.adjustment.title, 2.0)
    assert made.reason == "slow"
    assert made.changes[key] == pytest.approx(2.0 * change)
    assert made.forecast == {"analysis": HEAD_ANALYSIS_VERSION, "readings": [forecast.to_plain()]}
    # The ledger never heard of the window's length: there is nothing to move.
    assert dict(made.as_built_after) == {}
    measure_piece(ledger, "D5-0001", {key: 4.4, "length_mm": 264.0})
    log_adjustment(ledger, "D5-0001", WINDOW, 2.0, (), reason="slow")
    with open_ledger(ledger) as book:
        assert book.as_built("D5-0001") == {key: pytest.approx(4.4 + 2.0 * change), "length_mm": 264.0}


def test_a_trial_kept_in_a_file_is_read_back_as_it_was(tmp_path):
    path = tmp_path / "trial.json"
    kept = trial(250.0, body="red", good=True)
    path.write_text(json.dumps(kept.to_plain()), encoding="utf-8")
    assert read_trial_file(path) == kept
    cold = HeadTrial(kept.notes)
    path.write_text(json.dumps(cold.to_plain()), encoding="utf-8")
    assert math.isnan(read_trial_file(path).temperature_c)
