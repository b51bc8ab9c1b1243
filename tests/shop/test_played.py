"""Trials as the bench computes with them: which events count, in what air, and how many rounds of cuts they end."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.air import moist_air
from fluewright.bench.session import air_cents
from fluewright.instrument.fingering import fingerings_of
from fluewright.instrument.starting import load
from fluewright.ledger import Cut, Trial, open_ledger
from fluewright.shop.conditions import TrialConditions
from fluewright.shop.cutting import record_cut
from fluewright.shop.pieces import measure_piece
from fluewright.shop.played import bench_sizes, breath_ratio, cut_rounds, note_index, played_trials, trial_notes
from fluewright.shop.sitting import play, sit_down

HOLE = "holes.3.diameter_mm"


def test_of_several_fingerings_of_a_note_the_first_stands_for_it():
    fingerings = fingerings_of(load("c5-eight-hole"))
    index = note_index(fingerings)
    assert set(index) == {(f.note, f.register) for f in fingerings}
    assert all(fingerings[i].alternative == 0 for i in index.values())


def test_the_bench_computes_with_sizes_that_move_a_resonance_only(pitch):
    sizes = {HOLE: 7.1, "length_mm": 264.0, "head.windway.exit_height_mm": 0.9, "head.window_length_mm": 4.4}
    assert bench_sizes(pitch, sizes) == {k: v for k, v in sizes.items() if "windway" not in k}


def test_a_trial_is_read_back_with_its_sizes_air_breath_and_notes(ledger, known, take_of, pitch, events):
    measure_piece(ledger, "D5-0001", {HOLE: 7.3, "head.windway.exit_height_mm": 0.9})
    planned = known.model.target.breath.lowest_note_pa
    conditions = TrialConditions(temperature_c=23.0, breath_pa=1.1 * planned)
    take = take_of(-2.0, sizes={HOLE: 7.3})
    judged = play(sit_down(ledger, "D5-0001", known=known), [take], conditions=conditions)
    (trial,) = played_trials(events(), pitch)
    assert trial.as_built == {HOLE: 7.3}
    assert trial.breath_ratio == pytest.approx(1.1)
    assert dict(trial.notes) == dict(judged.advice.trials[0].notes)
    conditions = known.model.conditions
    air = moist_air(
        23.0,
        relative_humidity=conditions.relative_humidity,
        co2_fraction=conditions.co2_fraction,
        pressure_pa=conditions.pressure_pa,
    )
    assert trial.air == air
    assert air_cents(known.model, 23.0) > 5.0


def test_a_trial_that_was_taken_back_is_no_evidence(ledger, known, take_of, pitch, events):
    play(known, [take_of(-10.0)])
    wrong = events()[-1]
    with open_ledger(ledger) as book:
        book.correct(wrong.event_id, reason="another piece was played", replacement={"remarks": "not this piece"})
    assert played_trials(events(), pitch) == []
    assert sit_down(ledger, "D5-0001", known=known).verdict() is None


def test_breath_is_counted_as_a_share_of_the_lowest_notes_plan(model):
    planned = model.target.breath.lowest_note_pa
    assert breath_ratio(model, planned) == pytest.approx(1.0)
    assert breath_ratio(model, 0.5 * planned) == pytest.approx(0.5)


def test_heard_notes_are_kept_with_target_pitch_and_cents_in_the_models_order(pitch):
    hz = {i: (float(pitch.network.targets_hz[i]) * 2.0 ** (7.0 / 1200.0), 0.2) for i in (4, 0, 2)}
    kept = trial_notes(pitch.fingerings, pitch.network.targets_hz, hz)
    assert [n.note for n in kept] == [pitch.fingerings[i].note for i in (0, 2, 4)]
    for note, i in zip(kept, (0, 2, 4), strict=True):
        assert note.register == pitch.fingerings[i].register
        assert note.target_hz == pytest.approx(pitch.network.targets_hz[i])
        assert (note.frequency_hz, note.frequency_uncertainty_hz) == hz[i]
        assert note.cents == pytest.approx(7.0)


def test_cuts_with_nothing_played_before_them_are_no_round(ledger, known, take_of):
    """A piece is drilled and reamed before it is ever played: its risk begins with the first trial."""
    sitting = known
    for size in (8.0, 8.1):
        record_cut(sitting, key=HOLE, after_mm=size, tool="reamer", reason="rough")
        sitting = sit_down(ledger, "D5-0001", known=sitting)
    play(sitting, [take_of(-15.0)])
    assert sit_down(ledger, "D5-0001", known=sitting).rounds_made == 0


def event(kind):
    """Return an event of a kind of which nothing else matters."""
    made = object.__new__(kind)
    object.__setattr__(made, "corrected_by", ())
    return made


@given(st.lists(st.sampled_from([Trial, Cut]), max_size=12))
def test_a_round_is_a_trial_with_cuts_after_it(kinds):
    """However many cuts follow one trial they are one round; only those after a trial count."""
    story = "".join("T" if kind is Trial else "C" for kind in kinds)
    assert cut_rounds(map(event, kinds)) == sum("C" in part for part in story.split("T")[1:])
