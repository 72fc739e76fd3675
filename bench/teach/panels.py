"""The average with truth and weighted average over it; noise against sweeps from the first one on, with what has changed."""

from __future__ import annotations

import math

import numpy as np

from quietfloor.bench.teach.choices import Mark, Track
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.curves import OVERLAYS
from quietfloor.monitor.display.legend import Entry
from quietfloor.monitor.display.panel import ChartPanel
from quietfloor.monitor.display.panel_average import AveragePanel
from quietfloor.monitor.display.scales import Scale, written
from quietfloor.monitor.display.views import Curves

LEAST_SHOWN = 256.0
TOP_NV, BOTTOM_NV = 4000.0, 20.0
SHOWN = ("plain", "both", "weighted")  # which averages, in the order of the key


def hollow(canvas: Canvas, xs: Floats, ys: Floats, ink: str) -> None:
    """The line of the weighted average: two edges with a light core, so that it is told from a solid one without its colour."""
    wide = canvas.look.line
    canvas.line(xs, ys, ink, 2 * wide + 1)
    canvas.line(xs, ys, canvas.look.theme.sheet, wide)


class LessonAveragePanel(AveragePanel):
    """Its first overlay is the truth: it is drawn over everything, as thick as the average. `shown`: one of SHOWN."""

    def __init__(self) -> None:
        super().__init__()
        self.shown = SHOWN[0]
        self._weighted: Curves | None = None
        self._noises_nv = (math.nan, math.nan)

    def show_averages(self, plain: Curves | None, weighted: Curves | None, noises_nv: tuple[float, float]) -> None:
        """Both averages, and the residual noise of each."""
        self._weighted, self._noises_nv = weighted, noises_nv
        self.show_curves(weighted if self.shown == "weighted" else plain)

    def draw(self, canvas: Canvas) -> None:
        super().draw(canvas)
        if self._weighted is not None and self.shown != "plain":
            xs, wide = canvas.x(self._weighted.times_ms), self.look.line
            for ink, width in ((self._ink(), 2 * wide + 1), (self.look.theme.sheet, wide)):
                canvas.curve(xs, self._weighted.average_nv, ink, width)
        for overlay, ink, pattern in zip(self.overlays, self.look.theme.overlays, OVERLAYS, strict=False):
            canvas.curve(canvas.x(overlay.times_ms), overlay.average_nv, ink, self.look.line, pattern)

    def _ink(self) -> str:
        return self.look.theme.expected

    def _entries(self) -> list[Entry]:
        first, *others = super()._entries()
        if self.shown == "plain":
            return [first, *others]
        plain, weighted = (f"{written(round(noise))} nV" if math.isfinite(noise) else "not known" for noise in self._noises_nv)
        alike = [first._replace(words=f"each alike: noise {plain}")] if self.shown == "both" else []
        core = self.look.theme.sheet
        return [*alike, Entry(f"weighted: noise {weighted}", self._ink(), self.look.line, core=core), *others]


class LessonNoisePanel(ChartPanel):
    """Does it fall with the root of the number?"""

    def __init__(self) -> None:
        super().__init__(
            "noise against sweeps",
            "Noise against sweeps",
            "Noise of the average from the spread of its sweeps, beside the 1/√N line: four times the sweeps, half the noise. "
            "Dashed uprights mark where something was changed; squares, once revealed, show what is really left.",
            Scale(log=True),
            Scale(log=True),
            "sweeps presented",
            "noise, nV",
        )
        self._track: Track | None = None
        self._marks: list[Mark] = []
        self._reveal, self._weighted = False, False
        self.fill(True)  # axes from the beginning: they say what will come
        self.show_noise(None, [], False)

    def show_noise(self, track: Track | None, marks: list[Mark], reveal: bool, weighted: bool = False) -> None:
        """``reveal``: with what is really left; ``weighted``: with the noise of the weighted average."""
        self._track, self._marks, self._reveal, self._weighted = track, marks, reveal, weighted
        last = LEAST_SHOWN if track is None else max(LEAST_SHOWN, float(track.sweeps[-1]))
        high, low = TOP_NV, BOTTOM_NV
        if track is not None:
            answer = [track.real_nv, track.weighted_real_nv] if reveal else []  # before that the axis must not tell it
            values = np.concatenate([track.estimated_nv, track.weighted_nv, *answer])
            values = values[np.isfinite(values) & (values > 0)]
            if len(values):
                high, low = max(high, (3.0 if weighted else 1.3) * float(values.max())), min(low, 0.7 * float(values.min()))
        self.chart.set_ranges((0.85, 2.0 ** math.ceil(math.log2(last)) * 1.5), (low, high))
        self.aside.say(self._remark(track))
        self.chart.repaint_inside()

    def _remark(self, track: Track | None) -> str:
        now = math.nan if track is None else float(track.estimated_nv[-1])
        return f"{written(round(now))} nV" if math.isfinite(now) else ""

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
        if self._weighted:
            hollow(canvas, canvas.x(track.sweeps), canvas.y(track.weighted_nv), theme.expected)
        if self._reveal:
            for real_nv in (track.real_nv, track.weighted_real_nv)[: 1 + self._weighted]:
                self._dots(canvas, track, real_nv)
            canvas.text(rect.left() + 6, rect.bottom() - 4, "■ really left", theme.overlays[0], 0.9, down=1.0, ground=theme.sheet)
        if len(sweeps):
            self._dot(canvas, float(sweeps[-1]), float(noise[-1]), theme.average, 0.6)
        if self._weighted and np.isfinite(track.weighted_nv[-1]) and rect.height() > self.look.px(7):
            self._name(canvas, track.sweeps, track.weighted_nv, "weighted", below=True)
            self._name(canvas, track.sweeps, track.estimated_nv, "each alike", below=False)

    def _name(self, canvas: Canvas, sweeps: Floats, noise_nv: Floats, words: str, below: bool) -> None:
        """The name of a line, with its value, above or below its end."""
        text, xs = f"{words} {written(round(float(noise_nv[-1])))} nV", canvas.x(sweeps)
        ys = canvas.y(noise_nv[xs >= xs[-1] - 1.2 * canvas.width_of(text)])
        y, away = (float(np.nanmax(ys)), 0.5) if below else (float(np.nanmin(ys)), -0.5)
        ink, down = self.look.theme.ink, 0.0 if below else 1.0
        canvas.text(xs[-1], y + self.look.px(away), text, ink, 0.95, bold=True, across=1.0, down=down)

    def _dots(self, canvas: Canvas, track: Track, real_nv: Floats) -> None:
        places = np.unique(np.geomspace(1, len(track.sweeps), 40).astype(int)) - 1
        for sweeps, noise in zip(track.sweeps[places].tolist(), real_nv[places].tolist(), strict=True):
            if math.isfinite(noise):
                self._dot(canvas, sweeps, noise, self.look.theme.overlays[0], 0.4)

    def _dot(self, canvas: Canvas, sweeps: float, noise: float, ink: str, size: float) -> None:
        x, y, half = float(canvas.x(sweeps)), float(canvas.y(noise)), self.look.px(size) / 2
        canvas.fill(x - half, y - half, x + half, y + half, ink)
