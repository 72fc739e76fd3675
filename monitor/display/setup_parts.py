"""The parts of the set-up panel: shapes for how serious something is, a step in the list, and a row of a step."""

from __future__ import annotations

from html import escape

from PyQt5.QtCore import QPointF, Qt
from PyQt5.QtGui import QBrush, QColor, QFont, QFontMetrics, QPainter, QPaintEvent, QPen, QPolygonF, QResizeEvent
from PyQt5.QtWidgets import QFrame, QGridLayout, QHBoxLayout, QLabel, QPushButton, QScrollArea, QVBoxLayout, QWidget

from quietfloor.monitor.display.heard import Heard
from quietfloor.monitor.display.panel import FittedWords, Words
from quietfloor.monitor.display.steps import MEANINGS, WORDS, Row, Step
from quietfloor.monitor.display.terms import tooltip
from quietfloor.monitor.display.theme import Look
from quietfloor.monitor.readiness.findings import Severity

HEARD = (2.3, 1.6, 1.3)  # sizes of letters of the heading, the largest that fits
USUAL, PLAIN = 1.06, 1.25  # sizes of letters: rows with figures, and sentences to be read
STATE_OF: dict[Severity, str] = {"ok": "present", "look": "undecided", "stop": "fault", "wait": "waiting"}  # for the colour


class Shape(QWidget):
    """Tick, triangle, octagon-like bar, or dots: how serious something is, told apart without colour."""

    def __init__(self, times: float = 1.5) -> None:
        super().__init__()
        self.severity: Severity | None = None
        self._times, self._look = times, Look()

    def restyle(self, look: Look) -> None:
        self._look = look
        side = look.px(self._times)
        self.setFixedSize(side, side)
        self.update()

    def show_severity(self, severity: Severity | None) -> None:
        if severity != self.severity:
            self.severity = severity
            self.setToolTip("" if severity is None else MEANINGS[severity])
            self.setAccessibleName("" if severity is None else WORDS[severity])
            self.update()

    def paintEvent(self, event: QPaintEvent | None) -> None:
        if self.severity is None:
            return
        theme, painter = self._look.theme, QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        ink, half = QColor(theme.states[STATE_OF[self.severity]]), self.width() / 2
        painter.translate(half, half)
        half *= 0.86
        pen = QPen(ink, max(1.6, half / 3.2), Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin)
        painter.setPen(pen)
        if self.severity == "ok":  # a tick
            painter.drawPolyline(_points(half, (-0.7, 0.05), (-0.15, 0.6), (0.75, -0.6)))
        elif self.severity == "look":  # a hollow triangle with a dot
            pen.setWidthF(max(1.4, half / 5))
            painter.setPen(pen)
            painter.drawPolygon(_points(half, (0.0, -0.85), (0.9, 0.75), (-0.9, 0.75)))
            painter.setBrush(QBrush(ink))
            painter.setPen(Qt.PenStyle.NoPen)
            painter.drawEllipse(QPointF(0, 0.25 * half), 0.2 * half, 0.2 * half)
        elif self.severity == "stop":  # a filled square with a bar
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QBrush(ink))
            painter.drawRoundedRect(int(-0.9 * half), int(-0.9 * half), int(1.8 * half), int(1.8 * half), 2, 2)
            pen.setColor(QColor(theme.sheet))
            painter.setPen(pen)
            painter.drawLine(QPointF(-0.45 * half, 0), QPointF(0.45 * half, 0))
        else:  # three dots
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QBrush(ink))
            for x in (-0.7, 0.0, 0.7):
                painter.drawEllipse(QPointF(x * half, 0), 0.2 * half, 0.2 * half)
        painter.end()


def _points(scale: float, *points: tuple[float, float]) -> QPolygonF:
    return QPolygonF([QPointF(scale * x, scale * y) for x, y in points])


class Text(QLabel):
    """Words that wrap; their size and colour come from the look."""

    def __init__(self, times: float = 1.0, bold: bool = False, quiet: bool = False) -> None:
        super().__init__()
        self._times, self._bold, self._quiet, self._px = times, bold, quiet, Look().px(times)
        self.setWordWrap(True)
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setAlignment(Qt.AlignmentFlag.AlignTop)

    def restyle(self, look: Look) -> None:
        self._px = look.px(self._times)
        self.ink(look.theme.quiet if self._quiet else look.theme.ink)

    def enlarge(self, look: Look, times: float, bold: bool) -> None:
        """Another size or weight."""
        if (times, bold) != (self._times, self._bold):
            self._times, self._bold = times, bold
            self.restyle(look)

    def ink(self, colour: str) -> None:
        """In this colour."""
        style = f"font-size: {self._px}px; font-weight: {'bold' if self._bold else 'normal'}; color: {colour};"
        if style != self.styleSheet():
            self.setStyleSheet(style)

    def say(self, text: str) -> None:
        if text != self.text():
            self.setText(text)


class HeardLine(Text):
    """A line of the heading, in the colour of its ear: as large as fits into one line. The smallest size wraps; none is cut."""

    def __init__(self, heard: Heard) -> None:
        super().__init__(HEARD[0], bold=True)
        self._ear, self._sizes, self._look = heard.ear, HEARD if heard.large else HEARD[1:], Look()
        self.say(heard.words)
        self.setToolTip("What this run will play, by its plan: compare it with what is at the person.")

    def restyle(self, look: Look) -> None:
        self._look = look
        self._fit()

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        self._times = next((times for times in self._sizes if self._wide(times) <= self.width()), self._sizes[-1])
        super().restyle(self._look)
        self.ink(self._look.theme.ears.get(self._ear, self._look.theme.ink))

    def _wide(self, times: float) -> int:
        font = QFont(self.font())
        font.setBold(True)
        font.setPixelSize(self._look.px(times))
        return QFontMetrics(font).horizontalAdvance(self.text()) + 4


class Scrolled(QScrollArea):
    """Whatever does not fit is moved up and down inside; it never makes the window larger. Keys belong to the window."""

    def __init__(self, inside: QWidget) -> None:
        super().__init__()
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setWidget(inside)


class StepButton(QPushButton):
    """A step in the list: its number, shape, title and what it says in brief."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number
        self.setCheckable(True)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setObjectName("step")
        self.shape, self.title, self.brief = Shape(1.7), FittedWords(), Words()
        self.brief.setObjectName("quiet")  # for the style sheet of the set-up, under which no palette holds
        for part in (self.shape, self.title, self.brief):
            part.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        lines = QVBoxLayout()
        lines.setSpacing(0)
        lines.addWidget(self.title)
        lines.addWidget(self.brief)
        row = QHBoxLayout(self)
        row.setContentsMargins(10, 2, 10, 2)
        row.setSpacing(10)
        row.addWidget(self.shape)
        row.addLayout(lines, 1)
        self._look = Look()

    def restyle(self, look: Look) -> None:
        self.shape.restyle(look)
        self.title.letters_of(look.px(1.1), look.px(0.95), look.px(0.8))
        self.brief.size_letters(look.px(0.95))
        self._look = look
        self.shorten(self.brief.isHidden())

    def shorten(self, short: bool) -> None:
        """Without the second line, where there is no room for it; the shape says how serious it is, the tooltip what it is."""
        self.brief.setVisible(not short)
        self.setFixedHeight(self._look.px(2.0 if short else 3.9))

    def show_step(self, step: Step) -> None:
        self.shape.show_severity(step.severity)
        self.title.say(f"{self.number}  {step.title}")
        self.brief.say(step.brief)
        self.setAccessibleName(f"{step.title}, {step.brief}")
        self.setToolTip(f"<qt>{step.question}<br>{step.brief}</qt>")


class StepList(Scrolled):
    """The list of steps; each has one line instead of two where the window is low."""

    SPACING = 4

    def __init__(self, count: int) -> None:
        self.buttons = [StepButton(number) for number in range(1, count + 1)]
        self._look = Look()
        inside = QWidget()
        inside.setObjectName("steps")
        column = QVBoxLayout(inside)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(self.SPACING)
        for button in self.buttons:
            column.addWidget(button)
        column.addStretch(1)
        super().__init__(inside)

    def restyle(self, look: Look) -> None:
        self._look = look
        for button in self.buttons:
            button.restyle(look)
        self._adapt()

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        self._adapt()

    def _adapt(self) -> None:
        short = self.height() < len(self.buttons) * (self._look.px(3.9) + self.SPACING)
        for button in self.buttons:
            button.shorten(short)


class Line(QWidget):
    """One row of a step."""

    def __init__(self) -> None:
        super().__init__()
        self.row: Row | None = None
        self._look = Look()
        self.shape, self.word = Shape(1.35), Text(0.95, quiet=True)
        self.title, self.said, self.remedy = Text(USUAL, bold=True), Text(USUAL), Text(USUAL)
        self.word.setWordWrap(False)
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 3, 0, 3)
        grid.setHorizontalSpacing(10)
        grid.setVerticalSpacing(2)
        grid.addWidget(self.shape, 0, 0, Qt.AlignmentFlag.AlignTop)
        grid.addWidget(self.word, 0, 1)
        grid.addWidget(self.title, 0, 2)
        grid.addWidget(self.said, 0, 3)
        grid.addWidget(self.remedy, 1, 3)
        grid.setColumnStretch(3, 1)
        self._grid = grid

    def restyle(self, look: Look) -> None:
        self._look = look
        for part in (self.shape, self.word, self.title, self.said):
            part.restyle(look)
        self.title.setFixedWidth(look.px(11.5))
        self._ink()
        row, self.row = self.row, None
        if row is not None:
            self.show_row(row)

    def _say(self) -> None:
        """What is not well stands out in a line that says several things."""
        row, states = self.row, self._look.theme.states
        if row is None or not row.parts:
            self.said.setTextFormat(Qt.TextFormat.PlainText)
            self.said.say("" if row is None else row.said)
            return
        self.said.setTextFormat(Qt.TextFormat.RichText)
        shown = [
            escape(text) if severity == "ok" else f"<b style='color: {states[STATE_OF[severity]]}'>{escape(text)}</b>"
            for text, severity in row.parts
        ]
        self.said.say(" &nbsp;·&nbsp; ".join(shown))

    def _ink(self) -> None:
        look = self._look
        severity = None if self.row is None else self.row.severity
        ink = look.theme.states[STATE_OF[severity or "wait"]]
        self.remedy.restyle(look)
        self.remedy.ink(ink)

    def show_row(self, row: Row) -> None:
        if row == self.row:
            return
        self.row = row
        plain = row.severity is None
        self._grid.setColumnMinimumWidth(1, 0 if plain else self._look.px(2.6))
        self._grid.setColumnMinimumWidth(2, 0 if plain else self._look.px(11.0))
        self.said.enlarge(self._look, PLAIN if plain and not row.heading else USUAL, bold=row.heading)
        self.shape.show_severity(row.severity)
        self.shape.setVisible(not plain)
        self.word.setVisible(not plain)
        self.title.setVisible(not plain)
        self.word.say("" if row.severity is None else WORDS[row.severity])
        self.title.say(row.title)
        self._say()
        self.remedy.say(f"→ {row.remedy}" if row.remedy else "")
        self.remedy.setVisible(bool(row.remedy))
        self.setToolTip(tooltip(row.said, row.tip) if row.tip else "")
        self.setAccessibleName(" ".join(part for part in (self.word.text(), row.title, row.said, row.remedy) if part))
        self._grid.setContentsMargins(0, *((12, 0, 2) if row.heading else (6, 0, 6) if plain else (3, 0, 3)))
        self._ink()
