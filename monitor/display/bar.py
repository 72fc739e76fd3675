"""Bar at the bottom of the window: buttons with their keys, the timeline, an input line, and a line of messages."""

from __future__ import annotations

from collections.abc import Callable

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtGui import QFont, QFontMetrics, QKeyEvent, QResizeEvent
from PyQt5.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QPushButton, QVBoxLayout, QWidget

from quietfloor.monitor.display.actions import Action, Stage, offered
from quietfloor.monitor.display.panel import Words, colour
from quietfloor.monitor.display.theme import Look
from quietfloor.monitor.display.timeline import Timeline

BEFORE = (  # left of the timeline
    "stop", "next", "louder", "softer", "mask", "condition_next", "kind", "repeat", "discard", "mark", "play", "slower",
    "faster", "go_to", "pause_sound", "leave", "only_louder", "pause", "back", "report", "files",
)  # fmt: skip
OF_SESSIONS = ("panel_7", "far")
PADDING, SPACING, LEAST_TIMELINE = 0.7, 5, 9.0  # of a button (as in the style sheet) and the timeline in letters; in px between
TIGHT_PX = 3  # padding of the buttons where they would be cut with the usual one
PASSING = ("pause_sound", "leave", "only_louder")  # shown only while they can do something


class Line(QLineEdit):
    """One line of text; Escape cancels it."""

    dropped = pyqtSignal()

    def keyPressEvent(self, event: QKeyEvent | None) -> None:
        if event is not None and event.key() == Qt.Key.Key_Escape:
            self.dropped.emit()
        else:
            super().keyPressEvent(event)


class Entry(QWidget):
    """A question with an input line, in place of the buttons: for a note, a reason, or a moment to go to."""

    def __init__(self) -> None:
        super().__init__()
        self.label, self.line = QLabel(), Line()
        self.label.setWordWrap(True)
        self.keep, self.drop = QPushButton(), QPushButton("Leave it [Esc]")
        self._give: Callable[[str], None] = lambda _: None
        self._over: Callable[[], None] = lambda: None
        row = QHBoxLayout()
        row.setSpacing(5)
        row.addWidget(self.line, 1)
        for button, deed in ((self.keep, self._entered), (self.drop, self._end)):
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.clicked.connect(deed)
            row.addWidget(button)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addWidget(self.label)
        column.addLayout(row)
        self.line.returnPressed.connect(self._entered)
        self.line.dropped.connect(self._end)
        self.hide()

    def ask(self, question: str, deed: str, give: Callable[[str], None], over: Callable[[], None]) -> None:
        """``give`` gets the text when Enter is pressed, which does what ``deed`` says; ``over`` is called in any case."""
        self._give, self._over = give, over
        self.label.setText(question)
        self.keep.setText(f"{deed} [Enter]")
        self.line.setAccessibleName(question)
        self.line.clear()
        self.show()
        self.line.setFocus()

    def _entered(self) -> None:
        text, give = self.line.text(), self._give
        self._end()
        give(text)

    def _end(self) -> None:
        self.hide()
        self.line.clearFocus()
        self._over()


class Bar(QWidget):
    """``pressed`` carries the name of an action."""

    pressed = pyqtSignal(str)

    def __init__(self) -> None:
        super().__init__()
        self.timeline, self.entry = Timeline(), Entry()
        self.times = Words("", "The moment that is shown, and the length of the run.", right=True)
        self.message = Words()
        self.buttons: dict[str, QPushButton] = {}
        self._actions: tuple[Action, ...] = ()
        self._texts: dict[str, str] = {}  # of the buttons, without their keys
        self._look = Look()
        self._row = QHBoxLayout()
        self._row.setContentsMargins(0, 0, 0, 0)
        self._row.setSpacing(SPACING)
        self._tools = QWidget()
        self._tools.setLayout(self._row)
        column = QVBoxLayout(self)
        column.setContentsMargins(4, 0, 4, 2)
        column.setSpacing(2)
        column.addWidget(self.message)
        column.addWidget(self._tools)
        column.addWidget(self.entry)

    def fit(self, stage: Stage, in_session: bool = False) -> None:
        """The buttons of a live run, of a recorded one, of a search, of the session view."""
        while self._row.count():
            item = self._row.takeAt(0)
            widget = None if item is None else item.widget()
            if widget is not None and widget not in (self.timeline, self.times):
                widget.hide()
                widget.deleteLater()
        self._actions = tuple(
            sorted(
                (one for one in offered(stage) if one.has_button(stage) and (in_session or one.name not in OF_SESSIONS)),
                key=lambda one: BEFORE.index(one.name) if one.name in BEFORE else len(BEFORE),
            )
        )
        self.buttons, self._texts = {}, {action.name: action.button for action in self._actions}
        self.timeline.setVisible(stage != "session")
        self.times.setVisible(stage != "session")
        for action in self._actions:
            button = QPushButton()
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # Space and Enter are keys of the window
            button.setToolTip(f"<qt>{action.text}</qt>")
            button.setAccessibleName(action.text)
            button.clicked.connect(lambda _, name=action.name: self.pressed.emit(name))
            self.buttons[action.name] = button
            if action.name in PASSING:
                button.hide()
        for action in self._actions:
            if action.name in BEFORE:
                self._row.addWidget(self.buttons[action.name])
        self._row.addWidget(self.timeline, 1)
        if stage == "session":
            self._row.addStretch(1)
        self._row.addWidget(self.times)
        for action in self._actions:
            if action.name not in BEFORE:
                self._row.addWidget(self.buttons[action.name])
        self.restyle(self._look)

    def restyle(self, look: Look) -> None:
        self._look = look
        self.timeline.look = look
        self.timeline.updateGeometry()
        self.times.size_letters(look.px(0.95))
        self.message.size_letters(look.px(0.98), bold=True)
        colour(self.times, look.theme.quiet)
        colour(self.message, look.theme.ink)
        self._texts = {action.name: action.button for action in self._actions}
        self._label()
        self.update()

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        self._label()

    def _label(self) -> None:
        """The text of each button, with its key where there is room for the keys of all; the tooltip names it anyway."""
        if self._texts.keys() != self.buttons.keys():
            return  # they are just being made
        font = QFont(self.font())
        font.setPixelSize(self._look.px(1.0))
        wide = QFontMetrics(font).horizontalAdvance
        with_keys = {
            action.name: text if len(text := self._texts[action.name]) == 1 else f"{text} [{action.keys[0]}]"
            for action in self._actions
        }
        there = [name for name in with_keys if name not in PASSING or not self.buttons[name].isHidden()]
        of_time = 0 if self.timeline.isHidden() else self.times.sizeHint().width() + self._look.px(LEAST_TIMELINE)
        needed = of_time + sum(wide(with_keys[name]) + 2 * self._look.px(PADDING) + SPACING for name in there)
        texts = self._texts if self._look.projector or needed > self.width() else with_keys
        plain = of_time + sum(wide(self._texts[name]) + 2 * self._look.px(PADDING) + SPACING for name in there)
        style = ""
        if plain > self.width():  # closer, and in smaller letters where that is not enough
            letters = sum(wide(self._texts[name]) for name in there)
            room = self.width() - of_time - len(there) * (2 * TIGHT_PX + SPACING + 1)
            px = max(9, int(self._look.px(1.0) * min(1.0, room / max(letters, 1))))
            style = f"QPushButton {{ padding-left: {TIGHT_PX}px; padding-right: {TIGHT_PX}px; font-size: {px}px; }}"
        if self._tools.styleSheet() != style:
            self._tools.setStyleSheet(style)
        for name, button in self.buttons.items():
            if button.text() != texts[name]:
                button.setText(texts[name])

    def enable(self, possible: Callable[[str], bool]) -> None:
        """Which buttons can do something now. Some are there only then."""
        there: dict[str, bool] = {}
        for name, button in self.buttons.items():
            button.setEnabled(possible(name))
            if name in PASSING:
                there[name] = possible(name)
        changed = [name for name, shown in there.items() if self.buttons[name].isHidden() == shown]
        for name in sorted(changed, key=there.__getitem__):  # first those that go: a row of all of them would widen the window
            self.buttons[name].setVisible(there[name])
        if changed:
            self._label()

    def rename(self, name: str, text: str) -> None:
        """Change the text of a button, such as Play to Pause."""
        if name in self.buttons and self._texts[name] != text:
            self._texts[name] = text
            self._label()

    def ask(self, question: str, deed: str, give: Callable[[str], None], over: Callable[[], None]) -> None:
        """Show an input line in place of the buttons; ``deed``: what Enter does."""
        self._tools.hide()

        def end() -> None:
            self._tools.show()
            over()

        self.entry.ask(question, deed, give, end)
