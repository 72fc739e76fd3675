"""Scale and zoom of the averages as plain values."""

from __future__ import annotations

import pytest

from quietfloor.monitor.display.zoom import LEAST_SCALE_NV, MOST_SCALE_NV, SHORTEST_MS, Zoom, fitted, zoomed

WHOLE_MS, WHOLE_NV = (-2.0, 20.0), (-300.0, 300.0)


def test_a_scale_is_fixed_as_it_is_and_let_go_again() -> None:
    zoom = Zoom()
    zoom.fix(300.0)
    assert zoom.scale_nv == 300.0
    zoom.fix(300.0)
    assert zoom.scale_nv is None


def test_steps_of_the_scale_are_one_two_five() -> None:
    zoom, seen = Zoom(), []
    for up in (True, True, True, False, False, False, False, False):
        zoom.step(300.0, up)
        seen.append(zoom.scale_nv)
    assert seen == [200.0, 100.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0]
    for _ in range(30):
        zoom.step(300.0, True)
    assert zoom.scale_nv == LEAST_SCALE_NV
    for _ in range(60):
        zoom.step(300.0, False)
    assert zoom.scale_nv == MOST_SCALE_NV


def test_a_new_scale_shows_the_whole_height() -> None:
    zoom = Zoom()
    zoom.zoom_height(WHOLE_NV, 100.0, 0.5)
    assert zoom.nv == (-100.0, 200.0)  # 100 nV stays where it was, at two thirds
    zoom.step(300.0, True)
    assert zoom.nv is None


def test_zooming_in_keeps_the_place_and_out_ends_at_the_whole() -> None:
    zoom = Zoom()
    zoom.zoom_time(WHOLE_MS, 6.0, 0.5)
    assert zoom.ms == (2.0, 13.0)
    assert not zoom.is_whole
    for _ in range(20):
        zoom.zoom_time(WHOLE_MS, 6.0, 0.5)
    assert zoom.ms is not None
    assert zoom.ms[1] - zoom.ms[0] == pytest.approx(SHORTEST_MS)
    assert zoom.ms[0] < 6.0 < zoom.ms[1]
    for _ in range(20):
        zoom.zoom_time(WHOLE_MS, 6.0, 2.0)
    assert zoom.is_whole


def test_a_part_stays_inside_the_whole() -> None:
    assert zoomed(WHOLE_MS, WHOLE_MS, 40.0, 0.5, SHORTEST_MS) == (9.0, 20.0)
    assert fitted((25.0, 30.0), WHOLE_MS, SHORTEST_MS) == (15.0, 20.0)
    assert fitted((8.0, 3.0), WHOLE_MS, SHORTEST_MS) == (3.0, 8.0)
    assert fitted((-10.0, 40.0), WHOLE_MS, SHORTEST_MS) is None


def test_a_part_is_moved_as_far_as_there_is_something() -> None:
    zoom = Zoom()
    assert not zoom.shift(WHOLE_MS, 0.25)
    zoom.zoom_to((4.0, 8.0), (-100.0, 50.0), WHOLE_MS, WHOLE_NV)
    assert (zoom.ms, zoom.nv) == ((4.0, 8.0), (-100.0, 50.0))
    assert zoom.shift(WHOLE_MS, 0.25)
    assert zoom.ms == (5.0, 9.0)
    for _ in range(50):
        zoom.shift(WHOLE_MS, 0.25)
    assert zoom.ms == (16.0, 20.0)
    zoom.scale_nv = 500.0
    zoom.whole()
    assert zoom.is_whole
    assert zoom.scale_nv == 500.0  # it was a choice of its own
