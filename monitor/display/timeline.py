"""The length of a run as a line: how far it is, which moment is shown, and a way to go to another."""

from __future__ import annotations

from PyQt5.QtCore import QPointF, QRectF, QSize, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QMouseEvent, QPainter, QPaintEvent, QPen
from PyQt5.QtWidgets import QSizePolicy, QWidget

from quietfloor.monitor.display.scales import clock
from quietfloor.monitor.display.theme import Look


class Timeline(QWidget):
    """``moved`` carries the moment in seconds that the user points at."""

    moved = pyqtSignal(float)

    def __init__(self) -> None:
        super().__init__()
        self.look = Look()
        self.total_s, self.head_s, self.shown_s = 0.0, 0.0, 0.0
        self._drawn: tuple[int, int] = (-1, -1)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.setToolTip("<qt>The run from its start; drag the handle to look back, or use ← and →.</qt>")
        self.setAccessibleName("moment that is shown")

    def sizeHint(self) -> QSize:
        return QSize(200, self.look.px(1.9))

    def show_times(self, total_s: float, head_s: float, shown_s: float) -> None:
        """Length of the whole, how far the run is, and the moment that is shown, in seconds."""
        self.total_s, self.head_s, self.shown_s = max(total_s, head_s), head_s, shown_s
        drawn = (int(self._x(head_s)), int(self._x(shown_s)))
        if drawn != self._drawn:
            self._drawn = drawn
            self.update()

    def _x(self, seconds: float) -> float:
        edge = self.look.px(0.8)
        part = seconds / self.total_s if self.total_s > 0 else 1.0
        return edge + min(max(part, 0.0), 1.0) * (self.width() - 2 * edge)

    def paintEvent(self, event: QPaintEvent | None) -> None:
        painter = QPainter(self)
        theme, middle = self.look.theme, self.height() / 2
        thick = self.look.px(0.4)
        left, head, shown = self._x(0.0), self._x(self.head_s), self._x(self.shown_s)
        painter.fillRect(QRectF(left, middle - thick / 2, self.width() - 2 * left, thick), QColor(theme.button))
        painter.fillRect(QRectF(left, middle - thick / 2, head - left, thick), QColor(theme.axis))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        painter.setPen(QPen(QColor(theme.ground), 2))
        painter.setBrush(QColor(theme.ink))
        painter.drawEllipse(QPointF(shown, middle), self.look.px(0.55), self.look.px(0.55))
        painter.end()

    def _point(self, event: QMouseEvent) -> None:
        edge = self.look.px(0.8)
        part = (event.x() - edge) / max(1.0, self.width() - 2 * edge)
        self.moved.emit(min(max(part, 0.0), 1.0) * self.total_s)

    def mousePressEvent(self, event: QMouseEvent | None) -> None:
        assert event is not None
        self._point(event)

    def mouseMoveEvent(self, event: QMouseEvent | None) -> None:
        assert event is not None
        if event.buttons() & Qt.MouseButton.LeftButton:
            self._point(event)

    @property
    def words(self) -> str:
        """The two times that matter, 0:12 / 1:30."""
        return f"{clock(self.shown_s)} / {clock(self.total_s)}"
