"""The whole ledger as plain files that anyone can read: JSON Lines and CSV, one file a table each."""

import csv
import hashlib
import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from fluewright.errors import LedgerError
from fluewright.files import narrowed, sync_folder
from fluewright.ledger.guarded import told
from fluewright.ledger.ledger_file import reading
from fluewright.ledger.schema import SCHEMA_REVISION, Base, json_columns, time_text
from fluewright.ledger.trouble import trouble
from fluewright.plain_text import numbered, written_out
from fluewright.spreadsheet import harmless

__all__ = ["EXPORT_FORMAT", "ExportReport", "export_ledger"]

EXPORT_FORMAT = "fluewright-ledger-export/1"
"""Kind and number of the format, written into the contents file."""


@dataclass(frozen=True, kw_only=True)
class ExportReport:
    """What was written.

    Attributes
    ----------
    folder : Path
        Where.
    rows : mapping of str to int
        Rows by table.
    files : mapping of str to str
        SHA-256 by file name.
    """

    folder: Path
    rows: Mapping[str, int]
    files: Mapping[str, str]


def export_ledger(ledger: Path | str, folder: Path | str) -> ExportReport:
    """Write every row of every table, from one moment, while others may work.

    For each table there is ``<table>.jsonl`` (one JSON object a row; nested values as they are, missing ones
    null) and ``<table>.csv`` (UTF-8, header, nested values as JSON text, missing ones empty, a text that a
    spreadsheet would run as a formula behind ``'``), and ``contents.json`` names the format, the schema, the number of
    rows and the SHA-256 of each file.

    Parameters
    ----------
    ledger : path
        The ledger's file.
    folder : path
        A new or empty folder; it appears only when all is written.

    Raises
    ------
    LedgerError
        There is no ledger, it has an older schema, or the folder is not empty or cannot be written.
    """
    ledger, folder = Path(ledger), Path(folder)
    if folder.is_symlink():
        raise LedgerError(f"{folder} is a link, and nothing is written through one: name the folder itself.")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise LedgerError(f"{folder} is not an empty folder and is not overwritten: choose another one.")
    try:
        place = folder.resolve()
    except (OSError, RuntimeError) as error:  # RuntimeError: of links in a circle, before Python 3.13
        raise LedgerError(f"{folder} cannot be followed ({error}): choose another folder.") from error
    if not place.parent.is_dir():
        raise LedgerError(f"There is no folder {folder.parent} for the export: make it first.")
    unfinished = place.with_name(f".{place.name}.unfinished")
    try:
        shutil.rmtree(unfinished, ignore_errors=True)
        unfinished.mkdir(mode=0o700)
        rows = _write_tables(ledger, unfinished)
        files = {path.name: _file_sha256(path) for path in sorted(unfinished.iterdir())}
        contents = {
            "format": EXPORT_FORMAT,
            "schema": SCHEMA_REVISION,
            "exported_at": time_text(datetime.now(UTC)),
            "rows": rows,
            "sha256": files,
        }
        (unfinished / "contents.json").write_text(json.dumps(contents, indent=2) + "\n", encoding="utf-8")
        for one in unfinished.iterdir():
            narrowed(one)
        if folder.exists():
            folder.rmdir()
        unfinished.rename(folder)
        sync_folder(folder.parent)
    except OSError as error:
        raise trouble(folder, "written", error, after=". Nothing was exported") from error
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)
    return ExportReport(folder=folder, rows=rows, files=files)


def _write_tables(ledger: Path, folder: Path) -> dict[str, int]:
    rows: dict[str, int] = {}
    with told(ledger), reading(ledger) as (connection, revision):
        if revision != SCHEMA_REVISION:
            raise LedgerError(
                f"{ledger} has schema {revision}, this fluewright exports {SCHEMA_REVISION}: open the "
                "ledger to upgrade it, or install the version that wrote it."
            )
        for table in Base.metadata.sorted_tables:
            columns = [column.name for column in table.columns]
            nested = json_columns(table.name)
            order = ", ".join(column.name for column in table.primary_key)
            rows[table.name] = 0
            with (
                (folder / f"{table.name}.jsonl").open("w", encoding="utf-8", newline="\n") as lines,
                (folder / f"{table.name}.csv").open("w", encoding="utf-8", newline="") as cells,
            ):
                sheet = csv.writer(cells)
                sheet.writerow(columns)
                query = f"SELECT {', '.join(columns)} FROM {table.name} ORDER BY {order}"
                for row in connection.execute(query):
                    said: dict[str, Any] = dict(row)
                    sheet.writerow(_written(said[column]) for column in columns)
                    for column in nested:
                        said[column] = json.loads(said[column])
                    lines.write(numbered(json.dumps(said, ensure_ascii=False, allow_nan=False)) + "\n")
                    rows[table.name] += 1
    return rows


def _written(cell: object) -> object:
    # Pairs of carriage return and line feed, as some systems end lines, stay in the text of a model.
    return harmless("\r\n".join(map(written_out, cell.split("\r\n"))) if isinstance(cell, str) else cell)


def _file_sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
