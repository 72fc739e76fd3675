"""The panel before a run: ear, sound and level on top, the steps at the left, what was found in the chosen one, Start below.

It shows a ``SetupFlow`` and lives in the window; everything can be done by keys, which the buttons name.
"""

from __future__ import annotations

from PyQt5.QtCore import Qt, QTimer, pyqtSignal
from PyQt5.QtGui import QKeySequence
from PyQt5.QtWidgets import QAction, QFrame, QHBoxLayout, QPushButton, QScrollBar, QVBoxLayout, QWidget

from quietfloor.monitor.display.panel import Words
from quietfloor.monitor.display.setup_parts import STATE_OF, HeardLine, Line, Scrolled, Shape, StepList, Text
from quietfloor.monitor.display.steps import SetupFlow
from quietfloor.monitor.display.theme import Look

EVERY_MS = 250
KEYS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("next", ("Down", "Right", "N", "Space")),
    ("back", ("Up", "Left")),
    ("further", ("Shift+PgDown",)),
    ("up", ("Shift+PgUp",)),
    ("acknowledge", ("A",)),
    ("anyway", ("Y",)),
    ("start", ("S",)),
    ("leave", ("Esc",)),
    # With one hand, by a presenter or a foot switch, as everywhere in a session.
    ("hand_on", ("PgDown",)),
    ("hand_back", ("PgUp",)),
    ("hand_do", ("Return", "Enter", "F5")),
    ("hand_start", ("B", ".")),
)
HAND = ("start", "acknowledge", "anyway", "next", "back", "leave")  # what Page down goes through


class SetupPanel(QWidget):
    """Walks through a ``SetupFlow``. ``answered`` is emitted once, when the person began or left.

    ``step``: name of the step that it opens with, the first where there is none of that name.
    """

    answered = pyqtSignal()

    def __init__(self, flow: SetupFlow, look: Look | None = None, step: str = "") -> None:
        super().__init__()
        self.flow, self.look = flow, look or Look()
        self._steps = flow.steps
        self.chosen = next((place for place, one in enumerate(self._steps) if one.name == step), 0)
        self._looked_at = self.chosen
        self.hand = self._first  # what Enter does
        self._build()
        self._make_keys()
        self.restyle(self.look)
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.refresh)
        self._timer.start(EVERY_MS)
        self._upright.valueChanged.connect(self._name_buttons)
        self._upright.rangeChanged.connect(self._name_buttons)
        self.refresh()

    # -- how it is made -----------------------------------------------------------------------------------------------

    def _build(self) -> None:
        self.heard = [HeardLine(line) for line in self.flow.heading]
        self.shape, self.word, self.summary, self.stream = Shape(2.2), Text(1.5, bold=True), Text(1.2), Words()
        self.word.setWordWrap(False)
        self.stream.setObjectName("quiet")
        verdict = QHBoxLayout()
        verdict.setSpacing(10)
        verdict.addWidget(self.shape)
        verdict.addWidget(self.word)
        verdict.addWidget(self.summary, 1)
        for part in (self.word, self.summary):
            part.setAlignment(Qt.AlignmentFlag.AlignVCenter)
        head = QVBoxLayout()
        head.setContentsMargins(6, 2, 6, 2)
        head.setSpacing(2)
        for line in self.heard:
            head.addWidget(line)
        head.addLayout(verdict)
        head.addWidget(self.stream)
        self.doing = {name: self._button(name, hint) for name, hint in (
            ("back", "to the step before"), ("next", "to the next step"),
            ("acknowledge", "you have read the cautions and take them into account; it is kept with the run"),
            ("anyway", "start although not everything is ready; what said stop is kept with the run"),
            ("leave", "close this without a run"), ("start", "begin the run"),
        )}  # fmt: skip
        self.list = StepList(len(self._steps))
        self.buttons = self.list.buttons
        for index, button in enumerate(self.buttons):
            button.clicked.connect(lambda _, at=index: self.choose(at))
        pair = QHBoxLayout()
        pair.setSpacing(6)
        left = QVBoxLayout()
        left.setSpacing(6)
        left.addWidget(self.list, 1)
        left.addLayout(pair)
        self.question, self.lines = Text(1.25, bold=True), [Line() for _ in range(4)]
        self._rows = QVBoxLayout()
        self._rows.setSpacing(2)
        for line in self.lines:
            self._rows.addWidget(line)
        self._rows.addStretch(1)
        inside = QWidget()
        inside.setObjectName("rows")
        inside.setLayout(self._rows)
        self.area = Scrolled(inside)
        sheet = QFrame()
        sheet.setObjectName("sheet")
        page = QVBoxLayout(sheet)
        page.setContentsMargins(18, 12, 12, 8)
        page.setSpacing(8)
        page.addWidget(self.question)
        page.addWidget(self.area, 1)
        middle = QHBoxLayout()
        middle.setSpacing(10)
        middle.addLayout(left, 22)
        middle.addWidget(sheet, 78)
        self.message = Text(1.0, bold=True)
        self.message.setAlignment(Qt.Alignment(Qt.AlignmentFlag.AlignVCenter) | Qt.AlignmentFlag.AlignRight)
        foot = QHBoxLayout()
        foot.setSpacing(6)
        foot.addWidget(self.message, 1)
        for row, names in ((pair, ("back", "next")), (foot, ("acknowledge", "anyway", "leave", "start"))):
            for name in names:
                row.addWidget(self.doing[name])
        whole = QVBoxLayout(self)
        whole.setContentsMargins(8, 4, 8, 6)
        whole.setSpacing(8)
        whole.addLayout(head)
        whole.addLayout(middle, 1)
        whole.addLayout(foot)

    def _button(self, name: str, hint: str) -> QPushButton:
        button = QPushButton()
        button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        button.setToolTip(f"<qt>{hint}</qt>")
        button.setAccessibleName(hint)
        button.clicked.connect(lambda: self.do(name))
        return button

    def _make_keys(self) -> None:
        named = [*KEYS, *((f"step_{number}", (str(number),)) for number in range(1, len(self._steps) + 1))]
        for name, keys in named:
            action = QAction(self)
            action.setShortcuts([QKeySequence(key) for key in keys])
            action.setShortcutContext(Qt.ShortcutContext.WindowShortcut)
            action.triggered.connect(lambda _, what=name: self.do(what))
            self.addAction(action)

    def restyle(self, look: Look) -> None:
        """Take on colours and sizes."""
        self.look = look
        theme = look.theme
        self.shape.restyle(look)
        self.stream.size_letters(look.px(0.95))
        for part in (*self.heard, self.word, self.summary, self.message, self.question, self.list, *self.lines):
            part.restyle(look)
        self.setStyleSheet(
            f"#sheet {{ background: {theme.sheet}; border: 1px solid {theme.grid}; border-radius: 5px; }}"
            f"#rows {{ background: {theme.sheet}; }}"
            f"#steps, QScrollArea {{ background: transparent; }}"
            f"#step QLabel {{ color: {theme.ink}; }} #quiet, #step QLabel#quiet {{ color: {theme.quiet}; }}"
            f"QPushButton {{ background: {theme.button}; color: {theme.ink}; border: 2px solid transparent; border-radius: 4px;"
            f" font-size: {look.px(1.0)}px; padding: {look.px(0.3)}px {look.px(0.65)}px; }}"
            f"QPushButton:hover {{ background: {theme.grid}; }}"
            f"QPushButton:disabled {{ color: {theme.axis}; }}"
            f"QPushButton[due=true] {{ background: {theme.states['present']}; color: {theme.sheet}; font-weight: bold; }}"
            f"QPushButton[chosen=true] {{ border: 2px solid {theme.ink}; }}"
            f"QPushButton#step {{ background: transparent; text-align: left; border-left: 4px solid transparent; }}"
            f"QPushButton#step:checked {{ background: {theme.sheet}; border-left: 4px solid {theme.ink}; }}"
        )
        self._name_buttons()
        self._show_words()

    @property
    def place(self) -> str:
        """Name of the step to open with another time. Not the cautions: whoever acknowledges them has chosen to read them."""
        return self._steps[self._looked_at].name

    @property
    def _cautions(self) -> int:
        return next(index for index, step in enumerate(self._steps) if step.name == "cautions")

    @property
    def shows_cautions(self) -> bool:
        """Whether they are on the screen."""
        return self.chosen == self._cautions

    @property
    def _upright(self) -> QScrollBar:
        bar = self.area.verticalScrollBar()
        assert bar is not None
        return bar

    @property
    def _more_below(self) -> bool:
        """Whether a part of the page is below what is to be seen."""
        return self._upright.value() < self._upright.maximum()

    # -- what is shown ------------------------------------------------------------------------------------------------

    def refresh(self) -> None:
        """The newest of everything."""
        self._steps = self.flow.steps
        for button, step in zip(self.buttons, self._steps, strict=True):
            button.show_step(step)
        self._show_words()
        self._show_page()
        self._name_buttons()

    def _show_words(self) -> None:
        flow, report = self.flow, self.flow.report
        severity = flow.severity
        self.shape.show_severity(severity)
        word, rest = flow.headline
        self.word.say(word)
        self.word.ink(self.look.theme.states[STATE_OF[severity]])
        self.summary.say(f"{rest[:1].upper()}{rest[1:]}.")
        heard = f"looked at for {report.seconds:.0f} s" if report.listening else "no samples at the moment"
        self.stream.say(f"{report.name} · {heard}" if report.stream else "looking for the stream")
        self.stream.setToolTip(f"<qt>{report.stream}</qt>")
        self.message.say(self.flow.obstacle)

    def _show_page(self) -> None:
        step = self._steps[self.chosen]
        self.question.say(step.question)
        while len(self.lines) < len(step.rows):
            line = Line()
            line.restyle(self.look)
            self._rows.insertWidget(len(self.lines), line)
            self.lines.append(line)
        for line, row in zip(self.lines, step.rows, strict=False):
            line.show_row(row)
            line.show()
        for line in self.lines[len(step.rows) :]:
            line.hide()
        for button in self.buttons:
            button.setChecked(button.number == self.chosen + 1)

    def _name_buttons(self) -> None:
        flow, last = self.flow, self.chosen == len(self._steps) - 1
        read = "Read on [A]" if self._more_below else "Acknowledge [A]"
        acknowledge = "✓ Acknowledged [A]" if flow.acknowledged else read if self.shows_cautions else "Read the cautions [A]"
        self.hand = self.hand if self.hand in self._choices else self._first
        names = {
            "back": "Back [↑]", "next": "Next [↓]", "acknowledge": acknowledge, "leave": "Leave [Esc]", "start": "Start [S]",
            "anyway": "✓ Start anyway [Y]" if flow.anyway else "Start anyway [Y]",
        }  # fmt: skip
        if self.hand == "next" and self._more_below:
            names["next"] = "Read on [↓]"
        names[self.hand] = f"{names[self.hand].rpartition(' [')[0]} [Enter]"
        for name, text in names.items():
            if self.doing[name].text() != text:
                self.doing[name].setText(text)
        self.doing["back"].setEnabled(self.chosen > 0)
        self.doing["next"].setEnabled(not last)
        self.doing["anyway"].setVisible(flow.may_overrule)
        self.doing["start"].setEnabled(not flow.obstacle)
        due = {"acknowledge": not flow.acknowledged, "start": not flow.obstacle}  # the one that is next stands out
        for name, button in self.doing.items():
            for mark, yes in (("due", due.get(name, False)), ("chosen", name == self.hand)):
                if button.property(mark) != yes:
                    button.setProperty(mark, yes)
                    button.setStyle(button.style())

    # -- what is done -------------------------------------------------------------------------------------------------

    def do(self, name: str) -> None:
        """Carry out what a key or a button says."""
        flow = self.flow
        if flow.answered.is_set():
            return
        if name == "next":
            self.choose(min(self.chosen + 1, len(self._steps) - 1))
        elif name == "back":
            self.choose(max(self.chosen - 1, 0))
        elif name in ("hand_on", "hand_back"):
            at = self._choices.index(self.hand)
            self.hand = self._choices[(at + (1 if name == "hand_on" else -1)) % len(self._choices)]
        elif name == "hand_do":
            self.do("further" if self.hand == "next" and self._more_below else self.hand)
            return
        elif name == "hand_start":
            self.hand = "start"
        elif name in ("further", "up"):
            self._page(1 if name == "further" else -1)
        elif name.startswith("step_"):
            self.choose(int(name.removeprefix("step_")) - 1)
        elif name == "acknowledge" and self.shows_cautions and self._more_below:
            self._page(1)
        elif name == "acknowledge" and self.shows_cautions:
            flow.acknowledged = not flow.acknowledged
            self.hand = self._first
        elif name == "acknowledge":  # what was not on the screen cannot have been read
            self.choose(self._cautions)
        elif name == "anyway":
            flow.anyway = flow.may_overrule and not flow.anyway
            self.hand = "start" if flow.anyway else self.hand
        elif name == "start":
            flow.start()
        else:
            flow.leave()
        if flow.answered.is_set():
            self._end()
        else:
            self.refresh()

    @property
    def _first(self) -> str:
        """What is chosen to begin with: the cautions come before the start."""
        return "start" if self.flow.acknowledged else "acknowledge"

    @property
    def _choices(self) -> tuple[str, ...]:
        """What can be chosen with one hand now."""
        there = {"anyway": self.flow.may_overrule, "back": self.chosen > 0,
                 "next": self.chosen < len(self._steps) - 1 or self._more_below}  # fmt: skip
        return tuple(name for name in HAND if there.get(name, True))

    def _page(self, pages: int) -> None:
        bar = self._upright
        bar.setValue(bar.value() + pages * bar.pageStep())

    def choose(self, index: int) -> None:
        """Show a step."""
        self.chosen = index
        self._looked_at = self._looked_at if self.shows_cautions else index
        self.area.ensureVisible(0, 0)
        self.list.ensureWidgetVisible(self.buttons[index])
        self.refresh()

    def _end(self) -> None:
        self._timer.stop()
        for button in (*self.doing.values(), *self.buttons):
            button.setEnabled(False)
            button.setProperty("due", False)
            button.setStyle(button.style())
        self.word.say("Starting" if self.flow.record is not None else "No run")
        self.message.say("The stream is opened for the run" if self.flow.record is not None else "")
        self.answered.emit()
