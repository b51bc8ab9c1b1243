"""Reads papers back from the PDF as they are printed: words with their places, tables by column, lines to measure."""

from dataclasses import dataclass

import pypdfium2 as pdfium
import pypdfium2.raw as raw

MM = 25.4 / 72.0
_SAME_MM = 0.4  # edges of one column
_GAP_MM = 2.0  # between two cells; a space within one is 1.5 mm


@dataclass(frozen=True)
class Box:
    """A place on the page, mm from its upper left corner."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self):
        return self.right - self.left

    @property
    def height(self):
        return self.bottom - self.top

    @property
    def centre(self):
        return 0.5 * (self.left + self.right), 0.5 * (self.top + self.bottom)


@dataclass(frozen=True)
class Word:
    """Letters beside each other on one line."""

    text: str
    box: Box


@dataclass(frozen=True)
class Printed:
    """One page: its text, its letters, and the bounds of every line, outline and area, in the order of drawing."""

    text: str
    letters: tuple[Word, ...]
    paths: tuple[Box, ...]


def read_pages(path):
    """Return every page of a PDF."""
    document = pdfium.PdfDocument(str(path))
    try:
        return [_read(page) for page in document]
    finally:
        document.close()


def _read(page):
    height = page.get_height()

    def box(left, bottom, right, top):
        return Box(left * MM, (height - top) * MM, right * MM, (height - bottom) * MM)

    text = page.get_textpage()
    letters = []
    for i in range(text.count_chars()):
        letter = text.get_text_range(i, 1)
        if letter.strip() and letter != "\u200b":
            # The loose box reaches from ascent to descent, so that letters of one line share it.
            letters.append(Word(letter, box(*text.get_charbox(i, loose=True))))
    paths = [box(*o.get_bounds()) for o in page.get_objects() if o.type == raw.FPDF_PAGEOBJ_PATH]
    return Printed(text.get_text_range().replace("\u200b", ""), tuple(letters), tuple(paths))


def lines_of(letters):
    """Return the letters in lines from above, each from the left."""
    lines = []
    for letter in sorted(letters, key=lambda w: w.box.centre[1]):
        if lines and abs(letter.box.centre[1] - lines[-1][0].box.centre[1]) < 0.5:
            lines[-1].append(letter)
        else:
            lines.append([letter])
    return [sorted(line, key=lambda w: w.box.left) for line in lines]


def words_of(line, gap_mm=_GAP_MM):
    """Return what stands on a line in words with spaces, parted where the gap is wider than a space."""
    words = []
    for letter in line:
        gap = letter.box.left - words[-1].box.right if words else gap_mm
        if gap >= gap_mm:
            words.append(letter)
        else:
            before = words[-1]
            wide = 0.5 * letter.box.width
            text = before.text + (" " if gap > wide else "") + letter.text
            words[-1] = Word(text, Box(before.box.left, before.box.top, letter.box.right, before.box.bottom))
    return words


def tables_of(page):
    """Return the tables of a page as dicts from the head of a column to its cells, found by their three rules.

    A cell belongs to the column with which it shares its left or its right edge. A line without a word in the first
    column goes on with the row above it.
    """
    groups = []
    for rule in sorted((p for p in page.paths if p.height < 0.5 and p.width > 8.0), key=lambda r: r.top):
        for group in groups:
            if abs(rule.left - group[0].left) < 0.25 and abs(rule.right - group[0].right) < 0.25:
                group.append(rule)
                break
        else:
            groups.append([rule])
    found = []
    for group in groups:
        # A page's own line stands alone; a table has one over its heads, one under them, one at its end.
        found += [group[i : i + 3] for i in range(0, len(group) - 2, 3) if group[i + 1].top - group[i].top < 6.0]
    found.sort(key=lambda rules: (round(rules[0].top), rules[0].left))
    return [table for table in (_cells(page, *rules) for rules in found) if table]


def _cells(page, top, middle, bottom):
    def between(above, below):
        return [
            letter for letter in page.letters
            if above.top < letter.box.centre[1] < below.top and top.left < letter.box.centre[0] < top.right
        ]  # fmt: skip

    heads = [word for line in lines_of(between(top, middle)) for word in words_of(line)]
    if not heads:
        return None  # lines of a drawing
    table = {word.text: [] for word in heads}
    assert len(table) == len(heads)
    first = heads[0].text
    for line in lines_of(between(middle, bottom)):
        row = {}
        for cell in words_of(line):
            columns = [
                h.text for h in heads
                if abs(h.box.left - cell.box.left) < _SAME_MM or abs(h.box.right - cell.box.right) < _SAME_MM
            ]  # fmt: skip
            assert len(columns) == 1, (cell, heads)
            row[columns[0]] = cell.text
        if first in row:
            for column, cells in table.items():
                cells.append(row.get(column, ""))
        else:
            for column, text in row.items():
                table[column][-1] += f" {text}" if table[column][-1] else text
    return table


def joined(tables):
    """Return tables with the same columns as one, in the order given."""
    whole = {}
    for table in tables:
        for column, cells in table.items():
            whole.setdefault(column, []).extend(cells)
    return whole


def tables_with(pages, *columns):
    """Return the one table with exactly these columns, its parts joined from left to right and page by page."""
    own = [table for page in pages for table in tables_of(page) if list(table) == list(columns)]
    assert own, columns
    return joined(own)
