"""The window of a lesson: the classroom does the work between two frames, this shows it and passes keys on."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from PyQt5.QtCore import Qt, QTimer
from PyQt5.QtGui import QCloseEvent, QKeySequence
from PyQt5.QtWidgets import QAction, QDialog, QHBoxLayout, QMainWindow, QTextBrowser, QVBoxLayout, QWidget

from quietfloor.bench.teach.alarms import AlarmCounter
from quietfloor.bench.teach.choices import EARS
from quietfloor.bench.teach.classroom import MOST_SWEEPS, Classroom
from quietfloor.bench.teach.controls import Buttons, RulesPanel, Sliders
from quietfloor.bench.teach.keys import ACTIONS, PACES, STEPS
from quietfloor.bench.teach.panels import LessonAveragePanel, LessonNoisePanel
from quietfloor.monitor.display.actions import spoken
from quietfloor.monitor.display.dialogs import SAFETY
from quietfloor.monitor.display.ladder import Overlay
from quietfloor.monitor.display.panel import Panel, Words, colour
from quietfloor.monitor.display.scales import clock
from quietfloor.monitor.display.sentence_bar import SentenceBar
from quietfloor.monitor.display.styling import apply_theme
from quietfloor.monitor.display.terms import TERMS
from quietfloor.monitor.display.theme import DARK, LIGHT, Look
from quietfloor.monitor.display.views import Headline

FRAME_MS = 33
WORK_S = 0.022  # of each frame for sweeps
LESSON = Path(__file__).with_name("lesson.md")
FASTEST = PACES[-1]
WELCOME = "1 presents one sweep, Enter as many again, Space runs; L shows the lesson, F1 all keys"
STATE = {"response_present": "present", "response_absent": "absent", "inconclusive": "stopped"}


class TeachWindow(QMainWindow):
    """`room` may be stepped from outside too; `on_close` is called once."""

    def __init__(self, room: Classroom, on_close: Callable[[], None] = lambda: None) -> None:
        super().__init__()
        self.room, self.counter = room, AlarmCounter(room.seed)
        self.look = Look(LIGHT, projector=True)
        self.running, self.pace, self.reveal = False, 4.0, False
        self.pending = 0  # sweeps asked for and not presented yet
        self._credit, self._ticked_s = 0.0, time.monotonic()
        self._shown: object = None
        self._on_close = on_close
        self.sheet: QDialog | None = None
        self._build()
        self._deeds = self._make_deeds()
        self._make_actions()
        self.restyle(self.look)
        self.setWindowTitle("quietfloor: a lesson")
        self.resize(1280, 720)
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.tick)
        self._timer.start(FRAME_MS)

    # -- how it is made -----------------------------------------------------------------------------------------------

    def _build(self) -> None:
        self.sentence, self.message = SentenceBar(), Words(WELCOME)
        self.average, self.noise, self.rules = LessonAveragePanel(), LessonNoisePanel(), RulesPanel()
        self.sliders = Sliders(self._ask)
        about = "The sound, and what surrounds the response. The arrow keys choose a slider and move it, also while it runs."
        self.conditions = Panel("conditions", "Conditions: ↑ ↓ ← →", about, self.sliders)
        self.panels: list[Panel] = [self.average, self.noise, self.rules, self.conditions]
        self.steps = Buttons((*STEPS, "double", "run", "slower", "faster"), self.do)
        self.deeds = Buttons(("again", "secret", "reveal", "count", "lesson", "keys"), self.do)
        left, right, middle = QVBoxLayout(), QVBoxLayout(), QHBoxLayout()
        left.addWidget(self.average, 1)
        left.addWidget(self.rules)
        right.addWidget(self.noise, 1)
        right.addWidget(self.conditions)
        middle.addLayout(left, 58)
        middle.addLayout(right, 42)
        for part in (left, right, middle):
            part.setSpacing(6)
        whole = QWidget()
        whole.setObjectName("ground")
        column = QVBoxLayout(whole)
        column.setContentsMargins(8, 4, 8, 6)
        column.setSpacing(4)
        column.addWidget(self.sentence)
        column.addLayout(middle, 1)
        column.addWidget(self.message)
        column.addWidget(self.steps)
        column.addWidget(self.deeds)
        self.setCentralWidget(whole)
        self.setMinimumSize(1000, 640)
        self._show_values()

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
        for panel in self.panels:
            panel.restyle(look)
        self.sliders.restyle(look)
        self._shown = None

    # -- frames -------------------------------------------------------------------------------------------------------

    def tick(self) -> None:
        """One frame: as many sweeps as are due and as there is time for, then the picture."""
        now_s = time.monotonic()
        if self.running:
            self._credit += self.pace * (now_s - self._ticked_s)
        self._ticked_s = now_s
        while (self.pending or self._credit >= 1.0) and time.monotonic() - now_s < WORK_S:
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
        self.deeds.rename("count", "Stop count" if self.counter.on else "Count")
        self.deeds.rename("reveal", "Hide" if self.reveal else "Reveal")
        view = (self.reveal, self.running, self.pace, self.look)
        state = (room, room.averages, room.sweeps, room.lesson, len(room.marks), view)
        if state == self._shown:
            return
        self._shown = state
        self.sentence.show_headline(self._headline())
        self.sentence.badge.say(self._badge())
        self.sentence.clock.say(clock(room.seconds))
        curves = room.curves()
        self.average.overlays = self._truth() if curves is not None else []
        self.average.show_curves(curves)
        self.noise.show_noise(room.track(), room.marks, self.reveal)
        self.rules.show_opinions(room.opinions())

    def _headline(self) -> Headline:
        room, lesson = self.room, self.room.lesson
        state = "waiting" if not room.sweeps else "undecided"
        if room.verdict is not None:
            state = STATE[room.verdict.verdict]
        said = {"waiting": "No sweep yet", "undecided": "Undecided", "present": "Response present", "absent": "No response"}
        word = said.get(state, "Undecided")
        if room.sweeps:
            word += f" · {room.sweeps:,} sweep{'s' if room.sweeps != 1 else ''}"
        parts = []
        if math.isfinite(room.noise_nv):
            parts.append(f"noise {room.noise_nv:,.0f} nV")
        if math.isfinite(room.correlation):
            parts.append(f"odd and even half: r {room.correlation:.2f}".replace("-", "−"))
        if room.left_out:
            parts.append(f"{room.sweeps - room.accepted:,} rejected")
        early = "one sweep is mostly noise" if room.sweeps else "the first one comes with 1"
        rest = ", ".join(parts) if room.sweeps > 1 else early
        ear = EARS[lesson.ear]
        if lesson.ear == "secret" and self.reveal:
            ear = f"a secret ear that {'hears' if room.hears else 'does not hear'}"
        step = " (IN STEP with hum)" if room.in_step and not lesson.random_pause else ""
        particulars = (
            f"{ear} · click {lesson.level_db_nhl:g} dB nHL · {lesson.rate_per_s:g}/s{step} · "
            f"random pause {'on' if lesson.random_pause else 'OFF'} · virtual, seed {room.seed}"
        )
        return Headline(state, word, rest, particulars)

    def _badge(self) -> str:
        if self.pace >= FASTEST:
            pace = "as fast as it goes"
        else:
            pace = f"{self.pace:g} sweep{'s' if self.pace != 1 else ''} a second"
        return f"{'RUNNING' if self.running else 'PAUSED'}, {pace}"

    def _truth(self) -> list[Overlay]:
        if not self.reveal:
            return []
        curves, jitter_ms = self.room.curves(), self.room.lesson.conditions.jitter_ms
        assert curves is not None
        found = [Overlay(Path(), "true response", curves.times_ms, self.room.truth_nv(times_ms=curves.times_ms))]
        if jitter_ms:
            blurred = self.room.truth_nv(jitter_ms, curves.times_ms)
            found.append(Overlay(Path(), f"as {jitter_ms:g} ms of jitter leave it", curves.times_ms, blurred))
        return found

    # -- what is done -------------------------------------------------------------------------------------------------

    def do(self, name: str) -> None:
        """Carry out an action of the table."""
        if name in STEPS:
            self.ask_for(STEPS[name])
        else:
            self._deeds[name]()

    def _make_deeds(self) -> dict[str, Callable[[], object]]:
        """What the actions of the table do, but for those that present so many sweeps."""
        return {
            "double": lambda: self.ask_for(max(1, self.room.sweeps + self.pending)), "run": self._run,
            "slower": lambda: self._pace_by(-1), "faster": lambda: self._pace_by(1), "again": self._again,
            "slider_up": lambda: self.sliders.choose(-1), "slider_down": lambda: self.sliders.choose(1),
            "less": lambda: self.sliders.move_by(-1), "more": lambda: self.sliders.move_by(1),
            "pause": lambda: self._change(random_pause=not self.room.lesson.random_pause),
            "ear": self._other_ear, "secret": self._secret, "reveal": self._reveal,
            "count": lambda: self.counter.stop() if self.counter.on else self.counter.start(),
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

    def _ask(self, name: str, value: float) -> None:
        self._change(**{name: value})

    def _change(self, **what: object) -> None:
        before = self.room.averages
        said = self.room.change(**what)
        if self.room.averages != before:
            self.pending, self._credit = 0, 0.0
        if said:
            self.message.say(said[0].upper() + said[1:])
        self._show_values()

    def _show_values(self) -> None:
        lesson = self.room.lesson
        of_run = {"level_db_nhl": lesson.level_db_nhl, "rate_per_s": lesson.rate_per_s}
        self.sliders.show_values(vars(lesson.conditions) | of_run)

    def _run(self) -> None:
        self.running = not self.running
        self.pending, self._credit = 0, 0.0

    def _pace_by(self, by: int) -> None:
        place = PACES.index(self.pace) + by
        self.pace = PACES[min(max(place, 0), len(PACES) - 1)]

    def _again(self) -> None:
        self.room.restart()
        self.pending, self._credit = 0, 0.0
        self.message.say("New average, with other noise")

    def _other_ear(self) -> None:
        self.reveal = False
        self._change(ear="deaf" if self.room.lesson.ear == "hears" else "hears")

    def _secret(self) -> None:
        self.reveal, self.pending, self._credit = False, 0, 0.0
        said = self.room.another_secret()
        self.message.say(said[0].upper() + said[1:])

    def _reveal(self) -> None:
        self.reveal = not self.reveal

    def _show_text(self, title: str, text: str, closing: tuple[str, ...]) -> None:
        sheet = QDialog(self)
        sheet.setWindowTitle(title)
        browser = QTextBrowser()
        font = browser.font()
        font.setPixelSize(self.look.px(1.0))
        document = browser.document()
        assert document is not None
        document.setDefaultFont(font)
        browser.setMarkdown(text)
        column = QVBoxLayout(sheet)
        column.addWidget(browser)
        for key in closing:
            close = QAction(sheet)
            close.setShortcut(QKeySequence(key))
            close.triggered.connect(sheet.reject)
            sheet.addAction(close)
        sheet.resize(int(0.9 * self.width()), int(0.92 * self.height()))
        self.sheet = sheet
        sheet.show()

    def closeEvent(self, event: QCloseEvent | None) -> None:
        assert event is not None
        self._timer.stop()
        self.counter.stop()
        event.accept()
        on_close, self._on_close = self._on_close, lambda: None
        on_close()


def keys_text() -> str:
    """All keys by group, then all words, as Markdown."""
    lines, group = [], ""
    for action in ACTIONS:
        if action.group != group:
            group = action.group
            lines += ["", f"## {group}", "", "| key | does |", "|---|---|"]
        lines.append(f"| **{' or '.join(dict.fromkeys(spoken(key) for key in action.keys))}** | {action.text} |")
    words = [f"**{term}**: {meaning}\n" for term, _, meaning in TERMS]
    return "\n".join(["# Keys", *lines, "", "# What the words mean", "", *words, "", SAFETY])


def open_lesson(room: Classroom) -> int:
    """The window until it is closed; the exit status."""
    from quietfloor.monitor.display.app import application, guarded

    with guarded():
        app = application()
        window = TeachWindow(room, on_close=app.quit)
        window.show()
        app.exec_()
    return 0
