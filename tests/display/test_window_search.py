"""A search in the window: its board takes the place of the other panels, and its keys make orders."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.display.run_view import RunView
from quietfloor.monitor.search.now import SearchNow
from quietfloor.monitor.search.running import Place
from quietfloor.monitor.search.said import Order
from tests.display.conftest import Spin, live_scene, until
from tests.display.made_search import MadeSearch
from tests.slow import patience


class Scene:
    """A live run in a window that says to be a search; ``orders`` are those that came of what a person did."""

    def __init__(self, window: Any, view: RunView, orders: list[Order], qt: Spin) -> None:
        self.window, self.view, self.orders, self._qt = window, view, orders, qt

    def show(self, now: SearchNow) -> None:
        run = self.view.live
        assert run is not None
        run._publisher.update(search=now)
        until(self._qt, lambda: self.window.view.model.status.search is now)
        self._qt(0.1)


@pytest.fixture
def scene(open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path) -> Iterator[Scene]:
    orders: list[Order] = []
    view = replace(live_scene(recordings["nothing"], tmp_path, pace=1.0), order=orders.append)
    window = open_window(view)
    view.run.start()
    until(qt, lambda: view.run.status.state == "running")
    yield Scene(window, view, orders, qt)
    view.run.stop()
    assert view.run.wait(patience(20))


@pytest.fixture(scope="module")
def moments() -> dict[int, SearchNow]:
    """Searches over so many conditions, after some units."""
    return {count: MadeSearch(count).go_on(units).now() for count, units in ((1, 30), (2, 60), (8, 60))}


def visible(window: Any) -> list[str]:
    return [panel.name for panel in window.panels if panel.isVisible()]


def test_the_board_takes_the_place_of_the_panels_of_a_run(
    scene: Scene, qt: Spin, press: Any, moments: dict[int, SearchNow]
) -> None:
    window = scene.window
    assert "search board" not in visible(window)
    assert "pause" in window.bar.buttons
    scene.show(moments[2])
    assert visible(window) == ["incoming EEG", "search board"]
    assert {"pause_sound", "leave", "only_louder", "stop"} <= set(window.bar.buttons)
    assert "pause" not in window.bar.buttons
    assert window.sentence.word.text() == "Searching: about 6 minutes to go (3 to 11)"
    assert window.sentence.rest.text() == moments[2].sentence
    assert "group" not in window.sentence.mark.toolTip()
    press(window, "6")
    assert visible(window) == ["search board"]
    press(window, "6", "3")
    assert visible(window) == ["incoming EEG"]
    press(window, "Esc")
    assert visible(window) == ["incoming EEG", "search board"]
    press(window, "F1")
    assert "play the chosen rung next" in window.sheet.words.text()
    assert "decision plane alone" not in window.sheet.words.text()
    press(window.sheet, "F1")
    assert not any(panel.failed for panel in window.panels)


def test_every_column_fits_and_the_one_that_plays_is_legible(
    scene: Scene, qt: Spin, press: Any, moments: dict[int, SearchNow]
) -> None:
    window, board = scene.window, scene.window.search_board.view
    for now in moments.values():
        scene.show(now)
        assert now.place is not None
        for width, height in ((1280, 720), (2560, 1440)):
            window.resize(width, height)
            for keys in ((), ("p",), ("d",), ("p", "d")):
                press(window, *keys)
                qt(0.05)
                rects = [rect for rect, _ in board._columns]
                assert len(rects) == len(now.conditions)
                assert all(later.left() >= one.right() for one, later in pairwise(rects))
                assert rects[-1].right() <= board.width() + 1
                rect, whole = board._columns[now.place.condition]
                assert whole
                assert rect.width() >= 20 * board.look.px(1.0)
                top, bottom = board._rails
                for rung in board.board.columns[0].rungs:
                    assert top < board._y(rung.level_db) < bottom
    assert not any(panel.failed for panel in window.panels)


def test_what_a_person_does_at_the_board_becomes_an_order(
    scene: Scene, qt: Spin, press: Any, moments: dict[int, SearchNow]
) -> None:
    window, now = scene.window, moments[2]
    scene.show(now)
    assert now.place is not None
    condition, level = now.place.condition, now.place.level
    levels = now.conditions[condition].levels_db
    press(window, "Up", "Up", "Enter")
    assert scene.orders[-1] == Order("go_to", condition, levels[level + 2], "operator")
    assert f"Next: {levels[level + 2]:g} dB nHL" in window.bar.message.text() + window.controller.message
    press(window, "t")
    assert scene.orders[-1] == Order("only_above", None, levels[level], "operator")
    press(window, "T")
    press(window, "Space")
    assert scene.orders[-1].kind == "pause"
    scene.show(replace(now, paused=True))
    assert window.bar.buttons["pause_sound"].text().startswith("Go on")
    press(window, "Space")
    assert scene.orders[-1].kind == "go_on"
    scene.show(now)
    press(window, "Left" if condition else "Right", "l")
    assert scene.orders[-1] == Order("leave", 1 - condition, None, "operator")
    before = len(scene.orders)
    window.bar.buttons["leave"].click()
    assert len(scene.orders) == before + 1
    scene.show(replace(now, over=True, place=None))
    assert not window.bar.buttons["leave"].isEnabled()
    press(window, "Space")
    assert len(scene.orders) == before + 1
    assert window.controller.message == "The search is over"


def test_a_rung_is_chosen_by_mouse_and_explains_itself(scene: Scene, qt: Spin, moments: dict[int, SearchNow]) -> None:
    from PyQt5.QtCore import QPoint, QPointF, Qt
    from PyQt5.QtTest import QTest

    window, now = scene.window, moments[2]
    scene.show(now)
    board = window.search_board.view
    wanted = Place(1, 12)
    rect, _ = board._columns[1]
    level_db = now.conditions[1].levels_db[12]
    point = QPoint(int(rect.center().x()), round(board._y(level_db)))
    assert board.place_at(QPointF(point)) == wanted
    QTest.mouseClick(board, Qt.MouseButton.LeftButton, pos=point)
    qt(0.1)
    assert window.controller.search.chosen == wanted
    assert board.chosen == wanted
    assert window.search_board.aside.text().startswith(f"chosen: L 2 kHz, {level_db:g} dB nHL")
    tip = board.tip_at(QPointF(point))
    assert now.conditions[1].name in tip
    assert "<b>threshold</b>" in tip
    QTest.mouseDClick(board, Qt.MouseButton.LeftButton, pos=point)
    qt(0.1)
    assert scene.orders[-1] == Order("go_to", 1, level_db, "operator")
    assert board.tip_at(QPointF(rect.center().x(), 5.0)).startswith("<qt>")


def test_a_picture_of_the_board_can_be_kept(scene: Scene, qt: Spin, tmp_path: Path, moments: dict[int, SearchNow]) -> None:
    scene.show(moments[8])
    for name in ("board.png", "board.svg"):
        assert scene.window.export("search board", tmp_path / name).stat().st_size > 5000
