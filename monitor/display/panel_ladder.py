"""The levels tried for this ear, route and stimulus, as rungs with their results."""

from __future__ import annotations

import numpy as np
from PyQt5.QtCore import QEvent, QPointF, QRectF, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFont, QFontMetrics, QHelpEvent, QMouseEvent, QPainter, QPaintEvent, QPen
from PyQt5.QtWidgets import QToolTip, QWidget

from quietfloor.monitor.display.canvas import dash_path, pen
from quietfloor.monitor.display.curves import OVERLAYS
from quietfloor.monitor.display.ladder import Ladder, Overlay, Rung
from quietfloor.monitor.display.marks import draw_mark
from quietfloor.monitor.display.panel import Panel, colour
from quietfloor.monitor.display.terms import tooltip
from quietfloor.monitor.display.theme import Look

MOST_MARKS = 5


class Rungs(QWidget):
    """The ladder itself. A click, or a key that the window passes on, chooses a rung and asks for its curve."""

    asked = pyqtSignal(object)  # the Rung whose curve is wanted, or not any more

    def __init__(self) -> None:
        super().__init__()
        self.ladder = Ladder(None)
        self.look = Look()
        self.chosen = 0
        self.overlays: list[Overlay] = []
        self._places: list[QRectF] = []

    def show_ladder(self, ladder: Ladder) -> None:
        wanted = self.rung.level if self.rung is not None else ladder.present
        if ladder.present != self.ladder.present:
            wanted = ladder.present  # another level is on the screen: its rung is the one that matters
        self.ladder = ladder
        levels = [rung.level for rung in ladder.rungs]
        self.chosen = levels.index(wanted) if wanted in levels else 0
        self.update()

    @property
    def rung(self) -> Rung | None:
        """The one that is chosen."""
        return self.ladder.rungs[self.chosen] if self.chosen < len(self.ladder.rungs) else None

    def choose(self, by: int) -> None:
        """The next one down (or up, where negative)."""
        if self.ladder.rungs:
            self.chosen = min(max(self.chosen + by, 0), len(self.ladder.rungs) - 1)
            self.update()

    def paintEvent(self, event: QPaintEvent | None) -> None:
        painter = QPainter(self)
        try:
            self._draw(painter)
        finally:
            painter.end()

    def _draw(self, painter: QPainter) -> None:
        look, theme = self.look, self.look.theme
        self._places = []
        font = QFont(self.font())
        font.setPixelSize(look.px(0.95))
        painter.setFont(font)
        if not self.ladder.rungs:
            painter.setPen(QColor(theme.quiet))
            words = "Other equipment makes the sound: its levels are not known here."
            painter.drawText(self.rect(), int(Qt.AlignmentFlag.AlignCenter) | int(Qt.TextFlag.TextWordWrap), words)
            return
        height = min(look.px(3.6), self.height() / len(self.ladder.rungs))
        rails = (look.px(0.6), self.width() - look.px(0.6))
        painter.setPen(QPen(QColor(theme.axis), look.thin + 1))
        for x in rails:
            painter.drawLine(QPointF(x, 2), QPointF(x, height * len(self.ladder.rungs)))
        foot = height * len(self.ladder.rungs) + look.px(0.5)
        if self.height() - foot > look.px(2.6) and any(rung.replicates for rung in self.ladder.rungs):
            painter.setPen(QColor(theme.quiet))
            room = QRectF(rails[0], foot, rails[1] - rails[0], self.height() - foot)
            flags = int(Qt.AlignmentFlag.AlignTop) | int(Qt.TextFlag.TextWordWrap)
            painter.drawText(room, flags, "Click a rung, or ↑ ↓ and O, to draw its average over the present one.")
        for number, rung in enumerate(self.ladder.rungs):
            place = QRectF(rails[0], number * height, rails[1] - rails[0], height)
            self._places.append(place)
            self._draw_rung(painter, rung, place, number == self.chosen)

    def _draw_rung(self, painter: QPainter, rung: Rung, place: QRectF, chosen: bool) -> None:
        look, theme = self.look, self.look.theme
        step = place.bottom() - 3
        if chosen:
            painter.fillRect(place.adjusted(2, 2, -2, -4), QColor(theme.grid))
        painter.setPen(QPen(QColor(theme.ink if chosen else theme.axis), look.line if chosen else look.thin))
        painter.drawLine(QPointF(place.left(), step), QPointF(place.right(), step))
        font = QFont(painter.font())
        font.setBold(chosen or rung.level == self.ladder.present)
        painter.setFont(font)
        metrics = QFontMetrics(font)
        inner = place.adjusted(look.px(0.6), 1, -look.px(0.6), -4)
        level = str(rung.level)
        painter.setPen(QColor(theme.ink))
        painter.drawText(inner, int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter), level)
        side = look.px(1.15)
        x = inner.right() - side / 2
        if rung.running:
            ink = theme.states["undecided"]
            draw_mark(painter, QPointF(x, inner.center().y()), side, "undecided", ink, theme.sheet)
            x -= 1.25 * side
        for replicate in rung.replicates[:MOST_MARKS]:
            ink = theme.states[replicate.state]
            draw_mark(painter, QPointF(x, inner.center().y()), side, replicate.state, ink, theme.sheet)
            x -= 1.25 * side
        font.setBold(False)
        painter.setFont(font)
        left = inner.left() + metrics.horizontalAdvance(level) + look.px(0.7)
        room = QRectF(left, inner.top(), x + side / 2 - left - 4, inner.height())
        inks = zip(self.overlays, theme.overlays, OVERLAYS, strict=False)
        drawn = next(((ink, pattern) for overlay, ink, pattern in inks if self._is_of(overlay, rung)), None)
        if drawn is not None:  # a piece of its line
            ink, pattern = drawn
            painter.setPen(pen(ink, look.thin))
            ends = np.array([room.right() - look.px(2.6), room.right()])
            painter.drawPath(dash_path(ends, np.full(2, room.center().y()), pattern))
            room.setRight(room.right() - look.px(3.0))
        painter.setPen(QColor(theme.quiet if drawn is None else drawn[0]))
        shown = QFontMetrics(font).elidedText(rung.words, Qt.TextElideMode.ElideRight, int(room.width()))
        painter.drawText(room, int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter), shown)

    @staticmethod
    def _is_of(overlay: Overlay, rung: Rung) -> bool:
        return any(overlay.folder == replicate.folder for replicate in rung.replicates)

    def _rung_at(self, point: QPointF) -> int | None:
        return next((number for number, place in enumerate(self._places) if place.contains(point)), None)

    def mousePressEvent(self, event: QMouseEvent | None) -> None:
        assert event is not None
        number = self._rung_at(QPointF(event.pos()))
        if number is not None:
            self.chosen = number
            self.update()
            self.asked.emit(self.ladder.rungs[number])

    def event(self, event: QEvent | None) -> bool:
        if isinstance(event, QHelpEvent) and event.type() == QEvent.Type.ToolTip:
            number = self._rung_at(QPointF(event.pos()))
            QToolTip.showText(event.globalPos(), "" if number is None else self.tip(self.ladder.rungs[number]), self)
            return True
        return super().event(event)

    @staticmethod
    def tip(rung: Rung) -> str:
        """Each of its runs, the newest first."""
        runs = "<br>".join(replicate.words for replicate in rung.replicates) or "no finished run yet"
        return tooltip(f"{rung.level} {rung.words}", f"{runs}<br>Click, or O, to draw the newest over the average.")


class LadderPanel(Panel):
    """The rungs with the series as a remark."""

    def __init__(self) -> None:
        self.rungs = Rungs()
        super().__init__(
            "level ladder",
            "Level ladder",
            "The levels tried in this session for the same ear, route and stimulus, the loudest on top; each mark is a run, the "
            "newest on the right. Which ear?: masking was due there, so that it is not known to be this ear's. Click a rung to "
            "draw its curve over the average.",
            self.rungs,
        )

    def restyle(self, look: Look) -> None:
        super().restyle(look)
        self.rungs.look = look
        self.rungs.update()
        self._colour_ear()

    def show_ladder(self, ladder: Ladder) -> None:
        self.rungs.show_ladder(ladder)
        unreadable = f"; cannot read {', '.join(ladder.unreadable)}" if ladder.unreadable else ""
        self.aside.say("" if ladder.series is None else f"{ladder.series}{unreadable}")
        self._colour_ear()

    def _colour_ear(self) -> None:
        """Red is right and blue is left, as in an audiogram; the word stands there too."""
        series = self.rungs.ladder.series
        if series is not None:
            colour(self.aside, self.look.theme.ears[series.ear])
