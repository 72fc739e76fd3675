"""The audiogram of a session as it is so far, painted into a rectangle: symbols, ears by colour and shape, 95 % intervals.

Axes and symbols are those of the chart of the report, `monitor.hearing.audiogram`, which names their source.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from PyQt5.QtCore import QPointF, QRectF, Qt
from PyQt5.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen, QPolygonF

from quietfloor.monitor.display.canvas import pen
from quietfloor.monitor.display.session_sight import Point
from quietfloor.monitor.display.theme import Look
from quietfloor.monitor.hearing.audiogram import (
    BAR_ASIDE,
    BONE_ASIDE,
    BONE_PATHS,
    BOTTOM_DB,
    DB_AN_OCTAVE,
    HIGHEST_HZ,
    LOWEST_HZ,
    OCTAVES_HZ,
    SIDE,
    TOP_DB,
)

MIDDLE, LEFT = int(Qt.AlignmentFlag.AlignCenter), int(Qt.AlignmentFlag.AlignLeft)
RIGHT = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
WITHOUT = 1.0  # octaves beyond the highest frequency: sounds without one
LINES_DB = range(int(TOP_DB), int(BOTTOM_DB) + 1, 10)


class AudiogramView:
    """``x`` and ``y`` give pixels; the aspect is kept: an octave is as wide as 20 dB are high. ``wide``: name of the sounds
    without a frequency."""

    def __init__(self, points: Sequence[Point], unit: str, look: Look, rect: QRectF, wide: str = "click") -> None:
        self._points, self._unit, self._look, self._wide = points, unit, look, wide
        self._without = any(one.frequency_hz is None for one in points)
        left, right = math.log2(LOWEST_HZ) - 0.5, math.log2(HIGHEST_HZ) + 0.5 + (WITHOUT if self._without else 0.0)
        octaves, high_db = right - left, BOTTOM_DB - TOP_DB
        inside = rect.adjusted(look.px(2.6), look.px(2.9), -look.px(0.4), -look.px(0.4))
        self.px_per_db = min(inside.height() / high_db, inside.width() / (octaves * DB_AN_OCTAVE))
        self._left_octave = left
        across, high = self.px_per_db * octaves * DB_AN_OCTAVE, self.px_per_db * high_db
        self.chart = QRectF(inside.left() + (inside.width() - across) / 2, inside.top(), across, high)

    def x(self, one: Point, aside: float = 0.0) -> float:
        hz = 2.0**WITHOUT * HIGHEST_HZ if one.frequency_hz is None else min(max(one.frequency_hz, LOWEST_HZ), HIGHEST_HZ)
        aside += SIDE[one.ear] * BONE_ASIDE if one.route == "bone" else 0.0
        return self.chart.left() + (math.log2(hz) + aside - self._left_octave) * DB_AN_OCTAVE * self.px_per_db

    def y(self, level_db: float) -> float:
        """Held inside the chart."""
        return self.chart.top() + (min(max(level_db, TOP_DB), BOTTOM_DB) - TOP_DB) * self.px_per_db

    def draw(self, painter: QPainter) -> None:
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        self._axes(painter)
        for ear in ("right", "left"):
            self._line(painter, ear)
        for one in self._points:
            self._bar(painter, one)
        for one in self._points:
            self._symbol(painter, one)
        painter.restore()

    def _axes(self, painter: QPainter) -> None:
        look, theme, chart = self._look, self._look.theme, self.chart
        font = QFont(painter.font())
        font.setPixelSize(look.px(0.85))
        painter.setFont(font)
        metrics = QFontMetricsF(font)
        step = 20 if 10 * self.px_per_db < 1.1 * metrics.height() else 10
        for db in LINES_DB:
            y = self.y(db)
            painter.setPen(pen(theme.axis if db == 0 else theme.grid))
            painter.drawLine(QPointF(chart.left(), y), QPointF(chart.right(), y))
            if db % step == 0:
                painter.setPen(QColor(theme.quiet))
                words = f"{db}".replace("-", "−")
                painter.drawText(QRectF(chart.left() - look.px(2.6), y - 10, look.px(2.4), 20), RIGHT, words)
        painter.setPen(pen(theme.grid))
        for hz in [*OCTAVES_HZ, *([2 * HIGHEST_HZ] if self._without else [])]:
            painter.drawLine(QPointF(self._x_of(hz), chart.top()), QPointF(self._x_of(hz), chart.bottom()))
        painter.setPen(QColor(theme.quiet))
        for left, wide, words in self.names(metrics):
            painter.drawText(QRectF(left - 2, chart.top() - look.px(1.4), wide + 4, look.px(1.3)), MIDDLE, words)
        how = "estimated" if self._unit == "dB eHL" else "no hearing level: as measured"
        title = f"{how}, {self._unit} · Hz"
        place = QRectF(chart.left() - look.px(2.4), chart.top() - look.px(2.8), chart.width() + look.px(2.8), look.px(1.3))
        painter.drawText(place, LEFT, metrics.elidedText(title, Qt.TextElideMode.ElideRight, place.width()))

    def names(self, metrics: QFontMetricsF) -> list[tuple[float, float, str]]:
        """Left end, width and words of what stands above the columns: all octaves, or every second or third where there is less
        room, and the sounds without a frequency at the right end."""
        end = self.chart.right()
        last: list[tuple[float, float, str]] = []
        if self._without:
            words = metrics.elidedText(self._wide, Qt.TextElideMode.ElideRight, 0.4 * self.chart.width())
            wide = metrics.horizontalAdvance(words)
            last = [(min(self._x_of(2 * HIGHEST_HZ) - wide / 2, end - wide), wide, words)]
        for step, skipped in ((1, 0), (2, 0), (2, 1), (3, 0), (3, 1), (3, 2)):
            found = list(last)
            for hz in OCTAVES_HZ[::-1][skipped::step]:
                words = f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"
                wide = metrics.horizontalAdvance(words)
                found.append((self._x_of(hz) - wide / 2, wide, words))
            if all(left - 4 > before + wide for (left, *_), (before, wide, _) in itertools.pairwise(found)):
                break
        return found

    def _x_of(self, hz: float) -> float:
        return self.chart.left() + (math.log2(hz) - self._left_octave) * DB_AN_OCTAVE * self.px_per_db

    def _ink(self, one: Point, width: int = 1, style: Qt.PenStyle = Qt.PenStyle.SolidLine) -> QPen:
        made = QPen(pen(self._look.theme.ears[one.ear], width))
        made.setStyle(style)
        return made

    def _line(self, painter: QPainter, ear: str) -> None:
        """Join neighbours by air with a threshold; a frequency without a response interrupts the line."""
        by_air = sorted(
            (one for one in self._points if (one.ear, one.route) == (ear, "air") and one.frequency_hz is not None),
            key=lambda one: one.frequency_hz or 0.0,
        )
        style = Qt.PenStyle.SolidLine if ear == "right" else Qt.PenStyle.DashLine
        for one, following in itertools.pairwise(by_air):
            if one.finding == following.finding == "threshold":
                painter.setPen(self._ink(one, 1, style))
                ends = [QPointF(self.x(each), self.y(each.level_db)) for each in (one, following)]
                painter.drawLine(*ends)

    def _bar(self, painter: QPainter, one: Point) -> None:
        """The interval; an end without a limit has no cap."""
        x = self.x(one, SIDE[one.ear] * BAR_ASIDE)
        low = TOP_DB if math.isnan(one.low_db) else one.low_db
        high = BOTTOM_DB if math.isnan(one.high_db) else one.high_db
        painter.setPen(self._ink(one, self._look.thin, Qt.PenStyle.SolidLine if one.route == "air" else Qt.PenStyle.DotLine))
        painter.drawLine(QPointF(x, self.y(low)), QPointF(x, self.y(high)))
        painter.setPen(self._ink(one, self._look.thin))
        for db in (one.low_db, one.high_db):
            if TOP_DB <= db <= BOTTOM_DB:
                painter.drawLine(QPointF(x - 3, self.y(db)), QPointF(x + 3, self.y(db)))

    def _symbol(self, painter: QPainter, one: Point) -> None:
        half, at = 0.55 * self._look.px(1.0), QPointF(self.x(one), self.y(one.level_db))
        painter.setPen(self._ink(one, self._look.line))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        draw_symbol(painter, one, at, half)
        side = SIDE[one.ear]
        if one.finding in ("no response", "at most"):
            down = 1.0 if one.finding == "no response" else -1.0
            start, tip = at + QPointF(0.9 * half * side, 0.9 * half * down), at + QPointF(2.4 * half * side, 2.7 * half * down)
            painter.drawLine(start, tip)
            painter.drawLine(tip, tip + QPointF(-1.1 * half * side, -0.1 * half * down))
            painter.drawLine(tip, tip + QPointF(0.1 * half * side, -1.1 * half * down))
        if not one.ear_known:
            painter.drawText(QRectF(at.x() + 1.8 * half * side - 8, at.y() - 2.6 * half - 8, 16, 16), MIDDLE, "?")


def draw_symbol(painter: QPainter, one: Point, at: QPointF, half: float) -> None:
    """The symbol of ear, route and masking around a pixel, with the pen of the painter."""
    painter.save()
    painter.translate(at)
    kind = one.ear, one.masked
    if one.route == "bone":
        path = QPolygonF([QPointF(1.25 * half * x, -1.25 * half * y) for x, y in BONE_PATHS[kind]])
        painter.drawPolyline(path)
    elif kind == ("right", False):
        painter.drawEllipse(QPointF(0, 0), half, half)
    elif kind == ("left", False):
        painter.drawLine(QPointF(-half, -half), QPointF(half, half))
        painter.drawLine(QPointF(-half, half), QPointF(half, -half))
    elif kind == ("right", True):
        painter.drawPolygon(QPolygonF([QPointF(0, -1.1 * half), QPointF(half, 0.8 * half), QPointF(-half, 0.8 * half)]))
    else:
        painter.drawRect(QRectF(-half, -half, 2 * half, 2 * half))
    painter.restore()
