"""The levels tried for this ear, route and stimulus, as rungs with their results."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable

import numpy as np
from PyQt5.QtCore import QEvent, QPointF, QRectF, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFont, QFontMetrics, QHelpEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QWheelEvent
from PyQt5.QtWidgets import QToolTip, QWidget

from quietfloor.monitor.display.canvas import dash_path, pen
from quietfloor.monitor.display.curves import OVERLAYS
from quietfloor.monitor.display.ladder import Ladder, Overlay, Rung
from quietfloor.monitor.display.marks import draw_mark
from quietfloor.monitor.display.panel import Panel, colour
from quietfloor.monitor.display.terms import tooltip
from quietfloor.monitor.display.theme import Look

MOST_MARKS = 5
ROUND_LETTERS = 6  # px of a rung above and below its letters


class Rungs(QWidget):
    """The ladder itself. A click, or a key that the window passes on, chooses a rung and asks for its curve."""

    asked = pyqtSignal(object)  # the Rung whose curve is wanted, or not any more

    def __init__(self) -> None:
        super().__init__()
        self.ladder = Ladder(None)
        self.look = Look()
        self.now = "undecided"  # state of the run that is going on
        self.chosen = 0
        self.overlays: list[Overlay] = []
        self._places: dict[int, QRectF] = {}  # of the rungs that are to be seen

    def show_ladder(self, ladder: Ladder) -> None:
        wanted = self.rung.level if self.rung is not None else ladder.present
        if ladder.present != self.ladder.present:
            wanted = ladder.present  # another level is on the screen: its rung is the one that matters
        self.ladder = ladder
        levels = [rung.level for rung in ladder.rungs]
        self.chosen = levels.index(wanted) if wanted in levels else 0
        self.update()

    def show_now(self, state: str) -> None:
        """The state of the run that is going on, as the sentence on top has it."""
        if state != self.now:
            self.now = state
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
        self._places = {}
        font = QFont(self.font())
        font.setPixelSize(look.px(0.95))
        painter.setFont(font)
        if not self.ladder.rungs:
            painter.setPen(QColor(theme.quiet))
            words = "Other equipment makes the sound: its levels are not known here."
            painter.drawText(self.rect(), int(Qt.AlignmentFlag.AlignCenter) | int(Qt.TextFlag.TextWordWrap), words)
            return
        shown = self._shown(QFontMetrics(font).height())
        above, below = shown.start, len(self.ladder.rungs) - shown.stop
        room_px = self.height() - (look.px(1.3) if above or below else 0)
        height = min(look.px(3.6), room_px / len(shown))
        rails = (look.px(0.6), self.width() - look.px(0.6))
        painter.setPen(QPen(QColor(theme.axis), look.thin + 1))
        for x in rails:
            painter.drawLine(QPointF(x, 2), QPointF(x, height * len(shown)))
        foot = height * len(shown) + look.px(0.5)
        if above or below:
            painter.setPen(QColor(theme.quiet))
            more = " · ".join(text for text, count in ((f"▴ {above} above", above), (f"▾ {below} below", below)) if count)
            flags = int(Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignBottom)
            if QFontMetrics(font).horizontalAdvance(more) > rails[1] - rails[0]:
                more = more.replace(" above", "").replace(" below", "")
            painter.drawText(QRectF(rails[0], room_px, rails[1] - rails[0], self.height() - room_px), flags, more)
        elif self.height() - foot > look.px(2.6) and any(rung.replicates for rung in self.ladder.rungs):
            painter.setPen(QColor(theme.quiet))
            room = QRectF(rails[0], foot, rails[1] - rails[0], self.height() - foot)
            flags = int(Qt.AlignmentFlag.AlignTop) | int(Qt.TextFlag.TextWordWrap)
            painter.drawText(room, flags, "Click a rung, or ↑ ↓ and O, to draw its average over the present one.")
        for row, number in enumerate(shown):
            place = QRectF(rails[0], row * height, rails[1] - rails[0], height)
            self._places[number] = place
            self._draw_rung(painter, self.ladder.rungs[number], place, number == self.chosen)

    def _shown(self, letters_px: int) -> range:
        """The rungs for which there is room, the chosen one among them; as many rungs away from it as possible on each side."""
        count = len(self.ladder.rungs)
        least = letters_px + ROUND_LETTERS
        if count * least <= self.height():
            return range(count)
        most = max(1, int((self.height() - self.look.px(1.3)) // least))
        first = min(max(self.chosen - most // 2, 0), count - most) if most < count else 0
        return range(first, min(first + most, count))

    def _draw_rung(self, painter: QPainter, rung: Rung, place: QRectF, chosen: bool) -> None:
        look, theme = self.look, self.look.theme
        step = place.bottom() - 3
        if chosen:
            painter.fillRect(place.adjusted(2, 2, -2, -4), QColor(theme.grid))
        painter.setPen(QPen(QColor(theme.ink if chosen else theme.axis), look.line if chosen else look.thin))
        painter.drawLine(QPointF(place.left(), step), QPointF(place.right(), step))
        font = QFont(painter.font())
        font.setBold(chosen or (rung.level == self.ladder.present and not rung.discarded))
        painter.setFont(font)
        metrics = QFontMetrics(font)
        inner = place.adjusted(look.px(0.6), 1, -look.px(0.6), -4)
        level = str(rung.level)
        painter.setPen(QColor(theme.ink))
        painter.drawText(inner, int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter), level)
        side = min(look.px(1.15), inner.height())
        font.setBold(False)
        wide = QFontMetrics(font).horizontalAdvance
        left = inner.left() + metrics.horizontalAdvance(level) + look.px(0.7)
        painter.setFont(font)
        middle_right = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        x = inner.right() - side / 2
        for state, times in self._marks(rung, inner.right() - left, wide, side):
            draw_mark(painter, QPointF(x, inner.center().y()), side, state, theme.states[state], theme.sheet)
            x -= 1.25 * side
            if times:
                number = QRectF(x + 0.65 * side - wide(times), inner.top(), wide(times), inner.height())
                painter.setPen(QColor(theme.ink))
                painter.drawText(number, middle_right, times)
                x -= wide(times)
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
        shown = next((words for words in (rung.words, rung.brief) if wide(words) <= room.width()), "")
        painter.drawText(room, middle_right, shown)

    def _marks(self, rung: Rung, room: float, wide: Callable[[str], int], side: float) -> list[tuple[str, str]]:
        """Each mark with how many runs it stands for, or "": one for each run, else one for each kind of result with its number,
        else without it, beside the word; else without the word; else the kinds for which there is room, responses first."""
        states = rung.states(self.now)
        kinds = Counter(states)
        each = [(state, "") for state in states]
        counted = [(state, f"{count}×" if count > 1 else "") for state, count in kinds.items()]
        told = sorted(kinds, key=lambda state: (state != states[0] or not rung.running, not state.startswith("present")))
        beside = room - wide(rung.brief) - 4

        def needed(marks: list[tuple[str, str]]) -> float:
            return sum(1.25 * side + (wide(times) if times else 0) for _, times in marks)

        plain = [(state, "") for state in told]
        ways = ((each, beside if len(each) <= MOST_MARKS else -math.inf), (counted, beside), (plain, beside), (counted, room))
        fitting = (marks for marks, least in ways if needed(marks) <= least)
        return next(fitting, plain[: int(room // (1.25 * side))])

    @staticmethod
    def _is_of(overlay: Overlay, rung: Rung) -> bool:
        return any(overlay.folder == replicate.folder for replicate in rung.replicates)

    def _rung_at(self, point: QPointF) -> int | None:
        return next((number for number, place in self._places.items() if place.contains(point)), None)

    def wheelEvent(self, event: QWheelEvent | None) -> None:
        if event is not None and event.angleDelta().y():
            self.choose(-1 if event.angleDelta().y() > 0 else 1)

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
        none = "no finished run that counts" if rung.discarded else "no finished run yet"
        runs = "<br>".join(replicate.words for replicate in rung.replicates) or none
        return tooltip(f"{rung.level} {rung.words}", f"{runs}<br>Click, or O, to draw the newest over the average.")


class LadderPanel(Panel):
    """The rungs with the series as a remark."""

    def __init__(self) -> None:
        self.rungs = Rungs()
        super().__init__(
            "level ladder",
            "Level ladder",
            "The levels tried in this session for the same ear, route and stimulus, the loudest on top; each mark is a run, the "
            "newest on the right, or one mark with the number of such runs. Disc: response; square with a bar: none; hollow "
            "square: undecided; struck circle: the run on the screen was discarded. A question mark in it, which ear?: not known "
            "to be this ear's, as masking was due. Click a rung to draw its "
            "curve over the average.",
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
            colour(self.aside, self.look.theme.ears.get(series.ear, self.look.theme.quiet))
