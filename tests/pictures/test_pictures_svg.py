import xml.etree.ElementTree as ET
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.errors import InputError
from fluewright.pictures.palette import DARK, LIGHT, PAPER, contrast_ratio, palette_for
from fluewright.pictures.spread import spread_apart
from fluewright.pictures.svg import Drawing, clean_text, fit_text, number, text_width_mm


def test_contrast_of_black_and_white_is_21() -> None:
    # WCAG 2.2: the largest ratio.
    assert contrast_ratio("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast_ratio("#777777", "#777777") == pytest.approx(1.0)


@pytest.mark.parametrize("palette", [LIGHT, DARK, PAPER])
def test_text_colours_reach_4_5_on_every_ground_that_carries_letters(palette) -> None:
    for name in vars(palette):
        if name.endswith("_text"):
            assert contrast_ratio(getattr(palette, name), palette.ground) >= 4.5, name
    assert contrast_ratio(palette.ink_text, palette.block_fill) >= 4.5


@pytest.mark.parametrize("palette", [LIGHT, DARK, PAPER])
def test_marks_stand_out_from_the_tolerance_band(palette) -> None:
    # WCAG 2.2, 1.4.11: 3 for graphics; the forecast mark is carried by its ink casing.
    for colour in (palette.register_1_text, palette.register_2_text, palette.ink_text, palette.forecast_text):
        assert contrast_ratio(colour, palette.band_fill) >= 3.0


def test_unknown_theme_is_refused_with_the_choices() -> None:
    with pytest.raises(InputError, match="'light', 'dark' or 'paper'"):
        palette_for("sepia")


@given(st.text(max_size=60))
def test_any_text_prints_literally_and_leaves_the_drawing_well_formed(text: str) -> None:
    drawing = Drawing(50.0, 20.0)
    drawing.open_group(data_note=text)
    drawing.text(1.0, 5.0, text, size=3.0, fill="#000000")
    drawing.close_group()
    root = ET.fromstring(drawing.to_svg(description=text))
    printed = next(root.iter("{http://www.w3.org/2000/svg}text")).text or ""
    # Line ends and tabs become spaces; every other printable character must stand as it was given.
    kept = [letter for letter in text if letter.isprintable() and letter != " " and ord(letter) < 0xD800]
    assert [letter for letter in printed if letter in kept] == kept
    assert {child.tag.rsplit("}", 1)[1] for child in root.iter()} <= {"svg", "g", "text", "title"}


def test_markup_is_escaped() -> None:
    assert clean_text("a\x1b[31m \x9b \u202e \u2066\r\n") == "a\ufffd[31m \ufffd \ufffd \ufffd  "
    assert clean_text("<a href=\"x\" b='y'>&\x00") == "&lt;a href=&quot;x&quot; b=&#39;y&#39;&gt;&amp;\ufffd"


@given(st.floats(-1e6, 1e6))
def test_numbers_read_back_within_half_a_ten_thousandth(value: float) -> None:
    assert abs(float(number(value)) - value) <= 0.500001e-4
    assert "e" not in number(value)


def test_numbers_that_are_not_finite_are_refused() -> None:
    with pytest.raises(InputError, match="not a finite number"):
        number(float("nan"))


@given(st.text(min_size=1, max_size=80), st.floats(4.0, 60.0))
def test_fitted_text_is_no_wider_than_asked(text: str, width: float) -> None:
    assert text_width_mm(fit_text(text, 2.6, width), 2.6) <= width


@given(
    st.lists(st.floats(-50.0, 250.0), min_size=1, max_size=30).map(sorted),
    st.floats(0.5, 12.0),
)
def test_spread_labels_keep_gap_order_and_range(wanted: list[float], gap: float) -> None:
    places = spread_apart(wanted, gap, 0.0, 200.0)
    fair = min(gap, 200.0 / max(len(wanted) - 1, 1))
    assert all(b - a >= fair - 1e-9 for a, b in pairwise(places))
    assert places[0] >= -1e-9
    assert places[-1] <= 200.0 + 1e-9


def test_labels_with_room_stay_where_they_belong() -> None:
    assert spread_apart([10.0, 30.0, 60.0], 8.0, 0.0, 100.0) == pytest.approx([10.0, 30.0, 60.0])


def test_labels_of_one_place_spread_evenly_about_it() -> None:
    assert spread_apart([50.0, 50.0, 50.0], 8.0, 0.0, 100.0) == pytest.approx([42.0, 50.0, 58.0])
