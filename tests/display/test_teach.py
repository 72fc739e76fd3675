"""The lesson in its window, by keyboard and by mouse: steps, conditions, votes, the answer, the weighted average, sheets, sizes,
pictures. Qt's warnings fail."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.bench.teach.choices import STOPS, Lesson, Track
from quietfloor.bench.teach.classroom import Classroom
from quietfloor.bench.teach.keys import ACTIONS, SLIDERS, STEPS, VOTE_KEYS
from quietfloor.bench.teach.minutes import HALF_HOUR
from quietfloor.bench.teach.minutes import press as press_room
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

    named = {"Space": Qt.Key.Key_Space, "Enter": Qt.Key.Key_Return, "F1": Qt.Key.Key_F1}

    def send(*keys: str, to: Any = None) -> None:
        if to is None and not window.isActiveWindow():
            window.activateWindow()  # as a window manager does when a sheet has closed
            qt(0.01)
        for key in keys:
            plain = key.removeprefix("Shift+")
            held = Qt.KeyboardModifier.NoModifier if plain == key else Qt.KeyboardModifier.ShiftModifier
            QTest.keyClick(to or window, named.get(plain, plain), held)
            qt(0.0)

    return send


@pytest.fixture
def click(qt: Spin, window: Any) -> Callable[[str], None]:
    """Presses the button of an action with the mouse, where it is on the screen."""
    from PyQt5.QtCore import Qt
    from PyQt5.QtTest import QTest

    def send(name: str) -> None:
        QTest.mouseClick(buttons_of(window)[name], Qt.MouseButton.LeftButton)
        qt(0.0)

    return send


def buttons_of(window: Any) -> dict[str, Any]:
    groups = (window.steps, window.deeds, window.conditions, window.vote)
    return {name: button for group in groups for name, button in group.buttons.items()}


def settled(window: Any) -> Callable[[], bool]:
    return lambda: not window.pending


def test_sweeps_come_exactly_as_asked_for(window: Any, qt: Spin, press: Any) -> None:
    assert window.sentence.word.text() == "No sweep yet"
    press("1")
    until(qt, settled(window))
    qt(0.05)
    assert window.room.sweeps == 1
    assert window.sentence.word.text() == "Is there a response? · 1 sweep"
    for total in (2, 4, 8, 16):
        press("Enter")
        until(qt, settled(window))
        assert window.room.sweeps == total
    press("1", "2", "4", "8", "6")
    until(qt, settled(window))
    assert window.room.sweeps == 16 + 31
    qt(0.1)
    assert "noise" in window.sentence.rest.text()
    assert window.sentence.mark.state == "waiting"
    press("r")
    qt(0.1)
    assert window.sentence.mark.state == "present"
    assert window.sentence.word.text() == "Truth: a response · 47 sweeps"
    assert not any(panel.failed for panel in window.panels)


def test_it_runs_slows_down_and_pauses(window: Any, qt: Spin, press: Any) -> None:
    press(".", ".", ".", ".", ".", "Space")
    qt(0.05)
    assert "as fast as it goes" in window.sentence.badge.text()
    until(qt, lambda: window.room.sweeps > 40)
    press("Space")
    here = window.room.sweeps
    qt(0.2)
    assert window.room.sweeps == here
    assert "PAUSED" in window.sentence.badge.text()
    assert window.steps.buttons["run"].text() == "Run [Space]"
    press(*"," * 20)
    assert window.pace == 1.0


def test_conditions_move_by_one_key_a_step_and_say_what_happens(window: Any, qt: Spin, press: Any) -> None:
    press("6", "6")
    until(qt, settled(window))
    press("m")
    assert window.room.lesson.conditions.mains_uv == 1.0
    assert "Hum 1 µV from sweep 33 on" in window.message.text()
    press("Shift+e")
    assert window.room.lesson.level_db_nhl == 50.0
    assert "new average" in window.message.text()
    assert window.room.sweeps == 0
    assert window.conditions.values["level_db_nhl"].text() == "50 dB nHL"
    press("z")
    assert not window.room.lesson.random_pause
    assert window.conditions.buttons["pause"].text() == "random pause OFF [Z]"
    press("o")
    assert window.room.lesson.ear == "deaf"
    window.conditions.sliders["rate_per_s"].setValue(5)  # by mouse
    assert window.room.lesson.rate_per_s == 50.0
    qt(0.1)
    assert "IN STEP" in window.sentence.particulars.text()
    assert "hum 1 µV" in window.sentence.particulars.text()
    before = window.room.averages
    press("0")
    assert window.room.lesson == Lesson(ear="deaf")  # the person stays
    assert window.room.averages == before + 1
    press("i", "6", "0")  # what does not change the response begins a new average too
    assert (window.room.sweeps, window.room.lesson) == (0, Lesson(ear="deaf"))


@pytest.mark.parametrize("by", ["key", "mouse"])
@pytest.mark.parametrize("name", list(STOPS))
def test_every_step_of_every_condition_has_one_key_and_one_button(
    window: Any, qt: Spin, press: Any, click: Any, name: str, by: str
) -> None:
    key = next(key for slider, _, key, _, _ in SLIDERS if slider == name)
    less, more = (press, press) if by == "key" else (click, click)
    words = (f"Shift+{key}", key) if by == "key" else (f"less_{name}", f"more_{name}")

    def value() -> float:
        return float(getattr(window.room.lesson, name, getattr(window.room.lesson.conditions, name, None)))

    for _ in STOPS[name]:
        less(words[0])
    assert value() == STOPS[name][0]
    for stop in STOPS[name][1:]:
        more(words[1])
        assert value() == stop
    more(words[1])
    assert value() == STOPS[name][-1]  # there is no step beyond the end
    less(words[0])
    assert value() == STOPS[name][-2]


def test_the_class_votes_by_key_and_by_mouse_in_large_figures(window: Any, qt: Spin, press: Any, click: Any) -> None:
    press("y")
    assert "present some sweeps first" in window.message.text()
    press("6")
    until(qt, settled(window))
    press(*"yyyxwwwww", "Shift+w")
    click("add_no")
    click("take_yes")
    qt(0.1)
    assert {choice: words.text() for choice, words in window.vote.counts.items()} == {"yes": "2", "no": "2", "wait": "4"}
    assert window.vote.aside.text() == "8 hands"
    assert window.vote.counts["yes"].font().pixelSize() >= 2.5 * window.vote.heading.font().pixelSize()
    press("6")
    until(qt, settled(window))
    qt(0.1)
    assert window.vote.counts["yes"].text() == "0"  # a round of its own
    assert window.vote.before.text() == "before (yes / no / wait): 16: 2 / 2 / 4"
    press("y", "r", "y")
    qt(0.1)
    assert window.ballot.at(32).yes == 1  # none after the answer
    assert "known already" in window.message.text()
    assert window.rules.cells[-1][1].text() == "● yes at 32"
    assert window.rules.cells[-1][2].text() == "right: there is a response"
    press("n")
    assert window.ballot.rounds == ()


def test_the_vote_comes_before_the_answer(window: Any, qt: Spin, press: Any) -> None:
    """Of a secret ear nothing is said, by words, colours, rules or curves, until it is revealed after a vote."""
    window.room.change(noise_uv=0.5)
    seen = set()
    for _ in range(4):  # of which two hear
        press("g", "5")
        until(qt, settled(window))
        qt(0.1)
        assert window.sentence.mark.state == "waiting"
        assert window.sentence.word.text() == "Is there a response? · 256 sweeps"
        assert "evidence" not in window.sentence.rest.text()
        assert window.sentence.particulars.text().startswith("a secret ear ·")
        assert window.average.overlays == []
        assert window.answers.currentWidget() is window.vote
        assert {cells[1].text() for cells in window.rules.cells} == {"R shows it"}
        press("r")
        assert not window.reveal
        assert "Nobody has voted yet" in window.message.text()
        press("w", "r")
        qt(0.1)
        assert window.reveal
        assert window.answers.currentWidget() is window.rules
        assert [overlay.label for overlay in window.average.overlays] == ["true response"]
        hears = window.room.hears
        assert window.sentence.word.text() == f"Truth: {'a' if hears else 'no'} response · 256 sweeps"
        assert f"a secret ear that {'hears' if hears else 'does not hear'}" in window.sentence.particulars.text()
        assert ("no response" in window.message.text()) != hears
        seen.add(hears)
    assert seen == {True, False}
    press("g", "1")
    until(qt, settled(window))
    press("r", "r")  # asked for twice it comes without a vote
    assert window.reveal
    press("r")
    assert not window.reveal


def test_what_jitter_leaves_is_drawn_beside_the_truth(window: Any, qt: Spin, press: Any) -> None:
    press("Shift+i", "Shift+i", "j", "j", "j", "j", "6")
    until(qt, settled(window))
    conditions = window.room.lesson.conditions
    assert (conditions.noise_uv, conditions.jitter_ms) == (0.5, 0.5)
    press("r")
    qt(0.1)
    assert [overlay.label for overlay in window.average.overlays] == ["true response", "as 0.5 ms of jitter leaves it"]


def drawn_part(qt: Spin, window: Any, curves: Any, solid: bool) -> float:
    """Part of the points of an average at which the picture has its line: of the average where it is ``solid``, else the edge of
    a hollow one, with the ground of the chart inside. Where it is comes from the numbers on the axes."""
    from PyQt5.QtGui import QColor

    chart, theme = window.average.chart, window.look.theme
    inks = {QColor(theme.average).rgb()} if solid else {QColor(theme.expected).rgb()}
    reach = 2 * window.look.line + 2

    def counted() -> tuple[int, int]:
        """Points of the line that were found, and that can be seen: beside what is not judged, and between legend and foot."""
        image, box, ratio = chart.grab().toImage(), chart.inside, chart.devicePixelRatioF()
        (first, last), (low, high) = chart.x_range, chart.y_range
        found = known = 0
        for ms, nv in zip(curves.times_ms.tolist(), curves.average_nv.tolist(), strict=True):
            x = box.left() + (ms - first) / (last - first) * box.width()
            y = box.bottom() - (nv - low) / (high - low) * box.height()
            if ms > 1.5 and box.top() + 40 < y < box.bottom() - 40:
                known += 1
                column = [image.pixel(int(x * ratio), int((y + by) * ratio)) for by in range(-reach, reach + 1)]
                found += bool(inks & set(column)) and (solid or QColor(theme.sheet).rgb() in column)
        return found, known

    until(qt, lambda: counted()[1] > 50)  # laid out, and with the scale of this average
    found, known = counted()
    return found / known


def test_the_weighted_average_is_drawn_beside_the_plain_one_with_the_noise_of_both(
    window: Any, qt: Spin, press: Any, click: Any
) -> None:
    window.resize(1500, 1000)  # a chart high enough for its points to be told apart
    press(*"vvv", *"66666")
    until(qt, settled(window))
    press("h")
    press("b")
    qt(0.1)
    room, average = window.room, window.average
    names = [entry.words for entry in average._entries()]
    assert names == [f"each alike: noise {room.noise_nv:,.0f} nV", f"weighted: noise {room.weighted.noise_nv:,.0f} nV"]
    both = average.grab().toImage()
    for curves, solid in ((room.curves(), True), (room.curves(weighted=True), False)):
        assert drawn_part(qt, window, curves, solid) > 0.8, "the weighted one lies over the plain one"
    press("b")
    qt(0.1)
    assert [entry.words for entry in average._entries()] == names[1:]
    sentence = window.sentence.rest.text()
    assert f"noise {room.noise_nv:,.0f} nV where each sweep counts alike" in sentence, "the number is not of the curve alone"
    assert "half" not in sentence, "the halves of the plain average are not shown"
    assert drawn_part(qt, window, room.curves(weighted=True), solid=False) > 0.9  # but where it is steep
    assert drawn_part(qt, window, room.curves(), solid=True) < 0.2, "the plain one is gone"
    click("weighted")
    qt(0.1)
    assert drawn_part(qt, window, room.curves(), solid=True) > 0.95
    assert drawn_part(qt, window, room.curves(weighted=True), solid=False) < 0.2
    assert average.halves
    assert average._entries()[0].words == "average ± noise band"
    assert average.grab().toImage() != both
    assert not average.failed
    assert not window.noise.failed


def test_false_alarms_are_counted_while_the_lesson_goes_on(window: Any, qt: Spin, press: Any) -> None:
    press("c")
    until(qt, lambda: window.counter.alarms.runs > 0)
    qt(0.1)
    assert window.deeds.buttons["count"].text() == "Stop [C]"
    assert "runs without a response, counting" in window.rules.aside.text()
    assert window.answers.currentWidget() is window.rules
    assert window.rules.cells[0][1].text() == "R shows it"  # the answer of this run stays hidden
    assert window.rules.cells[0][2].text().isdigit()
    assert window.rules.cells[0][2].font().pixelSize() > window.rules.cells[0][0].font().pixelSize()
    assert "%" in window.rules.cells[0][3].text()
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


def test_the_axis_of_the_noise_does_not_tell_what_is_really_left_before_it_is_revealed(window: Any, qt: Spin) -> None:
    sweeps, hidden = np.arange(1.0, 300.0), set()
    for real_nv, weighted_real_nv in ((9000.0, 3.0), (2.0, 20_000.0)):
        spread_nv = 2000.0 / np.sqrt(sweeps)
        track = Track(sweeps, spread_nv, np.full_like(sweeps, real_nv), spread_nv, np.full_like(sweeps, weighted_real_nv))
        panel, ranges = window.noise, []
        for reveal in (False, True, False):
            panel.show_noise(track, [], reveal, weighted=True)
            qt(0.05)
            low, high = panel.chart.y_range
            ranges.append((round(10**low, 6), round(10**high, 6)))
        hidden |= {ranges[0], ranges[2]}
        assert ranges[1][0] < 0.8 * min(real_nv, weighted_real_nv)
        assert ranges[1][1] > max(real_nv, weighted_real_nv)
    assert len(hidden) == 1, "as the spread alone asks"


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


def test_every_action_but_closing_has_its_button_which_names_the_key(window: Any, qt: Spin) -> None:
    buttons = buttons_of(window)
    assert set(buttons) == {action.name for action in ACTIONS if action.name != "quit"}
    for action in ACTIONS:
        if action.name != "quit":
            key = action.keys[0].replace("Shift+", "Shift ").replace("Return", "Enter")
            assert buttons[action.name].text().endswith(f"[{key}]"), action.name
            assert buttons[action.name].accessibleName() == action.text
    assert set(VOTE_KEYS.values()) <= {key for action in ACTIONS for key in action.keys}


def test_everything_explains_itself(window: Any) -> None:
    for panel in window.panels:
        assert panel.heading.toolTip(), panel.name
    assert all(button.toolTip() for button in buttons_of(window).values())
    sliders = window.conditions.sliders
    assert all(slider.toolTip() and slider.accessibleName() for slider in sliders.values())
    assert list(sliders) == [name for name, *_ in SLIDERS]
    assert all(cell.toolTip() for row in window.rules.cells for cell in row[:2])


SIZES = ((800, 560), (1000, 620), (1280, 680), (1280, 720), (1366, 728), (1920, 1080), (2560, 1440))


def check_layout(window: Any, width: int, height: int) -> None:
    """Nothing is cut off: every button is inside with its whole text, panels do not overlap, the noise has axes with numbers."""
    from PyQt5.QtCore import QPoint, QRect
    from PyQt5.QtGui import QFontMetrics

    assert (window.width(), window.height()) == (width, height)
    whole = window.rect()
    for name, button in buttons_of(window).items():
        if not button.isVisible():
            continue
        place = QRect(button.mapTo(window, QPoint(0, 0)), button.size())
        assert whole.contains(place), (name, place)
        metrics = QFontMetrics(button.font())
        assert metrics.horizontalAdvance(button.text()) <= button.width(), name
        assert metrics.height() <= button.height() + 1, name
    shown = [panel for panel in window.panels if panel.isVisible()]
    places = [QRect(panel.mapTo(window, QPoint(0, 0)), panel.size()) for panel in shown]
    for one, place in enumerate(places):
        assert whole.contains(place), shown[one].name
        assert not any(place.intersects(other) for other in places[one + 1 :]), shown[one].name
    for words in window.vote.counts.values():
        assert not words.isVisible() or words.width() >= words.sizeHint().width()
    assert window.average.body.height() > 150
    chart = window.noise.chart
    assert chart.inside.height() > 70, chart.inside
    for side, title in (("left", "noise, nV"), ("bottom", "sweeps presented")):
        axis = chart.getPlotItem().getAxis(side)
        assert axis.isVisible()
        assert axis.label.isVisible()
        assert title in axis.labelText
        length = chart.inside.height() if side == "left" else chart.inside.width()
        first, last = chart.y_range if side == "left" else chart.x_range
        ((_, ticks),) = axis.tickValues(first, last, length)
        assert len(ticks) >= 2, side
        for text in axis.tickStrings(ticks, 1.0, 1.0):
            assert text.replace(",", "").rstrip("0") in ("1", "15", "2", "3", "5", "7"), text


@pytest.mark.parametrize(
    "size",
    [SIZES[0], *(pytest.param(size, marks=pytest.mark.long) for size in SIZES[1:-1]), SIZES[-1]],
    ids=lambda size: f"{size[0]}x{size[1]}",
)
def test_it_fits_small_and_large_light_and_dark(window: Any, qt: Spin, press: Any, size: tuple[int, int]) -> None:
    window.resize(*size)
    qt(0.1)
    check_layout(window, *size)  # before the first sweep
    window.room.step(1024)
    qt(0.05)
    check_layout(window, *size)
    press("u")
    for keys in ("d", "p", "d", "p", "r", "d", "p", "d", "p", "b"):
        press(keys)
        qt(0.05)
        check_layout(window, *size)


def test_its_smallest_size_is_no_smaller_than_what_is_in_it(window: Any, qt: Spin, press: Any) -> None:
    from quietfloor.bench.teach.window import LEAST

    window.resize(*LEAST)
    for keys in ("p", "p"):
        press(keys)
        qt(0.05)
        needed = window.centralWidget().layout().minimumSize()
        assert needed.width() <= LEAST[0]
        assert needed.height() <= LEAST[1]


def test_it_opens_no_larger_than_the_free_part_of_its_screen() -> None:
    from quietfloor.bench.teach.window import LEAST, TITLE, USUAL, fitting, larger

    assert fitting((1920, 1080)) == USUAL
    assert fitting((1280, 720)) == (1280, 720 - TITLE)
    assert fitting((1366, 728)) == (1280, 728 - TITLE)
    assert larger(*USUAL) == 1.0
    assert larger(*LEAST) == 0.8
    assert larger(1920, 1080) == 1.3
    assert LEAST[0] <= 1024
    assert LEAST[1] <= 768 - TITLE


def test_it_is_kept_as_a_picture(window: Any, qt: Spin, press: Any, tmp_path: Path) -> None:
    folder = keep_screens() or tmp_path
    folder.mkdir(parents=True, exist_ok=True)
    press("5")
    until(qt, settled(window))
    press("r", "u")
    window.resize(1280, 720)
    qt(0.2)
    assert window.grab().save(str(folder / "teach.png"))
    assert (folder / "teach.png").stat().st_size > 20_000


def test_the_half_hour_in_the_window_is_the_one_that_the_sheet_was_computed_with(window: Any, qt: Spin) -> None:
    """Key by key, with one sweep where the lesson has many."""
    room = Classroom(seed=1)
    for action in (action for part in HALF_HOUR for action in part.actions):
        action = "step_1" if action in ("double", "step_256") else action
        window.do(action)
        if window.pending:
            until(qt, settled(window))
        press_room(room, action)
        assert (window.room.lesson, window.room.averages, window.room.sweeps) == (room.lesson, room.averages, room.sweeps), action
        assert window.room.hears == room.hears
    assert window.counter.on
    assert window.average.shown == "plain"
    assert not any(panel.failed for panel in window.panels)


def test_a_lesson_ends_after_very_many_sweeps(window: Any, qt: Spin, monkeypatch: pytest.MonkeyPatch) -> None:
    import quietfloor.bench.teach.window

    monkeypatch.setattr(quietfloor.bench.teach.window, "MOST_SWEEPS", 24)
    window.pending = 100
    until(qt, settled(window))
    assert window.room.sweeps == 24
    assert "enough for a lesson" in window.message.text()


def check_names(chart: Any) -> None:
    """No name covers a curve or another name."""
    for number, (words, box) in enumerate(chart.labels):
        assert not any(curve.crosses(box) for curve in chart.curves), words
        assert not any(box.overlaps(other) for _, other in chart.labels[number + 1 :]), words


@pytest.mark.parametrize("size", [(800, 560), (1280, 720), (1920, 1080)], ids=lambda size: f"{size[0]}x{size[1]}")
def test_names_in_the_charts_cover_no_curve(window: Any, qt: Spin, press: Any, size: tuple[int, int]) -> None:
    """Averages beside each other, changes while it goes on, and the answer: "each alike" lay on its own line."""
    names = lambda: [words for words, _ in window.noise.chart.labels]  # noqa: E731
    window.resize(*size)
    press(*"vvvb")
    window.room.step(512)
    for keys in ("b", "b", "r", "b"):
        press(keys)
        until(qt, lambda: any("each alike" in words for words in names()) == (window.average.shown != "plain"))
        until(qt, lambda: ("■ really left" in names()) == window.reveal)
        for chart in (window.noise.chart, window.average.chart):
            check_names(chart)
    press("n", *"000")
    for step, key in ((16, "m"), (30, "i"), (200, "j"), (100, "v"), (150, "u")):
        window.room.step(step)
        press(key)
    press("m")
    window.room.step(500)
    until(qt, lambda: any("hum 2 µV" in words for words in names()))  # the newest change is named, with another at its sweep
    press("r")
    until(qt, lambda: "■ really left" in names())
    check_names(window.noise.chart)
    check_names(window.average.chart)
    assert "movements 3 per minute" in names()


def test_nothing_strikes_through_not_judged_and_no_line_touches_its_name(window: Any, qt: Spin, press: Any) -> None:
    from PyQt5.QtGui import QColor

    press(*"vvvb")
    window.room.step(256)
    qt(0.1)
    chart, theme = window.average.chart, window.look.theme
    image, ratio = chart.grab().toImage(), chart.devicePixelRatioF()

    def inks(left: float, right: float, top: float, bottom: float) -> set[int]:
        xs, ys = range(int(left * ratio), int(right * ratio)), range(int(top * ratio), int(bottom * ratio))
        return {image.pixel(x, y) for x in xs for y in ys}

    boxes = dict(chart.labels)
    box, zero = boxes["not judged"], chart.inside.left() + chart.inside.width() * 2 / 22
    assert box.left < zero < box.right
    assert QColor(theme.axis).rgb() not in inks(zero - 1, zero + 2, box.top + 1, box.bottom)
    assert QColor(theme.axis).rgb() in inks(zero - 1, zero + 2, box.bottom, chart.inside.bottom())
    for words, ink in (("each alike", theme.average), ("weighted", theme.expected)):
        (box,) = (place for name, place in chart.labels if name.startswith(words))
        letters = window.look.px(1.0)
        assert QColor(ink).rgb() not in inks(box.left - 0.35 * letters, box.left, box.top, box.bottom), words
        assert QColor(ink).rgb() in inks(box.left - 2 * letters, box.left - 0.35 * letters, box.top, box.bottom), words


@pytest.mark.parametrize("keys", ["", "p"], ids=["large letters", "small letters"])
def test_the_least_window_keeps_a_readable_average(window: Any, qt: Spin, press: Any, keys: str) -> None:
    """The chart was 52 pixels high, and its axis went to 130,000 nV: names had taken the place of the curves."""
    from PyQt5.QtGui import QFontMetrics

    from quietfloor.bench.teach.window import LEAST

    window.resize(*LEAST)
    press(*keys)
    window.room.step(1)
    for more, deed in ((0, ""), (63, "y"), (960, "r")):
        window.room.step(more)
        press(*deed)
        qt(0.1)
        chart, curves = window.average.chart, window.average.curves
        low, high = chart.y_range
        judged = curves.average_nv[curves.times_ms > 1.0]
        assert chart.inside.height() > 130, chart.inside
        assert (judged.max() - judged.min()) / (high - low) > 0.2
        assert {words.partition(" ±")[0] for words, _ in chart.labels} >= {"average"}, "the thick line is named"
    for words in (*(cells[0] for cells in window.rules.cells), *(cells[1] for cells in window.rules.cells)):
        assert words.width() >= QFontMetrics(words.font()).horizontalAdvance(words.text()), words.text()
    for value in window.conditions.values.values():
        assert value.width() >= QFontMetrics(value.font()).horizontalAdvance(value.text()), value.text()


def test_the_legend_names_what_is_drawn(window: Any, qt: Spin, press: Any) -> None:
    """One sweep has neither a band nor an even half; the plus-minus average is as thick as the average."""
    names = lambda: [entry.words for entry in window.average._entries()]  # noqa: E731
    window.room.step(1)
    qt(0.1)
    assert names() == ["average"]
    window.room.step(1)
    qt(0.1)
    assert names() == ["average ± noise band", "odd half", "even half"]
    press("u")
    qt(0.1)
    assert names()[-1] == "plus-minus"
    assert window.average._entries()[-1].width == window.look.line


def test_hands_that_are_counted_behind_the_false_alarms_are_said(window: Any, qt: Spin, press: Any) -> None:
    window.room.step(16)
    press("c", "y", "y", "x")
    try:
        assert window.message.text().startswith("Votes: 2 yes, 1 no, 0 wait;")
    finally:
        press("c")


@pytest.mark.parametrize("size", [(800, 560), (1280, 720), (1920, 1080)], ids=lambda size: f"{size[0]}x{size[1]}")
def test_sheets_are_as_wide_as_their_text(window: Any, qt: Spin, press: Any, size: tuple[int, int]) -> None:
    """Nobody scrolls sideways; a table may be one pixel too wide, by rounding."""
    from PyQt5.QtWidgets import QTextBrowser

    window.resize(*size)
    qt(0.05)
    for key in ("l", "F1"):
        press(key)
        qt(0.05)
        browser = window.sheet.findChild(QTextBrowser)
        assert browser.document().size().width() <= browser.viewport().width() + 1
        assert not browser.horizontalScrollBar().isVisible()
        window.sheet.reject()
