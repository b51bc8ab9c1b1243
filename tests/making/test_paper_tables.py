"""Tables of the papers: cut in parts that stand side by side, long words broken, nothing lost."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.making.tables import Table, breakable, shortened, svg_size_mm
from fluewright.pictures.svg import Drawing

words = st.text(st.characters(blacklist_categories=("Cs", "Cc", "Zs", "Zl", "Zp", "Cf")), max_size=80)


@given(st.integers(0, 40), st.integers(1, 4))
def test_a_table_in_parts_keeps_every_row_in_its_order(rows, count):
    table = Table(["hole", "mm"], [[str(k), f"{k:.2f}"] for k in range(rows)], left=(0,))
    parts = table.cut(count)
    assert [row for part in parts for row in part.rows] == list(table.rows)
    assert all(part.columns == table.columns and part.left == table.left for part in parts)
    assert len(parts) <= count
    lengths = [len(part.rows) for part in parts]
    assert lengths[:-1] == lengths[:1] * (len(lengths) - 1)


def test_figures_stand_at_the_right_and_words_where_they_are_said_to():
    form = Table(["hole", "what", "mm"], [["1", "abcdefgh", "7.50"]], left=(0, 1)).form({1: 3}, size=2.4)
    assert form["right"] == [False, False, True]
    assert form["rows"] == [["1", "abc\u200bdef\u200bgh", "7.50"]]
    assert form["size"] == 2.4


@given(words, st.integers(1, 12))
def test_a_word_may_break_after_so_many_letters_and_loses_none(text, run):
    broken = breakable(text, run)
    assert broken.replace("\u200b", "") == " ".join(text.split())
    assert all(len(part) <= run for part in broken.replace(" ", "\u200b").split("\u200b"))


@given(words, st.integers(2, 30))
def test_a_text_that_is_too_long_says_that_it_was_cut(text, most):
    cut = shortened(text, most)
    flat = " ".join(text.split())
    assert len(cut) <= most
    assert cut == flat or (cut.endswith("…") and flat.startswith(cut[:-1]))


def test_a_picture_has_the_size_that_it_is_printed_at():
    assert svg_size_mm(Drawing(180.0, 42.5).to_svg()) == (180.0, 42.5)
    with pytest.raises(ValueError, match="without width and height"):
        svg_size_mm("<svg></svg>")
