import csv
import hashlib
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from fluewright.errors import LedgerError
from fluewright.ledger import Instrument, Ledger, export_ledger
from fluewright.ledger.schema import Base


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
