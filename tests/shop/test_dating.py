from datetime import UTC, datetime, timedelta

import pytest

from fluewright.errors import InputError
from fluewright.ledger import Trial, open_ledger, values, verify
from fluewright.shop.dating import correct_trial_time

NOTE = {
    "note": "D5", "register": 1, "target_hz": 590.0, "frequency_hz": 588.3, "frequency_uncertainty_hz": 0.05,
    "cents": -5.0,
}  # fmt: skip


@pytest.fixture
def ahead(ledger, monkeypatch):
    """A trial that was logged while the clock ran a year ahead; returns its event."""
    with monkeypatch.context() as patch, open_ledger(ledger) as book:
        patch.setattr(values, "_CLOCK_SLACK", timedelta(days=400))
        return book.log_trial(
            "D5-0001", taken_at=datetime.now(UTC) + timedelta(days=365), temperature_c=20.0, relative_humidity=0.5,
            recording_sha256="ab" * 32, recording_name="a.wav", analysis_version="1", notes=[NOTE], as_built={},
        ).event_id  # fmt: skip


def test_a_trial_dated_by_a_clock_that_ran_ahead_is_put_right(ledger, ahead):
    right = datetime.now(UTC) - timedelta(hours=2)
    correct_trial_time(ledger, "D5-0001", ahead, taken_at=right.isoformat(), reason="clock")
    with open_ledger(ledger) as book:
        trial = book.event(ahead)
    assert isinstance(trial, Trial)
    assert trial.taken_at == right
    assert verify(ledger).clean


def test_anything_else_in_it_is_put_right_too(ledger, ahead):
    with open_ledger(ledger) as book:
        book.correct(ahead, reason="misread", replacement={"temperature_c": 22.0})
        trial = book.event(ahead)
        assert trial.temperature_c == 22.0
        assert trial.taken_at > datetime.now(UTC)
        with pytest.raises(InputError, match="still to come"):
            book.correct(ahead, reason="x", replacement={"taken_at": datetime.now(UTC) + timedelta(days=2)})


def test_only_a_trial_of_the_piece_has_a_time(ledger, ahead):
    with pytest.raises(InputError, match="is no trial of D5-0001"):
        correct_trial_time(ledger, "D5-0001", 1, taken_at="2024-03-05T09:00:00+01:00", reason="clock")
