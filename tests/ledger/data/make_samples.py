"""Writes a small ledger of each schema as the program of its time left it; the tests open them.

    python tests/ledger/data/make_samples.py

The tables are made by the frozen migrations, the rows by the statements below, and the chain by the rule of
`fluewright.ledger.chain`, written out here once more: nothing of today's ledger has a part in the rows. A new migration
needs a sample of its own: add its rows to `EVENTS`, run this with the new revision's number, and leave the older files
as they are.
"""

import hashlib
import json
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

from alembic import command
from sqlalchemy import create_engine
from sqlalchemy.pool import NullPool

from fluewright.ledger.connection import migration_config

FOLDER = Path(__file__).parent
APPLICATION_ID = 0x466C7577
TOML = 'format = "fluewright-model/1"\n[model]\nname = "d5-cylinder"\n'
WIDER = TOML + "# a wider window\n"
SIZES = {"hole 3 diameter_mm": 6.2, "hole 4 diameter_mm": 7.1, "block_depth_mm": -0.15, "ramp_angle_deg": 14.5}
WALLED = SIZES | {"wall_mm": 2.1}
CUT = WALLED | {"hole 3 diameter_mm": 6.4}
MISREAD = CUT | {"hole 3 diameter_mm": 6.35}
LONGER = MISREAD | {"window_length_mm": 4.6}
FORWARD = LONGER | {"block_depth_mm": 0.05}


def sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def canonical(value: object) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def at(minute: int) -> str:
    return f"2024-03-05T09:{minute:02d}:07.000250Z"


def note(name: str, register: int, target_hz: float, frequency_hz: float, cents: float) -> dict:
    return {
        "note": name, "register": register, "target_hz": target_hz, "frequency_hz": frequency_hz,
        "frequency_uncertainty_hz": 0.05, "cents": cents,
    }  # fmt: skip


def model_added(version: int, text: str, lineage: str | None, minute: int) -> dict:
    return {
        "name": "d5-cylinder", "version": version, "toml_sha256": sha256(text), "lineage": lineage,
        "added_at": at(minute),
    }  # fmt: skip


TRIAL = {
    "taken_at": "2024-03-05T07:30:00.000000Z", "temperature_c": 21.5, "relative_humidity": 0.45, "breath_pa": None,
    "recording_sha256": "ab" * 32, "recording_name": "zweite Probe, größer.wav", "analysis_version": "3",
    "model_name": "d5-cylinder", "model_version": 2,
    "notes": [note("D5", 1, 590.0, 588.3, -5.0), note("D5", 2, 1180.0, 1185.0, 7.3)],
    "as_built": {}, "remarks": "dry\nday",
}  # fmt: skip
EVENTS = {
    "0001": [
        ("model added", None, {}, {}, model_added(1, TOML, None, 1)),
        ("model added", None, {}, {}, model_added(2, WIDER, "d5-cylinder 1", 2)),
        (
            "begun", "D5-0007", {}, SIZES,
            {
                "model_name": "d5-cylinder", "model_version": 1, "material": "plum wood", "lot": "P-14",
                "as_built": SIZES, "state": "in work",
            },
        ),
        (
            "measurement", "D5-0007", SIZES, WALLED,
            {"as_built": {"wall_mm": 2.1}, "gauge": "caliper", "remarks": ""},
        ),
        ("trial", "D5-0007", WALLED, WALLED, TRIAL),
        (
            "cut", "D5-0007", WALLED, CUT,
            {
                "feature": "hole 3 diameter_mm", "before_mm": 6.2, "after_mm": 6.4, "tool": "taper reamer",
                "reason": "G5 is 12 cents flat", "forecast": {"cents": {"G5": -2.0}, "risk": 0.05},
                "as_built_after": {"hole 3 diameter_mm": 6.4},
            },
        ),
        (
            "correction", "D5-0007", CUT, MISREAD,
            {"corrected_event_id": 6, "reason": "gauge misread", "replacement": {"after_mm": 6.35}},
        ),
        ("state", "D5-0007", MISREAD, MISREAD, {"state": "tuned", "reason": "all notes within 5 cents"}),
    ],
    "0002": [
        (
            "head trial", "D5-0007", MISREAD, LONGER,
            {
                "taken_at": "2024-03-05T08:00:00.000000Z", "temperature_c": 20.5, "body": "good body", "good": True,
                "analysis_version": "3", "model_name": "d5-cylinder", "model_version": 1,
                "readings": {"format": "sample/1", "notes": [{"note": "D5", "jump_pa": [280.0, 8.0]}]},
                "as_built": {"window_length_mm": 4.6}, "remarks": "",
            },
        ),
        (
            "adjustment", "D5-0007", LONGER, FORWARD,
            {
                "adjustment": "block-forward", "title": "block forward by 0.1 mm", "steps": 2.0,
                "changes": {"block_depth_mm": 0.2}, "reason": "", "forecast": {"cents": -3.0},
                "as_built_after": {"block_depth_mm": 0.05},
            },
        ),
    ],
    "0003": [],
}  # fmt: skip
"""What each schema can say that the one before it could not: kind, serial, sizes before and after, details."""

TABLES = {
    "measurement": "measurements", "trial": "trials", "cut": "cuts", "state": "state_changes",
    "correction": "corrections", "head trial": "head_trials", "adjustment": "adjustments",
}  # fmt: skip
LEFT_OUT = {"trial": {"notes", "as_built"}, "cut": {"as_built_after"}, "head trial": {"as_built"},
            "adjustment": {"as_built_after"}}  # fmt: skip


def insert(plain: sqlite3.Connection, table: str, row: dict) -> None:
    values = [canonical(value) if isinstance(value, dict) else value for value in row.values()]
    plain.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})", values)


def write(path: Path, revision: str) -> None:
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("PRAGMA page_size = 512")
        plain.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    engine = create_engine(f"sqlite:///{path}", poolclass=NullPool)
    with engine.begin() as connection:
        command.upgrade(migration_config(connection), revision)
    events = [event for known, said in EVENTS.items() if known <= revision for event in said]
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("PRAGMA foreign_keys = ON")
        former = "0" * 64
        for number, (kind, serial, before, after, details) in enumerate(events, start=1):
            said = {
                "id": number, "kind": kind, "serial": serial, "recorded_at": at(number), "person": "bench 1 (größer)",
                "as_built_before": before, "as_built_after": after, "details": details, "former_sha256": former,
            }  # fmt: skip
            if kind == "model added":
                insert(plain, "models", details | {"toml_text": TOML if details["version"] == 1 else WIDER})
            if kind == "begun":
                row = {name: details[name] for name in ("model_name", "model_version", "material", "lot")}
                insert(plain, "instruments", {"serial": serial, "begun_at": at(number)} | row)
                # One more number was given out that no piece took.
                counter: dict[str, object] = {"prefix": "D5", "last_number": 8}
                if revision >= "0003":
                    counter["sha256"] = sha256('["D5",8]')
                insert(plain, "serial_counters", counter)
            former = sha256(canonical(said))
            insert(plain, "events", said | {"sha256": former})
            if kind in TABLES:
                row = {name: value for name, value in details.items() if name not in LEFT_OUT.get(kind, ())}
                insert(plain, TABLES[kind], {"event_id": number} | row)
            for place, heard in enumerate(details.get("notes", ()), start=1):
                insert(plain, "trial_notes", {"event_id": number, "place": place} | heard)
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("PRAGMA journal_mode = WAL")  # as a ledger is kept
    print(f"{path.name}: {path.stat().st_size} bytes, {len(events)} events, the last is {former}")


if __name__ == "__main__":
    for wanted in sys.argv[1:] or EVENTS:
        write(FOLDER / f"schema-{wanted}.ledger", wanted)
