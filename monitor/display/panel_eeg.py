"""The incoming EEG, scrolling: one row a channel, a tick for each trigger, rejected stretches with the reason."""

from __future__ import annotations

import math

import numpy as np

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.panel import ChartPanel
from quietfloor.monitor.display.scales import Scale, clock, written
from quietfloor.monitor.display.traces import Singles
from quietfloor.monitor.display.views import Scroll

FEET = 0.09  # of the height, for the ticks
WHY = 1.25  # letters: height of the strip above the ticks, for the reasons of rejected stretches
MOST_TALLER = 16.0
STRIP, MOST_PX = 7.1, 16_777_215  # height of the strip in letters; Qt's own limit
LONGEST = 7.0  # letters: width of the name of a channel


class EegPanel(ChartPanel):
    """``times_taller`` is what the user chose."""

    def __init__(self) -> None:
        super().__init__(
            "incoming EEG",
            "Incoming EEG",
            "The last seconds of each channel as they are averaged, all on one scale, now at the right edge; ticks at the foot "
            "are triggers, shaded stretches are rejected for the reason that is written there.",
            Scale(),
            Scale(),
            "",
            "",
        )
        self.times_taller = 1.0
        self._scroll: Scroll | None = None
        self._live = True
        self.chart.set_ranges((-8.0, 0.0), (0.0, 1.0))
        self.chart.relabel("bottom", "seconds before now")

    def make_strip(self, yes: bool) -> None:
        """With no axis of time, for little height; or with it again."""
        self.chart.bare = ("bottom",) if yes else ()
        self.setMaximumHeight(self.look.px(STRIP) if yes else MOST_PX)
        self.chart.setMinimumHeight(self.look.px(3.4) if yes else self.chart.minimumSizeHint().height())
        self.chart.getPlotItem().showAxis("bottom", self._filled and not yes)

    def make_taller(self, times: float) -> None:
        """The curves so many times as tall as now, within limits."""
        self.times_taller = min(max(self.times_taller * times, 1 / MOST_TALLER), MOST_TALLER)
        self.show_scroll(self._scroll, self._live)
        self.chart.repaint_inside()

    def show_scroll(self, scroll: Scroll | None, live: bool) -> None:
        """Draw the next piece; None before there is one."""
        self._scroll, self._live = scroll, live
        if scroll is not None:
            low, high = scroll.band_hz
            on = math.isfinite(scroll.behind_ms)
            lag = f" · processing lag {scroll.behind_ms:.0f} ms" if on else ""
            whole = f"{-scroll.seconds_s[0]:.0f} s · " if "bottom" in self.chart.bare else ""
            scale = f"±{written(scroll.range_uv / self.times_taller)} µV"
            self.aside.say(f"{scale} · {whole}{low:g} to {high:g} Hz{lag}")
            self.chart.set_ranges((float(scroll.seconds_s[0]), 0.0), (0.0, 1.0))
            edge = "now" if on else "the end" if live else clock(scroll.moment_s)
            self.chart.relabel("bottom", f"seconds before {edge}")
        self.fill(scroll is not None)

    def draw(self, canvas: Canvas) -> None:
        scroll, theme, rect = self._scroll, self.look.theme, canvas.rect
        if scroll is None:
            self.explain(canvas, "No signal yet")
            return
        for stretch in scroll.left_out:
            left, right = (float(x) for x in canvas.x([-stretch.from_s, -stretch.to_s]))
            canvas.fill(left, rect.top(), max(right, left + 2), rect.bottom(), theme.left_out)
        count = len(scroll.labels)
        foot = rect.height() * FEET
        height = (rect.height() - foot - self.look.px(WHY)) / count
        self._name(canvas, scroll, height)
        xs = canvas.x(scroll.seconds_s)
        kept = np.ones(len(xs), dtype=bool)
        for stretch in scroll.left_out:
            kept &= (scroll.seconds_s < -stretch.from_s) | (scroll.seconds_s > -stretch.to_s)
        middles = rect.top() + (np.arange(count) + 0.5) * height
        for middle in middles.tolist():
            canvas.level(middle, theme.grid)
        per_uv = self.times_taller * height / 2 / scroll.range_uv
        ends = (middles - per_uv * part.T for part in _joined(scroll.low_uv, scroll.high_uv))
        low, high = (np.clip(end, middles - height / 2, middles + height / 2).T for end in ends)
        canvas.bars(xs[kept], low[:, kept], high[:, kept], theme.signal)
        if not kept.all():
            canvas.bars(xs[~kept], low[:, ~kept], high[:, ~kept], theme.left_out_signal)
        if len(scroll.triggers_s):
            ticks = canvas.x(scroll.triggers_s)
            canvas.bars(ticks, np.full_like(ticks, rect.bottom()), np.full_like(ticks, rect.bottom() - 0.7 * foot), theme.axis)
        self._reasons(canvas, scroll)

    def _name(self, canvas: Canvas, scroll: Scroll, height: float) -> None:
        """Beside the rows, their channels, and which are too large for the scale; in low rows the channel alone, or not each."""
        px, rect, names = self.look.px, canvas.rect, dict[float, str]()
        every = max(1, round(px(1.2) / height))
        for row in range(0, len(scroll.labels), every):
            name = canvas.shortened(scroll.labels[row], px(LONGEST), 0.88)
            beyond = scroll.usual_uv[row] * self.times_taller > 1.2 * scroll.range_uv
            names[1.0 - (row + 0.5) * height / rect.height()] = f"{name}\nbeyond" if beyond and height > px(2.4) else name
        self.chart.name_rows(names | {max(FEET / 2, px(0.6) / rect.height()): "triggers"})

    def _reasons(self, canvas: Canvas, scroll: Scroll) -> None:
        """Below each stretch, where there is room for it."""
        theme, rect = self.look.theme, canvas.rect
        taken = rect.left()
        for stretch in scroll.left_out:
            left, right = (float(x) for x in canvas.x([-stretch.from_s, -stretch.to_s]))
            words = f"rejected: {stretch.why}"
            left = min(max(left, rect.left()), rect.right() - canvas.width_of(words, 0.88) - 6)
            if left >= taken:
                foot = rect.bottom() - rect.height() * FEET
                place = canvas.text(left, foot, words, theme.left_out_ink, 0.88, down=1.0, ground=theme.left_out)
                taken = max(right, place.right() + 6)


def _joined(low: Singles, high: Singles) -> tuple[Floats, Floats]:
    """Columns (n_channels, n) made to touch their neighbours, so that a steep curve has no holes."""
    lows, highs = low.astype(np.float64), high.astype(np.float64)
    with np.errstate(invalid="ignore"):
        lows[:, 1:] = np.fmin(lows[:, 1:], np.where(np.isfinite(low[:, 1:]), high[:, :-1], np.nan))
        highs[:, 1:] = np.fmax(highs[:, 1:], np.where(np.isfinite(high[:, 1:]), low[:, :-1], np.nan))
    return lows, highs
