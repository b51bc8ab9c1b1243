import pytest
from ledger_samples import AS_BUILT, a_note

from fluewright.errors import LedgerError
from fluewright.ledger import Correction, Cut, Instrument, Ledger, Trial, verify


def test_the_original_stays_and_the_view_shows_the_corrected_value(
    ledger: Ledger, piece: Instrument, trial_said: dict
) -> None:
    trial = ledger.log_trial(piece.serial, **trial_said)
    correction = ledger.correct(
        trial.event_id,
        reason="the dial was misread",
        replacement={"temperature_c": 22, "breath_pa": None, "notes": [a_note(cents=-6)]},
    )
    seen = ledger.event(trial.event_id)
    assert isinstance(seen, Trial)
    assert seen.corrected
    assert seen.corrected_by == (correction.event_id,)
    assert (seen.temperature_c, seen.breath_pa, seen.notes) == (22.0, None, (a_note(cents=-6.0),))
    assert seen.originals["temperature_c"] == 21.5
    assert set(seen.originals) == {"temperature_c", "breath_pa", "notes"}
    assert seen.sha256 == trial.sha256
    assert correction.replacement["temperature_c"] == 22.0
    # A second correction goes over the first, the first record remains the original.
    ledger.correct(trial.event_id, reason="once more", replacement={"temperature_c": 23})
    again = ledger.event(trial.event_id)
    assert isinstance(again, Trial)
    assert (again.temperature_c, again.originals["temperature_c"], len(again.corrected_by)) == (23.0, 21.5, 2)
    assert verify(ledger.path).clean


def test_a_corrected_cut_moves_the_present_size_and_what_copied_it(
    ledger: Ledger, piece: Instrument, cut_said: dict, trial_said: dict
) -> None:
    cut = ledger.log_cut(piece.serial, **cut_said)
    full = dict(ledger.as_built(piece.serial))
    trial = ledger.log_trial(piece.serial, **(trial_said | {"as_built": full}))
    correction = ledger.correct(cut.event_id, reason="gauge misread", replacement={"after_mm": 6.30})
    assert correction.as_built_before["hole 3 diameter_mm"] == 6.40
    assert correction.as_built_after["hole 3 diameter_mm"] == 6.30
    assert ledger.as_built(piece.serial) == AS_BUILT | {"hole 3 diameter_mm": 6.30}
    assert ledger.event(trial.event_id).as_built_after["hole 3 diameter_mm"] == 6.30
    ledger.log_cut(piece.serial, **(cut_said | {"before_mm": 6.30, "after_mm": 6.50}))
    assert ledger.as_built(piece.serial)["hole 3 diameter_mm"] == 6.50


def test_a_later_reading_of_its_own_outlasts_a_correction_of_an_earlier_one(
    ledger: Ledger, piece: Instrument, cut_said: dict
) -> None:
    cut = ledger.log_cut(piece.serial, **cut_said)
    ledger.log_measurement(piece.serial, as_built={"hole 3 diameter_mm": 6.38})
    ledger.correct(cut.event_id, reason="gauge misread", replacement={"after_mm": 6.30})
    assert ledger.as_built(piece.serial)["hole 3 diameter_mm"] == 6.38


def test_a_cut_at_the_wrong_hole_goes_to_the_right_one(ledger: Ledger, piece: Instrument, cut_said: dict) -> None:
    full = AS_BUILT | {"hole 3 diameter_mm": 6.40}
    cut = ledger.log_cut(piece.serial, **(cut_said | {"as_built_after": full}))
    right = {"feature": "hole 4 diameter_mm", "before_mm": 7.10, "after_mm": 7.30}
    ledger.correct(cut.event_id, reason="it was hole 4", replacement=right)
    assert ledger.as_built(piece.serial) == AS_BUILT | {"hole 4 diameter_mm": 7.30}
    seen = ledger.event(cut.event_id)
    assert isinstance(seen, Cut)
    assert (seen.feature, seen.before_mm, seen.after_mm) == ("hole 4 diameter_mm", 7.10, 7.30)
    assert verify(ledger.path).clean


def test_a_misspelled_size_is_taken_away(ledger: Ledger, piece: Instrument) -> None:
    measured = ledger.log_measurement(piece.serial, as_built={"hole 5 diametr_mm": 5.0})
    ledger.log_measurement(piece.serial, as_built=ledger.as_built(piece.serial))
    ledger.correct(
        measured.event_id,
        reason="misspelled",
        replacement={"as_built": {"hole 5 diametr_mm": None, "hole 5 diameter_mm": 5.0}},
    )
    assert ledger.as_built(piece.serial) == AS_BUILT | {"hole 5 diameter_mm": 5.0}


def test_the_start_of_a_piece_is_corrected(ledger: Ledger, piece: Instrument, cut_said: dict) -> None:
    begun = ledger.history(piece.serial)[0]
    cut = ledger.log_cut(piece.serial, **cut_said)
    with pytest.raises(LedgerError, match=r"is 6\.20 in the ledger, the cut says it began at 6\.25"):
        ledger.correct(cut.event_id, reason="misread", replacement={"before_mm": 6.25})
    replacement = {"material": "pear wood", "as_built": {"hole 3 diameter_mm": 6.25}}
    ledger.correct(begun.event_id, reason="wrong label", replacement=replacement)
    ledger.correct(cut.event_id, reason="misread", replacement={"before_mm": 6.25})
    now = ledger.instrument(piece.serial)
    assert now.material == "pear wood"
    assert now.as_built["hole 3 diameter_mm"] == 6.40
    seen = ledger.event(cut.event_id)
    assert seen.as_built_before["hole 3 diameter_mm"] == 6.25


def test_corrections_that_cannot_be(ledger: Ledger, piece: Instrument, trial_said: dict, cut_said: dict) -> None:
    trial = ledger.log_trial(piece.serial, **trial_said)
    cut = ledger.log_cut(piece.serial, **cut_said)
    correction = ledger.correct(trial.event_id, reason="misread", replacement={"temperature_c": 22})
    assert isinstance(correction, Correction)
    head = ledger.newest_event()
    for event_id, replacement, says in (
        (trial.event_id, {"temperature_c": 22}, "says so already"),
        (trial.event_id, {}, "give the right values"),
        (trial.event_id, {"model_name": "x"}, "has no model_name to correct: use taken_at"),
        (trial.event_id, {"temperature_c": float("nan")}, "finite"),
        (trial.event_id, {"model_version": 5}, "no version 5"),
        (trial.event_id, {"as_built": {"nothing_mm": None}}, "states no size"),
        (trial.event_id, {"as_built": 3}, "not a mapping"),
        (cut.event_id, {"after_mm": 6.20}, "a cut changes a size"),
        (cut.event_id, {"after_mm": 6.3, "as_built_after": {"hole 3 diameter_mm": 6.5}}, "give one value"),
        (correction.event_id, {"temperature_c": 23}, f"correct event {trial.event_id} once more"),
        (1, {"name": "x"}, "next version"),
        (99, {"temperature_c": 23}, "There is no event 99"),
        ("x", {"temperature_c": 23}, "not a whole number"),
    ):
        with pytest.raises(LedgerError, match=says):
            ledger.correct(event_id, reason="try", replacement=replacement)  # type: ignore[arg-type]
    with pytest.raises(LedgerError, match="reason: is empty"):
        ledger.correct(trial.event_id, reason="", replacement={"temperature_c": 25})
    assert ledger.newest_event() == head
