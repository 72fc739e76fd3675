"""Single panels and lines at sizes that are too small for all of their words: nothing overlaps, and what counts is still said."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.display.actions import Stage
from quietfloor.monitor.display.ladder import Ladder, Level, Replicate, Rung, Series
from quietfloor.monitor.display.theme import DARK, LIGHT, Look
from quietfloor.monitor.display.views import STATES, Headline, Scroll
from quietfloor.monitor.session.conditions import UNKNOWN
from quietfloor.stimuli.levels import NHL

Spin = Callable[[float], None]
LOOKS = [Look(LIGHT), Look(DARK), Look(LIGHT, projector=True)]
VERDICTS = ("response_present", "response_absent", "inconclusive")


@pytest.fixture
def panel_of(qt: Spin) -> Any:
    """Makes a widget of a size, and removes it."""
    made: list[Any] = []

    def make(widget: Any, look: Look, width: int, height: int) -> Any:
        widget.restyle(look)
        widget.resize(width, height)
        widget.show()
        qt(0.02)
        made.append(widget)
        return widget

    yield make
    for widget in made:
        widget.hide()
        widget.deleteLater()


def ladder(levels: int, running: int) -> Ladder:
    """Levels from the loudest down with one to six runs each."""
    rungs = []
    for row in range(levels):
        runs = tuple(Replicate(Path(f"run-{row}{n}"), VERDICTS[(row + n) % 3], "x", 640, 30.0) for n in range(1 + row % 6))
        rungs.append(Rung(Level(True, NHL, 90.0 - 5 * row), runs, row == running))
    return Ladder(Series("right", "air", "click"), tuple(rungs), present=rungs[running].level)


def drawn(widget: Any) -> tuple[list[tuple[Any, str]], int]:
    """Texts that the rungs draw, each in its place, and how many marks."""
    from PyQt5.QtCore import QRectF
    from PyQt5.QtGui import QImage, QPainter

    texts: list[tuple[Any, str]] = []

    class Listening(QPainter):
        def drawText(self, *what: Any) -> Any:
            place, flags, words = what
            if words:
                texts.append((self.boundingRect(QRectF(place), int(flags), words), words))
            return super().drawText(*what)

    picture = QImage(widget.size(), QImage.Format.Format_ARGB32)
    painter = Listening(picture)
    widget._draw(painter)
    painter.end()
    return texts, len(widget._places)


@pytest.mark.parametrize("look", LOOKS, ids=["light", "dark", "projector"])
@pytest.mark.parametrize("size", [(290, 175), (430, 130), (185, 100), (320, 400)], ids=str)
@pytest.mark.parametrize("running", [0, 5, 10])
def test_rungs_never_overlap_and_the_level_that_runs_says_so(
    panel_of: Callable[..., Any], look: Look, size: tuple[int, int], running: int
) -> None:
    from PyQt5.QtCore import QRectF

    from quietfloor.monitor.display.panel_ladder import LadderPanel

    panel = panel_of(LadderPanel(), look, size[0], size[1] + look.px(3))
    panel.show_ladder(ladder(11, running))
    rungs = panel.rungs
    texts, shown = drawn(rungs)
    assert rungs.chosen == running
    assert running in rungs._places
    for place, words in texts:
        assert QRectF(rungs.rect()).contains(place), words
    for number, (one, words) in enumerate(texts):
        for other, _ in texts[number + 1 :]:
            assert not one.intersects(other), words
    said = [words for _, words in texts]
    levels = [words for words in said if words.endswith("dB nHL")]
    assert len(levels) == shown
    hidden = sum(int(part.split()[1]) for part in next((s for s in said if s[:1] in "▴▾"), "").split(" · ") if part)
    assert hidden == 11 - shown
    if size[0] > 200 and size[0] / look.px() > 20:
        assert any(words.startswith("running") for words in said)


def test_a_ladder_is_moved_by_keys_and_by_the_wheel(panel_of: Callable[..., Any], qt: Spin) -> None:
    from PyQt5.QtCore import QPoint, QPointF, Qt
    from PyQt5.QtGui import QWheelEvent
    from PyQt5.QtWidgets import QApplication

    from quietfloor.monitor.display.panel_ladder import LadderPanel

    panel = panel_of(LadderPanel(), LOOKS[2], 430, 180)
    panel.show_ladder(ladder(11, 5))
    rungs, buttons = panel.rungs, Qt.MouseButtons()
    for step, chosen in ((120, 4), (120, 3), (-120, 4)):
        at = QPointF(20, 20)
        event = QWheelEvent(
            at, at, QPoint(), QPoint(0, step), buttons, Qt.KeyboardModifiers(), Qt.ScrollPhase.NoScrollPhase, False
        )
        QApplication.sendEvent(rungs, event)
        assert rungs.chosen == chosen
    for chosen in (10, 0):
        rungs.choose(20 if chosen else -20)
        drawn(rungs)
        assert chosen in rungs._places
        asked: list[Rung] = []
        rungs.asked.connect(asked.append)
        from PyQt5.QtTest import QTest

        QTest.mouseClick(rungs, Qt.MouseButton.LeftButton, pos=rungs._places[chosen].center().toPoint())
        assert asked[-1] is rungs.ladder.rungs[chosen], "a click meets the rung that is there"


@pytest.mark.parametrize("look", LOOKS, ids=["light", "dark", "projector"])
def test_the_verdict_is_never_cut(panel_of: Callable[..., Any], qt: Spin, look: Look) -> None:
    from PyQt5.QtGui import QFontMetrics

    from quietfloor.monitor.display.sentence_bar import SentenceBar

    bar = SentenceBar()
    bar.badge.say("VIEW PAUSED, recording goes on")
    bar.clock.say("12:34")
    for width in (900, 1280):
        panel_of(bar, look, width, 130)
        heights = set()
        for word in ("Undecided", "No response at this noise floor", "Response present", "Inconclusive"):
            bar.show_headline(Headline("absent", word, "none larger than 71 nV", "x", heard="right ear, 30 dB nHL", ear="right"))
            qt(0.02)
            metrics = QFontMetrics(bar.word.font())
            assert metrics.horizontalAdvance(word) <= bar.word.width(), (width, word)
            assert bar.word.font().pixelSize() >= look.px(1.2)
            assert bar.word.font().bold()
            heights.add(bar.word.height())
        assert len(heights) == 1, "nothing moves when the word is longer"


@pytest.mark.parametrize("look", LOOKS, ids=["light", "dark", "projector"])
@pytest.mark.parametrize("stage", ["run", "search", "replay"])
def test_the_timeline_keeps_its_room_and_no_button_is_cut(
    panel_of: Callable[..., Any], qt: Spin, look: Look, stage: Stage
) -> None:
    from PyQt5.QtGui import QFontMetrics

    from quietfloor.monitor.display.bar import PASSING, Bar
    from quietfloor.monitor.display.styling import apply_theme

    bar = Bar()
    bar.fit(stage)
    bar.times.say("2:34 / 3:45")
    apply_theme(bar, look, (0.35, 0.7), look.theme.ink)
    panel_of(bar, look, 884, 80)
    for passing in (False, True, False):
        bar.enable(lambda name, passing=passing: passing or name not in PASSING)  # type: ignore[misc]
        qt(0.05)
        assert bar.width() == 884
        assert all(bar.buttons[name].isHidden() != passing for name in PASSING if name in bar.buttons)
        for button in bar.buttons.values():
            if button.isVisible():
                assert QFontMetrics(button.font()).horizontalAdvance(button.text()) <= button.width(), button.text()
        assert bar.times.width() >= bar.times.sizeHint().width()
        if not (stage == "search" and look.projector):  # whose orders take all the room; nothing is looked back at there
            assert bar.timeline.width() >= 30, (stage, passing)
    bar.resize(1600, 80)
    qt(0.02)
    assert bar.buttons["keys"].text() == ("Keys" if look.projector else "Keys [F1]")
    bar.rename("pause", "Follow")
    if "pause" in bar.buttons:
        assert bar.buttons["pause"].text().startswith("Follow")


def test_a_tip_is_of_the_newest_text_or_of_what_was_given_for_it(qt: Spin) -> None:
    """Qt asks for it by an event; the text of some lines changes in every frame."""
    from PyQt5.QtCore import QEvent, QPoint
    from PyQt5.QtGui import QHelpEvent
    from PyQt5.QtWidgets import QApplication, QWidget

    from quietfloor.monitor.display.panel import Words

    words = Words("", "About this.")

    def shown() -> str:
        QApplication.sendEvent(words, QHelpEvent(QEvent.Type.ToolTip, QPoint(1, 1), QPoint(1, 1)))
        return QWidget.toolTip(words)  # the one that Qt has

    assert shown() == "<qt><p>About this.</p></qt>"
    words.say("evidence 1.2 of 2.0")
    assert "<b>evidence</b>" in shown()
    words.say("noise 31 nV")
    assert "<b>evidence</b>" not in words.toolTip()
    assert "<b>residual noise</b>" in words.toolTip() == shown()
    words.setToolTip("all messages")
    words.say("noise 31 nV")
    assert shown() == "all messages"
    words.say("noise 30 nV")
    assert "<b>residual noise</b>" in shown()
    words.deleteLater()


def scroll(behind_ms: float) -> Scroll:
    ends = np.zeros((1, 50), dtype=np.float32)
    return Scroll(
        np.linspace(-8, 0, 50), ends - 1, ends + 1, np.zeros(0), (), behind_ms, ("Cz",), 10.0, (8.0,), (100.0, 1500.0), 98.0
    )  # fmt: skip


def test_the_right_edge_of_the_signal_is_now_only_while_the_run_is_on(panel_of: Callable[..., Any]) -> None:
    from quietfloor.monitor.display.panel_eeg import EegPanel

    panel = panel_of(EegPanel(), LOOKS[0], 500, 200)
    for behind_ms, live, edge, aside in (
        (4.0, True, "now", "100 to 1500 Hz · processing lag 4 ms"),
        (math.nan, True, "the end", "100 to 1500 Hz"),
        (math.nan, False, "1:38", "100 to 1500 Hz"),
    ):
        panel.show_scroll(scroll(behind_ms), live)
        assert panel.chart._labels["bottom"] == f"seconds before {edge}"
        assert panel.aside.text() == f"±10 µV · {aside}"
    panel.make_taller(0.5)
    assert panel.aside.text().startswith("±20 µV · ")


@pytest.mark.parametrize("points", ["with a click", "tones alone"])
def test_frequencies_of_the_audiogram_stand_apart_and_evenly_at_every_size(points: str, qt: Spin) -> None:
    from PyQt5.QtCore import QRectF
    from PyQt5.QtGui import QFont, QFontMetricsF

    from quietfloor.monitor.display.audiogram_view import AudiogramView
    from quietfloor.monitor.display.session_sight import Point

    sounds: list[float | None] = [None, 2000.0] if points == "with a click" else [2000.0]
    shown = [Point("right", "air", hz, 20.0, 15.0, 25.0, "threshold") for hz in sounds]
    for look, wide in itertools.product(LOOKS, (160, 200, 260, 400, 700)):
        view = AudiogramView(shown, "dB nHL", look, QRectF(0, 0, wide, wide), "click")
        font = QFont()
        font.setPixelSize(look.px(0.85))
        names = sorted(view.names(QFontMetricsF(font)))
        assert all(one[0] + one[1] < other[0] for one, other in itertools.pairwise(names)), (look, wide)
        octaves = ["125", "250", "500", "1k", "2k", "4k", "8k"]
        at = [octaves.index(words) for *_, words in names if words in octaves]
        assert len({after - before for before, after in itertools.pairwise(at)}) == 1, "all, or every second, or every third"
        assert len(at) == 7 or wide < 400
        left, wide_px, words = names[-1]
        assert left + wide_px <= view.chart.right() + 0.5 * wide_px
        if points == "with a click" and wide >= 160:
            assert words == "click"


@pytest.mark.parametrize("look", LOOKS, ids=["light", "dark", "projector"])
@pytest.mark.parametrize("size", [(290, 120), (440, 190), (560, 300)], ids=str)
def test_why_a_chart_is_empty_never_stands_on_what_it_will_show(
    panel_of: Callable[..., Any], look: Look, size: tuple[int, int]
) -> None:
    from PyQt5.QtGui import QImage, QPainter

    from quietfloor.monitor.display.canvas import Canvas
    from quietfloor.monitor.display.panel_noise import NoisePanel

    panel = panel_of(NoisePanel(), look, *size)
    places: list[Any] = []

    class Noting(Canvas):
        def text(self, *what: Any, **how: Any) -> Any:
            places.append(super().text(*what, **how))
            return places[-1]

    picture = QImage(panel.chart.size(), QImage.Format.Format_ARGB32)
    painter = QPainter(picture)
    panel.draw(Noting(painter, panel.chart.inside, panel.chart, look))
    painter.end()
    assert len(places) in (1, 2)
    assert all(panel.chart.inside.contains(place) for place in places)
    assert len(places) == 1 or not places[0].intersects(places[1])
    assert len(places) == 2 or size[1] < 300


def test_the_mark_of_each_state_has_a_shape_of_its_own(qt: Spin) -> None:
    """In one colour, so that it is told by its shape alone."""
    from PyQt5.QtCore import QPointF
    from PyQt5.QtGui import QColor, QImage, QPainter

    from quietfloor.monitor.display.marks import draw_mark

    side, shapes = 24, {}
    for state in STATES:
        picture = QImage(side, side, QImage.Format.Format_Grayscale8)
        picture.fill(QColor("white"))
        painter = QPainter(picture)
        draw_mark(painter, QPointF(side / 2, side / 2), 0.9 * side, state, "#000000", "#ffffff")
        painter.end()
        bits = picture.constBits()
        assert bits is not None
        bits.setsize(picture.byteCount())
        shapes[state] = np.frombuffer(bits.asstring(), dtype=np.uint8).reshape(side, -1)[:, :side].astype(float)
    for one, other in itertools.combinations(STATES, 2):
        assert np.mean(np.abs(shapes[one] - shapes[other]) > 64) > 0.1, f"{one} and {other}"


@pytest.mark.parametrize("look", LOOKS, ids=["light", "dark", "projector"])
@pytest.mark.parametrize("size", [(290, 120), (430, 185), (560, 300)], ids=str)
def test_no_label_of_an_axis_is_cut(panel_of: Callable[..., Any], qt: Spin, look: Look, size: tuple[int, int]) -> None:
    """Either all of a label is to be seen, or a shorter one that makes sense."""
    from PyQt5.QtCore import QRectF

    from quietfloor.monitor.display.charts import shorter
    from quietfloor.monitor.display.panel_noise import NoisePanel
    from quietfloor.monitor.display.panel_plane import PlanePanel

    for panel in (PlanePanel(), NoisePanel()):
        panel_of(panel, look, *size)
        panel.fill(True)
        qt(0.05)
        for side, axis in panel.chart._axes.items():
            words = axis.labelText
            assert words in (*shorter(panel.chart._labels[side]), "")
            seen = axis.label.mapRectToScene(axis.label.boundingRect())
            assert not words or QRectF(panel.chart.rect()).adjusted(-6, -6, 6, 6).contains(seen), (side, words)


@pytest.mark.parametrize("wide", [185, 260, 430])
def test_a_rung_leaves_no_kind_of_result_out(qt: Spin, wide: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest of many runs had the only response, and of one it is not known whose it is."""
    from quietfloor.monitor.display import panel_ladder

    verdicts = [("response_absent", "noise_floor")] * 6 + [("inconclusive", "operator"), ("response_present", "response")]
    runs = [Replicate(Path(f"run-{number:03}"), *verdict, 640, 30.0) for number, verdict in enumerate(verdicts)]
    runs.insert(3, Replicate(Path("run-009"), "response_present", "response", 640, 30.0, whose=UNKNOWN))
    rung = Rung(Level(True, "dB nHL", 90.0), tuple(runs), running=True)
    widget = panel_ladder.Rungs()
    widget.resize(wide, 100)
    widget.show_ladder(Ladder(Series("right", "air", "click"), (rung,), present=rung.level))
    widget.show_now("present")
    painted: list[str] = []
    monkeypatch.setattr(panel_ladder, "draw_mark", lambda *what: painted.append(what[3]))
    texts, _ = drawn(widget)
    assert set(painted) == {"present", "absent", "present?", "stopped"} if wide > 185 else painted[0] == "present"
    words = [words for _, words in texts]
    assert {"2×", "6×"} <= set(words) or wide < 430
    for number, (one, said) in enumerate(texts):
        for other, _ in texts[number + 1 :]:
            assert not one.intersects(other), said


def test_where_there_is_no_room_for_the_result_the_doubt_is_still_said(qt: Spin, monkeypatch: pytest.MonkeyPatch) -> None:
    from quietfloor.monitor.display import panel_ladder
    from quietfloor.monitor.display.panel_ladder import Rungs

    doubted = Replicate(Path("run-001"), "response_present", "response", 640, 30.0, whose=UNKNOWN)
    rungs = (Rung(Level(True, "dB nHL", 90.0), (doubted, doubted, doubted)),)
    painted: list[str] = []
    monkeypatch.setattr(panel_ladder, "draw_mark", lambda *what: painted.append(what[3]))
    widget = Rungs()
    widget.resize(185, 100)
    widget.show_ladder(Ladder(Series("right", "air", "click"), rungs, present=rungs[0].level))
    texts, _ = drawn(widget)
    assert painted == ["present?"]
    assert any(words == "3×" for _, words in texts)
