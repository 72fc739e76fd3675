"""The growing average with its noise band, its odd and even half, and the relevant time ranges."""

from __future__ import annotations

import math

import numpy as np
from PyQt5.QtCore import QRectF

from quietfloor.monitor.core.samples import Bools
from quietfloor.monitor.display.canvas import Spot as Place
from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.cursors import CursorPair, amplitude
from quietfloor.monitor.display.curves import EVEN_HALF, OVERLAYS, PLUS_MINUS, SOLID, Box
from quietfloor.monitor.display.ladder import Overlay
from quietfloor.monitor.display.legend import ROW, Entry, Rows, arranged, paint, strip_px
from quietfloor.monitor.display.panel import ChartPanel
from quietfloor.monitor.display.scales import Scale, nice_above
from quietfloor.monitor.display.views import Curves
from quietfloor.monitor.display.waves import Spot
from quietfloor.monitor.display.zoom import Pair, Zoom

HEIGHTS = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)
MOST_LEGEND = 0.3  # of the height of the chart for names: where there are more, the first rows are left out
GAP_PX = 3  # between a label and what it stands at


class AveragePanel(ChartPanel):
    """Average, band, odd and even half, plus-minus average on request, overlays of earlier runs, cursors.

    Above the curves there is a strip for the legend, below them one for what is expected: neither ever covers a curve.
    """

    def __init__(self, zoom: Zoom | None = None) -> None:
        super().__init__(
            "average",
            "Average",
            "The average of all accepted sweeps with its pointwise 95 % confidence band from residual noise. The first "
            "millisecond is not judged, and wave V is expected in the latency search window.",
            Scale(),
            Scale(),
            "ms after the stimulus reaches the ear",
            "nV",
        )
        self.halves, self.plus_minus = True, False
        self.overlays: list[Overlay] = []
        self.spots: tuple[Spot, ...] = ()  # marked waves of a run that is over
        self.zoom = zoom or Zoom()
        self.cursors = CursorPair()
        self._curves: Curves | None = None
        self._height = 0.0
        self._legend_part = self._foot_part = 0.0

    @property
    def curves(self) -> Curves | None:
        """What is drawn."""
        return self._curves

    @property
    def height_nv(self) -> float:
        """The whole chart goes from minus to plus this much."""
        return self.zoom.scale_nv or self._height or 1.0

    @property
    def whole_ms(self) -> Pair:
        """The times of the average; a millisecond where there is none."""
        curves = self._curves
        return (0.0, 1.0) if curves is None else (float(curves.times_ms[0]), float(curves.times_ms[-1]))

    @property
    def whole_nv(self) -> Pair:
        return -self.height_nv, self.height_nv

    def show_curves(self, curves: Curves | None) -> None:
        """Draw another average; None before there is one."""
        self._curves = curves
        if curves is not None:
            largest = self._fit(curves)
            alike = round(curves.correlation, 2) + 0.0 if math.isfinite(curves.correlation) else math.nan  # no -0.00
            told = [] if math.isnan(alike) else [f"odd and even half: r {alike:.2f}".replace("-", "−")]
            out = ["discarded"] if curves.discarded else []
            self.aside.say(" · ".join(out + self._scale_words(largest) + told))
        self.fill(curves is not None)

    def _scale_words(self, largest: float) -> list[str]:
        """What the user chose of scale and part, and whether a curve goes beyond it."""
        told, fixed = [], self.zoom.scale_nv
        if fixed is not None:
            told.append(f"scale fixed at ±{amplitude(fixed)}" + (", a curve goes beyond" if largest > fixed else ""))
        if not self.zoom.is_whole:
            told.append("zoomed in")
        return told

    def _fit(self, curves: Curves) -> float:
        """Choose a height that contains the judged part; it is changed only when it is far off. Returns the largest value."""
        judged = curves.times_ms >= curves.unjudged_ms[1]
        band = curves.half_band_nv if math.isfinite(curves.half_band_nv) else 0.0
        sizes = [np.abs(curves.average_nv[judged]) + band]
        if self.halves:
            sizes += [np.abs(curves.odd_nv[judged]), np.abs(curves.even_nv[judged])]
        for overlay in self.overlays:
            sizes.append(np.abs(overlay.average_nv[overlay.times_ms >= curves.unjudged_ms[1]]))
        largest = max((float(np.nanmax(size)) for size in sizes if len(size) and np.isfinite(size).any()), default=0.0)
        if largest > 0 and not 0.62 * self._height <= 1.04 * largest <= self._height:
            self._height = nice_above(1.08 * largest, HEIGHTS)
        low, high = self.zoom.nv or self.whole_nv
        per_part = (high - low) / (1.0 - self._legend_part - self._foot_part)
        across = self.zoom.ms or self.whole_ms
        self.chart.set_ranges(across, (low - self._foot_part * per_part, high + self._legend_part * per_part))
        return largest

    def _make_room(self, above: float, below: float) -> None:
        """Set the parts of the height above and below the curves; they are seen from the next painting on."""
        above, below = min(above, 0.45), min(below, 0.4)
        if abs(above - self._legend_part) + abs(below - self._foot_part) > 1e-6:
            self._legend_part, self._foot_part = above, below
            self.refit()

    def refit(self) -> None:
        """Choose the height again, because other curves are drawn."""
        self.show_curves(self._curves)

    def draw(self, canvas: Canvas) -> None:
        curves, theme, look, rect = self._curves, self.look.theme, self.look, canvas.rect
        if curves is None:
            self.explain(canvas, "No average yet")
            return
        rows = self._legend(canvas, curves)
        rows = rows[-max(1, int(MOST_LEGEND * rect.height() / look.px(ROW))) :]  # readings come last and are kept
        published = any(spot.chosen and spot.published_ms is not None for spot in self.spots) and rect.height() > look.px(9)
        foot = look.px(ROW) + GAP_PX
        self._make_room(strip_px(look, rows) / rect.height(), foot * (2 if published else 1) / rect.height())
        top, bottom = (part * rect.height() for part in (self._legend_part, self._foot_part))
        canvas.clip = Box(rect.left(), rect.top() + top, rect.right(), rect.bottom() - bottom)
        xs = canvas.x(curves.times_ms)
        self._band(canvas, curves)
        self._places(canvas, curves)
        canvas.level(float(canvas.y(0.0)), theme.axis)
        if self.plus_minus:
            canvas.curve(xs, curves.plus_minus_nv, theme.plus_minus, look.thin, PLUS_MINUS)
        if self.halves:
            canvas.curve(xs, curves.odd_nv, theme.odd_half, look.thin)
            canvas.curve(xs, curves.even_nv, theme.even_half, look.thin, EVEN_HALF)
        for overlay, ink, pattern in zip(self.overlays, theme.overlays, OVERLAYS, strict=False):
            canvas.curve(canvas.x(overlay.times_ms), overlay.average_nv, ink, look.thin, pattern)
        canvas.curve(xs, curves.average_nv, theme.average, look.line)
        paint(canvas, rows)
        numbers = self._cursors(canvas, curves)
        self._waves(canvas)
        for number, chosen, places in numbers:
            canvas.label(number, theme.ink, places, 0.95, bold=chosen)
        self._expected(canvas, curves, foot, published)
        self._read(canvas, curves)

    def _band(self, canvas: Canvas, curves: Curves) -> None:
        """The confidence band, cut at the edges of what is shown."""
        if not math.isfinite(curves.half_band_nv):
            return
        first, last = self.chart.x_range
        inside: Bools = (curves.times_ms > first) & (curves.times_ms < last)
        times = np.concatenate([[first], curves.times_ms[inside], [last]])
        middle = np.interp(times, curves.times_ms, curves.average_nv)
        low, high = (
            np.clip(canvas.y(middle + side * curves.half_band_nv), canvas.clip.top, canvas.clip.bottom) for side in (-1, 1)
        )
        xs = canvas.x(times)
        canvas.polygon(np.concatenate([xs, xs[::-1]]), np.concatenate([high, low[::-1]]), self.look.theme.band)

    def _shown(self, ms: float) -> bool:
        """Whether a time is in the part that is shown."""
        return self.chart.x_range[0] - 1e-9 <= ms <= self.chart.x_range[1] + 1e-9

    def _visible(self, canvas: Canvas, span_ms: Pair) -> Pair | None:
        """The pixels of a stretch of time as far as it is shown."""
        left, right = (float(x) for x in canvas.x(span_ms))
        left, right = max(left, canvas.rect.left()), min(right, canvas.rect.right())
        return (left, right) if right - left > 1 else None

    def _places(self, canvas: Canvas, curves: Curves) -> None:
        """Time zero, and the part that is not judged."""
        theme, rect = self.look.theme, canvas.rect
        if self._shown(0.0):
            canvas.upright(float(canvas.x(0.0)), theme.axis, dashed=True)
        unjudged = self._visible(canvas, curves.unjudged_ms)
        if unjudged is not None:
            left, right = unjudged
            canvas.fill(left, rect.top(), right, rect.bottom(), theme.unjudged)
            if self._shown(0.0):
                canvas.upright(float(canvas.x(0.0)), theme.axis, dashed=True)

    def _expected(self, canvas: Canvas, curves: Curves, foot: float, published: bool) -> None:
        """In the strip below the curves: the latency search window of wave V, the ends of the response window, and above them
        what is published for the chosen wave."""
        theme, rect, px = self.look.theme, canvas.rect, self.look.px
        low = rect.bottom() - 1
        for ms, towards in zip(curves.window_ms, (1, -1), strict=True):
            if self._shown(ms):
                x = float(canvas.x(ms))
                canvas.line(np.array([x, x]), np.array([low - foot + GAP_PX, low]), theme.axis)
                canvas.line(np.array([x, x + towards * px(0.5)]), np.array([low, low]), theme.axis)
                canvas.kept_clear.append(Box(x - 1, low - foot + GAP_PX, x + 1, low))
        self._stretch(canvas, curves.latency_ms, low, foot, "wave V expected")
        for spot in self.spots:
            if published and spot.chosen and spot.published_ms is not None:
                self._stretch(canvas, spot.published_ms, low - foot, foot, *published_as(spot))
        end = self._visible(canvas, curves.window_ms)
        if end is not None and self._shown(curves.window_ms[1]):
            place = (end[1] - px(0.7), low - foot / 2, 1.0, 0.5)
            if canvas.label("response window", theme.quiet, [place], 0.85) is None:
                canvas.label("window", theme.quiet, [place], 0.85)
        unjudged = self._visible(canvas, curves.unjudged_ms)
        if unjudged is not None:
            left, right = unjudged
            wide = right - left + px(1)
            places = [((left + right) / 2, y, 0.5, down) for y, down in ((rect.top() + 2, 0.0), (canvas.clip.bottom, 1.0))]
            band = QRectF(left, rect.top(), right - left, rect.height()), theme.unjudged  # over the line of time zero
            canvas.label("not judged", theme.quiet, places, 0.85, width=wide, over=band)

    def _stretch(self, canvas: Canvas, span_ms: Pair, low: float, foot: float, words: str, dotted: bool = False) -> None:
        """A bracket under a stretch of time with its name in it, or where that is too wide beside it."""
        ink, px = self.look.theme.expected, self.look.px
        seen = self._visible(canvas, span_ms)
        if seen is None:
            return
        left, right = seen
        rise, middle = low - foot + GAP_PX, low - foot / 2
        for x, ms in zip(seen, span_ms, strict=True):
            if self._shown(ms):
                canvas.line(np.array([x, x]), np.array([rise, low]), ink, self.look.line)
        pattern = (1.0, 3.0) if dotted else SOLID  # dotted as in the charts of latency and amplitude
        canvas.line(np.array([left, right]), np.array([low - 1, low - 1]), ink, self.look.line, pattern=pattern)
        canvas.kept_clear += [Box(x - 2, rise, x + 2, low) for x in seen]
        beside = [(right + px(0.6), middle, 0.0, 0.5), (left - px(0.6), middle, 1.0, 0.5)]
        place = canvas.label(words, ink, [((left + right) / 2, middle, 0.5, 0.5), *beside], 0.85)
        if place is not None:  # the next name keeps away from it
            canvas.kept_clear.append(Box(place.left() - px(0.8), place.top(), place.right() + px(0.8), place.bottom()))

    def _waves(self, canvas: Canvas) -> None:
        """Each mark: a stem from the curve to its interval, a bar, and beyond it its name."""
        theme, px, clip = self.look.theme, self.look.px, canvas.clip
        drawn: list[tuple[Spot, float, float, float]] = []
        for spot in self.spots:
            if not self._shown(spot.ms):
                continue
            below = spot.wave == "trough"
            x, y = float(canvas.x(spot.ms)), float(np.clip(canvas.y(spot.height_nv), clip.top, clip.bottom))
            end = y + (px(1.2) if below else -px(1.2))
            end = min(max(end, clip.top + px(1.1)), clip.bottom - px(1.1))  # room for the name beyond it
            drawn.append((spot, x, y, end))
            canvas.kept_clear.append(Box(x - 2, min(y, end), x + 2, max(y, end)))
            if math.isfinite(spot.low_ms + spot.high_ms):
                first, last = self._visible(canvas, (spot.low_ms, spot.high_ms)) or (x, x)
                canvas.kept_clear.append(Box(first, end - 2, last, end + 2))
        for spot, x, y, end in drawn:
            ink, width = (theme.ink, self.look.line) if spot.chosen else (theme.quiet, self.look.thin)
            canvas.line(np.array([x, x]), np.array([y, end]), ink, width, pattern=SOLID if spot.by_hand else (3.0, 2.0))
            ends = self._visible(canvas, (spot.low_ms, spot.high_ms)) if math.isfinite(spot.low_ms + spot.high_ms) else None
            if ends is not None:
                canvas.line(np.array(ends), np.array([end, end]), ink, width)
            below = spot.wave == "trough"
            far = end + (GAP_PX if below else -GAP_PX)
            right, left = (x, x) if ends is None else (ends[1], ends[0])
            beside: list[Place] = [(right + 2 * GAP_PX, end, 0.0, 0.5), (left - 2 * GAP_PX, end, 1.0, 0.5)]
            beside += [(x + 2 * GAP_PX, far, 0.0, 0.0 if below else 1.0), (x - 2 * GAP_PX, far, 1.0, 0.0 if below else 1.0)]
            beside += [(away, y, across, down) for y, down in ((clip.bottom, 1.0), (clip.top, 0.0))
                       for away, across in ((x, 0.5), (right + px(1.0), 0.0), (left - px(1.0), 1.0))]  # fmt: skip
            places = [(x, far, 0.5, 0.0 if below else 1.0), *beside]
            canvas.label(spot.wave, ink, places, 0.95, bold=spot.chosen, must=spot.chosen)

    def _cursors(self, canvas: Canvas, curves: Curves) -> list[tuple[str, bool, list[Place]]]:
        """Each cursor as an upright and a square on the average; the chosen one is thicker. Returns the places of the numbers."""
        theme, clip, side = self.look.theme, canvas.clip, self.look.px(0.5) / 2
        numbers = []
        for number, one in enumerate(self.cursors.readings(curves)):
            if not self._shown(one.ms):
                continue
            x = float(canvas.x(one.ms))
            width = self.look.line if one.chosen else self.look.thin
            canvas.line(np.array([x, x]), np.array([clip.top, clip.bottom]), theme.ink, width)
            canvas.kept_clear.append(Box(x - 2, clip.top, x + 2, clip.bottom))
            if math.isfinite(one.nv):
                y = float(np.clip(canvas.y(one.nv), clip.top + side, clip.bottom - side))
                canvas.fill(x - side, y - side, x + side, y + side, theme.ink)
            places = [(x + away * 2 * GAP_PX, y, 0.0 if away > 0 else 1.0, down)
                      for y, down in ((clip.top, 0.0), (clip.bottom, 1.0)) for away in (1, -1)]  # fmt: skip
            numbers.append((str(number + 1), one.chosen, places))
        return numbers

    def _entries(self) -> list[Entry]:
        """Names of the curves."""
        theme, thin = self.look.theme, self.look.thin
        entries = [Entry("average ± noise band", theme.average, self.look.line)]
        if self.halves:
            entries += [Entry("odd half", theme.odd_half, thin), Entry("even half", theme.even_half, thin, EVEN_HALF)]
        if self.plus_minus:
            entries.append(Entry("plus-minus", theme.plus_minus, thin, PLUS_MINUS))
        drawn = zip(self.overlays, theme.overlays, OVERLAYS, strict=False)
        return entries + [Entry(overlay.label, ink, thin, pattern) for overlay, ink, pattern in drawn]

    def _legend(self, canvas: Canvas, curves: Curves) -> Rows:
        """Names of the curves and readings of the cursors, in the room beside the text on the part that is not judged."""
        room = canvas.rect.right() - max(float(canvas.x(curves.unjudged_ms[1])), canvas.rect.left()) - self.look.px(1)
        return arranged(canvas, (self._entries(), map(Entry, self.cursors.words(curves))), room)

    def _read(self, canvas: Canvas, curves: Curves) -> None:
        """Latency and amplitude under the mouse, and the part that is being drawn to zoom in on."""
        theme, area, point = self.look.theme, self.chart.area, self.chart.pointed
        if area is not None:
            box = area.normalized()
            xs = np.array([box.left(), box.right(), box.right(), box.left(), box.left()])
            ys = np.array([box.top(), box.top(), box.bottom(), box.bottom(), box.top()])
            canvas.line(xs, ys, theme.ink, self.look.thin)
        if point is None:
            return
        ms, _ = self.chart.value_at(point)
        place = int(np.clip(np.searchsorted(curves.times_ms, ms), 0, len(curves.times_ms) - 1))
        x = float(canvas.x(curves.times_ms[place]))
        canvas.upright(x, theme.quiet)
        words = f"{curves.times_ms[place]:.1f} ms, {amplitude(float(curves.average_nv[place]))}"
        sides = [(1.0, -2 * GAP_PX), (0.0, 2 * GAP_PX)][:: 1 if x > canvas.rect.center().x() else -1]
        heights = (point.y(), canvas.clip.top + self.look.px(1.3), canvas.clip.bottom)
        canvas.label(words, theme.ink, [(x + away, y, across, 1.0) for y in heights for across, away in sides], 0.92, must=True)


def published_as(spot: Spot) -> tuple[str, bool]:
    """What the bracket of a published range is called, and whether it is dotted: a range of means of studies is narrower than one
    of persons."""
    return (f"means of studies, {spot.wave}", True) if spot.of_means else (f"published, {spot.wave}", False)
