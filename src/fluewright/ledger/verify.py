"""Whether a ledger is whole: not damaged, not changed from outside, and in agreement with itself."""

import json
import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from fluewright.errors import LedgerError
from fluewright.ledger.chain import CHAIN_START, canonical_json, counter_sha256, event_sha256, text_sha256
from fluewright.ledger.end_mark import kept_end
from fluewright.ledger.ledger_file import reading
from fluewright.ledger.made_schema import SCHEMA, plain_sql
from fluewright.ledger.schema import DETAIL_ROWS, SCHEMA_REVISION, EventKind, json_columns
from fluewright.ledger.triggers import TRIGGERS
from fluewright.ledger.trouble import TroubleKind, kind_of_trouble, trouble
from fluewright.ledger.values import checked_serial

__all__ = ["VerifyReport", "found_in_copy", "verify"]

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

    Checked are the file (SQLite's own test), references, every table, index and trigger as it was made, the hash
    of every model text, the hash chain of events up to the end that the end mark beside the ledger names, the
    agreement of every table with the events, sizes before each event with those after the event before it, and serial
    numbers.

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
    LedgerTrouble
        It cannot be checked now, which says nothing of what is in it: another program holds it, or the disk refuses.
    """
    path = Path(ledger)
    marks = [mark for mark in (must_hold, kept_end(path)) if mark is not None]
    return _verified(path, marks, old_is_whole=False)


def found_in_copy(path: Path, *, must_hold: tuple[int, str] | None) -> tuple[str, ...]:
    """Return what `verify` finds in a copy; an older schema is no fault of a copy.

    Raises
    ------
    LedgerError
        It cannot be checked.
    """
    return _verified(path, [must_hold] if must_hold else [], old_is_whole=True).findings


def _verified(path: Path, marks: Sequence[tuple[int, str]], *, old_is_whole: bool) -> VerifyReport:
    counts = {"models": 0, "instruments": 0, "events": 0}
    last_sha256 = ""
    findings: list[str] = []
    try:
        with reading(path) as (connection, revision):
            for finding in _findings(connection, revision, marks, old_is_whole=old_is_whole):
                if len(findings) == _MOST_FINDINGS:
                    findings[-1] = "... and more of the kind"
                    break
                findings.append(finding)
            for table in counts:
                (counts[table],) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
            last = connection.execute("SELECT sha256 FROM events ORDER BY id DESC LIMIT 1").fetchone()
            last_sha256 = str(last[0]) if last else ""
    except sqlite3.Error as error:
        if kind_of_trouble(error) is not TroubleKind.DAMAGED:
            raise trouble(path, "checked", error) from error
        findings.append(f"the file is damaged and cannot be read to its end ({error}): restore a copy")
    return VerifyReport(path=path, findings=tuple(findings), last_event_sha256=last_sha256, **counts)


def _findings(
    connection: sqlite3.Connection, revision: str, marks: Sequence[tuple[int, str]], *, old_is_whole: bool
) -> Iterator[str]:
    damage = [text for (text,) in connection.execute("PRAGMA integrity_check")]
    if damage != ["ok"]:
        yield from (f"the file is damaged: {text}" for text in damage)
        return
    for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        yield f"row {row} of {table} refers to a missing row of {parent}"
    old = revision != SCHEMA_REVISION
    if old and not (old_is_whole and revision < SCHEMA_REVISION):
        yield (
            f"the schema is {revision}, this fluewright has {SCHEMA_REVISION}: open the ledger once "
            "to upgrade it, then verify again"
        )
        return
    checks: list[tuple[str, Callable[[], Iterator[str]]]] = [
        ("the models", partial(_model_findings, connection)),
        ("the events", partial(_chain_findings, connection, marks)),
    ]
    if not old:
        checks = [
            ("the schema", partial(_schema_findings, connection)),
            ("the triggers", partial(_trigger_findings, connection)),
            *checks,
            ("the tables", partial(_agreement_findings, connection)),
            ("the serial numbers", partial(_serial_findings, connection)),
        ]
    for what, check in checks:
        try:
            yield from check()
        except sqlite3.Error:
            raise
        except (ValueError, TypeError, KeyError, AttributeError, IndexError, RecursionError) as error:
            # What was changed so that it cannot even be compared.
            yield f"{what} cannot be read ({type(error).__name__}: {error})"


def _schema_findings(connection: sqlite3.Connection) -> Iterator[str]:
    query = "SELECT type, name, tbl_name, sql FROM sqlite_master WHERE type <> 'trigger' ORDER BY type, name"
    present = {(kind, name): (table, plain_sql(sql)) for kind, name, table, sql in connection.execute(query)}
    for key, made in SCHEMA.items():
        if key not in present:
            yield f"{key[0]} {key[1]} is missing"
        elif present[key] != made:
            yield f"{key[0]} {key[1]} was altered"
    for kind, name in sorted(set(present) - set(SCHEMA)):
        yield f"{kind} {name} is not fluewright's"


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


def _chain_findings(connection: sqlite3.Connection, marks: Sequence[tuple[int, str]]) -> Iterator[str]:
    former_id, former = 0, CHAIN_START
    sizes: dict[str, Any] = defaultdict(dict)
    for row in connection.execute("SELECT * FROM events ORDER BY id"):
        number = row["id"]
        if number != former_id + 1:
            yield f"events {former_id + 1} to {number - 1} are missing"
        if row["former_sha256"] != former:
            yield f"event {number} does not continue the chain: one before it was changed, added or removed"
        try:
            texts = [row[key] for key in ("as_built_before", "as_built_after", "details")]
            before, after, details = map(json.loads, texts)
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
            if texts != [canonical_json(said) for said in (before, after, details)]:
                yield f"event {number} is not written as the ledger writes"
        except (ValueError, TypeError, RecursionError) as error:
            yield f"event {number} cannot be read ({error})"
            sha256 = ""
        else:
            if row["serial"] is not None:
                if sizes[row["serial"]] != before:
                    yield f"event {number} does not begin at the sizes that {row['serial']} had"
                sizes[row["serial"]] = after
        if sha256 != row["sha256"]:
            yield f"event {number} was changed: its content does not match its hash"
        if any(number == kept and row["sha256"] != kept_sha256.lower() for kept, kept_sha256 in marks):
            yield f"event {number} is not the one that was written down: its hash is {row['sha256']}"
        former_id, former = number, row["sha256"]
    for kept in sorted({kept for kept, _ in marks if kept > former_id}):
        yield f"event {kept} was written down, but the ledger ends at {former_id}"
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
        except (ValueError, TypeError, RecursionError):
            continue  # named with the chain
        if not isinstance(details, dict):
            yield f"event {event['id']} has no details"
            continue
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
            with suppress(ValueError, TypeError, RecursionError):  # else it stays text and so disagrees with the event
                read = json.loads(said[column])
                if canonical_json(read) == said[column]:
                    said[column] = read
        result[said.pop("event_id")] = said
    return result


def _serial_findings(connection: sqlite3.Connection) -> Iterator[str]:
    counters = {}
    for row in connection.execute("SELECT * FROM serial_counters"):
        counters[row["prefix"].upper()] = row["last_number"]
        if row["sha256"] != counter_sha256(row["prefix"], row["last_number"]):
            yield f"the counter of {row['prefix']} was changed: it does not match its hash"
    for (serial,) in connection.execute("SELECT serial FROM instruments"):
        try:
            _, prefix, number = checked_serial(serial)
        except LedgerError as error:
            yield str(error)
            continue
        if number > counters.get(prefix.upper(), 0):
            yield f"the counter of {prefix} stands below {serial}: the serial could be given out again"
