"""The jet in the head's section: a translucent band to scale, one or two phases, from plain numbers."""

import pytest
from picture_reading import SVG, assert_readable, groups_of, page_of, texts_of

from fluewright.errors import InputError
from fluewright.instrument.starting import load
from fluewright.pictures.palette import contrast_ratio, palette_for
from fluewright.pictures.section import JetDrawn, head_section

D5 = load("d5-cylinder")
X = (0.0, 1.5, 3.0, 4.5)
STEADY = JetDrawn(X, (0.0, 0.0, 0.05, 0.1), (0.4, 0.45, 0.5, 0.55))
SWUNG = JetDrawn(X, (0.0,) * 4, (0.4,) * 4, ((0.0, 0.1, 0.2, 0.4), (0.0, -0.1, -0.2, -0.4)), "17.6 m/s at 250 Pa")


def bands(svg, kind="polygon"):
    """Return the jet's outlines in mm: x from the exit, heights over the middle of the windway's exit."""
    root, *_ = page_of(svg)
    zero, scale = float(root.get("data-zero-mm")), float(root.get("data-scale"))
    (block,) = groups_of(root, class_="place", data_place="block")
    shape = next(e for e in block.iter() if e.tag in (f"{SVG}polygon", f"{SVG}polyline"))
    floor = float(shape.get("points").split()[0].split(",")[1])
    (jet,) = groups_of(root, class_="jet")
    return [
        [
            ((float(x) - zero) / scale, (floor - float(y)) / scale - 0.45)
            for x, y in (point.split(",") for point in e.get("points").split())
        ]
        for e in jet.iter(f"{SVG}{kind}")
    ]


@pytest.mark.parametrize("control", [False, True])
def test_the_band_lies_where_the_numbers_say(control):
    (band,) = bands(head_section(D5, jet=STEADY, control=control))
    over, under = band[:4], band[:3:-1]
    for (x, high), (_, low), wanted, centre, half in zip(
        over, under, X, STEADY.centre_mm, STEADY.half_width_mm, strict=True
    ):
        assert (x, high, low) == pytest.approx((wanted, centre + half, centre - half), abs=1e-3)


def test_two_phases_are_two_bands_the_second_dashed_and_told():
    svg = head_section(D5, jet=SWUNG, control=True)
    first, second = bands(svg)
    assert [y for _, y in first[:4]] == pytest.approx([0.4, 0.5, 0.6, 0.8], abs=1e-3)
    assert [y for _, y in second[:4]] == pytest.approx([0.4, 0.3, 0.2, 0.0], abs=1e-3)
    (jet,) = groups_of(page_of(svg)[0], class_="jet")
    assert jet.find(f"{SVG}title").text == "jet: 17.6 m/s at 250 Pa"
    assert "jet: 17.6 m/s at 250 Pa" in texts_of(svg)
    outlines = [e for e in jet.iter(f"{SVG}polyline") if e.get("stroke-width") == "0.3"]
    assert [e.get("stroke-dasharray") is not None for e in outlines] == [False, False, True, True]
    fills = groups_of(jet, fill_opacity="0.22")
    assert len(fills) == 2
    assert_readable(svg)


def test_a_swing_beyond_the_drawing_is_cut_at_its_end():
    wild = JetDrawn(X, (0.0,) * 4, (0.4,) * 4, ((0.0, 9.0, -40.0, 90.0),))
    svg = head_section(D5, jet=wild, control=True)
    _, _, height = page_of(svg)
    root = page_of(svg)[0]
    (jet,) = groups_of(root, class_="jet")
    ys = [float(p.split(",")[1]) for e in jet.iter(f"{SVG}polygon") for p in e.get("points").split()]
    assert min(ys) > 12.0
    assert max(ys) < height - 10.0


def test_the_jet_cannot_be_pressed_in_place_of_what_is_under_it():
    (jet,) = groups_of(page_of(head_section(D5, jet=SWUNG, control=True))[0], class_="jet")
    assert jet.get("pointer-events") == "none"


@pytest.mark.parametrize("theme", ["light", "dark", "paper"])
def test_its_outline_stands_out(theme):
    palette = palette_for(theme)
    assert palette.register_2_text in head_section(D5, jet=STEADY, theme=theme)
    assert contrast_ratio(palette.register_2_text, palette.ground) >= 3.0


@pytest.mark.parametrize(
    "rows",
    [
        ((0.0,), (0.0,), (0.4,)), (X, (0.0,) * 3, (0.4,) * 4), (X, (0.0,) * 4, (0.4, 0.4, 0.0, 0.4)),
        ((0.0, 1.0, 1.0, 2.0), (0.0,) * 4, (0.4,) * 4), (X, (0.0, 0.0, float("nan"), 0.0), (0.4,) * 4),
        (X, (0.0,) * 4, (0.4,) * 4, ((0.0,) * 4,) * 3), (X, (0.0,) * 4, (0.4,) * 4, ((0.0,) * 3,)),
    ],
)  # fmt: skip
def test_what_cannot_be_drawn_is_refused(rows):
    with pytest.raises(InputError, match="jet"):
        JetDrawn(*rows)
