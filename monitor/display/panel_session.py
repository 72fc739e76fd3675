"""The session view: its conditions, the audiogram so far, what is next and why, time, electrodes and dose."""

from __future__ import annotations

from dataclasses import replace

from PyQt5.QtCore import QEvent, QPointF, QRectF, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFont, QFontMetricsF, QHelpEvent, QMouseEvent, QPainter, QPaintEvent, QWheelEvent
from PyQt5.QtWidgets import QToolTip, QWidget

from quietfloor.monitor.display.audiogram_view import AudiogramView, draw_symbol
from quietfloor.monitor.display.canvas import WRAPPED, pen
from quietfloor.monitor.display.marks import draw_mark
from quietfloor.monitor.display.panel import Panel
from quietfloor.monitor.display.session_live import coming_words
from quietfloor.monitor.display.session_sight import Point, SessionSight, SightRow, SightStep, share_words
from quietfloor.monitor.display.terms import tooltip
from quietfloor.monitor.display.theme import Look

LEFT, RIGHT = (int(flag | Qt.AlignmentFlag.AlignVCenter) for flag in (Qt.AlignmentFlag.AlignLeft, Qt.AlignmentFlag.AlignRight))
HEADS = ("", "ear, sound", "dB nHL", "95 %", "state", "evidence", "sweeps · time")
LETTERS = (2.0, 0.0, 4.1, 4.7, 10.2, 5.0, 8.4)  # width of a column; the sound has the rest
LEAST_LETTERS, SWEEPS_LETTERS = 8.3, 4.4  # of the sound; of the last column without its time, where the sound had less
ROW, LOW_ROW = 1.7, 1.5  # height of a row in letters; where there is little room
LEAST_ROWS, LEAST_CHART = 8, 15.0  # rows, and letters of height of the audiogram
SMALLER = (1.0, 0.9, 0.82, 0.74)  # times the letters, the first with which everything has its room; the last of a projector's
TABLE = 0.6  # of the width, the rest is the audiogram's
CONTACTS = {"ok": "", "wait": "idle", "look": "undecided", "stop": "fault", "": ""}  # what is in order needs no mark
MOST_CONTACTS = 3  # own choice: as many of the worst as fit into the smallest window; the rest as a number


class SessionView(QWidget):
    """All of it in one painting. A click on a row chooses the condition, the wheel moves through long lists."""

    chosen = pyqtSignal(int)  # the condition

    def __init__(self) -> None:
        super().__init__()
        self.look = self.full = Look()  # with smaller letters where those of the window leave no room
        self.sight: SessionSight | None = None
        self.step: SightStep | None = None
        self.advice_shown = QRectF()  # where the advice on masking was painted, for tests: never cut
        self._rows: list[tuple[int, QRectF]] = []
        self._first = 0
        self._brief = False
        self._wanted: list[int] = []

    def show_sight(self, sight: SessionSight, step: SightStep | None) -> None:
        if (sight, step) != (self.sight, self.step):
            self.sight, self.step = sight, step
            self.update()

    def paintEvent(self, event: QPaintEvent | None) -> None:
        painter = QPainter(self)
        try:
            if self.sight is None:
                self._text(painter, QRectF(self.rect()), "No session is shown.", self.look.theme.quiet)
            else:
                self._draw(painter, self.sight)
        finally:
            painter.end()

    # -- where everything is --------------------------------------------------------------------------------------------

    def _draw(self, painter: QPainter, sight: SessionSight) -> None:
        for times in SMALLER:
            self.look = replace(self.full, times=times * self.full.times)
            if self._fits(painter, sight):
                break
        px, gap = self.look.px, self.look.px(0.9)
        wide, high = float(self.width()), float(self.height())
        across = round(TABLE * wide)
        left, right = across - gap, wide - across
        words, needed = self._next_height(painter, sight, left), px(ROW) * (1 + len(sight.rows))
        glance = self._glance_height(painter, sight, left)
        tight = needed + words + glance + 3 * gap > high  # then the glances go below the audiogram
        glance = self._glance_height(painter, sight, right) if tight else glance
        line = px(LOW_ROW if tight else ROW)
        needed = line * (1 + len(sight.rows))
        table = max(min(needed, high - words - gap - (0.0 if tight else glance + 2 * gap)), 3.0 * line)
        self._table(painter, sight, QRectF(0, 0, left, table), line)
        self._next(painter, sight, QRectF(0, table + gap, left, words))
        below = table + words + 3 * gap
        self._glance(painter, sight, QRectF(across, high - glance, right, glance) if tight else QRectF(0, below, left, glance))
        chart = QRectF(across, 0, right, high - (glance + gap if tight else 0.0))
        AudiogramView(sight.points, sight.unit, self.look, chart, sight.wide).draw(painter)

    def _fits(self, painter: QPainter, sight: SessionSight) -> bool:
        """Whether each column, the steps, some rows and an audiogram have their room."""
        px, gap = self.look.px, self.look.px(0.9)
        left = round(TABLE * self.width()) - gap
        columns = px(LEAST_LETTERS + sum(LETTERS) - LETTERS[-1] + SWEEPS_LETTERS)
        metrics = self._font(painter, 0.95, bold=True)
        steps = sum(metrics.horizontalAdvance(one.title) + px(1.0) for one in sight.steps)
        rows = px(LOW_ROW) * (1 + min(LEAST_ROWS, len(sight.rows)))
        chart = self.height() - self._glance_height(painter, sight, self.width() - left - gap) - gap
        table = self.height() - self._next_height(painter, sight, left) - gap
        return columns <= left and steps <= left and rows <= table and chart >= px(LEAST_CHART)

    def _font(self, painter: QPainter, times: float, bold: bool = False) -> QFontMetricsF:
        font = QFont(self.font())
        font.setPixelSize(self.look.px(times))
        font.setBold(bold)
        painter.setFont(font)
        return QFontMetricsF(font)

    def _text(
        self, painter: QPainter, place: QRectF, words: str, ink: str, times: float = 1.0, bold: bool = False, at: int = LEFT
    ) -> None:  # fmt: skip
        """One line, shortened if there is no room."""
        metrics = self._font(painter, times, bold)
        painter.setPen(QColor(ink))
        painter.drawText(place, at, metrics.elidedText(words, Qt.TextElideMode.ElideRight, place.width()))

    def _height(self, painter: QPainter, words: str, width: float, times: float = 1.0, bold: bool = False) -> float:
        self._font(painter, times, bold)
        painter.setPen(QColor(self.look.theme.ink))
        return painter.boundingRect(QRectF(0, 0, width, 10_000), WRAPPED, words).height() if words else 0.0

    # -- conditions -----------------------------------------------------------------------------------------------------

    def _table(self, painter: QPainter, sight: SessionSight, rect: QRectF, line: float) -> None:
        px, theme = self.look.px, self.look.theme
        room = max(1, int(rect.height() / line) - 1)
        count = len(sight.rows)
        wanted = [number for number, row in enumerate(sight.rows) if row.next]
        if wanted != self._wanted:
            self._wanted = wanted
            if wanted and not self._first <= wanted[0] < self._first + room:
                self._first = wanted[0]
        self._first = min(max(0, self._first), max(0, count - room))
        edges = [rect.left()]
        widths = [letters * px(1.0) for letters in LETTERS]
        self._brief = rect.width() - sum(widths) < px(LEAST_LETTERS)
        widths[-1] = px(SWEEPS_LETTERS) if self._brief else widths[-1]
        widths[1] = max(px(4.0), rect.width() - sum(widths))
        for one in widths:
            edges.append(edges[-1] + one)
        heads = [head.partition(" · ")[0] if self._brief else head for head in HEADS]
        if count > room:
            heads[1] = f"{self._first + 1} to {min(count, self._first + room)} of {count}"
        for number, head in enumerate(heads):
            place = QRectF(edges[number], rect.top(), edges[number + 1] - edges[number] - px(0.4), line)
            self._text(painter, place, head, theme.quiet, 0.85)
        self._rows = []
        for shown, row in enumerate(sight.rows[self._first : self._first + room]):
            place = QRectF(rect.left(), rect.top() + (shown + 1) * line, rect.width(), line)
            self._rows.append((self._first + shown, place))
            self._row(painter, row, place, edges)

    def _row(self, painter: QPainter, row: SightRow, place: QRectF, edges: list[float]) -> None:
        px, theme = self.look.px, self.look.theme
        if row.next:
            painter.fillRect(place, QColor(theme.unjudged))
            edge = QRectF(place.left(), place.top(), 2 * self.look.line, place.height())
            painter.fillRect(edge, QColor(theme.states["undecided"]))
        painter.setPen(pen(theme.grid))
        painter.drawLine(place.bottomLeft(), place.bottomRight())
        ear, condition = theme.ears[row.condition.ear], row.condition
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        painter.setPen(pen(ear, self.look.line))
        middle = QPointF(edges[0] + px(1.0), place.center().y())
        draw_symbol(painter, Point(condition.ear, condition.route, None, 0.0, 0.0, 0.0, "threshold"), middle, px(0.36))
        painter.restore()
        route = ", bone" if condition.route == "bone" else ""
        names = [f"{condition.ear.capitalize()} {sound}{route}" for sound in (row.sound, row.short)]
        fits = self._font(painter, 0.95, bold=True).horizontalAdvance(names[0]) <= edges[2] - edges[1] - px(0.4)
        effort = row.effort.partition(" · ")[0] if self._brief else row.effort
        cells = (names[0 if fits else 1], row.threshold, row.interval, row.said, row.evidence, effort)
        inks = (ear, theme.ink, theme.ink, theme.states[row.state], theme.ink, theme.quiet)
        for number, (words, ink) in enumerate(zip(cells, inks, strict=True), 1):
            cell = QRectF(edges[number], place.top(), edges[number + 1] - edges[number] - px(0.4), place.height())
            if number == 4:
                draw_mark(painter, QPointF(cell.left() + px(0.5), cell.center().y()), px(0.95), row.state, ink, theme.sheet)
                cell.setLeft(cell.left() + px(1.3))
            self._text(painter, cell, words, ink, 0.95, bold=number in (1, 2))

    # -- what is next ---------------------------------------------------------------------------------------------------

    def _paragraphs(self, sight: SessionSight) -> list[tuple[str, str, float, bool]]:
        """What is said about the next run: words, colour, size, bold."""
        theme, one = self.look.theme, sight.coming
        said: list[tuple[str, str, float, bool]] = []
        if sight.note:
            said.append((sight.note, theme.states["fault" if sight.trouble else "present"], 1.0, True))
        if sight.last:
            said.append((sight.last, theme.quiet, 0.95, False))
        if one is None:
            return [*said, (sight.nothing, theme.ink, 1.15, True)]
        what, why, masking = coming_words(sight, one)
        said.append((what, theme.ears.get(one.ear, theme.ink), 1.35, True))
        said += [(why, theme.ink, 1.0, False)] if why else []
        said += [(masking, theme.left_out_ink, 1.0, False)] if masking else []
        return said

    def _next_height(self, painter: QPainter, sight: SessionSight, width: float) -> float:
        heights = [self._height(painter, words, width, times, bold) for words, _, times, bold in self._paragraphs(sight)]
        return sum(heights) + self.look.px(0.35) * len(heights) + self.look.px(2.2)

    def _next(self, painter: QPainter, sight: SessionSight, rect: QRectF) -> None:
        top = rect.top()
        self.advice_shown = QRectF()
        for words, ink, times, bold in self._paragraphs(sight):
            high = self._height(painter, words, rect.width(), times, bold)
            painter.setPen(QColor(ink))
            place = QRectF(rect.left(), top, rect.width(), high + 1)
            painter.drawText(place, WRAPPED, words)
            if words.startswith("Masking: "):
                self.advice_shown = place
            top += high + self.look.px(0.35)
        self._steps(painter, sight, QRectF(rect.left(), top, rect.width(), self.look.px(1.8)))

    def _steps(self, painter: QPainter, sight: SessionSight, rect: QRectF) -> None:
        """The steps that a presenter goes through; the chosen one is framed."""
        theme, px = self.look.theme, self.look.px
        if self.step is None:
            return
        x = rect.left()
        for one in sight.steps:
            chosen = one.name == self.step.name
            wide = self._font(painter, 0.95, chosen).horizontalAdvance(one.title) + px(1.0)
            place = QRectF(x, rect.top(), wide, rect.height())
            if chosen:
                painter.setPen(pen(theme.ink, self.look.line))
                painter.drawRect(place.adjusted(1, 1, -1, -1))
            self._text(painter, place.adjusted(px(0.5), 0, 0, 0), one.title, theme.axis if one.why else theme.ink, 0.95, chosen)
            x += wide

    # -- time, electrodes, dose -----------------------------------------------------------------------------------------

    def _glances(self, sight: SessionSight) -> list[tuple[str, list[tuple[str, str, str]]]]:
        """Heads, each with its parts: state ("" for none), words, colour."""
        theme = self.look.theme
        contacts = sorted(sight.electrodes, key=lambda one: ("stop", "look", "wait", "ok", "").index(one[0]))
        shown = [(CONTACTS[severity], words, theme.ink) for severity, words in contacts[:MOST_CONTACTS]]
        if len(contacts) > MOST_CONTACTS:
            shown.append(("", f"and {len(contacts) - MOST_CONTACTS} more", theme.quiet))
        dose = [("", f"{ear} {share_words(share)}", theme.ears[ear]) for ear, share in sight.dose]
        dose.append(("" if sight.dose else "fault", sight.dose_words, theme.ink))
        time = " · ".join(part for part in sight.time if part)
        return [("Time", [("", time, theme.ink)]), ("Electrodes", shown), ("Dose", dose)]

    def _glance_height(self, painter: QPainter, sight: SessionSight, width: float) -> float:
        return self._glance(painter, sight, QRectF(0, 0, width, 0), drawn=False)

    def _glance(self, painter: QPainter, sight: SessionSight, rect: QRectF, drawn: bool = True) -> float:
        """Draw it; its height."""
        px, theme = self.look.px, self.look.theme
        line, label = px(1.45), px(6.2)
        top = rect.top()
        for head, parts in self._glances(sight):
            if drawn:
                self._text(painter, QRectF(rect.left(), top, label, line), head, theme.quiet, 0.95, bold=True)
            x = rect.left() + label
            for state, words, ink in parts:
                indent = px(1.3) if state else 0.0
                room = rect.right() - rect.left() - label - indent
                wide = self._font(painter, 0.95).horizontalAdvance(words) + indent
                if x > rect.left() + label and x + wide > rect.right():
                    x, top = rect.left() + label, top + line
                high = max(line, self._height(painter, words, room, 0.95)) if wide > room + indent else line
                if drawn:
                    if state:
                        middle = QPointF(x + px(0.5), top + line / 2)
                        draw_mark(painter, middle, px(0.95), state, theme.states[state], theme.sheet)
                    painter.setPen(QColor(ink))
                    self._font(painter, 0.95)
                    place = QRectF(x + indent, top, min(wide - indent + 2, room + 2), high)
                    painter.drawText(place, WRAPPED if high > line else LEFT, words)
                x, top = x + wide + px(1.2), top + high - line
            top += line
        return top - rect.top()

    # -- the mouse ------------------------------------------------------------------------------------------------------

    def row_at(self, point: QPointF) -> int | None:
        """The condition under a pixel."""
        return next((number for number, place in self._rows if place.contains(point)), None)

    def mousePressEvent(self, event: QMouseEvent | None) -> None:
        assert event is not None
        number = self.row_at(QPointF(event.pos()))
        if number is not None:
            self.chosen.emit(number)

    def wheelEvent(self, event: QWheelEvent | None) -> None:
        assert event is not None
        self._first += -1 if event.angleDelta().y() > 0 else 1
        self.update()

    def event(self, event: QEvent | None) -> bool:
        if isinstance(event, QHelpEvent) and event.type() == QEvent.Type.ToolTip:
            number = self.row_at(QPointF(event.pos()))
            tip = "" if number is None or self.sight is None else tooltip("", self.sight.rows[number].tip)
            QToolTip.showText(event.globalPos(), tip, self)
            return True
        return super().event(event)


class SessionPanel(Panel):
    """The session view as a panel."""

    def __init__(self) -> None:
        self.view = SessionView()
        super().__init__(
            "session", "Session",
            "Every condition with its threshold and 95 % interval, the audiogram so far, and what is next and why. A click, or "
            "C, chooses the condition of the next run; + and − its level; K gives the advised noise.",
            self.view,
        )  # fmt: skip

    def restyle(self, look: Look) -> None:
        super().restyle(look)
        self.view.look = self.view.full = look  # what it shows makes the letters smaller where they need to be
        self.view.update()

    def show_sight(self, sight: SessionSight, step: SightStep | None) -> None:
        self.aside.say(sight.answered)
        self.view.show_sight(sight, step)
