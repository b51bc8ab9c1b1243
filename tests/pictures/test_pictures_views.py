import itertools
import math
import re
import xml.etree.ElementTree as ET

import pytest
from picture_models import large_flute, tapered_eight_hole, whistle

from fluewright.errors import InputError
from fluewright.pictures import head_section, side_view, top_view
from fluewright.pictures.numerals import scale_words
from fluewright.pictures.svg import text_width_mm
from fluewright.pictures.views import fitting_scale

SVG = "{http://www.w3.org/2000/svg}"
MODELS = {"whistle": whistle(), "taper": tapered_eight_hole(), "large": large_flute()}
VIEWS = {"top": top_view, "side": side_view, "head": head_section}


def label_boxes(svg: str) -> list[tuple[str, float, float, float, float]]:
    boxes = []
    for text in ET.fromstring(svg).iter(f"{SVG}text"):
        size, x, y = float(text.get("font-size")), float(text.get("x")), float(text.get("y"))
        wide = text_width_mm(text.text, size)
        left = x - {"middle": 0.5, "end": 1.0}.get(text.get("text-anchor"), 0.0) * wide
        boxes.append((text.text, left, y - 0.76 * size, left + wide, y + 0.24 * size))
    return boxes


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("width", [140.0, 180.0, 270.0])
def test_labels_of_the_views_do_not_overlap_and_stay_on_the_page(name: str, view: str, width: float) -> None:
    svg = VIEWS[view](MODELS[name], width_mm=width)
    root = ET.fromstring(svg)
    height = float(root.get("height").removesuffix("mm"))
    boxes = label_boxes(svg)
    for a, b in itertools.combinations(boxes, 2):
        assert not (a[1] < b[3] and b[1] < a[3] and a[2] < b[4] and b[2] < a[4]), (a[0], b[0])
    for text, left, top, right, bottom in boxes:
        assert left >= 0.0, text
        assert top >= 0.0, text
        assert right <= width + 0.01, text
        assert bottom <= height + 0.01, text


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("view", ["top", "side"])
def test_holes_are_to_the_stated_scale(name: str, view: str) -> None:
    model = MODELS[name]
    root = ET.fromstring(VIEWS[view](model))
    zero, scale = float(root.get("data-zero-mm")), float(root.get("data-scale"))
    assert any(scale_words(scale) in (t.text or "") for t in root.iter(f"{SVG}text"))
    for group in (g for g in root.iter(f"{SVG}g") if g.get("class") == "hole"):
        hole = model.holes[int(group.get("data-hole"))]
        if view == "top":
            shape = group.find(f"{SVG}ellipse")
            centre, wide = float(shape.get("cx")), 2.0 * float(shape.get("rx"))
        else:
            shape = group.find(f"{SVG}rect")
            wide = float(shape.get("width"))
            centre = float(shape.get("x")) + 0.5 * wide
        assert (centre - zero) / scale == pytest.approx(hole.position_mm, abs=0.001)
        assert wide / scale == pytest.approx(hole.diameter_mm, abs=0.002)


def test_the_top_view_prints_every_hole_from_the_datum() -> None:
    texts = [text for text, *_ in label_boxes(top_view(MODELS["whistle"]))]
    for wanted in ("118", "138.4", "197.3", "219.6", "262.5", "0", "5", "−32"):
        assert wanted in texts
    assert "5: ⌀7.5" in texts


def test_the_thumb_hole_is_cut_in_the_lower_wall() -> None:
    root = ET.fromstring(side_view(MODELS["taper"]))
    heights = {
        int(g.get("data-hole")): float(g.find(f"{SVG}rect").get("y"))
        for g in root.iter(f"{SVG}g")
        if g.get("class") == "hole"
    }
    assert heights[0] > max(y for hole, y in heights.items() if hole != 0)


@pytest.mark.parametrize(("length", "words"), [(150.0, "1:1"), (300.0, "1:2"), (400.0, "1:2.5"), (1200.0, "1:10")])
def test_the_largest_usual_scale_that_fits_is_chosen(length: float, words: str) -> None:
    assert scale_words(fitting_scale(length, 168.0)) == words


def test_an_instrument_beyond_every_scale_is_refused() -> None:
    with pytest.raises(InputError, match="does not fit"):
        fitting_scale(1e5, 168.0)


def points_of(root: ET.Element, place: str) -> list[tuple[float, float]]:
    group = next(g for g in root.iter(f"{SVG}g") if g.get("data-place") == place)
    shape = next(el for el in group if el.tag in (f"{SVG}polygon", f"{SVG}polyline"))
    return [tuple(float(v) for v in p.split(",")) for p in shape.get("points").split()]


def test_the_head_section_has_edge_ramp_and_chamfers_to_scale() -> None:
    model = MODELS["whistle"]
    root = ET.fromstring(head_section(model))
    zero, scale = float(root.get("data-zero-mm")), float(root.get("data-scale"))
    (edge, shoulder, *_) = points_of(root, "ramp")
    assert (edge[0] - zero) / scale == pytest.approx(model.head.window_length_mm, abs=0.001)
    slope = math.degrees(math.atan2(edge[1] - shoulder[1], shoulder[0] - edge[0]))
    assert slope == pytest.approx(model.head.ramp_angle_deg, abs=0.05)
    for place, chamfer in (("upper-chamfer", model.head.upper_chamfer), ("lower-chamfer", model.head.lower_chamfer)):
        (x1, y1), (x2, y2) = points_of(root, place)
        assert math.hypot(x2 - x1, y2 - y1) / scale == pytest.approx(chamfer.length_mm, rel=0.05)
    floor = points_of(root, "block")[0][1]
    # Centre line of the windway exit 0.45 over the floor, the edge 0.3 below it.
    assert (floor - edge[1]) / scale == pytest.approx(0.45 - 0.3, abs=0.001)


def test_every_place_that_is_cut_can_be_pressed() -> None:
    places = set(re.findall(r'data-place="([a-z-]+)"', head_section(MODELS["whistle"])))
    assert places == {"windway", "upper-chamfer", "lower-chamfer", "block", "window", "edge", "ramp"}


def test_a_head_without_chamfers_draws_none() -> None:
    assert "chamfer" not in " ".join(re.findall(r'data-place="([a-z-]+)"', head_section(MODELS["large"])))
