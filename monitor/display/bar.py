"""Bar at the bottom of the window: buttons with their keys, the timeline, an input line, and a line of messages."""

from __future__ import annotations

from collections.abc import Callable

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtGui import QKeyEvent, QResizeEvent
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


class Line(QLineEdit):
    """One line of text; Escape cancels it."""

    dropped = pyqtSignal()

    def keyPressEvent(self, event: QKeyEvent | None) -> None:
        if event is not None and event.key() == Qt.Key.Key_Escape:
            self.dropped.emit()
        else:
            super().keyPressEvent(event)


class Entry(QWidget):
    """Input line that replaces the buttons: for a note, or a moment to go to."""

    def __init__(self) -> None:
        super().__init__()
        self.label, self.line = QLabel(), Line()
        self._give: Callable[[str], None] = lambda _: None
        self._over: Callable[[], None] = lambda: None
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.label)
        row.addWidget(self.line, 1)
        self.line.returnPressed.connect(self._entered)
        self.line.dropped.connect(self._end)
        self.hide()

    def ask(self, question: str, give: Callable[[str], None], over: Callable[[], None]) -> None:
        """``give`` gets the text when Enter is pressed; ``over`` is called in any case."""
        self._give, self._over = give, over
        self.label.setText(question)
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
        self._keys_shown = True
        self._look = Look()
        self._row = QHBoxLayout()
        self._row.setContentsMargins(0, 0, 0, 0)
        self._row.setSpacing(5)
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
        self.timeline.setVisible(stage != "session")
        self.times.setVisible(stage != "session")
        self.buttons = {}
        for action in self._actions:
            button = QPushButton()
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # Space and Enter are keys of the window
            button.setToolTip(f"<qt>{action.text}</qt>")
            button.setAccessibleName(action.text)
            button.clicked.connect(lambda _, name=action.name: self.pressed.emit(name))
            self.buttons[action.name] = button
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
        self._label()
        self.update()

    def _label(self) -> None:
        """Texts of all buttons: with their keys where there is room for that."""
        for shown in (not self._look.projector, False):
            self._keys_shown = shown
            for action in self._actions:
                if action.name in self.buttons:  # else they are just being made
                    self.buttons[action.name].setText(self._labelled(action, action.button))
            if not shown or self._tools.minimumSizeHint().width() <= self.width():
                return

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        self._label()

    def _labelled(self, action: Action, text: str) -> str:
        return f"{text} [{action.keys[0]}]" if self._keys_shown and len(text) > 1 else text

    def rename(self, name: str, text: str) -> None:
        """Change the text of a button, such as Play to Pause."""
        action = next((action for action in self._actions if action.name == name), None)
        if action is not None and self.buttons[name].text() != self._labelled(action, text):
            self.buttons[name].setText(self._labelled(action, text))

    def ask(self, question: str, give: Callable[[str], None], over: Callable[[], None]) -> None:
        """Show an input line in place of the buttons."""
        self._tools.hide()

        def end() -> None:
            self._tools.show()
            over()

        self.entry.ask(question, give, end)
