"""The board of a search: a column a condition, a rung a level, with averages, evidence and the threshold as it is believed."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from PyQt5.QtCore import QEvent, QPointF, QRectF, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFont, QFontMetricsF, QHelpEvent, QMouseEvent, QPainter, QPaintEvent, QPolygonF
from PyQt5.QtWidgets import QToolTip, QWidget

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.board import Board, BoardColumn, BoardRung, board_of, legible, level_at, recent, widths
from quietfloor.monitor.display.canvas import dash_path, pen
from quietfloor.monitor.display.curves import EVEN_HALF
from quietfloor.monitor.display.marks import draw_mark
from quietfloor.monitor.display.panel import Panel
from quietfloor.monitor.display.scales import linear_ticks, written
from quietfloor.monitor.display.terms import tooltip
from quietfloor.monitor.display.theme import Look
from quietfloor.monitor.display.views import doubted
from quietfloor.monitor.search.now import SearchNow
from quietfloor.monitor.search.running import Place

LEGIBLE, NARROW = 21.0, 6.8  # widths of a column in letters: with all its parts, and with its threshold alone
FINE = 14.0  # width in letters from which on all three curves are drawn
SMALLER, LEAST_RUNG_PX = (1.0, 0.9, 0.82, 0.74), 8.0  # times the letters; the first with which rungs are so high
LINE = 1.15  # distance of two lines in letters, at least
LEAST_RIDGE = 0.005  # of its height; less is not drawn
MOST_RUNGS = 1.7  # how far a curve may reach from its rung
LEFT, RIGHT, MIDDLE = (int(flag | Qt.AlignmentFlag.AlignVCenter) for flag in (
    Qt.AlignmentFlag.AlignLeft, Qt.AlignmentFlag.AlignRight, Qt.AlignmentFlag.AlignHCenter,
))  # fmt: skip


class BoardView(QWidget):
    """The board itself. A click chooses a rung, a double click asks for it to be played."""

    chosen_at = pyqtSignal(object)  # the Place
    wanted = pyqtSignal(object)

    def __init__(self) -> None:
        super().__init__()
        self.look = self.full = Look()  # with smaller letters where those of the window leave no room for the rungs
        self.board: Board | None = None
        self.chosen: Place | None = None
        self.halves = True
        self._first: tuple[int, ...] = ()  # columns that are shown as a whole before others
        self._columns: list[tuple[QRectF, bool]] = []
        self._rails = (0.0, 1.0)  # pixels of the top and bottom of all levels

    def show_search(self, now: SearchNow, chosen: Place | None, doubtful: Iterable[str] = ()) -> None:
        self._first = recent(self._first, now)
        self.board, self.chosen = board_of(now, doubtful), chosen
        self.update()

    def paintEvent(self, event: QPaintEvent | None) -> None:
        painter = QPainter(self)
        try:
            if self.board is not None:
                self._draw(painter, self.board)
            else:
                place = QRectF(self.rect())
                words = "No level was played yet: the stream is checked first."
                self._text(painter, place, words, self.look.theme.quiet, at=MIDDLE)
        finally:
            painter.end()

    # -- where everything is --------------------------------------------------------------------------------------------

    def _place(self, board: Board) -> None:
        px, gap = self._em, self._em(0.6)
        first = self._first if self.chosen is None else (*self._first[:1], self.chosen.condition, *self._first[1:])
        count = len(board.columns)
        shares = widths(self.width() - gap * (count - 1), count, first, px(LEGIBLE), px(NARROW))
        self._columns, left = [], 0.0
        for wide, whole in shares:
            self._columns.append((QRectF(left, 0, wide, self.height()), whole))
            left += wide + gap
        self._rails = (px(6.0), self.height() - px(1.4))

    def _em(self, times: float) -> float:
        """Pixels of so many letters' heights."""
        return times * self.look.px(1.0)

    def _y(self, level_db: float) -> float:
        """Pixel of a level, held inside the rails."""
        assert self.board is not None
        top, bottom = self._rails
        part = (self.board.top_db - level_db) / (self.board.top_db - self.board.bottom_db)
        return top + min(max(part, 0.0), 1.0) * (bottom - top)

    @property
    def _rung_px(self) -> float:
        assert self.board is not None
        return (self._rails[1] - self._rails[0]) * self.board.step_db / (self.board.top_db - self.board.bottom_db)

    def place_at(self, point: QPointF) -> Place | None:
        """The rung under a pixel."""
        if self.board is None:
            return None
        top, bottom = self._rails
        part = (point.y() - top) / max(bottom - top, 1.0)
        level_db = self.board.top_db - part * (self.board.top_db - self.board.bottom_db)
        for number, (rect, _) in enumerate(self._columns):
            if rect.contains(point):
                level = level_at(self.board.columns[number], level_db, self.board.step_db)
                return None if level is None else Place(number, level)
        return None

    # -- what is drawn ----------------------------------------------------------------------------------------------------

    def _draw(self, painter: QPainter, board: Board) -> None:
        for times in SMALLER:
            self.look = replace(self.full, times=times * self.full.times)
            self._place(board)
            if self._rung_px >= LEAST_RUNG_PX:
                break
        for number, (column, (rect, whole)) in enumerate(zip(board.columns, self._columns, strict=True)):
            chosen = self.chosen.level if self.chosen is not None and self.chosen.condition == number else None
            painter.save()
            painter.setClipRect(rect)
            self._draw_column(painter, column, rect, whole, chosen)
            painter.restore()

    def _draw_column(self, painter: QPainter, column: BoardColumn, rect: QRectF, whole: bool, chosen: int | None) -> None:
        theme, px = self.look.theme, self._em
        if column.running:
            painter.fillRect(QRectF(rect.left(), rect.top(), rect.width(), 2 * self.look.line), QColor(theme.states["undecided"]))
        self._head(painter, column, rect, whole)
        body = QRectF(rect.left(), self._rails[0], rect.width(), self._rails[1] - self._rails[0])
        painter.setPen(pen(theme.axis if column.running else theme.grid))
        painter.drawRect(body.adjusted(0, 0, -1, 0))
        label = px(3.3) if whole else px(0.8)
        words = px(8.1) if whole else px(1.5)
        band = QRectF(body.left() + label, body.top(), px(4.2) if whole else body.width() - label - words, body.height())
        trace = QRectF(band.right() + px(0.6), body.top(), body.right() - words - band.right() - px(0.6), body.height())
        if whole:
            self._captions(painter, column, band, trace, body)
        for rung in column.rungs:
            self._ground(painter, rung, body)
        self._belief(painter, column, band)
        if whole:
            for rung in column.rungs:
                if rung.played:
                    self._curves(painter, column.times_ms, rung, trace)
        told = legible([self._y(rung.level_db) for rung in column.rungs], [self._rank(rung, number == chosen)
                        for number, rung in enumerate(column.rungs)], self._letters_px * LINE)  # fmt: skip
        for number, rung in enumerate(column.rungs):
            self._words(painter, column, rung, body, whole and number in told, whole, number == chosen)

    def _head(self, painter: QPainter, column: BoardColumn, rect: QRectF, whole: bool) -> None:
        """Three lines: who, the threshold with its interval, and what is done there."""
        theme, px = self.look.theme, self._em
        line, top = px(1.42), rect.top() + px(0.4)
        answered = column.state == "answered"
        known = not math.isnan(column.threshold_db)
        threshold = column.standing if whole else column.threshold if known else "–"
        state = column.words if whole else column.words_short
        doubt = theme.states["undecided"]
        ink = doubt if column.running or column.doubtful else theme.states["present"] if answered else theme.quiet
        lines = (
            (column.name if whole else column.short, theme.ears.get(column.ear, theme.ink), 1.02, True),
            (threshold if whole else threshold.removesuffix(" dB nHL"), theme.ink if known else theme.quiet, 1.08, answered),
            (state, ink, 0.95, column.running),
        )
        for number, (words, colour, size, bold) in enumerate(lines):
            place = QRectF(rect.left() + 3, top + number * line, rect.width() - 6, line)
            self._text(painter, place, words, colour, size, bold)
        if not whole:
            place = QRectF(rect.left() + 3, top + 3 * line - px(0.2), rect.width() - 6, px(1.2))
            self._text(painter, place, column.interval, theme.quiet, 0.86)

    def _captions(self, painter: QPainter, column: BoardColumn, band: QRectF, trace: QRectF, body: QRectF) -> None:
        """What each part is, between head and rungs, and milliseconds below."""
        assert self.board is not None
        theme, px = self.look.theme, self._em
        y, high = body.top() - px(1.25), px(1.2)
        scale = f"average, {written(self.board.nv_per_rung)} nV a rung"
        words = (
            (body.left() + 3, band.left() - body.left(), "dB nHL"), (band.left() + 2, band.width(), "threshold"),
            (trace.left(), trace.width(), scale if trace.width() > px(13) else "average"),
        )  # fmt: skip
        for left, wide, text in words:
            self._text(painter, QRectF(left, y, wide, high), text, theme.quiet, 0.82)
        end = QRectF(trace.right(), y, body.right() - trace.right() - 3, high)
        self._text(painter, end, "evidence, noise", theme.quiet, 0.82, at=RIGHT)
        if not len(column.times_ms):
            return
        first, last = float(column.times_ms[0]), float(column.times_ms[-1])
        painter.setPen(pen(theme.grid))
        for ms in linear_ticks(first, last, max(3, int(trace.width() / px(3.5)))):
            x = trace.left() + (ms - first) / (last - first) * trace.width()
            if x > trace.right() - px(1):
                continue
            painter.setPen(pen(theme.grid))
            painter.drawLine(QPointF(x, trace.top()), QPointF(x, trace.bottom()))
            place = QRectF(x - px(2), body.bottom() + 1, px(4), px(1.2))
            self._text(painter, place, written(ms), theme.quiet, 0.82, at=MIDDLE)
        end.moveTop(body.bottom() + 1)
        self._text(painter, end, "ms", theme.quiet, 0.82)

    def _ground(self, painter: QPainter, rung: BoardRung, body: QRectF) -> None:
        """Of one rung: plain, not offered, or playing."""
        assert self.board is not None
        theme, y, half = self.look.theme, self._y(rung.level_db), self._rung_px / 2
        place = QRectF(body.left() + 1, y - half, body.width() - 2, 2 * half)
        if not rung.offered:
            painter.fillRect(place, QColor(theme.unjudged))
        painter.setPen(pen(theme.grid))
        painter.drawLine(QPointF(body.left() + 1, y), QPointF(body.right() - 2, y))
        if rung.playing:
            painter.fillRect(place, QColor(theme.unjudged if self.board.paused else theme.cone))
            painter.setPen(pen(theme.states["undecided"], self.look.line))
            painter.drawRect(place.adjusted(1, 1, -2, -1))

    def _belief(self, painter: QPainter, column: BoardColumn, band: QRectF) -> None:
        """The density of the threshold as a ridge along the levels, its interval as a bar, the threshold as a line."""
        theme = self.look.theme
        ink = theme.ears.get(column.ear, theme.ink)
        if len(column.ridge):
            ys = np.array([self._y(level) for level in column.ridge_db])
            ys, ridge = ys[column.ridge > LEAST_RIDGE], column.ridge[column.ridge > LEAST_RIDGE]
            xs = band.left() + ridge * (band.width() - 2)
            points = [QPointF(band.left(), ys[0]), *map(QPointF, xs.tolist(), ys.tolist()), QPointF(band.left(), ys[-1])]
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
            painter.setPen(pen(theme.even_half))
            painter.setBrush(QColor(theme.band))
            painter.drawPolygon(QPolygonF(points))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        if math.isnan(column.threshold_db):
            return
        painter.setPen(pen(ink, 2 * self.look.line))
        painter.drawLine(QPointF(band.left(), self._y(column.low_db)), QPointF(band.left(), self._y(column.high_db)))
        painter.setPen(pen(ink, self.look.line))
        y = self._y(column.threshold_db)
        painter.drawLine(QPointF(band.left(), y), QPointF(band.right() - 2, y))

    def _curves(self, painter: QPainter, times_ms: Floats, rung: BoardRung, trace: QRectF) -> None:
        """Both halves thin, or where there is little room what lies between them; then the average. None reaches far from its
        rung."""
        theme, fine = self.look.theme, trace.width() >= self._em(FINE)
        xs = trace.left() + (times_ms - times_ms[0]) / (times_ms[-1] - times_ms[0]) * trace.width()
        odd, even, average = (self._points(xs, wave, rung) for wave in (rung.odd_nv, rung.even_nv, rung.average_nv))
        if self.halves and fine:
            painter.setPen(pen(theme.odd_half))
            painter.drawPolyline(QPolygonF(odd))
            painter.setPen(pen(theme.even_half))
            if even:
                painter.drawPath(dash_path(xs, np.array([point.y() for point in even]), EVEN_HALF))
        elif self.halves:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(theme.band))
            painter.drawPolygon(QPolygonF([*odd, *reversed(even)]))
            painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(pen(theme.average, self.look.line if fine else self.look.thin))
        painter.drawPolyline(QPolygonF(average))

    def _points(self, xs: Floats, wave_nv: Floats, rung: BoardRung) -> list[QPointF]:
        """A curve on its rung, in pixels; empty where it is not known everywhere."""
        assert self.board is not None
        if not np.all(np.isfinite(wave_nv)):
            return []
        rise = np.clip(wave_nv / self.board.nv_per_rung, -MOST_RUNGS, MOST_RUNGS) * self._rung_px
        ys = np.clip(self._y(rung.level_db) - rise, *self._rails)
        return list(map(QPointF, xs.tolist(), ys.tolist()))

    @property
    def _letters_px(self) -> float:
        """Size of the letters of a rung."""
        return max(8.0, min(0.92 * self._em(1.0), 0.98 * max(self._rung_px, 9.0)))

    @staticmethod
    def _rank(rung: BoardRung, chosen: bool) -> tuple[bool, ...]:
        """Which rung keeps its words where they stand close: the lowest rank."""
        return not rung.playing, not chosen, not rung.found, not rung.played, rung.level_db % 20 != 0, rung.level_db % 10 != 0

    def _words(
        self, painter: QPainter, column: BoardColumn, rung: BoardRung, body: QRectF, told: bool, whole: bool, chosen: bool
    ) -> None:
        """Level, evidence and noise of a rung (``told``: there is room for them), the mark where a response was found, and a
        frame where it is chosen."""
        theme, px, y = self.look.theme, self._em, self._y(rung.level_db)
        high = max(self._rung_px, 9.0)
        size = self._letters_px / px(1.0)
        place = QRectF(body.left() + 3, y - high / 2, body.width() - 6, high)
        mark, found = px(1.15), doubted("present") if column.doubtful else "present"
        if told:
            ink = theme.ink if rung.offered else theme.axis
            level = written(rung.level_db)
            self._text(painter, place.adjusted(px(0.9), 0, 0, 0), level, ink, size, rung.playing)
            right = place.adjusted(0, 0, -mark - 5, 0)
            ink = theme.ink if rung.playing else theme.quiet
            if rung.found:
                ink = theme.states[found]
            self._text(painter, right, rung.noise, ink, size, rung.playing, at=RIGHT)
            right.setRight(right.right() - px(3.7))
            self._text(painter, right, rung.evidence, ink, size, rung.playing or rung.found, at=RIGHT)
        elif rung.played and not whole:
            painter.fillRect(QRectF(body.left() + 2, y - 1, px(0.5), 3), QColor(theme.average))
        if rung.playing:
            side = px(0.42)
            at = QPointF(body.left() + 4, y)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(theme.states["undecided"]))
            painter.drawPolygon(QPolygonF([at + QPointF(0, -side), at + QPointF(1.5 * side, 0), at + QPointF(0, side)]))
            painter.setBrush(Qt.BrushStyle.NoBrush)
        if rung.found:
            draw_mark(painter, QPointF(body.right() - mark / 2 - 4, y), mark, found, theme.states[found], theme.sheet)
        if chosen:
            painter.setPen(pen(theme.ink, self.look.line, dashed=True))
            painter.drawRect(QRectF(body.left() + 1, y - self._rung_px / 2, body.width() - 3, self._rung_px))

    def _text(
        self, painter: QPainter, place: QRectF, words: str, ink: str, size: float = 1.0, bold: bool = False, at: int = LEFT
    ) -> None:
        """One line that ends in … where it does not fit."""
        font = QFont(self.font())
        font.setPixelSize(max(8, int(self.look.px(1.0) * size)))
        font.setBold(bold)
        painter.setFont(font)
        painter.setPen(QColor(ink))
        painter.drawText(place, at, QFontMetricsF(font).elidedText(words, Qt.TextElideMode.ElideRight, place.width()))

    # -- what a person does -----------------------------------------------------------------------------------------------

    def mousePressEvent(self, event: QMouseEvent | None) -> None:
        assert event is not None
        place = self.place_at(QPointF(event.pos()))
        if place is not None:
            self.chosen_at.emit(place)

    def mouseDoubleClickEvent(self, event: QMouseEvent | None) -> None:
        assert event is not None
        place = self.place_at(QPointF(event.pos()))
        if place is not None:
            self.wanted.emit(place)

    def event(self, event: QEvent | None) -> bool:
        if isinstance(event, QHelpEvent) and event.type() == QEvent.Type.ToolTip:
            QToolTip.showText(event.globalPos(), self.tip_at(QPointF(event.pos())), self)
            return True
        return super().event(event)

    def tip_at(self, point: QPointF) -> str:
        """What a column, and a rung of it, say in full."""
        if self.board is None:
            return ""
        for column, (rect, _) in zip(self.board.columns, self._columns, strict=False):
            if rect.contains(point):
                place = self.place_at(point)
                rung = "" if place is None else f"<br>{column.rungs[place.level].tip}"
                return tooltip("", f"<b>{column.name}</b>: threshold {column.standing}; {column.words}{rung}")
        return ""


class BoardPanel(Panel):
    """The board, with the rung that is chosen, or that plays, as a remark."""

    def __init__(self) -> None:
        self.view = BoardView()
        super().__init__(
            "search board",
            "Search board",
            "A column for each frequency and ear, a rung for each level, the loudest on top. On a rung: its average with the odd "
            "and the even half, its evidence and its noise. The ridge shows where the threshold is believed to be, the bar its "
            "95 % interval, and the disc the softest level at which a response was found, "
            "with a question mark where it is not known to be that ear's. The framed rung is the one that plays.",
            self.view,
        )

    def restyle(self, look: Look) -> None:
        super().restyle(look)
        self.view.look = self.view.full = look  # what it shows makes the letters smaller where they need to be
        self.view.update()

    def show_search(
        self, now: SearchNow, chosen: Place | None, discarded: bool = False, doubtful: Iterable[str] = ()
    ) -> None:
        self.view.show_search(now, chosen, doubtful)
        assert self.view.board is not None
        places = [chosen] if chosen is not None else sorted((place for place, _ in now.playing), key=lambda one: one.condition)
        columns = self.view.board.columns
        if len(places) == 1:
            (place,) = places
            said = f"{columns[place.condition].short}, {columns[place.condition].rungs[place.level].tip}"
        else:
            heard = ((columns[one.condition], one.level) for one in places)
            said = ", ".join(f"{column.short} {column.rungs[level].level_db:g} dB nHL" for column, level in heard)
        does = "chosen" if chosen is not None else "paused" if now.paused else "plays"
        said = f"{does}: {said}" if said else ""
        self.aside.say(" · ".join(part for part in ("discarded" if discarded else "", said) if part))
