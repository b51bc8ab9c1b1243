from pathlib import Path

import pytest
from ledger_samples import begin

from fluewright.errors import LedgerError
from fluewright.ledger import Instrument, Ledger, LedgerTrouble, TroubleKind, back_up, end_mark, open_ledger, verify
from fluewright.ledger.end_mark import end_mark_path, keep_end_mark, kept_end


def test_each_commit_is_marked(ledger: Ledger, piece: Instrument) -> None:
    for step in range(3):
        event = ledger.log_measurement(piece.serial, as_built={"wall_mm": 1.0 + step})
        assert kept_end(ledger.path) == (event.event_id, event.sha256)
    assert end_mark_path(ledger.path).stat().st_mode & 0o777 == 0o600


def test_what_is_refused_leaves_the_mark(ledger: Ledger, piece: Instrument) -> None:
    before = kept_end(ledger.path)
    with pytest.raises(LedgerError):
        ledger.log_measurement(piece.serial, as_built={"wall_mm": -1.0e9})
    assert kept_end(ledger.path) == before


@pytest.mark.parametrize("content", [b"", b"7", b"7 " + b"a" * 64, b"x" * 90, b"\xff\n", b"1 2 3\n"])
def test_a_damaged_mark_is_no_mark(path: Path, content: bytes) -> None:
    end_mark_path(path).write_bytes(content)
    assert kept_end(path) is None


def test_a_last_line_that_was_cut_off_leaves_the_one_before(path: Path) -> None:
    keep_end_mark(path, 7, "ab" * 32)
    keep_end_mark(path, 8, "cd" * 32)
    mark = end_mark_path(path)
    mark.write_bytes(mark.read_bytes()[:-9])
    assert kept_end(path) == (7, "ab" * 32)


def test_a_mark_that_has_grown_long_begins_anew(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(end_mark, "_LONGEST", 500)
    for number in range(1, 30):
        keep_end_mark(path, number, f"{number:064x}")
        assert kept_end(path) == (number, f"{number:064x}")
        assert end_mark_path(path).stat().st_size <= 500


def test_a_mark_is_not_written_through_a_link(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_text("kept")
    end_mark_path(path).symlink_to(other)
    keep_end_mark(path, 7, "ab" * 32)
    assert other.read_text() == "kept"


def test_commits_lost_with_a_removed_log_are_missed(ledger: Ledger, tmp_path: Path) -> None:
    """A program that was killed leaves its last commits in the log; without it the file alone looks whole."""
    serial = begin(ledger).serial
    ledger.log_measurement(serial, as_built={"wall_mm": 2.0})
    alone = tmp_path / "alone" / "shop.ledger"
    alone.parent.mkdir()
    alone.write_bytes(ledger.path.read_bytes())  # as it is without its log
    assert verify(alone).clean
    end_mark_path(alone).write_bytes(end_mark_path(ledger.path).read_bytes())
    assert verify(alone).findings == ("event 3 was written down, but the ledger ends at 0",)
    with pytest.raises(LedgerTrouble, match="not whole"):
        back_up(alone, tmp_path / "copy")
    with open_ledger(alone) as behind:
        assert behind.instruments() == []
        with pytest.raises(LedgerTrouble, match=r"there were 3: the last ones are missing") as told:
            behind.next_serial("D5")
    assert told.value.kind is TroubleKind.BEHIND


def test_a_ledger_that_is_gone_is_not_begun_anew(ledger: Ledger, piece: Instrument) -> None:
    ledger.close()
    ledger.path.unlink()
    with pytest.raises(LedgerTrouble, match=r"shop\.ledger\.end beside it says that there was one") as told:
        open_ledger(ledger.path)
    assert told.value.kind is TroubleKind.MISSING
    assert not ledger.path.exists()
    end_mark_path(ledger.path).unlink()
    with open_ledger(ledger.path) as new:
        assert new.next_serial("D5") == "D5-0001"


def test_an_older_ledger_without_a_mark_gets_one(ledger: Ledger, piece: Instrument) -> None:
    ledger.close()
    end_mark_path(ledger.path).unlink()
    with open_ledger(ledger.path) as again:
        assert kept_end(ledger.path) == again.newest_event()
