"""Parts of the start page: a list to choose from with reasons, a problem in words, and labelled fields."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from PyQt5.QtCore import QEvent, QObject, Qt, pyqtSignal
from PyQt5.QtGui import QKeyEvent, QStandardItemModel
from PyQt5.QtWidgets import (
    QAbstractButton,
    QButtonGroup,
    QComboBox,
    QDoubleSpinBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QRadioButton,
    QVBoxLayout,
    QWidget,
)

from quietfloor.monitor.begin.checked import Problem
from quietfloor.monitor.begin.choices import Option
from quietfloor.monitor.display.setup_parts import STATE_OF, Shape, Text
from quietfloor.monitor.display.theme import Look

ARROWS = {Qt.Key.Key_Up: (-1, 0), Qt.Key.Key_Down: (1, 0), Qt.Key.Key_Left: (0, -1), Qt.Key.Key_Right: (0, 1)}


class Picker(QWidget):
    """Options one below the other, each with what is to be known of it. One that cannot be chosen is disabled, and says why."""

    picked = pyqtSignal(str)

    def __init__(self, empty: str) -> None:
        super().__init__()
        self.look = Look()
        self.buttons: dict[str, QRadioButton] = {}
        self._said: dict[str, tuple[Shape, Text]] = {}
        self._options: tuple[Option, ...] = ()
        self._group = QButtonGroup(self)
        self._empty = Text(1.06, quiet=True)
        self._empty.say(empty)
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setHorizontalSpacing(8)
        self._grid.setVerticalSpacing(2)
        self._grid.setColumnStretch(1, 1)
        self._grid.addWidget(self._empty, 0, 0, 1, 2)

    def restyle(self, look: Look) -> None:
        self.look = look
        self._empty.restyle(look)
        for shape, text in self._said.values():
            shape.restyle(look)
            text.restyle(look)

    def show_options(self, options: tuple[Option, ...], chosen: str) -> None:
        """Show these; a list with the same values keeps its buttons, and the one that has the focus keeps it."""
        if tuple(option.value for option in options) != tuple(self.buttons):
            self._make(options)
        for option in options:
            button = self.buttons[option.value]
            shape, said = self._said[option.value]
            button.setText(option.text.replace("&", "&&"))
            button.setEnabled(option.possible)
            button.setToolTip(f"<qt>{option.said}</qt>" if option.said else "")
            button.setAccessibleName(f"{option.text}. {option.said}")
            shape.show_severity(option.severity)
            said.say(option.said)
            said.setVisible(bool(option.said))
        self._options = options
        self._empty.setVisible(not options)
        self._check(chosen)

    def says(self, text: str) -> bool:
        """Whether this stands beside the chosen option."""
        return any(button.isChecked() and self._said[value][1].text() == text for value, button in self.buttons.items())

    def _check(self, chosen: str) -> None:
        self._group.setExclusive(False)  # so that none may be chosen
        for value, button in self.buttons.items():
            button.setChecked(value == chosen)
        self._group.setExclusive(True)

    def _make(self, options: tuple[Option, ...]) -> None:
        focused = next((value for value, button in self.buttons.items() if button.hasFocus()), None)
        for value, button in self.buttons.items():
            self._group.removeButton(button)
            for part in (button, *self._said[value]):
                self._grid.removeWidget(part)
                part.hide()
                part.deleteLater()
        self.buttons, self._said = {}, {}
        for place, option in enumerate(options):
            button, shape, said = QRadioButton(), Shape(1.25), Text(0.98, quiet=True)
            button.clicked.connect(lambda _, value=option.value: self.picked.emit(value))
            self._group.addButton(button)
            self._grid.addWidget(shape, 2 * place + 1, 0)
            self._grid.addWidget(button, 2 * place + 1, 1)
            self._grid.addWidget(said, 2 * place + 2, 1)
            for part in (button, shape, said):
                part.show()
            self.buttons[option.value], self._said[option.value] = button, (shape, said)
        self.restyle(self.look)
        if focused in self.buttons:
            self.buttons[focused].setFocus()


class ButtonField(QWidget):
    """Buttons in rows and columns. The arrow keys move the focus and change nothing; Tab leaves the field, and comes back to the
    button that had the focus last."""

    def __init__(self) -> None:
        super().__init__()
        self._buttons: dict[tuple[int, int], QAbstractButton] = {}

    def place(self, line: int, at: int, button: QAbstractButton) -> None:
        """Add a button; the first one is where Tab comes in."""
        button.setFocusPolicy(Qt.FocusPolicy.ClickFocus if self._buttons else Qt.FocusPolicy.StrongFocus)
        button.installEventFilter(self)
        self._buttons[line, at] = button

    def come_in_at(self, button: QAbstractButton) -> None:
        """Make this the button to which Tab comes."""
        for one in self._buttons.values():
            one.setFocusPolicy(Qt.FocusPolicy.StrongFocus if one is button else Qt.FocusPolicy.ClickFocus)

    def eventFilter(self, button: QObject | None, event: QEvent | None) -> bool:
        if isinstance(event, QKeyEvent) and event.type() == QEvent.Type.KeyPress and event.key() in ARROWS:
            self._walk(button, *ARROWS[Qt.Key(event.key())])
            return True
        if event is not None and event.type() == QEvent.Type.FocusIn and isinstance(button, QAbstractButton):
            self.come_in_at(button)
        return False

    def _walk(self, button: QObject | None, down: int, right: int) -> None:
        """To the next button in this direction that can be used."""
        line, at = next(place for place, one in self._buttons.items() if one is button)
        while (place := (line + down, at + right)) in self._buttons:
            if self._buttons[place].isEnabled():
                self._buttons[place].setFocus()
                return
            line, at = place


class ProblemLine(QWidget):
    """A problem with its shape, and what to do."""

    def __init__(self) -> None:
        super().__init__()
        self.problem: Problem | None = None
        self._look = Look()
        self.shape, self.said, self.remedy = Shape(1.35), Text(1.06), Text(1.06)
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 2, 0, 2)
        grid.setHorizontalSpacing(10)
        grid.setVerticalSpacing(0)
        grid.addWidget(self.shape, 0, 0, Qt.AlignmentFlag.AlignTop)
        grid.addWidget(self.said, 0, 1)
        grid.addWidget(self.remedy, 1, 1)
        grid.setColumnStretch(1, 1)

    def restyle(self, look: Look) -> None:
        self._look = look
        for part in (self.shape, self.said, self.remedy):
            part.restyle(look)
        self._ink()

    def show_problem(self, problem: Problem) -> None:
        self.problem = problem
        self.shape.show_severity(problem.severity)
        self.said.say(problem.said)
        self.remedy.say(f"→ {problem.remedy}" if problem.remedy else "")
        self.remedy.setVisible(bool(problem.remedy))
        self._ink()

    def _ink(self) -> None:
        if self.problem is not None:
            ink = self._look.theme.states[STATE_OF[self.problem.severity]]
            self.remedy.setStyleSheet(f"font-size: {self._look.px(1.06)}px; color: {ink};")


class Fields(QWidget):
    """Labelled controls, one in a row, with a remark behind it. The letter after & in a label is its key, with Alt."""

    def __init__(self) -> None:
        super().__init__()
        self._rows: list[tuple[QLabel, QWidget, Text]] = []
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setHorizontalSpacing(12)
        self._grid.setVerticalSpacing(6)
        self._grid.setColumnStretch(2, 1)

    def add(self, label: str, control: QWidget) -> Text:
        """Add a row; returns the remark behind it."""
        name, remark, row = QLabel(label), Text(0.98, quiet=True), len(self._rows)
        name.setBuddy(control)
        control.setAccessibleName(label.replace("&", ""))
        self._grid.addWidget(name, row, 0)
        self._grid.addWidget(control, row, 1)
        self._grid.addWidget(remark, row, 2)
        remark.setAlignment(Qt.AlignmentFlag.AlignVCenter)
        self._rows.append((name, control, remark))
        return remark

    def show_row(self, control: QWidget, yes: bool) -> None:
        for row in self._rows:
            if row[1] is control:
                for part in row:
                    part.setVisible(yes)

    def restyle(self, look: Look) -> None:
        for _, _, remark in self._rows:
            remark.restyle(look)


def combo(choices: Iterable[tuple[str, Any]]) -> QComboBox:
    """A list that opens, with a value for each text."""
    made = QComboBox()
    for text, value in choices:
        made.addItem(text, value)
    return made


def show_value(control: QComboBox, value: Any) -> None:
    """Show this value, without a signal; nothing where it is not in the list."""
    at = control.findData(value)
    if at != control.currentIndex():
        control.blockSignals(True)
        control.setCurrentIndex(at)
        control.blockSignals(False)


def allow(control: QComboBox, value: Any, why_not: str) -> None:
    """Whether an entry of the list can be chosen; if not, its tooltip says why."""
    model, at = control.model(), control.findData(value)
    item = model.item(at) if isinstance(model, QStandardItemModel) and at >= 0 else None
    if item is not None:
        item.setEnabled(not why_not)
        item.setToolTip(why_not)


def number(low: float, high: float, step: float, decimals: int, unit: str = "") -> QDoubleSpinBox:
    """A field for a number."""
    made = QDoubleSpinBox()
    made.setRange(low, high)
    made.setSingleStep(step)
    made.setDecimals(decimals)
    made.setSuffix(f" {unit}" if unit else "")
    made.setKeyboardTracking(True)
    return made


def show_number(control: QDoubleSpinBox, value: float) -> None:
    """Show this value, without a signal; not while somebody types into the field."""
    if control.value() != value and not control.hasFocus():
        control.blockSignals(True)
        control.setValue(value)
        control.blockSignals(False)


def column(*parts: QWidget, spacing: int = 8) -> QVBoxLayout:
    made = QVBoxLayout()
    made.setContentsMargins(0, 0, 0, 0)
    made.setSpacing(spacing)
    for part in parts:
        made.addWidget(part)
    return made


def row(*parts: QWidget, stretch: bool = True) -> QHBoxLayout:
    made = QHBoxLayout()
    made.setContentsMargins(0, 0, 0, 0)
    made.setSpacing(8)
    for part in parts:
        made.addWidget(part)
    if stretch:
        made.addStretch(1)
    return made


def set_checked(button: QAbstractButton, yes: bool) -> None:
    """Check it, without a signal."""
    if button.isChecked() != yes:
        button.blockSignals(True)
        button.setChecked(yes)
        button.blockSignals(False)
