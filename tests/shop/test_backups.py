"""Copies beside the ledger: never one in the place of another, and how far the newest is behind."""

import os
from datetime import UTC, datetime

import pytest

from fluewright.errors import InputError
from fluewright.ledger import open_ledger
from fluewright.shop.backups import backup_folder, backup_state, make_backup
from fluewright.shop.pieces import begin_piece, measure_piece


def test_a_ledger_without_a_copy_stands_alone(ledger):
    state = backup_state(ledger)
    assert (state.copies, state.newest) == (0, None)
    assert state.events == state.behind == 2
    assert state.says == "No copy yet: all 2 events stand on this file alone."
    assert not backup_folder(ledger).exists()


def test_a_copy_is_the_ledger_as_it_stood(ledger, tmp_path):
    copy = make_backup(ledger)
    assert copy.parent == backup_folder(ledger) == tmp_path / "shop-copies"
    assert copy.name.startswith("shop-")
    assert copy.suffix == ".ledger"
    measure_piece(ledger, "D5-0001", {"length_mm": 264.0})
    with open_ledger(copy) as book:
        assert dict(book.as_built("D5-0001")) == {}
        assert len(book.history("D5-0001")) == 1


def test_copies_of_one_second_stand_side_by_side(ledger):
    made = [make_backup(ledger) for _ in range(4)]
    assert len(set(made)) == 4
    assert all(path.is_file() for path in made)
    assert backup_state(ledger).copies == 4


def test_what_the_newest_copy_lacks_is_counted_in_events(ledger):
    make_backup(ledger)
    assert backup_state(ledger).says.endswith("; it lacks nothing.")
    begin_piece(ledger, "d5-cylinder", prefix="D5")
    measure_piece(ledger, "D5-0002", {"length_mm": 264.0})
    state = backup_state(ledger)
    assert (state.events, state.behind) == (4, 2)
    assert state.says.endswith("; it lacks the last 2 of 4 events.")
    make_backup(ledger)
    assert backup_state(ledger).behind == 0


def test_the_newest_copy_is_the_last_one_made_whatever_it_is_called(ledger):
    first = make_backup(ledger)
    begin_piece(ledger, "d5-cylinder", prefix="D5")
    second = make_backup(ledger)
    os.utime(first, (1_700_000_000, 1_700_000_000))
    os.utime(second, (1_600_000_000, 1_600_000_000))
    state = backup_state(ledger)
    assert state.newest == datetime.fromtimestamp(1_700_000_000, UTC)
    assert state.behind == 1
    assert state.says.startswith("Last copied 2023-11-14 22:13 UTC; ")


def test_only_whole_copies_count(ledger):
    make_backup(ledger)
    folder = backup_folder(ledger)
    (folder / ".half-written.ledger").write_bytes(b"SQLite")
    (folder / "notes.txt").write_text("mine")
    assert backup_state(ledger).copies == 1


def test_a_copy_that_cannot_be_read_any_more_holds_nothing(ledger):
    make_backup(ledger).write_bytes(b"")
    state = backup_state(ledger)
    assert state.behind == state.events == 2


def test_a_copy_that_is_ahead_of_an_older_ledger_lacks_nothing(ledger):
    """As after an older copy was put in the ledger's place."""
    old = make_backup(ledger).read_bytes()
    begin_piece(ledger, "d5-cylinder", prefix="D5")
    make_backup(ledger)
    ledger.write_bytes(old)
    assert backup_state(ledger).behind == 0


def test_a_folder_that_cannot_be_made_is_named(ledger):
    backup_folder(ledger).write_text("a file where the folder should be")
    with pytest.raises(InputError, match=r"shop-copies: cannot be made .*; check that you may write there"):
        make_backup(ledger)
