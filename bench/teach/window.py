"""The window of a lesson: the classroom does the work between two frames, this shows it and passes keys on."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from PyQt5.QtCore import Qt, QTimer
from PyQt5.QtGui import QCloseEvent, QGuiApplication, QKeySequence, QResizeEvent
from PyQt5.QtWidgets import QAction, QHBoxLayout, QMainWindow, QStackedWidget, QVBoxLayout, QWidget

from quietfloor.bench.teach.alarms import AlarmCounter
from quietfloor.bench.teach.answers import RulesPanel, VotePanel
from quietfloor.bench.teach.classroom import MOST_SWEEPS, Classroom
from quietfloor.bench.teach.controls import Buttons, Conditions
from quietfloor.bench.teach.keys import ACTIONS, HANDS, PACES, SLIDER_STEPS, STEPS
from quietfloor.bench.teach.panels import SHOWN, LessonAveragePanel, LessonNoisePanel
from quietfloor.bench.teach.sheets import LESSON, Sheet, keys_text
from quietfloor.bench.teach.vote import Ballot, Choice
from quietfloor.bench.teach.words import WELCOME, answer, badge, headline
from quietfloor.monitor.display.ladder import Overlay
from quietfloor.monitor.display.panel import Panel, Words, colour
from quietfloor.monitor.display.scales import clock
from quietfloor.monitor.display.screen import unseen
from quietfloor.monitor.display.sentence_bar import SentenceBar
from quietfloor.monitor.display.styling import apply_theme
from quietfloor.monitor.display.theme import DARK, LIGHT, Look

FRAME_MS = 33
WORK_S, ASKED_S = 0.022, 0.08  # of each frame for sweeps, while it runs, and where a number of them was asked for
USUAL, LEAST = (1280, 720), (800, 560)
TITLE = 40  # pixels that a title bar takes
GROWTH = 0.6  # own choice
TOP = ("step_1", "step_2", "step_4", "step_8", "step_16", "step_256", "double", "run", "slower", "faster", "again")
BELOW = (
    "secret", "reveal", "count", "weighted", "halves", "plus_minus", "lesson", "keys", "theme", "projector", "full_screen",
)  # fmt: skip
SHOWN_SAYS = {
    "plain": "Every sweep counts alike",
    "both": "The weighted average (hollow line) beside the one in which every sweep counts alike",
    "weighted": "The weighted average alone, with its own scale",
}


def fitting(free: tuple[int, int]) -> tuple[int, int]:
    """Size of the window on a screen with so much free room, width and height in pixels: the usual one if it fits."""
    return min(USUAL[0], free[0]), min(USUAL[1], free[1] - TITLE)


def larger(width: int, height: int) -> float:
    """Factor of letters and lines in a window that is not as large as usual: they grow and shrink with it, but not as fast as the
    curves."""
    ratio = min(width / USUAL[0], height / USUAL[1])
    return round(1.0 + GROWTH * (ratio - 1.0), 1)


class TeachWindow(QMainWindow):
    """`room` may be stepped from outside too; `on_close` is called once.

    Until `reveal` nothing in the window says whether there is a response: no verdict, no rule, no truth.
    """

    def __init__(self, room: Classroom, on_close: Callable[[], None] = lambda: None) -> None:
        super().__init__()
        self.room, self.counter = room, AlarmCounter(room.seed)
        self.look = Look(LIGHT, projector=True)
        self.running, self.pace, self.reveal = False, 4.0, False
        self.ballot = Ballot()
        self.pending = 0  # sweeps asked for and not presented yet
        self._credit, self._ticked_s = 0.0, time.monotonic()
        self._warned = False  # that nobody has voted
        self._shown: object = None
        self._on_close = on_close
        self.sheet: Sheet | None = None
        self._build()
        self._deeds = self._make_deeds()
        self._make_actions()
        self.restyle(self.look)
        self.setWindowTitle("quietfloor: a lesson")
        self._fit()
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.tick)
        self._timer.start(FRAME_MS)

    # -- how it is made -----------------------------------------------------------------------------------------------

    def _build(self) -> None:
        self.sentence, self.message = SentenceBar(), Words(WELCOME)
        self.average, self.noise = LessonAveragePanel(), LessonNoisePanel()
        self.vote, self.rules = VotePanel(self.do), RulesPanel()
        self.answers = QStackedWidget()
        for face in (self.vote, self.rules):
            self.answers.addWidget(face)
        self.conditions = Conditions(lambda name, value: self._change(**{name: value}), self.do)
        about = "The sound, and what surrounds the response. Each step has a key and a button, also while it runs."
        panel = Panel("conditions", "Conditions", about, self.conditions)
        self.panels: list[Panel] = [self.average, self.noise, self.vote, self.rules, panel]
        self.steps, self.deeds = Buttons(TOP, self.do), Buttons(BELOW, self.do)
        left, right, middle = QVBoxLayout(), QVBoxLayout(), QHBoxLayout()
        left.addWidget(self.average, 1)
        left.addWidget(self.answers)
        right.addWidget(self.noise, 1)
        right.addWidget(panel)
        middle.addLayout(left, 60)
        middle.addLayout(right, 40)
        for part in (left, right, middle):
            part.setSpacing(6)
        whole = QWidget()
        whole.setObjectName("ground")
        column = QVBoxLayout(whole)
        column.setContentsMargins(8, 4, 8, 6)
        column.setSpacing(4)
        column.addWidget(self.sentence)
        column.addLayout(middle, 1)
        for part in (self.message, self.steps, self.deeds):
            column.addWidget(part)
        self.setCentralWidget(whole)
        self._changed()

    def _fit(self) -> None:
        """The usual size, or what the free part of the screen has room for."""
        screen = QGuiApplication.primaryScreen()
        size = USUAL
        if screen is not None and not unseen():
            size = fitting((screen.availableGeometry().width(), screen.availableGeometry().height()))
        self.setMinimumSize(min(LEAST[0], size[0]), min(LEAST[1], size[1]))
        self.resize(*size)

    def _make_actions(self) -> None:
        for action in ACTIONS:
            made = QAction(action.text, self)
            made.setShortcuts([QKeySequence(key) for key in action.keys])
            made.triggered.connect(lambda _, name=action.name: self.do(name))
            self.addAction(made)

    def restyle(self, look: Look) -> None:
        """Take on colours and sizes."""
        self.look = look
        theme = look.theme
        apply_theme(self, look, (0.22, 0.25), theme.average)
        self.sentence.restyle(replace(look, projector=False))  # its letters are large anyhow, and the curves need the room
        self.message.size_letters(look.px(1.0), bold=True)
        colour(self.message, theme.expected)
        for part in (*self.panels, self.conditions, self.steps, self.deeds):
            part.restyle(look)
        self._shown = None

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        times = larger(self.width(), self.height())
        if times != self.look.times:
            self.restyle(replace(self.look, times=times))

    # -- frames -------------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """One frame: as many sweeps as are due and as there is time for, then the picture."""
        now_s = time.monotonic()
        if self.running:
            self._credit += self.pace * (now_s - self._ticked_s)
        self._ticked_s = now_s
        work_s = ASKED_S if self.pending else WORK_S
        while (self.pending or self._credit >= 1.0) and time.monotonic() - now_s < work_s:
            if self.room.sweeps >= MOST_SWEEPS:
                self.running, self.pending, self._credit = False, 0, 0.0
                self.message.say(f"{MOST_SWEEPS:,} sweeps are enough for a lesson: N begins a new average")
                break
            self.room.step(1)
            if self.pending:
                self.pending -= 1
            else:
                self._credit -= 1.0
        self._credit = min(self._credit, 1.0)  # what was not done in time is not made up for
        self.show_all()

    def show_all(self) -> None:
        """Bring everything up to date; nothing is painted where nothing changed."""
        room = self.room
        if self.counter.failure:
            self.message.say(self.counter.failure)
        self.rules.show_alarms(self.counter.alarms, self.counter.on)
        self.steps.rename("run", "Pause" if self.running else "Run")
        self.deeds.rename("count", "Stop" if self.counter.on else "Count")
        self.deeds.rename("reveal", "Hide" if self.reveal else "Reveal")
        view = (self.reveal, self.running, self.pace, self.look, self.average.shown, self.ballot, self.counter.on)
        state = (room, room.averages, room.sweeps, room.lesson, len(room.marks), view)
        if state == self._shown:
            return
        self._shown = state
        self.sentence.show_headline(headline(room, self.reveal, self.average.shown != "plain"))
        self.sentence.badge.say(badge(self.running, self.pace))
        self.sentence.clock.say(clock(room.seconds))
        self.average.overlays = self._truth()
        compared = self.average.shown != "plain"
        noises_nv = room.noise_nv, room.weighted.noise_nv
        self.average.show_averages(room.curves(), room.curves(weighted=True) if compared else None, noises_nv)
        self.noise.show_noise(room.track(), room.marks, self.reveal, compared)
        self.vote.show_vote(self.ballot, room.sweeps)
        self.rules.show_opinions(room.opinions(), self.ballot, room.responds, self.reveal)
        self.answers.setCurrentWidget(self.rules if self.reveal or self.counter.on else self.vote)

    def _truth(self) -> list[Overlay]:
        curves, jitter_ms = self.room.curves(), self.room.lesson.conditions.jitter_ms
        if not self.reveal or curves is None:
            return []
        found = [Overlay(Path(), "true response", curves.times_ms, self.room.truth_nv(times_ms=curves.times_ms))]
        if jitter_ms:
            blurred = self.room.truth_nv(jitter_ms, curves.times_ms)
            found.append(Overlay(Path(), f"as {jitter_ms:g} ms of jitter leaves it", curves.times_ms, blurred))
        return found

    # -- what is done -------------------------------------------------------------------------------------------------

    def do(self, name: str) -> None:
        """Carry out an action of the table."""
        if name in STEPS:
            self.ask_for(STEPS[name])
        elif name in SLIDER_STEPS:
            self.conditions.go_on(*SLIDER_STEPS[name])
        elif name in HANDS:
            self._hand(*HANDS[name])
        else:
            self._deeds[name]()

    def _make_deeds(self) -> dict[str, Callable[[], object]]:
        """What the actions of the table do, but for those that come in several steps."""
        return {
            "double": lambda: self.ask_for(max(1, self.room.sweeps + self.pending)), "run": self._run,
            "slower": lambda: self._pace_by(-1), "faster": lambda: self._pace_by(1),
            "again": lambda: self._anew(self.room.again()),
            "pause": lambda: self._change(random_pause=not self.room.lesson.random_pause),
            "ear": lambda: self._change(ear="deaf" if self.room.lesson.ear == "hears" else "hears"),
            "usual": lambda: self._anew(self.room.usual()), "secret": lambda: self._anew(self.room.another_secret()),
            "reveal": self._reveal,
            "count": lambda: self.counter.stop() if self.counter.on else self.counter.start(),
            "weighted": self._weighted,
            "halves": lambda: self._toggle("halves"), "plus_minus": lambda: self._toggle("plus_minus"),
            "theme": lambda: self.restyle(replace(self.look, theme=DARK if self.look.theme is LIGHT else LIGHT)),
            "projector": lambda: self.restyle(replace(self.look, projector=not self.look.projector)),
            "full_screen": lambda: self.setWindowState(self.windowState() ^ Qt.WindowState.WindowFullScreen),
            "lesson": lambda: self._show_text("The lesson", LESSON.read_text(encoding="utf-8"), ("L", "F1")),
            "keys": lambda: self._show_text("Keys and words", keys_text(), ("F1", "?")), "quit": self.close,
        }  # fmt: skip

    def ask_for(self, sweeps: int) -> None:
        self.pending += sweeps

    def _toggle(self, part: str) -> None:
        setattr(self.average, part, not getattr(self.average, part))
        self.average.refit()

    def _change(self, **what: object) -> None:
        before = self.room.averages
        said = self.room.change(**what)
        if self.room.averages != before:
            self._begun()
        if said:
            self.message.say(said[0].upper() + said[1:])
        self._changed()

    def _changed(self) -> None:
        self.conditions.show_lesson(self.room.lesson)

    def _begun(self) -> None:
        """A new average: nothing is asked for yet, nobody has voted, and the answer is hidden."""
        self.pending, self._credit = 0, 0.0
        self.ballot, self.reveal, self._warned = Ballot(), False, False

    def _run(self) -> None:
        self.running = not self.running
        self.pending, self._credit = 0, 0.0

    def _pace_by(self, by: int) -> None:
        place = PACES.index(self.pace) + by
        self.pace = PACES[min(max(place, 0), len(PACES) - 1)]

    def _anew(self, said: str) -> None:
        """What the classroom says of a new average that it has begun."""
        self._begun()
        self.message.say(said[0].upper() + said[1:])
        self._changed()

    def _hand(self, choice: Choice, by: int) -> None:
        """A hand more or fewer in the vote on what is seen now."""
        if self.reveal:
            self.message.say("The answer is known already: N, or G, begins anew")
        elif self.running or self.pending or not self.room.sweeps:
            self.message.say("Votes are about what stands still: present some sweeps first, or pause")
        else:
            self.ballot = self.ballot.counted(choice, by, self.room.sweeps)
            if self.counter.on:
                now = self.ballot.at(self.room.sweeps)
                self.message.say(f"Votes: {now.yes} yes, {now.no} no, {now.wait} wait; C ends the count and shows them large")

    def _reveal(self) -> None:
        """The answer of a secret ear comes after a vote, or if it is asked for twice."""
        if not (self.reveal or self.ballot.rounds or self._warned) and self.room.lesson.ear == "secret":
            self._warned = True
            self.message.say("Nobody has voted yet: Y yes, X no, W wait. R once more shows the answer all the same")
            return
        self.reveal = not self.reveal
        self.message.say(answer(self.room) if self.reveal else "The answer is hidden again")

    def _weighted(self) -> None:
        """Plain average, both, weighted one, in turn; halves would hide what is compared."""
        average = self.average
        average.shown = SHOWN[(SHOWN.index(average.shown) + 1) % len(SHOWN)]
        average.halves = average.shown == "plain"
        self.message.say(SHOWN_SAYS[average.shown])

    def _show_text(self, title: str, text: str, closing: tuple[str, ...]) -> None:
        self.sheet = Sheet(self, title, text, self.look.px(1.0), closing)
        self.sheet.show()

    def closeEvent(self, event: QCloseEvent | None) -> None:
        assert event is not None
        self._timer.stop()
        self.counter.stop()
        event.accept()
        on_close, self._on_close = self._on_close, lambda: None
        on_close()


def open_lesson(room: Classroom) -> int:
    """The window until it is closed; the exit status."""
    from quietfloor.monitor.display.app import application, guarded

    with guarded():
        app = application()
        window = TeachWindow(room, on_close=app.quit)
        window.show()
        app.exec_()
    return 0
