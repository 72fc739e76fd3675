"""How the window looks: sizes, colours, one panel alone, words that explain, each state; what it remembers."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PyQt5.QtCore import QRect, QSize
from PyQt5.QtGui import QFontMetrics

import quietfloor.monitor.display.window
from quietfloor.monitor.display.actions import offered
from quietfloor.monitor.display.dialogs import CloseQuestion, ExportDialog, KeysSheet
from quietfloor.monitor.display.placing import put
from quietfloor.monitor.display.run_view import RunView, WindowLink
from quietfloor.monitor.display.theme import LIGHT, Look
from quietfloor.monitor.display.window_settings import LEAST, TITLE, Place, WindowSettings, recall, remember
from tests.display.conftest import Spin, keep_screens, replay_scene, until


def test_the_window_can_be_small_and_large_light_and_dark_near_and_far(shown: Any, qt: Spin, press: Any) -> None:
    for width, height in ((900, 560), (1280, 720), (2560, 1440)):
        shown.resize(width, height)
        for keys in ("d", "p", "d", "p"):
            press(shown, keys)
            qt(0.02)
            assert (shown.width(), shown.height()) >= (width, height)
            inside = shown.board.rect()
            for panel in shown.present_panels:
                assert inside.contains(panel.geometry())
                assert panel.body.height() > 90
            assert shown.bar.buttons["keys"].geometry().right() <= shown.bar.width()
    assert not any(panel.failed for panel in shown.panels)


def test_ear_and_level_are_never_cut_nor_in_the_smallest_letters(shown: Any, qt: Spin, press: Any) -> None:
    bar = shown.sentence
    shown.view.model._heard, shown.view.model._ear = "left ear by bone, 40 dB nHL", "left"
    for width, height in ((900, 560), (1280, 720), (2560, 1440)):
        shown.resize(width, height)
        for keys in ("d", "p", "d", "p"):
            press(shown, keys)
            until(qt, lambda: bar.heard.text() == "left ear by bone, 40 dB nHL" and bar.heard.isVisible())
            qt(0.1)
            assert QFontMetrics(bar.heard.font()).horizontalAdvance(bar.heard.text()) <= bar.heard.width()
            assert bar.heard.geometry().right() <= bar.width()
            assert bar.heard.font().pixelSize() >= 1.4 * bar.particulars.font().pixelSize()
            assert bar.heard.palette().windowText().color().name() == shown.look.theme.ears["left"]


def test_a_discarded_run_is_shown_as_one(shown: Any, qt: Spin) -> None:
    link = shown.link
    assert shown.sentence.word.text() == "Response present"
    link.ladder = replace(link.ladder, discarded=True)
    until(qt, lambda: shown.sentence.word.text() == "Discarded")
    assert shown.sentence.mark.state == "discarded"
    assert "it was: response present" in shown.sentence.rest.text()
    link.ladder = replace(link.ladder, discarded=False)
    until(qt, lambda: shown.sentence.word.text() == "Response present")


def test_the_legend_of_the_average_lies_above_every_curve_that_is_judged(shown: Any, qt: Spin, press: Any) -> None:
    panel = shown.average
    tops = []
    for keys in ((), ("p",), ("u",), ("h",)):
        press(shown, *keys)
        for size in ((900, 560), (1280, 720)):
            shown.resize(*size)
            qt(0.1)
            curves, (bottom_nv, top_nv) = panel._curves, panel.chart.y_range
            judged = curves.times_ms >= curves.unjudged_ms[1]
            highest_nv = (curves.average_nv[judged] + curves.half_band_nv).max()
            assert highest_nv < top_nv - panel._legend_part * (top_nv - bottom_nv)
            assert panel._legend_part * panel.chart.inside.height() >= shown.look.px(1.0)
            tops.append(top_nv)
    assert len(set(tops)) > 1  # the room is as high as the letters need it
    assert not panel.failed


def test_one_panel_alone_and_all_again(shown: Any, qt: Spin, press: Any) -> None:
    press(shown, "3")
    qt(0.05)
    assert [panel.name for panel in shown.panels if panel.isVisible()] == ["incoming EEG"]
    assert shown.eeg.width() > 0.95 * shown.board.width()
    assert shown.eeg.height() > 0.75 * shown.board.height()
    press(shown, "1")
    assert [panel.name for panel in shown.panels if panel.isVisible()] == ["decision plane"]
    press(shown, "1")
    assert all(panel.isVisible() for panel in shown.present_panels)
    press(shown, "5", "Esc")
    assert all(panel.isVisible() for panel in shown.present_panels)


def test_the_list_of_keys_is_visible_and_complete(shown: Any, qt: Spin, press: Any) -> None:
    press(shown, "F1")
    assert shown.sheet.isVisible()
    text = shown.sheet.words.text()
    for action in offered("replay"):
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
    assert "<b>r, correlation of the halves</b>" in shown.average.aside.toolTip()
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


SCREENS = {"laptop": QRect(0, 30, 1366, 738), "projector": QRect(1366, 0, 1920, 1080)}


def test_place_theme_and_choices_are_remembered(
    open_window: Callable[..., Any], qt: Spin, press: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quietfloor.monitor.display.window, "screens", lambda: SCREENS)
    path = tmp_path / "window.json"
    window = open_window(settings=path)
    assert SCREENS["laptop"].contains(window.geometry())
    window.setGeometry(1500, 100, 1000, 640)
    press(window, "d", "p", "h", "u", "2")
    assert window.averages.zoom.scale_nv is None, "it fits the curves until it is fixed"
    window.averages.zoom.scale_nv = 500.0
    window.close()
    kept = json.loads(path.read_text(encoding="utf-8"))
    assert (kept["theme"], kept["projector"], kept["halves"], kept["plus_minus"]) == ("dark", True, False, True)
    again = open_window(settings=path)
    assert (again.look.theme.name, again.look.projector) == ("dark", True)
    assert (again.average.halves, again.average.plus_minus) == (False, True)
    assert again.average.height_nv == again.averages.levels.height_nv == 500.0
    assert again.geometry() == QRect(1500, 100, 1000, 640)
    assert [panel.name for panel in again.panels if not panel.isHidden()] == ["average"]


def test_a_window_of_a_screen_that_is_gone_is_brought_back_and_each_screen_has_its_own_place(
    open_window: Callable[..., Any], qt: Spin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, places = tmp_path / "window.json", {"projector": Place(100, 100, 1700, 900), "laptop": Place(7, 50, 950, 600)}
    remember(path, WindowSettings(places, "projector"))
    for there, where in ((SCREENS, QRect(1466, 100, 1700, 900)), ({"laptop": SCREENS["laptop"]}, QRect(7, 80, 950, 600))):
        monkeypatch.setattr(quietfloor.monitor.display.window, "screens", lambda there=there: there)
        window = open_window(settings=path)
        assert window.geometry() == where
    window.close()
    assert recall(path)[0] == WindowSettings(places, "laptop"), "the place on the other screen is still known"
    monkeypatch.setattr(quietfloor.monitor.display.window, "screens", lambda: {"small": QRect(0, 0, 800, 560)})
    window = open_window(settings=path)
    assert window.size() == QSize(800, 560 - TITLE)


def test_full_screen_comes_back_as_it_was(
    open_window: Callable[..., Any], qt: Spin, press: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quietfloor.monitor.display.window, "screens", lambda: SCREENS)
    window = open_window(settings=tmp_path / "window.json")
    press(window, "f")
    window.close()
    assert open_window(settings=tmp_path / "window.json").isFullScreen()


@pytest.mark.parametrize("room", [(1280, 680), (1366, 728), (900, 600)], ids=str)
def test_entries_and_dialogs_lie_inside_the_window_on_its_screen(
    shown: Any, qt: Spin, press: Any, link: WindowLink, room: tuple[int, int], tmp_path: Path
) -> None:
    """Reason of a discard, note, moment; the list of keys, the question before closing, the export. In each look."""
    put(shown, WindowSettings(), {"": QRect(0, 0, *room)})
    deeds: list[str] = []
    for number in range(4):
        press(shown, "dp"[number % 2])
        for question in ("Why is Run 3 discarded? X again, and it counts.", "Note on the run that is over:", "Go to:"):
            shown._ask(question, "Discard", deeds.append)
            qt(0.05)
            assert (shown.width(), shown.height()) == (min(1280, room[0]), min(720, room[1] - TITLE))
            entry = shown.bar.entry
            for part in (entry.label, entry.line, entry.keep, entry.drop):
                assert part.isVisible()
                assert shown.rect().contains(QRect(part.mapTo(shown, part.rect().topLeft()), part.size())), (question, part)
            assert entry.label.height() >= entry.label.heightForWidth(entry.label.width())
            entry.line.setText("moved")
            (entry.keep if number % 2 else entry.drop).click()
            assert not entry.isVisible()
        dialogs = (
            KeysSheet(shown, "run", shown.look), CloseQuestion(shown, shown.close, shown.close),
            ExportDialog(shown, ["average"], tmp_path, "run-001", lambda part, path: None),
        )  # fmt: skip
        for dialog in dialogs:
            dialog.show()
            qt(0.02)
            assert dialog.width() <= shown.width()
            assert dialog.height() <= shown.height()
            dialog.reject()
    assert deeds == ["moved"] * 6


def test_every_stage_fits_the_smallest_window(shown: Any, qt: Spin) -> None:
    for projector in (False, True):
        shown.restyle(Look(LIGHT, projector))
        for stage in ("run", "replay", "search", "searched"):
            shown.stage = stage
            shown.bar.fit(stage)
            shown._divide()
            for name, button in shown.bar.buttons.items():  # all that can be there at once
                button.setVisible(name != "discard" or stage != "search")
            qt(0.02)
            assert shown.minimumSizeHint().width() <= LEAST[0], (stage, projector)
            assert shown.minimumSizeHint().height() <= LEAST[1], (stage, projector)


@pytest.mark.parametrize("content", ["{", json.dumps({"geometry": "not base 64 ü", "theme": "purple"})])
def test_a_damaged_memory_is_ignored(open_window: Callable[..., Any], qt: Spin, tmp_path: Path, content: str) -> None:
    path = tmp_path / "window.json"
    path.write_text(content, encoding="utf-8")
    window = open_window(settings=path)
    assert window.look.theme.name == "light"
    assert ("cannot be read" in window.bar.message.text()) == (content == "{")
    remember(path, WindowSettings(theme="dark"))
    assert recall(path)[0].theme == "dark"


def test_six_states_look_different_and_are_kept_as_pictures(
    open_window: Callable[..., Any], qt: Spin, finished: dict[str, Path], tmp_path: Path, link: WindowLink
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

    def play(which: str, until_s: float | None) -> RunView:
        view = replay_scene(finished[which], speed=1000.0)
        link.show(view)
        assert view.playback is not None
        view.playback.paused = until_s is not None
        if until_s is not None:
            view.playback.go_to(until_s)
        view.run.start()
        until(qt, lambda: view.run.wait(0) or (until_s is not None and view.run.status.seconds >= until_s))
        qt(0.1)
        return view

    take("waiting")
    view = play("absent", 3.0)
    take("undecided early")
    view.run.stop()
    view = play("absent", 9.0)
    take("undecided late")
    view.run.stop()
    play("absent", None)
    take("no response")
    play("undecided", None)
    take("stopped")
    view = play("present", None)
    take("present")
    view.model.show(9)
    window.controller.playing = False
    take("looking back")
    assert {name: state for name, (state, _) in words.items()} == {
        "waiting": "waiting", "undecided early": "undecided", "undecided late": "undecided", "no response": "absent",
        "stopped": "stopped", "present": "present", "looking back": "earlier",
    }  # fmt: skip
    pictures = {path.stem: path.stat().st_size for path in folder.glob("*.png")}
    assert len(pictures) >= 7
    assert all(size > 5000 for size in pictures.values())
    assert np.ptp(list(pictures.values())) > 0
