"""What the bench needs on paper for one model: scaled drawings, tables of sizes, the hole template at 1:1."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fluewright.instrument.model import Model
from fluewright.instrument.shape import outside_diameter_mm
from fluewright.making.paper import write_pdf
from fluewright.making.sheet_tables import sheet_tables
from fluewright.making.tables import TableGroup, breakable, shortened, svg_size_mm
from fluewright.making.template import OVERLAP_MM, check_rule, template_sheets
from fluewright.pictures.body import head_end_mm
from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.numerals import fixed, general
from fluewright.pictures.results import NoteMark
from fluewright.pictures.section import head_section
from fluewright.pictures.views import fitting_scale, side_view, top_view

__all__ = ["CAUTIONS", "DATUM_WORDS", "UnsavedSizes", "write_sheet"]

DATUM_WORDS = "All axial sizes in mm from one datum: the exit plane of the windway, x = 0, growing toward the foot."
CAUTIONS = (
    ("Machine.", "Dry run first, above the work. Check stock, clamping and clearance. The operator decides; "
        "the machine's "
     "manual, local codes and trained practice come before this sheet."),
    ("Long drills.", "Support the drill, start with a short pilot, low speed, clear the chips often; a "
        "whipping or jammed "
     "long drill injures. Never hold the work by hand."),
    ("Dust.", "Wood and plastic dust harms lungs and skin, some woods strongly. Extract at the source, wear "
        "a mask that "
     "fits."),
    ("Acetal.", "Keep it cool: overheated acetal gives off formaldehyde and its flame is hard to see. Sharp "
        "tools, no "
     "flame, ventilate; see the data sheet."),
    ("Mouth and ears.", "Use only finishes that are safe at the mouth when cured. Protect your hearing at "
        "the machine and "
     "in long tests of high notes."),
    ("Template.", "Check both 100 mm rules with a steel rule before use. If one is off, print again at 100 "
        "%, without "
     "fitting to the page."),
)  # fmt: skip
_PAGE_MM = 180.0
_PAGE_HEIGHT_MM = 262.0


@dataclass(frozen=True)
class UnsavedSizes:
    """Sizes that were changed at the desk and not saved: the saved model that they began from, and are not.

    Parameters
    ----------
    name : str
        Of the saved model.
    version : int or None
        Its version; None where a starting model was changed, of which no version was saved.
    """

    name: str
    version: int | None = None

    @property
    def words(self) -> str:
        """What every page prints."""
        saved = "the starting model" if self.version is None else f"version {self.version} of"
        return f"unsaved sizes, not {saved} {shortened(self.name, 60)}"


def _picture(svg: str) -> dict[str, object]:
    return {"svg": svg, "width": svg_size_mm(svg)[0]}


def _chart_for(model: Model, marks: Sequence[NoteMark], room_mm: float) -> tuple[str, bool]:
    """Return the chart with the tallest lanes that the page's rest holds, or one for a page of its own.

    The second value tells whether it fits into the rest.
    """
    for lane in (30.0, 26.0, 22.0, 19.0, 16.0, 14.0, 12.5):
        chart = hanging_chart(model, marks, theme="paper", width_mm=_PAGE_MM, lane_height_mm=lane)
        if svg_size_mm(chart)[1] + 3.0 <= room_mm:
            return chart, True
    for lane in (40.0, 34.0, 28.0, 22.0, 16.0):
        chart = hanging_chart(model, marks, theme="paper", width_mm=_PAGE_MM, lane_height_mm=lane)
        if svg_size_mm(chart)[1] <= _PAGE_HEIGHT_MM - 4.0:
            break
    return chart, False


def _template_words(model: Model) -> str:
    diameters = [outside_diameter_mm(model, x) for x in (0.0, *(h.position_mm for h in model.holes), model.length_mm)]
    words = (
        "Check the two 100 mm rules before use. Cut out, wrap round the body print outward, head at the top, "
        "the line x = 0 "
        "on the windway exit, the 0° line along the middle of the window; the long edges must just meet. "
        "Mark centres "
        "through the crosses with a sharp point, then measure them again from the exit plane before "
        "drilling. "
        f"Adjoining sheets overlap by {OVERLAP_MM:g} mm: lay the join lines and crosses on each other."
    )
    if max(diameters) - min(diameters) > 0.01 * max(diameters):
        words += " The body tapers: keep the 0° line straight; the edges follow the circumference at every x."
    return words


def write_sheet(
    model: Model, path: Path | str, *, marks: Sequence[NoteMark] = (), unsaved: UnsavedSizes | None = None,
    timestamp: int | None,
) -> Path:  # fmt: skip
    """Write the workshop sheet of a model as one A4 PDF.

    Drawings to scale with the head enlarged and, when marks are given, the hanging chart (on the first page
    when it fits legibly, else on the next); tables of all sizes from the one datum; the hole template at 1:1
    with check rules, in as many pages as it needs.

    Parameters
    ----------
    model : Model
        The instrument.
    path : path
        File to write; replaced when it exists.
    marks : sequence of NoteMark
        What the hanging chart shows; none leaves the chart out.
    unsaved : UnsavedSizes, optional
        Given where the sizes are not those of a saved model: every page then says so.
    timestamp : int or None
        Creation time, seconds since 1970; equal input then gives equal bytes. None uses the present time.

    Returns
    -------
    Path
        That of the PDF.

    Raises
    ------
    InputError
        The file cannot be written, a mark does not fit the model, or the instrument fits no usual scale.
    """
    about = [shortened(model.model.description, 400), shortened(model.model.material, 120)]
    description = breakable(" · ".join(part for part in about if part), 60)
    drawings, chart, beside = _pictures_of(model, marks, math.ceil(len(description) / 100))
    name = shortened(model.model.name, 80)
    data = {
        "title": f"Workshop sheet: {name}" + (" (unsaved sizes)" if unsaved else ""),
        "name": breakable(name, 50),
        "kind": f"workshop sheet, lowest note {model.model.lowest_note}, A4 = {general(model.target.a4_hz)} Hz",
        "unsaved": unsaved.words if unsaved else "",
        "datum": DATUM_WORDS,
        "description": description,
        "short": shortened(model.model.name, 44),
        "drawings": [_picture(svg) for svg in drawings],
        "cautions": [list(caution) for caution in CAUTIONS],
        "cautions_first": not beside,
        "chart": None if chart is None else _picture(chart),
        "groups": [_group(group) for group in sheet_tables(model)],
        "template": _template(model),
        "template_words": _template_words(model),
        "rule": check_rule(),
        "rule_upright": check_rule(upright=True),
    }
    return write_pdf("sheet.typ", data, path, timestamp=timestamp)


def _pictures_of(model: Model, marks: Sequence[NoteMark], about_lines: int) -> tuple[list[str], str | None, bool]:
    """Return the drawings of the first page, the chart, and whether the chart fits under them."""
    scale = fitting_scale(model.length_mm - head_end_mm(model), _PAGE_MM - 12.0)
    views = [view(model, theme="paper", width_mm=_PAGE_MM, scale=scale) for view in (top_view, side_view)]
    small, large = (head_section(model, theme="paper", most_height_mm=most) for most in (60.0, 95.0))
    taken = sum(svg_size_mm(svg)[1] + 2.0 for svg in (*views, small)) + 9.0 + 4.0 * about_lines
    chart, beside = _chart_for(model, marks, _PAGE_HEIGHT_MM - taken) if marks else (None, False)
    return [*views, small if beside else large], chart, beside


def _group(group: TableGroup) -> dict[str, object]:
    """Return a group of tables as the page's code reads it."""
    tables = [table.form(dict.fromkeys(range(len(table.columns)), 14)) for table in group.tables]
    return {"title": group.title, "tables": tables, "note": group.note}


def _template(model: Model) -> list[dict[str, object]]:
    """Return the pages of the hole template, each with what it shows."""
    sheets = template_sheets(model)
    pages: list[dict[str, object]] = []
    for number, sheet in enumerate(sheets, start=1):
        place = f"sheet {number} of {len(sheets)}"
        if len(sheets) > 1:
            place += (
                f" (row {sheet.row + 1} of {sheet.rows} from the head, column {sheet.column + 1} of {sheet.columns})"
            )
        place += f", x {fixed(sheet.top_mm, 0)} to {fixed(sheet.top_mm + sheet.height_mm, 0)}"
        pages.append({"svg": sheet.svg, "width": sheet.width_mm, "place": place})
    return pages
