"""Prints the measures of the house: how long files and functions are, what docstrings state, what repeats.

    python research/house/measures.py            the table
    python research/house/measures.py --list     and every place behind a figure

Definitions, so that figures of two states can be compared:

- a function's length runs from ``def`` to its last line, without its docstring;
- an import knot is a set of modules that import each other in a ring, imports for types alone included;
- an array function is public and has an array in its arguments or result; it states shapes when its docstring (or the
  docstring of its class) says ``shape``, ``scalar``, or "as many as";
- a raising function is public and has a ``raise`` in its body; it says so with a ``Raises`` section;
- kernels are left out of the two docstring measures where they are private to their package.
"""

import argparse
import ast
import io
import keyword
import re
import tokenize
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import grimp
import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

ROOT = Path(__file__).resolve().parents[2]
SOURCE = ROOT / "src" / "fluewright"
LONG_FILE, LONGEST_FILE, LONG_FUNCTION, ALIKE = 500, 600, 50, 6
_ARRAY = re.compile(r"\b(NDArray|\w*Array|ndarray)\b")
_SHAPE = re.compile(r"\bshapes?\b|\bscalar\b|as many as|array-like", re.IGNORECASE)


@dataclass(frozen=True)
class Function:
    """One function as the measures see it."""

    path: Path
    node: ast.FunctionDef | ast.AsyncFunctionDef
    owner: ast.ClassDef | None
    nested: bool

    @property
    def place(self) -> str:
        return f"{self.path.relative_to(ROOT)}:{self.node.lineno} {self.node.name}"

    @property
    def public(self) -> bool:
        """Whether others may call it: no leading underscore, not inside a function, not in a private class."""
        private = self.node.name.startswith("_") or (self.owner is not None and self.owner.name.startswith("_"))
        return not private and not self.nested

    @property
    def length(self) -> int:
        body = self.node.body
        said = body[0] if ast.get_docstring(self.node) is not None else None
        doc = (said.end_lineno or 0) - said.lineno + 1 if said is not None else 0
        return (self.node.end_lineno or 0) - self.node.lineno + 1 - doc

    @property
    def annotations(self) -> str:
        arguments = self.node.args
        every = [*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs]
        every += [a for a in (arguments.vararg, arguments.kwarg) if a is not None]
        said = [ast.unparse(a.annotation) for a in every if a.annotation is not None]
        return " ".join([*said, ast.unparse(self.node.returns) if self.node.returns is not None else ""])

    @property
    def docs(self) -> str:
        own = ast.get_docstring(self.node) or ""
        return own

    @property
    def raises(self) -> bool:
        return any(isinstance(n, ast.Raise) and n.exc is not None for n in _own_nodes(self.node))


def _own_nodes(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what stands in a function, not in functions inside it."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda | ast.ClassDef):
            continue
        yield child
        yield from _own_nodes(child)


def functions(path: Path) -> Iterator[Function]:
    """Yield every function of a file."""

    def walk(node: ast.AST, owner: ast.ClassDef | None, nested: bool) -> Iterator[Function]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
                yield Function(path, child, owner, nested)
                yield from walk(child, None, True)
            elif isinstance(child, ast.ClassDef):
                yield from walk(child, child, nested)
            else:
                yield from walk(child, owner, nested)

    yield from walk(ast.parse(path.read_text(encoding="utf-8")), None, False)


def parameters_typed_any(function: Function) -> int:
    """Count parameters whose type is Any, alone or as all that a container holds."""
    arguments = function.node.args
    every = [*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs]
    return sum(a.annotation is not None and ast.unparse(a.annotation) == "Any" for a in every)


def knots() -> list[list[str]]:
    """Return the sets of modules that import each other in a ring."""
    graph = grimp.build_graph("fluewright", include_external_packages=False, cache_dir=None)
    names = sorted(graph.modules)
    at = {n: i for i, n in enumerate(names)}
    pairs = [(at[a], at[b]) for a in names for b in graph.find_modules_directly_imported_by(a)]
    rows, columns = np.array(pairs).T
    matrix = csr_array((np.ones(len(pairs)), (rows, columns)), shape=(len(names), len(names)))
    count, label = connected_components(matrix, directed=True, connection="strong")
    found = [[names[i] for i in np.flatnonzero(label == k)] for k in range(count)]
    return [f for f in found if len(f) > 1]


def shaped_lines(path: Path) -> list[tuple[int, str]]:
    """Return a file's lines of code as (number, shape): names, strings and numbers are folded, imports left out."""
    text = path.read_text(encoding="utf-8")
    tree, skip = ast.parse(text), set[int]()
    for node in ast.walk(tree):
        said = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
        if isinstance(node, ast.Import | ast.ImportFrom) or said:
            skip.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    shapes: dict[int, list[str]] = {}
    folded = {tokenize.NUMBER: "0", tokenize.STRING: "S"}
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.start[0] in skip or not token.string.strip() or token.type == tokenize.COMMENT:
            continue
        name = token.type == tokenize.NAME and not keyword.iskeyword(token.string)
        shapes.setdefault(token.start[0], []).append("N" if name else folded.get(token.type, token.string))
    lines = [(n, " ".join(said)) for n, said in sorted(shapes.items())]
    return [(n, shape) for n, shape in lines if re.search(r"\w", shape)]


def alike_pairs(files: list[Path]) -> list[str]:
    """Return the pairs of files, or of places in one, that share runs of six or more lines of the same shape."""
    places: dict[tuple[str, ...], list[tuple[str, int]]] = {}
    for path in files:
        lines = shaped_lines(path)
        for i in range(len(lines) - ALIKE + 1):
            run = tuple(shape for _, shape in lines[i : i + ALIKE])
            places.setdefault(run, []).append((str(path.relative_to(ROOT)), lines[i][0]))
    pairs: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for found in places.values():
        # What stands in more than eight places is a habit of the language, not a repeat.
        if 2 <= len(found) <= 8:
            for (one, i), (two, j) in combinations(found, 2):
                if one != two or abs(i - j) >= ALIKE:
                    pairs.setdefault((one, two), []).append((i, j))
    return [f"{one}:{min(at)[0]} ~ {two}:{min(at)[1]}" for (one, two), at in sorted(pairs.items())]


def share(part: int, whole: int) -> str:
    """Return a share in words."""
    return f"{part} of {whole} ({100.0 * part / max(whole, 1):.1f} %)"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--list", action="store_true", help="name every place behind a figure")
    wanted = parser.parse_args()
    files = sorted(SOURCE.rglob("*.py"))
    lines = {p: len(p.read_text(encoding="utf-8").splitlines()) for p in files}
    tests = sum(len(p.read_text(encoding="utf-8").splitlines()) for p in (ROOT / "tests").rglob("*.py"))
    every = [f for p in files for f in functions(p)]
    long = [f for f in every if f.length > LONG_FUNCTION]
    arrays = [f for f in every if f.public and _ARRAY.search(f.annotations)]
    shapeless = [f for f in arrays if not _SHAPE.search(f.docs)]
    raising = [f for f in every if f.public and f.raises]
    silent = [f for f in raising if "Raises" not in f.docs]
    typed_any = [f for f in every for _ in range(parameters_typed_any(f))]
    rings, alike = knots(), alike_pairs(files)
    table: list[tuple[str, str, list[str]]] = [
        (f"files over {LONG_FILE} lines", str(sum(n > LONG_FILE for n in lines.values())),
         [f"{p.relative_to(ROOT)} {n}" for p, n in lines.items() if n > LONG_FILE]),
        (f"files over {LONGEST_FILE} lines", str(sum(n > LONGEST_FILE for n in lines.values())), []),
        (f"functions over {LONG_FUNCTION} lines", share(len(long), len(every)),
         [f"{f.place} {f.length}" for f in sorted(long, key=lambda f: -f.length)]),
        ("import knots", str(len(rings)), [" <-> ".join(r) for r in rings]),
        (f"pairs of places that share {ALIKE} lines of one shape", str(len(alike)), alike),
        ("public array functions that state shapes", share(len(arrays) - len(shapeless), len(arrays)),
         [f.place for f in shapeless]),
        ("raising functions that say so", share(len(raising) - len(silent), len(raising)), [f.place for f in silent]),
        ("parameters typed Any", str(len(typed_any)), [f.place for f in typed_any]),
        ("lines of tests for one of code", f"{tests / sum(lines.values()):.2f}", []),
    ]  # fmt: skip
    print("| measure | figure |\n|---|---|")
    for name, figure, _ in table:
        print(f"| {name} | {figure} |")
    if wanted.list:
        for name, _, places in table:
            if places:
                print(f"\n{name}")
                print("\n".join(f"  {p}" for p in places))


if __name__ == "__main__":
    main()
