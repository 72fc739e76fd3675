"""Symbols of the states, which can be distinguished without colour and without reading."""

from __future__ import annotations

import math

from PyQt5.QtCore import QPointF, QRectF, Qt
from PyQt5.QtGui import QBrush, QColor, QPainter, QPaintEvent, QPen, QPolygonF
from PyQt5.QtWidgets import QWidget

from quietfloor.monitor.display.theme import Look
from quietfloor.monitor.display.views import DOUBTED, STATES


def draw_mark(painter: QPainter, at: QPointF, size: float, state: str, colour: str, ground: str) -> None:
    """A mark ``size`` pixels wide around a point; ``ground`` is drawn inside filled ones."""
    if state not in STATES:
        raise ValueError(f"state = {state!r}: give one of {', '.join(STATES)}")
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
    painter.translate(at)
    half = size / 2
    edge, inner = _round(colour, max(1.5, size / 9)), _round(ground, max(1.2, size / 10))
    filled = QBrush(QColor(colour))
    painter.setPen(edge)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    if state == "waiting":  # dots on a circle
        painter.setBrush(filled)
        painter.setPen(Qt.PenStyle.NoPen)
        for step in range(8):
            angle = step * math.pi / 4
            dot = size * (0.05 + 0.01 * step)
            painter.drawEllipse(QPointF(0.8 * half * math.cos(angle), 0.8 * half * math.sin(angle)), dot, dot)
    elif state == "undecided":  # hollow diamond
        painter.setBrush(QBrush(QColor(ground)))
        painter.drawPolygon(_polygon(half * 0.92, [(0, -1), (1, 0), (0, 1), (-1, 0)]))
    elif state == "present":  # disc with a wave in it
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(filled)
        painter.drawEllipse(QPointF(0, 0), half, half)
        painter.setPen(inner)
        wave = [(-0.6, 0.2), (-0.3, 0.1), (-0.05, -0.5), (0.2, 0.45), (0.4, 0.1), (0.6, 0.05)]
        painter.drawPolyline(_polygon(half, wave))
    elif state == "absent":  # square with a level line in it
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(filled)
        painter.drawRect(QRectF(-0.88 * half, -0.88 * half, 1.76 * half, 1.76 * half))
        painter.setPen(inner)
        painter.drawLine(QPointF(-0.55 * half, 0), QPointF(0.55 * half, 0))
    elif state in DOUBTED:  # disc or square with a question mark in it
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(filled)
        square = QRectF(-0.88 * half, -0.88 * half, 1.76 * half, 1.76 * half)
        painter.drawEllipse(QPointF(0, 0), half, half) if state == "present?" else painter.drawRect(square)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(inner)
        hook = [(-0.36, -0.3), (-0.25, -0.58), (0.0, -0.68), (0.28, -0.56), (0.36, -0.26), (0.2, 0.0), (0.0, 0.14), (0.0, 0.3)]
        painter.drawPolyline(_polygon(half, hook))
        painter.drawPoint(QPointF(0, 0.68 * half))
    elif state == "stopped":  # hollow square
        painter.setBrush(QBrush(QColor(ground)))
        painter.drawRect(QRectF(-0.78 * half, -0.78 * half, 1.56 * half, 1.56 * half))
    elif state == "discarded":  # hollow circle, struck through
        painter.setBrush(QBrush(QColor(ground)))
        painter.drawEllipse(QPointF(0, 0), 0.8 * half, 0.8 * half)
        painter.drawLine(QPointF(-0.9 * half, 0.9 * half), QPointF(0.9 * half, -0.9 * half))
    elif state == "fault":  # triangle with a bar and a dot
        painter.setPen(_round(colour, size / 12))
        painter.setBrush(filled)
        painter.drawPolygon(_polygon(half * 0.95, [(0, -0.9), (1, 0.85), (-1, 0.85)]))
        painter.setPen(inner)
        painter.drawLine(QPointF(0, -0.3 * half), QPointF(0, 0.25 * half))
        painter.drawPoint(QPointF(0, 0.55 * half))
    else:  # earlier: two arrows to the left
        painter.setBrush(filled)
        painter.setPen(Qt.PenStyle.NoPen)
        for shift in (-0.5, 0.45):
            painter.drawPolygon(_polygon(half, [(shift - 0.45, 0), (shift + 0.4, -0.75), (shift + 0.4, 0.75)]))
    painter.restore()


def _round(colour: str, width: float) -> QPen:
    return QPen(QColor(colour), width, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin)


def _polygon(scale: float, points: list[tuple[float, float]]) -> QPolygonF:
    return QPolygonF([QPointF(scale * x, scale * y) for x, y in points])


class Mark(QWidget):
    """A mark as a widget."""

    def __init__(self) -> None:
        super().__init__()
        self.state, self._look = "waiting", Look()
        self._side = 40

    def restyle(self, look: Look) -> None:
        self._look = look
        self._side = look.px(4.0)
        self.setFixedSize(self._side, self._side)
        self.update()

    def show_state(self, state: str) -> None:
        if state != self.state:
            self.state = state
            self.update()

    def paintEvent(self, event: QPaintEvent | None) -> None:
        painter = QPainter(self)
        theme = self._look.theme
        middle = QPointF(self.width() / 2, self.height() / 2)
        draw_mark(painter, middle, 0.86 * self._side, self.state, theme.states[self.state], theme.ground)
        painter.end()


__all__ = ["Mark", "draw_mark"]
