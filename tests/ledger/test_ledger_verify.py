import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from ledger_samples import ADJUSTMENT, CUT, HEAD_TRIAL, TRIAL, begin

from fluewright.errors import LedgerError
from fluewright.ledger import Ledger, VerifyReport, back_up, open_ledger, verify
from fluewright.ledger.end_mark import end_mark_path
from fluewright.ledger.triggers import APPEND_ONLY, TRIGGERS


@pytest.fixture(scope="module")
def template(blank: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = Path(shutil.copyfile(blank, tmp_path_factory.mktemp("filled") / "shop.ledger"))
    with open_ledger(path) as ledger:
        serial = begin(ledger).serial
        trial = ledger.log_trial(serial, **TRIAL)
        ledger.log_cut(serial, **CUT)
        ledger.log_measurement(serial, as_built={"wall_mm": 1.0})
        ledger.set_state(serial, "tuned", "in tune")
        ledger.log_head_trial(serial, **HEAD_TRIAL)
        ledger.log_adjustment(serial, **ADJUSTMENT)
        ledger.correct(trial.event_id, reason="misread", replacement={"temperature_c": 22})
    copy = path.with_name("alone")  # without the WAL
    back_up(path, copy)
    return copy


@pytest.fixture
def filled(template: Path, tmp_path: Path) -> Path:
    return Path(shutil.copyfile(template, tmp_path / "filled.ledger"))


@pytest.fixture
def ledger(filled: Path) -> Iterator[Ledger]:
    with open_ledger(filled) as opened:
        yield opened


def tampered(path: Path, *statements: str) -> VerifyReport:
    """Someone with a database program takes the triggers away, changes rows, and puts the triggers back."""
    with closing(sqlite3.connect(path)) as plain, plain:
        for name in TRIGGERS:
            plain.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            assert plain.execute(statement).rowcount != 0, statement
        for sql in TRIGGERS.values():
            plain.execute(sql)
    return verify(path)


def test_an_untouched_ledger_is_clean(filled: Path, ledger: Ledger) -> None:
    report = verify(filled, must_hold=ledger.newest_event())
    assert report.findings == ()
    assert (report.models, report.instruments, report.events) == (1, 1, 9)
    assert (report.events, report.last_event_sha256) == ledger.newest_event()
    assert tampered(filled).clean


@pytest.mark.parametrize("table", [*APPEND_ONLY, "serial_counters"])
def test_rows_can_be_neither_changed_nor_removed_nor_replaced(filled: Path, table: str) -> None:
    with closing(sqlite3.connect(filled)) as plain:
        column = plain.execute(f"SELECT name FROM pragma_table_info('{table}')").fetchall()[-1][0]
        statements = [f"DELETE FROM {table}"]
        if table == "serial_counters":
            statements += ["UPDATE serial_counters SET last_number = last_number - 1"]
        else:
            statements += [
                f"UPDATE {table} SET {column} = {column}",
                f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
                f"INSERT OR IGNORE INTO {table} SELECT * FROM {table}",
            ]
        for statement in statements:
            assert plain.execute(f"SELECT count(*) FROM {table}").fetchone()[0] > 0
            with pytest.raises(sqlite3.IntegrityError, match=r"append-only|never reused|must follow"):
                plain.execute(statement)
    assert verify(filled).clean


def test_an_event_cannot_be_slipped_in(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as plain:
        for number in (0, 11):
            with pytest.raises(sqlite3.IntegrityError, match="must follow"):
                plain.execute(
                    "INSERT INTO events SELECT ?, kind, serial, recorded_at, person, as_built_before, "
                    "as_built_after, details, former_sha256, replace(sha256, 'a', 'b') "
                    "FROM events WHERE id = 3",
                    (number,),
                )


ALTERED = "event {} was changed: its content does not match its hash"
DOES_NOT_BEGIN = "event {} does not begin at the sizes that D5-0001 had"
DOES_NOT_CONTINUE = "event {} does not continue the chain: one before it was changed, added or removed"
MISSING = "row {} of {} refers to a missing row of {}"
COUNTER = "the counter of D5 was changed: it does not match its hash"
NO_EVENT = "row {} of {} has no event"
NO_PIECE = [MISSING.format(number, "events", "instruments") for number in range(2, 10)]
READINGS = "{'format': 'sample/1', 'notes': [{'jump_pa': [280.0, 8.0], 'note': 'D5'}]}"
LONG_AGO = "'2020-01-01T00:00:00.000000Z'"


def changed(column: str, table: str, number: int, said: str, now: str) -> str:
    return f"{column} in {table} was changed: event {number} says {said}, the table {now}"


@pytest.mark.parametrize(
    ("statement", "findings"),
    [
        (
            "UPDATE models SET toml_text = toml_text || '# more'",
            ["the text of model d5-cylinder version 1 was changed"],
        ),
        (
            "UPDATE events SET person = 'someone' WHERE id = 3",
            [ALTERED.format(3)],
        ),
        (
            f"UPDATE events SET recorded_at = {LONG_AGO} WHERE id = 3",
            [ALTERED.format(3)],
        ),
        (
            "UPDATE events SET as_built_after = '{}' WHERE id = 4",
            [ALTERED.format(4), DOES_NOT_BEGIN.format(5)],
        ),
        (
            "UPDATE events SET as_built_before = '{}' WHERE id = 4",
            [DOES_NOT_BEGIN.format(4), ALTERED.format(4)],
        ),
        (
            "UPDATE events SET details = 'x' WHERE id = 4",
            [
                "event 4 cannot be read (Expecting value: line 1 column 1 (char 0))",
                ALTERED.format(4),
                DOES_NOT_BEGIN.format(5),
                NO_EVENT.format(4, "cuts"),
            ],
        ),
        (
            "UPDATE events SET sha256 = substr(sha256, 2) || substr(sha256, 1, 1) WHERE id = 4",
            [ALTERED.format(4), DOES_NOT_CONTINUE.format(5)],
        ),
        (
            "UPDATE events SET kind = 'measurement' WHERE id = 4",
            [
                ALTERED.format(4),
                "event 4 (measurement) has no row in measurements",
                NO_EVENT.format(4, "cuts"),
            ],
        ),
        (
            "DELETE FROM events WHERE id IN (4, 5)",
            [
                MISSING.format(4, "cuts", "events"),
                MISSING.format(5, "measurements", "events"),
                "events 4 to 5 are missing",
                DOES_NOT_CONTINUE.format(6),
                DOES_NOT_BEGIN.format(6),
                NO_EVENT.format(5, "measurements"),
                NO_EVENT.format(4, "cuts"),
            ],
        ),
        ("UPDATE trials SET temperature_c = 25", [changed("temperature_c", "trials", 3, "21.5", "25.0")]),
        ("UPDATE trials SET breath_pa = NULL", [changed("breath_pa", "trials", 3, "180.0", "None")]),
        (
            "UPDATE trial_notes SET cents = 0 WHERE place = 2",
            ["the rows of trial_notes for event 3 were changed"],
        ),
        ("DELETE FROM trial_notes WHERE place = 2", ["the rows of trial_notes for event 3 were changed"]),
        ("DELETE FROM trial_notes", ["the rows of trial_notes for event 3 were changed"]),
        (
            "UPDATE trial_notes SET place = place + 2",
            ["the rows of trial_notes for event 3 were changed"],
        ),
        (
            "INSERT INTO trial_notes SELECT 5, place, note, register, target_hz, frequency_hz, "
            "frequency_uncertainty_hz, cents FROM trial_notes WHERE place = 1",
            ["row 3 of trial_notes refers to a missing row of trials", NO_EVENT.format(5, "trial_notes")],
        ),
        ("UPDATE cuts SET after_mm = 6.3", [changed("after_mm", "cuts", 4, "6.4", "6.3")]),
        (
            "UPDATE cuts SET forecast = '{}'",
            [changed("forecast", "cuts", 4, "{'cents': {'G5': -2.0}, 'risk': 0.05}", "{}")],
        ),
        (
            "UPDATE cuts SET forecast = 'x'",
            [changed("forecast", "cuts", 4, "{'cents': {'G5': -2.0}, 'risk': 0.05}", "'x'")],
        ),
        ("DELETE FROM cuts", ["event 4 (cut) has no row in cuts"]),
        ("UPDATE measurements SET gauge = 'rule'", [changed("gauge", "measurements", 5, "''", "'rule'")]),
        (
            "INSERT INTO measurements SELECT 2, as_built, gauge, remarks FROM measurements",
            [NO_EVENT.format(2, "measurements")],
        ),
        (
            "UPDATE state_changes SET state = 'scrapped'",
            [changed("state", "state_changes", 6, "'tuned'", "'scrapped'")],
        ),
        ("UPDATE head_trials SET good = 0", [changed("good", "head_trials", 7, "True", "0")]),
        (
            "UPDATE head_trials SET readings = '[]'",
            [changed("readings", "head_trials", 7, READINGS, "[]")],
        ),
        ("UPDATE adjustments SET steps = 1", [changed("steps", "adjustments", 8, "2.0", "1.0")]),
        ("DELETE FROM adjustments", ["event 8 (adjustment) has no row in adjustments"]),
        ("UPDATE corrections SET reason = 'none'", [changed("reason", "corrections", 9, "'misread'", "'none'")]),
        (
            "UPDATE corrections SET corrected_event_id = 4",
            [changed("corrected_event_id", "corrections", 9, "3", "4")],
        ),
        ("UPDATE instruments SET lot = 'P-15'", [changed("lot", "instruments", 2, "'P-14'", "'P-15'")]),
        (
            "UPDATE instruments SET model_version = 2",
            [MISSING.format(1, "instruments", "models"), changed("model_version", "instruments", 2, "1", "2")],
        ),
        ("DELETE FROM instruments", [*NO_PIECE, "event 2 (begun) has no row in instruments"]),
        (
            "UPDATE instruments SET serial = 'D5-0002'",
            [
                *NO_PIECE,
                "event 2 (begun) has no row in instruments",
                NO_EVENT.format("D5-0002", "instruments"),
                "the counter of D5 stands below D5-0002: the serial could be given out again",
            ],
        ),
        (
            "UPDATE instruments SET serial = '5-0001'",
            [
                *NO_PIECE,
                "event 2 (begun) has no row in instruments",
                NO_EVENT.format("5-0001", "instruments"),
                "serial: is '5-0001', not a prefix, a hyphen and a number of at least four digits from 0001; "
                "write it like D5-0007.",
            ],
        ),
        ("UPDATE models SET lineage = 'other'", [changed("lineage", "models", 1, "None", "'other'")]),
        (
            "DELETE FROM models",
            [
                MISSING.format(7, "head_trials", "models"),
                MISSING.format(3, "trials", "models"),
                MISSING.format(1, "instruments", "models"),
                "event 1 (model added) has no row in models",
            ],
        ),
        (
            "INSERT INTO models SELECT 'x', 2, toml_text, toml_sha256, lineage, added_at FROM models",
            ["model x has no version 1", NO_EVENT.format(("x", 2), "models")],
        ),
        (
            "INSERT INTO models SELECT name, 4, toml_text, toml_sha256, lineage, added_at FROM models",
            ["model d5-cylinder has no version 2", NO_EVENT.format(("d5-cylinder", 4), "models")],
        ),
        (
            "UPDATE serial_counters SET last_number = 0",
            [COUNTER, "the counter of D5 stands below D5-0001: the serial could be given out again"],
        ),
        (
            "DELETE FROM serial_counters",
            ["the counter of D5 stands below D5-0001: the serial could be given out again"],
        ),
    ],
)
def test_every_change_from_outside_is_found_and_nothing_else(filled: Path, statement: str, findings: list[str]) -> None:
    report = tampered(filled, statement)
    assert not report.clean
    assert sorted(report.findings) == sorted(findings)


@pytest.mark.parametrize("table", ["instruments", "models"])
def test_times_from_outside_are_found(filled: Path, table: str) -> None:
    column = {"instruments": "begun_at", "models": "added_at"}[table]
    (finding,) = tampered(filled, f"UPDATE {table} SET {column} = {LONG_AGO}").findings
    assert re.fullmatch(rf"{column} in {table} was changed: event \d says '\S+', the table {LONG_AGO}", finding)


def test_events_taken_from_the_middle_or_the_end_are_missed(filled: Path, ledger: Ledger) -> None:
    head = ledger.newest_event()
    report = tampered(filled, "DELETE FROM corrections", "DELETE FROM events WHERE id = 9")
    assert "events after 8 were removed: numbers up to 9 had been used" in report.findings
    # Someone who also resets the counter is found only by what was noted elsewhere.
    end_mark_path(filled).unlink()
    assert tampered(filled, "UPDATE sqlite_sequence SET seq = 8").clean
    assert verify(filled, must_hold=head).findings == ("event 9 was written down, but the ledger ends at 8",)
    assert not verify(filled, must_hold=(8, "00" * 32)).clean
    report = tampered(filled, "DELETE FROM cuts", "DELETE FROM events WHERE id = 4")
    assert "events 4 to 4 are missing" in report.findings
    assert any(finding.startswith("event 5 does not continue the chain") for finding in report.findings)


def test_an_event_that_was_written_down_is_still_there(filled: Path, ledger: Ledger) -> None:
    newest = ledger.newest_event()
    trial = ledger.event(3)
    for known in (newest, (newest[0], newest[1].upper()), (3, trial.sha256)):
        assert verify(filled, must_hold=known).findings == ()
    wrong = "event 3 is not the one that was written down: its hash is " + trial.sha256
    assert verify(filled, must_hold=(3, newest[1])).findings == (wrong,)
    ends = f"event {newest[0] + 1} was written down, but the ledger ends at {newest[0]}"
    assert verify(filled, must_hold=(newest[0] + 1, newest[1])).findings == (ends,)


def test_an_empty_ledger_is_whole(path: Path) -> None:
    report = verify(path)
    assert report.findings == ()
    assert (report.path, report.models, report.instruments, report.events) == (path, 0, 0, 0)
    assert report.last_event_sha256 == ""
    assert verify(str(path), must_hold=(1, "0" * 64)).findings == (
        "event 1 was written down, but the ledger ends at 0",
    )


def test_a_file_that_is_damaged_is_told_as_such(filled: Path, tmp_path: Path) -> None:
    content = bytearray(filled.read_bytes())
    with closing(sqlite3.connect(filled)) as plain:
        (page,) = plain.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ix_events_serial_id'").fetchone()
        (page_size,) = plain.execute("PRAGMA page_size").fetchone()
    # An index that lost its entries: everything can still be read, and SQLite's own test finds it.
    start = (page - 1) * page_size
    content[start + 3 : start + 5] = (0).to_bytes(2, "big")
    damaged = tmp_path / "damaged.ledger"
    damaged.write_bytes(content)
    report = verify(damaged)
    assert report.findings
    assert all(finding.startswith("the file is damaged: ") for finding in report.findings)
    assert report.events == 9
    torn = tmp_path / "torn.ledger"
    torn.write_bytes(bytes(filled.read_bytes()[: 8 * page_size]))
    report = verify(torn)
    assert not report.clean
    assert all("damaged" in finding for finding in report.findings)


def test_lost_and_altered_triggers_are_found(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as plain, plain:
        plain.execute("DROP TRIGGER cuts_no_delete")
        plain.execute("DROP TRIGGER cuts_no_update")
        plain.execute("CREATE TRIGGER cuts_no_update BEFORE UPDATE ON cuts BEGIN SELECT 1; END")
        plain.execute("CREATE TRIGGER own AFTER INSERT ON cuts BEGIN SELECT 1; END")
    assert verify(filled).findings == (
        "trigger cuts_no_update was altered: rows could be changed",
        "trigger cuts_no_delete is missing: rows could be changed",
        "trigger own is not fluewright's",
    )


def test_a_great_many_findings_are_cut_short(filled: Path, ledger: Ledger) -> None:
    for step in range(60):
        ledger.log_measurement("D5-0001", as_built={"wall_mm": 1.5 + step})
    report = tampered(filled, "UPDATE events SET as_built_before = '{\"wall_mm\":0.0}'")
    assert len(report.findings) == 100
    assert report.findings[-1] == "... and more of the kind"


def test_what_is_not_there_cannot_be_verified(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="no ledger at"):
        verify(tmp_path / "none")
    (tmp_path / "empty").touch()
    with pytest.raises(LedgerError, match="empty"):
        verify(tmp_path / "empty")
