"""Reads pages of the documentation: their anchors and links, the citations of them, and the checks they carry."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

__all__ = ["Broken", "anchors_of", "broken_citations", "broken_links", "checks_of", "old_citations", "run_checks"]

FOLDERS = ("src", "tests", "research", "benchmarks", "docs")
SUFFIXES = {".py", ".md", ".toml", ".typ", ".html", ".js", ".css"}

_FENCE = re.compile(r"^```.*?^```[^\S\n]*$", re.MULTILINE | re.DOTALL)
_CHECK = re.compile(r"^```check\n(.*?)^```[^\S\n]*$", re.MULTILINE | re.DOTALL)
_HEADING = re.compile(r"^#{1,6} (.+?)[ #]*$", re.MULTILINE)
_NAMED = re.compile(r'<a id="([^"]+)">')
_LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
_CITED = re.compile(r"\bdocs/(?:[\w-]+/)*[\w-]+\.md(?:#[\w-]+)?")
_OLD = re.compile(r"\b[Pp]hysics\s+(?:notes|reference)\b|\b[Tt]rade\s+notes\b|\bNotes \d+(?:\.\d+)?")


@dataclass(frozen=True)
class Broken:
    """One place that leads nowhere: the file, its line and what stands there."""

    file: str
    line: int
    target: str


def anchors_of(text: str) -> frozenset[str]:
    """Return the anchors of a page: the slugs of its headings, as code hosts make them, and its named places."""
    plain = _FENCE.sub("", text)
    found: set[str] = set(_NAMED.findall(plain))
    for heading in _HEADING.findall(plain):
        words = _LINK.sub(lambda m: m.group(0).split("]")[0][1:], heading)
        slug = re.sub(r"[^\w\- ]", "", words.lower()).strip().replace(" ", "-")
        again, count = slug, 0
        while again in found:
            count += 1
            again = f"{slug}-{count}"
        found.add(again)
    return frozenset(found)


def _files(root: Path) -> Iterator[Path]:
    """Yield every text of the repository that may cite a page."""
    yield from sorted(path for path in root.glob("*") if path.suffix in SUFFIXES or path.name == "Makefile")
    for folder in FOLDERS:
        yield from sorted(path for path in (root / folder).rglob("*") if path.suffix in SUFFIXES and path.is_file())


def _leads(target: str, place: Path) -> bool:
    """Return whether a path, with an anchor or without, exists when it is taken from `place`."""
    path, _, anchor = target.partition("#")
    file = place / path
    if not file.exists():
        return False
    return not anchor or (file.is_file() and anchor in anchors_of(file.read_text(encoding="utf-8")))


def _broken(path: Path, root: Path, text: str, found: Iterator[re.Match[str]], place: Path) -> Iterator[Broken]:
    for match in found:
        target = match.group(match.lastindex or 0)
        if not _leads(target, place):
            yield Broken(str(path.relative_to(root)), text.count("\n", 0, match.start()) + 1, target)


def broken_citations(root: Path) -> list[Broken]:
    """Return every path of a page under docs, in code or text, that names no page or no anchor of it."""
    found: list[Broken] = []
    for path in _files(root):
        text = path.read_text(encoding="utf-8")
        found += _broken(path, root, text, _CITED.finditer(text), root)
    return found


def broken_links(root: Path) -> list[Broken]:
    """Return every relative link of a Markdown page that names no file, or no anchor of it."""
    found: list[Broken] = []
    for path in _files(root):
        if path.suffix != ".md":
            continue
        # Lines are kept where fences stood, so that numbers hold.
        text = _FENCE.sub(lambda m: "\n" * m.group(0).count("\n"), path.read_text(encoding="utf-8"))
        for match in _LINK.finditer(text):
            target = match.group(1)
            if re.match(r"[a-z]+:", target):
                continue
            here = f"{path.name}{target}" if target.startswith("#") else target
            if not _leads(here, path.parent):
                found.append(Broken(str(path.relative_to(root)), text.count("\n", 0, match.start()) + 1, target))
    return found


def old_citations(root: Path) -> list[Broken]:
    """Return every mention of notes by a section's number instead of by page and anchor."""
    found: list[Broken] = []
    for path in _files(root):
        text = path.read_text(encoding="utf-8")
        for match in _OLD.finditer(text):
            found.append(Broken(str(path.relative_to(root)), text.count("\n", 0, match.start()) + 1, match.group(0)))
    return found


def checks_of(text: str) -> list[str]:
    """Return the lines of a page's blocks that are fenced as ``check``."""
    return [line for block in _CHECK.findall(text) for line in block.splitlines()]


def run_checks(lines: Iterable[str]) -> list[tuple[str, str, float, float]]:
    """Run a page's lines and return (call, printed value, value found, half a unit of the last printed digit).

    Lines with `` -> `` are checks; all others are run as they stand. What one block names, the later ones know.
    """
    known: dict[str, object] = {}
    found = []
    for line in lines:
        call, arrow, printed = line.partition(" -> ")
        if not arrow:
            exec(line, known)
            continue
        last = Decimal(printed.strip()).as_tuple().exponent
        assert isinstance(last, int)
        found.append((call, printed.strip(), float(eval(call, known)), 0.5 * 10.0**last))  # type: ignore[arg-type]
    return found
