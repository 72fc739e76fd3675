"""The window as a person uses it, with keys: run, stop, pause, look back, note, replay, pictures, closing. Qt's warnings fail."""

from __future__ import annotations

import json
import logging
import threading
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.display.actions import ACTIONS, offered
from monitor.display.ladder import Ladder, Level, Replicate, Rung, Series
from monitor.display.remembered import Remembered, recall, remember
from monitor.display.stage import Remark, Scene, Stage
from monitor.replay import replay
from tests.display.conftest import keep_screens, live_scene, replay_scene, until

Spin = Callable[[float], None]


@pytest.fixture
def open_window(qt: Spin, stage: Stage) -> Iterator[Callable[..., Any]]:
    """Makes windows on the stage and closes them, whatever a test did."""
    from monitor.display.window import Window

    opened = []

    def make(scene: Scene | None = None, **how: Any) -> Any:
        window = Window(stage, **how)
        opened.append(window)
        if scene is not None:
            stage.show(scene)
        window.show()
        qt(0.05)
        return window

    yield make
    for window in opened:
        if window.scene is not None:
            window.scene.run.stop()
            if window.scene.run.status.state != "ready":
                assert window.scene.run.wait(30)
        window.finish()
        window.deleteLater()


@pytest.fixture
def press(qt: Spin) -> Callable[..., None]:
    """Press keys, each as a person does."""
    from PyQt5.QtCore import Qt
    from PyQt5.QtTest import QTest
    from PyQt5.QtWidgets import QApplication

    named = {
        "Space": Qt.Key.Key_Space, "Left": Qt.Key.Key_Left, "Right": Qt.Key.Key_Right, "End": Qt.Key.Key_End,
        "Home": Qt.Key.Key_Home, "Enter": Qt.Key.Key_Return, "Esc": Qt.Key.Key_Escape, "F1": Qt.Key.Key_F1,
        "Up": Qt.Key.Key_Up, "Down": Qt.Key.Key_Down, "PgUp": Qt.Key.Key_PageUp, "PgDown": Qt.Key.Key_PageDown,
    }  # fmt: skip

    def send(window: Any, *keys: str) -> None:
        for key in keys:
            front = QApplication.activeModalWidget() or window
            if QApplication.activeWindow() is not front:
                front.activateWindow()  # as a window manager does when a dialog opens or has closed
                until(qt, lambda front=front: QApplication.activeWindow() is front)  # type: ignore[misc]
            if front is window and getattr(window, "bar", None) is not None and window.bar.entry.isVisible():
                until(qt, window.bar.entry.line.hasFocus)
            target = QApplication.activeModalWidget() or QApplication.focusWidget() or window
            QTest.keyClick(target, named.get(key, key))
            qt(0.0)

    return send


def stop_at(scene: Scene, looks: int) -> Callable[[], bool]:
    return lambda: scene.model.looks >= looks or scene.run.status.state in ("done", "failed")


# -- a live run -------------------------------------------------------------------------------------------------------


def test_a_run_is_shown_from_its_start_to_its_verdict(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path
) -> None:
    scene = live_scene(recordings["response"], tmp_path, pace=10.0)
    window = open_window(scene)
    until(qt, lambda: window.sentence.word.text() == "Checking")
    scene.run.start()
    until(qt, stop_at(scene, 8))
    assert window.sentence.word.text() == "Undecided"
    assert "noise" in window.sentence.rest.text()
    assert window.sentence.badge.text() == "LIVE"
    assert window.sentence.mark.state == "undecided"
    until(qt, lambda: scene.run.wait(0) and scene.model.status.verdict is not None)
    qt(0.3)
    assert window.sentence.word.text() == "Response present"
    assert window.sentence.badge.text() == "RUN OVER"
    assert not any(panel.failed for panel in window.panels)
    assert not window.bar.buttons["stop"].isEnabled()


def test_stop_is_pressed_twice(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path
) -> None:
    scene = live_scene(recordings["nothing"], tmp_path, pace=6.0)
    window = open_window(scene)
    scene.run.start()
    until(qt, stop_at(scene, 4))
    press(window, "s")
    qt(0.3)
    assert "Once more within 3 seconds" in window.bar.message.text()
    assert scene.run.status.state == "running"
    press(window, "s")
    until(qt, lambda: scene.run.wait(0))
    assert scene.run.status.verdict is not None
    assert scene.run.status.verdict.stopped_by == "operator"
    qt(0.3)
    assert window.sentence.mark.state == "stopped"
    press(window, "s")
    assert window.conductor.message == "There is no run to stop"


def test_a_paused_view_stands_still_while_the_run_goes_on(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path
) -> None:
    scene = live_scene(recordings["nothing"], tmp_path, pace=10.0)
    window = open_window(scene)
    scene.run.start()
    until(qt, stop_at(scene, 6))
    press(window, "Space")
    shown, looks = scene.model.shown, scene.model.looks
    until(qt, stop_at(scene, looks + 5))
    assert scene.model.shown == shown
    assert window.sentence.word.text() == "Earlier"
    assert window.sentence.now.text() == "now: Undecided"
    assert window.sentence.badge.text() == "VIEW PAUSED, recording goes on"
    press(window, "Left", "Left")
    assert scene.model.shown == shown - 2
    press(window, "Right")
    assert scene.model.shown == shown - 1
    press(window, "Home")
    assert scene.model.shown == 0
    press(window, "PgDown")
    assert scene.model.shown == 10
    press(window, "End")
    assert scene.model.live
    press(window, "Space", "Space")
    assert scene.model.live
    press(window, "Right")
    assert window.conductor.message == "This is the newest look"


def test_a_note_is_kept_and_what_is_typed_does_nothing_else(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path
) -> None:
    scene = live_scene(recordings["nothing"], tmp_path, pace=6.0)
    window = open_window(scene)
    scene.run.start()
    until(qt, stop_at(scene, 4))
    press(window, "m")
    assert window.bar.entry.isVisible()
    press(window, "s", "s", " ", "d", "p", "e", "Enter")
    assert not window.bar.entry.isVisible()
    assert window.look.theme.name == "light"
    assert window.dialog is None
    press(window, "m", "x", "Esc")
    assert scene.run.status.state == "running"
    press(window, "m", "Enter")
    press(window, "s", "s")
    until(qt, lambda: scene.run.wait(0))
    notes = [event for event in scene.run.folder.read_events() if event["type"] == "notice" and event["what"] == "note"]
    assert [note["text"] for note in notes] == ["ss dpe", "mark"]
    assert list(scene.model.messages)[:1] == ["Note: ss dpe"]
    press(window, "m")
    assert window.conductor.message == "There is no run to mark"


def test_between_the_runs_of_a_session_one_is_discarded_with_a_reason_or_noted(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path, stage: Stage
) -> None:
    window = open_window(live_scene(recordings["nothing"], tmp_path, pace=6.0))
    press(window, "x")
    assert window.conductor.message.startswith("A run can be discarded in a session")
    answers: list[object] = []

    def ask() -> None:
        answers.append(stage.offer_one_of(["30", "35"], 0))

    for keys in (("x", *"moved", "Enter"), ("x", "Enter"), ("m", *"asleep", "Enter"), ("m", "Enter"), ("x", "Esc")):
        asking = threading.Thread(target=ask, daemon=True)
        asking.start()
        until(qt, lambda: stage.offered is not None)
        press(window, *keys)
        if keys[-2:] in (("m", "Enter"), ("x", "Esc")):  # nothing was said: it still waits
            assert asking.is_alive()
            press(window, "n")
        until(qt, lambda asking=asking: not asking.is_alive())
    assert answers == [Remark("discard", "moved"), Remark("restore"), Remark("note", "asleep"), 0, 0]
    stage.told.append("Run 1: discarded")
    qt(0.2)
    assert window.conductor.message == "Run 1: discarded"


@pytest.mark.parametrize("choice", ["back", "go on", "stop"])
def test_closing_asks_while_a_run_is_on(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path, stage: Stage, choice: str
) -> None:
    closed: list[bool] = []
    scene = live_scene(recordings["nothing"], tmp_path, pace=6.0)
    window = open_window(scene, on_close=lambda: closed.append(True))
    scene.run.start()
    until(qt, stop_at(scene, 3))
    window.do("quit")
    qt(0.05)
    assert window.isVisible()
    assert window.question.isVisible()
    if choice == "back":
        press(window, "Esc")
        assert window.isVisible()
        window.close()
        press(window, "Enter")  # the default goes back too
        assert not window.question.isVisible()
    elif choice == "go on":
        press(window, "c")
    else:
        press(window, "s")
    until(qt, lambda: not window.question.isVisible())
    qt(0.02)
    assert window.isVisible() == (choice == "back")
    assert stage.gone == bool(closed) == (choice != "back")
    if choice == "stop":
        until(qt, lambda: scene.run.wait(0))
        assert scene.run.status.verdict is not None
        assert scene.run.status.verdict.stopped_by == "operator"
    else:
        assert scene.run.status.state == "running"
        looks = scene.run.status.look
        until(qt, lambda: scene.run.status.look != looks)  # it goes on, seen or not
    scene.run.stop()
    assert scene.run.wait(20)
    assert replay(scene.run.folder).identical


# -- failures of the window -------------------------------------------------------------------------------------------


def carried_through(scene: Scene) -> None:
    """The run was not harmed: its own end, its journal whole, its looks those of a replay."""
    run = scene.live
    assert run is not None
    assert run.failure is None
    assert run.status.verdict is not None
    assert run.status.verdict.stopped_by == "response"
    assert replay(run.folder).identical


def broken(*_: object) -> None:
    raise RuntimeError("no more paint")


def test_a_panel_that_fails_is_left_and_the_others_go_on(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    scene = live_scene(recordings["response"], tmp_path, pace=20.0)
    window = open_window(scene)
    window.plane.show_plane = broken
    scene.run.start()
    until(qt, lambda: scene.run.wait(0))
    qt(0.2)
    assert [panel.name for panel in window.panels if panel.failed] == ["decision plane"]
    assert "cannot be drawn (RuntimeError); recording goes on" in window.plane.aside.text()
    assert window.sentence.word.text() == "Response present"
    assert caplog.text.count("the panel 'decision plane' failed") == 1
    carried_through(scene)


def test_an_error_while_painting_ends_nothing(
    application: object, stage: Stage, recordings: dict[str, Path], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Without a hook PyQt ends the process here."""
    from PyQt5.QtCore import QCoreApplication

    from monitor.display.app import guarded
    from monitor.display.window import Window

    scene = live_scene(recordings["response"], tmp_path, pace=20.0)
    stage.show(scene)
    with guarded(), caplog.at_level(logging.ERROR):
        window = Window(stage)
        window.average.draw = broken  # type: ignore[method-assign]
        window.ladder.rungs._draw = broken  # type: ignore[method-assign]
        window.show()
        scene.run.start()
        until(lambda s: QCoreApplication.processEvents(), lambda: scene.run.wait(0))
        for _ in range(20):
            window.tick()
            window.ladder.rungs.update()
            QCoreApplication.processEvents()
        assert window.average.failed
        window.finish()
    assert 1 <= caplog.text.count("a part of the window failed; recording goes on") <= 2  # each place is told once
    carried_through(scene)


def test_a_window_that_fails_again_and_again_gives_up_and_the_run_does_not(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path, stage: Stage,
    caplog: pytest.LogCaptureFixture,
) -> None:  # fmt: skip
    scene = live_scene(recordings["response"], tmp_path, pace=20.0)
    window = open_window(scene)
    scene.model.headline = broken  # type: ignore[method-assign]
    scene.run.start()
    until(qt, lambda: not window.isVisible())
    assert stage.gone
    assert "fails again and again" in caplog.text
    assert scene.run.wait(30)
    carried_through(scene)


def test_a_display_that_feeds_on_nothing_is_no_trouble_either(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """All three doors fail on the acquisition thread."""
    scene = live_scene(recordings["response"], tmp_path, pace=20.0)
    run = scene.live
    assert run is not None
    run._optional, run._tap, run._follow = [broken], broken, broken
    open_window(scene)
    run.start()
    until(qt, lambda: run.wait(0))
    assert caplog.text.count("left out from now on; recording goes on") == 3
    carried_through(scene)


def test_nothing_is_painted_where_nothing_changed(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path
) -> None:
    scene = live_scene(recordings["response"], tmp_path, pace=20.0)
    window = open_window(scene)
    scene.run.start()
    until(qt, lambda: scene.run.wait(0))
    qt(0.3)
    painted = {"plane": 0, "eeg": 0}
    for name in painted:
        panel = getattr(window, name)
        draw = panel.draw

        def counted(canvas: object, name: str = name, draw: Callable[..., None] = draw) -> None:
            painted[name] += 1
            draw(canvas)

        panel.draw = counted
    scene.model.show(scene.model.looks - 1)
    qt(0.2)
    first = dict(painted)
    qt(0.3)
    assert painted == first  # a view that stands still costs nothing
    assert 1 <= first["plane"] <= 3


# -- a recorded run ---------------------------------------------------------------------------------------------------


def test_a_recorded_run_is_played_paused_searched_and_ends_as_it_did(
    open_window: Callable[..., Any], qt: Spin, press: Any, finished: dict[str, Path]
) -> None:
    scene = replay_scene(finished["present"], speed=8.0)
    play, model = scene.playback, scene.model
    assert play is not None
    window = open_window(scene)
    play.start()
    until(qt, stop_at(scene, 4))
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
    press(window, "Left", "Left")
    assert not model.live
    press(window, ".", ",", ".")
    assert play.speed == 16.0
    press(window, "g", *"0:05", "Enter")
    until(qt, lambda: play.status.seconds >= 5.0)
    qt(0.1)
    assert play.status.seconds < 6.0
    press(window, "g", *"soon", "Enter")
    assert "is no time" in window.conductor.message
    window.bar.timeline.moved.emit(3.0)
    assert model.moment_s == pytest.approx(3.0, abs=0.01)
    press(window, "Space")  # goes on from there, through what was played before, and then beyond it
    until(qt, lambda: model.live and not play.paused)
    assert window.conductor.playing
    until(qt, lambda: play.wait(0))
    qt(0.2)
    assert window.sentence.word.text() == "Response present"
    assert window.sentence.badge.text() == "REPLAY, AT ITS END"
    assert play.result is not None
    assert play.result.identical
    assert model.looks == play.result.looks == len(scene.moments_s)
    press(window, "Space", "Space")  # once more from the start
    qt(0.1)
    assert model.moment_s < scene.moments_s[-1]


def test_every_action_can_be_done_at_any_time(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], finished: dict[str, Path], tmp_path: Path
) -> None:
    """Before a scene, on a live run, on a recorded one, at its end."""
    window = open_window()

    def all_of(replay: bool) -> None:
        for action in offered(replay):
            if action.name not in ("quit", "full_screen"):
                window.do(action.name)
                qt(0.0)
            window.bar.entry.line.dropped.emit()
            if window.dialog is not None:
                window.dialog.reject()
        window.do("all_panels")
        if window.sheet is not None:
            window.sheet.reject()

    all_of(False)
    live = live_scene(recordings["nothing"], tmp_path, pace=20.0)
    window.stage.show(live)
    qt(0.1)
    all_of(False)
    live.run.start()
    until(qt, stop_at(live, 3))
    all_of(False)
    live.run.stop()
    assert live.run.wait(20)
    recorded = replay_scene(finished["absent"], speed=100.0)
    window.stage.show(recorded)
    qt(0.1)
    all_of(True)
    recorded.run.start()
    until(qt, stop_at(recorded, 3))
    all_of(True)
    recorded.run.stop()
    assert {action.name for action in ACTIONS} - {"quit", "full_screen"} <= {
        action.name for replay in (False, True) for action in offered(replay)
    }


# -- levels and overlays ----------------------------------------------------------------------------------------------


def ladder(folders: list[Path]) -> Ladder:
    runs = tuple(
        Replicate(folder, verdict, "response", 640, 30.0)
        for folder, verdict in zip(folders, ("response_present", "response_absent"), strict=True)
    )
    rungs = (Rung(Level(True, True, 60.0), runs), Rung(Level(True, True, 40.0), (), running=True))
    return Ladder(Series("right", "air", "click"), rungs, present=rungs[1].level)


def test_a_rung_is_chosen_by_key_or_click_and_its_average_is_drawn(
    open_window: Callable[..., Any], qt: Spin, press: Any, finished: dict[str, Path], stage: Stage
) -> None:
    from PyQt5.QtCore import QPoint, Qt
    from PyQt5.QtTest import QTest

    scene = replay_scene(finished["undecided"], speed=1000.0)
    window = open_window(scene)
    stage.ladder = ladder([finished["present"], finished["absent"]])
    scene.run.start()
    until(qt, lambda: scene.run.wait(0))
    qt(0.1)
    assert "right ear, air, click" in window.ladder.aside.text()
    assert window.ladder.rungs.chosen == 1  # the one on the screen
    press(window, "o")
    assert window.conductor.message == "No other finished run at 40 dB nHL yet"
    press(window, "Up", "Up", "o")
    until(qt, lambda: len(window.average.overlays) == 1)
    assert window.average.overlays[0].label == f"60 dB nHL ({finished['present'].name})"
    assert "run-001: response, 640 sweeps" in window.ladder.rungs.tip(window.ladder.rungs.ladder.rungs[0])
    QTest.mouseClick(window.ladder.rungs, Qt.MouseButton.LeftButton, pos=QPoint(60, 12))
    assert window.average.overlays == []
    (finished["present"] / "average.csv").rename(finished["present"] / "away.csv")
    try:
        press(window, "o")
        until(qt, lambda: "cannot be read" in window.conductor.message)
    finally:
        (finished["present"] / "away.csv").rename(finished["present"] / "average.csv")


# -- sizes, colours, pictures -----------------------------------------------------------------------------------------


@pytest.fixture
def shown(open_window: Callable[..., Any], qt: Spin, finished: dict[str, Path], stage: Stage) -> Any:
    """A window with a finished run in it."""
    scene = replay_scene(finished["present"], speed=1000.0)
    window = open_window(scene)
    stage.ladder = ladder([finished["present"], finished["absent"]])
    scene.run.start()
    until(qt, lambda: scene.run.wait(0))
    qt(0.2)
    return window


def test_the_window_can_be_small_and_large_light_and_dark_near_and_far(shown: Any, qt: Spin, press: Any) -> None:
    for width, height in ((900, 560), (1280, 720), (2560, 1440)):
        shown.resize(width, height)
        for keys in ("d", "p", "d", "p"):
            press(shown, keys)
            qt(0.02)
            assert (shown.width(), shown.height()) >= (width, height)
            inside = shown.board.rect()
            for panel in shown.panels:
                assert inside.contains(panel.geometry())
                assert panel.body.height() > 90
            assert shown.bar.buttons["keys"].geometry().right() <= shown.bar.width()
    assert not any(panel.failed for panel in shown.panels)


def test_one_panel_alone_and_all_again(shown: Any, qt: Spin, press: Any) -> None:
    press(shown, "3")
    qt(0.05)
    assert [panel.name for panel in shown.panels if panel.isVisible()] == ["incoming EEG"]
    assert shown.eeg.width() > 0.95 * shown.board.width()
    assert shown.eeg.height() > 0.75 * shown.board.height()
    press(shown, "1")
    assert [panel.name for panel in shown.panels if panel.isVisible()] == ["decision plane"]
    press(shown, "1")
    assert all(panel.isVisible() for panel in shown.panels)
    press(shown, "5", "Esc")
    assert all(panel.isVisible() for panel in shown.panels)


def test_the_list_of_keys_is_visible_and_complete(shown: Any, qt: Spin, press: Any) -> None:
    press(shown, "F1")
    assert shown.sheet.isVisible()
    text = shown.sheet.words.text()
    for action in offered(replay=True):
        assert action.text in text
    assert "What the words mean" in text
    assert "Not a medical device" in text
    press(shown.sheet, "F1")
    assert not shown.sheet.isVisible()


def test_every_part_explains_itself(shown: Any) -> None:
    for panel in shown.panels:
        assert panel.heading.toolTip(), panel.name
    assert "<b>evidence</b>" in shown.sentence.rest.toolTip()
    assert "<b>residual noise</b>" in shown.sentence.rest.toolTip()
    assert "<b>sweep</b>" in shown.sentence.particulars.toolTip()
    assert shown.sentence.mark.toolTip()
    assert "<b>r, likeness of the halves</b>" in shown.average.aside.toolTip()
    for button in shown.bar.buttons.values():
        assert button.toolTip()
        assert button.accessibleName()


def test_latency_and_amplitude_are_read_under_the_mouse(shown: Any, qt: Spin) -> None:
    from PyQt5.QtCore import QPointF

    chart = shown.average.chart
    place = QPointF(chart.inside.center().x(), chart.inside.top() + 20)
    ms, _ = chart.value_at(place)
    assert chart.x_range[0] < ms < chart.x_range[1]
    assert chart.value_at(QPointF(chart.inside.left(), chart.inside.bottom())) == pytest.approx(
        (chart.x_range[0], chart.y_range[0])
    )
    chart.pointed = place
    chart.repaint_inside()
    qt(0.05)
    assert not shown.average.failed


def test_pictures_of_everything_as_png_and_svg(shown: Any, qt: Spin, tmp_path: Path) -> None:
    from PyQt5.QtGui import QImage

    for part in ("", *(panel.name for panel in shown.panels)):
        widget = next((panel for panel in shown.panels if panel.name == part), shown.board)
        picture = QImage(str(shown.export(part, tmp_path / f"{part or 'whole'}.png")))
        assert (picture.width(), picture.height()) == (2 * widget.width(), 2 * widget.height())
        svg = shown.export(part, tmp_path / f"{part or 'whole'}.svg")
        root = ElementTree.parse(svg).getroot()
        names = {element.tag.rpartition("}")[2] for element in root.iter()}
        assert "image" not in names  # lines and letters, no pixels
        assert {"path", "text"} & names
    text = "".join((tmp_path / "whole.svg").read_text(encoding="utf-8").split())
    assert "responsepresent" in text
    assert "Responsepresent" in text
    assert "Notamedicaldevice" in text


def test_what_cannot_be_exported_is_said(shown: Any, qt: Spin, tmp_path: Path) -> None:
    from monitor.display.export import ExportError, free_path

    with pytest.raises(ExportError, match=r"ends in \.png or \.svg"):
        shown.export("", tmp_path / "picture.gif")
    (tmp_path / "file").write_text("")
    with pytest.raises(ExportError, match="cannot be written"):
        shown.export("", tmp_path / "file" / "picture.png")
    assert free_path(tmp_path, "run-001", "png") == tmp_path / "run-001.png"
    (tmp_path / "run-001.png").write_text("")
    (tmp_path / "run-001-2.png").write_text("")
    assert free_path(tmp_path, "run-001", "png") == tmp_path / "run-001-3.png"


def test_exporting_by_keyboard(shown: Any, qt: Spin, press: Any, tmp_path: Path) -> None:
    press(shown, "e")
    dialog = shown.dialog
    assert dialog.isVisible()
    dialog.part.setCurrentText("average")
    dialog.kinds.button(1).click()
    assert dialog.place.text().endswith("run-001-average.svg")
    dialog.place.setText(str(tmp_path / "mine.svg"))
    press(shown, "Enter")
    assert (tmp_path / "mine.svg").is_file()
    assert "mine.svg" in shown.conductor.message
    press(shown, "e")
    shown.dialog.place.setText(str(tmp_path / "mine.bmp"))
    press(shown, "Enter")
    assert "ends in .png or .svg" in shown.conductor.message


# -- what is remembered -----------------------------------------------------------------------------------------------


def test_place_theme_and_choices_are_remembered(open_window: Callable[..., Any], qt: Spin, press: Any, tmp_path: Path) -> None:
    path = tmp_path / "window.json"
    window = open_window(settings=path)
    window.resize(1000, 640)
    press(window, "d", "p", "h", "u")
    window.close()
    kept = json.loads(path.read_text(encoding="utf-8"))
    assert (kept["theme"], kept["projector"], kept["halves"], kept["plus_minus"]) == ("dark", True, False, True)
    again = open_window(settings=path)
    assert (again.look.theme.name, again.look.projector) == ("dark", True)
    assert (again.average.halves, again.average.plus_minus) == (False, True)
    assert (again.width(), again.height()) == (1000, 640)


@pytest.mark.parametrize("content", ["{", json.dumps({"geometry": "not base 64 ü", "theme": "purple"})])
def test_a_damaged_memory_is_ignored(open_window: Callable[..., Any], qt: Spin, tmp_path: Path, content: str) -> None:
    path = tmp_path / "window.json"
    path.write_text(content, encoding="utf-8")
    window = open_window(settings=path)
    assert window.look.theme.name == "light"
    assert ("cannot be read" in window.bar.message.text()) == (content == "{")
    remember(path, Remembered(theme="dark"))
    assert recall(path)[0].theme == "dark"


# -- pictures of the states -------------------------------------------------------------------------------------------


def test_six_states_look_different_and_are_kept_as_pictures(
    open_window: Callable[..., Any], qt: Spin, finished: dict[str, Path], tmp_path: Path, stage: Stage
) -> None:
    """Kept in the folder QUIETFLOOR_SCREENS where that is set."""
    folder = keep_screens() or tmp_path
    folder.mkdir(parents=True, exist_ok=True)
    window = open_window()
    words = {}

    def take(name: str) -> None:
        qt(0.25)
        words[name] = (window.sentence.mark.state, window.sentence.word.text())
        assert window.grab().save(str(folder / f"{name}.png"))

    def play(which: str, until_s: float | None) -> Scene:
        scene = replay_scene(finished[which], speed=1000.0)
        stage.show(scene)
        assert scene.playback is not None
        scene.playback.paused = until_s is not None
        if until_s is not None:
            scene.playback.go_to(until_s)
        scene.run.start()
        until(qt, lambda: scene.run.wait(0) or (until_s is not None and scene.run.status.seconds >= until_s))
        qt(0.1)
        return scene

    take("waiting")
    scene = play("absent", 3.0)
    take("undecided early")
    scene.run.stop()
    scene = play("absent", 9.0)
    take("undecided late")
    scene.run.stop()
    play("absent", None)
    take("no response")
    play("undecided", None)
    take("stopped")
    scene = play("present", None)
    take("present")
    scene.model.show(9)
    window.conductor.playing = False
    take("looking back")
    assert {name: state for name, (state, _) in words.items()} == {
        "waiting": "waiting", "undecided early": "undecided", "undecided late": "undecided", "no response": "absent",
        "stopped": "stopped", "present": "present", "looking back": "earlier",
    }  # fmt: skip
    pictures = {path.stem: path.stat().st_size for path in folder.glob("*.png")}
    assert len(pictures) >= 7
    assert all(size > 5000 for size in pictures.values())
    assert np.ptp(list(pictures.values())) > 0
