"""The set-up panel as a person uses it, with keys; in the window, before a run. Qt's warnings fail."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.display.steps import SetupFlow
from quietfloor.monitor.display.theme import DARK, LIGHT, Look
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.readiness.cautions import CAUTIONS
from quietfloor.monitor.readiness.kept_check import read_check
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.display.conftest import keep_screens, live_scene, until
from tests.display.setup_flows import Heard, calibrated, flow_of, good, humming, masked, searching, stopped, troubled, unfound
from tests.live.harness import foreign
from tests.slow import patience

Spin = Callable[[float], None]


@pytest.fixture
def show(qt: Spin) -> Iterator[Callable[..., Any]]:
    """Makes panels and closes them."""
    from quietfloor.monitor.display.setup import SetupPanel

    made = []

    def make(flow: SetupFlow, look: Look | None = None, width: int = 1280, height: int = 720) -> Any:
        panel = SetupPanel(flow, look)
        made.append(panel)
        panel.resize(width, height)
        panel.show()
        qt(0.05)
        return panel

    yield make
    for panel in made:
        panel.hide()
        panel.deleteLater()


@pytest.fixture
def press(qt: Spin) -> Callable[..., None]:
    from PyQt5.QtCore import Qt
    from PyQt5.QtTest import QTest

    named = {
        "Down": Qt.Key.Key_Down, "Up": Qt.Key.Key_Up, "Enter": Qt.Key.Key_Return, "Esc": Qt.Key.Key_Escape,
        "Space": Qt.Key.Key_Space, "PgDown": Qt.Key.Key_PageDown, "PgUp": Qt.Key.Key_PageUp, "F5": Qt.Key.Key_F5,
    }  # fmt: skip

    def keys(widget: Any, *what: str) -> None:
        widget.activateWindow()
        qt(0.02)
        for key in what:
            plain = key.removeprefix("Shift+")
            held = Qt.KeyboardModifier.NoModifier if plain == key else Qt.KeyboardModifier.ShiftModifier
            QTest.keyClick(widget, named.get(plain) or getattr(Qt.Key, f"Key_{plain}"), held)
            qt(0.02)

    return keys


def shown(panel: Any) -> str:
    """All words of the page that are to be seen."""
    lines = [line for line in panel.lines if not line.isHidden()]
    return "\n".join(line.accessibleName() for line in lines)


def test_it_walks_through_the_steps_by_keys(show: Callable[..., Any], press: Callable[..., None]) -> None:
    panel = show(flow_of(troubled()))
    assert "8000 Hz stated" in shown(panel)
    seen = [panel.chosen]
    for key in ("Down", "Space", "N", "Right", "Down", "Down", "Down", "Up", "Left", "3", "7", "1"):
        press(panel, key)
        seen.append(panel.chosen)
    assert seen == [0, 1, 2, 3, 4, 5, 6, 6, 5, 4, 2, 6, 0]
    press(panel, "2")
    assert "look E1, decides" in shown(panel)
    assert "→" not in shown(panel)
    assert "check ground and reference" in shown(panel)


def test_start_waits_for_the_cautions_which_must_have_been_seen(show: Callable[..., Any], press: Callable[..., None]) -> None:
    panel = show(flow_of(good()))
    answered = []
    panel.answered.connect(lambda: answered.append(True))
    assert not panel.doing["start"].isEnabled()
    press(panel, "Enter")
    assert not panel.flow.answered.is_set()
    assert panel.shows_cautions, "what was not on the screen cannot have been read"
    assert not panel.flow.acknowledged
    press(panel, "A")
    assert panel.flow.acknowledged
    assert panel.doing["start"].isEnabled()
    press(panel, "A")
    assert not panel.doing["start"].isEnabled(), "it can be taken back"
    press(panel, "A", "Enter")
    assert panel.flow.record is not None
    assert answered == [True]
    assert not panel.doing["start"].isEnabled()
    press(panel, "Esc", "Enter")
    assert answered == [True]


def test_with_one_hand_by_four_keys(show: Callable[..., Any], press: Callable[..., None]) -> None:
    """Page down and Page up choose, Enter does it, b chooses Start again: as between the runs of a session."""
    panel = show(flow_of(good()))
    assert (panel.hand, panel.doing["start"].text()) == ("acknowledge", "Start [S]")
    assert panel.doing["acknowledge"].text() == "Read the cautions [Enter]"
    press(panel, "PgUp")
    assert (panel.hand, panel.doing["start"].text()) == ("start", "Start [Enter]")
    press(panel, "Enter")
    assert not panel.flow.answered.is_set(), "the cautions come first"
    press(panel, "PgDown")
    assert panel.doing["acknowledge"].property("chosen")
    assert panel.doing["acknowledge"].text().endswith("[Enter]")
    press(panel, "B")
    assert panel.hand == "start"
    press(panel, "PgDown", "PgDown", "Enter")
    assert (panel.hand, panel.chosen) == ("next", 1)
    press(panel, "PgUp", "Enter")
    assert panel.shows_cautions
    for _ in range(10):
        if not panel.flow.acknowledged:
            press(panel, "Enter")  # reads on, and acknowledges what is at its end
    assert panel.flow.acknowledged
    assert panel.hand == "start", "so one more is enough"
    press(panel, "PgUp")
    assert panel.hand == "leave"
    press(panel, "Period", "F5")
    assert panel.flow.record is not None


def test_enter_alone_reads_the_cautions_acknowledges_and_starts(show: Callable[..., Any], press: Callable[..., None]) -> None:
    panel = show(flow_of(good()))
    press(panel, "Enter")
    assert panel.shows_cautions
    for _ in range(12):
        press(panel, "Enter")
    assert panel.flow.record is not None
    assert show(flow_of(good(), acknowledged=True)).hand == "start"


def test_words_take_on_the_ink_of_another_theme(show: Callable[..., Any], qt: Spin) -> None:
    from PyQt5.QtGui import QColor

    from quietfloor.monitor.display.theme import DARK, LIGHT, Look

    panel = show(flow_of(good()))
    for theme in (LIGHT, DARK, LIGHT):
        panel.restyle(Look(theme))
        qt(0.02)
        for button in panel.buttons:
            assert button.title.palette().windowText().color() == QColor(theme.ink)
            assert button.brief.palette().windowText().color() == QColor(theme.quiet)
        assert panel.stream.palette().windowText().color() == QColor(theme.quiet)


def test_what_says_stop_is_overruled_by_a_key_of_its_own(show: Callable[..., Any], press: Callable[..., None]) -> None:
    panel = show(flow_of(stopped(), acknowledged=True))
    assert not panel.doing["anyway"].isHidden()
    assert panel.word.text() == "Not ready"
    press(panel, "Enter")
    assert panel.flow.record is None
    press(panel, "Y", "Enter")
    assert panel.flow.record is not None
    assert len(panel.flow.record.despite) >= 2
    assert show(flow_of(good(), acknowledged=True)).doing["anyway"].isHidden()


def test_escape_leaves_without_a_run(show: Callable[..., Any], press: Callable[..., None]) -> None:
    panel = show(flow_of(good(), acknowledged=True))
    press(panel, "Esc")
    assert panel.flow.answered.is_set()
    assert panel.flow.record is None
    assert panel.word.text() == "No run"


def test_buttons_do_what_their_keys_do(show: Callable[..., Any], qt: Spin) -> None:
    panel = show(flow_of(good()))
    panel.buttons[3].click()
    assert panel.chosen == 3
    panel.doing["next"].click()
    assert panel.chosen == 4
    panel.doing["acknowledge"].click()
    panel.doing["acknowledge"].click()
    panel.doing["start"].click()
    assert panel.flow.record is not None


def test_it_follows_the_newest_report(show: Callable[..., Any], qt: Spin) -> None:
    flow = flow_of(unfound(), acknowledged=True)
    heard = Heard(unfound())
    flow._listening = heard
    panel = show(flow)
    assert panel.word.text() == "Not known yet"
    heard.report = troubled()
    until(qt, lambda: panel.word.text() == "Ready")
    assert "mains" in panel.buttons[1].brief.text() or "look at 3 points" in panel.buttons[1].brief.text()
    heard.report = stopped()
    until(qt, lambda: panel.word.text() == "Not ready")
    assert not panel.doing["start"].isEnabled()


def test_a_long_list_can_be_moved_by_keys(show: Callable[..., Any], press: Callable[..., None]) -> None:
    panel = show(flow_of(humming(32)))
    press(panel, "2")
    bar = panel.area.verticalScrollBar()
    assert bar.maximum() > 0
    press(panel, "Shift+PgDown")
    assert bar.value() > 0
    press(panel, "Shift+PgUp")
    assert bar.value() == 0
    press(panel, "PgDown")
    assert panel.doing["next"].text() == "Read on [Enter]"
    press(panel, "Enter")
    assert (bar.value() > 0, panel.chosen) == (True, 1)
    for _ in range(20):
        if panel.chosen == 1:
            press(panel, "Enter")
    assert panel.chosen == 2, "at the end of the page it goes on"


def clipped(panel: Any) -> list[str]:
    """Words that do not fit where they stand."""
    from PyQt5.QtWidgets import QPushButton

    from quietfloor.monitor.display.panel import Words
    from quietfloor.monitor.display.setup_parts import Text

    found = []
    for words in panel.findChildren(Words):
        if words.isVisible() and words.width() < words.sizeHint().width():
            found.append(words.text())
    for text in panel.findChildren(Text):
        if text.isVisible() and text.text():
            needed = text.heightForWidth(text.width()) if text.wordWrap() else text.sizeHint().height()
            if text.height() < needed or (not text.wordWrap() and text.width() < text.sizeHint().width()):
                found.append(text.text())
    found += [b.text() for b in panel.findChildren(QPushButton) if b.isVisible() and b.width() < b.minimumSizeHint().width()]
    return found


def settle(panel: Any, qt: Spin) -> None:
    """Until the layout has stood still for a moment: on a busy machine its steps come late."""
    from PyQt5.QtWidgets import QWidget

    places: list[Any] = []
    while True:
        qt(0.02)
        now = [(child.geometry(), child.isVisible()) for child in panel.findChildren(QWidget)]
        if now == places:
            return
        places = now


@pytest.mark.parametrize("look", [Look(LIGHT), Look(DARK), Look(LIGHT, projector=True)], ids=["light", "dark", "projector"])
@pytest.mark.parametrize("make", [good, troubled, stopped, unfound])
def test_no_word_is_cut_at_1280_by_720(show: Callable[..., Any], qt: Spin, look: Look, make: Callable[[], Any]) -> None:
    panel = show(flow_of(make()), look)
    for step in range(7):
        panel.choose(step)
        settle(panel, qt)
        assert clipped(panel) == [], step
        assert panel.area.widget().width() <= panel.area.viewport().width()
    folder = keep_screens()
    if folder is not None:
        panel.choose(1)
        qt(0.02)
        panel.grab().save(str(folder / f"setup-{make.__name__}-{look.theme.name}{'-projector' if look.projector else ''}.png"))


LOOKS = [Look(LIGHT), Look(DARK), Look(LIGHT, projector=True), Look(DARK, projector=True)]


def inside(panel: Any, part: Any) -> bool:
    """Whether all of a part is to be seen."""
    from PyQt5.QtCore import QRect

    return bool(part.isVisible() and panel.rect().contains(QRect(part.mapTo(panel, part.rect().topLeft()), part.size())))


@pytest.mark.parametrize("plan", [calibrated, masked, searching], ids=lambda make: make.__name__)
@pytest.mark.parametrize("size", [(1280, 640), (1366, 688), (900, 560)], ids=str)
def test_heading_steps_and_all_buttons_fit_the_screen(
    show: Callable[..., Any], qt: Spin, size: tuple[int, int], plan: Callable[[], Plan]
) -> None:
    """1280 and 1366 pixels wide with a desktop's panel and a title bar, and the smallest window; whatever is found."""
    from PyQt5.QtGui import QFontMetrics

    panel = show(flow_of(stopped(), plan=plan()), None, *size)
    for look in LOOKS:
        panel.restyle(look)
        for step in range(7):
            panel.choose(step)
            settle(panel, qt)
            assert (panel.width(), panel.height()) == size, "nothing makes it larger"
            for button in panel.doing.values():
                assert inside(panel, button), (look, button.text())
                assert QFontMetrics(button.font()).horizontalAdvance(button.text()) <= button.width()
            assert inside(panel, panel.buttons[step]), (look, step)
            assert panel.area.viewport().height() >= 3 * look.px(1.2), "something of the page is to be seen"
            for words in (*panel.heard, panel.word, panel.summary, panel.message, panel.question):
                assert inside(panel, words), (look, words.text())
                assert words.height() >= words.heightForWidth(words.width()), words.text()


def test_ear_sound_and_level_stand_first_in_the_largest_letters(show: Callable[..., Any], qt: Spin) -> None:
    panel = show(flow_of(good(), plan=masked()))
    for look in LOOKS:
        panel.restyle(look)
        settle(panel, qt)
        first, noise = panel.heard
        assert first.text() == "Left ear · by bone · tone burst 500 Hz · 45 dB nHL"
        assert all(first.y() < other.y() for other in (noise, panel.shape, panel.word, panel.summary, panel.stream))
        largest = max(part.font().pixelSize() for part in (panel.word, panel.summary, panel.stream, panel.question, noise))
        assert first.font().pixelSize() > largest
        for line, ear in ((first, "left"), (noise, "right")):
            assert line.palette().windowText().color().name() == look.theme.ears[ear]


def test_cautions_that_are_not_all_on_the_screen_are_read_on_first(
    show: Callable[..., Any], qt: Spin, press: Callable[..., None]
) -> None:
    panel = show(flow_of(good(), plan=searching()), Look(LIGHT, projector=True), 900, 560)
    press(panel, "7")
    settle(panel, qt)
    assert panel.doing["acknowledge"].text() == "Read on [Enter]"
    panel.doing["acknowledge"].click()
    assert not panel.flow.acknowledged, "what was not on the screen cannot have been read"
    while panel.doing["acknowledge"].text() == "Read on [Enter]":
        press(panel, "A")
    assert not panel.flow.acknowledged
    press(panel, "A")
    assert panel.flow.acknowledged


def test_it_opens_with_the_step_of_last_time_but_never_with_the_cautions(qt: Spin, press: Callable[..., None]) -> None:
    from quietfloor.monitor.display.setup import SetupPanel

    for wanted, opened in (("", "stream"), ("trigger", "trigger"), ("nonsense", "stream")):
        panel = SetupPanel(flow_of(good()), None, wanted)
        assert panel._steps[panel.chosen].name == opened
        assert panel.place == opened
        panel.do("step_4")
        panel.do("acknowledge")
        assert (panel.shows_cautions, panel.place) == (True, "sound")
        panel.deleteLater()


def test_words_that_do_not_fit_would_be_found(show: Callable[..., Any], qt: Spin) -> None:
    """The test above has teeth."""
    panel = show(flow_of(troubled()))
    panel.setMinimumWidth(1)
    panel.resize(420, 300)
    qt(0.05)
    assert clipped(panel) != []


def test_it_takes_on_another_look(show: Callable[..., Any], qt: Spin) -> None:
    panel = show(flow_of(troubled()))
    before = panel.grab().toImage()
    panel.restyle(Look(DARK, projector=True))
    qt(0.02)
    assert clipped(panel) == []
    assert panel.grab().toImage() != before


def test_every_row_is_explained(show: Callable[..., Any], qt: Spin) -> None:
    panel = show(flow_of(troubled()))
    for step in range(5):
        panel.choose(step)
        for line in panel.lines:
            if not line.isHidden() and line.row.severity is not None:
                assert line.toolTip(), line.accessibleName()
    for button in panel.doing.values():
        assert button.toolTip()


# -- in the window ----------------------------------------------------------------------------------------------------


@pytest.fixture
def window(qt: Spin, link: WindowLink, tmp_path: Path) -> Iterator[Any]:
    from quietfloor.monitor.display.window import Window

    made = Window(link, tmp_path / "window.json")
    yield made
    if made.view is not None:
        made.view.run.stop()
        if made.view.run.status.state != "ready":
            assert made.view.run.wait(patience(30))
    made.finish()
    made.deleteLater()


def test_the_window_shows_it_first_and_then_the_run(
    window: Any, link: WindowLink, qt: Spin, press: Callable[..., None], recordings: dict[str, Path], tmp_path: Path
) -> None:
    flow = flow_of(good())
    link.flow = flow
    until(qt, lambda: window.setup is not None)
    assert window.isVisible()
    assert window.board.isHidden()
    press(window, "D")
    assert window.setup.look.theme is DARK, "the window's keys for looks work there too"
    press(window, "S")
    assert "Stop" not in window.bar.message.text()
    press(window, "A", "A", "Enter")
    assert flow.record is not None
    link.flow = None
    qt(0.1)
    assert window.setup is not None, "it stays until the run is there"
    view = live_scene(recordings["response"], tmp_path, pace=20.0)
    link.show(view)
    until(qt, lambda: window.setup is None)
    assert not window.board.isHidden()
    assert window._actions["stop"].isEnabled()
    view.run.start()
    until(qt, lambda: view.run.status.look is not None)


def test_the_step_is_remembered_with_the_window(
    window: Any, link: WindowLink, qt: Spin, press: Callable[..., None], tmp_path: Path
) -> None:
    from quietfloor.monitor.display.window import Window

    for step, shown_step in (("2", 1), ("7", 1), ("3", 2)):  # the cautions are no place to begin with
        link.flow = flow_of(good(), acknowledged=False)
        until(qt, lambda: window.setup is not None and window.setup.flow is link.flow)
        press(window, step)
        window._end_setup()
        link.flow = flow_of(good())
        until(qt, lambda: window.setup is not None and window.setup.flow is link.flow)
        assert window.setup.chosen == shown_step
        assert not window.setup.flow.acknowledged, "no acknowledgement is remembered"
    press(window, "2")
    window.close()
    other = WindowLink(flow=flow_of(good()))
    again = Window(other, tmp_path / "window.json")
    until(qt, lambda: again.setup is not None)
    assert again.setup.chosen == 1
    again.finish()
    again.deleteLater()


def test_closing_the_window_is_an_answer(window: Any, link: WindowLink, qt: Spin) -> None:
    import threading

    answers: list[bool] = []
    asked = threading.Thread(target=lambda: answers.append(link.prepare(flow_of(good()))))
    asked.start()
    until(qt, lambda: window.setup is not None)
    window.close()
    asked.join(patience(5))
    assert answers == [False]


@pytest.mark.lsl
def test_a_whole_run_with_the_panel_before_it(
    application: object, qt: Spin, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, press: Callable[..., None]
) -> None:
    """`quietfloor run` beside a foreign amplifier: the panel finds the stream, the cautions are acknowledged, the run is made."""
    from PyQt5.QtCore import QTimer
    from PyQt5.QtWidgets import QApplication

    from quietfloor.monitor.cli import parser
    from quietfloor.monitor.commands import run
    from quietfloor.monitor.display.app import perform
    from quietfloor.monitor.display.window import Window

    done: list[str] = []

    def drive() -> None:
        windows = [widget for widget in QApplication.topLevelWidgets() if isinstance(widget, Window) and widget.isVisible()]
        if not windows:
            return
        (window,) = windows
        setup = window.setup
        if setup is not None and not setup.flow.answered.is_set():
            if setup.flow.report.ready:
                for what in ("acknowledge", "acknowledge", "start"):
                    setup.do(what)
                done.append("started")
        elif window.link.offered is not None:
            window.finish()

    timer = QTimer()
    timer.timeout.connect(drive)
    timer.start(50)
    monkeypatch.setattr(run, "with_window", lambda args, work: perform(work, settings=tmp_path / "window.json"))
    with foreign("setup-run", ["--nv", "1500", "--noise", "1", "--source-id", "setup-run"]):
        words = ["run", "--listen", "--stream", "setup-run", "--eeg", "E1", "--trigger", "TRIG"]
        words += ["--out", str(tmp_path / "session")]
        status = run.main(parser().parse_args(words))
    timer.stop()
    assert (status, done) == (0, ["started"])
    record = json.loads((tmp_path / "session" / "run-001" / "run.json").read_text())
    assert record["verdict"] == "response_present"
    assert record["cautions_acknowledged"]["how"] == "set-up panel"
    assert record["cautions_acknowledged"]["despite"] == []
    folder = RunFolder(tmp_path / "session" / "run-001")
    kept = folder.read_json("check.json")
    assert kept["acknowledged"] == record["cautions_acknowledged"]
    assert kept["cautions"]["text"] == list(CAUTIONS)
    assert {one["group"] for one in kept["findings"]} == {"stream", "electrodes", "trigger", "sound", "timing"}
    noise = next(one for one in kept["findings"] if (one["group"], one["about"]) == ("electrodes", "noise"))
    assert noise["value"] == pytest.approx(record["stream"]["rms_uv"], rel=0.5)
    first_s = RecordingSource(folder.raw).pull(0.0).stamps_s[0]
    assert 0.0 < first_s - kept["stamp_s"] < 30.0, "it was made right before the run"
    found = read_check(folder)
    assert found is not None
    assert found.sentence.startswith(f"checked before it at {kept['at']}: Ready")
    assert main(["finish", str(folder.path)]) == 0
    assert read_check(folder) == found
