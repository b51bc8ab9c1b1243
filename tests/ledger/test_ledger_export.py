import csv
import hashlib
import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from fluewright.errors import LedgerError
from fluewright.ledger import Instrument, Ledger, export_ledger
from fluewright.ledger.schema import SCHEMA_REVISION, Base


def test_the_export_holds_every_row_and_proves_itself(
    ledger: Ledger, piece: Instrument, trial_said: dict, cut_said: dict, tmp_path: Path
) -> None:
    ledger.log_trial(piece.serial, **(trial_said | {"remarks": 'two\nlines, "quoted"; Fluß'}))
    cut = ledger.log_cut(piece.serial, **cut_said)
    ledger.correct(cut.event_id, reason="misread", replacement={"after_mm": 6.35})
    folder = tmp_path / "export"
    report = export_ledger(ledger.path, folder)
    contents = json.loads((folder / "contents.json").read_text(encoding="utf-8"))
    assert contents["format"] == "fluewright-ledger-export/1"
    assert contents["rows"] == report.rows
    assert set(report.rows) == set(Base.metadata.tables)
    assert set(report.files) == {f"{table}.{kind}" for table in report.rows for kind in ("csv", "jsonl")}
    for name, sha256 in contents["sha256"].items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == sha256
    with closing(sqlite3.connect(ledger.path)) as plain:
        plain.row_factory = sqlite3.Row
        for table, count in report.rows.items():
            stored = [dict(row) for row in plain.execute(f"SELECT * FROM {table} ORDER BY 1, 2")]
            lines = [json.loads(line) for line in (folder / f"{table}.jsonl").read_text("utf-8").splitlines()]
            with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
                cells = list(csv.DictReader(file))
            assert len(stored) == len(lines) == len(cells) == count
            for row, line, cell in zip(stored, lines, cells, strict=True):
                for column, value in row.items():
                    kept = line[column]
                    if isinstance(kept, dict):
                        assert json.loads(value) == kept == json.loads(cell[column])
                    else:
                        assert kept == value
                        assert cell[column] == ("" if value is None else str(value))


def test_the_chain_can_be_checked_from_the_export_alone(
    ledger: Ledger, piece: Instrument, trial_said: dict, tmp_path: Path
) -> None:
    """The rule, written out as someone without fluewright would."""
    ledger.log_trial(piece.serial, **trial_said)
    export_ledger(ledger.path, tmp_path / "export")
    former = "0" * 64
    for line in (tmp_path / "export" / "events.jsonl").read_text("utf-8").splitlines():
        event = json.loads(line)
        sha256 = event.pop("sha256")
        assert event["former_sha256"] == former
        text = json.dumps(event, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(text.encode()).hexdigest() == sha256
        former = sha256
    assert former == ledger.newest_event()[1]


def test_an_export_overwrites_nothing(path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "export"
    folder.mkdir()
    assert set(export_ledger(path, folder).rows.values()) == {0}
    with pytest.raises(LedgerError, match="not an empty folder"):
        export_ledger(path, folder)
    with pytest.raises(LedgerError, match="no folder"):
        export_ledger(path, tmp_path / "nowhere" / "export")
    with pytest.raises(LedgerError, match="no ledger at"):
        export_ledger(tmp_path / "none", tmp_path / "other")
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("UPDATE alembic_version SET version_num = '0000'")
    with pytest.raises(LedgerError, match="has schema 0000"):
        export_ledger(path, tmp_path / "other")
    assert sorted(entry.name for entry in tmp_path.iterdir() if entry.is_dir()) == ["export"]


def test_the_contents_say_what_was_written_when(ledger: Ledger, piece: Instrument, tmp_path: Path) -> None:
    folder = tmp_path / "export"
    before = datetime.now(UTC)
    report = export_ledger(str(ledger.path), str(folder))
    assert report.folder == folder
    text = (folder / "contents.json").read_text(encoding="utf-8")
    contents = json.loads(text)
    assert text == json.dumps(contents, indent=2) + "\n", "a line for each, to be read by people too"
    assert list(contents) == ["format", "schema", "exported_at", "rows", "sha256"]
    assert contents["schema"] == SCHEMA_REVISION
    assert before <= datetime.fromisoformat(contents["exported_at"]) <= datetime.now(UTC)
    assert contents["sha256"] == report.files
    assert report.rows["instruments"] == report.rows["models"] == report.rows["serial_counters"] == 1
    assert report.rows["trials"] == 0
    assert sorted(entry.name for entry in folder.iterdir()) == sorted([*report.files, "contents.json"])


def test_columns_stand_in_the_order_of_the_tables_and_text_is_not_escaped(
    ledger: Ledger, piece: Instrument, tmp_path: Path
) -> None:
    ledger.log_measurement(piece.serial, as_built={"wall_mm": 2.0}, remarks="größer")
    export_ledger(ledger.path, tmp_path / "export")
    lines = (tmp_path / "export" / "measurements.jsonl").read_bytes()
    assert lines == '{"event_id": 3, "as_built": {"wall_mm": 2.0}, "gauge": "", "remarks": "größer"}\n'.encode()
    cells = (tmp_path / "export" / "measurements.csv").read_bytes()
    assert cells == 'event_id,as_built,gauge,remarks\r\n3,"{""wall_mm"":2.0}",,größer\r\n'.encode()


def test_an_export_is_utf8_whatever_the_computer_speaks(ledger: Ledger, piece: Instrument, tmp_path: Path) -> None:
    ledger.log_measurement(piece.serial, as_built={"wall_mm": 2.0}, remarks="größer")
    program = "import sys; from fluewright.ledger import export_ledger; export_ledger(*sys.argv[1:])"
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    subprocess.run(
        [sys.executable, "-c", program, str(ledger.path), str(tmp_path / "export")],
        env=os.environ | plain, check=True, timeout=60,
    )  # fmt: skip
    for name in ("measurements.jsonl", "measurements.csv", "events.jsonl", "events.csv"):
        assert "größer" in (tmp_path / "export" / name).read_text(encoding="utf-8")


def test_rows_stand_in_the_order_of_their_keys(ledger: Ledger, tmp_path: Path) -> None:
    for name in ("d5", "c5", "f4"):
        ledger.add_model(name, "a = 1")
    ledger.add_model("c5", "a = 2")
    export_ledger(ledger.path, tmp_path / "export")
    lines = (tmp_path / "export" / "models.jsonl").read_text("utf-8").splitlines()
    models = [(row["name"], row["version"]) for row in map(json.loads, lines)]
    assert models == [("c5", 1), ("c5", 2), ("d5", 1), ("f4", 1)]


def test_a_folder_of_this_place_will_do_and_left_overs_are_swept(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    left_over = tmp_path / ".export.unfinished"
    left_over.mkdir()
    (left_over / "models.csv").write_text("of a program that was killed")
    report = export_ledger(path, "export")
    assert report.folder == Path("export")
    assert [entry.name for entry in tmp_path.iterdir() if entry.is_dir()] == ["export"]


def test_an_export_that_fails_leaves_nothing(ledger: Ledger, piece: Instrument, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("kept")
    with pytest.raises(LedgerError, match="file is not an empty folder and is not overwritten"):
        export_ledger(ledger.path, tmp_path / "file")
    with closing(sqlite3.connect(ledger.path)) as plain, plain:
        plain.execute("DROP TABLE corrections")
    before = sorted(tmp_path.iterdir())
    with pytest.raises(LedgerError, match=r"could not be read \(no such table: corrections\): it is damaged"):
        export_ledger(ledger.path, tmp_path / "export")
    assert sorted(tmp_path.iterdir()) == before
    # An empty folder that was there stays.
    (tmp_path / "export").mkdir()
    with pytest.raises(LedgerError, match="could not be read"):
        export_ledger(ledger.path, tmp_path / "export")
    assert (tmp_path / "export").is_dir()


def test_no_text_is_run_as_a_formula_in_a_spreadsheet(ledger: Ledger, piece: Instrument, tmp_path: Path) -> None:
    for remarks in ("=HYPERLINK(1)", "+1+1", "-2+3", "@SUM(A1)", "-5.2"):
        ledger.log_measurement(piece.serial, as_built={"wall_mm": 1.0}, remarks=remarks)
    export_ledger(ledger.path, tmp_path / "export")
    with (tmp_path / "export" / "measurements.csv").open(encoding="utf-8", newline="") as file:
        cells = [row["remarks"] for row in csv.DictReader(file)]
    assert cells == ["'=HYPERLINK(1)", "'+1+1", "'-2+3", "'@SUM(A1)", "-5.2"]
    lines = (tmp_path / "export" / "measurements.jsonl").read_text(encoding="utf-8").splitlines()
    assert json.loads(lines[0])["remarks"] == "=HYPERLINK(1)"
    assert {one.stat().st_mode & 0o777 for one in (tmp_path / "export").iterdir()} == {0o600}


def test_a_link_in_a_circle_is_no_place_for_an_export(ledger: Ledger, tmp_path: Path) -> None:
    loop = tmp_path / "loop"
    loop.symlink_to("loop")
    with pytest.raises(LedgerError, match="loop"):
        export_ledger(ledger.path, loop)
    assert loop.is_symlink()
