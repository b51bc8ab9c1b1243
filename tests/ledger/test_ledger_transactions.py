import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from ledger_samples import MODEL, begin

from fluewright.errors import LedgerError
from fluewright.ledger import Instrument, Ledger, connection, open_ledger, verify


def test_an_empty_ledger_has_no_newest_event(ledger: Ledger) -> None:
    assert ledger.newest_event() == (0, "0" * 64)


def test_the_newest_event_is_the_last_one_written(ledger: Ledger, piece: Instrument) -> None:
    for wall_mm in (1.0, 2.0):
        made = ledger.log_measurement(piece.serial, as_built={"wall_mm": wall_mm})
        assert ledger.newest_event() == (made.event_id, made.sha256)


def test_every_event_says_who_wrote_it_and_when(path: Path) -> None:
    before = datetime.now(UTC)
    with open_ledger(path, person="  bench 2 ") as ledger:
        assert (ledger.path, ledger.person) == (path, "bench 2")
        serial = begin(ledger).serial
        made = ledger.log_measurement(serial, as_built={"wall_mm": 1.0})
    with open_ledger(path) as ledger:
        later = ledger.log_measurement(serial, as_built={"wall_mm": 2.0})
        assert ledger.history(serial)[1] == made
    assert (made.person, later.person) == ("bench 2", "")
    assert before <= made.recorded_at <= later.recorded_at <= datetime.now(UTC)
    assert made.recorded_at.utcoffset() == timedelta(0)


def test_a_persons_name_has_at_most_120_characters(path: Path) -> None:
    with open_ledger(path, person="x" * 120) as ledger:
        assert ledger.person == "x" * 120
    for person in ("x" * 121, 3, "a\x00"):
        with pytest.raises(LedgerError) as error:
            open_ledger(path, person=person)  # type: ignore[arg-type]
        assert error.value.field == "person"


def test_a_ledger_is_closed_with_its_block_and_says_so(path: Path) -> None:
    with open_ledger(path) as ledger:
        ledger.models()
    for ask in (ledger.models, ledger.newest_event, lambda: ledger.next_serial("D5")):
        with pytest.raises(LedgerError, match=f"{path.name} was closed: open it again"):
            ask()
    # Nothing holds the file any more.
    assert [entry.name for entry in path.parent.iterdir()] == [path.name]


def test_what_is_refused_leaves_no_trace(ledger: Ledger, piece: Instrument) -> None:
    before = ledger.newest_event()
    with pytest.raises(LedgerError):
        ledger.add_instrument("D5-0500", "d5-cylinder", 9, as_built={})
    with pytest.raises(LedgerError):
        ledger.add_instrument("D5-0500", "d5-cylinder", 1, as_built={"wall_mm": -9999.0})
    assert ledger.newest_event() == before
    assert ledger.next_serial("D5") == "D5-0002"


def test_a_ledger_that_another_program_holds_is_told_apart(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "BUSY_TIMEOUT_S", 0.01)
    with open_ledger(path) as ledger, closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LedgerError, match=r"could not be written \(database is locked\)"):
            ledger.add_model("d5-cylinder", MODEL)
        assert ledger.models() == [], "reading goes on"
        other.execute("ROLLBACK")
        ledger.add_model("d5-cylinder", MODEL)
        other.execute("DROP TABLE models")
        with pytest.raises(LedgerError, match=r"could not be read \(no such table: models\)"):
            ledger.models()


def test_a_writer_takes_the_lock_before_it_reads(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else two writers could both build on the same newest event."""
    monkeypatch.setattr(connection, "BUSY_TIMEOUT_S", 0.01)
    with open_ledger(path) as ledger, closing(sqlite3.connect(path, isolation_level=None, timeout=0.01)) as other:
        with ledger._write() as session:
            session.connection()
            with pytest.raises(sqlite3.OperationalError, match="locked"):
                other.execute("BEGIN IMMEDIATE")
        with ledger._read() as session:
            session.connection()
            other.execute("BEGIN IMMEDIATE")
            other.execute("ROLLBACK")


def test_typed_columns_hold_what_the_events_say(ledger: Ledger, piece: Instrument) -> None:
    trial = ledger.log_head_trial(
        piece.serial,
        readings={"format": "sample/1"},
        temperature_c=20,
        analysis_version="3",
        taken_at=datetime(2024, 3, 5, 9, 30, tzinfo=UTC),
    )
    with closing(sqlite3.connect(ledger.path)) as plain:
        row = plain.execute("SELECT * FROM head_trials").fetchone()
    taken_at = "2024-03-05T09:30:00.000000Z"
    expected = (trial.event_id, taken_at, 20.0, "", 0, "3", "d5-cylinder", 1, '{"format":"sample/1"}', "")
    assert row == expected
    assert verify(ledger.path).clean
