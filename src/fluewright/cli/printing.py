"""How every verb puts out what it found: tables, strict JSON, warnings, the files that were written.

All that the command line writes goes through here, so that no name in a file is ever obeyed by the terminal.
"""

import json
import math
import re
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from fluewright.plain_text import numbered, written_out
from fluewright.units import MINUS

if TYPE_CHECKING:
    from rich.console import Console
    from rich.status import Status

    from fluewright.acoustics.range_notes import RangeNote

__all__ = [
    "computing",
    "console",
    "figure",
    "finite",
    "print_files",
    "print_json",
    "print_table",
    "put",
    "tell",
    "warn",
    "warn_ranges",
]

# A hyphen before a figure is a minus sign, unless it joins: 2026-07-28, D5-0001, d5-cylinder, C-1.
_NEGATIVE = re.compile(r"(?<![\w.-])-(?=\.?\d)|(?<=\de)-(?=\d)")


def put(text: str) -> None:
    """Write a text on stdout, harmless for a terminal."""
    sys.stdout.write(written_out(text))


def tell(text: str) -> None:
    """Write a text on stderr, harmless for a terminal."""
    sys.stderr.write(written_out(text))


def print_json(data: object) -> None:
    """Print data as JSON that has no NaN and no infinity; numbers keep their plain hyphen.

    Raises
    ------
    ValueError, TypeError
        A number is not finite, or something is no JSON value: a fault of the program.
    """
    # Not every pipe is in UTF-8 (Windows); there every other sign is written as its number.
    plain = not (sys.stdout.encoding or "").lower().startswith("utf")
    text = json.dumps(data, indent=2, allow_nan=False, ensure_ascii=plain)
    # JSON writes out the first 32 control characters itself; the others stand as they are, and only within strings.
    sys.stdout.write(numbered(text) + "\n")


def console(*, error: bool = False) -> "Console":
    """Return a console for progress on a terminal; nothing is shown in a pipe."""
    from rich.console import Console

    return Console(stderr=error, highlight=False, soft_wrap=True)


def computing() -> "Status":
    """Return a sign of life on a terminal while something is computed, to be used in a with statement."""
    return console(error=True).status("computing; the first run after an installation compiles for half a minute")


def print_files(*paths: Path | None) -> None:
    """Print the files that were written, one a line."""
    for path in paths:
        if path is not None:
            put(f"{path}\n")


def warn(lines: list[str] | tuple[str, ...]) -> None:
    """Print each line as a warning beside the result, on stderr."""
    for line in lines:
        tell(f"warning: {line}\n")


def warn_ranges(notes: Iterable["RangeNote"]) -> None:
    """Print notes on ranges as warnings: what is said of the same size of several holes is one line, in first order.

    A line lists every key and the span of the values; JSON has each note by itself.
    """
    groups: dict[tuple[object, ...], list[RangeNote]] = {}
    for note in notes:
        same = (note.formula, note.effect, note.unit, note.low == -math.inf, note.high == math.inf, _kind(note.key))
        groups.setdefault(same, []).append(note)
    warn([group[0].text if len(group) == 1 else _together(group) for group in groups.values()])


def _kind(key: str) -> str:
    """Return the key without the hole's name (which may hold dots itself) or the station's number."""
    parts = key.split(".")
    return f"{parts[0]}.{parts[-1]}" if len(parts) > 2 else key


def _together(notes: Sequence["RangeNote"]) -> str:
    """Return one sentence for notes of one formula, effect and kind of size."""
    first = notes[0]
    unit = f" {first.unit}" if first.unit else ""
    low, high = _span(n.low for n in notes), _span(n.high for n in notes)
    if first.low == -math.inf:
        limit = f"at most {high}"
    elif first.high == math.inf:
        limit = f"at least {low}"
    else:
        limit = f"{low} to {high}"
    keys = ", ".join(dict.fromkeys(n.key for n in notes))
    found = f"{keys}: {_common([n.quantity for n in notes])} is {_span(n.value for n in notes)}{unit}"
    return f"{found}, but {first.formula} holds for {limit}{unit}; {first.effect}"


def _span(values: Iterable[float]) -> str:
    """Return one figure, or the least and the greatest."""
    ordered = sorted(values)
    low, high = f"{ordered[0]:.4g}", f"{ordered[-1]:.4g}"
    return low if low == high else f"{low} to {high}"


def _common(phrases: Sequence[str]) -> str:
    """Return one phrase for several that differ in one stretch of words, such as the hole that they name."""
    words = [p.split(" ") for p in dict.fromkeys(phrases)]
    if len(words) == 1:
        return phrases[0]
    shortest = min(map(len, words))
    head = next((i for i in range(shortest) if len({w[i] for w in words}) > 1), shortest)
    tail = next((i for i in range(shortest - head) if len({w[-1 - i] for w in words}) > 1), shortest - head)
    parts = dict.fromkeys(" ".join(w[head : len(w) - tail]) for w in words)
    return " ".join([*words[0][:head], ", ".join(parts), *words[0][len(words[0]) - tail :]])


def print_table(title: str, columns: list[str], rows: list[list[str]]) -> None:
    """Print a table under a title: the first column text, the others figures, the negative ones with a true minus."""
    from rich import box
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    # A table is never narrowed: figures cut off at the edge of a pipe or a small window would be lost.
    table = Table(title=escape(_as_shown(title)), box=box.SIMPLE_HEAD, title_justify="left")
    for i, name in enumerate(columns):
        table.add_column(name, justify="left" if i == 0 else "right", no_wrap=True)
    for row in rows:
        table.add_row(*(escape(_as_shown(cell)) for cell in row))
    Console(highlight=False, width=max(240, max((sum(map(len, row)) for row in rows), default=0) + 60)).print(table)


def _as_shown(text: str) -> str:
    """Return the text harmless, with a true minus sign before every negative figure; hyphens stay hyphens."""
    return _NEGATIVE.sub(MINUS, written_out(text))


def figure(value: float, digits: int = 0) -> str:
    """Return a figure for a table; a dash where there is none."""
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"


def finite(value: float) -> float | None:
    """Return the value, or None where JSON has no figure for it."""
    return value if value == value and abs(value) != float("inf") else None
