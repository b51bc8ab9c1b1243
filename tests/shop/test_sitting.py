"""What may be judged and logged of a piece, for every face alike."""

import dataclasses

import numpy as np
import pytest

from fluewright.bench.policy import CutPolicy
from fluewright.bench.remarks import NotesMissing
from fluewright.bench.session import air_cents
from fluewright.bench.verdict import AllMade, GoOn, State
from fluewright.errors import ComputeError, InputError, LedgerError
from fluewright.instrument.sizes import with_sizes
from fluewright.instrument.starting import load
from fluewright.ledger import PieceState, Trial, open_ledger
from fluewright.shop.conditions import TrialConditions
from fluewright.shop.cutting import record_cut
from fluewright.shop.pieces import begin_piece, measure_piece
from fluewright.shop.sitting import judge, log_trials, play, sit_down, sit_down_loose


def test_a_piece_not_played_has_no_verdict_but_is_expected_somewhere(known):
    assert known.verdict() is None
    assert known.expected_cents.shape == (len(known.pitch.fingerings),)
    assert not known.played_as_it_is
    assert known.taught_by == 0
    assert (known.record.serial, known.record.model_version, known.record.state) == ("D5-0001", 1, PieceState.IN_WORK)


def test_a_take_is_logged_with_everything_that_it_needs(known, take_of, events, model):
    judged = play(known, [take_of(-15.0)], conditions=TrialConditions(temperature_c=23.0, breath_pa=160.0))
    (trial,) = [e for e in events() if isinstance(e, Trial)]
    assert judged.advice.verdict.state is State.CUT
    assert (trial.recording_name, trial.recording_sha256) == ("take", judged.takes[0].sha256)
    assert trial.analysis_version.startswith("fluewright-listening/")
    assert (trial.temperature_c, trial.breath_pa) == (23.0, 160.0)
    assert trial.relative_humidity == model.conditions.relative_humidity
    assert len(trial.notes) == sum(f.alternative == 0 for f in known.pitch.fingerings)
    lowest = next(n for n in trial.notes if (n.note, n.register) == ("D5", 1))
    assert lowest.target_hz == pytest.approx(float(known.pitch.network.targets_hz[0]))
    assert lowest.cents == pytest.approx(1200 * np.log2(lowest.frequency_hz / lowest.target_hz))


def test_without_a_thermometer_the_designs_temperature_counts(known, take_of, events, model):
    play(known, [take_of()])
    trial = events()[-1]
    assert trial.temperature_c == model.conditions.temperature_c
    assert trial.breath_pa is None


def test_judging_logs_nothing_and_logging_does(known, take_of, events):
    before = len(events())
    judged = judge(known, [take_of()])
    assert len(events()) == before
    (event,) = log_trials(judged, remarks="cold hands")
    assert (events()[-1].event_id, events()[-1].remarks) == (event, "cold hands")


def test_a_recording_is_never_counted_twice(known, take_of, events, ledger):
    take = take_of()
    judged = play(known, [take, take])
    assert (len(judged.takes), len(judged.repeated)) == (1, 1)
    again = play(sit_down(ledger, "D5-0001", known=known), [take])
    assert (again.takes, again.repeated) == ((), (take,))
    assert sum(isinstance(e, Trial) for e in events()) == 1


def test_two_takes_of_one_sitting_are_two_trials_and_make_it_surer(known, take_of, ledger):
    one = judge(known, [take_of(-15.0, name="a")])
    two = play(known, [take_of(-15.0, name="a"), take_of(-15.4, name="b")])
    assert (two.advice.verdict.sigma < one.advice.verdict.sigma).mean() > 0.9
    assert len(sit_down(ledger, "D5-0001", known=known).trials) == 2


def test_a_take_without_a_note_is_refused_by_its_name(known, take_of):
    empty = dataclasses.replace(take_of(), notes=(), warnings=("the recording is silent",), name="silent.wav")
    with pytest.raises(InputError, match=r"silent\.wav: the recording is silent"):
        play(known, [empty])


def test_a_recording_of_something_else_is_refused_and_not_logged(known, take_of, events):
    other = take_of(-15.0, odd={f.note: 37.0 * (-1) ** i for i, f in enumerate(known.pitch.fingerings)})
    before = len(events())
    with pytest.raises(InputError, match="check that it is a recording of this piece"):
        play(known, [other])
    assert len(events()) == before


def test_notes_far_from_all_forecasts_are_refused_with_the_worst_named(known, take_of):
    with pytest.raises(InputError, match=r"standard errors from what d5-cylinder .* can explain") as caught:
        judge(known, [take_of(75.0)])
    assert caught.value.field == "sizes"


def test_what_was_not_heard_is_remarked(known, take_of):
    judged = judge(known, [take_of(-5.0, only={"D5", "E5"})])
    (missing,) = [r for r in judged.advice.remarks if isinstance(r, NotesMissing)]
    assert ("G5", 1) in missing.notes
    assert ("D5", 1) not in missing.notes


def test_sizes_changed_elsewhere_while_it_was_heard_stop_the_log(known, take_of, ledger, events):
    judged = judge(known, [take_of()])
    measure_piece(ledger, "D5-0001", {"length_mm": 264.0})
    with pytest.raises(LedgerError, match="were changed while it was heard"):
        log_trials(judged)
    assert not any(isinstance(e, Trial) for e in events())


def test_a_loose_piece_is_judged_but_never_logged(pitch, take_of):
    sitting = sit_down_loose(pitch, {"length_mm": 264.0})
    judged = judge(sitting, [take_of(-12.0)])
    assert judged.advice.verdict.plan
    assert sitting.as_built == {"length_mm": 264.0}
    with pytest.raises(LedgerError, match="in no ledger"):
        log_trials(judged)
    with pytest.raises(InputError, match="has no such size"):
        sit_down_loose(pitch, {"holes.99.diameter_mm": 5.0})


def test_sizes_given_now_are_used_and_logged_beside_those_of_the_ledger(ledger, known, take_of, events):
    measure_piece(ledger, "D5-0001", {"holes.1.diameter_mm": 7.4, "head.windway.exit_height_mm": 0.92})
    sitting = sit_down(ledger, "D5-0001", known=known, sizes={"length_mm": 264.2})
    assert sitting.as_built == {"holes.1.diameter_mm": 7.4, "length_mm": 264.2}
    play(sitting, [take_of()])
    assert events()[-1].as_built_after == {
        "holes.1.diameter_mm": 7.4, "head.windway.exit_height_mm": 0.92, "length_mm": 264.2,
    }  # fmt: skip


def test_the_rest_of_a_plan_waits_in_the_ledger_until_all_is_made(known, take_of, ledger):
    play(known, [take_of(-25.0)])
    sitting = sit_down(ledger, "D5-0001", known=known)
    planned = sitting.verdict()
    assert len(planned.plan) >= 3
    for number, cut in enumerate(planned.plan, start=1):
        record_cut(sitting, key=cut.key, after_mm=round(cut.after_mm, 3), tool=cut.tool, reason="flat")
        sitting = sit_down(ledger, "D5-0001", known=sitting)
        # As if the program had been stopped in between.
        verdict = sit_down(ledger, "D5-0001").verdict()
        assert [c.key for c in verdict.plan] == [c.key for c in planned.plan[number:]]
        done = number == len(planned.plan)
        assert verdict.state is (State.PLAY if done else State.CUT)
        assert verdict.reasons == ((AllMade() if done else GoOn()),)
        assert verdict.cents.mean() > planned.cents.mean()
        assert not sitting.played_as_it_is
    assert sitting.rounds_made == 0
    play(sitting, [take_of(-3.0, name="b")])
    assert sit_down(ledger, "D5-0001", known=sitting).rounds_made == 1


def test_a_cut_made_half_way_leaves_its_other_half(known, take_of, ledger):
    play(known, [take_of(-25.0)])
    sitting = sit_down(ledger, "D5-0001", known=known)
    cut = next(c for c in sitting.verdict().plan if c.key.startswith("holes."))
    half = round(0.5 * (cut.before_mm + cut.after_mm), 2)
    record_cut(sitting, key=cut.key, after_mm=half, tool="reamer", reason="flat")
    (left,) = [c for c in sit_down(ledger, "D5-0001", known=sitting).verdict().plan if c.key == cut.key]
    assert (left.before_mm, left.after_mm) == (half, cut.after_mm)
    assert f"{cut.after_mm - half:.2f} mm on the diameter" in left.how


def test_a_size_gauged_after_the_trial_does_not_ask_for_playing_again(known, take_of, ledger):
    play(known, [take_of(-20.0)])
    measure_piece(ledger, "D5-0001", {"holes.3.diameter_mm": known.model.holes[2].diameter_mm + 0.03})
    sitting = sit_down(ledger, "D5-0001", known=known)
    assert sitting.played_as_it_is
    assert sitting.verdict().state is State.CUT


def test_other_pieces_teach_and_an_other_model_is_told(known, take_of, ledger):
    play(known, [take_of(-15.0)])
    begin_piece(ledger, "d5-cylinder", prefix="D5")
    second = sit_down(ledger, "D5-0002")
    assert (second.taught_by, second.other_model) == (1, False)
    narrower = with_sizes(known.model, {"head.window_length_mm": known.model.head.window_length_mm + 0.1})
    assert sit_down(ledger, "D5-0002", model=narrower).other_model
    with pytest.raises(InputError, match="name the model of the piece") as caught:
        sit_down(ledger, "D5-0002", model=load("c5-eight-hole"))
    assert caught.value.field == "model"


def test_what_was_played_is_not_computed_anew_after_a_cut(known, take_of, ledger):
    play(known, [take_of(-25.0)])
    sitting = sit_down(ledger, "D5-0001", known=known)
    _ = sitting.posterior
    record_cut(sitting, key="length_mm", after_mm=known.model.length_mm - 0.5, tool="saw", reason="flat")
    again = sit_down(ledger, "D5-0001", known=sitting)
    assert again.posterior is sitting.posterior
    play(again, [take_of(-5.0, name="b")])
    assert sit_down(ledger, "D5-0001", known=again).posterior is not again.posterior


def test_sizes_that_cannot_sound_are_told_with_the_piece_and_the_mend(ledger, known):
    with open_ledger(ledger) as book:
        book.log_measurement("D5-0001", as_built={"length_mm": 300.0}, remarks="misread")
    sitting = sit_down(ledger, "D5-0001", known=known)
    with pytest.raises(ComputeError, match=r"D5-0001, with its sizes as the ledger has them: .* put it right in the"):
        _ = sitting.expected_cents


def test_the_policy_of_the_maker_counts(known, take_of):
    one = judge(known, [take_of()], policy=CutPolicy(one_at_a_time=True))
    assert len(one.advice.verdict.plan) == 1


@pytest.mark.parametrize(
    ("field", "value"), [("temperature_c", 99.0), ("temperature_c", -21.0), ("breath_pa", 4.0), ("breath_pa", 1e5)]
)
def test_conditions_that_cannot_be_meant_name_their_field(field, value):
    with pytest.raises(InputError, match="cannot be meant") as caught:
        TrialConditions(**{field: value})
    assert caught.value.field == field


def test_a_breath_far_from_the_plan_is_a_slip_of_the_unit(known, take_of):
    with pytest.raises(InputError, match="check the unit") as caught:
        judge(known, [take_of()], conditions=TrialConditions(breath_pa=6.0))
    assert caught.value.field == "breath_pa"
    planned = known.model.target.breath.lowest_note_pa
    assert TrialConditions(breath_pa=2.0 * planned).ratio(known.model) == pytest.approx(2.0)
    assert TrialConditions().ratio(known.model) is None


def test_a_trial_is_not_logged_into_a_new_ledger_where_the_old_one_is_gone(known, take_of, ledger):
    judged = judge(known, [take_of()])
    ledger.unlink()
    with pytest.raises(InputError, match="no ledger"):
        log_trials(judged)
    assert not ledger.exists()


def test_what_a_warm_room_makes_sharp_is_taken_off(known, take_of):
    """Five degrees are 15.7 cents by the speed of sound (`air_cents`): the piece itself is so much flatter."""
    first = known.pitch.first_register
    cool, warm = (
        judge(known, [take_of(-2.0)], conditions=TrialConditions(temperature_c=c)).advice.verdict.cents[first].mean()
        for c in (20.0, 25.0)
    )
    assert cool - warm == pytest.approx(air_cents(known.model, 25.0), abs=2.5)


def test_a_breath_stronger_than_planned_is_taken_off(known, take_of):
    planned = known.model.target.breath.lowest_note_pa
    first = known.pitch.first_register
    even, strong = (
        judge(known, [take_of(-2.0)], conditions=TrialConditions(breath_pa=x * planned)).advice.verdict.cents[first]
        for x in (1.0, 1.2)
    )
    assert (strong < even - 1.0).all()
