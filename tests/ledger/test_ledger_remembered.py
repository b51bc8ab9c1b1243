"""One more event costs one more event, and what is remembered is what a fresh reading gives."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from ledger_samples import begin
from sqlalchemy.event import listen

from fluewright.ledger import Event, Instrument, Ledger, open_ledger, remembered


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many events each look read from the file."""
    counts: list[int] = []
    real = remembered.event_rows

    def counted(session, serial, *, after=0):
        rows = real(session, serial, after=after)
        counts.append(len(rows))
        return rows

    monkeypatch.setattr(remembered, "event_rows", counted)
    return counts


def anew(ledger: Ledger, serial: str, monkeypatch: pytest.MonkeyPatch) -> list[Event]:
    with monkeypatch.context() as patch:
        patch.setattr(remembered, "_pieces", type(remembered._pieces)())
        return ledger.history(serial)


def test_only_what_came_since_is_read(ledger: Ledger, piece: Instrument, read: list[int], monkeypatch) -> None:
    for step in range(30):
        ledger.log_measurement(piece.serial, as_built={"wall_mm": 1.0 + step})
        assert len(ledger.history(piece.serial)) == step + 2
    assert read == [2] + [1] * 29
    assert ledger.history(piece.serial) == anew(ledger, piece.serial, monkeypatch)


def test_a_correction_changes_what_followed_it(ledger: Ledger, piece: Instrument, cut_said: dict, monkeypatch) -> None:
    cut = ledger.log_cut(piece.serial, **cut_said)
    for step in range(3):
        ledger.log_measurement(piece.serial, as_built={"wall_mm": 1.0 + step})
        ledger.history(piece.serial)
    ledger.correct(cut.event_id, reason="misread", replacement={"after_mm": 6.35})
    events = ledger.history(piece.serial)
    assert events == anew(ledger, piece.serial, monkeypatch)
    assert events[-2].as_built_after["hole 3 diameter_mm"] == 6.35
    assert events[1].corrected
    ledger.log_measurement(piece.serial, as_built={"wall_mm": 9.0})
    assert ledger.history(piece.serial) == anew(ledger, piece.serial, monkeypatch)


def test_another_ledger_under_the_same_name_is_read_anew(path: Path, blank: Path) -> None:
    for wall_mm in (1.0, 2.0):
        for one in path.parent.glob("shop.ledger*"):
            one.unlink()
        shutil.copyfile(blank, path)
        with open_ledger(path) as ledger:
            serial = begin(ledger).serial
            ledger.log_measurement(serial, as_built={"wall_mm": wall_mm})
            assert ledger.history(serial)[-1].as_built_after["wall_mm"] == wall_mm


def test_a_list_that_was_given_out_is_the_caller_s_own(ledger: Ledger, piece: Instrument) -> None:
    ledger.history(piece.serial).clear()
    assert len(ledger.history(piece.serial)) == 1


def test_old_pieces_are_forgotten_before_memory_grows(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(remembered, "_MOST_EVENTS", 5)
    serials = [begin(ledger).serial for _ in range(12)]
    assert [len(ledger.history(serial)) for serial in serials] == [1] * 12
    assert sum(len(piece.rows) for piece in remembered._pieces.values()) <= 5


def test_a_cut_walks_through_no_list_of_events(ledger: Ledger, piece: Instrument, cut_said: dict) -> None:
    """Every look at the events is by number, or by piece and kind, so that it does not grow with the history."""
    asked: list[tuple[str, tuple]] = []
    listen(ledger._engine, "before_cursor_execute", lambda *said: asked.append((said[2], said[3])))
    ledger.log_cut(piece.serial, **cut_said)
    looks = [(text, given) for text, given in asked if text.startswith("SELECT") and "FROM events" in text]
    assert len(looks) >= 3
    with closing(sqlite3.connect(ledger.path)) as plain:
        for text, given in looks:
            plan = [row[3] for row in plain.execute(f"EXPLAIN QUERY PLAN {text}", given)]
            by_kind = "SEARCH events USING INDEX ix_events_serial_kind_id (serial=? AND kind=?)" in plan[0]
            assert by_kind or "LIMIT" in text, (text, plan)
