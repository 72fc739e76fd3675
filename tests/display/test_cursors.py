"""The cursor pair as plain values: where it goes, and what it measures on an average that is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from quietfloor.monitor.display.cursors import CursorPair, amplitude, nearest
from quietfloor.monitor.display.views import Curves

TIMES_MS = np.arange(-16, 161) / 16.0 * 2  # an eighth of a millisecond apart


def curves(average_nv: np.ndarray | None = None) -> Curves:
    values = 100.0 * np.sin(TIMES_MS) if average_nv is None else average_nv
    return Curves(TIMES_MS, values, values, values, values, 30.0, (5.0, 9.0), (1.0, 15.0), (0.0, 1.0), 0.9, 3)


def test_two_are_put_and_then_the_nearer_one_comes() -> None:
    pair = CursorPair()
    pair.put(5.0)
    pair.put(8.0)
    assert (pair.ms, pair.chosen) == ([5.0, 8.0], 1)
    pair.put(5.5)
    assert (pair.ms, pair.chosen) == ([5.5, 8.0], 0)
    pair.put_or_switch(1.0)
    assert (pair.ms, pair.chosen) == ([5.5, 8.0], 1)
    assert pair.take(5.6, within_ms=0.2)
    assert pair.chosen == 0
    assert not pair.take(6.6, within_ms=0.2)
    pair.carry(6.0)
    assert pair.ms == [6.0, 8.0]
    pair.clear()
    assert (pair.ms, pair.readings(curves()), pair.words(curves())) == ([], (), ())


def test_keys_move_by_samples_and_stop_at_the_ends() -> None:
    pair = CursorPair()
    assert not pair.move(TIMES_MS, 1)
    pair.put(5.03)
    assert pair.move(TIMES_MS, 1)
    assert pair.ms == [5.125]
    pair.move(TIMES_MS, -2)
    assert pair.ms == [4.875]
    pair.move(TIMES_MS, 10_000)
    assert pair.ms == [TIMES_MS[-1]]


def test_interval_and_difference_are_those_of_the_samples() -> None:
    pair, shown = CursorPair(), curves()
    pair.put(8.02)
    pair.put(4.98)
    late, early = pair.readings(shown)
    assert (late.ms, early.ms, late.chosen, early.chosen) == (8.0, 5.0, False, True)
    assert late.nv == pytest.approx(100 * math.sin(8.0))
    difference = 100 * (math.sin(8.0) - math.sin(5.0))  # the later minus the earlier, whichever was put first
    assert pair.words(shown) == ("1: 8.00 ms, 99 nV", "2: 5.00 ms, −96 nV", f"interval 3.00 ms, difference {difference:.0f} nV")


def test_what_is_not_known_is_said() -> None:
    pair = CursorPair()
    pair.put(8.0)
    assert pair.words(curves(np.full(len(TIMES_MS), np.nan))) == ("1: 8.00 ms, not known",)
    assert amplitude(-0.2) == "0 nV"
    assert (amplitude(-12.4), amplitude(999.0), amplitude(-1500.0)) == ("−12 nV", "999 nV", "−1.50 µV")
    assert nearest(TIMES_MS, 5.06) == nearest(TIMES_MS, 5.0)
