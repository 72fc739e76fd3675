"""A chart on the axes of pyqtgraph: the axes know their scale, and one function draws the content in pixels."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar

import numpy as np
import pyqtgraph as pg  # after PyQt5: it takes the Qt that is there
from numpy.typing import ArrayLike, NDArray
from PyQt5.QtCore import QEvent, QLineF, QPointF, QRectF, Qt
from PyQt5.QtGui import QBrush, QColor, QFont, QFontMetricsF, QMouseEvent, QPainter, QPen, QPolygonF, QWheelEvent
from PyQt5.QtWidgets import QGraphicsView

from quietfloor.monitor.core.samples import Bools, Floats
from quietfloor.monitor.display.scales import Scale, written
from quietfloor.monitor.display.theme import Look

pg.setConfigOptions(antialias=False)
WRAPPED = int(Qt.AlignmentFlag.AlignLeft) | int(Qt.AlignmentFlag.AlignTop) | int(Qt.TextFlag.TextWordWrap)


class Axis(pg.AxisItem):
    """Ticks at round values of its scale, written in full."""

    def __init__(self, orientation: str, scale: Scale) -> None:
        super().__init__(orientation)
        self.enableAutoSIPrefix(False)
        self.chart_scale = scale
        self.px_per_tick = 60.0

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, list[float]]]:
        return [(1.0, self.chart_scale.ticks(minVal, maxVal, max(2, int(size / self.px_per_tick))))]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        return [written(self.chart_scale.value(place)) for place in values]


class Canvas:
    """Argument of a drawing function: the painter in pixels, the rectangle of the chart, and the positions of values in it."""

    def __init__(self, painter: QPainter, rect: QRectF, chart: Chart, look: Look) -> None:
        self.painter, self.rect, self.look = painter, rect, look
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

    def line(self, xs: Floats, ys: Floats, colour: str, width: int = 1, dashed: bool = False, smooth: bool = False) -> None:
        """Draw a curve through pixels; it is interrupted where a value is not a number."""
        good: Bools = np.isfinite(xs) & np.isfinite(ys)
        if good.sum() < 2:
            return
        self.painter.setRenderHint(QPainter.RenderHint.Antialiasing, smooth)
        self.painter.setPen(pen(colour, width, dashed))
        self.painter.setBrush(Qt.BrushStyle.NoBrush)
        if good.all():
            self.painter.drawPath(pg.arrayToQPath(xs, ys, connect="all", finiteCheck=False))
        else:
            self.painter.drawPath(pg.arrayToQPath(xs, ys, connect="finite"))

    def bars(self, xs: Floats, low: Floats, high: Floats, colour: str) -> None:
        """Draw vertical lines one pixel wide, (n,) each; this is fast for many lines."""
        bars = upright(xs, low, high)
        self.painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
        hair = pen(colour)
        hair.setCosmetic(True)  # one pixel of the screen, however fine it is: only those are quick
        self.painter.setPen(hair)
        if bars is not None:
            self.painter.drawLines(*bars)

    def fill(self, left: float, top: float, right: float, bottom: float, colour: str) -> None:
        """A rectangle between pixels."""
        self.painter.fillRect(QRectF(left, top, right - left, bottom - top) & self.rect, QColor(colour))

    def polygon(self, xs: Floats, ys: Floats, colour: str, edge: str | None = None) -> None:
        self.painter.setRenderHint(QPainter.RenderHint.Antialiasing, True)
        self.painter.setPen(Qt.PenStyle.NoPen if edge is None else pen(edge))
        self.painter.setBrush(QBrush(QColor(colour)))
        points = QPolygonF([QPointF(x, y) for x, y in zip(xs.tolist(), ys.tolist(), strict=True)])
        self.painter.drawPolygon(points)

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
        painter = self.painter
        painter.setFont(self.font(times, bold))
        painter.setPen(QColor(colour))  # without a pen text has no size
        limit = QRectF(0, 0, self.rect.width() - 8 if width is None else width, self.rect.height())
        size = painter.boundingRect(limit, WRAPPED, words).size()
        left = min(max(x - across * size.width(), self.rect.left() + 4), self.rect.right() - size.width() - 4)
        top = min(max(y - down * size.height(), self.rect.top() + 2), self.rect.bottom() - size.height() - 2)
        place = QRectF(left, top, size.width() + 1, size.height())
        if ground is not None:
            painter.fillRect(place.adjusted(-3, 0, 3, 0), QColor(ground))
        painter.drawText(place, WRAPPED, words)
        return place

    def height_of(self, words: str, times: float, width: float) -> float:
        """Height in px of text that is broken into lines at ``width``."""
        self.painter.setFont(self.font(times, False))
        self.painter.setPen(QColor(self.look.theme.ink))  # without a pen text has no size
        return float(self.painter.boundingRect(QRectF(0, 0, width, 1e4), WRAPPED, words).height())


def pen(colour: str, width: int = 1, dashed: bool = False) -> QPen:
    """A pen ``width`` pixels wide on any screen; wide pens are solid, opaque and not smoothed, because others are slow."""
    made = QPen(QColor(colour), width, Qt.PenStyle.DashLine if dashed else Qt.PenStyle.SolidLine)
    made.setJoinStyle(Qt.PenJoinStyle.BevelJoin)
    return made


class _Lines:
    """Room for lines that Qt draws in one call. Kept, as each new one would leave a little memory behind."""

    STEP = 256
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


def upright(xs: Floats, low: Floats, high: Floats) -> tuple[Any, ...] | None:
    """Arguments of QPainter.drawLines for upright lines, without an object for each of them; None where there are none."""
    good = np.isfinite(low) & np.isfinite(high)
    count = int(good.sum())
    if not count:
        return None
    lines = _Lines.of(count)
    memory = lines.memory
    memory[:count, 0] = memory[:count, 2] = xs[good]
    memory[:count, 1], memory[:count, 3] = high[good], low[good]
    memory[count:] = memory[count - 1]  # the last one once more, as often as there is room
    return lines.arguments


Draw = Callable[[Canvas], None]


class Painting(pg.GraphicsObject):
    """Content of a chart, drawn by its function whenever Qt requests it."""

    def __init__(self, chart: Chart) -> None:
        super().__init__()
        self._chart = chart

    def boundingRect(self) -> QRectF:
        return QRectF(self._chart.getPlotItem().vb.viewRect())

    def viewTransformChanged(self) -> None:
        self.prepareGeometryChange()

    def paint(self, painter: QPainter, *_: object) -> None:
        inside = self._chart.inside
        view, known = self.sceneTransform().inverted()
        if not known or inside.width() < 2 or inside.height() < 2:
            return
        painter.save()
        painter.setTransform(view * painter.transform())
        painter.setClipRect(inside)
        try:
            self._chart.paint(Canvas(painter, inside, self._chart, self._chart.look))
        finally:
            painter.restore()


class Chart(pg.PlotWidget):
    """Axes around one drawing function. Ranges are set by the program; the mouse reads values but moves nothing."""

    def __init__(self, draw: Draw, x_scale: Scale, y_scale: Scale, x_label: str, y_label: str) -> None:
        self.x_scale, self.y_scale = x_scale, y_scale
        self.x_range, self.y_range = (0.0, 1.0), (0.0, 1.0)  # places along the axes
        self.look = Look()
        self.pointed: QPointF | None = None  # where the mouse is, inside the chart
        self.bare: tuple[str, ...] = ()  # sides that never have an axis
        self.on_press: Callable[[QPointF], None] | None = None  # the left button, inside the chart
        self.on_drag: Callable[[QPointF], None] | None = None
        self.on_release: Callable[[QPointF], None] | None = None
        self._draw, self._labels = draw, {"bottom": x_label, "left": y_label}
        axes = {"bottom": Axis("bottom", x_scale), "left": Axis("left", y_scale)}
        super().__init__(axisItems=axes)
        self._axes = axes
        plot = self.getPlotItem()
        plot.hideButtons()
        plot.setMenuEnabled(False)
        self.setMenuEnabled(False)
        plot.vb.setMouseEnabled(x=False, y=False)
        plot.vb.setDefaultPadding(0.0)
        plot.setContentsMargins(0, 7, 10, 0)  # for what is written at the ends of the axes
        plot.vb.disableAutoRange()
        self.setFrameShape(0)
        self.setBackground(None)  # the sheet of the panel; a ground of its own would be pixels in an SVG
        self.setCacheMode(QGraphicsView.CacheModeFlag(QGraphicsView.CacheModeFlag.CacheNone))
        self.viewport().setAutoFillBackground(False)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setMouseTracking(True)
        self._painting = Painting(self)
        plot.vb.addItem(self._painting)

    @property
    def inside(self) -> QRectF:
        """The chart without its axes, in pixels of the widget."""
        box = self.getPlotItem().vb
        return QRectF(box.mapRectToScene(box.boundingRect()))

    def paint(self, canvas: Canvas) -> None:
        self._draw(canvas)

    def restyle(self, look: Look) -> None:
        """Take on colours and sizes."""
        self.look = look
        theme = look.theme
        small = QFont(self.font())
        small.setPixelSize(look.px(0.88))
        for side, axis in self._axes.items():
            axis.setPen(pg.mkPen(theme.axis))
            axis.setTextPen(pg.mkPen(theme.quiet))
            axis.setTickPen(pg.mkPen(theme.axis))
            axis.setStyle(tickFont=small, tickLength=-4, tickTextOffset=4, hideOverlappingLabels=False)
            if self._labels[side]:
                axis.setLabel(self._labels[side], color=theme.quiet, **{"font-size": f"{look.px(0.88)}px"})
            else:
                axis.showLabel(False)
            axis.px_per_tick = look.px(4.6 if side == "bottom" else 2.0)
        labelled = 1.45 if self._labels["left"] else 0.0
        self._axes["left"].setWidth(look.px(3.1 + labelled))
        self._axes["bottom"].setHeight(look.px(1.5 + (1.45 if self._labels["bottom"] else 0.0)))
        self.repaint_inside()

    def show_axes(self, yes: bool) -> None:
        """Show or hide the axes; they are hidden while there is no data."""
        for side in self._axes:
            if side not in self.bare:
                self.getPlotItem().showAxis(side, yes)

    def relabel(self, side: str, text: str) -> None:
        """Another label of an axis."""
        if self._labels[side] != text:
            self._labels[side] = text
            size = {"font-size": f"{self.look.px(0.88)}px"}
            self._axes[side].setLabel(text, color=self.look.theme.quiet, **size)

    def set_ranges(self, x: tuple[float, float], y: tuple[float, float]) -> None:
        """Values at the left, right, bottom and top."""
        xs, ys = (tuple(sorted(float(p) for p in scale.place(pair))) for scale, pair in ((self.x_scale, x), (self.y_scale, y)))
        if (xs, ys) != (self.x_range, self.y_range):
            self.x_range, self.y_range = (xs[0], xs[1]), (ys[0], ys[1])
            self._painting.prepareGeometryChange()
            self.getPlotItem().vb.setRange(xRange=self.x_range, yRange=self.y_range, padding=0.0)

    def repaint_inside(self) -> None:
        """Request a new drawing of the content."""
        self._painting.update()

    def value_at(self, point: QPointF) -> tuple[float, float]:
        """Values at a pixel."""
        rect = self.inside
        across = (point.x() - rect.left()) / max(rect.width(), 1.0)
        up = (rect.bottom() - point.y()) / max(rect.height(), 1.0)
        x, y = (first + part * (last - first) for (first, last), part in ((self.x_range, across), (self.y_range, up)))
        return self.x_scale.value(x), self.y_scale.value(y)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        where = QPointF(event.pos())
        self.pointed = where if self.inside.contains(where) else None
        if self.on_drag is not None and event.buttons() & Qt.MouseButton.LeftButton and self.pointed is not None:
            self.on_drag(where)
        self.repaint_inside()
        event.accept()

    def leaveEvent(self, event: QEvent) -> None:
        self.pointed = None
        self.repaint_inside()

    def wheelEvent(self, event: QWheelEvent) -> None:
        event.ignore()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self._button(event, self.on_press)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self._button(event, self.on_release)

    def _button(self, event: QMouseEvent, tell: Callable[[QPointF], None] | None) -> None:
        where = QPointF(event.pos())
        if tell is None or event.button() != Qt.MouseButton.LeftButton or not self.inside.contains(where):
            event.ignore()
            return
        tell(where)
        event.accept()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        event.ignore()


__all__ = ["Axis", "Canvas", "Chart", "Draw", "Painting", "pen"]
