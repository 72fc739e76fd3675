"""The average with truth and weighted average over it; noise against sweeps from the first one on, with what has changed."""

from __future__ import annotations

import math

import numpy as np

from quietfloor.bench.teach.choices import Mark, Track
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.curves import OVERLAYS, Box, Drawn
from quietfloor.monitor.display.legend import ROW as LEGEND_ROW
from quietfloor.monitor.display.legend import Entry, Rows
from quietfloor.monitor.display.panel import ChartPanel
from quietfloor.monitor.display.panel_average import MOST_LEGEND, AveragePanel
from quietfloor.monitor.display.scales import Scale, written
from quietfloor.monitor.display.views import Curves

LEAST_SHOWN = 256.0
ROW, MOST_NAMED = 1.15, 4  # height of a row of names in letters, and how many changes are named
TOP_NV, BOTTOM_NV = 4000.0, 20.0
BRIEF = {"average ± noise band": "average", "odd half": "odd", "even half": "even", "true response": "truth"}
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
        self._brief = False
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
        if self.plus_minus and self.curves is not None:  # anew: among the others it is lost
            entry = self._plus_minus()
            canvas.curve(canvas.x(self.curves.times_ms), self.curves.plus_minus_nv, entry.ink, entry.width, entry.pattern)
        for overlay, ink, pattern in zip(self.overlays, self.look.theme.overlays, OVERLAYS, strict=False):
            canvas.curve(canvas.x(overlay.times_ms), overlay.average_nv, ink, self.look.line, pattern)

    def _ink(self) -> str:
        return self.look.theme.expected

    def _legend(self, canvas: Canvas, curves: Curves) -> Rows:
        """In short words where there is no room for all rows of the usual ones."""
        self._brief = False
        rows = super()._legend(canvas, curves)
        if len(rows) * self.look.px(LEGEND_ROW) > MOST_LEGEND * canvas.rect.height():
            self._brief = True
            rows = super()._legend(canvas, curves)
        return rows

    def _plus_minus(self) -> Entry:
        """As thick as the average, in dots: their ends are half a line long."""
        wide = self.look.line
        return Entry("plus-minus", self.look.theme.ink, wide, (1.0, 2.5 * wide))

    def _entries(self) -> list[Entry]:
        """Names of what is drawn: a single sweep has neither a band nor an even half."""
        curves = self.curves
        first, *others = super()._entries()
        if curves is not None and not math.isfinite(curves.half_band_nv):
            first = first._replace(words="average")
        if curves is not None and not np.isfinite(curves.even_nv).any():
            others = [entry for entry in others if "half" not in entry.words]
        others = [self._plus_minus() if entry.words == "plus-minus" else entry for entry in others]
        if self._brief:
            first, *others = (entry._replace(words=BRIEF.get(entry.words, entry.words)) for entry in (first, *others))
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
        self._last, self._low_nv, self._high_nv = LEAST_SHOWN, BOTTOM_NV, TOP_NV
        self._above = self._below = 0.0  # parts of the height that are kept for names
        self.fill(True)  # axes from the beginning: they say what will come
        self.show_noise(None, [], False)

    def show_noise(self, track: Track | None, marks: list[Mark], reveal: bool, weighted: bool = False) -> None:
        """``reveal``: with what is really left; ``weighted``: with the noise of the weighted average."""
        self._track, self._marks, self._reveal, self._weighted = track, marks, reveal, weighted
        last = LEAST_SHOWN if track is None else max(LEAST_SHOWN, float(track.sweeps[-1]))
        self._last, self._low_nv, self._high_nv = 2.0 ** math.ceil(math.log2(last)) * 1.5, BOTTOM_NV, TOP_NV
        if track is not None:
            answer = [track.real_nv, track.weighted_real_nv] if reveal else []  # before that the axis must not tell it
            values = np.concatenate([track.estimated_nv, track.weighted_nv, *answer])
            values = values[np.isfinite(values) & (values > 0)]
            if len(values):
                self._high_nv = max(TOP_NV, 1.3 * float(values.max()))
                self._low_nv = min(BOTTOM_NV, 0.7 * float(values.min()))
        self._set_ranges()
        self.aside.say(self._remark(track))
        self.chart.repaint_inside()

    def _set_ranges(self) -> None:
        low, high = np.log10([self._low_nv, self._high_nv])
        whole = (high - low) / (1.0 - self._above - self._below)
        self.chart.set_ranges((0.85, self._last), (10.0 ** (low - self._below * whole), 10.0 ** (high + self._above * whole)))

    def _make_room(self, above: float, below: float) -> None:
        """Set the parts of the height above and below the curves; they are seen from the next painting on."""
        above, below = min(above, 0.4), min(below, 0.2)
        if abs(above - self._above) + abs(below - self._below) > 1e-6:
            self._above, self._below = above, below
            self._set_ranges()

    def _remark(self, track: Track | None) -> str:
        now = math.nan if track is None else float(track.estimated_nv[-1])
        return f"{written(round(now))} nV" if math.isfinite(now) else ""

    def draw(self, canvas: Canvas) -> None:
        track, theme, rect = self._track, self.look.theme, canvas.rect
        if track is None:
            canvas.text(rect.center().x(), rect.center().y(), "begins with the first sweep", theme.quiet, across=0.5)
            return
        row, high = self.look.px(ROW), rect.height()
        marks = self._marks[-min(MOST_NAMED, int(0.4 * high / row)) :] if high > 2.5 * row else []
        named = self._weighted and bool(np.isfinite(track.weighted_nv[-1])) and high > 5 * row
        self._make_room((len(marks) + named) * row / high, (named or self._reveal) * row / high)
        self._changes(canvas, marks, row)
        known = np.isfinite(track.estimated_nv)
        if not known.any():
            canvas.text(rect.center().x(), rect.center().y(), "a spread takes two sweeps", theme.quiet, across=0.5)
        sweeps, noise = track.sweeps[known], track.estimated_nv[known]
        if len(sweeps):
            anchor = int(np.argmin(np.abs(sweeps - 16)))
            ends = np.array([1.0, self.chart.x_scale.value(self.chart.x_range[1])])
            line = noise[anchor] * np.sqrt(sweeps[anchor] / ends)
            self._line(canvas, ends, line, theme.axis, 1, dashed=True)
            self._line(canvas, sweeps, noise, theme.average, self.look.line)
        if self._weighted:
            hollow(canvas, canvas.x(track.sweeps), canvas.y(track.weighted_nv), theme.expected)
            canvas.curves.append(Drawn(canvas.x(track.sweeps), canvas.y(track.weighted_nv)))
        if self._reveal:
            for real_nv in (track.real_nv, track.weighted_real_nv)[: 1 + self._weighted]:
                self._dots(canvas, track, real_nv)
        if len(sweeps):
            self._dot(canvas, float(sweeps[-1]), float(noise[-1]), theme.average, 0.6)
        if named:
            lower = track.weighted_nv[-1] <= track.estimated_nv[-1]
            self._name(canvas, track.sweeps, track.weighted_nv, "weighted", theme.expected, below=bool(lower))
            self._name(canvas, track.sweeps, track.estimated_nv, "each alike", theme.average, below=not lower)
        if len(sweeps):
            self._name_root(canvas, ends, line)
        if self._reveal:
            corners = [(x, y, across, down) for y, down in ((rect.bottom() - 2, 1.0), (rect.top() + 2, 0.0))
                       for x, across in ((rect.left() + 6, 0.0), (rect.right() - 6, 1.0))]  # fmt: skip
            canvas.label("■ really left", theme.overlays[0], corners, 0.9, must=True)

    def _line(self, canvas: Canvas, sweeps: Floats, noise_nv: Floats, ink: str, width: int, dashed: bool = False) -> None:
        xs, ys = canvas.x(sweeps), canvas.y(noise_nv)
        canvas.line(xs, ys, ink, width, dashed=dashed)
        canvas.curves.append(Drawn(xs, ys))

    def _changes(self, canvas: Canvas, marks: list[Mark], row: int) -> None:
        """An upright for each change, up to its name; the names, the oldest on top, stand in rows above the curves."""
        theme, rect = self.look.theme, canvas.rect
        unnamed = len(self._marks) - len(marks)
        rows = [len(marks)] * unnamed + list(range(len(marks)))
        xs = [float(canvas.x(max(mark.sweep, 1))) for mark in self._marks]
        tops = [rect.top() + 2 + at * row for at in rows]
        for x, top in zip(xs, tops, strict=True):
            canvas.line(np.array([x, x]), np.array([top, rect.bottom()]), theme.expected, dashed=True)
            canvas.kept_clear.append(Box(x - 1, top, x + 1, rect.bottom()))
        for x, top, words in zip(xs[unnamed:], tops[unnamed:], [mark.text for mark in marks], strict=True):
            right, left = rect.right() - x, x - rect.left()
            ahead = canvas.width_of(words, 0.85) + 12 <= right or right >= left
            words = canvas.shortened(words, (right if ahead else left) - 12, 0.85)
            at, across = (x + 6, 0.0) if ahead else (x - 6, 1.0)
            canvas.text(at, top, words, theme.expected, 0.85, across=across, ground=theme.sheet)

    def _name(self, canvas: Canvas, sweeps: Floats, noise_nv: Floats, words: str, ink: str, below: bool) -> None:
        """The name of a line, with its value, above or below it, as near to its end as it finds room."""
        text, xs, ys = f"{words} {written(round(float(noise_nv[-1])))} nV", canvas.x(sweeps), canvas.y(noise_nv)
        wide, gap = canvas.width_of(text, 1.05) + 6, self.look.px(0.45)  # a little wider than it is, as it is bold
        places = []
        ends = np.arange(xs[-1], canvas.rect.left() + wide, -0.25 * wide).tolist()
        for end, away in ((end, gap * times) for times in (1.0, 3.0, 5.0) for end in ends):
            over = ys[(xs >= end - wide) & (xs <= end) & np.isfinite(ys)]
            if len(over):
                places.append((end, float(over.max() + away if below else over.min() - away), 1.0, 0.0 if below else 1.0))
        canvas.label(text, ink, places, 0.95, bold=True, must=bool(places))

    def _name_root(self, canvas: Canvas, ends: Floats, line_nv: Floats) -> None:
        """Beside the line of the root: on its far side, which the line leaves free as it falls."""
        xs, ys = canvas.x(ends), canvas.y(line_nv)
        places = []
        for part in (0.9, 0.75, 0.6, 0.45, 0.3, 0.15):
            x, y = (float(one[0] + part * (one[1] - one[0])) for one in (xs, ys))
            places += [(x + 4, y - 4, 0.0, 1.0), (x - 4, y + 4, 1.0, 0.0)]
        canvas.label("1/√N", self.look.theme.quiet, places, 0.9)

    def _dots(self, canvas: Canvas, track: Track, real_nv: Floats) -> None:
        places = np.unique(np.geomspace(1, len(track.sweeps), 40).astype(int)) - 1
        for sweeps, noise in zip(track.sweeps[places].tolist(), real_nv[places].tolist(), strict=True):
            if math.isfinite(noise):
                self._dot(canvas, sweeps, noise, self.look.theme.overlays[0], 0.4)

    def _dot(self, canvas: Canvas, sweeps: float, noise: float, ink: str, size: float) -> None:
        x, y, half = float(canvas.x(sweeps)), float(canvas.y(noise)), self.look.px(size) / 2
        canvas.fill(x - half, y - half, x + half, y + half, ink)
        canvas.kept_clear.append(Box(x - half, y - half, x + half, y + half))
