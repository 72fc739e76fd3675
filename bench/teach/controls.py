"""Sliders, buttons and the table of rules of a lesson: widgets that only show and ask."""

from __future__ import annotations

from collections.abc import Callable

from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QPushButton, QSlider, QWidget

from quietfloor.bench.teach.alarms import Alarms
from quietfloor.bench.teach.choices import RULES, STOPS, Opinion
from quietfloor.bench.teach.keys import ACTIONS, SLIDERS
from quietfloor.monitor.display.actions import spoken
from quietfloor.monitor.display.panel import Panel, Words, colour
from quietfloor.monitor.display.theme import Look

SHORT = {",": ",", ".": "."}  # on a button there is no room for the words


class Sliders(QWidget):
    """One slider for each condition, in steps; `asked` gets its name and the value."""

    def __init__(self, asked: Callable[[str, float], None]) -> None:
        super().__init__()
        self.chosen = 0
        self._asked = asked
        self._look = Look()
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(8)
        grid.setVerticalSpacing(1)
        grid.setColumnStretch(1, 1)
        self.sliders: list[QSlider] = []
        self.titles: list[QLabel] = []
        self.values: list[QLabel] = []
        for row, (name, title, unit, about) in enumerate(SLIDERS):
            label, value, slider = QLabel(title), QLabel(), QSlider(Qt.Orientation.Horizontal)
            slider.setRange(0, len(STOPS[name]) - 1)
            slider.setPageStep(1)
            slider.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            slider.setAccessibleName(f"{title}, {unit}")
            slider.valueChanged.connect(lambda place, row=row: self._moved(row, place))
            for widget in (label, value, slider):
                widget.setToolTip(f"<qt>{about}</qt>")
            value.setAlignment(Qt.AlignmentFlag.AlignRight)
            for column, widget in enumerate((label, slider, value)):
                grid.addWidget(widget, row, column)
            self.sliders.append(slider)
            self.titles.append(label)
            self.values.append(value)

    def _moved(self, row: int, place: int) -> None:
        self.choose(row - self.chosen)
        name = SLIDERS[row][0]
        self._word(row, STOPS[name][place])
        self._asked(name, STOPS[name][place])

    def _word(self, row: int, value: float) -> None:
        self.values[row].setText(f"{value:g} {SLIDERS[row][2]}".replace(" /", "/"))

    def choose(self, by: int) -> None:
        self.chosen = (self.chosen + by) % len(SLIDERS)
        self._mark()

    def move_by(self, by: int) -> None:
        """Move the chosen one by some stops."""
        slider = self.sliders[self.chosen]
        slider.setValue(slider.value() + by)

    def show_values(self, values: dict[str, float]) -> None:
        """Take on what holds, without asking."""
        for row, (name, *_) in enumerate(SLIDERS):
            stops = STOPS[name]
            nearest = min(range(len(stops)), key=lambda place: abs(stops[place] - values[name]))
            self.sliders[row].blockSignals(True)
            self.sliders[row].setValue(nearest)
            self.sliders[row].blockSignals(False)
            self._word(row, values[name])

    def restyle(self, look: Look) -> None:
        self._look = look
        for value in self.values:
            value.setMinimumWidth(look.px(5.6))
        self._mark()

    def _mark(self) -> None:
        for row, title in enumerate(self.titles):
            font = title.font()
            font.setBold(row == self.chosen)
            title.setFont(font)
            mark = "▸" if row == self.chosen else "   "
            title.setText(f"{mark} {SLIDERS[row][1]}")


class Buttons(QWidget):
    """Buttons of the table of actions; `pressed` gets the name."""

    def __init__(self, names: tuple[str, ...], pressed: Callable[[str], None]) -> None:
        super().__init__()
        self.buttons: dict[str, QPushButton] = {}
        self._actions = [action for action in ACTIONS if action.name in names]
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(5)
        for action in self._actions:
            button = QPushButton(action.button)
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.setToolTip(f"<qt>{action.text}</qt>")
            button.setAccessibleName(action.text)
            button.clicked.connect(lambda _, name=action.name: pressed(name))
            row.addWidget(button)
            self.buttons[action.name] = button
            self.rename(action.name, action.button)

    def rename(self, name: str, text: str) -> None:
        action = next(action for action in self._actions if action.name == name)
        self.buttons[name].setText(f"{text} [{SHORT.get(action.keys[0], spoken(action.keys[0]))}]")


class RulesPanel(Panel):
    """What each rule says of this run, and how often it is wrong in runs without a response."""

    def __init__(self) -> None:
        body = QWidget()
        about = (
            "The valid rule first, then three that are not: what each says of this run, and in how many simulated runs without "
            "any response it found one. The interval holds the true rate at 95 of 100 such counts (exact, Clopper and Pearson)."
        )
        super().__init__("rules", "Who says what", about, body)
        grid = QGridLayout(body)
        grid.setContentsMargins(4, 0, 4, 0)
        grid.setHorizontalSpacing(10)
        grid.setVerticalSpacing(2)
        for column, stretch in enumerate((4, 5, 7)):
            grid.setColumnStretch(column, stretch)
        self.heads = [Words(text) for text in ("rule", "in this run", "false alarms without a response")]
        self.cells: list[tuple[Words, Words, Words]] = []
        for column, head in enumerate(self.heads):
            grid.addWidget(head, 0, column)
        for row, (_, title, meaning) in enumerate(RULES):
            sentence = f"{meaning[0].upper()}{meaning[1:]}."
            cells = (Words(title, sentence), Words("", sentence), Words("not counted yet: C", about))
            for column, cell in enumerate(cells):
                grid.addWidget(cell, row + 1, column)
            self.cells.append(cells)

    def restyle(self, look: Look) -> None:
        super().restyle(look)
        for head in self.heads:
            head.size_letters(look.px(0.88))
            colour(head, look.theme.quiet)
        for row, cells in enumerate(self.cells):
            for cell in cells:
                cell.size_letters(look.px(1.02), bold=row == 0)
                colour(cell, look.theme.ink)

    def show_opinions(self, opinions: tuple[Opinion, ...]) -> None:
        states = self.look.theme.states
        for (_, cell, _), opinion in zip(self.cells, opinions, strict=True):
            if opinion.found:
                text, ink = f"● response at {opinion.at_sweeps:,}", states["present"]
            elif opinion.at_sweeps:
                text, ink = f"■ {opinion.now} at {opinion.at_sweeps:,}", states["absent"]
            else:
                text, ink = f"◇ {opinion.now}", states["undecided"]
            cell.say(text)
            colour(cell, ink)

    def show_alarms(self, alarms: Alarms, on: bool) -> None:
        self.aside.say(f"{alarms.runs:,} null runs{', counting' if on else ''}" if alarms.runs or on else "")
        if not alarms.runs:
            return
        for place, (_, _, cell) in enumerate(self.cells):
            found = alarms.of(place)
            cell.say(f"{found.count:,}: {100 * found.rate:.1f} % ({100 * found.low:.1f} to {100 * found.high:.1f} %)")
