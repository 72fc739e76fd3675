"""The growing average with its noise band, its odd and even half, and the relevant time ranges."""

from __future__ import annotations

import math

import numpy as np

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.ladder import Overlay
from quietfloor.monitor.display.panel import ChartPanel
from quietfloor.monitor.display.scales import Scale, nice_above
from quietfloor.monitor.display.views import Curves
from quietfloor.monitor.display.waves import Spot

LEGEND_LETTERS, LEGEND_ROW = 0.88, 1.25  # size of its letters, and height of a row
HEIGHTS = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)


class AveragePanel(ChartPanel):
    """Average, band, odd and even half, plus-minus average on request, overlays of earlier runs."""

    def __init__(self) -> None:
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
        self._curves: Curves | None = None
        self._height = 0.0
        self._legend_part = 0.0

    def show_curves(self, curves: Curves | None) -> None:
        """Draw another average; None before there is one."""
        self._curves = curves
        if curves is not None:
            self._fit(curves)
            alike = round(curves.correlation, 2) + 0.0 if math.isfinite(curves.correlation) else math.nan  # no -0.00
            self.aside.say("" if math.isnan(alike) else f"odd and even half: r {alike:.2f}".replace("-", "−"))
        self.fill(curves is not None)

    def _fit(self, curves: Curves) -> None:
        """Choose a height that contains the judged part; it is changed only when it is far off."""
        judged = curves.times_ms >= curves.unjudged_ms[1]
        band = curves.half_band_nv if math.isfinite(curves.half_band_nv) else 0.0
        sizes = [np.abs(curves.average_nv[judged]) + band]
        if self.halves:
            sizes += [np.abs(curves.a_nv[judged]), np.abs(curves.b_nv[judged])]
        for overlay in self.overlays:
            sizes.append(np.abs(overlay.average_nv[overlay.times_ms >= curves.unjudged_ms[1]]))
        largest = max((float(np.nanmax(size)) for size in sizes if len(size) and np.isfinite(size).any()), default=0.0)
        if largest > 0 and not 0.62 * self._height <= 1.04 * largest <= self._height:
            self._height = nice_above(1.08 * largest, HEIGHTS)
        height = self._height or 1.0
        top = height * (1.0 + 2.0 * self._legend_part / (1.0 - self._legend_part))
        self.chart.set_ranges((float(curves.times_ms[0]), float(curves.times_ms[-1])), (-height, top))

    def _make_room(self, part: float) -> None:
        """Set the part of the height that the legend takes above the curves; seen from the next painting on."""
        part = min(part, 0.5)
        if abs(part - self._legend_part) > 1e-6:
            self._legend_part = part
            self.refit()

    def refit(self) -> None:
        """Choose the height again, because other curves are drawn."""
        self.show_curves(self._curves)

    def draw(self, canvas: Canvas) -> None:
        curves, theme = self._curves, self.look.theme
        if curves is None:
            self.explain(canvas, "No average yet")
            return
        rows = self._legend_rows(canvas, curves)
        self._make_room((len(rows) * self.look.px(LEGEND_ROW) + 3) / canvas.rect.height())
        xs = canvas.x(curves.times_ms)
        if math.isfinite(curves.half_band_nv):
            low, high = (canvas.y(curves.average_nv + side * curves.half_band_nv) for side in (-1, 1))
            canvas.polygon(np.concatenate([xs, xs[::-1]]), np.concatenate([high, low[::-1]]), theme.band)
        self._places(canvas, curves)
        canvas.level(float(canvas.y(0.0)), theme.axis)
        if self.plus_minus:
            canvas.line(xs, canvas.y(curves.plus_minus_nv), theme.plus_minus, self.look.thin)
        if self.halves:
            canvas.line(xs, canvas.y(curves.a_nv), theme.half_a, self.look.thin)
            canvas.line(xs, canvas.y(curves.b_nv), theme.half_b, self.look.thin)
        for overlay, ink in zip(self.overlays, theme.overlays, strict=False):
            canvas.line(canvas.x(overlay.times_ms), canvas.y(overlay.average_nv), ink, self.look.thin, dashed=True)
        canvas.line(xs, canvas.y(curves.average_nv), theme.average, self.look.line)
        self._legend(canvas, rows)
        self._waves(canvas)
        self._read(canvas, curves)

    def _places(self, canvas: Canvas, curves: Curves) -> None:
        """Time zero, the part that is not judged, the latency search window of wave V, the window that is judged."""
        theme, rect, px = self.look.theme, canvas.rect, self.look.px
        left, right = (float(x) for x in canvas.x(curves.unjudged_ms))
        canvas.fill(max(left, rect.left()), rect.top(), right, rect.bottom(), theme.unjudged)
        canvas.upright(float(canvas.x(0.0)), theme.axis, dashed=True)
        wide, ground = right - left + px(1), theme.unjudged
        canvas.text((left + right) / 2, rect.top() + 2, "not judged", theme.quiet, 0.85, across=0.5, width=wide, ground=ground)
        first, last = (float(x) for x in canvas.x(curves.latency_ms))
        thick = px(0.4)
        canvas.fill(first, rect.bottom() - thick, last, rect.bottom(), theme.expected)
        canvas.text(
            (first + last) / 2, rect.bottom() - thick - 1, "wave V expected", theme.expected, 0.85, across=0.5, down=1.0,
            ground=theme.sheet,
        )  # fmt: skip
        edges = [float(x) for x in canvas.x(curves.window_ms)]
        foot = rect.bottom() - 1
        for edge, towards in zip(edges, (1, -1), strict=True):
            canvas.line(np.array([edge, edge]), np.array([foot - px(0.9), foot]), theme.axis)
            canvas.line(np.array([edge, edge + towards * px(0.5)]), np.array([foot, foot]), theme.axis)
        if edges[1] - last > px(9):
            canvas.text(
                edges[1] - 4, foot - 2, "response window", theme.quiet, 0.85, across=1.0, down=1.0, ground=theme.sheet
            )

    def _waves(self, canvas: Canvas) -> None:
        """Each mark: a stem from the curve to its name, its interval as a bar; what is published as a bracket below."""
        theme, rect, px = self.look.theme, canvas.rect, self.look.px
        for spot in self.spots:
            ink = theme.ink if spot.chosen else theme.quiet
            width = self.look.line if spot.chosen else self.look.thin
            x, y = float(canvas.x(spot.ms)), float(canvas.y(spot.height_nv))
            away = px(1.6) if spot.wave == "trough" else -px(1.6)
            canvas.line(np.array([x, x]), np.array([y, y + away]), ink, width, dashed=not spot.by_hand)
            if math.isfinite(spot.low_ms + spot.high_ms):
                ends = canvas.x(np.array([spot.low_ms, spot.high_ms]))
                canvas.line(ends, np.array([y + away, y + away]), ink, width)
            below = spot.wave == "trough"
            canvas.text(
                x, y + away, spot.wave, ink, 0.95, bold=spot.chosen, across=0.5, down=0.0 if below else 1.0, ground=theme.sheet
            )
            if spot.chosen and spot.published_ms is not None:
                low, high = (float(one) for one in canvas.x(np.array(spot.published_ms)))
                foot, rise = rect.bottom() - px(2.5), px(0.5)  # above the bar of wave V, which it may be compared with
                canvas.line(np.array([low, low, high, high]), np.array([foot - rise, foot, foot, foot - rise]), theme.expected)
                canvas.text(
                    low - px(0.4), foot, f"published, {spot.wave}", theme.expected, 0.85, across=1.0, down=0.8, ground=theme.sheet
                )

    def _entries(self) -> list[tuple[str, str, bool]]:
        """Entries of the legend: words, colour, dashed."""
        theme = self.look.theme
        entries: list[tuple[str, str, bool]] = [("average ± noise band", theme.average, False)]
        if self.halves:
            entries += [("odd half", theme.half_a, False), ("even half", theme.half_b, False)]
        if self.plus_minus:
            entries.append(("plus-minus", theme.plus_minus, False))
        return entries + [(overlay.label, ink, True) for overlay, ink in zip(self.overlays, theme.overlays, strict=False)]

    def _legend_rows(self, canvas: Canvas, curves: Curves) -> list[list[tuple[str, str, bool]]]:
        """The entries in as few rows as fit beside the text on the part that is not judged."""
        entries = self._entries()
        room = canvas.rect.right() - float(canvas.x(curves.unjudged_ms[1])) - self.look.px(1)
        rows, used = [entries[:1]], self._entry_width(canvas, entries[0][0])
        for entry in entries[1:]:
            wide = self._entry_width(canvas, entry[0])
            if used + wide > room:
                rows.append([])
                used = 0.0
            rows[-1].append(entry)
            used += wide
        return rows

    def _entry_width(self, canvas: Canvas, words: str) -> float:
        return canvas.width_of(words, LEGEND_LETTERS) + self.look.px(2.5)

    def _legend(self, canvas: Canvas, rows: list[list[tuple[str, str, bool]]]) -> None:
        """Paint the legend at the top right, above the response window."""
        theme, rect, px = self.look.theme, canvas.rect, self.look.px
        for number, row in enumerate(rows):
            right, y = rect.right() - 6, rect.top() + 3 + number * px(LEGEND_ROW)
            for words, ink, dashed in reversed(row):
                place = canvas.text(right, y, words, ink, LEGEND_LETTERS, across=1.0, ground=theme.sheet)
                middle = place.center().y()
                ends = np.array([place.left() - px(1.8), place.left() - px(0.4)])
                self._sample(canvas, ends, middle, (words, ink, dashed))
                right -= self._entry_width(canvas, words)

    def _sample(self, canvas: Canvas, ends: Floats, y: float, entry: tuple[str, str, bool]) -> None:
        """A piece of line as an entry of the legend describes it, between two pixels."""
        _, ink, dashed = entry
        width = self.look.line if ink == self.look.theme.average else self.look.thin
        canvas.line(ends, np.array([y, y]), ink, width, dashed)

    def _read(self, canvas: Canvas, curves: Curves) -> None:
        """Latency and amplitude under the mouse."""
        point = self.chart.pointed
        if point is None:
            return
        ms, _ = self.chart.value_at(point)
        place = int(np.clip(np.searchsorted(curves.times_ms, ms), 0, len(curves.times_ms) - 1))
        theme = self.look.theme
        x = float(canvas.x(curves.times_ms[place]))
        canvas.upright(x, theme.quiet)
        words = f"{curves.times_ms[place]:.1f} ms, {curves.average_nv[place]:.0f} nV".replace("-", "−")
        across = 1.05 if x > canvas.rect.center().x() else -0.05
        canvas.text(x, point.y(), words, theme.ink, 0.92, across=across, down=1.0, ground=theme.sheet)
