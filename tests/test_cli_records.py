"""The verbs that keep the records: going back to a copy, the time of a trial, what is wrong told in one line."""

import sys
from datetime import UTC, datetime, timedelta

import pytest

from fluewright.cli import main
from fluewright.ledger import open_ledger, verify
from fluewright.shop.pieces import begin_piece


@pytest.fixture
def say(monkeypatch, capsys, tmp_path):
    def run(*words):
        monkeypatch.setattr(
            sys, "argv", ["fluewright", "ledger", *map(str, words), "--ledger", str(tmp_path / "shop.ledger")]
        )
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        return ended.value.code or 0, out, err

    return run


@pytest.fixture
def ledger(tmp_path):
    path = tmp_path / "shop.ledger"
    begin_piece(path, "d5-cylinder", prefix="D5")
    return path


def test_a_copy_is_restored_and_what_was_there_is_named(say, ledger, tmp_path):
    assert say("backup", tmp_path / "copy")[0] == 0
    begin_piece(ledger, "d5-cylinder", prefix="D5")
    code, out, _ = say("restore", tmp_path / "copy")
    assert code == 0
    (aside,) = tmp_path.glob("shop-before-restore-*")
    assert out == f"what was there is kept in {aside}\n{ledger}: restored and whole, 2 events\n"
    assert verify(aside / "shop.ledger").instruments == 2
    assert "D5-0002" not in say("show")[1]
    code, _, err = say("restore", tmp_path / "none")
    assert (code, err.count("\n")) == (2, 1)
    assert "no ledger at" in err


def test_a_ledger_cut_to_nothing_is_told_and_restored(say, ledger, tmp_path):
    say("backup", tmp_path / "copy")
    ledger.write_bytes(b"")
    for words in (("show",), ("verify",), ("begin", "d5-cylinder", "--prefix", "D5"), ("add-model", "f4-taper")):
        code, _, err = say(*words)
        assert code == 2
        assert "is empty, not a ledger" in err
    assert ledger.read_bytes() == b""
    assert say("restore", tmp_path / "copy")[0] == 0
    assert say("begin", "d5-cylinder", "--prefix", "D5")[1] == "D5-0002\n"


def test_the_time_of_a_trial_is_put_right(say, ledger):
    right = datetime.now(UTC) - timedelta(days=1)
    with open_ledger(ledger) as book:
        trial = book.log_trial(
            "D5-0001", temperature_c=20.0, relative_humidity=0.5, recording_sha256="ab" * 32, recording_name="a.wav",
            analysis_version="1", notes=[], as_built={},
        )  # fmt: skip
    given = ("correct-time", "D5-0001", trial.event_id, right.isoformat(), "--reason", "clock a day ahead")
    assert say(*given)[1] == f"event {trial.event_id + 1}\n"
    with open_ledger(ledger) as book:
        assert book.event(trial.event_id).taken_at == right
    code, _, err = say("correct-time", "D5-0001", 1, right.isoformat(), "--reason", "clock")
    assert code == 2
    assert "is no trial of D5-0001" in err


def test_a_missing_recording_makes_the_records_not_whole(say, ledger, tmp_path):
    folder = tmp_path / "shop.ledger.web" / "recordings"
    folder.mkdir(parents=True)
    (folder / "kept.list").write_text("ab" * 32 + "\n")
    code, out, _ = say("verify")
    assert code == 1
    assert out == f"recording {'ab' * 6} is missing from {folder}\n"
