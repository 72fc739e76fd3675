"""The session view in the window: every action by key and by mouse, at every size; large letters; runs that are written."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.display.actions import offered
from quietfloor.monitor.display.session_keys import READ_S
from quietfloor.monitor.display.session_live import LETTERS_PER_HEIGHT
from quietfloor.monitor.display.session_talk import Wish
from quietfloor.monitor.display.theme import Look
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from tests.display.conftest import Spin, Tape, keep_screens, live_scene, stop_at, until
from tests.session.conftest import PLAN, write_run
from tests.session.desk import Desk, words
from tests.session.searches import PLAN as SEARCHES
from tests.slow import patience

BONE = PLAN.replace('ear = "right"\nstimulus = "click"', 'ear = "right"\nroute = "bone"\nstimulus = "click"')


class Scene:
    """A window with a session in it. ``at``: what the session view shows now."""

    def __init__(self, window: Any, desk: Desk, qt: Spin, press: Callable[..., None]) -> None:
        self.window, self.desk, self.qt, self._press = window, desk, qt, press
        self.view, self.large = window.layout_.sight.view, window.layout_.large.view

    def press(self, *keys: str) -> None:
        """Press keys, each after the one before was carried out."""
        for key in keys:
            self._press(self.window, key)
            self.settle()

    def click(self, name: str) -> None:
        """Click a button of the bar."""
        from PyQt5.QtCore import Qt
        from PyQt5.QtTest import QTest

        button = self.window.bar.buttons[name]
        assert button.isEnabled(), name
        QTest.mouseClick(button, Qt.MouseButton.LeftButton)
        self.settle()

    def settle(self) -> None:
        self.qt(0.02)
        until(self.qt, lambda: self.desk.link.talk.idle)
        self.qt(0.05)

    def read(self) -> None:
        """So long that a key begins the next run."""
        self.qt(READ_S + 0.1)

    @property
    def level_db(self) -> float:
        return self.desk.coming.level_db


@pytest.fixture
def scene(
    open_window: Callable[..., Any], qt: Spin, press: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, link: Any
) -> Iterator[Callable[..., Scene]]:
    made: list[Desk] = []

    def make(text: str = PLAN, before: tuple[str, ...] = ("40+",), calibration: bool = True) -> Scene:
        from tests.session.desk import CALIBRATION

        plan = make_session_plan(tomllib.loads(text.replace("CALIBRATION", str(CALIBRATION))))
        session = Session.begin(tmp_path / "s", plan)
        for word in before:
            write_run(session.folder, word)
        desk = Desk(session, write_run, words(), link)
        monkeypatch.setattr("quietfloor.monitor.commands.session_window.carry_through", desk.carry_through)
        made.append(desk.__enter__())
        window = open_window()
        one = Scene(window, desk, qt, press)
        one.read()
        return one

    yield make
    for desk in made:
        desk.__exit__()


def test_the_session_is_shown_by_itself_and_says_everything(scene: Callable[..., Scene]) -> None:
    one = scene(before=("70+", "40+"))
    window = one.window
    assert window.stage == "session"
    assert [panel.name for panel in window.panels if panel.isVisible()] == ["session"]
    assert window.sentence.word.text() == "Ready for the next run"
    assert window.sentence.heard.text() == "Right ear · 30 dB nHL"
    assert one.view.sight == one.desk.sight
    assert not any(panel.failed for panel in window.panels)
    window.do("panel_7")
    assert window.controller.message.startswith("No run was made yet"), "in this window: there is nothing else to show"


def test_every_step_by_key(scene: Callable[..., Scene]) -> None:
    one = scene()
    assert one.level_db == 30.0
    one.press("+")
    assert one.level_db == 35.0
    one.press("-", "-")
    assert one.level_db == 25.0
    one.press("c")
    assert one.desk.coming.condition.ear == "left"
    one.press("Up")
    assert one.desk.coming.condition.ear == "right"
    one.press("v")
    assert one.desk.coming.kind == "growth"
    one.press("v", "v")
    one.press("x", *"moved")
    one._press(one.window, "Enter")
    one.qt(0.2)
    one.settle()
    assert one.desk.session.runs()[0].discarded == "moved"
    one.press("x")  # restores: nothing is asked
    assert (one.desk.session.runs()[0].discarded, one.window.bar.entry.isVisible()) == (None, False)
    one._press(one.window, "x")
    assert "discarded?" in one.window.bar.entry.label.text()
    one._press(one.window, "Enter")  # an empty line: what the button says is done all the same
    one.qt(0.2)
    one.settle()
    assert one.desk.session.runs()[0].discarded == "no reason was typed"
    one.press("x")
    assert one.desk.session.runs()[0].discarded is None
    one._press(one.window, "m", *"asleep", "Enter")
    one.qt(0.2)
    one.settle()
    assert one.desk.session.runs()[0].notes == ("asleep",)
    one.press("n")
    assert [plan.sound.level_db_nhl for plan in one.desk.plans] == [30.0]
    one.read()
    one.press("r")
    assert [plan.sound.level_db_nhl for plan in one.desk.plans] == [30.0, 30.0]
    one.press("k")
    assert one.window.controller.message == "Mask: no noise is due"


def test_every_step_by_mouse(scene: Callable[..., Scene]) -> None:
    from PyQt5.QtCore import Qt
    from PyQt5.QtTest import QTest

    one = scene(before=("70+", "40+"))
    steps = {"next", "louder", "softer", "mask", "condition_next", "kind", "repeat", "discard", "mark", "report", "files", "far"}
    assert steps <= set(one.window.bar.buttons)
    for _ in range(9):
        one.click("louder")
    assert one.level_db == 75.0
    one.click("softer")
    assert one.level_db == 70.0
    one.click("mask")
    assert one.desk.coming.given
    assert one.window.bar.buttons["mask"].text() == "No noise [K]"
    _, place = next(pair for pair in one.view._rows if pair[0] == 1)
    QTest.mouseClick(one.view, Qt.MouseButton.LeftButton, pos=place.center().toPoint())
    one.qt(0.2)
    one.settle()
    assert one.desk.coming.condition.ear == "left"
    one.click("condition_next")
    assert one.desk.coming.condition.ear == "right"
    one.click("kind")
    one.click("kind")
    one.click("kind")
    one.click("next")
    assert len(one.desk.plans) == 1
    one.read()
    one.click("repeat")
    assert len(one.desk.plans) == 2
    one.click("files")
    assert "Not exported" in one.desk.sight.note
    one.click("far")
    assert one.window.layout_.far
    one.read()
    assert one.large.far is not None
    assert one.large.far.step == "Enter: Start"
    QTest.mouseClick(one.large, Qt.MouseButton.LeftButton, pos=one.large._step.center().toPoint())
    one.settle()
    assert len(one.desk.plans) == 3


def test_every_action_can_be_done(scene: Callable[..., Scene]) -> None:
    one = scene()
    for action in offered("session"):
        if action.name not in ("quit", "full_screen"):
            one.window.do(action.name)
            one.qt(0.05)
        one.window.bar.entry.line.dropped.emit()
        if one.window.sheet is not None:
            one.window.sheet.reject()
        if one.window.dialog is not None:
            one.window.dialog.reject()
    one.settle()
    assert not any(panel.failed for panel in one.window.panels)


def test_with_one_hand_by_four_keys(scene: Callable[..., Scene]) -> None:
    """Louder, start, repeat, discard, count again: Page up, Page down, Enter alone."""
    one = scene()
    one.press("PgDown", "Enter")
    assert one.level_db == 35.0
    one.press("Enter")
    assert one.level_db == 40.0
    one.press("PgDown", "Enter", "b", "Enter")
    assert [plan.sound.level_db_nhl for plan in one.desk.plans] == [35.0]
    one.read()
    one.press(*["PgDown"] * 6, "Enter")
    assert one.desk.sight.discarded
    assert one.view.step is not None
    assert one.view.step.title == "Count again"
    one.press("Enter", "PgUp", "Enter")
    assert [plan.sound.level_db_nhl for plan in one.desk.plans] == [35.0, 35.0]
    assert one.desk.session.runs()[1].discarded is None


@pytest.mark.parametrize(("size", "projector"), [
    ((1280, 720), False), ((1366, 768), False), ((1920, 1080), False), ((2560, 1440), False), ((1280, 720), True),
    ((1920, 1080), True), ((900, 560), False), ((900, 560), True),
])  # fmt: skip
def test_the_advice_on_masking_is_never_cut(scene: Callable[..., Scene], size: tuple[int, int], projector: bool) -> None:
    one = scene(before=("70+", "40+"))
    one.window.resize(*size)
    if projector:
        one.window.do("projector")
    for _ in range(8):
        one.desk.link.talk.wish(Wish("louder"))
    one.settle()
    one.qt(0.1)
    assert one.desk.coming.masking
    shown = one.view.advice_shown
    assert shown.height() > 0
    assert shown.bottom() <= one.view.height()
    assert shown.right() <= one.view.width()
    for name, button in one.window.bar.buttons.items():
        assert button.width() >= button.fontMetrics().horizontalAdvance(button.text()), name
    if (folder := keep_screens()) is not None:
        one.window.grab().save(str(folder / f"session-{size[0]}x{size[1]}{'-projector' if projector else ''}.png"))


def test_for_a_projector_a_small_window_keeps_rows_steps_and_audiogram(scene: Callable[..., Scene]) -> None:
    """Its letters are then no larger than they can be."""
    many = "".join(
        f'[[condition]]\near = "{ear}"\nstimulus = "octave-chirp"\nfrequency_hz = {hz}\n'
        for hz in (500, 1000, 2000, 4000) for ear in ("right", "left")
    )  # fmt: skip
    one = scene(SEARCHES[: SEARCHES.index("[[condition]]")] + many + SEARCHES[SEARCHES.index("[limits]") :], before=())
    one.window.resize(1920, 1080)
    one.window.do("projector")
    one.qt(0.2)
    assert one.view.look == one.view.full
    assert len(one.view._rows) == 8
    one.window.resize(900, 560)
    one.qt(0.2)
    assert len(one.view._rows) >= 3, "beside the whole advice on masking"
    assert Look().px(1.0) <= one.view.look.px(1.0) < one.view.full.px(1.0)


def test_all_of_many_conditions_are_reached(scene: Callable[..., Scene]) -> None:
    many = "".join(
        f'[[condition]]\near = "{ear}"\nstimulus = "{kind}"\nfrequency_hz = {hz}\n'
        for kind in ("octave-chirp", "tone-burst")
        for hz in (500, 1000, 2000, 4000)
        for ear in ("right", "left")
    )
    text = SEARCHES[: SEARCHES.index("[[condition]]")] + many + SEARCHES[SEARCHES.index("[limits]") :]
    one = scene(text, before=())
    one.window.resize(1280, 720)
    one.qt(0.2)
    assert len(one.view._rows) < 16
    one.press("Up")
    one.qt(0.2)
    assert one.view._rows[-1][0] == 15, "the chosen one is shown"
    assert [row.next for row in one.view.sight.rows] == [False] * 15 + [True]


@pytest.mark.parametrize("size", [(1280, 720), (1366, 768), (1920, 1080), (2560, 1440), (900, 560)])
def test_the_large_letters_are_a_twelfth_of_the_window_high(scene: Callable[..., Scene], size: tuple[int, int]) -> None:
    one = scene()
    one.window.resize(*size)
    one.press("8")
    one.qt(0.2)
    assert one.window.look.theme.name == "dark"
    far = one.large.far
    assert far is not None
    assert far.lines[:3] == ("Ready", "Right ear", "30 dB nHL")
    assert len(one.large.capital_px) == len([line for line in far.lines if line])
    assert min(one.large.capital_px) >= one.window.height() / LETTERS_PER_HEIGHT
    for _ in range(9):  # every step in large letters
        one.press("PgDown")
        one.qt(0.05)
        assert min(one.large.capital_px) >= one.window.height() / LETTERS_PER_HEIGHT - 1
    if (folder := keep_screens()) is not None:
        one.window.grab().save(str(folder / f"far-{size[0]}x{size[1]}.png"))
    one.press("8")
    assert one.window.look.theme.name == "light"
    assert one.window.layout_.sight.isVisible()


def test_by_bone_the_large_letters_come_by_themselves_until_they_are_put_away(scene: Callable[..., Scene]) -> None:
    one = scene(BONE, before=())
    one.qt(0.2)
    assert one.window.layout_.far
    assert one.large.far is not None
    assert one.large.far.ear_words == "Right ear, bone"
    one.press("8")
    assert not one.window.layout_.far
    one.press("n")
    one.qt(0.2)
    assert len(one.desk.plans) == 1
    assert not one.window.layout_.far, "put away by hand"


def test_during_a_run_of_a_session_one_key_stops_it_and_7_shows_the_session(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path, link: Any
) -> None:
    from quietfloor.monitor.display.session_sight import sight_of

    session = Session.begin(tmp_path / "s", make_session_plan(tomllib.loads(PLAN)))
    link.talk.sight = sight_of(session, None, "a run is on", "", 600.0)
    tape = Tape(6.0, until_s=6.0)
    view = live_scene(recordings["nothing"], tmp_path / "runs", tape=tape)
    window = open_window(view)
    view.run.start()
    until(qt, stop_at(view, 3))
    assert [panel.isVisible() for panel in (window.plane, window.layout_.sight)] == [True, False]
    press(window, "7")
    qt(0.2)
    assert [panel.isVisible() for panel in (window.plane, window.layout_.sight)] == [False, True]
    assert "0:0" in window.layout_.sight.view.sight.time[0]
    press(window, "PgDown")
    assert window.controller.message == "A run is on: b stops it"
    press(window, "8")
    qt(0.2)
    far = window.layout_.large.view.far
    assert (far.word, far.step) == ("Undecided", "b: stop")
    press(window, "b")
    qt(0.3)
    assert window.layout_.large.view.far.step.startswith("Stops in ")
    press(window, "b")
    qt(0.3)
    assert view.run.status.state == "running"
    press(window, "b")
    until(qt, lambda: view.run.wait(0), patience(10))
    assert view.run.status.verdict is not None
    assert view.run.status.verdict.stopped_by == "operator"


def test_without_a_session_there_is_nothing_of_it(
    open_window: Callable[..., Any], qt: Spin, press: Any, recordings: dict[str, Path], tmp_path: Path
) -> None:
    window = open_window(live_scene(recordings["nothing"], tmp_path, pace=6.0))
    assert not {"panel_7", "far"} & set(window.bar.buttons)
    press(window, "7")
    assert "`quietfloor session`" in window.controller.message
    press(window, "8")
    assert not window.layout_.far
    press(window, "x")
    assert window.controller.message.startswith("A run can be discarded in a session")
