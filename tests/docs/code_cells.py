"""Runs the code of a page or of a notebook in cells, as a notebook does, and compares or renews what a page shows.

    python tests/docs/code_cells.py docs/python.md     renews the page's outputs

A page's cells are its blocks fenced as ``python``; one fenced as ``output`` right behind a cell is what the cell
prints, then the value of its last line. Three points in it stand for anything.
"""

import ast
import contextlib
import io
import re
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

__all__ = ["Cell", "Ran", "cells_of_notebook", "cells_of_page", "renewed", "run_cells", "shows", "words_of_notebook"]

_BLOCK = re.compile(r"^```(python|output)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_MARK = re.compile(r"^# %%(.*)$", re.MULTILINE)


@dataclass(frozen=True)
class Cell:
    """A piece of code, the line where it begins, and what the page shows as its output; None where it shows none."""

    code: str
    line: int
    output: str | None = None


@dataclass(frozen=True)
class Ran:
    """What a cell printed, and the value of its last line (None where that is no expression)."""

    cell: Cell
    printed: str
    value: Any

    @property
    def told(self) -> str:
        """What a page shows of it: what was printed, then the last value."""
        return self.printed + ("" if self.value is None else f"{self.value!r}\n")


def cells_of_page(text: str) -> list[Cell]:
    """Return the cells of a Markdown page.

    Raises
    ------
    ValueError
        An output stands behind no cell.
    """
    found: list[Cell] = []
    end = -1
    for match in _BLOCK.finditer(text):
        line = text.count("\n", 0, match.start(2)) + 1
        if match[1] == "python":
            found.append(Cell(match[2], line))
        elif end < 0 or text[end : match.start()].strip():
            raise ValueError(f"line {line}: an output behind no cell")
        else:
            found[-1] = Cell(found[-1].code, found[-1].line, match[2])
        end = match.end() if match[1] == "python" else -1
    return found


def _marked(text: str) -> Iterator[tuple[bool, str, int]]:
    """Yield (whether it is code, text, line) of every cell of a script in percent format."""
    marks = list(_MARK.finditer(text))
    for mark, following in zip(marks, [*marks[1:], None], strict=True):
        end = len(text) if following is None else following.start()
        yield "[markdown]" not in mark[1], text[mark.end() : end], text.count("\n", 0, mark.end()) + 1


def cells_of_notebook(text: str) -> list[Cell]:
    """Return the code cells of a script in percent format."""
    return [Cell(part, line) for code, part, line in _marked(text) if code]


def words_of_notebook(text: str) -> list[str]:
    """Return the lines of its cells of words as they stand, the marks of the cells left out."""
    return [line for code, part, _ in _marked(text) if not code for line in part.strip().split("\n")]


def run_cells(cells: list[Cell], folder: Path, *, name: str) -> list[Ran]:
    """Run cells one after another in one namespace, in a folder; an error tells the file's line."""
    known: dict[str, Any] = {"__name__": "__main__"}
    with contextlib.chdir(folder):
        return [_run(cell, known, name) for cell in cells]


def _run(cell: Cell, known: dict[str, Any], name: str) -> Ran:
    tree = ast.parse(cell.code, name)
    ast.increment_lineno(tree, cell.line - 1)
    last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
    value = None
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        exec(compile(tree, name, "exec"), known)
        if isinstance(last, ast.Expr):
            value = eval(compile(ast.Expression(last.value), name, "eval"), known)
    return Ran(cell, printed.getvalue(), value)


def shows(output: str, told: str) -> bool:
    """Return whether an output on a page is what was told; three points stand for anything."""
    pattern = ".*".join(map(re.escape, output.strip().split("...")))
    return re.fullmatch(pattern, told.strip(), re.DOTALL) is not None


def renewed(text: str, ran: list[Ran]) -> str:
    """Return a page with its outputs as they were told; one that holds anyway stays, three points and all."""
    told = iter(ran)

    def block(match: re.Match[str]) -> str:
        nonlocal one
        if match[1] == "python":
            one = next(told)
            return match[0]
        assert one is not None
        return match[0] if shows(match[2], one.told) else f"```output\n{one.told.rstrip()}\n```"

    one: Ran | None = None
    return _BLOCK.sub(block, text)


def main() -> None:
    """Renew the outputs of the pages named."""
    for path in map(Path, sys.argv[1:]):
        text = path.read_text(encoding="utf-8")
        with tempfile.TemporaryDirectory() as folder:
            ran = run_cells(cells_of_page(text), Path(folder), name=str(path))
        path.write_text(renewed(text, ran), encoding="utf-8")
        sys.stdout.write(f"{path}: {len(ran)} cells\n")


if __name__ == "__main__":
    main()
