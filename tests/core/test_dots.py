"""Correlations of a few channels at once are those of numpy, one at a time, to the last bit, wherever they lie."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietfloor.monitor.core.dots import correlate


@pytest.mark.parametrize("n_taps", [32, 37, 195])
@pytest.mark.parametrize("step", [1, 3])
def test_each_output_is_that_of_numpy(n_taps, step):
    rng = np.random.default_rng(n_taps)
    rows, taps = rng.standard_normal((5, 700)), rng.standard_normal(n_taps)
    expected = [np.correlate(row, taps, mode="valid")[::step] for row in rows]
    np.testing.assert_array_equal(correlate(rows, taps, step), expected)


@given(st.integers(0, 60), st.integers(1, 40), st.integers(1, 5))
def test_a_view_and_its_copy_give_the_same(start, n_taps, step):
    rng = np.random.default_rng(start)
    rows, taps = rng.standard_normal((3, 160)), rng.standard_normal(n_taps)
    cut = rows[:, start : start + 90]
    whole = correlate(rows[:, start:], taps, step)
    np.testing.assert_array_equal(correlate(cut, taps, step), whole[:, : (90 - n_taps) // step + 1])


@pytest.mark.parametrize("n", [0, 1, 4])
def test_too_few_samples_give_no_output(n):
    assert correlate(np.ones((2, n)), np.ones(5)).shape == (2, 0)
