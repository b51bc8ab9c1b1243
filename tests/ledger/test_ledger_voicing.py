import pytest
from ledger_samples import ADJUSTMENT, HEAD_TRIAL

from fluewright.errors import LedgerError
from fluewright.ledger import AdjustmentMade, HeadTrialLogged, Instrument, Ledger, verify


def test_head_trials_and_adjustments_come_back_as_logged(ledger: Ledger, piece: Instrument) -> None:
    trial = ledger.log_head_trial(piece.serial, **HEAD_TRIAL)
    made = ledger.log_adjustment(piece.serial, **ADJUSTMENT)
    assert isinstance(trial, HeadTrialLogged)
    assert (trial.body, trial.good, trial.readings) == ("good body", True, HEAD_TRIAL["readings"])
    assert (trial.model_name, trial.model_version, trial.person) == ("d5-cylinder", 1, "bench 1")
    assert isinstance(made, AdjustmentMade)
    assert (made.adjustment, made.steps, made.changes) == ("block-forward", 2.0, {"block_depth_mm": 0.2})
    assert made.forecast == ADJUSTMENT["forecast"]
    assert ledger.as_built(piece.serial)["block_depth_mm"] == 0.05
    assert ledger.as_built(piece.serial)["window_length_mm"] == 4.6
    assert ledger.voicing(model_name="d5-cylinder") == [trial, made]
    assert ledger.history(piece.serial)[-2:] == [trial, made]
    assert verify(ledger.path).clean


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"good": 1}, "good: is 1, not yes or no"),
        ({"temperature_c": 80.0}, "outside -20 to 60 degC"),
        ({"readings": {"notes": []}}, "names its format"),
        ({"readings": {"format": "a/1", "x": float("nan")}}, "not a finite number"),
        ({"model_version": 7}, "has no version 7"),
        ({"analysis_version": ""}, "analysis_version: is empty"),
    ],
)
def test_head_trials_that_cannot_be(ledger: Ledger, piece: Instrument, wrong: dict, says: str) -> None:
    with pytest.raises(LedgerError, match=says):
        ledger.log_head_trial(piece.serial, **(HEAD_TRIAL | wrong))
    assert ledger.voicing() == []


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"steps": 0}, "steps: is 0"),
        ({"steps": 200}, "outside -100 to 100"),
        ({"changes": {"block_depth": 0.1}}, "does not end with its unit"),
        ({"changes": [0.1]}, "not a mapping"),
        ({"forecast": 3}, "not a mapping"),
        ({"adjustment": " "}, "adjustment: is empty"),
    ],
)
def test_adjustments_that_cannot_be(ledger: Ledger, piece: Instrument, wrong: dict, says: str) -> None:
    with pytest.raises(LedgerError, match=says):
        ledger.log_adjustment(piece.serial, **(ADJUSTMENT | wrong))
    assert ledger.voicing() == []


def test_nothing_is_voiced_on_a_scrapped_piece(ledger: Ledger, piece: Instrument) -> None:
    ledger.set_state(piece.serial, "scrapped", "cracked")
    with pytest.raises(LedgerError, match="nothing is voiced on it any more"):
        ledger.log_adjustment(piece.serial, **ADJUSTMENT)


def test_a_head_trial_is_corrected_by_a_new_event(ledger: Ledger, piece: Instrument) -> None:
    trial = ledger.log_head_trial(piece.serial, **HEAD_TRIAL)
    ledger.correct(trial.event_id, reason="not a good one", replacement={"good": False})
    seen = ledger.event(trial.event_id)
    assert isinstance(seen, HeadTrialLogged)
    assert not seen.good
    assert seen.originals == {"good": True}
    assert verify(ledger.path).clean
