"""The lesson in its window, by keyboard alone: steps, running, changes, truth, counting, sheets, pictures. Qt's warnings fail."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from quietfloor.bench.teach.choices import Lesson
from quietfloor.bench.teach.classroom import Classroom
from quietfloor.bench.teach.keys import ACTIONS, SLIDERS, STEPS
from tests.display.conftest import keep_screens, until

Spin = Callable[[float], None]


@pytest.fixture
def window(qt: Spin) -> Iterator[Any]:
    from quietfloor.bench.teach.window import TeachWindow

    made = TeachWindow(Classroom(seed=1))
    made.show()
    made.activateWindow()
    qt(0.1)
    yield made
    made.close()
    made.deleteLater()


@pytest.fixture
def press(qt: Spin, window: Any) -> Callable[..., None]:
    from PyQt5.QtCore import Qt
    from PyQt5.QtTest import QTest

    named = {
        "Space": Qt.Key.Key_Space, "Enter": Qt.Key.Key_Return, "Up": Qt.Key.Key_Up, "Down": Qt.Key.Key_Down,
        "Left": Qt.Key.Key_Left, "Right": Qt.Key.Key_Right, "F1": Qt.Key.Key_F1,
    }  # fmt: skip

    def send(*keys: str, to: Any = None) -> None:
        if to is None and not window.isActiveWindow():
            window.activateWindow()  # as a window manager does when a sheet has closed
            qt(0.01)
        for key in keys:
            QTest.keyClick(to or window, named.get(key, key))
            qt(0.0)

    return send


def settled(window: Any) -> Callable[[], bool]:
    return lambda: not window.pending


def test_sweeps_come_exactly_as_asked_for(window: Any, qt: Spin, press: Any) -> None:
    assert window.sentence.word.text() == "No sweep yet"
    press("1")
    until(qt, settled(window))
    qt(0.05)
    assert window.room.sweeps == 1
    assert window.sentence.word.text() == "Undecided · 1 sweep"
    for total in (2, 4, 8, 16):
        press("Enter")
        until(qt, settled(window))
        assert window.room.sweeps == total
    press("1", "2", "4", "8", "6")
    until(qt, settled(window))
    assert window.room.sweeps == 16 + 31
    qt(0.1)
    assert "noise" in window.sentence.rest.text()
    assert window.sentence.mark.state == "undecided"
    assert not any(panel.failed for panel in window.panels)


def test_it_runs_slows_down_and_pauses(window: Any, qt: Spin, press: Any) -> None:
    press(".", ".", ".", ".", ".", "Space")
    assert "as fast as it goes" in window._badge()
    until(qt, lambda: window.room.sweeps > 40)
    press("Space")
    here = window.room.sweeps
    qt(0.2)
    assert window.room.sweeps == here
    assert "PAUSED" in window.sentence.badge.text()
    assert window.steps.buttons["run"].text() == "Run [Space]"
    press(*"," * 20)
    assert window.pace == 1.0


def test_sliders_move_by_keyboard_and_say_what_happens(window: Any, qt: Spin, press: Any) -> None:
    press("6", "6")
    until(qt, settled(window))
    press("Down", "Down", "Right")
    assert window.room.lesson.conditions.mains_uv == 1.0
    assert "Hum 1 µV from sweep 33 on" in window.message.text()
    press("Up", "Left")
    assert window.room.lesson.level_db_nhl == 50.0
    assert "new average" in window.message.text()
    assert window.room.sweeps == 0
    assert window.sliders.values[1].text() == "50 dB nHL"
    press("z")
    assert not window.room.lesson.random_pause
    press("o")
    assert window.room.lesson.ear == "deaf"
    window.sliders.sliders[4].setValue(5)  # by mouse
    assert window.room.lesson.rate_per_s == 50.0
    qt(0.1)
    assert "IN STEP" in window.sentence.particulars.text()


def test_the_truth_is_hidden_until_it_is_revealed(window: Any, qt: Spin, press: Any) -> None:
    press("g", "6")
    until(qt, settled(window))
    qt(0.1)
    assert window.average.overlays == []
    assert "hears" not in window.sentence.particulars.text().replace("does it hear", "")
    press("r")
    qt(0.1)
    assert [overlay.label for overlay in window.average.overlays] == ["true response"]
    assert "hear" in window.sentence.particulars.text()
    window.sliders.choose(3)
    press("Right", "Right")
    qt(0.1)
    assert len(window.average.overlays) == 2
    press("g")
    assert not window.reveal


def test_false_alarms_are_counted_while_the_lesson_goes_on(window: Any, qt: Spin, press: Any) -> None:
    press("c")
    until(qt, lambda: window.counter.alarms.runs > 0)
    qt(0.1)
    assert window.deeds.buttons["count"].text() == "Stop count [C]"
    assert "null runs, counting" in window.rules.aside.text()
    assert "%" in window.rules.cells[0][2].text()
    press("c")
    assert not window.counter.on


def test_every_action_can_be_done_at_any_time(window: Any, qt: Spin) -> None:
    for _ in range(2):
        for action in ACTIONS:
            if action.name in ("quit", "full_screen", *STEPS, "double"):
                continue
            window.do(action.name)
            qt(0.0)
            if window.sheet is not None:
                window.sheet.reject()
        window.do("step_4")
        until(qt, settled(window))
    assert not any(panel.failed for panel in window.panels)


def test_sheets_show_lesson_and_keys(window: Any, qt: Spin, press: Any) -> None:
    from PyQt5.QtWidgets import QTextBrowser

    press("l")
    text = window.sheet.findChild(QTextBrowser).toPlainText()
    assert "Half an hour" in text
    assert "<!--" not in text
    press("L", to=window.sheet)
    assert not window.sheet.isVisible()
    press("F1")
    text = window.sheet.findChild(QTextBrowser).toPlainText()
    assert all(action.text in text for action in ACTIONS)
    assert "Not a medical device" in text


def test_everything_explains_itself(window: Any) -> None:
    for panel in window.panels:
        assert panel.heading.toolTip(), panel.name
    for buttons in (window.steps, window.deeds):
        assert all(button.toolTip() and button.accessibleName() for button in buttons.buttons.values())
    assert all(slider.toolTip() and slider.accessibleName() for slider in window.sliders.sliders)
    assert len(window.sliders.sliders) == len(SLIDERS)
    assert all(cell.toolTip() for row in window.rules.cells for cell in row)
    assert {action.name for action in ACTIONS if action.button} == set(window.steps.buttons) | set(window.deeds.buttons)


def test_it_fits_small_and_large_light_and_dark_and_is_kept_as_pictures(
    window: Any, qt: Spin, press: Any, tmp_path: Path
) -> None:
    folder = keep_screens() or tmp_path
    folder.mkdir(parents=True, exist_ok=True)
    window.room = Classroom(Lesson(ear="hears"), seed=1)
    press("5")
    until(qt, settled(window))
    press("r", "u")
    for width, height in ((1280, 720), (1920, 1080)):
        window.resize(width, height)
        for keys in ("d", "p", "d", "p"):
            press(keys)
            qt(0.05)
            assert (window.width(), window.height()) == (width, height)
            for panel in window.panels:
                assert window.centralWidget().rect().contains(panel.geometry())
            assert window.average.body.height() > 150
    window.resize(1280, 720)
    qt(0.2)
    assert window.grab().save(str(folder / "teach.png"))
    assert (folder / "teach.png").stat().st_size > 20_000


def test_a_lesson_ends_after_very_many_sweeps(window: Any, qt: Spin, monkeypatch: pytest.MonkeyPatch) -> None:
    import quietfloor.bench.teach.window

    monkeypatch.setattr(quietfloor.bench.teach.window, "MOST_SWEEPS", 24)
    window.pending = 100
    until(qt, settled(window))
    assert window.room.sweeps == 24
    assert "enough for a lesson" in window.message.text()
