"""The ring of lowest and highest values against the whole signal, however it comes."""

import numpy as np
import pytest

from quietfloor.monitor.display.traces import MinMaxRing


@pytest.mark.parametrize(("step", "per_column"), [(1.0, 7.3), (3.0, 10.0), (4.0, 1.5)])
def test_the_ring_holds_what_the_whole_signal_says(step: float, per_column: float) -> None:
    rng = np.random.default_rng(3)
    values = rng.standard_normal((2, 5000)).astype(np.float32)
    at = 17.0 + np.arange(5000) * step
    column = (at / per_column).astype(int)
    ring = MinMaxRing(2, 40, per_column)
    start = 0
    while start < 5000:
        n = int(rng.integers(1, 300))
        ring.add(at[start], step, values[:, start : start + n])
        start += n
        newest = column[min(start, 5000) - 1]
        low, high = ring.window()
        for place, number in enumerate(range(newest - 39, newest + 1)):
            inside = (column == number) & (np.arange(5000) < start)
            if inside.any():
                np.testing.assert_array_equal(low[:, place], values[:, inside].min(axis=1))
                np.testing.assert_array_equal(high[:, place], values[:, inside].max(axis=1))
            else:
                assert np.isnan(low[:, place]).all()


def test_a_hole_in_time_stays_a_hole_and_a_long_one_clears_the_ring() -> None:
    ring = MinMaxRing(1, 10, 1.0)
    ring.add(0.0, 1.0, np.ones((1, 5)))
    ring.add(7.0, 1.0, np.ones((1, 2)))
    low, _ = ring.window()
    np.testing.assert_array_equal(np.isnan(low[0]), [1, 0, 0, 0, 0, 0, 1, 1, 0, 0])
    ring.add(1000.0, 1.0, np.ones((1, 1)))
    assert np.isnan(ring.window()[0]).sum() == 9
    with pytest.raises(ValueError, match="at least 2 columns"):
        MinMaxRing(1, 1, 1.0)


def test_an_earlier_window_shows_what_was_there_then_and_nothing_that_is_forgotten() -> None:
    ring = MinMaxRing(1, 10, 1.0)
    ring.add(0.0, 1.0, np.arange(25.0)[np.newaxis])
    np.testing.assert_array_equal(ring.window(4, 22)[0][0], [18, 19, 20, 21])
    np.testing.assert_array_equal(ring.window(4, 17)[1][0], [np.nan, np.nan, 15, 16])  # 15 to 24 are kept
    np.testing.assert_array_equal(ring.window(4, 27)[0][0], [23, 24, np.nan, np.nan])
    assert np.isnan(ring.window(12)[0][0, :2]).all()
