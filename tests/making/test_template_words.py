"""The template's words lie beside their holes, on nothing else, and no sheet cuts a hole in two."""

import itertools
import xml.etree.ElementTree as ET

import pytest
from paper_models import distinct
from picture_models import large_flute, tapered_eight_hole, whistle
from picture_reading import SVG, label_boxes

from fluewright.instrument.files import validate_model
from fluewright.instrument.starting import load, starting_models
from fluewright.making import template_sheets


def crowded():
    """Holes so near each other that four lines of words do not fit between them."""
    raw = load("d5-cylinder").model_dump()
    for number, hole in enumerate(raw["holes"]):
        hole |= {"position_mm": 120.0 + 9.0 * number, "diameter_mm": 5.0}
    return validate_model(raw)


MODELS = {
    **{name: load(name) for name in starting_models()}, "distinct": distinct(), "taper": tapered_eight_hole(),
    "whistle": whistle(), "large": large_flute(), "crowded": crowded(),
}  # fmt: skip


def outlines_of(svg):
    """Return (left, top, right, bottom) of every hole's outline, in the template's own coordinates."""
    found = []
    for polygon in ET.fromstring(svg).iter(f"{SVG}polygon"):
        points = [tuple(float(v) for v in p.split(",")) for p in polygon.get("points").split()]
        if len(points) == 72:
            us, xs = zip(*points, strict=True)
            found.append((min(us), min(xs), max(us), max(xs)))
    return found


def meet(a, b):
    return a[0] < b[2] - 0.01 and b[0] < a[2] - 0.01 and a[1] < b[3] - 0.01 and b[1] < a[3] - 0.01


@pytest.mark.parametrize("name", MODELS)
def test_words_lie_on_no_other_words_and_on_no_hole(name):
    svg = template_sheets(MODELS[name])[0].svg
    boxes = label_boxes(svg)
    for a, b in itertools.combinations(boxes, 2):
        assert not meet(a[1:], b[1:]), (a, b)
    outlines = outlines_of(svg)
    assert len(outlines) == len(MODELS[name].holes)
    for words, hole in itertools.product(boxes, outlines):
        assert not meet(words[1:], hole), words


@pytest.mark.parametrize("name", [*starting_models(), "distinct", "taper", "whistle"])
def test_every_sheet_shows_a_hole_whole_or_not_at_all(name):
    sheets = template_sheets(MODELS[name])
    whole = set()
    for sheet in sheets:
        page = (sheet.left_mm, sheet.top_mm, sheet.left_mm + sheet.width_mm, sheet.top_mm + sheet.height_mm)
        for number, hole in enumerate(outlines_of(sheet.svg)):
            inside = (
                page[0] < hole[0] and page[1] < hole[1] - 2.0 and hole[2] < page[2] and hole[3] + 2.0 < page[3]
            )  # with its cross
            assert inside or not meet(hole, page), (sheet.row, sheet.column, number)
            if inside:
                whole.add(number)
    assert whole == set(range(len(MODELS[name].holes)))
