"""What stands beside an axis and where: round figures, even steps, every mark on its field, one minus sign."""

import math
import xml.etree.ElementTree as ET

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from picture_reading import texts_of

from fluewright.errors import InputError
from fluewright.pictures.axes import BreathAxis, Frame, round_values
from fluewright.pictures.cents_axis import cents_axis, pitch_order
from fluewright.pictures.lane import shape_words
from fluewright.pictures.numerals import (
    cents_words,
    enlargement_words,
    fixed,
    general,
    scale_words,
    short,
    step_words,
)
from fluewright.pictures.palette import palette_for
from fluewright.pictures.results import NoteMark
from fluewright.pictures.svg import Drawing, clean_text, fit_text, number, text_width_mm

MINUS = "\u2212"
sizes = st.floats(-5000.0, 5000.0)


@given(st.floats(-1e4, 1e4), st.floats(1e-2, 1e4))
def test_round_values_lie_evenly_between_the_ends_at_one_two_or_five(low, span):
    values = round_values(low, low + span)
    assert 2 <= len(values) <= 10
    assert low - 1e-6 * span <= values[0]
    assert values[-1] <= low + span + 1e-6 * span
    step = (values[-1] - values[0]) / (len(values) - 1)
    digits = step / 10.0 ** math.floor(math.log10(step) + 1e-9)
    assert any(digits == pytest.approx(d, rel=1e-6) for d in (1.0, 2.0, 5.0))
    # No room for another at either end.
    assert values[0] - step < low + 1e-6 * span
    assert values[-1] + step > low + span - 1e-6 * span


def frame(drawing=None, **more):
    box = {"box": (10.0, 20.0, 110.0, 70.0), "x": (0.0, 50.0), "y": (-10.0, 10.0), **more}
    return Frame(drawing or Drawing(120.0, 90.0), palette_for("light"), **box)


def test_a_field_has_its_least_values_at_the_lower_left():
    field = frame()
    assert (field.px(0.0), field.px(50.0), field.px(25.0)) == (10.0, 110.0, 60.0)
    assert (field.py(-10.0), field.py(10.0), field.py(0.0)) == (70.0, 20.0, 45.0)
    turned = frame(y=(3.0, 0.0))
    assert (turned.py(3.0), turned.py(0.0)) == (70.0, 20.0)


def test_figures_stand_at_the_places_that_they_name():
    drawing = Drawing(120.0, 90.0)
    field = frame(drawing)
    field.rule("time, s", "cents")
    texts = {t.text: t for t in ET.fromstring(drawing.to_svg()).iter() if t.tag.endswith("text")}
    assert {"time, s", "cents", f"{MINUS}10", "0", "50"} <= set(texts)
    assert float(texts["30"].get("x")) == field.px(30.0)
    assert float(texts[f"{MINUS}5"].get("y")) == pytest.approx(field.py(-5.0) + 0.9)


@given(st.floats(10.0, 500.0), st.floats(2.0, 50.0), st.floats(0.0, 1.0))
def test_twice_the_breath_lies_equally_far_on_wherever_it_begins(low, times, share):
    axis = BreathAxis(low, low * times, 20.0, 160.0)
    assert axis.px(low) == pytest.approx(20.0)
    assert axis.px(low * times) == pytest.approx(160.0)
    at = low * times**share
    assert axis.px(2.0 * at) - axis.px(at) == pytest.approx(axis.px(2.0 * low) - axis.px(low))


def test_a_breath_axis_has_a_figure_at_each_round_pressure_within():
    drawing = Drawing(180.0, 60.0)
    BreathAxis(45.0, 520.0, 20.0, 160.0).draw(
        drawing, palette_for("light"), top=5.0, bottom=50.0, size=2.6, drops=(4.0, 8.0)
    )
    assert texts_of(drawing.to_svg()) == ["50", "100", "200", "500", "blowing pressure, Pa"]


marks = st.lists(
    st.builds(NoteMark, st.just("D5"), st.just(1), st.floats(-900.0, 900.0), st.floats(0.0, 40.0),
              st.just("measured"), st.none()),
    max_size=20,
)  # fmt: skip


@given(marks, st.floats(1.0, 20.0), st.floats(20.0, 60.0))
def test_a_cents_axis_holds_the_band_and_squeezes_neither_side(made, tolerance, height):
    axis = cents_axis(made, tolerance, height)
    assert axis.low <= -tolerance < tolerance <= axis.high
    assert max(axis.high, -axis.low) <= 3.0 * min(axis.high, -axis.low) + 100.0
    # Figures beside it do not touch each other.
    assert axis.step >= axis.high - axis.low or height * axis.step / (axis.high - axis.low) >= 2.6
    for mark in made:
        y = axis.place(mark.cents, 5.0, height)
        assert 5.0 <= y <= 5.0 + height
        assert axis.side(mark.cents) == (mark.cents > axis.high) - (mark.cents < axis.low)


@given(st.lists(st.floats(-30.0, 30.0), min_size=1, max_size=12))
def test_marks_that_are_near_each_other_all_lie_on_the_field(cents):
    made = [NoteMark("D5", 1, c, 1.0, "measured", None) for c in cents]
    axis = cents_axis(made, 5.0, 40.0)
    assert all(axis.side(m.cents + s) == 0 for m in made for s in (-1.0, 0.0, 1.0))


def test_one_wild_note_does_not_flatten_all_others():
    made = [NoteMark("D5", 1, c, 1.0, "measured", None) for c in (-3.0, 0.0, 2.0, 4.0, 700.0)]
    axis = cents_axis(made, 5.0, 40.0)
    assert axis.high <= 60.0
    assert axis.side(700.0) == 1
    assert axis.place(700.0, 0.0, 40.0) == 0.0


def test_notes_are_ordered_by_pitch_and_a_name_that_is_none_comes_first():
    assert sorted(["A5", "D5", "?", "C#6", "Bb5"], key=pitch_order) == ["?", "D5", "A5", "Bb5", "C#6"]
    assert [shape_words(r).split(":")[0] for r in (1, 2, 3, 4)] == ["round", "diamond", "triangle", "triangle"]


@pytest.mark.parametrize("cents", [0.0, -0.0, 0.04, -0.04])
def test_nothing_has_no_sign(cents):
    assert fixed(cents, 1) == "0.0"
    assert short(cents, 1) == "0"
    assert general(0.0 * cents) == step_words(0.0 * cents) == "0"


@given(sizes, st.integers(0, 4))
def test_a_printed_number_is_the_number_with_a_true_minus(value, digits):
    for said in (fixed(value, digits), short(value, digits)):
        assert "-" not in said
        assert float(said.replace(MINUS, "-")) == pytest.approx(value, abs=0.5000001 * 10.0**-digits)
    assert not short(value, digits).endswith((".", ".0"))


def test_cents_are_given_to_a_tenth_until_there_are_a_hundred():
    assert [cents_words(c) for c in (3.26, -99.94, -99.96, 123.4)] == ["+3.3", f"{MINUS}99.9", f"{MINUS}100", "+123"]


def test_scales_are_written_as_drawings_have_them():
    assert [scale_words(s) for s in (1.0, 0.5, 0.2, 4.0)] == ["1:1", "1:2", "1:5", "4:1"]
    assert [enlargement_words(s) for s in (1.0, 0.535, 2.5)] == ["scale 1:1.00", "scale 1:1.87", "scale 2.50:1"]


@given(st.text(max_size=60))
def test_whatever_a_maker_writes_is_one_line_of_text_in_the_picture(text):
    drawing = Drawing(50.0, 20.0)
    drawing.text(1.0, 5.0, text, size=3.0, fill="#000000")
    (said,) = texts_of(drawing.to_svg(description=text)) or [""]
    assert "\n" not in (said or "")
    assert clean_text(text).count("<") == 0


@given(st.text(max_size=60), st.floats(2.0, 5.0), st.floats(5.0, 80.0))
def test_a_text_that_is_cut_fits_and_says_that_it_was_cut(text, size, width):
    fitted = fit_text(text, size, width)
    assume(text_width_mm("…", size) <= width)
    assert text_width_mm(fitted, size) <= width
    assert fitted == text or (fitted.endswith("…") and text.startswith(fitted[:-1]))


@given(st.floats(-1e5, 1e5))
def test_a_place_on_the_page_is_written_without_exponent_to_a_tenth_of_a_micrometre(value):
    said = number(value)
    assert "e" not in said
    assert said != "-0"
    assert float(said) == pytest.approx(value, abs=5.1e-5)


def test_what_is_nowhere_cannot_be_drawn():
    for value in (math.nan, math.inf):
        with pytest.raises(InputError, match="not a finite number"):
            number(value)


def test_a_group_left_open_is_a_fault_of_ours():
    drawing = Drawing(10.0, 10.0)
    drawing.open_group(class_="note")
    with pytest.raises(ValueError, match="was not closed"):
        drawing.to_svg()
