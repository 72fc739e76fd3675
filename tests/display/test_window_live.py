"""A live run in the window, with keys: stop, pause, look back, note, discard, closing. Qt's warnings fail."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.review.replay import replay
from tests.display.conftest import Spin, Tape, live_scene, stop_at, until
from tests.slow import patience


def test_a_run_is_shown_from_its_start_to_its_verdict(
    open_window: Callable[..., Any], qt: Spin, recordings: dict[str, Path], tmp_path: Path
) -> None:
    tape = Tape(10.0, until_s=9.0)
    view = live_scene(recordings["response"], tmp_path, tape=tape)
    window = open_window(view)
    until(qt, lambda: window.sentence.word.text() == "Checking")
    view.run.start()
    until(qt, stop_at(view, 8))
    assert window.sentence.word.text() == "Undecided"
    assert "noise" in window.sentence.rest.text()
    assert window.sentence.badge.text() == "LIVE"
    assert window.sentence.mark.state == "undecided"
    tape.move_to(60.0)
    until(qt, lambda: view.run.wait(0) and view.model.status.verdict is not None)
    qt(0.3)
    assert window.sentence.word.text() == "Response present"
    assert window.sentence.badge.text() == "RUN OVER"
    assert not any(panel.failed for panel in window.panels)
    assert not window.bar.buttons["stop"].isEnabled()


def test_stop_is_pressed_twice(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path
) -> None:
    view = live_scene(recordings["nothing"], tmp_path, tape=Tape(6.0, until_s=6.0))
    window = open_window(view)
    view.run.start()
    until(qt, stop_at(view, 4))
    press(window, "s")
    qt(0.3)
    assert "Once more within 3 seconds" in window.bar.message.text()
    assert view.run.status.state == "running"
    press(window, "s")
    until(qt, lambda: view.run.wait(0))
    assert view.run.status.verdict is not None
    assert view.run.status.verdict.stopped_by == "operator"
    qt(0.3)
    assert window.sentence.mark.state == "stopped"
    press(window, "s")
    assert window.controller.message == "There is no run to stop"


def test_a_paused_view_stands_still_while_the_run_goes_on(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path
) -> None:
    tape = Tape(10.0, until_s=7.0)
    view = live_scene(recordings["nothing"], tmp_path, tape=tape)
    window = open_window(view)
    view.run.start()
    until(qt, stop_at(view, 6))
    press(window, "Space")
    shown, looks = view.model.shown, view.model.looks
    tape.move_to(15.0)
    until(qt, stop_at(view, looks + 5))
    assert view.model.shown == shown
    assert window.sentence.word.text() == "Earlier"
    assert window.sentence.now.text() == "now: Undecided"
    assert window.sentence.badge.text() == "VIEW PAUSED, recording goes on"
    press(window, "Left", "Left")
    assert view.model.shown == shown - 2
    press(window, "Right")
    assert view.model.shown == shown - 1
    press(window, "Home")
    assert view.model.shown == 0
    press(window, "PgDown")
    assert view.model.shown == 10
    press(window, "End")
    assert view.model.live
    press(window, "Space", "Space")
    assert view.model.live
    press(window, "Right")
    assert window.controller.message == "This is the newest look"


def test_a_note_is_kept_and_what_is_typed_does_nothing_else(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path
) -> None:
    view = live_scene(recordings["nothing"], tmp_path, tape=Tape(6.0, until_s=6.0))
    window = open_window(view)
    view.run.start()
    until(qt, stop_at(view, 4))
    press(window, "m")
    assert window.bar.entry.isVisible()
    press(window, "s", "s", " ", "d", "p", "e", "Enter")
    assert not window.bar.entry.isVisible()
    assert window.look.theme.name == "light"
    assert window.dialog is None
    press(window, "m", "x", "Esc")
    assert view.run.status.state == "running"
    press(window, "m", "Enter")
    press(window, "s", "s")
    until(qt, lambda: view.run.wait(0))
    notes = [event for event in view.run.folder.read_events() if event["type"] == "notice" and event["what"] == "note"]
    assert [note["text"] for note in notes] == ["ss dpe", "mark"]
    assert list(view.model.messages)[:1] == ["Note: ss dpe"]
    press(window, "m")
    assert window.controller.message == "There is no run to mark"


@pytest.mark.parametrize("choice", ["back", "go on", "stop"])
def test_closing_asks_while_a_run_is_on(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path, link: WindowLink,
    choice: str,
) -> None:  # fmt: skip
    closed: list[bool] = []
    tape = Tape(6.0, until_s=6.0)
    view = live_scene(recordings["nothing"], tmp_path, tape=tape)
    window = open_window(view, on_close=lambda: closed.append(True))
    view.run.start()
    until(qt, stop_at(view, 3))
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
    assert link.gone == bool(closed) == (choice != "back")
    if choice == "stop":
        until(qt, lambda: view.run.wait(0))
        assert view.run.status.verdict is not None
        assert view.run.status.verdict.stopped_by == "operator"
    else:
        assert view.run.status.state == "running"
        looks = view.run.status.look
        tape.move_to(9.0)
        until(qt, lambda: view.run.status.look != looks)  # it goes on, seen or not
    view.run.stop()
    assert view.run.wait(patience(20))
    assert replay(view.run.folder).identical
