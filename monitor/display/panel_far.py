"""Large letters that are read from two metres with one hand on the person: state, ear, level, time to go, what a key does."""

from __future__ import annotations

from PyQt5.QtCore import QPointF, QRectF, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFont, QFontMetricsF, QMouseEvent, QPainter, QPaintEvent
from PyQt5.QtWidgets import QWidget

from quietfloor.monitor.display.audiogram_view import draw_symbol
from quietfloor.monitor.display.canvas import pen
from quietfloor.monitor.display.marks import draw_mark
from quietfloor.monitor.display.panel import Panel
from quietfloor.monitor.display.session_live import LETTERS_PER_HEIGHT, Far
from quietfloor.monitor.display.session_sight import Point
from quietfloor.monitor.display.theme import Look

LEFT = int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
STEP_OF_KEY = {"b": "one_stop", "Space": "pause_sound"}  # what a click on the last line does; else what Enter does


class FarView(QWidget):
    """Five lines at most. A click on the last one does what Enter does, on any other line nothing."""

    pressed = pyqtSignal(str)  # the name of an action

    def __init__(self) -> None:
        super().__init__()
        self.look = Look()
        self.far: Far | None = None
        self.capital_px: list[float] = []  # height of a capital in each line that was painted last
        self._step = QRectF()

    def show_far(self, far: Far) -> None:
        if far != self.far:
            self.far = far
            self.update()

    def paintEvent(self, event: QPaintEvent | None) -> None:
        painter = QPainter(self)
        try:
            if self.far is not None:
                self._draw(painter, self.far)
        finally:
            painter.end()

    def _font(self, capital_px: float) -> QFont:
        """A font whose capitals are so high."""
        font = QFont(self.font())
        font.setBold(True)
        font.setPixelSize(100)
        part = QFontMetricsF(font).tightBoundingRect("H").height() / 100.0
        font.setPixelSize(max(10, round(capital_px / part + 0.5)))
        return font

    def _draw(self, painter: QPainter, far: Far) -> None:
        theme = self.look.theme
        window = self.window()
        capital_px = (self.height() if window is None else window.height()) / LETTERS_PER_HEIGHT
        font = self._font(capital_px)
        painter.setFont(font)
        metrics = QFontMetricsF(font)
        line = self.height() / len(far.lines)
        mark = min(1.5 * capital_px, line)
        left = 0.5 * mark + 1.3 * mark
        inks = (theme.states[far.state], theme.ears.get(far.ear, theme.ink), theme.ink, theme.ink, theme.states["undecided"])
        self.capital_px = []
        for number, (words, ink) in enumerate(zip(far.lines, inks, strict=True)):
            place = QRectF(left, number * line, self.width() - left - 0.2 * mark, line)
            if not words:
                continue
            painter.setPen(QColor(ink))
            shown = font
            if metrics.horizontalAdvance(words) > place.width():  # a narrow window: rather smaller than cut
                shown = QFont(font)
                shown.setPixelSize(max(10, int(font.pixelSize() * place.width() / metrics.horizontalAdvance(words))))
            painter.setFont(shown)
            self.capital_px.append(QFontMetricsF(shown).tightBoundingRect("H").height())
            painter.drawText(place, LEFT, words)
            middle = QPointF(0.2 * mark + 0.65 * mark, place.center().y())
            if number == 0:
                draw_mark(painter, middle, mark, far.state, theme.states[far.state], theme.ground)
            elif number == 1 and far.ear:
                painter.save()
                painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
                painter.setPen(pen(ink, max(4, round(mark / 9))))
                air = "bone" if "bone" in words else "air"
                draw_symbol(painter, Point(far.ear, air, None, 0.0, 0.0, 0.0, "threshold"), middle, 0.4 * mark)
                painter.restore()
            elif number == 4:
                self._step = place
                painter.save()
                painter.setPen(pen(ink, max(4, round(mark / 9))))
                arrow = [middle + QPointF(x * mark, y * mark) for x, y in ((-0.2, -0.3), (0.2, 0.0), (-0.2, 0.3))]
                painter.drawPolyline(*arrow)
                painter.restore()

    def mousePressEvent(self, event: QMouseEvent | None) -> None:
        assert event is not None
        if self.far is not None and self.far.step and self._step.contains(QPointF(event.pos())):
            self.pressed.emit(STEP_OF_KEY.get(self.far.step.partition(":")[0], "step_do"))


class FarPanel(Panel):
    """The large letters alone."""

    def __init__(self) -> None:
        self.view = FarView()
        super().__init__(
            "large letters", "", "State, ear, level, time to go, and what the next key does, to be read from two metres. Page up "
            "and Page down choose a step, Enter does it, b stops the run in 2 s.", self.view,
        )  # fmt: skip
        self.heading.hide()
        self.aside.hide()

    def restyle(self, look: Look) -> None:
        super().restyle(look)
        self.view.look = look
        self.view.update()
