"""A recorded run in the window: played, searched; every action at any time; averages of other levels."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.display.actions import ACTIONS, ALWAYS, Stage, offered
from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.review.playback import SLOWEST
from tests.display.conftest import Spin, ladder, live_scene, replay_scene, stop_at, until
from tests.slow import patience


def test_a_recorded_run_is_played_paused_searched_and_ends_as_it_did(
    open_window: Callable[..., Any], qt: Spin, press: Any, finished: dict[str, Path]
) -> None:
    view = replay_scene(finished["present"], speed=8.0)
    play, model = view.playback, view.model
    assert play is not None
    window = open_window(view)
    play.start()
    until(qt, stop_at(view, 4))
    assert window.sentence.badge.text() == "REPLAY, 8 ×"
    press(window, "Space")
    qt(0.1)
    assert play.paused
    here = play.status.seconds
    assert window.sentence.badge.text() == "REPLAY, PAUSED"
    assert window.bar.buttons["play"].text() == "Play [Space]"
    qt(0.2)
    assert play.status.seconds == pytest.approx(here, abs=0.1)
    looks = model.looks
    press(window, *["Right"] * (looks - model.shown))  # the last press asks for a look that has not been played yet
    until(qt, lambda: model.looks > looks)
    play.paused = True  # a busy machine would play on meanwhile
    press(window, "Left", "Left")
    assert not model.live
    press(window, ".", ",", ".")
    assert play.speed == 16.0
    play.speed, play.paused = SLOWEST, False  # so is what is beyond the moment
    ahead_s = int(play.status.seconds) + 2
    press(window, "g", *f"0:{ahead_s:02}", "Enter")
    until(qt, lambda: play.status.seconds >= ahead_s)
    qt(0.1)
    assert play.status.seconds < ahead_s + 1.0
    play.speed = 16.0
    press(window, "g", *"soon", "Enter")
    assert "is no time" in window.controller.message
    window.bar.timeline.moved.emit(3.0)
    assert model.moment_s == pytest.approx(3.0, abs=0.01)
    press(window, "Space")  # goes on from there, through what was played before, and then beyond it
    until(qt, lambda: model.live and not play.paused)
    assert window.controller.playing
    until(qt, lambda: play.wait(0))
    qt(0.2)
    assert window.sentence.word.text() == "Response present"
    assert window.sentence.badge.text() == "REPLAY, AT ITS END"
    assert play.result is not None
    assert play.result.identical
    assert model.looks == play.result.looks == len(view.moments_s)
    press(window, "Space", "Space")  # once more from the start
    qt(0.1)
    assert model.moment_s < view.moments_s[-1]


def test_every_action_can_be_done_at_any_time(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], finished: dict[str, Path], tmp_path: Path
) -> None:
    """Before any run, on a live run, on a recorded one, at its end."""
    window = open_window()

    def all_of(stage: Stage) -> None:
        for action in offered(stage):
            if action.name not in ("quit", "full_screen"):
                window.do(action.name)
                qt(0.0)
            window.bar.entry.line.dropped.emit()
            if window.dialog is not None:
                window.dialog.reject()
        window.do("all_panels")
        if window.sheet is not None:
            window.sheet.reject()

    all_of("run")
    live = live_scene(recordings["nothing"], tmp_path, pace=20.0)
    window.link.show(live)
    qt(0.1)
    all_of("run")
    live.run.start()
    until(qt, stop_at(live, 3))
    all_of("run")
    live.run.stop()
    assert live.run.wait(patience(20))
    recorded = replay_scene(finished["absent"], speed=100.0)
    window.link.show(recorded)
    qt(0.1)
    all_of("replay")
    recorded.run.start()
    until(qt, stop_at(recorded, 3))
    all_of("replay")
    recorded.run.stop()
    assert {action.name for action in ACTIONS} - {"quit", "full_screen"} <= {
        action.name for stage in ALWAYS for action in offered(stage)
    }


def test_a_rung_is_chosen_by_key_or_click_and_its_average_is_drawn(
    open_window: Callable[..., Any], qt: Spin, press: Any, finished: dict[str, Path], link: WindowLink
) -> None:
    from PyQt5.QtCore import QPoint, Qt
    from PyQt5.QtTest import QTest

    view = replay_scene(finished["undecided"], speed=1000.0)
    window = open_window(view)
    link.ladder = ladder([finished["present"], finished["absent"]])
    view.run.start()
    until(qt, lambda: view.run.wait(0))
    qt(0.1)
    assert "right ear, air, click" in window.ladder.aside.text()
    assert window.ladder.rungs.chosen == 1  # the one on the screen
    press(window, "o")
    assert window.controller.message == "No other finished run at 40 dB nHL yet"
    press(window, "Up", "Up", "o")
    until(qt, lambda: len(window.average.overlays) == 1)
    assert window.average.overlays[0].label == f"60 dB nHL ({finished['present'].name})"
    assert "run-001: response, 640 sweeps" in window.ladder.rungs.tip(window.ladder.rungs.ladder.rungs[0])
    QTest.mouseClick(window.ladder.rungs, Qt.MouseButton.LeftButton, pos=QPoint(60, 12))
    assert window.average.overlays == []
    (finished["present"] / "average.csv").rename(finished["present"] / "away.csv")
    try:
        press(window, "o")
        until(qt, lambda: "cannot be read" in window.controller.message)
    finally:
        (finished["present"] / "away.csv").rename(finished["present"] / "average.csv")
