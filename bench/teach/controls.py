"""Buttons of a lesson, and its conditions: widgets that only show and ask."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from PyQt5.QtCore import Qt
from PyQt5.QtGui import QFontMetrics
from PyQt5.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QSlider, QWidget

from quietfloor.bench.teach.choices import STOPS, Lesson
from quietfloor.bench.teach.keys import ACTIONS, SLIDERS, on_button
from quietfloor.monitor.display.theme import Look

NAMED = {action.name: action for action in ACTIONS}


class ActionButton(QPushButton):
    """A button of the table of actions. Its letters stay small on a projector: only who teaches reads them."""

    def __init__(self, name: str, pressed: Callable[[str], None]) -> None:
        super().__init__()
        self.action = NAMED[name]
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setToolTip(f"<qt>{self.action.text}</qt>")
        self.setAccessibleName(self.action.text)
        self.clicked.connect(lambda _: pressed(name))
        self.rename(self.action.button)

    def rename(self, text: str) -> None:
        words = on_button(text, self.action)
        if words != self.text():
            self.setText(words)

    def restyle(self, look: Look, height: float = 1.9) -> None:
        small = replace(look, projector=False)
        self.setStyleSheet(f"QPushButton {{ font-size: {small.px(1.0)}px; padding: 0px 4px; }}")
        self.setFixedHeight(small.px(height))


class Buttons(QWidget):
    """A row of buttons of the table of actions; `pressed` gets the name."""

    def __init__(self, names: tuple[str, ...], pressed: Callable[[str], None]) -> None:
        super().__init__()
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(4)
        self.buttons = {name: ActionButton(name, pressed) for name in names}
        for button in self.buttons.values():
            row.addWidget(button, 1)

    def rename(self, name: str, text: str) -> None:
        self.buttons[name].rename(text)

    def restyle(self, look: Look) -> None:
        for button in self.buttons.values():
            button.restyle(look)


class Conditions(QWidget):
    """One slider for each condition, with a button for a step less and one for a step more; pause and ear below.

    `asked` gets the name of a condition and its value, `pressed` the name of an action.
    """

    def __init__(self, asked: Callable[[str, float], None], pressed: Callable[[str], None]) -> None:
        super().__init__()
        self._asked = asked
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(6)
        grid.setVerticalSpacing(1)
        grid.setColumnStretch(2, 1)
        self.sliders: dict[str, QSlider] = {}
        self.titles: list[QLabel] = []
        self.values: dict[str, QLabel] = {}
        self.buttons: dict[str, ActionButton] = {}
        for row, (name, title, _, unit, about) in enumerate(SLIDERS):
            label, value, slider = QLabel(title), QLabel(), QSlider(Qt.Orientation.Horizontal)
            slider.setRange(0, len(STOPS[name]) - 1)
            slider.setPageStep(1)
            slider.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            slider.setAccessibleName(f"{title}, {unit}")
            slider.valueChanged.connect(lambda place, name=name: self._asked(name, STOPS[name][place]))
            slider.setMinimumWidth(30)
            slider.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Ignored)
            for widget in (label, value, slider):
                widget.setToolTip(f"<qt>{about}</qt>")
            value.setAlignment(Qt.Alignment() | Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            less, more = (ActionButton(f"{what}_{name}", pressed) for what in ("less", "more"))
            for column, widget in enumerate((label, less, slider, more, value)):
                grid.addWidget(widget, row, column)
            self.sliders[name], self.values[name] = slider, value
            self.buttons |= {less.action.name: less, more.action.name: more}
            self.titles.append(label)
        last = QHBoxLayout()
        last.setSpacing(4)
        for name in ("pause", "ear", "usual"):
            self.buttons[name] = ActionButton(name, pressed)
            last.addWidget(self.buttons[name], 1)
        grid.addLayout(last, len(SLIDERS), 0, 1, 5)

    def go_on(self, name: str, by: int) -> None:
        """Some stops more or less; nothing happens at the end of the range."""
        slider = self.sliders[name]
        slider.setValue(slider.value() + by)

    def show_lesson(self, lesson: Lesson) -> None:
        """Take on what holds, without asking."""
        values = vars(lesson.conditions) | {"level_db_nhl": lesson.level_db_nhl, "rate_per_s": lesson.rate_per_s}
        for name, _, _, unit, _ in SLIDERS:
            stops, slider = STOPS[name], self.sliders[name]
            nearest = min(range(len(stops)), key=lambda place: abs(stops[place] - values[name]))
            slider.blockSignals(True)
            slider.setValue(nearest)
            slider.blockSignals(False)
            self.values[name].setText(with_unit(values[name], unit))
        self.buttons["pause"].rename(f"random pause {'on' if lesson.random_pause else 'OFF'}")
        self.buttons["ear"].rename({"hears": "ear hears", "deaf": "deaf ear", "secret": "secret ear"}[lesson.ear])

    def restyle(self, look: Look) -> None:
        for button in self.buttons.values():
            button.restyle(look, 1.5)
        for widget in (*self.titles, *self.values.values()):
            font = widget.font()
            font.setPixelSize(look.px(0.9))
            widget.setFont(font)
            widget.setStyleSheet(f"font-size: {look.px(0.9)}px;")
        for name, _, _, unit, _ in SLIDERS:  # never cut, and nothing moves when a value is longer
            value = self.values[name]
            wide = QFontMetrics(value.font()).horizontalAdvance
            value.setMinimumWidth(2 + max(wide(with_unit(stop, unit)) for stop in STOPS[name]))


def with_unit(value: float, unit: str) -> str:
    """A value beside its slider, such as "60 dB nHL" or "47.1/s"."""
    return f"{value:g} {unit}".replace(" /", "/")
