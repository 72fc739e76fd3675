"""The average with the truth over it; noise against sweeps from the very first one on, with what has changed on the way."""

from __future__ import annotations

import math

import numpy as np

from quietfloor.bench.teach.choices import Mark, Track
from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.curves import OVERLAYS
from quietfloor.monitor.display.panel import ChartPanel
from quietfloor.monitor.display.panel_average import AveragePanel
from quietfloor.monitor.display.scales import Scale, written

LEAST_SHOWN = 256.0
TOP_NV, BOTTOM_NV = 4000.0, 20.0


class LessonAveragePanel(AveragePanel):
    """Its overlays are the truth: they are drawn over everything, as thick as the average."""

    def draw(self, canvas: Canvas) -> None:
        super().draw(canvas)
        for overlay, ink, pattern in zip(self.overlays, self.look.theme.overlays, OVERLAYS, strict=False):
            canvas.curve(canvas.x(overlay.times_ms), overlay.average_nv, ink, self.look.line, pattern)


class LessonNoisePanel(ChartPanel):
    """Does it fall with the root of the number?"""

    def __init__(self) -> None:
        super().__init__(
            "noise against sweeps",
            "Noise against sweeps",
            "Noise of the average from the spread of its sweeps, beside the 1/√N line: four times the sweeps, half the noise. "
            "Dashed uprights mark where something was changed; dots, once revealed, show what is really left.",
            Scale(log=True),
            Scale(log=True),
            "sweeps presented",
            "noise, nV",
        )
        self._track: Track | None = None
        self._marks: list[Mark] = []
        self._reveal = False

    def show_noise(self, track: Track | None, marks: list[Mark], reveal: bool) -> None:
        self._track, self._marks, self._reveal = track, marks, reveal
        last = LEAST_SHOWN if track is None else max(LEAST_SHOWN, float(track.sweeps[-1]))
        high, low = TOP_NV, BOTTOM_NV
        if track is not None:
            values = np.concatenate([track.estimated_nv, track.real_nv])
            values = values[np.isfinite(values) & (values > 0)]
            if len(values):
                high, low = max(high, 1.3 * float(values.max())), min(low, 0.7 * float(values.min()))
        self.chart.set_ranges((0.85, 2.0 ** math.ceil(math.log2(last)) * 1.5), (low, high))
        now = math.nan if track is None else float(track.estimated_nv[-1])
        self.aside.say(f"{written(round(now))} nV" if math.isfinite(now) else "")
        self.chart.repaint_inside()

    def draw(self, canvas: Canvas) -> None:
        track, theme, rect = self._track, self.look.theme, canvas.rect
        if track is None:
            canvas.text(rect.center().x(), rect.center().y(), "begins with the first sweep", theme.quiet, across=0.5)
            return
        for mark in self._marks:
            x = float(canvas.x(max(mark.sweep, 1)))
            canvas.upright(x, theme.expected, dashed=True)
            across = 1.03 if x > rect.center().x() else -0.03
            canvas.text(x, rect.top() + 2, mark.text, theme.expected, 0.85, across=across, ground=theme.sheet)
        known = np.isfinite(track.estimated_nv)
        if not known.any():
            canvas.text(rect.center().x(), rect.center().y(), "a spread takes two sweeps", theme.quiet, across=0.5)
        sweeps, noise = track.sweeps[known], track.estimated_nv[known]
        if len(sweeps):
            anchor = int(np.argmin(np.abs(sweeps - 16)))
            ends = np.array([1.0, self.chart.x_scale.value(self.chart.x_range[1])])
            line = noise[anchor] * np.sqrt(sweeps[anchor] / ends)
            canvas.line(canvas.x(ends), canvas.y(line), theme.axis, 1, dashed=True)
            canvas.text(float(canvas.x(1.0)), float(canvas.y(0.45 * line[0])), "1/√N", theme.quiet, 0.9)
            canvas.line(canvas.x(sweeps), canvas.y(noise), theme.average, self.look.line)
        if self._reveal:
            self._dots(canvas, track)
            canvas.text(rect.left() + 6, rect.bottom() - 4, "■ really left", theme.overlays[0], 0.9, down=1.0, ground=theme.sheet)
        if len(sweeps):
            self._dot(canvas, float(sweeps[-1]), float(noise[-1]), theme.average, 0.6)

    def _dots(self, canvas: Canvas, track: Track) -> None:
        places = np.unique(np.geomspace(1, len(track.sweeps), 40).astype(int)) - 1
        for sweeps, noise in zip(track.sweeps[places].tolist(), track.real_nv[places].tolist(), strict=True):
            self._dot(canvas, sweeps, noise, self.look.theme.overlays[0], 0.4)

    def _dot(self, canvas: Canvas, sweeps: float, noise: float, ink: str, size: float) -> None:
        x, y, half = float(canvas.x(sweeps)), float(canvas.y(noise)), self.look.px(size) / 2
        canvas.fill(x - half, y - half, x + half, y + half, ink)
