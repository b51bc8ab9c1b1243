"""How every verb puts out what it found: tables, strict JSON, warnings, files written whole."""

import json
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

from fluewright.errors import InputError

__all__ = ["console", "finite", "print_json", "print_table", "warn", "write_text"]


def print_json(data: Any) -> None:
    """Print data as JSON that has no NaN and no infinity."""
    sys.stdout.write(json.dumps(data, indent=2, allow_nan=False, ensure_ascii=False) + "\n")


def console(*, error: bool = False) -> Any:
    """Return a console for progress on a terminal; nothing is shown in a pipe."""
    from rich.console import Console

    return Console(stderr=error, highlight=False, soft_wrap=True)


def warn(lines: list[str] | tuple[str, ...]) -> None:
    """Print each line as a warning beside the result, on stderr."""
    for line in lines:
        sys.stderr.write(f"warning: {line}\n")


def print_table(title: str, columns: list[str], rows: list[list[str]]) -> None:
    """Print a table under a title; the first column is text, the others are figures."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    # A table is never narrowed: figures cut off at the edge of a pipe or a small window would be lost.
    table = Table(title=escape(title), box=box.SIMPLE_HEAD, title_justify="left")
    for i, name in enumerate(columns):
        table.add_column(name, justify="left" if i == 0 else "right", no_wrap=True)
    for row in rows:
        table.add_row(*(escape(cell) for cell in row))
    from rich.console import Console

    Console(highlight=False, width=max(240, max((sum(map(len, row)) for row in rows), default=0) + 60)).print(table)


def finite(value: float) -> float | None:
    """Return the value, or None where JSON has no figure for it."""
    return value if value == value and abs(value) != float("inf") else None


def write_text(path: Path, text: str) -> None:
    """Write a file at once or not at all."""
    temporary: Path | None = None
    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder; name a file in it")
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", suffix=".part", dir=path.parent)
        temporary = Path(name)
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
        temporary.chmod(0o644)
        temporary.replace(path)
    except OSError as error:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        raise InputError(
            f"{path}: cannot be written ({error.strerror or error}); choose a folder that exists and that you may "
            "write to"
        ) from error
