"""Scale and zoom of the averages as plain values."""

from __future__ import annotations

import pytest

from quietfloor.monitor.display.sight import LEAST_SCALE_NV, MOST_SCALE_NV, SHORTEST_MS, Sight, fitted, zoomed

WHOLE_MS, WHOLE_NV = (-2.0, 20.0), (-300.0, 300.0)


def test_a_scale_is_fixed_as_it_is_and_let_go_again() -> None:
    sight = Sight()
    sight.fix(300.0)
    assert sight.scale_nv == 300.0
    sight.fix(300.0)
    assert sight.scale_nv is None


def test_steps_of_the_scale_are_one_two_five() -> None:
    sight, seen = Sight(), []
    for up in (True, True, True, False, False, False, False, False):
        sight.step(300.0, up)
        seen.append(sight.scale_nv)
    assert seen == [200.0, 100.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0]
    for _ in range(30):
        sight.step(300.0, True)
    assert sight.scale_nv == LEAST_SCALE_NV
    for _ in range(60):
        sight.step(300.0, False)
    assert sight.scale_nv == MOST_SCALE_NV


def test_a_new_scale_shows_the_whole_height() -> None:
    sight = Sight()
    sight.zoom_height(WHOLE_NV, 100.0, 0.5)
    assert sight.nv == (-100.0, 200.0)  # 100 nV stays where it was, at two thirds
    sight.step(300.0, True)
    assert sight.nv is None


def test_zooming_in_keeps_the_place_and_out_ends_at_the_whole() -> None:
    sight = Sight()
    sight.zoom_time(WHOLE_MS, 6.0, 0.5)
    assert sight.ms == (2.0, 13.0)
    assert not sight.is_whole
    for _ in range(20):
        sight.zoom_time(WHOLE_MS, 6.0, 0.5)
    assert sight.ms is not None
    assert sight.ms[1] - sight.ms[0] == pytest.approx(SHORTEST_MS)
    assert sight.ms[0] < 6.0 < sight.ms[1]
    for _ in range(20):
        sight.zoom_time(WHOLE_MS, 6.0, 2.0)
    assert sight.is_whole


def test_a_part_stays_inside_the_whole() -> None:
    assert zoomed(WHOLE_MS, WHOLE_MS, 40.0, 0.5, SHORTEST_MS) == (9.0, 20.0)
    assert fitted((25.0, 30.0), WHOLE_MS, SHORTEST_MS) == (15.0, 20.0)
    assert fitted((8.0, 3.0), WHOLE_MS, SHORTEST_MS) == (3.0, 8.0)
    assert fitted((-10.0, 40.0), WHOLE_MS, SHORTEST_MS) is None


def test_a_part_is_moved_as_far_as_there_is_something() -> None:
    sight = Sight()
    assert not sight.shift(WHOLE_MS, 0.25)
    sight.zoom_to((4.0, 8.0), (-100.0, 50.0), WHOLE_MS, WHOLE_NV)
    assert (sight.ms, sight.nv) == ((4.0, 8.0), (-100.0, 50.0))
    assert sight.shift(WHOLE_MS, 0.25)
    assert sight.ms == (5.0, 9.0)
    for _ in range(50):
        sight.shift(WHOLE_MS, 0.25)
    assert sight.ms == (16.0, 20.0)
    sight.scale_nv = 500.0
    sight.whole()
    assert sight.is_whole
    assert sight.scale_nv == 500.0  # it was a choice of its own
