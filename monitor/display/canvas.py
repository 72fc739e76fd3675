"""What a chart is drawn with: curves and text in pixels, and labels that cover neither each other nor the curves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any, ClassVar, Protocol

import numpy as np
import pyqtgraph as pg  # after PyQt5: it takes the Qt that is there
from numpy.typing import ArrayLike, NDArray
from PyQt5.QtCore import QLineF, QPointF, QRectF, Qt
from PyQt5.QtGui import QBrush, QColor, QFont, QFontMetricsF, QPaintEngine, QPainter, QPainterPath, QPen

from quietfloor.monitor.core.samples import Bools, Floats
from quietfloor.monitor.display.curves import SOLID, Box, Drawn, cut, dashes
from quietfloor.monitor.display.scales import Scale
from quietfloor.monitor.display.theme import Look

WRAPPED = int(Qt.AlignmentFlag.AlignLeft) | int(Qt.AlignmentFlag.AlignTop) | int(Qt.TextFlag.TextWordWrap)
Spot = tuple[float, float, float, float]  # x and y in pixels, and which part of a text is there: 0 left or top, 1 right or bottom


class Axes(Protocol):
    """What a canvas asks a chart: the scales, and the places along them that are shown."""

    x_scale: Scale
    y_scale: Scale
    x_range: tuple[float, float]
    y_range: tuple[float, float]


class Canvas:
    """Argument of a drawing function: the painter in pixels, the rectangle of the chart, and the positions of values in it.

    ``labels`` collects each text with its place, ``curves`` and ``kept_clear`` what ``label`` must not cover.
    """

    def __init__(self, painter: QPainter, rect: QRectF, chart: Axes, look: Look) -> None:
        self.painter, self.rect, self.look = painter, rect, look
        self.labels: list[tuple[str, Box]] = []
        self.curves: list[Drawn] = []
        self.kept_clear: list[Box] = []
        self.clip = self.box  # curves are cut at its edges
        self._chart = chart

    def x(self, values: ArrayLike) -> Floats:
        """Pixels from the left, limited to the chart plus a margin, because an SVG is not clipped."""
        first, last = self._chart.x_range
        place = self._chart.x_scale.place(values)
        return np.asarray(self.rect.left() + (place - first) / (last - first) * self.rect.width())

    def y(self, values: ArrayLike) -> Floats:
        """Pixels from the top, never outside the chart."""
        first, last = self._chart.y_range
        place = (self._chart.y_scale.place(values) - first) / (last - first)
        return np.asarray(self.rect.bottom() - np.clip(place, 0.0, 1.0) * self.rect.height())

    def curve(
        self, xs: Floats, values: Floats, colour: str, width: int = 1, pattern: tuple[float, ...] = SOLID, clear: bool = True
    ) -> None:
        """Draw values (n,) over ``xs`` in pixels; what lies outside ``clip`` is cut off.

        ``pattern``: lengths of line and gap in turn. ``clear``: no label is placed on the curve.
        """
        first, last = self._chart.y_range
        place = (self._chart.y_scale.place(values) - first) / (last - first)
        ys = self.rect.bottom() - place * self.rect.height()
        if clear:
            self.curves.append(Drawn(xs, ys))
        self.line(*cut(xs, ys, self.clip), colour, width, pattern=pattern)

    @property
    def box(self) -> Box:
        """The chart."""
        return Box(self.rect.left(), self.rect.top(), self.rect.right(), self.rect.bottom())

    def px(self, x: float, y: float) -> QPointF:
        return QPointF(float(self.x(x)), float(self.y(y)))

    def font(self, times: float = 1.0, bold: bool = False) -> QFont:
        font = QFont(self.painter.font())
        font.setPixelSize(self.look.px(times))
        font.setBold(bold)
        return font

    def width_of(self, words: str, times: float = 1.0) -> float:
        """Pixels that a line of text takes."""
        return QFontMetricsF(self.font(times)).horizontalAdvance(words)

    def height_of(self, words: str, times: float, width: float) -> float:
        """Height in px of text that is broken into lines at ``width``."""
        self.painter.setFont(self.font(times, False))
        self.painter.setPen(QColor(self.look.theme.ink))  # without a pen text has no size
        return float(self.painter.boundingRect(QRectF(0, 0, width, 1e4), WRAPPED, words).height())

    def shortened(self, words: str, width: float, times: float = 1.0) -> str:
        """The text with … where it is wider than this."""
        return QFontMetricsF(self.font(times)).elidedText(words, Qt.TextElideMode.ElideRight, width)

    def line(
        self, xs: Floats, ys: Floats, colour: str, width: int = 1, dashed: bool = False, smooth: bool = False,
        pattern: tuple[float, ...] = SOLID,
    ) -> None:  # fmt: skip
        """Draw a curve through pixels; it is interrupted where a value is not a number. ``pattern``: of its dashes."""
        good: Bools = np.isfinite(xs) & np.isfinite(ys)
        if good.sum() < 2:
            return
        self.painter.setRenderHint(QPainter.RenderHint.Antialiasing, smooth)
        self.painter.setPen(pen(colour, width, dashed))
        self.painter.setBrush(Qt.BrushStyle.NoBrush)
        if pattern:
            self.painter.drawPath(dash_path(xs, ys, pattern))
        elif good.all():
            self.painter.drawPath(pg.arrayToQPath(xs, ys, connect="all", finiteCheck=False))
        else:
            self.painter.drawPath(pg.arrayToQPath(xs, ys, connect="finite"))

    def bars(self, xs: Floats, low: Floats, high: Floats, colour: str) -> None:
        """Draw vertical lines one pixel wide; this is fast for many lines.

        ``xs`` (n,) rises. ``low`` and ``high`` (..., n) are the lower and upper ends in pixels, so ``low`` is the larger number:
        any number of rows of lines at the same places. On a screen, lines of a row that fall on one column of pixels are drawn as
        one, so lines that are neighbours there must touch each other.
        """
        self.painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        hair = QPen(pen(colour))
        hair.setCosmetic(True)  # one pixel of the screen, however fine it is: only those are quick
        self.painter.setPen(hair)
        engine, to_screen = self.painter.paintEngine(), self.painter.deviceTransform()
        if engine is not None and engine.type() == QPaintEngine.Type.Raster:
            xs, low, high = columns(xs, low, high, to_screen.m11(), to_screen.dx())
        for lines in upright(xs, low, high):
            self.painter.drawLines(*lines)

    def fill(self, left: float, top: float, right: float, bottom: float, colour: str) -> None:
        """A rectangle between pixels."""
        self.painter.fillRect(QRectF(left, top, right - left, bottom - top) & self.rect, QColor(colour))

    def polygon(self, xs: Floats, ys: Floats, colour: str, edge: str | None = None) -> None:
        self.painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        self.painter.setPen(Qt.PenStyle.NoPen if edge is None else pen(edge))
        self.painter.setBrush(QBrush(QColor(colour)))
        self.painter.drawPolygon(pg.functions.arrayToQPolygonF(xs, ys))

    def upright(self, x: float, colour: str, width: int = 1, dashed: bool = False) -> None:
        """A line from top to bottom at pixel ``x``."""
        self.painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        self.painter.setPen(pen(colour, width, dashed))
        self.painter.drawLine(QPointF(x, self.rect.top()), QPointF(x, self.rect.bottom()))

    def level(self, y: float, colour: str, width: int = 1, dashed: bool = False) -> None:
        """A line from left to right at pixel ``y``."""
        self.painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        self.painter.setPen(pen(colour, width, dashed))
        self.painter.drawLine(QPointF(self.rect.left(), y), QPointF(self.rect.right(), y))

    def text(
        self, x: float, y: float, words: str, colour: str, times: float = 1.0, bold: bool = False, across: float = 0.0,
        down: float = 0.0, width: float | None = None, ground: str | None = None,
    ) -> QRectF:
        """Draw text at a pixel. ``across`` and ``down`` say which part of the text is at that pixel: 0 left or top, 1 right or
        bottom.

        The text is moved to stay inside the chart, and broken into lines at ``width``. Returns its rectangle.
        """  # fmt: skip
        size = self._size(words, colour, times, bold, width)
        place = self._placed(size, (x, y, across, down))
        if ground is not None:
            self.painter.fillRect(place.adjusted(-3, 0, 3, 0), QColor(ground))
        return self._write(place, words)

    def label(
        self, words: str, colour: str, places: Sequence[Spot], times: float = 1.0,
        bold: bool = False, must: bool = False, width: float | None = None, over: tuple[QRectF, str] | None = None,
    ) -> QRectF | None:  # fmt: skip
        """Write text at the first of ``places`` (x, y, across, down, as in ``text``) where it covers no other text, no curve and
        nothing else that is kept clear.

        Where none is free it is left out and None returned; if it ``must`` be read, the place that covers least is taken.
        ``over``: a rectangle with its colour, painted anew under the text.
        """
        size = self._size(words, colour, times, bold, width)
        found = [self._placed(size, one) for one in places]
        boxes = [Box(place.left(), place.top(), place.right(), place.bottom()) for place in found]
        free = next((number for number, box in enumerate(boxes) if self._is_free(box)), None)
        if free is None and must:
            free = min(range(len(boxes)), key=lambda number: self._covered(boxes[number]))
        if free is None:
            return None
        if over is not None:
            self.painter.fillRect(found[free] & over[0], QColor(over[1]))
        return self._write(found[free], words)

    def _is_free(self, box: Box) -> bool:
        taken = any(box.overlaps(other) for _, other in self.labels) or any(box.overlaps(other) for other in self.kept_clear)
        return not taken and not any(curve.crosses(box) for curve in self.curves)

    def _covered(self, box: Box) -> float:
        """How much of what is to be read a text would cover; another text counts most."""
        texts = sum(box.shared(other) for _, other in self.labels)
        others = sum(box.shared(other) for other in self.kept_clear)
        return 1e3 * texts + others + sum(curve.crosses(box) for curve in self.curves)

    def _size(self, words: str, colour: str, times: float, bold: bool, width: float | None) -> tuple[float, float]:
        self.painter.setFont(self.font(times, bold))
        self.painter.setPen(QColor(colour))  # without a pen text has no size
        limit = QRectF(0, 0, self.rect.width() - 8 if width is None else width, self.rect.height())
        size = self.painter.boundingRect(limit, WRAPPED, words).size()
        return size.width(), size.height()

    def _placed(self, size: tuple[float, float], place: Spot) -> QRectF:
        """Where a text stands that is wanted at a place: moved to stay inside the chart."""
        (wide, high), (x, y, across, down) = size, place
        left = min(max(x - across * wide, self.rect.left() + 4), self.rect.right() - wide - 4)
        top = min(max(y - down * high, self.rect.top() + 2), self.rect.bottom() - high - 2)
        return QRectF(left, top, wide + 1, high)

    def _write(self, place: QRectF, words: str) -> QRectF:
        self.painter.drawText(place, WRAPPED, words)
        self.labels.append((words, Box(place.left(), place.top(), place.right(), place.bottom())))
        return place


@lru_cache(maxsize=256)
def pen(colour: str, width: int = 1, dashed: bool = False) -> QPen:
    """A pen ``width`` pixels wide on any screen; wide pens are solid, opaque and not smoothed, because others are slow. It is
    kept, as to read a colour takes longer than to draw a line: change a copy of it only."""
    made = QPen(QColor(colour), width, Qt.PenStyle.DashLine if dashed else Qt.PenStyle.SolidLine)
    made.setJoinStyle(Qt.PenJoinStyle.BevelJoin)
    return made


def dash_path(xs: Floats, ys: Floats, pattern: tuple[float, ...]) -> QPainterPath:
    """The dashes of a curve, to be drawn with a solid pen."""
    xs, ys, on = dashes(xs, ys, pattern)
    known = np.isfinite(xs) & np.isfinite(ys)
    path: QPainterPath = pg.arrayToQPath(xs[known], ys[known], connect=on[known], finiteCheck=False)
    return path


class _Lines:
    """Room for lines that Qt draws in one call. Kept, as each new one would leave a little memory behind."""

    STEP, MOST = 256, 1024
    kept: ClassVar[dict[int, _Lines]] = {}

    def __init__(self, room: int) -> None:
        lines = pg.Qt.internals.PrimitiveArray(QLineF, 4)
        lines.resize(room)
        self.memory: NDArray[np.float64] = lines.ndarray()
        self.arguments: tuple[Any, ...] = tuple(lines.drawargs())

    @classmethod
    def of(cls, count: int) -> _Lines:
        """Room for at least ``count`` lines."""
        room = -(-count // cls.STEP) * cls.STEP
        if room not in cls.kept:
            cls.kept[room] = cls(room)
        return cls.kept[room]


def columns(xs: Floats, low: Floats, high: Floats, per_x: float, shift: float) -> tuple[Floats, Floats, Floats]:
    """Lines (..., n) that fall on one column of pixels, made one from the lowest to the highest.

    The pixel of a place ``x`` is the whole part of ``x * per_x + shift``, as Qt draws lines one pixel wide (measured:
    ``tests/display/test_canvas.py``). A line of no length may be one pixel higher than Qt draws it alone.
    """
    pixels = np.floor(xs * per_x + shift)
    starts = np.flatnonzero(np.diff(pixels, prepend=np.nan) != 0)
    if len(starts) == len(xs):
        return xs, low, high
    return xs[starts], np.fmax.reduceat(low, starts, axis=-1), np.fmin.reduceat(high, starts, axis=-1)


def upright(xs: Floats, low: Floats, high: Floats) -> Iterator[tuple[Any, ...]]:
    """Arguments of QPainter.drawLines for upright lines, without an object for each of them. Each is to be drawn before the next
    is asked for, because they share their memory."""
    good = np.isfinite(low) & np.isfinite(high)
    ends = np.column_stack((np.broadcast_to(xs, low.shape)[good], high[good], low[good]))[:, [0, 1, 0, 2]]
    for begin in range(0, len(ends), _Lines.MOST):
        part = ends[begin : begin + _Lines.MOST]
        lines = _Lines.of(len(part))
        lines.memory[: len(part)] = part
        lines.memory[len(part) :] = part[-1]  # the last one once more, as often as there is room
        yield lines.arguments


__all__ = ["Axes", "Canvas", "dash_path", "pen"]
