"""Reads pictures back: where labels lie, and which place of a section a finger meets."""

import itertools
import xml.etree.ElementTree as ET

import numpy as np

from fluewright.pictures.svg import text_width_mm

SVG = "{http://www.w3.org/2000/svg}"
STEP_MM = 0.25


def page_of(svg):
    root = ET.fromstring(svg)
    return root, float(root.get("width").removesuffix("mm")), float(root.get("height").removesuffix("mm"))


def texts_of(svg):
    return [text.text for text in ET.fromstring(svg).iter(f"{SVG}text")]


def groups_of(root, **wanted):
    """Return the groups with these attributes, a trailing underscore left out and the others read as dashes."""
    keys = {key.rstrip("_").replace("_", "-"): value for key, value in wanted.items()}
    return [g for g in root.iter(f"{SVG}g") if all(g.get(key) == value for key, value in keys.items())]


def label_boxes(svg):
    """Return (text, left, top, right, bottom) of every label."""
    boxes = []
    for text in ET.fromstring(svg).iter(f"{SVG}text"):
        size, x, y = float(text.get("font-size")), float(text.get("x")), float(text.get("y"))
        wide = text_width_mm(text.text, size)
        before = {"middle": 0.5, "end": 1.0}.get(text.get("text-anchor"), 0.0) * wide
        if text.get("transform"):
            boxes.append((text.text, x - 0.76 * size, y + before - wide, x + 0.24 * size, y + before))
        else:
            boxes.append((text.text, x - before, y - 0.76 * size, x - before + wide, y + 0.24 * size))
    return boxes


def assert_readable(svg, *, least_mm=2.4):
    """Every label lies on the page, on no other label, and is large enough."""
    root, width, height = page_of(svg)
    boxes = label_boxes(svg)
    for a, b in itertools.combinations(boxes, 2):
        assert not (a[1] < b[3] and b[1] < a[3] and a[2] < b[4] and b[2] < a[4]), (a, b)
    for text, left, top, right, bottom in boxes:
        assert left >= 0.0, text
        assert top >= 0.0, text
        assert right <= width + 0.01, text
        assert bottom <= height + 0.01, text
    assert min(float(text.get("font-size")) for text in root.iter(f"{SVG}text")) >= least_mm


def _touched(root, width, height):
    """Return (names, grid): which place lies uppermost at each spot of the page, -1 for none."""
    grid = np.full((int(height / STEP_MM) + 1, int(width / STEP_MM) + 1), -1)
    names = []
    for place in (g for g in root.iter(f"{SVG}g") if g.get("class") == "place"):
        names.append(place.get("data-place"))
        for group in (g for g in place.iter(f"{SVG}g") if g.get("pointer-events") == "all"):
            for box in group.iter(f"{SVG}rect"):
                left, top, wide, high = (float(box.get(key)) for key in ("x", "y", "width", "height"))
                rows, columns = (
                    slice(max(round(a / STEP_MM), 0), max(round((a + b) / STEP_MM), 0))
                    for a, b in ((top, high), (left, wide))
                )
                grid[rows, columns] = len(names) - 1
    return names, grid


def free_squares_mm(svg):
    """Return the side of the largest square on the page that belongs to each place alone, up to 8 mm."""
    names, grid = _touched(*page_of(svg))
    found = {}
    for number, name in enumerate(names):
        total = np.pad((grid == number).cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
        side = round(8.0 / STEP_MM)
        while (
            side
            and not (
                total[side:, side:] - total[:-side, side:] - total[side:, :-side] + total[:-side, :-side] == side * side
            ).any()
        ):
            side -= 1
        found[name] = side * STEP_MM
    return found
