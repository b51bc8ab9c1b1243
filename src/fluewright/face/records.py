"""Tables for scripts and notebooks: plain records that a data-frame library takes at once, also as text and as HTML."""

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

__all__ = ["Plain", "Record", "RecordTable", "Tabular", "html_table", "plain", "text_table"]

Plain = str | int | float | bool | None
"""What stands in a cell; None where there is no figure."""
Record = dict[str, Plain]
"""One row: cells by the name of their column, which ends in its unit."""


def plain(value: float) -> float | None:
    """Return a figure as a plain number; None for what is not finite."""
    return float(value) if math.isfinite(value) else None


class Tabular(ABC):
    """Something that tells itself in one line and holds a table."""

    @abstractmethod
    def _headline(self) -> str:
        """Return what it is and holds, in one line."""

    @abstractmethod
    def records(self) -> list[Record]:
        """Return one dict a row, of plain Python values, all with the same keys."""

    def __repr__(self) -> str:
        """Return its kind and headline in one line."""
        return f"<{type(self).__name__} {self._headline()}>"

    def __str__(self) -> str:
        """Return the headline with the table under it."""
        return "\n".join([self._headline(), *text_table(self.records())])


@dataclass(frozen=True, repr=False)
class RecordTable(Tabular):
    """A table under a title.

    Attributes
    ----------
    title : str
    rows : tuple of dict
        Cells by column; all with the same keys.
    """

    title: str
    rows: tuple[Record, ...]

    def _headline(self) -> str:
        return f"{self.title}: {len(self.rows)} row{'' if len(self.rows) == 1 else 's'}"

    def records(self) -> list[Record]:
        """Return one dict a row, of plain Python values."""
        return [dict(row) for row in self.rows]

    def __len__(self) -> int:
        """Return how many rows there are."""
        return len(self.rows)

    def _repr_html_(self) -> str:
        return f"<div><p>{escape(self.title)}</p>{html_table(self.rows)}</div>"


def _digits(values: Sequence[Plain]) -> int:
    """Return how many digits after the point the figures of a column are shown with: 4 where all are below 1."""
    return 2 if any(isinstance(v, float) and abs(v) >= 1.0 for v in values) else 4


def _cell(value: Plain, digits: int) -> str:
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case float():
            return f"{value:.{digits}f}"
        case _:
            return str(value)


def _is_number(value: Plain) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _shown(rows: Sequence[Record]) -> tuple[list[bool], list[list[str]]]:
    """Return which columns hold figures, and every cell as text."""
    columns = [[row[name] for row in rows] for name in rows[0]]
    digits = [_digits(column) for column in columns]
    cells = [[_cell(v, d) for v, d in zip(row.values(), digits, strict=True)] for row in rows]
    return [any(map(_is_number, column)) for column in columns], cells


def text_table(rows: Sequence[Record]) -> list[str]:
    """Return a table as lines of text: names of the columns, then a line a row; figures stand at the right."""
    if not rows:
        return []
    figures, cells = _shown(rows)
    lines = [list(rows[0]), *cells]
    widths = [max(len(line[j]) for line in lines) for j in range(len(figures))]
    aligned = (
        [c.rjust(w) if right else c.ljust(w) for c, w, right in zip(line, widths, figures, strict=True)]
        for line in lines
    )
    return ["  ".join(line).rstrip() for line in aligned]


def html_table(rows: Sequence[Record]) -> str:
    """Return a table as HTML that is well-formed XML too; a paragraph where it has no row."""
    if not rows:
        return "<p>nothing</p>"
    figures, cells = _shown(rows)
    head = "".join(f"<th>{escape(name)}</th>" for name in rows[0])
    sides = ["right" if right else "left" for right in figures]
    body = "".join(
        f"<tr>{''.join(_html_cell(c, side) for c, side in zip(line, sides, strict=True))}</tr>" for line in cells
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _html_cell(cell: str, side: str) -> str:
    return f'<td style="text-align: {side}">{escape(cell)}</td>'
