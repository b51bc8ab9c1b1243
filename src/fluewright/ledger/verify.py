"""Whether a ledger is whole: not damaged, not changed from outside, and in agreement with itself."""

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fluewright.errors import LedgerError
from fluewright.ledger.chain import CHAIN_START, event_sha256, text_sha256
from fluewright.ledger.ledger_file import reading
from fluewright.ledger.schema import DETAIL_ROWS, SCHEMA_REVISION, EventKind, json_columns
from fluewright.ledger.triggers import TRIGGERS
from fluewright.ledger.values import checked_serial

__all__ = ["VerifyReport", "verify"]

_MOST_FINDINGS = 100


@dataclass(frozen=True, kw_only=True)
class VerifyReport:
    """What was found.

    Attributes
    ----------
    path : Path
        The ledger.
    findings : tuple of str
        What is wrong, one sentence each; empty when the ledger is whole. At most 100 are listed.
    models, instruments, events : int
        How many there are.
    last_event_sha256 : str
        Hash of the newest event. It stands for the whole chain: write it down elsewhere (on a certificate, with
        a backup) to be able to prove later that nothing was changed up to there.
    """

    path: Path
    findings: tuple[str, ...]
    models: int
    instruments: int
    events: int
    last_event_sha256: str

    @property
    def clean(self) -> bool:
        """Whether nothing was found."""
        return not self.findings


def verify(ledger: Path | str, *, must_hold: tuple[int, str] | None = None) -> VerifyReport:
    """Check a ledger or a backup from end to end; nothing is written.

    Checked are the file (SQLite's own test), references, the triggers that make tables append-only, the hash
    of every model text, the hash chain of events, the agreement of every table with the events, sizes before
    each event with those after the event before it, and serial numbers.

    Parameters
    ----------
    ledger : path
        The file.
    must_hold : tuple of int and str, optional
        Number and hash of an event, written down earlier (`Ledger.newest_event`); it must still be there.

    Raises
    ------
    LedgerError
        There is no ledger to check.
    """
    path = Path(ledger)
    counts = {"models": 0, "instruments": 0, "events": 0}
    last_sha256 = ""
    findings: list[str] = []
    try:
        with reading(path) as (connection, revision):
            for finding in _findings(connection, revision, must_hold):
                if len(findings) == _MOST_FINDINGS:
                    findings[-1] = "... and more of the kind"
                    break
                findings.append(finding)
            for table in counts:
                (counts[table],) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
            last = connection.execute("SELECT sha256 FROM events ORDER BY id DESC LIMIT 1").fetchone()
            last_sha256 = str(last[0]) if last else ""
    except sqlite3.Error as error:
        findings.append(f"the file is damaged and cannot be read to its end ({error}): restore a backup")
    return VerifyReport(path=path, findings=tuple(findings), last_event_sha256=last_sha256, **counts)


def _findings(connection: sqlite3.Connection, revision: str, must_hold: tuple[int, str] | None) -> Iterator[str]:
    damage = [text for (text,) in connection.execute("PRAGMA integrity_check")]
    if damage != ["ok"]:
        yield from (f"the file is damaged: {text}" for text in damage)
        return
    for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        yield f"row {row} of {table} refers to a missing row of {parent}"
    if revision != SCHEMA_REVISION:
        yield (
            f"the schema is {revision}, this fluewright has {SCHEMA_REVISION}: open the ledger once "
            "to upgrade it, then verify again"
        )
        return
    yield from _trigger_findings(connection)
    yield from _model_findings(connection)
    yield from _chain_findings(connection, must_hold)
    yield from _agreement_findings(connection)
    yield from _serial_findings(connection)


def _trigger_findings(connection: sqlite3.Connection) -> Iterator[str]:
    present = dict(connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall())
    for name, sql in TRIGGERS.items():
        if name not in present:
            yield f"trigger {name} is missing: rows could be changed"
        elif present[name] != sql:
            yield f"trigger {name} was altered: rows could be changed"
    for name in sorted(set(present) - set(TRIGGERS)):
        yield f"trigger {name} is not fluewright's"


def _model_findings(connection: sqlite3.Connection) -> Iterator[str]:
    newest: dict[str, int] = {}
    for row in connection.execute("SELECT name, version, toml_text, toml_sha256 FROM models ORDER BY name, version"):
        if text_sha256(row["toml_text"]) != row["toml_sha256"]:
            yield f"the text of model {row['name']} version {row['version']} was changed"
        if row["version"] != newest.get(row["name"], 0) + 1:
            yield f"model {row['name']} has no version {newest.get(row['name'], 0) + 1}"
        newest[row["name"]] = row["version"]


def _chain_findings(connection: sqlite3.Connection, must_hold: tuple[int, str] | None) -> Iterator[str]:
    former_id, former = 0, CHAIN_START
    sizes: dict[str, Any] = defaultdict(dict)
    for row in connection.execute("SELECT * FROM events ORDER BY id"):
        number = row["id"]
        if number != former_id + 1:
            yield f"events {former_id + 1} to {number - 1} are missing"
        if row["former_sha256"] != former:
            yield f"event {number} does not continue the chain: one before it was changed, added or removed"
        try:
            before, after, details = (json.loads(row[key]) for key in ("as_built_before", "as_built_after", "details"))
            sha256 = event_sha256(
                event_id=number,
                kind=row["kind"],
                serial=row["serial"],
                recorded_at=row["recorded_at"],
                person=row["person"],
                as_built_before=before,
                as_built_after=after,
                details=details,
                former_sha256=row["former_sha256"],
            )
        except ValueError as error:
            yield f"event {number} cannot be read ({error})"
            sha256 = ""
        else:
            if row["serial"] is not None:
                if sizes[row["serial"]] != before:
                    yield f"event {number} does not begin at the sizes that {row['serial']} had"
                sizes[row["serial"]] = after
        if sha256 != row["sha256"]:
            yield f"event {number} was changed: its content does not match its hash"
        if must_hold is not None and number == must_hold[0] and row["sha256"] != must_hold[1].lower():
            yield f"event {number} is not the one that was written down: its hash is {row['sha256']}"
        former_id, former = number, row["sha256"]
    if must_hold is not None and must_hold[0] > former_id:
        yield f"event {must_hold[0]} was written down, but the ledger ends at {former_id}"
    (used,) = connection.execute("SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'events'").fetchone()
    if former_id != used:
        yield f"events after {former_id} were removed: numbers up to {used} had been used"


def _agreement_findings(connection: sqlite3.Connection) -> Iterator[str]:
    tables = {kind: row.__tablename__ for kind, row in DETAIL_ROWS.items()}
    rows = {table: _rows_by_event(connection, table) for table in tables.values()}
    notes: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for note in connection.execute("SELECT * FROM trial_notes ORDER BY event_id, place"):
        said = dict(note)
        notes[said.pop("event_id")].append(said)
    models = {(row["name"], row["version"]): dict(row) for row in connection.execute("SELECT * FROM models")}
    instruments = {row["serial"]: dict(row) for row in connection.execute("SELECT * FROM instruments")}
    for event in connection.execute("SELECT id, kind, serial, recorded_at, details FROM events ORDER BY id"):
        try:
            details = json.loads(event["details"])
        except ValueError:
            continue  # named with the chain
        number, kind = event["id"], event["kind"]
        if kind == EventKind.MODEL_ADDED:
            table, row = "models", models.pop((details.get("name"), details.get("version")), None)
        elif kind == EventKind.BEGUN:
            table, row = "instruments", instruments.pop(event["serial"], None)
            details["begun_at"] = event["recorded_at"]
        else:
            table = tables.get(kind, "")
            row = rows[table].pop(number, None) if table else None
        if row is None:
            yield f"event {number} ({kind}) has no row in {table}"
            continue
        for column, value in row.items():
            if column in details and details[column] != value:
                yield (f"{column} in {table} was changed: event {number} says {details[column]!r}, the table {value!r}")
        if kind == EventKind.TRIAL:
            expected = [{"place": place, **note} for place, note in enumerate(details.get("notes", ()), start=1)]
            if expected != notes.pop(number, []):
                yield f"the rows of trial_notes for event {number} were changed"
    others: dict[str, Iterable[object]] = {"models": models, "instruments": instruments, "trial_notes": notes}
    for table, left in (rows | others).items():
        for key in left:
            yield f"row {key} of {table} has no event"


def _rows_by_event(connection: sqlite3.Connection, table: str) -> dict[int, dict[str, Any]]:
    is_json = json_columns(table)
    result = {}
    for row in connection.execute(f"SELECT * FROM {table}"):
        said = dict(row)
        for column in is_json:
            with suppress(ValueError):  # else it stays text and so disagrees with the event
                said[column] = json.loads(said[column])
        result[said.pop("event_id")] = said
    return result


def _serial_findings(connection: sqlite3.Connection) -> Iterator[str]:
    counters = {
        row["prefix"].upper(): row["last_number"] for row in connection.execute("SELECT * FROM serial_counters")
    }
    for (serial,) in connection.execute("SELECT serial FROM instruments"):
        try:
            _, prefix, number = checked_serial(serial)
        except LedgerError as error:
            yield str(error)
            continue
        if number > counters.get(prefix.upper(), 0):
            yield f"the counter of {prefix} stands below {serial}: the serial could be given out again"
