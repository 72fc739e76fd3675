"""The start page as a person uses it: every action by key and by mouse, in a window of Qt. What is seen is given by the test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.begin.choices import Seen, find_calibrations, find_references
from quietfloor.monitor.begin.lookout import Lookout
from quietfloor.monitor.begin.places import Places, Remembered, bench_folder
from quietfloor.monitor.cli import parser
from quietfloor.monitor.plan.run_plan import load_plan
from quietfloor.monitor.session.session_plan import load_session_plan
from tests.begin.conftest import MARKERS, OWN_AUDIO, stream
from tests.display.conftest import Spin, until

Press = Callable[..., None]
AMP = stream(labels=("Cz-M2", "Cz-M1", "TRIG"))


class Still(Lookout):
    """Sees what the test puts there, and judges as always."""

    def _look(self) -> None:
        self._again.wait()
        self._again.clear()

    def see(self, **what: Any) -> None:
        self.seen = replace(self.seen, **what)
        self._wanted.set()


@pytest.fixture
def lookout(tmp_path: Path) -> Iterator[Still]:
    made = Still(Places(tmp_path / "settings", Remembered(str(tmp_path / "sessions"))))
    made.seen = Seen((AMP, MARKERS, OWN_AUDIO), calibrations=find_calibrations([bench_folder()], []))
    made.start()
    yield made
    made.close()


@pytest.fixture
def page(application: object, qt: Spin, lookout: Still, tmp_path: Path) -> Iterator[Any]:
    from quietfloor.monitor.display.start import StartWindow

    window = StartWindow(lookout, settings=tmp_path / "settings" / "window.json")
    window.show()
    qt(0.05)
    yield window
    window.close()
    window.deleteLater()


def ready(page: Any) -> Callable[[], bool]:
    return lambda: bool(page.maker.ready)


def judged(page: Any) -> Callable[[], bool]:
    """Whether what is shown is of the draft as it is now."""
    return lambda: page.maker.newest is not None and page.maker._shown is not None and page.maker._shown[0] is page.maker.judged


def click(widget: Any) -> None:
    from PyQt5.QtCore import QPoint, Qt
    from PyQt5.QtTest import QTest

    assert widget.isVisible()
    at = QPoint(8, widget.height() // 2)
    QTest.mouseClick(widget, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, at)


def chord(page: Any, key: str, *, alt: bool = False) -> None:
    from PyQt5.QtCore import Qt
    from PyQt5.QtTest import QTest
    from PyQt5.QtWidgets import QApplication

    with_ = Qt.KeyboardModifier.AltModifier if alt else Qt.KeyboardModifier.ControlModifier
    QTest.keyClick(QApplication.focusWidget() or page, getattr(Qt.Key, f"Key_{key}"), with_)


def open_new(page: Any, qt: Spin, press: Press, key: str = "r") -> Any:
    press(page, key)
    until(qt, lambda: judged(page)() and page.maker.draft.stream == "Amp")
    return page.maker


# -- the first sheet -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("key", "name"), [("d", "demo"), ("l", "lesson")])
@pytest.mark.parametrize("how", ["key", "mouse", "enter"])
def test_demonstration_and_lesson_begin_at_once(key: str, name: str, how: str, page: Any, press: Press) -> None:
    if how == "key":
        press(page, key)
    elif how == "mouse":
        click(page.home.deeds[name])
    else:
        page.home.deeds[name].setFocus()
        press(page, "Enter")
    assert page.answer == {"demo": ("demo",), "lesson": ("demo", "--teach")}[name]
    assert parser().parse_args(page.answer).command == "demo"
    assert not page.isVisible()


def test_cautions_are_on_every_sheet(page: Any, qt: Spin, press: Press) -> None:
    for key in ("r", "s", "o"):
        press(page, key)
        assert page.cautions.isVisible()
        assert "harm hearing" in page.cautions.text()
        press(page, "Esc")
        assert page.sheets.currentWidget() is page.home


def test_closing_the_window_is_no_answer(page: Any) -> None:
    chord(page, "Q")
    assert page.answer == ()
    assert not page.isVisible()


# -- a recording ---------------------------------------------------------------------------------------------------------


def test_a_recording_of_the_only_stream_begins_with_few_keys(page: Any, qt: Spin, press: Press, lookout: Still) -> None:
    maker = open_new(page, qt, press)
    press(page, "PgDown", "PgDown", "PgDown", "PgDown", "PgDown")
    assert maker.page.name == "plan"
    until(qt, ready(page))
    shown = maker.plan_page.text.toPlainText()
    chord(page, "Return")
    plan = Path(page.answer[1])
    assert page.answer == ("run", str(plan), "--out", str(plan.parent))
    assert plan.read_text(encoding="utf-8") == shown
    assert load_plan(plan).stream.eeg == ("Cz-M2",)
    assert Places.recall(lookout.places.settings).remembered.recent == (str(plan.parent),)


def test_channels_by_mouse(page: Any, qt: Spin, press: Press) -> None:
    maker = open_new(page, qt, press)
    click(maker.buttons[1])
    click(maker.page.buttons[1, "decides"])
    until(qt, judged(page))
    assert (maker.draft.eeg, maker.draft.trigger) == (("Cz-M1", "Cz-M2"), "TRIG")
    assert maker.page.buttons[0, "too"].isChecked()
    click(maker.page.buttons[1, "decides"])  # once more: it stays
    assert maker.page.buttons[1, "decides"].isChecked()


def test_arrow_keys_walk_over_the_channels_and_change_nothing(page: Any, qt: Spin, press: Press) -> None:
    maker = open_new(page, qt, press)
    press(page, "PgDown", "Down", "Right", "Right", "Left")
    assert (maker.draft.eeg, maker.draft.trigger) == (("Cz-M2",), "TRIG")
    press(page, "Space")
    until(qt, judged(page))
    assert maker.draft.eeg == ("Cz-M2", "Cz-M1")


def test_a_stream_that_cannot_be_recorded_is_disabled_and_says_why(page: Any, qt: Spin, press: Press) -> None:
    maker = open_new(page, qt, press)
    button = maker.page.picker.buttons[OWN_AUDIO.uid]
    assert not button.isEnabled()
    assert "sound of a run" in button.accessibleName()
    click(button)
    assert maker.draft.stream == "Amp"


def test_a_stream_that_vanishes_says_so_and_one_that_comes_can_be_chosen(
    page: Any, qt: Spin, press: Press, lookout: Still
) -> None:
    maker = open_new(page, qt, press)
    until(qt, ready(page))
    other = stream("Other", ("A", "Stim"))
    lookout.see(streams=(other,))
    until(qt, lambda: not maker.ready and "not there" in maker.summary.text())
    chord(page, "Return")
    assert page.answer == ()
    click(maker.page.picker.buttons[other.uid])
    until(qt, ready(page))
    assert (maker.draft.stream, maker.draft.eeg, maker.draft.trigger) == ("Other", ("A",), "Stim")


def test_begin_leads_to_what_stands_in_the_way(page: Any, qt: Spin, press: Press) -> None:
    maker = open_new(page, qt, press)
    maker.edit(replace(maker.draft, code=""))
    until(qt, judged(page))
    click(maker.doing["begin"])
    assert maker.page.name == "person"
    assert page.answer == ()
    assert any(line.isVisible() and "no code" in line.said.text() for line in maker.problems)


def test_the_age_group_is_asked_for_only_where_the_plan_has_a_place_for_it(page: Any, qt: Spin, press: Press) -> None:
    maker = open_new(page, qt, press)
    for changes, shown in (({}, False), ({"stated": True}, True), ({"own_sound": True, "device": "lsl"}, True)):
        maker.edit(replace(maker.draft, age_group="infant", **changes))
        until(qt, judged(page))
        maker.go(maker.steps.index("person"))
        qt(0.02)
        assert maker.page.age.isVisible() == shown
        assert ("infant" in maker.judged.text) == shown


def test_a_file_of_reference_levels_is_chosen_from_those_that_are_found(
    page: Any, qt: Spin, press: Press, lookout: Still
) -> None:
    lookout.see(references=find_references([bench_folder()]))
    (file,) = lookout.seen.references
    maker = open_new(page, qt, press, "s")
    maker.edit(replace(maker.draft, device="lsl"))
    until(qt, judged(page))
    maker.go(maker.steps.index("output"))
    until(qt, lambda: file.path in maker.page.levels.buttons)
    click(maker.page.levels.buttons[file.path])
    until(qt, judged(page))
    assert maker.draft.references == file.path
    assert file.path in maker.judged.text


def test_the_sound_of_other_equipment_is_stated_by_choosing(page: Any, qt: Spin, press: Press) -> None:
    maker = open_new(page, qt, press)
    press(page, "PgDown", "PgDown")
    click(maker.page.stated)
    until(qt, judged(page))
    at = maker.page.stimulus.findData("tone-burst")
    maker.page.stimulus.setCurrentIndex(at)
    until(qt, judged(page))
    assert maker.page.frequency.isVisible()
    maker.page.stated_level.setValue(35.0)
    until(qt, ready(page))
    chord(page, "Return")
    stated = load_plan(Path(page.answer[1])).stated
    assert stated is not None
    assert (stated.stimulus, stated.frequency_hz, stated.level_db_nhl) == ("tone-burst", 1000.0, 35.0)


def test_an_own_sound_with_the_calibration_that_fits(page: Any, qt: Spin, press: Press, lookout: Still) -> None:
    maker = open_new(page, qt, press)
    lookout.see(outputs=())
    press(page, "PgDown", "PgDown")
    chord(page, "Q", alt=True)  # quietfloor plays it
    until(qt, lambda: maker.draft.own_sound)
    press(page, "PgDown")
    until(qt, lambda: judged(page)() and maker.page.outputs.isVisible())
    click(maker.page.outputs.buttons["lsl"])
    until(qt, lambda: maker.draft.calibration.endswith("virtual-earphone.toml"))
    until(qt, ready(page))
    chord(page, "Return")
    sound = load_plan(Path(page.answer[1])).sound
    assert sound is not None
    assert (sound.device, sound.level_db_nhl, Path(sound.calibration or "").name) == ("lsl", 60.0, "virtual-earphone.toml")


def test_too_loud_is_refused_where_the_level_is_chosen(page: Any, qt: Spin, press: Press, lookout: Still) -> None:
    maker = open_new(page, qt, press)
    maker.edit(replace(maker.draft, own_sound=True, device="lsl"))
    until(qt, lambda: bool(maker.draft.calibration))
    maker.go(2)
    maker.page.level.setValue(115.0)
    until(qt, lambda: judged(page)() and any(line.isVisible() and "loudest" in line.said.text() for line in maker.problems))
    assert not maker.ready
    assert "92 dB nHL" in maker.page.loudest.text()


# -- a session -----------------------------------------------------------------------------------------------------------


def session_at_grid(page: Any, qt: Spin, press: Press) -> Any:
    maker = open_new(page, qt, press, "s")
    maker.edit(replace(maker.draft, device="lsl", per_s=37.1))
    until(qt, lambda: bool(maker.draft.calibration and maker.draft.bone_calibration) and judged(page)())
    maker.go(maker.steps.index("conditions"))
    return maker


def test_a_session_by_mouse_from_the_grid(page: Any, qt: Spin, press: Press) -> None:
    from quietfloor.monitor.begin.draft import Cell

    maker = session_at_grid(page, qt, press)
    first, second = Cell("left", "air", "tone-burst", 2000.0), Cell("right", "air", "tone-burst", 2000.0)
    for cell in (first, second):
        click(maker.page.boxes[cell])
        until(qt, judged(page))
    assert [maker.page.boxes[cell].text() for cell in (first, second)] == ["1", "2"]
    assert not maker.page.boxes[Cell("left", "bone", "click")].isEnabled()
    assert "no reference level" in maker.page.reasons.text()
    until(qt, ready(page), 120.0)
    click(maker.doing["begin"])
    plan = load_session_plan(Path(page.answer[1]))
    assert page.answer[0] == "session"
    assert [str(one) for one in plan.conditions] == [first.words, second.words]


def test_a_session_by_keys_from_the_grid(page: Any, qt: Spin, press: Press) -> None:
    maker = session_at_grid(page, qt, press)
    press(page, "Space")
    until(qt, judged(page))
    press(page, "Right", "Space")
    until(qt, judged(page))
    assert [cell.words for cell in maker.draft.grid] == ["right ear, click by air", "left ear, click by air"]
    press(page, "Left", "Space")
    until(qt, judged(page))
    assert [cell.words for cell in maker.draft.grid] == ["left ear, click by air"]
    until(qt, ready(page), 120.0)
    chord(page, "Return")
    assert page.answer[0] == "session"


# -- templates, folders, looks -------------------------------------------------------------------------------------------


def test_a_template_is_kept_and_opened_again(page: Any, qt: Spin, press: Press, lookout: Still) -> None:
    maker = open_new(page, qt, press)
    maker.edit(replace(maker.draft, minutes=2.5))
    until(qt, judged(page))
    maker.keep_template("short")
    assert "Kept as" in maker.message.text()
    maker.keep_template("short")
    maker.edit(replace(maker.draft, minutes=3.0))
    until(qt, judged(page))
    maker.keep_template("short")
    assert "already" in maker.message.text()
    press(page, "Esc")
    (button,) = page.home.files
    assert button.text() == "short"
    button.setFocus()
    press(page, "Enter")
    until(qt, judged(page))
    assert maker.draft.minutes == 2.5


def test_what_was_left_can_be_continued_until_another_is_begun(page: Any, qt: Spin, press: Press) -> None:
    assert not page.home.deeds["go_back"].isVisible()
    press(page, "c")
    assert page.sheets.currentWidget() is page.home, "nothing was left yet"
    maker = open_new(page, qt, press)
    maker.edit(replace(maker.draft, minutes=2.5))
    maker.go(4)
    press(page, "Esc")
    assert page.home.deeds["go_back"].title.text() == f"Continue: New recording, {maker.draft.code}"
    press(page, "Enter")  # it has the focus
    assert page.sheets.currentWidget() is maker
    assert (maker.draft.minutes, maker.at) == (2.5, 4)
    press(page, "Esc", "c")
    assert maker.draft.minutes == 2.5
    press(page, "Esc", "r")
    assert maker.draft.minutes != 2.5


def test_a_template_that_is_damaged_is_refused_in_words(page: Any, qt: Spin, lookout: Still) -> None:
    lookout.places.templates.mkdir(parents=True)
    (lookout.places.templates / "odd.toml").write_text("[stream]\nnam = 1\n", encoding="utf-8")
    page.show_home()
    click(page.home.files[0])
    assert page.sheets.currentWidget() is page.home
    assert "nam" in page.home.printed.toPlainText()


def test_a_folder_of_before_is_opened_by_choosing(page: Any, qt: Spin, press: Press, finished: dict[str, Path]) -> None:
    session = finished["present"].parent
    press(page, "o")
    page.opener.path.setText(str(session / "nowhere"))
    assert "no folder" in page.opener.said.text()
    assert not page.opener.start.isEnabled()
    page.opener.path.setText(str(finished["present"]))
    assert page.opener.command.text() == f"quietfloor replay {finished['present']}"
    page.opener.path.setText(str(session))
    click(page.opener.ways.buttons[f"replay {finished['absent']}"])
    chord(page, "Return")
    assert page.answer == ("replay", str(finished["absent"]))


def test_how_a_command_ended_is_said(application: object, qt: Spin, lookout: Still, tmp_path: Path) -> None:
    from quietfloor.monitor.display.start import StartWindow
    from quietfloor.monitor.display.start_home import Outcome

    for status, word, text in ((0, "Done", "kept in x"), (2, "It was refused", "why"), (3, "It stopped on a fault", "why")):
        outcome = Outcome(("run", "x.toml"), status, "kept in x\n", "" if status == 0 else "quietfloor: why\n")
        window = StartWindow(lookout, outcome, settings=tmp_path / "w.json")
        window.show()
        assert window.home.word.text().startswith(word)
        assert window.home.outcome.text() == "quietfloor run x.toml"
        assert text in window.home.printed.toPlainText()
        window.close()
        window.deleteLater()


@pytest.mark.parametrize("size", [(1280, 720), (1366, 768), (1920, 1080)])
@pytest.mark.parametrize("projector", [False, True])
def test_everything_fits_or_can_be_scrolled_to(size: tuple[int, int], projector: bool, page: Any, qt: Spin, press: Press) -> None:
    page.resize(*size)
    if projector:
        page.do("projector")
    maker = session_at_grid(page, qt, press)
    for _ in maker.steps:
        assert (page.width(), page.height()) == size
        assert maker.area.widget().width() <= maker.area.viewport().width()
        for button in maker.doing.values():
            assert button.isVisible()
            assert page.rect().contains(button.mapTo(page, button.rect().bottomRight()))
        press(page, "PgDown")


def test_theme_and_size_of_letters_are_kept_for_all_windows(page: Any, qt: Spin, tmp_path: Path) -> None:
    from quietfloor.monitor.display.window_settings import recall

    chord(page, "D")
    chord(page, "P")
    page.close()
    kept, _ = recall(tmp_path / "settings" / "window.json")
    assert (kept.theme, kept.projector) == ("dark", True)


def test_f1_lists_every_key(page: Any, press: Press) -> None:
    from quietfloor.monitor.display.start import KEYS

    press(page, "F1")
    text = page.box.text()
    assert all(what in text for _, _, what in KEYS)
    page.box.close()
