"""What the ledger's other pieces teach, and how forecasts kept with the cuts are held against the next trial."""

import numpy as np
import pytest

from fluewright.bench.prior import STATED_BELIEFS
from fluewright.instrument.sizes import with_sizes
from fluewright.shop.conditions import TrialConditions
from fluewright.shop.cutting import record_cut
from fluewright.shop.learning import learned_from, ledger_scores
from fluewright.shop.models import save_version
from fluewright.shop.pieces import begin_piece
from fluewright.shop.sitting import play, sit_down


def cut_foot(ledger, serial, known, by_mm):
    sitting = sit_down(ledger, serial, known=known)
    length = sitting.as_built.get("length_mm", sitting.model.length_mm)
    return record_cut(sitting, key="length_mm", after_mm=length - by_mm, tool="saw", reason="flat")


def test_pieces_that_were_played_teach_and_the_piece_at_hand_does_not(ledger, known, take_of, pitch):
    assert learned_from(ledger, pitch).prior.pieces == 0
    play(known, [take_of(-15.0)])
    begin_piece(ledger, "d5-cylinder", prefix="D5")
    assert learned_from(ledger, pitch).prior.pieces == 1
    assert learned_from(ledger, pitch, without="D5-0001").prior.pieces == 0
    assert learned_from(ledger, pitch, without="D5-0002").prior.pieces == 1


def test_a_piece_of_another_model_teaches_nothing(ledger, known, take_of, pitch, model):
    save_version(ledger, model, "sister")
    begin_piece(ledger, "sister", prefix="S")
    sister = sit_down(ledger, "S-0001")
    play(sister, [take_of(-15.0)])
    assert learned_from(ledger, pitch).prior.pieces == 0


def test_a_piece_of_an_older_version_with_the_same_fingerings_teaches(ledger, known, take_of, model, pitch):
    play(known, [take_of(-15.0)])
    save_version(ledger, with_sizes(model, {"length_mm": model.length_mm + 0.5}))
    assert learned_from(ledger, pitch).prior.pieces == 1


def test_pieces_that_came_out_flat_let_the_next_be_expected_flat(ledger, known, take_of, pitch):
    play(known, [take_of(-20.0)])
    begin_piece(ledger, "d5-cylinder", prefix="D5")
    first = np.flatnonzero(pitch.first_register)
    fresh = sit_down(ledger, "D5-0002")
    assert fresh.taught_by == 1
    assert fresh.expected_cents[first].mean() < known.expected_cents[first].mean() - 4.0


def test_a_forecast_is_held_against_the_next_trial_note_by_note(ledger, known, take_of):
    play(known, [take_of(-25.0)])
    made = cut_foot(ledger, "D5-0001", known, 1.0)
    assert ledger_scores(ledger)[1] == ()
    sizes = {"length_mm": made.after_mm}
    play(sit_down(ledger, "D5-0001", known=known), [take_of(-22.0, name="b", sizes=sizes)])
    scores, rows = ledger_scores(ledger)
    assert scores.count == len(rows) == 13
    lowest = next(r for r in rows if r.what == "D5-0001 D5 1")
    assert lowest.mean == pytest.approx(made.forecast.cents[0], abs=0.006)
    assert lowest.sigma == pytest.approx(made.forecast.sigma[0], abs=0.006)
    pitch = known.pitch
    heard = pitch.cents(sizes)[0] - 22.0
    assert lowest.outcome == pytest.approx(heard, abs=0.1)
    # One playing's own spread: how alike a note is blown twice, and the thermometer.
    assert lowest.outcome_sigma == pytest.approx(np.hypot(STATED_BELIEFS.blowing_cents, 1.0))


def test_a_warm_room_is_taken_out_of_the_outcome(ledger, known, take_of):
    play(known, [take_of(-25.0)])
    sizes = {"length_mm": cut_foot(ledger, "D5-0001", known, 1.0).after_mm}
    warm = take_of(-22.0, name="warm", sizes=sizes)
    play(sit_down(ledger, "D5-0001", known=known), [warm], conditions=TrialConditions(temperature_c=25.0))
    lowest = ledger_scores(ledger)[1][0]
    # Pitch goes with the speed of sound: the root of 298.15 K over 293.15 K, and a cent for the vapour.
    warmer = 600.0 * np.log2(298.15 / 293.15) + 1.0
    assert lowest.outcome == pytest.approx(known.pitch.cents(sizes)[0] - 22.0 - warmer, abs=0.7)


def test_of_several_cuts_in_one_round_the_last_ones_forecast_counts(ledger, known, take_of):
    play(known, [take_of(-25.0)])
    cut_foot(ledger, "D5-0001", known, 0.5)
    last = cut_foot(ledger, "D5-0001", known, 0.5)
    sizes = {"length_mm": last.after_mm}
    play(sit_down(ledger, "D5-0001", known=known), [take_of(-22.0, name="b", sizes=sizes)])
    play(sit_down(ledger, "D5-0001", known=known), [take_of(-22.3, name="c", sizes=sizes)])
    _, rows = ledger_scores(ledger)
    # Once a round: the second trial after the same cuts judges nothing again.
    assert len(rows) == 13
    assert rows[0].mean == pytest.approx(last.forecast.cents[0], abs=0.006)


def test_scores_are_of_the_model_that_was_asked_for(ledger, known, take_of):
    play(known, [take_of(-25.0)])
    sizes = {"length_mm": cut_foot(ledger, "D5-0001", known, 1.0).after_mm}
    play(sit_down(ledger, "D5-0001", known=known), [take_of(-22.0, name="b", sizes=sizes)])
    assert ledger_scores(ledger, model_name="d5-cylinder")[0].count == 13
    assert ledger_scores(ledger, model_name="f4-taper")[0].count == 0
    assert ledger_scores(ledger)[0].count == 13
