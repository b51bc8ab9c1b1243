import pytest

from fluewright.spreadsheet import harmless


@pytest.mark.parametrize("text", ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\tx", "\r=1", "-", "+inf", "-5\n"])
def test_a_text_that_begins_like_a_formula_is_made_a_text(text: str) -> None:
    assert harmless(text) == f"'{text}"


@pytest.mark.parametrize("cell", ["-5.2", "+3", "-1e-05", -5.2, 3, None, "plum wood", "", "a=b", "'=1"])
def test_numbers_and_other_texts_stay(cell: object) -> None:
    assert harmless(cell) == cell
