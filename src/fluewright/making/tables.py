"""The tables of the papers as plain data: columns, rows of words, and how they are set beside each other."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

__all__ = ["Table", "TableGroup", "breakable", "shortened", "svg_size_mm"]


@dataclass(frozen=True)
class Table:
    """One table of words.

    Parameters
    ----------
    columns : sequence of str, shape (n,)
        Heads of the columns.
    rows : sequence of sequence of str, shape (m, n)
    left : sequence of int
        Columns whose words stand at their left side; figures stand at the right.
    """

    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    left: Sequence[int] = ()

    def form(self, runs: Mapping[int, int], **look: object) -> dict[str, object]:
        """Return what the page's code reads.

        Parameters
        ----------
        runs : mapping
            After how many letters a long word may break, by column.
        look
            More keys, for how the table looks.
        """
        rows = [[breakable(cell, runs[i]) if i in runs else cell for i, cell in enumerate(row)] for row in self.rows]
        right = [i not in self.left for i in range(len(self.columns))]
        return {"columns": list(self.columns), "right": right, "rows": rows, **look}

    def cut(self, count: int) -> list["Table"]:
        """Return the table in so many parts of nearly equal length, to stand beside each other."""
        share = max(1, math.ceil(len(self.rows) / count))
        starts = range(0, max(len(self.rows), 1), share)
        return [Table(self.columns, self.rows[start : start + share], self.left) for start in starts]


@dataclass(frozen=True)
class TableGroup:
    """Tables under one heading, beside each other, with a note under them."""

    title: str
    tables: Sequence[Table]
    note: str = ""


def breakable(text: str, run: int) -> str:
    """Return the text on one line, its long words with places where a line may break: none runs over its column."""
    return re.sub(rf"(\S{{{run}}})(?=\S)", "\\1\u200b", " ".join(text.split()))


def shortened(text: str, most: int) -> str:
    """Return the text on one line, cut with an ellipsis where it has more letters than allowed."""
    flat = " ".join(text.split())
    return flat if len(flat) <= most else flat[: most - 1] + "…"


def svg_size_mm(svg: str) -> tuple[float, float]:
    """Return width and height of a picture of ours.

    Raises
    ------
    ValueError
        It is none.
    """
    match = re.match(r'<svg [^>]*?width="([0-9.]+)mm" height="([0-9.]+)mm"', svg)
    if match is None:
        raise ValueError("a drawing without width and height")
    return float(match.group(1)), float(match.group(2))
