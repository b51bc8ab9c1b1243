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


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        (
            "UPDATE models SET toml_text = toml_text || '# more'",
            "text of model d5-cylinder version 1 was changed",
        ),
        ("UPDATE events SET person = 'someone' WHERE id = 3", "event 3 was changed"),
        ("UPDATE events SET recorded_at = '2020-01-01T00:00:00.000000Z' WHERE id = 3", "event 3 was changed"),
        ("UPDATE events SET as_built_after = '{}' WHERE id = 4", "event 4 was changed"),
        ("UPDATE events SET as_built_after = '{}' WHERE id = 4", "event 5 does not begin at the sizes"),
        ("UPDATE events SET details = 'x' WHERE id = 4", "event 4 cannot be read"),
        ("UPDATE trials SET temperature_c = 25", "temperature_c in trials was changed"),
        ("UPDATE trial_notes SET cents = 0 WHERE place = 2", "trial_notes for event 3 were changed"),
        ("DELETE FROM trial_notes WHERE place = 2", "trial_notes for event 3 were changed"),
        ("UPDATE cuts SET after_mm = 6.3", "after_mm in cuts was changed"),
        ("UPDATE cuts SET forecast = '{}'", "forecast in cuts was changed"),
        ("UPDATE cuts SET forecast = 'x'", "forecast in cuts was changed"),
        ("UPDATE measurements SET gauge = 'rule'", "gauge in measurements was changed"),
        ("UPDATE state_changes SET state = 'scrapped'", "state in state_changes was changed"),
        ("UPDATE head_trials SET good = 0", "good in head_trials was changed"),
        ("UPDATE head_trials SET readings = '{}'", "readings in head_trials was changed"),
        ("UPDATE adjustments SET steps = 1", "steps in adjustments was changed"),
        ("DELETE FROM adjustments", r"event 8 \(adjustment\) has no row in adjustments"),
        ("UPDATE corrections SET reason = 'none'", "reason in corrections was changed"),
        ("UPDATE instruments SET lot = 'P-15'", "lot in instruments was changed"),
        ("UPDATE models SET lineage = 'other'", "lineage in models was changed"),
        ("DELETE FROM cuts", r"event 4 \(cut\) has no row in cuts"),
        ("UPDATE serial_counters SET last_number = 0", "could be given out again"),
        (
            "INSERT INTO models SELECT 'x', 2, toml_text, toml_sha256, lineage, added_at FROM models",
            "no version 1",
        ),
        ("INSERT INTO measurements SELECT 2, as_built, gauge, remarks FROM measurements", "has no event"),
        ("UPDATE instruments SET model_version = 2", "refers to a missing row of models"),
    ],
)
def test_every_change_from_outside_is_found(filled: Path, statement: str, says: str) -> None:
    report = tampered(filled, statement)
    assert not report.clean
    assert any(re.search(says, finding) for finding in report.findings), report.findings


def test_events_taken_from_the_middle_or_the_end_are_missed(filled: Path, ledger: Ledger) -> None:
    head = ledger.newest_event()
    report = tampered(filled, "DELETE FROM corrections", "DELETE FROM events WHERE id = 9")
    assert "events after 8 were removed: numbers up to 9 had been used" in report.findings
    # Someone who also resets the counter is found only by what was noted elsewhere.
    assert tampered(filled, "UPDATE sqlite_sequence SET seq = 8").clean
    assert verify(filled, must_hold=head).findings == ("event 9 was written down, but the ledger ends at 8",)
    assert not verify(filled, must_hold=(8, "00" * 32)).clean
    report = tampered(filled, "DELETE FROM cuts", "DELETE FROM events WHERE id = 4")
    assert "events 4 to 4 are missing" in report.findings
    assert any(finding.startswith("event 5 does not continue the chain") for finding in report.findings)


def test_lost_and_altered_triggers_are_found(filled: Path) -> None:
    with closing(sqlite3.connect(filled)) as plain, plain:
        plain.execute("DROP TRIGGER cuts_no_delete")
        plain.execute("DROP TRIGGER cuts_no_update")
        plain.execute("CREATE TRIGGER cuts_no_update BEFORE UPDATE ON cuts BEGIN SELECT 1; END")
        plain.execute("CREATE TRIGGER own AFTER INSERT ON cuts BEGIN SELECT 1; END")
    assert len(verify(filled).findings) == 3


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
