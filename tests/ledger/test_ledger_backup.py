import hashlib
from pathlib import Path

import pytest

from fluewright.errors import LedgerError
from fluewright.ledger import Instrument, Ledger, back_up, open_ledger, verify


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
    with pytest.raises(LedgerError, match="restore a backup"):
        open_ledger(target)
