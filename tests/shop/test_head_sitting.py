"""A head's trial: what may be read and heard, what counts more, what is logged."""

import math

import pytest

from fluewright.bench.voicing.advice import CHECKS
from fluewright.bench.voicing.causes import causes_of
from fluewright.bench.voicing.quantities import QUANTITIES
from fluewright.bench.voicing.trial import NoteTrial, Reading
from fluewright.errors import InputError
from fluewright.instrument.starting import load
from fluewright.ledger import HeadTrialLogged
from fluewright.shop.head_advice import check_steps, check_words
from fluewright.shop.head_hearing import HeadHeard, ModelNotes
from fluewright.shop.head_records import log_head_trial, read_records, read_trial_file
from fluewright.shop.head_sitting import (
    HeadSitting,
    _with_pitch,
    check_notes,
    finish_head_trial,
    note_order,
    trial_of,
)  # fmt: skip
from fluewright.shop.pieces import begin_piece
from fluewright.units import MM_OF_WATER_PA, shifted

D5 = ("D5", 1)


@pytest.fixture(scope="module")
def sitting():
    return HeadSitting(load("d5-cylinder"))


def note(name=D5, **readings):
    return NoteTrial(*name, {k: Reading(*v) if isinstance(v, tuple) else Reading(v, 1.0) for k, v in readings.items()})


def test_notes_stand_in_the_order_of_the_fingerings_each_once(sitting):
    order = note_order(sitting.model)
    assert order[0] == D5
    assert len(set(order)) == len(order)
    assert set(order) == set(sitting.notes.targets_hz)


def test_steps_are_found_by_their_key_and_others_are_named(sitting):
    assert sitting.step("swell").kind == "swell"
    with pytest.raises(InputError, match=r"'saw' is no step of this trial; it has low, swell") as caught:
        sitting.step("saw")
    assert caught.value.field == "step"


def test_a_column_of_water_is_read_in_pascals_or_mm(sitting):
    in_mm = sitting.column(*D5, "jump_pa", 28.5, unit="mm").readings["jump_pa"]
    in_pa = sitting.column(*D5, "jump_pa", 28.5 * 9.80665).readings["jump_pa"]
    assert in_mm == in_pa
    assert in_mm.value == pytest.approx(28.5 * MM_OF_WATER_PA)
    # Only breaths are read off a column.
    assert sitting.column(*D5, "cents", 4.0, unit="mm").readings["cents"].value == 4.0
    with pytest.raises(InputError, match="has no such note"):
        sitting.column("A9", 1, "jump_pa", 280.0)
    with pytest.raises(InputError, match="outside"):
        sitting.column(*D5, "jump_pa", 1e9)
    with pytest.raises(InputError, match="there is no quantity 'colour'"):
        sitting.column(*D5, "colour", 1.0)


def test_what_was_read_counts_more_than_what_was_worked_out(sitting):
    heard = HeadHeard((note(jump_pa=(300.0, 9.0), hiss_db=(-30.0, 1.0)),), "swell.wav ab", ())
    trial = trial_of(
        sitting.model, [heard], [note(jump_pa=(280.0, 5.0))], serial="D5-0001", body="red", good=True, room_c=21.0
    )
    (d5,) = trial.notes
    assert d5.readings["jump_pa"] == Reading(280.0, 5.0)
    assert d5.readings["hiss_db"] == Reading(-30.0, 1.0)
    assert (trial.head, trial.body, trial.good, trial.temperature_c) == ("D5-0001", "red", True, 21.0)
    assert trial.sources == ("swell.wav ab", "typed")


def test_a_trial_stands_in_the_order_of_the_fingerings_and_nothing_is_none(sitting):
    typed = [note(("D6", 2), jump_pa=400.0), note(("G5", 1), jump_pa=300.0), note(D5, jump_pa=250.0)]
    trial = trial_of(sitting.model, [], typed, room_c=20.0)
    assert [(n.note, n.register) for n in trial.notes] == [D5, ("G5", 1), ("D6", 2)]
    assert trial.sources == ("typed",)
    assert trial_of(sitting.model, [HeadHeard((), "empty.wav 0", ("nothing",))], [], room_c=20.0) is None


@pytest.mark.parametrize(("kind", "kept"), [("tongued", {"cents", "attack_s"}), ("slurred", {"cents"})])
def test_pitch_is_surer_beside_a_column_and_a_slurred_note_has_no_attack(sitting, kind, kept):
    step = next(s for s in sitting.steps if s.kind == kind)
    key = step.notes[0]
    target = sitting.notes.targets_hz[key]
    playings = tuple((shifted(target, c), 0.05) for c in (-6.0, -2.0, 200.0))
    heard = HeadHeard((note(key, attack_s=(0.03, 0.005)),), "a", (), playings)
    notes = ModelNotes(sitting.notes.targets_hz, sitting.notes.comfortable_pa)
    by_feel = _with_pitch(step, heard, notes, dict.fromkeys(sitting.notes.comfortable_pa, math.nan))
    measured = _with_pitch(step, heard, notes, dict.fromkeys(sitting.notes.comfortable_pa, 200.0))
    (one,) = [n for n in by_feel.notes if (n.note, n.register) == key]
    (two,) = [n for n in measured.notes if (n.note, n.register) == key]
    assert set(one.readings) == kept
    # The third playing is another note.
    assert one.readings["cents"].value == pytest.approx(-4.0, abs=1e-6)
    own = QUANTITIES["cents"].reading
    assert two.readings["cents"].sigma == pytest.approx(own / math.sqrt(2))
    assert one.readings["cents"].sigma == pytest.approx(math.hypot(own, 5.0) / math.sqrt(2))


def test_a_trial_is_logged_as_it_is_and_read_again(sitting, ledger, events):
    typed = [note(D5, lowest_pa=(40.0, 2.0), jump_pa=(280.0, 9.0))]
    trial = trial_of(sitting.model, [], typed, serial="D5-0001", body="red", good=True, room_c=21.0)
    event = finish_head_trial(ledger, "D5-0001", sitting.model, trial, remarks="dry")
    logged = events()[-1]
    assert isinstance(logged, HeadTrialLogged)
    assert (logged.event_id, logged.body, logged.good, logged.temperature_c) == (event, "red", True, 21.0)
    assert logged.remarks == "dry"
    ((again, kept),) = read_records(ledger, "D5-0001", sitting.model).trials
    assert again == event
    assert kept.notes == trial.notes
    assert (kept.head, kept.body, kept.good, kept.temperature_c) == ("D5-0001", "red", True, 21.0)


def test_nothing_odd_is_logged(sitting, ledger, events):
    before = len(events())
    other = trial_of(load("f4-taper"), [], [note(("F4", 1), jump_pa=250.0)], room_c=20.0)
    wrong_order = trial_of(sitting.model, [], [note(D5, lowest_pa=300.0, jump_pa=250.0)], room_c=20.0)
    for trial, says in ((None, "nothing was taken yet"), (other, "has no such note"), (wrong_order, "lowest")):
        with pytest.raises(InputError, match=says):
            finish_head_trial(ledger, "D5-0001", sitting.model, trial)
    assert len(events()) == before
    check_notes(sitting.model, wrong_order)


def test_records_are_of_the_pieces_own_model(sitting, ledger):
    with pytest.raises(InputError, match="name the model of the piece") as caught:
        read_records(ledger, "D5-0001", load("f4-taper"))
    assert caught.value.field == "model"


def test_a_good_head_of_another_piece_is_a_reference_and_its_newest_trial_counts(sitting, ledger):
    begin_piece(ledger, "d5-cylinder", prefix="D5")
    for jump, good in ((250.0, True), (270.0, True), (999.0, False)):
        trial = trial_of(sitting.model, [], [note(D5, jump_pa=jump)], good=good, room_c=20.0)
        log_head_trial(ledger, "D5-0002", trial)
    (reference,) = read_records(ledger, "D5-0001", sitting.model).good
    assert reference.notes[0].readings["jump_pa"].value == 270.0
    assert read_records(ledger, "D5-0002", sitting.model).good == ()


def test_words_of_what_was_excluded_are_checks_or_causes(sitting):
    causes = causes_of(sitting.model)
    assert check_words(sitting.model, [CHECKS[0][0], causes[0].key]) == causes
    with pytest.raises(InputError, match="'luck' is not known; use dirt") as caught:
        check_words(sitting.model, ["dirt", "luck"])
    assert caught.value.field == "checked"


@pytest.mark.parametrize("steps", [0.1, 1.0, -2.5, 20.0, -20.0])
def test_usual_steps_are_made_and_taken_back(steps):
    check_steps(steps)


@pytest.mark.parametrize("steps", [0.0, 0.09, -0.05, 20.1, -21.0, math.nan, math.inf])
def test_steps_that_cannot_be_meant_are_refused(steps):
    with pytest.raises(InputError, match=r"give 0\.1 to 20") as caught:
        check_steps(steps)
    assert caught.value.field == "steps"


FORMAT = '"format": "fluewright-head-trial/1"'


@pytest.mark.parametrize(
    "text",
    [
        "", "[]", "{}", '{"notes": 3}', "\x00", "[" * 100_000, "9" * 10_000, f'{{{FORMAT}, "notes": [[1]]}}',
        f'{{{FORMAT}, "notes": [{{"note": "D5", "register": 1, "readings": []}}]}}',
        f'{{{FORMAT}, "notes": [{{"note": "D5", "register": 1e999, "readings": {{}}}}]}}',
        f'{{{FORMAT}, "notes": [{{"note": "D5", "register": 1, "readings": {{"jump_pa": [1e999, 1]}}}}]}}',
    ],
    ids=lambda text: text[:80],
)  # fmt: skip
def test_a_file_that_is_no_trial_is_refused_by_its_name(tmp_path, text):
    path = tmp_path / "odd.json"
    path.write_text(text)
    with pytest.raises(InputError, match=r"odd\.json: is no head trial"):
        read_trial_file(path)
    with pytest.raises(InputError, match=r"none\.json: there is no such file"):
        read_trial_file(tmp_path / "none.json")
