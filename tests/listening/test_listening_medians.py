import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from fluewright.listening.medians import column_medians, median, running_median


@given(hnp.arrays(float, st.integers(0, 20).map(lambda n: 2 * n + 1), elements=st.floats(-1e6, 1e6)))
def test_medians_of_odd_numbers_are_those_of_numpy(values):
    assert median(values) == np.median(values)
    columns = np.stack([values, -values, values**2], axis=1)
    assert np.array_equal(column_medians(columns), np.median(columns, axis=0))


def test_running_median_removes_single_values():
    assert running_median(np.array([1.0, 1, 9, 1, 1, 1]), 5) == pytest.approx(np.ones(6))
    assert running_median(np.array([3.0]), 5) == pytest.approx([3.0])
