"""Common parts of all panels: a title with an explanation, a remark beside it, and a body with the colours and sizes of the
theme."""

from __future__ import annotations

import logging
from collections.abc import Callable

from PyQt5.QtCore import QEvent, QSize, Qt
from PyQt5.QtGui import QColor, QFont, QFontMetrics, QPainter, QPaintEvent, QPalette, QResizeEvent
from PyQt5.QtWidgets import QFrame, QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from quietfloor.monitor.display.charts import Canvas, Chart, Draw
from quietfloor.monitor.display.scales import Scale, shortened
from quietfloor.monitor.display.terms import tooltip
from quietfloor.monitor.display.theme import Look

log = logging.getLogger("quietfloor")


class Words(QLabel):
    """One line of text. What does not fit is left out by whole clauses or words; the tooltip has all of it, and its terms."""

    def __init__(self, text: str = "", about: str = "", right: bool = False) -> None:
        super().__init__()
        self._whole, self._about = "", about
        self._tip_due = True  # it is made when somebody asks for it: some lines change in every frame
        self._align = Qt.AlignmentFlag.AlignVCenter | (Qt.AlignmentFlag.AlignRight if right else Qt.AlignmentFlag.AlignLeft)
        self.setSizePolicy(QSizePolicy.Policy.Ignored if not right else QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        self.say(text)

    def say(self, text: str) -> None:
        if text != self._whole:
            self._whole, self._tip_due = text, True
            self.setAccessibleName(text)
            self.updateGeometry()
            self.update()

    def text(self) -> str:
        return self._whole

    def toolTip(self) -> str:
        if self._tip_due:
            self.setToolTip(tooltip(self._whole, self._about))
        return super().toolTip()

    def setToolTip(self, text: str | None) -> None:
        """One that stays until another text is said."""
        self._tip_due = False
        super().setToolTip(text)

    def event(self, event: QEvent | None) -> bool:
        if event is not None and event.type() == QEvent.Type.ToolTip:
            self.toolTip()
        return super().event(event)

    def size_letters(self, px: int, bold: bool = False) -> None:
        font = QFont(self.font())
        font.setPixelSize(px)
        font.setBold(bold)
        self.setFont(font)

    def sizeHint(self) -> QSize:
        metrics = QFontMetrics(self.font())
        return QSize(metrics.horizontalAdvance(self._whole) + 4, round(1.3 * metrics.height()))

    def minimumSizeHint(self) -> QSize:
        return QSize(20, self.sizeHint().height())

    def paintEvent(self, event: QPaintEvent | None) -> None:
        painter = QPainter(self)
        painter.setPen(self.palette().windowText().color())
        metrics = QFontMetrics(self.font())
        shown = shortened(self._whole, lambda text: metrics.horizontalAdvance(text) <= self.width())
        painter.drawText(self.rect(), int(self._align), shown)
        painter.end()


class FittedWords(Words):
    """One line in the largest of some sizes of letters (px, the largest first) in which all of it fits."""

    _sizes: tuple[int, ...] = (9,)

    def letters_of(self, *sizes_px: int) -> None:
        """The sizes to choose from, in bold."""
        self._sizes = sizes_px
        self._fit()

    def say(self, text: str) -> None:
        super().say(text)
        self._fit()

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        self._fit()

    def sizeHint(self) -> QSize:
        """As high as the largest letters, so that nothing moves when a word is longer."""
        font = QFont(self.font())
        font.setPixelSize(self._sizes[0])
        return QSize(20, round(1.3 * QFontMetrics(font).height()))

    def _fit(self) -> None:
        for px in self._sizes:
            if px != self.font().pixelSize():
                self.size_letters(px, bold=True)
            if QFontMetrics(self.font()).horizontalAdvance(self.text()) <= self.width():
                break


class Panel(QFrame):
    """A panel with a title. ``about`` describes its content in a sentence."""

    def __init__(self, name: str, title: str, about: str, body: QWidget) -> None:
        super().__init__()
        self.name, self.title, self.about, self.body = name, title, about, body
        self.look = Look()
        self.failed = False
        self.setObjectName("sheet")
        self.heading = Words(title, about)
        self.heading.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        self.aside = Words("", right=True)
        self.aside.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        head = QHBoxLayout()
        head.setContentsMargins(2, 0, 4, 0)
        head.addWidget(self.heading)
        head.addWidget(self.aside, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(8, 5, 8, 5)
        column.setSpacing(2)
        column.addLayout(head)
        column.addWidget(body, 1)

    def restyle(self, look: Look) -> None:
        self.look = look
        self.heading.size_letters(look.px(1.0), bold=True)
        self.aside.size_letters(look.px(0.92))
        colour(self.heading, look.theme.ink)
        colour(self.aside, look.theme.quiet)

    def draw_safely(self, draw: Draw, canvas: Canvas) -> None:
        """Draw, unless that failed before; a failure is told."""
        if self.failed:
            return
        try:
            draw(canvas)
        except Exception as error:
            self.fail(error)
            raise

    def show_safely(self, show: Callable[[], None]) -> None:
        """Give the panel what it shows, unless it failed before. One that fails is left as it is; the others go on."""
        if self.failed:
            return
        try:
            show()
        except Exception as error:
            log.exception("the panel %r failed and stays as it is; recording goes on", self.name)
            self.fail(error)

    def explain(self, canvas: Canvas, why: str) -> None:
        """Write into an empty chart why it is empty, and what it will show where there is room for that too."""
        rect, theme, px = canvas.rect, self.look.theme, self.look.px
        wide = min(0.8 * rect.width(), px(34))
        about = canvas.height_of(self.about, 0.95, wide) + px(0.4)
        left, room = rect.center().x() - wide / 2, rect.height() - canvas.height_of(why, 1.0, wide) - 4
        above = 0.3 * rect.height() if about > room else min(0.3 * rect.height(), room - about)
        place = canvas.text(left, rect.top() + above, why, theme.ink, 1.0, bold=True, width=wide)
        if about <= room:
            canvas.text(left, place.bottom() + px(0.4), self.about, theme.quiet, 0.95, width=wide)

    def fail(self, error: BaseException) -> None:
        """Report that the panel could not be drawn, and stop drawing it; the run is not affected."""
        self.failed = True
        self.aside.say(f"cannot be drawn ({type(error).__name__}); recording goes on")


class ChartPanel(Panel):
    """A panel whose body is a chart that ``draw`` fills."""

    def __init__(
        self, name: str, title: str, about: str, x_scale: Scale, y_scale: Scale, x_label: str, y_label: str
    ) -> None:
        self.chart = Chart(lambda canvas: self.draw_safely(self.draw, canvas), x_scale, y_scale, x_label, y_label)
        self._filled = False
        super().__init__(name, title, about, self.chart)
        self.chart.show_axes(False)

    def restyle(self, look: Look) -> None:
        super().restyle(look)
        self.chart.restyle(look)
        self.chart.show_axes(self._filled)

    @property
    def is_filled(self) -> bool:
        """Whether there is something to draw."""
        return self._filled

    def fill(self, yes: bool) -> None:
        """Whether there is something to draw."""
        if yes != self._filled:
            self._filled = yes
            self.chart.show_axes(yes)
        self.chart.repaint_inside()

    def draw(self, canvas: Canvas) -> None:
        """Draw what was given last."""
        raise NotImplementedError


def colour(widget: QWidget, ink: str) -> None:
    """Colour of a widget's text."""
    palette = widget.palette()
    palette.setColor(QPalette.ColorRole.WindowText, QColor(ink))
    widget.setPalette(palette)
