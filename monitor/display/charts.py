"""A chart on the axes of pyqtgraph: the axes know their scale, and one function draws the content in pixels."""

from __future__ import annotations

from collections.abc import Callable

import pyqtgraph as pg  # after PyQt5: it takes the Qt that is there
from PyQt5.QtCore import QEvent, QPointF, QRectF, Qt
from PyQt5.QtGui import QFont, QFontMetricsF, QMouseEvent, QPainter, QResizeEvent, QWheelEvent
from PyQt5.QtWidgets import QGraphicsView

from quietfloor.monitor.display.canvas import Canvas, pen
from quietfloor.monitor.display.curves import Box, Drawn
from quietfloor.monitor.display.scales import Scale, written
from quietfloor.monitor.display.theme import Look

pg.setConfigOptions(antialias=False)
MARGIN_PX = 18  # beside a chart


def shorter(label: str) -> tuple[str, ...]:
    """A label, and what is left of it where there is less room: without what stands in brackets, then the quantity alone."""
    plain = label.partition(" (")[0]
    return label, plain, plain.partition(",")[0]


class Axis(pg.AxisItem):
    """Ticks at round values of its scale, written in full."""

    def __init__(self, orientation: str, scale: Scale) -> None:
        super().__init__(orientation)
        self.enableAutoSIPrefix(False)
        self.chart_scale = scale
        self.px_per_tick = 60.0
        self.names: dict[float, str] | None = None  # what stands at these places in place of numbers

    def tickValues(self, minVal: float, maxVal: float, size: float) -> list[tuple[float, list[float]]]:
        if self.names is not None:
            return [(1.0, list(self.names))]
        return [(1.0, self.chart_scale.ticks(minVal, maxVal, max(2, int(size / self.px_per_tick))))]

    def tickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        if self.names is not None:
            return [self.names.get(place, "") for place in values]
        return [written(self.chart_scale.value(place)) for place in values]


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
    """Axes around one drawing function. Ranges are set by the program; what the mouse does besides reading values is told."""

    def __init__(self, draw: Draw, x_scale: Scale, y_scale: Scale, x_label: str, y_label: str) -> None:
        self.x_scale, self.y_scale = x_scale, y_scale
        self.x_range, self.y_range = (0.0, 1.0), (0.0, 1.0)  # places along the axes
        self.look = Look()
        self.pointed: QPointF | None = None  # where the mouse is, inside the chart
        self.labels: list[tuple[str, Box]] = []  # the texts that were drawn last
        self.curves: list[Drawn] = []  # the curves, in pixels
        self.bare: tuple[str, ...] = ()  # sides that never have an axis
        self.tick_em = {"bottom": 4.6, "left": 2.0}  # letters between two numbers of an axis
        self.on_press: Callable[[QPointF], None] | None = None  # the left button, inside the chart
        self.on_drag: Callable[[QPointF], None] | None = None
        self.on_release: Callable[[QPointF], None] | None = None
        self.on_area: Callable[[QPointF, QPointF], None] | None = None  # corners of what was drawn with the right button
        self.on_double: Callable[[], None] | None = None
        self.on_wheel: Callable[[QPointF, float, bool], None] | None = None  # where, notches, with Ctrl
        self.area: QRectF | None = None  # what is being drawn with the right button
        self._draw, self._labels = draw, {"bottom": x_label, "left": y_label}
        self._is_painting = False
        self._axes: dict[str, Axis] = {}
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
        self.labels, self.curves = canvas.labels, canvas.curves
        self._is_painting = True
        try:
            self._draw(canvas)
        finally:
            self._is_painting = False

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
            if not self._labels[side]:
                axis.showLabel(False)
            axis.px_per_tick = look.px(self.tick_em[side])
        self._set_width(small)
        self._axes["bottom"].setHeight(look.px(1.5 + (1.45 if self._labels["bottom"] else 0.0)))
        self._label_axes()
        self.repaint_inside()

    def _label_axes(self) -> None:
        """The label of each axis, as much of it as there is room for."""
        size_px = self.look.px(0.88)
        font = QFont(self.font())
        font.setPixelSize(size_px)
        wide = QFontMetricsF(font).horizontalAdvance
        for side, axis in self._axes.items():
            if self._labels[side]:
                left, bottom = self._axes["left"], self._axes["bottom"]
                across, high = self.width() - (left.fixedWidth or 0), self.height() - (bottom.fixedHeight or 0)
                room = across if side == "bottom" else high
                shown = next((words for words in shorter(self._labels[side]) if wide(words) <= room - MARGIN_PX), "")
                axis.setLabel(shown, color=self.look.theme.quiet, **{"font-size": f"{size_px}px"})
                axis.resizeEvent()  # which puts it into the middle

    def resizeEvent(self, event: QResizeEvent | None) -> None:
        super().resizeEvent(event)
        self._label_axes()

    def _set_width(self, font: QFont) -> None:
        """As wide as its numbers, or the names in their place, need."""
        labelled = 1.45 if self._labels["left"] else 0.0
        names = self._axes["left"].names
        wide = float(self.look.px(3.1 + labelled))
        if names is not None:
            lines = [line for name in names.values() for line in name.split("\n")]
            wide = max(map(QFontMetricsF(font).horizontalAdvance, lines), default=0.0) + 10
        self._axes["left"].setWidth(wide)

    def name_rows(self, names: dict[float, str]) -> None:
        """What stands at places of the left axis in place of numbers."""
        axis = self._axes["left"]
        if axis.names != names:
            axis.names = names
            small = QFont(self.font())
            small.setPixelSize(self.look.px(0.88))
            self._set_width(small)
            axis.picture = None
            axis.update()

    def show_axes(self, yes: bool) -> None:
        """Show or hide the axes; they are hidden while there is no data."""
        for side in self._axes:
            if side not in self.bare:
                self.getPlotItem().showAxis(side, yes)
        self._label_axes()

    def relabel(self, side: str, text: str) -> None:
        """Another label of an axis."""
        if self._labels[side] != text:
            self._labels[side] = text
            self._label_axes()

    def set_ranges(self, x: tuple[float, float], y: tuple[float, float]) -> None:
        """Values at the left, right, bottom and top."""
        xs, ys = (tuple(sorted(float(p) for p in scale.place(pair))) for scale, pair in ((self.x_scale, x), (self.y_scale, y)))
        if (xs, ys) != (self.x_range, self.y_range):
            self.x_range, self.y_range = (xs[0], xs[1]), (ys[0], ys[1])
            self._painting.prepareGeometryChange()
            box = self.getPlotItem().vb
            box.setRange(xRange=self.x_range, yRange=self.y_range, padding=0.0)
            if not self._is_painting:
                box.updateMatrix()  # pyqtgraph would do it only while it paints, and so paint a second time

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
        if self.area is not None:
            self.area.setBottomRight(self._inside(where))
        self.repaint_inside()
        event.accept()

    def _inside(self, point: QPointF) -> QPointF:
        """The nearest point of the chart."""
        rect = self.inside
        return QPointF(min(max(point.x(), rect.left()), rect.right()), min(max(point.y(), rect.top()), rect.bottom()))

    def leaveEvent(self, event: QEvent) -> None:
        self.pointed = None
        self.repaint_inside()

    def wheelEvent(self, event: QWheelEvent) -> None:
        where, turned = QPointF(event.position()), event.angleDelta()
        if self.on_wheel is None or not self.inside.contains(where):
            event.ignore()
            return
        self.on_wheel(where, (turned.y() or turned.x()) / 120.0, bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier))
        event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        where = QPointF(event.pos())
        if event.button() == Qt.MouseButton.RightButton and self.on_area is not None and self.inside.contains(where):
            self.area = QRectF(where, where)
            event.accept()
            return
        self._button(event, self.on_press)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if event.button() == Qt.MouseButton.RightButton and self.area is not None and self.on_area is not None:
            area, self.area = self.area, None
            self.on_area(area.topLeft(), self._inside(QPointF(event.pos())))
            self.repaint_inside()
            event.accept()
            return
        self._button(event, self.on_release)

    def _button(self, event: QMouseEvent, tell: Callable[[QPointF], None] | None) -> None:
        where = QPointF(event.pos())
        if tell is None or event.button() != Qt.MouseButton.LeftButton or not self.inside.contains(where):
            event.ignore()
            return
        tell(where)
        event.accept()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        if self.on_double is None or not self.inside.contains(QPointF(event.pos())):
            event.ignore()
            return
        self.on_double()
        event.accept()


__all__ = ["Axis", "Canvas", "Chart", "Draw", "Painting", "pen"]
