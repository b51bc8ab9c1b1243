import hashlib
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from fluewright.errors import LedgerError
from fluewright.ledger import Instrument, Ledger, back_up, backup, open_ledger, verify


def test_a_backup_of_an_open_ledger_stands_alone(
    ledger: Ledger, piece: Instrument, cut_said: dict, tmp_path: Path
) -> None:
    target = tmp_path / "copy" / "shop.backup"
    target.parent.mkdir()
    report = back_up(ledger.path, target)
    ledger.log_cut(piece.serial, **cut_said)
    assert [entry.name for entry in target.parent.iterdir()] == ["shop.backup"]
    assert report.sha256 == hashlib.sha256(target.read_bytes()).hexdigest()
    assert (report.size_bytes, report.events) == (target.stat().st_size, 2)
    assert report.last_event_sha256 == verify(target).last_event_sha256
    assert verify(target).clean
    with open_ledger(target, create=False) as restored:
        assert restored.instrument(piece.serial) == piece
        restored.log_cut(piece.serial, **cut_said)
    assert verify(target).clean


def test_a_backup_overwrites_nothing_and_leaves_nothing_behind(path: Path, tmp_path: Path) -> None:
    target = tmp_path / "kept"
    target.write_text("kept")
    with pytest.raises(LedgerError, match="not overwritten"):
        back_up(path, target)
    assert target.read_text() == "kept"
    with pytest.raises(LedgerError, match="no ledger at"):
        back_up(tmp_path / "none", tmp_path / "copy")
    with pytest.raises(LedgerError, match="no folder"):
        back_up(path, tmp_path / "nowhere" / "copy")
    with pytest.raises(LedgerError, match="not a ledger"):
        back_up(target, tmp_path / "copy")
    assert not list(tmp_path.glob("*copy*"))


def test_a_damaged_ledger_is_not_copied(ledger: Ledger, piece: Instrument, tmp_path: Path) -> None:
    ledger.close()
    target = tmp_path / "whole"
    back_up(ledger.path, target)
    damaged = bytearray(target.read_bytes())
    for page in range(4096, len(damaged), 4096):
        damaged[page : page + 64] = b"\xa5" * 64
    target.write_bytes(damaged)
    with pytest.raises(LedgerError, match="damaged"):
        back_up(target, tmp_path / "copy")
    assert not list(tmp_path.glob("*copy*"))
    assert not verify(target).clean
    with pytest.raises(LedgerError, match="restore a copy"):
        open_ledger(target)


def names_in(folder: Path) -> list[str]:
    """Return the names of a folder's files; what SQLite lays beside a ledger while it is read does not count."""
    return sorted(entry.name for entry in folder.iterdir() if not entry.name.endswith(("-wal", "-shm")))


def test_a_copy_is_one_file_and_its_report_describes_it(path: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.ledger"
    left_over = tmp_path / ".copy.ledger.unfinished"
    left_over.write_text("of a program that was killed")
    os.utime(left_over, (1.0, 1.0))
    at_work = tmp_path / ".copy.ledger.1.unfinished"
    at_work.write_text("of a program that is at work")
    report = back_up(str(path), str(target))
    assert (report.path, report.events, report.last_event_sha256) == (target, 0, "")
    assert report.size_bytes == target.stat().st_size
    assert report.sha256 == hashlib.sha256(target.read_bytes()).hexdigest()
    with closing(sqlite3.connect(target)) as plain:
        assert plain.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    at_work.unlink()
    assert names_in(tmp_path) == [target.name, path.name]


def test_a_report_names_the_newest_event(ledger: Ledger, piece: Instrument, tmp_path: Path) -> None:
    report = back_up(ledger.path, tmp_path / "copy")
    assert (report.events, report.last_event_sha256) == ledger.newest_event()


def test_there_is_nothing_to_back_up_in_an_empty_file(tmp_path: Path) -> None:
    (tmp_path / "empty").touch()
    with pytest.raises(LedgerError, match="empty is empty, not a ledger"):
        back_up(tmp_path / "empty", tmp_path / "copy")
    assert names_in(tmp_path) == ["empty"]


def test_a_file_that_comes_meanwhile_is_not_overwritten(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "copy"
    digest = hashlib.file_digest

    def while_another_program_writes(*args):
        target.write_text("kept")
        return digest(*args)

    monkeypatch.setattr(backup.hashlib, "file_digest", while_another_program_writes)
    with pytest.raises(LedgerError, match="copy exists already and is not overwritten: choose another name"):
        back_up(path, target)
    assert target.read_text() == "kept"
    assert names_in(tmp_path) == ["copy", path.name]


def test_what_the_disk_refuses_is_told(path: Path, tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match=r"could not be written \(File name too long\): the disk did not"):
        back_up(path, tmp_path / ("x" * 240))
    assert names_in(tmp_path) == [path.name]


def test_an_index_that_is_damaged_stops_a_copy(ledger: Ledger, piece: Instrument, tmp_path: Path) -> None:
    """Everything could still be read, so only SQLite's own test finds it."""
    whole = tmp_path / "whole"
    back_up(ledger.path, whole)
    with closing(sqlite3.connect(whole)) as plain:
        (page,) = plain.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ix_events_serial_id'").fetchone()
        (page_size,) = plain.execute("PRAGMA page_size").fetchone()
    content = bytearray(whole.read_bytes())
    content[(page - 1) * page_size + 3 : (page - 1) * page_size + 5] = (0).to_bytes(2, "big")
    whole.write_bytes(content)
    with pytest.raises(LedgerError, match=r"(?s)whole is not whole, the copy was thrown away \(.*\): keep"):
        back_up(whole, tmp_path / "copy")
    assert not list(tmp_path.glob("*copy*"))
