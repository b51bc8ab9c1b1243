import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.units import CENTS_PER_RELATIVE, cents_above, minus, shifted, signed

hertz = st.floats(min_value=1.0, max_value=20_000.0)


def test_an_octave_is_1200_cents_up_and_down() -> None:
    assert cents_above(880.0, 440.0) == pytest.approx(1200.0, abs=1e-12)
    assert cents_above(220.0, 440.0) == pytest.approx(-1200.0, abs=1e-12)


def test_a_small_relative_change_counts_17_cents_per_cent() -> None:
    assert cents_above(440.0 * (1 + 1e-7), 440.0) == pytest.approx(CENTS_PER_RELATIVE * 1e-7, rel=1e-6)


@given(hertz, st.floats(min_value=-2400.0, max_value=2400.0))
def test_shifting_and_measuring_undo_each_other(f_hz: float, cents: float) -> None:
    assert cents_above(shifted(f_hz, cents), f_hz) == pytest.approx(cents, abs=1e-9)


def test_arrays_and_numbers_agree_and_unknown_pitches_stay_unknown() -> None:
    f = np.array([440.0, 445.0, math.nan])
    assert cents_above(f, 440.0)[:2] == pytest.approx([0.0, cents_above(445.0, 440.0)])
    assert math.isnan(cents_above(f, 440.0)[2])
    assert shifted(440.0, np.array([100.0])) == pytest.approx([shifted(440.0, 100.0)])


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(2.34, 1, "+2.3"), (-0.81, 1, "\u22120.8"), (-0.04, 1, "0.0"), (0.0, 0, "0"), (-12.0, 0, "\u221212")],
)
def test_signed_numbers_have_a_true_minus_and_nothing_has_no_sign(value: float, digits: int, text: str) -> None:
    assert signed(value, digits) == text


def test_a_hyphen_in_a_number_becomes_a_minus_sign() -> None:
    assert minus("-3.5") == "\u22123.5"
