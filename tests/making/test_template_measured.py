"""The hole template on paper, measured as a maker measures it: from the exit line, with the rule beside it."""

import math

import numpy as np
import pypdfium2 as pdfium
import pytest
from paper_models import distinct
from paper_reading import read_pages
from picture_models import large_flute, tapered_eight_hole

from fluewright.instrument.starting import load, starting_models
from fluewright.making import template_sheets, write_sheet

TIME = 1_700_000_000
MODELS = {
    **{name: load(name) for name in starting_models()}, "distinct": distinct(), "taper": tapered_eight_hole(),
    "large": large_flute(),
}  # fmt: skip
DOTS_PER_MM = 300.0 / 25.4
# Bounds of a drawn line reach so far beyond it as it is wide, on each side.
THIN = {"hole": 0.2, "cross": 0.12, "exit": 0.3, "zero": 0.15}


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    folder = tmp_path_factory.mktemp("templates")
    return {name: write_sheet(model, folder / f"{name}.pdf", timestamp=TIME) for name, model in MODELS.items()}


def template_pages(path):
    """Return (number, page) of every page of the template."""
    return [(i, page) for i, page in enumerate(read_pages(path)) if "Hole template 1:1" in page.text]


def outside_mm(model, x):
    places, diameters = zip(*model.bore.outside_mm, strict=True)
    # At a step the diameter of its foot side.
    return float(np.interp(x, places, diameters)) if x not in places else dict(zip(places, diameters, strict=True))[x]


def holes_of(page):
    """Return (outline, cross along, cross across) of every hole: an outline with two lines through its middle."""
    found = []
    for outline, across, along in zip(page.paths, page.paths[1:], page.paths[2:], strict=False):
        middle = np.array(outline.centre)
        crossed = all(np.hypot(*(middle - line.centre)) < 0.02 for line in (across, along))
        if crossed and across.height < 0.3 and along.width < 0.3 and min(outline.width, outline.height) > 2.0:
            found.append((outline, along, across))
    return found


def exit_and_zero(page, model):
    """Return the place of the exit line and of the line of 0 degrees on the page."""
    wide = math.pi * outside_mm(model, 0.0) + 2.0 * THIN["exit"]
    exits = [p for p in page.paths if abs(p.width - wide) < 0.03 and abs(p.height - 2.0 * THIN["exit"]) < 0.03]
    upper = max(min(model.bore.outside_mm[0][0], model.bore.stations_mm[0][0], -model.head.windway.length_mm), -12.0)
    tall = model.length_mm - upper + 2.0 * THIN["zero"]
    zeros = [p for p in page.paths if abs(p.height - tall) < 0.03 and p.width < 0.31]
    assert len(exits) == len(zeros) == 1
    return exits[0].centre[1], zeros[0].centre[0]


@pytest.mark.parametrize("name", MODELS)
def test_every_hole_lies_on_paper_where_the_model_has_it(sheets, name):
    """From the exit line, and round the body from the line of 0 degrees, to 0.02 mm, on every page of the template."""
    model = MODELS[name]
    pages = template_pages(sheets[name])
    assert len(pages) == len(template_sheets(model))
    for _, page in pages:
        exit_y, zero_x = exit_and_zero(page, model)
        found = holes_of(page)
        assert len(found) == len(model.holes)
        for hole, (outline, along, across) in zip(model.holes, found, strict=True):
            x, y = outline.centre
            assert y - exit_y == pytest.approx(hole.position_mm, abs=0.02)
            radius = 0.5 * outside_mm(model, hole.position_mm)
            turned = math.degrees((zero_x - x) / radius)
            assert math.remainder(turned - hole.angle_deg, 360.0) == pytest.approx(0.0, abs=0.1)
            drill = 0.5 * hole.diameter_mm
            assert outline.height - 2.0 * THIN["hole"] == pytest.approx(hole.diameter_mm, abs=0.02)
            wide = 2.0 * radius * math.asin(drill / radius)
            assert outline.width - 2.0 * THIN["hole"] == pytest.approx(wide, abs=0.02)
            for line in (along.height, across.width):
                assert line - 2.0 * THIN["cross"] == pytest.approx(2.0 * (drill + 2.0), abs=0.02)


@pytest.mark.parametrize("name", MODELS)
def test_the_rules_on_the_same_page_are_100_mm_between_their_end_ticks(sheets, name):
    for _, page in template_pages(sheets[name]):
        ticks = [p for p in page.paths if abs(max(p.width, p.height) - 3.0) < 0.01 and min(p.width, p.height) < 0.25]
        level = sorted(p.centre[0] for p in ticks if p.height > p.width)
        upright = sorted(p.centre[1] for p in ticks if p.width > p.height)
        for places in (level, upright):
            assert len(places) == 3
            assert np.diff(places) == pytest.approx([50.0, 50.0], abs=0.01)


@pytest.mark.parametrize("name", MODELS)
def test_each_hole_is_there_to_see_on_some_page(sheets, name):
    """What is drawn beyond a sheet is cut off: on the picture of the page every hole's cross must be dark."""
    seen = set()
    document = pdfium.PdfDocument(str(sheets[name]))
    for number, page in template_pages(sheets[name]):
        ink = document[number].render(scale=300.0 / 72.0, grayscale=True).to_numpy().squeeze() < 128
        for index, (outline, along, across) in enumerate(holes_of(page)):
            x, y = (round(v * DOTS_PER_MM) for v in outline.centre)
            half = round((0.5 * across.width - 0.5) * DOTS_PER_MM)
            tall = round((0.5 * along.height - 0.5) * DOTS_PER_MM)
            if half < x < ink.shape[1] - half and tall < y < ink.shape[0] - tall:
                level = ink[y - 1 : y + 2, x - half : x + half].any(axis=0).all()
                upright = ink[y - tall : y + tall, x - 1 : x + 2].any(axis=1).all()
                if level and upright:
                    seen.add(index)
    document.close()
    assert seen == set(range(len(MODELS[name].holes)))


@pytest.mark.parametrize("name", ["d5-cylinder", "c5-eight-hole", "distinct"])
def test_each_sheet_says_which_part_of_the_body_it_shows(sheets, name):
    """x at the sheet's upper and lower border, against where the exit line lies on the page."""
    model = MODELS[name]
    pages = template_pages(sheets[name])
    for (_, page), sheet in zip(pages, template_sheets(model), strict=True):
        told = f"x {sheet.top_mm:.0f} to {sheet.top_mm + sheet.height_mm:.0f}".replace("-", "\u2212")
        assert told in page.text
        exit_y, _ = exit_and_zero(page, model)
        # The upright rule's box, 104 mm with its first tick at 2 mm, stands beside the sheet's upper border.
        ticks = [p for p in page.paths if abs(p.width - 3.0) < 0.01 and p.height < 0.25]
        border = min(p.centre[1] for p in ticks) - 2.0
        assert border - exit_y == pytest.approx(sheet.top_mm, abs=0.05)
