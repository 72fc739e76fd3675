"""A search in the window: its board takes the place of the other panels, and its keys make orders."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.bench.patient.offline import NAME, PatientSource, conclude, prepare
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.display.feed import Feed
from quietfloor.monitor.display.run_view import RunView, view_model
from quietfloor.monitor.display.views import Scroll
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.run.sound_output import Stimulus
from quietfloor.monitor.search.now import SearchNow
from quietfloor.monitor.search.running import Place
from quietfloor.monitor.search.said import Order
from tests.display.conftest import Spin, replay_scene, until
from tests.display.made_search import MadeSearch
from tests.slow import patience

LEVELS = [float(level) for level in range(0, 95, 5)]
PLAN = make_plan(
    {
        "stream": {"name": NAME, "eeg": ["1"], "trigger": "trigger"},
        "sound": {
            "stimulus": "octave-chirp", "frequency_hz": 2000, "level_db_nhl": 90, "calibration": str(VIRTUAL_EARPHONE),
            "lead_in_s": 0.5, "rate_per_s": 39.1, "seed": 5,
        },
        "analysis": {"acoustic_delay_ms": 0.9, "band_hz": [30, 1500]},
        "search": {
            "condition": [
                {"ear": ear, "stimulus": "octave-chirp", "frequency_hz": 2000, "levels_db_nhl": LEVELS}
                for ear in ("right", "left")
            ]
        },
    }
)  # fmt: skip


class Scene:
    """A search of the virtual patient in a window. It stands still but for what ``go_on`` lets come."""

    def __init__(self, window: Any, view: RunView, source: PatientSource, stimulus: Stimulus, qt: Spin) -> None:
        self.window, self.view, self._source, self._stimulus, self.spin = window, view, source, stimulus, qt

    @property
    def now(self) -> SearchNow:
        """What the window shows."""
        found = self.window.view.model.status.search
        assert found is not None
        return found  # type: ignore[no-any-return]

    def go_on(self, seconds: float) -> None:
        """So much more of the stream."""
        at_s = self._source.until_s = self._source.seconds + seconds
        run = self.view.run
        until(self.spin, lambda: self._source.seconds >= at_s and run.status.seconds >= at_s - 0.2)
        self.spin(0.1)

    def show(self, now: SearchNow) -> None:
        """Another state than that of the search itself, until it goes on."""
        run = self.view.live
        assert run is not None
        run._publisher.update(search=now)
        until(self.spin, lambda: self.window.view.model.status.search is now)
        self.spin(0.1)

    def finish(self) -> Path:
        """Stop it and write what a command writes; its folder."""
        run = self.view.live
        assert run is not None
        run.stop()
        self._source.until_s = float("inf")
        assert run.wait(patience(20))
        if not run.folder.run.exists():
            conclude(run, self._source, self._stimulus)
        return run.folder.path

    @property
    def ordered(self) -> list[Order]:
        """What came of it in the search."""
        run = self.view.live
        assert run is not None
        assert run.search is not None
        return [one.order for one in run.search.ordered]


@pytest.fixture
def scene(open_window: Callable[..., Any], qt: Spin, tmp_path: Path) -> Iterator[Scene]:
    feed = Feed()
    run, source, stimulus = prepare(
        PLAN, load_patient("hearing-adult"), tmp_path, 7, optional=[feed.on_event], on_signal=feed.on_signal,
        on_status=feed.on_status,
    )  # fmt: skip
    source.until_s = 0.0
    view = RunView(run, view_model(feed, PLAN, "a search"), tmp_path)
    window = open_window(view)
    run.start()
    made = Scene(window, view, source, stimulus, qt)
    made.go_on(3.0)
    yield made
    made.finish()


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
    scene.show(moments[2])
    assert visible(window) == ["incoming EEG", "search board"]
    assert {"pause_sound", "leave", "only_louder", "stop"} <= set(window.bar.buttons)
    assert "pause" not in window.bar.buttons
    assert window.sentence.word.text() == "Searching: about 6 minutes to go (3 to 11)"
    assert window.sentence.rest.text().startswith("2000 Hz octave chirp, ")
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


def test_below_the_board_both_channels_are_named(scene: Scene, qt: Spin, press: Any) -> None:
    ends = np.zeros((2, 50), dtype=np.float32)
    strip = scene.window.eeg
    for width, height in ((900, 560), (1280, 720)):
        scene.window.resize(width, height)
        for _ in range(2):
            press(scene.window, "p")
            qt(0.05)
            strip.show_scroll(
                Scroll(np.linspace(-8, 0, 50), ends - 1, ends + 1, np.zeros(0), (), 4.0, ("Cz-M2", "Cz-M1"), 10.0, (8.0, 8.0),
                       (100.0, 1500.0), 98.0), live=True,
            )  # fmt: skip
            strip.chart.grab()
            at = {words: place * strip.chart.inside.height() for place, words in strip.chart._axes["left"].names.items()}
            assert list(at) == ["Cz-M2", "Cz-M1", "triggers"]
            assert at["Cz-M2"] - at["Cz-M1"] >= 0.85 * strip.look.px(1.0)  # one below the other


def test_what_a_person_does_at_the_board_is_what_the_search_does(scene: Scene, press: Any) -> None:
    from PyQt5.QtCore import Qt
    from PyQt5.QtTest import QTest

    window = scene.window
    assert scene.now.place == Place(0, 8)
    assert window.search_board.aside.text().startswith("plays: R 2 kHz, 40 dB nHL")
    press(window, "Up", "Up", "Right", "Enter")
    assert window.controller.message == "Next: 50 dB nHL, octave-chirp 2000 Hz, left ear"
    scene.go_on(1.0)
    assert scene.ordered == [Order("go_to", 1, 50.0, "operator")]
    assert scene.now.playing == ((Place(1, 10), "operator"),)
    press(window, "Space")
    scene.go_on(1.0)
    assert scene.now.paused
    assert window.sentence.word.text().startswith("Paused")
    assert window.bar.buttons["pause_sound"].text().startswith("Go on")
    assert window.search_board.aside.text().startswith("paused: ")
    window.bar.buttons["pause_sound"].click()
    press(window, "t")
    scene.go_on(1.0)
    assert not scene.now.paused
    assert scene.now.conditions[0].offered == tuple(level >= 50.0 for level in LEVELS)
    assert "only from 50 dB nHL on" in window.sentence.particulars.text()
    QTest.keyClick(window, Qt.Key.Key_T, Qt.KeyboardModifier.ShiftModifier)
    scene.go_on(1.0)
    assert all(scene.now.conditions[0].offered)
    press(window, "l")
    scene.go_on(1.0)
    assert scene.now.conditions[1].state == "left"
    press(window, "l")  # still about the column that was left, though the other one plays now
    scene.go_on(1.0)
    assert [one.kind for one in scene.ordered] == ["go_to", "pause", "go_on", "only_above", "all_levels", "leave", "back"]
    press(window, "s", "s")
    until(scene.spin, lambda: scene.view.run.wait(0))
    scene.spin(0.1)
    assert window.sentence.word.text() == "Search stopped"
    assert not any(column.running for column in window.search_board.view.board.columns)
    assert not window.bar.buttons["pause_sound"].isEnabled()
    press(window, "Space")
    assert window.controller.message == "The search is over"


def test_a_rung_is_chosen_by_mouse_and_explains_itself(scene: Scene, qt: Spin) -> None:
    from PyQt5.QtCore import QPoint, QPointF, Qt
    from PyQt5.QtTest import QTest

    window, now = scene.window, scene.now
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
    scene.go_on(1.0)
    assert scene.ordered == [Order("go_to", 1, level_db, "operator")]
    assert board.tip_at(QPointF(rect.center().x(), 5.0)).startswith("<qt>")


def test_a_picture_of_the_board_can_be_kept(scene: Scene, qt: Spin, tmp_path: Path, moments: dict[int, SearchNow]) -> None:
    scene.show(moments[8])
    for name in ("board.png", "board.svg"):
        assert scene.window.export("search board", tmp_path / name).stat().st_size > 5000


def test_a_recorded_search_shows_the_same_board(scene: Scene, qt: Spin, press: Any) -> None:
    scene.go_on(12.0)
    kept = scene.finish()
    view = replay_scene(kept, speed=1000.0)
    scene.window.link.show(view)
    assert len(view.moments_s) > 1
    qt(0.1)
    assert scene.window.controller.total_s == max(view.moments_s)  # before it plays: the timeline knows its length
    view.run.start()
    until(qt, lambda: view.run.wait(0))
    qt(0.2)
    window, now = scene.window, scene.now
    assert window.stage == "searched"
    assert {"play", "export"} <= set(window.bar.buttons)
    assert "leave" not in window.bar.buttons
    assert visible(window) == ["incoming EEG", "search board"]
    assert window.sentence.word.text() == "Search stopped"
    live = scene.view.run.status.search
    assert live is not None
    assert [repr(one.answer) for one in now.conditions] == [repr(one.answer) for one in live.conditions]  # nan is nan there
    assert sum(sum(one.answer.sweeps) for one in now.conditions) > 300
    press(window, "Right")
    assert window.controller.search.chosen is not None
    window.do("leave")
    assert window.controller.message.startswith(("A recorded search", "The search is over"))
