"""Averages to be read, in the real window: by keys, and by mouse."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PyQt5.QtCore import QEvent, QPoint, QPointF, Qt
from PyQt5.QtGui import QMouseEvent, QWheelEvent
from PyQt5.QtWidgets import QApplication

from quietfloor.monitor.display.board import DOUBT
from quietfloor.monitor.display.waves import RunMarks
from tests.display.conftest import Spin, live_scene, stop_at, until

LEFT, RIGHT, NONE = Qt.MouseButton.LeftButton, Qt.MouseButton.RightButton, Qt.MouseButton.NoButton


@pytest.fixture
def session(made_runs: list[Path], tmp_path: Path) -> list[Path]:
    return [Path(shutil.copytree(run, tmp_path / run.name)) for run in made_runs]


@pytest.fixture
def window(run_window: Callable[[Path], Any], session: list[Path]) -> Any:
    """The newest of two runs at 60 dB nHL, at its end."""
    return run_window(session[1])


class Hand:
    """A mouse on a chart: places in ms and as a part of the height from the top."""

    def __init__(self, chart: Any, qt: Spin) -> None:
        self.chart, self._qt = chart, qt

    def at(self, ms: float, down: float = 0.5) -> QPoint:
        rect, (first, last) = self.chart.inside, self.chart.x_range
        x = rect.left() + (ms - first) / (last - first) * rect.width()
        return QPointF(x, rect.top() + down * rect.height()).toPoint()

    def send(self, kind: Any, place: QPoint, button: Any = LEFT, held: Any = LEFT) -> None:
        QApplication.sendEvent(self.chart.viewport(), QMouseEvent(kind, place, button, held, Qt.KeyboardModifier.NoModifier))
        self._qt(0.0)

    def press(self, place: QPoint, button: Any = LEFT) -> None:
        self.send(QEvent.Type.MouseButtonPress, place, button, button)

    def move(self, place: QPoint, held: Any = LEFT) -> None:
        self.send(QEvent.Type.MouseMove, place, NONE, held)

    def release(self, place: QPoint, button: Any = LEFT) -> None:
        self.send(QEvent.Type.MouseButtonRelease, place, button, NONE)

    def click(self, place: QPoint) -> None:
        self.press(place)
        self.release(place)

    def double(self, place: QPoint) -> None:
        self.click(place)
        self.send(QEvent.Type.MouseButtonDblClick, place)
        self.release(place)

    def drag(self, start: QPoint, end: QPoint, button: Any = LEFT) -> None:
        self.press(start, button)
        self.move(end, button)
        self.release(end, button)

    def wheel(self, place: QPoint, notches: int, ctrl: bool = False) -> None:
        held = Qt.KeyboardModifier.ControlModifier if ctrl else Qt.KeyboardModifier.NoModifier
        event = QWheelEvent(
            QPointF(place), QPointF(self.chart.viewport().mapToGlobal(place)), QPoint(), QPoint(0, 120 * notches),
            Qt.MouseButtons(NONE), held, Qt.ScrollPhase.NoScrollPhase, False,
        )  # fmt: skip
        QApplication.sendEvent(self.chart.viewport(), event)
        self._qt(0.0)


@pytest.fixture
def key(qt: Spin, press: Any, window: Any) -> Callable[..., None]:
    """Press keys as Qt spells them, such as "Ctrl+Left"."""
    from PyQt5.QtGui import QKeySequence
    from PyQt5.QtTest import QTest

    def send(*keys: str) -> None:
        window.activateWindow()
        until(qt, lambda: QApplication.activeWindow() is window)
        for one in keys:
            code = QKeySequence(one)[0]
            held = Qt.KeyboardModifiers(code & int(Qt.KeyboardModifier.KeyboardModifierMask))
            QTest.keyClick(window, Qt.Key(code & ~int(Qt.KeyboardModifier.KeyboardModifierMask)), held)
            qt(0.02)

    return send


# -- scale and zoom ---------------------------------------------------------------------------------------------------


def shown_nv(window: Any) -> tuple[float, float]:
    """What the chart of the average shows without its strips."""
    panel, (low, high) = window.average, window.average.chart.y_range
    part = (high - low) * (1 - panel._legend_part - panel._foot_part)
    bottom = low + (high - low) * panel._foot_part
    return bottom, bottom + part


def test_a_fixed_scale_is_shown_and_stays_whatever_is_drawn(window: Any, qt: Spin, key: Any) -> None:
    height = window.average.height_nv
    assert shown_nv(window) == pytest.approx((-height, height))
    key("Y")
    assert f"scale fixed at ±{height:.0f} nV" in window.average.aside.text()
    assert "Y lets it fit" in window.controller.message
    key("Ctrl+Down", "Ctrl+Down", "Ctrl+Up")
    fixed = window.averages.zoom.scale_nv
    assert fixed is not None
    assert fixed > height
    assert shown_nv(window) == pytest.approx((-fixed, fixed))
    key("Shift+O")  # other curves, and other levels: the same scale
    until(qt, lambda: window.average.overlays)
    key("H", "U")
    assert shown_nv(window) == pytest.approx((-fixed, fixed))
    key("K")
    until(qt, lambda: len(window.averages.levels._rows) == 3)
    assert window.averages.levels.height_nv == fixed
    assert "scale fixed" in window.averages.levels.aside.text()
    key("K", "Y")
    assert window.averages.zoom.scale_nv is None
    assert "fixed" not in window.average.aside.text()
    assert window.controller.message == "The scale fits the curves"


def test_a_curve_beyond_a_fixed_scale_is_said(window: Any, qt: Spin, key: Any) -> None:
    key(*["Ctrl+Up"] * 4)
    assert "a curve goes beyond" in window.average.aside.text()
    qt(0.05)
    assert not window.average.failed


def test_keys_zoom_in_on_time_and_amplitude_and_back_to_the_whole(window: Any, qt: Spin, key: Any) -> None:
    chart = window.average.chart
    whole, whole_nv = chart.x_range, shown_nv(window)
    key("Z")
    assert chart.x_range[1] - chart.x_range[0] == pytest.approx((whole[1] - whole[0]) / 2)
    low, high = window.average.curves.latency_ms
    assert chart.x_range[0] < low < high < chart.x_range[1]  # about wave V
    assert "zoomed in" in window.average.aside.text()
    before = chart.x_range
    key("Ctrl+PgDown")
    assert chart.x_range[0] > before[0]
    key("Ctrl+PgUp")
    assert chart.x_range == pytest.approx(before)
    key("V")
    assert shown_nv(window)[1] - shown_nv(window)[0] == pytest.approx((whole_nv[1] - whole_nv[0]) / 2)
    key("Shift+V", "Shift+Z")
    assert chart.x_range == pytest.approx(whole)
    key("Z", "V", "Ctrl+0")
    qt(0.05)
    assert chart.x_range == pytest.approx(whole)
    assert shown_nv(window) == pytest.approx(whole_nv)
    key("Ctrl+PgDown")
    assert "Z zooms in" in window.controller.message


def test_the_mouse_zooms_by_wheel_and_rectangle_and_a_double_click_shows_all(window: Any, qt: Spin) -> None:
    window.do("panel_2")
    qt(0.1)
    chart = window.average.chart
    hand, whole, whole_nv = Hand(chart, qt), chart.x_range, shown_nv(window)
    place = hand.at(6.0)
    hand.wheel(place, 3)
    assert chart.value_at(QPointF(place))[0] == pytest.approx(6.0, abs=0.1)  # what is under the mouse stays there
    assert chart.x_range[1] - chart.x_range[0] == pytest.approx((whole[1] - whole[0]) / 1.25**3)
    assert shown_nv(window) == pytest.approx(whole_nv)
    hand.wheel(place, 2, ctrl=True)
    assert shown_nv(window)[1] - shown_nv(window)[0] == pytest.approx((whole_nv[1] - whole_nv[0]) / 1.25**2)
    hand.wheel(place, -9)
    assert chart.x_range == pytest.approx(whole)
    window.do("zoom_whole")
    hand.drag(hand.at(4.0, 0.3), hand.at(9.0, 0.7), RIGHT)
    qt(0.05)
    assert chart.x_range == pytest.approx((4.0, 9.0), abs=0.1)
    assert shown_nv(window)[1] - shown_nv(window)[0] < 0.6 * (whole_nv[1] - whole_nv[0])
    hand.double(hand.at(5.0))
    assert chart.x_range == pytest.approx(whole)
    assert window.average.cursors.ms == []  # a double click puts no cursor
    hand.drag(hand.at(4.0, 0.5), hand.at(4.01, 0.5), RIGHT)  # that was a click
    assert chart.x_range == pytest.approx(whole)


def test_nothing_is_scaled_or_measured_before_there_is_an_average(open_window: Callable[..., Any], qt: Spin) -> None:
    window = open_window()
    for name in ("scale", "scale_up", "zoom_in", "cursor"):
        window.controller.say("")
        window.do(name)
        assert window.controller.message == "There is no average yet"
    window.do("cursor_later")
    assert "There is no cursor" in window.controller.message
    assert window.averages.zoom.scale_nv is None
    window.do("replicates")
    assert "not known" in window.controller.message


# -- cursors ----------------------------------------------------------------------------------------------------------


def test_keys_put_move_and_clear_two_cursors(window: Any, qt: Spin, key: Any) -> None:
    cursors, curves = window.average.cursors, window.average.curves
    key("C", "C")
    assert cursors.ms == list(curves.latency_ms)
    assert "interval" in window.controller.message
    step = float(curves.times_ms[1] - curves.times_ms[0])
    read = cursors.readings(curves)
    key("Ctrl+Right", "Ctrl+Right", "Ctrl+Left")
    assert cursors.readings(curves)[1].ms == pytest.approx(read[1].ms + step)
    key("C", "Ctrl+Left")
    assert cursors.readings(curves)[0].ms == pytest.approx(read[0].ms - step)
    one, other = cursors.readings(curves)
    qt(0.05)
    words = [words for words, _ in window.average.chart.labels]
    assert f"interval {other.ms - one.ms:.2f} ms, difference" in " ".join(words)
    assert {"1", "2"} <= set(words)
    key("Shift+C")
    assert cursors.ms == []
    qt(0.05)
    assert "1" not in [words for words, _ in window.average.chart.labels]


def test_a_click_puts_a_cursor_and_a_drag_moves_it(window: Any, qt: Spin) -> None:
    window.do("panel_2")
    qt(0.1)
    hand, cursors = Hand(window.average.chart, qt), window.average.cursors
    hand.click(hand.at(5.0))
    hand.click(hand.at(9.0))
    assert cursors.ms == pytest.approx([5.0, 9.0], abs=0.05)
    hand.drag(hand.at(5.0), hand.at(3.0))
    assert cursors.ms == pytest.approx([3.0, 9.0], abs=0.05)
    assert "interval 6." in window.controller.message or "interval 5.9" in window.controller.message
    hand.click(hand.at(7.5))
    assert cursors.ms == pytest.approx([3.0, 7.5], abs=0.05)


def test_cursors_and_marks_share_the_mouse(window: Any, qt: Spin, session: list[Path]) -> None:
    window.do("panel_2")
    window.do("waves")
    qt(0.1)
    hand, cursors = Hand(window.average.chart, qt), window.average.cursors
    window.do("cursor")
    start = cursors.ms[0]
    hand.drag(hand.at(start), hand.at(start - 1.0))
    assert cursors.ms == pytest.approx([start - 1.0], abs=0.05)
    assert not (session[1] / "marks.json").exists()
    v = next(spot.ms for spot in window.average.spots if spot.wave == "V")
    hand.drag(hand.at(v), hand.at(v + 0.2))
    assert (session[1] / "marks.json").exists()
    assert len(cursors.ms) == 1  # a click that is about marks puts no cursor


# -- replicates, levels, latency against level ------------------------------------------------------------------------


def test_replicates_are_drawn_over_the_average_and_taken_away(window: Any, qt: Spin, key: Any, session: list[Path]) -> None:
    key("Shift+O")
    until(qt, lambda: window.average.overlays)
    assert [overlay.folder for overlay in window.average.overlays] == [session[0]]
    qt(0.1)
    assert f"60 dB nHL ({session[0].name})" in [words for words, _ in window.average.chart.labels]
    key("Shift+O")
    assert window.average.overlays == []


def test_the_average_of_a_run_that_is_discarded_meanwhile_is_taken_away(window: Any, qt: Spin, key: Any) -> None:
    key("Shift+O")
    until(qt, lambda: window.average.overlays)
    ladder = window.link.ladder
    gone = {overlay.folder for overlay in window.average.overlays}
    rungs = tuple(
        replace(rung, replicates=tuple(one for one in rung.replicates if one.folder not in gone)) for rung in ladder.rungs
    )
    window.link.ladder = replace(ladder, rungs=rungs)
    until(qt, lambda: not window.average.overlays)


def test_levels_take_the_place_of_the_average(window: Any, qt: Spin, key: Any) -> None:
    key("K")
    panel = window.averages.levels
    until(qt, lambda: len(panel._rows) == 3)
    qt(0.1)
    assert panel.isVisible()
    assert not window.average.isVisible()
    assert window.layout_.grid.itemAtPosition(0, 6).widget() is panel
    names = panel.chart._axes["left"].names
    assert list(names.values()) == ["70 dB nHL ?", "60 dB nHL ?", "50 dB nHL ?"], "noise was due and not given"
    places = list(names)
    assert places == sorted(places, reverse=True)
    words = {words for words, _ in panel.chart.labels}
    assert {"odd half", "even half", "newest run", "one before"} <= words
    assert any(one.endswith("nV") for one in words)  # the bar of the scale
    key("2")
    qt(0.05)
    assert panel.width() > 0.95 * window.board.width()
    assert sum(words == "V" for words, _ in panel.chart.labels) == 3
    key("I")  # alone too
    qt(0.05)
    assert window.averages.growth.width() > 0.95 * window.board.width()
    key("I", "Esc")
    assert window.average.isVisible()
    key("K", "H")
    qt(0.05)
    assert "odd half" not in {words for words, _ in panel.chart.labels}
    assert not any(one.failed for one in window.panels)


def test_the_mouse_zooms_stacked_levels_in_time(window: Any, qt: Spin, key: Any) -> None:
    key("K", "2")
    panel = window.averages.levels
    until(qt, lambda: len(panel._rows) == 3)
    qt(0.1)
    hand, whole = Hand(panel.chart, qt), panel.chart.x_range
    hand.drag(hand.at(3.0, 0.2), hand.at(9.0, 0.6), RIGHT)
    assert panel.chart.x_range == pytest.approx((3.0, 9.0), abs=0.1)
    hand.double(hand.at(5.0))
    assert panel.chart.x_range == pytest.approx(whole)
    before = panel.height_nv
    hand.wheel(hand.at(5.0), 1, ctrl=True)
    assert panel.height_nv < before  # rows nearer by less nV: curves taller
    hand.move(hand.at(6.0, 0.5), NONE)
    qt(0.05)
    assert any(words.startswith("60 dB nHL: 6.0 ms") for words, _ in panel.chart.labels)


def test_latency_and_amplitude_stand_beside_published_values_with_their_source(
    window: Any, qt: Spin, key: Any, session: list[Path]
) -> None:
    kept = RunMarks(session[2])
    kept.move(1)
    key("I", "2")
    panel = window.averages.growth
    until(qt, lambda: panel._levels.rows)
    qt(0.2)
    latencies = [words for words, _ in panel.latency.labels]
    assert latencies.count("V?") == 3, "noise was due and not given"
    assert "V, published" in latencies
    assert "V, published" in [words for words, _ in panel.amplitude.labels]
    assert "Elberling, Callo & Don 2010" in panel.origins[0].text()
    assert "n = 20" in panel.origins[0].toolTip()
    hand = Hand(panel.latency, qt)
    row = next(row for row in panel._levels.rows if row.level.db == 70.0)
    v = row.mark("V")
    assert v is not None
    height = (panel.latency.y_range[1] - v.latency_ms.value) / (panel.latency.y_range[1] - panel.latency.y_range[0])
    hand.move(hand.at(70.0, height), NONE)
    qt(0.05)
    said = f"V at 70 dB nHL: {v.latency_ms.value:.2f} ms, by hand; {DOUBT}"
    assert said in [words for words, _ in panel.latency.labels]
    assert not panel.failed


def test_marks_bring_the_average_back(window: Any, qt: Spin, key: Any) -> None:
    key("K", "W")
    assert window.average.isVisible()
    assert window.average.spots


def test_levels_follow_a_run_that_goes_on(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path
) -> None:
    """Other equipment makes the sound of this run: its level is not known, and that is said."""
    view = live_scene(recordings["response"], tmp_path, pace=40.0)
    window = open_window(view)
    view.run.start()
    until(qt, stop_at(view, 2))
    window.do("levels")
    window.do("growth")
    window.do("levels")
    qt(0.1)
    panel = window.averages.levels
    assert panel.isVisible()
    assert "The levels are not known here" in [words for words, _ in panel.chart.labels]
    assert not any(one.failed for one in window.panels)
