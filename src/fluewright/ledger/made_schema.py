"""Every table and index as the migrations make it, so that `verify` sees one that was altered.

The text lies in ``made_schema.json``; a test compares it with what a new ledger has and says how to renew it.
"""

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final

__all__ = ["SCHEMA", "plain_sql"]

_FILE: Final = Path(__file__).with_name("made_schema.json")


def plain_sql(sql: str | None) -> str:
    """Return a statement without what versions of SQLite write differently: spaces, and quotes about a table's name."""
    return re.sub(r"\s+", " ", (sql or "").replace('"', "")).strip()


def _read() -> dict[tuple[str, str], tuple[str, str]]:
    said = json.loads(_FILE.read_text(encoding="utf-8"))
    return {(kind, name): (table, sql) for kind, name, table, sql in said}


SCHEMA: Final[Mapping[tuple[str, str], tuple[str, str]]] = _read()
"""Table and plain statement by kind and name."""
