"""The history of pieces in words, and the search through it."""

import pytest

from fluewright.errors import LedgerError
from fluewright.ledger import Trial
from fluewright.shop.cutting import correct_cut, record_cut
from fluewright.shop.history import event_words, find_pieces, history_rows, overview
from fluewright.shop.pieces import begin_piece, measure_piece, set_state
from fluewright.shop.sitting import play, sit_down


@pytest.fixture
def worked(ledger, known, take_of):
    """A piece that went through everything."""
    measure_piece(
        ledger, "D5-0001", {"holes.3.diameter_mm": 7.0, "head.ramp_angle_deg": 15.5}, remarks="after drilling"
    )
    play(sit_down(ledger, "D5-0001", known=known), [take_of(-12.0, name="first.wav")])
    cut = record_cut(
        sit_down(ledger, "D5-0001", known=known),
        key="holes.3.diameter_mm",
        after_mm=7.9,
        tool="reamer",
        reason="A5 flat",
    )
    correct_cut(ledger, "D5-0001", cut.event, after_mm=7.2, reason="misread")
    set_state(ledger, "D5-0001", "tuned", reason="sings")
    return ledger


def test_every_event_stands_in_one_line_of_plain_words(worked):
    rows = history_rows(worked, "D5-0001")
    assert [r.what for r in rows] == ["begun", "measurement", "trial", "cut", "correction", "state"]
    begun, measured, trial, cut, correction, state = rows
    assert begun.says == "d5-cylinder, version 1, plum wood, lot 7"
    assert measured.says == "ramp angle 15.50 deg, hole 3 diameter 7.00 mm (after drilling)"
    assert trial.says.startswith("13 notes from first.wav, worst of register 1 \u2212")
    assert trial.says.endswith(" cents")
    assert cut.says == "hole 3 diameter: 7.00 to 7.20 mm (first written 7.90), reamer, A5 flat"
    assert (cut.corrected, cut.after_mm, cut.recording) == (True, 7.2, "")
    assert correction.says == f"event {cut.event}: misread"
    assert state.says == "tuned: sings"
    assert len(trial.recording) == 64
    assert [r.event for r in rows] == sorted(r.event for r in rows)
    assert all(r.when.tzinfo is not None for r in rows)


def test_the_worst_note_of_a_trial_is_of_register_1(events, known, take_of):
    odd = {"G5": 9.0, "B6": -20.0}
    play(known, [take_of(-4.0, odd=odd)])
    trial = events()[-1]
    assert isinstance(trial, Trial)
    worst = max((n.cents for n in trial.notes if n.register == 1), key=abs)
    assert f"{abs(worst):.1f} cents" in event_words(trial)


def test_many_sizes_are_counted_and_not_all_listed(ledger, model):
    measure_piece(ledger, "D5-0001", {f"holes.{h.name}.position_mm": h.position_mm for h in model.holes} | {
        "length_mm": 264.0, "holes.1.diameter_mm": 7.0})  # fmt: skip
    says = history_rows(ledger, "D5-0001")[-1].says
    assert says.startswith("hole 1 diameter 7.00 mm, hole 1 position ")
    assert says.endswith(" mm and 2 more")
    assert says.count(" mm") == 6


def test_six_sizes_are_listed_and_of_seven_one_more_is_counted(ledger, model):
    keys = [f"holes.{h.name}.position_mm" for h in model.holes]
    sizes = {key: h.position_mm for key, h in zip(keys, model.holes, strict=True)}
    measure_piece(ledger, "D5-0001", sizes)
    assert "more" not in history_rows(ledger, "D5-0001")[-1].says
    measure_piece(ledger, "D5-0001", {**sizes, "length_mm": 264.0})
    assert history_rows(ledger, "D5-0001")[-1].says.endswith(" mm and 1 more")


def test_an_unknown_piece_has_no_history(ledger):
    with pytest.raises(LedgerError, match="D5-0099"):
        history_rows(ledger, "D5-0099")


@pytest.mark.parametrize(
    ("wanted", "state", "found"),
    [
        ("", "", ["D5-0002", "D5-0001"]),
        ("PLUM", "", ["D5-0001"]),
        ("reamer flat", "", ["D5-0001"]),
        ("reamer maple", "", []),
        ("first.wav", "", ["D5-0001"]),
        ("", "tuned", ["D5-0001"]),
        ("", "in work", ["D5-0002"]),
        ("d5-0002", "", ["D5-0002"]),
        ("maple", "tuned", []),
    ],
)
def test_pieces_are_found_by_every_word_of_their_records(worked, wanted, state, found):
    begin_piece(worked, "d5-cylinder", prefix="D5", material="maple")
    assert [f.piece.serial for f in find_pieces(worked, wanted, state)] == found


def test_a_found_piece_is_counted_up(worked):
    (found,) = find_pieces(worked)
    assert (found.trials, found.cuts, found.head_trials) == (1, 1, 0)
    assert found.last == max(r.when for r in history_rows(worked, "D5-0001"))


def test_the_overview_names_models_and_pieces_as_they_are(worked):
    told = overview(worked)
    assert [(m["name"], m["version"]) for m in told["models"]] == [("d5-cylinder", 1)]
    (piece,) = told["instruments"]
    assert (piece["serial"], piece["model"], piece["version"], piece["state"]) == ("D5-0001", "d5-cylinder", 1, "tuned")
    assert piece["as_built"]["holes.3.diameter_mm"] == 7.2
