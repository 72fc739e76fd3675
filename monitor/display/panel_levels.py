"""The averages of all levels of one ear, route and stimulus below each other on one scale, the loudest on top."""

from __future__ import annotations

import numpy as np

from quietfloor.monitor.core.analysis import JUDGED_FROM_MS
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.cursors import amplitude, nearest
from quietfloor.monitor.display.curves import EVEN_HALF, OVERLAYS, Box, corners
from quietfloor.monitor.display.ladder import Ladder
from quietfloor.monitor.display.legend import Entry, Rows, arranged, paint, strip_px
from quietfloor.monitor.display.levels import CORNERS, LevelRow, Levels, with_present
from quietfloor.monitor.display.panel import ChartPanel
from quietfloor.monitor.display.panel_average import GAP_PX
from quietfloor.monitor.display.scales import STEPS, Scale, nice_above
from quietfloor.monitor.display.views import Curves
from quietfloor.monitor.display.zoom import Pair, Zoom

EDGE = 0.55  # of the distance of two rows, above the first and below the last, or more where the curve needs it
CLOSE = 2.6  # letters between two rows, below which the curves are drawn higher than their row and reach into others
MOST_OVER = 2.0  # own choice: rows that the largest curve may reach over at most
ROOMY = 3.4  # letters between two rows, from which on there is room for words on the runs


class LevelsPanel(ChartPanel):
    """Each row has the odd and even half of its run, or the single runs where there are several, as long as ``halves`` are on.

    ``zoom`` is that of the average: a fixed scale sets the distance of the rows, so that all curves have one scale.
    """

    def __init__(self, zoom: Zoom) -> None:
        super().__init__(
            "levels",
            "Levels",
            "The average of every level of this ear, route and stimulus, the loudest on top, all on one scale: of one run with "
            "its odd and even half, of several runs their common average with each of them. Waves are where they are marked; a "
            "hollow mark is a suggestion. A question mark beside a level: which ear?, it is not known to be this ear's.",
            Scale(),
            Scale(),
            "ms after the stimulus reaches the ear",
            "",
        )
        self.halves, self.zoom = True, zoom
        self._levels, self._ladder = Levels(), Ladder(None)
        self._rows: tuple[LevelRow, ...] = ()
        self._step = 0.0
        self._head_part = 0.0
        self._over = 1.0  # rows that the largest curve reaches over

    @property
    def height_nv(self) -> float:
        """Distance of two rows."""
        return self.zoom.scale_nv or self._step or 1.0

    @property
    def whole_ms(self) -> Pair:
        """The times of the averages; a millisecond where there is none."""
        starts = [float(row.times_ms[0]) for row in self._rows]
        return (min(starts), max(float(row.times_ms[-1]) for row in self._rows)) if starts else (0.0, 1.0)

    def show_levels(self, levels: Levels, ladder: Ladder, curves: Curves | None) -> None:
        """Draw these levels; of one that is being measured now its curves, as far as they have got."""
        self._levels, self._ladder = levels, ladder
        present = next((rung.level for rung in ladder.rungs if rung.running), None)
        self._rows = levels.rows if present is None or curves is None else with_present(levels.rows, present, curves)
        self.refit()

    def refit(self) -> None:
        """Choose the scale again, because other curves are drawn."""
        rows, levels = self._rows, self._levels
        if rows:
            judged = [row.average_nv[row.times_ms >= JUDGED_FROM_MS] for row in rows]
            largest = max((float(np.nanmax(np.abs(one))) for one in judged if np.isfinite(one).any()), default=0.0) / self._over
            if largest > 0 and not 0.62 * self._step <= largest <= self._step:
                self._step = nice_above(largest)
            above, below = (self._reach(judged[place], sign) for place, sign in ((0, 1.0), (-1, -1.0)))
            room = (len(rows) - 1) * self.height_nv + above + below
            high = room - below + room * self._head_part / (1 - self._head_part)
            self.chart.set_ranges(self.zoom.ms or self.whole_ms, (-below, high))
            self.chart.name_rows({self._at(number): str(row.level) + " ?" * row.doubtful for number, row in enumerate(rows)})
        fixed = "" if self.zoom.scale_nv is None else f"scale fixed, rows {amplitude(self.height_nv)} apart · "
        zoom = "zoomed in · " if self.zoom.ms is not None else ""
        unreadable = f"; cannot read {'; '.join(levels.unreadable)}" if levels.unreadable else ""
        self.aside.say(f"{fixed}{zoom}{levels.series or ''}{unreadable}")
        self.fill(bool(rows))

    def _reach(self, average_nv: Floats, sign: float) -> float:
        """Room above the first zero line, or below the last one, for the curve and the name of a wave."""
        known = sign * average_nv[np.isfinite(average_nv)]
        return max(EDGE * self.height_nv, min(float(known.max(initial=0.0)) + 0.35 * self.height_nv, 1.5 * self.height_nv))

    def _at(self, number: int) -> float:
        """The zero line of a row, in nV from that of the last one."""
        return (len(self._rows) - 1 - number) * self.height_nv

    def draw(self, canvas: Canvas) -> None:
        rows, theme, look, rect = self._rows, self.look.theme, self.look, canvas.rect
        if not rows:
            known = self._ladder.series is not None
            self.explain(canvas, "No finished run of this series yet" if known else "The levels are not known here")
            return
        legend = self._legend(canvas)
        head = strip_px(look, legend)
        part = min(head / rect.height(), 0.4)
        over = min(MOST_OVER, max(1.0, look.px(CLOSE) * len(rows) / (rect.height() - head)))
        if abs(part - self._head_part) > 1e-6 or abs(over - self._over) > 1e-6:
            self._head_part, self._over = part, over
            self.refit()
        canvas.clip = Box(rect.left(), rect.top() + head, rect.right(), rect.bottom())
        first, last = self.chart.x_range
        if first < JUDGED_FROM_MS:
            canvas.fill(rect.left(), rect.top(), float(canvas.x(min(last, JUDGED_FROM_MS))), rect.bottom(), theme.unjudged)
        if first <= 0.0 <= last:
            canvas.upright(float(canvas.x(0.0)), theme.axis, dashed=True)
        for number in range(len(rows)):
            canvas.level(float(canvas.y(self._at(number))), theme.grid)
        for number, row in enumerate(rows):
            self._curves(canvas, row, self._at(number))
        paint(canvas, legend)
        self._scale(canvas)
        for number, row in enumerate(rows):
            self._marks(canvas, row, self._at(number))
        step = abs(float(canvas.y(0.0)) - float(canvas.y(self.height_nv)))
        for number, row in enumerate(rows if step > look.px(ROOMY) else ()):
            right, y = rect.right() - look.px(0.6), float(canvas.y(self._at(number)))
            places = [(right, y + part * step, 1.0, 0.5) for part in (0.5, 0.4, 0.3, -0.5, -0.4, -0.3)]
            canvas.label(row.words, theme.states["undecided"] if row.doubtful else theme.quiet, places, 0.85)
        self._read(canvas)

    def _curves(self, canvas: Canvas, row: LevelRow, at_nv: float) -> None:
        theme, look = self.look.theme, self.look
        xs = canvas.x(row.times_ms)
        if self.halves and row.replicates_nv:
            for curve, ink, pattern in zip(row.replicates_nv, theme.overlays, OVERLAYS, strict=False):
                canvas.curve(xs, at_nv + curve, ink, look.thin, pattern)
        elif self.halves:
            canvas.curve(xs, at_nv + row.odd_nv, theme.odd_half, look.thin)
            canvas.curve(xs, at_nv + row.even_nv, theme.even_half, look.thin, EVEN_HALF)
        canvas.curve(xs, at_nv + row.average_nv, theme.average, look.line)

    def _legend(self, canvas: Canvas) -> Rows:
        theme, look = self.look.theme, self.look
        entries = [Entry("average", theme.average, look.line)]
        if self.halves and any(not row.replicates_nv for row in self._rows):
            entries += [Entry("odd half", theme.odd_half, look.thin), Entry("even half", theme.even_half, look.thin, EVEN_HALF)]
        most = max(len(row.replicates_nv) for row in self._rows) if self.halves else 0
        names = ("newest run", "one before", "two before")
        drawn = zip(names, theme.overlays, OVERLAYS, strict=True)
        entries += [Entry(name, ink, look.thin, pattern) for name, ink, pattern in drawn][:most]
        return arranged(canvas, (entries,), canvas.rect.width() - 8)

    def _scale(self, canvas: Canvas) -> None:
        """A bar of a round number of nV at the left, before time zero or in the part that is not judged."""
        theme, px = self.look.theme, self.look.px
        length = max(step * 10.0**power for power in range(-1, 7) for step in STEPS if step * 10.0**power <= self.height_nv)
        x, foot = canvas.rect.left() + px(0.5), canvas.rect.bottom() - px(0.5)
        top = foot - abs(float(canvas.y(0.0)) - float(canvas.y(length)))
        canvas.line(np.array([x - 3, x + 3]), np.array([top, top]), theme.ink, self.look.line)
        canvas.line(np.array([x, x]), np.array([top, foot]), theme.ink, self.look.line)
        canvas.line(np.array([x - 3, x + 3]), np.array([foot, foot]), theme.ink, self.look.line)
        canvas.kept_clear.append(Box(x - 4, top - 2, x + 4, foot + 2))
        places = [(x + 8, y, 0.0, down) for y, down in ((foot, 1.0), ((top + foot) / 2, 0.5), (top, 0.0), (top - 4, 1.0))]
        canvas.label(amplitude(length), theme.ink, places, 0.88, must=True)

    def _marks(self, canvas: Canvas, row: LevelRow, at_nv: float) -> None:
        """A mark on the curve at each marked wave: a disc for V, a square for III, a triangle for I; filled if by hand."""
        theme, side = self.look.theme, self.look.px(0.55)
        for mark in row.marks:
            ms, (first, last) = mark.latency_ms.value, self.chart.x_range
            if not first <= ms <= last:
                continue
            x, height = float(canvas.x(ms)), float(np.interp(ms, row.times_ms, row.average_nv))
            y = max(float(canvas.y(at_nv + height)), canvas.clip.top + side / 2)
            canvas.polygon(
                *corners(CORNERS[mark.wave], x, y, side), theme.ink if mark.by == "operator" else theme.sheet, edge=theme.ink
            )
            canvas.kept_clear.append(Box(x - side / 2, y - side / 2, x + side / 2, y + side / 2))
            beside = [(x + sign * far * side, y, 0.0 if sign > 0 else 1.0, down)
                      for far in (0.8, 1.4, 2.2) for sign in (1, -1) for down in (0.5, 1.0, 0.0)]  # fmt: skip
            upright = [(x, y - side / 2 - 1, 0.5, 1.0), (x, y + side / 2 + 1, 0.5, 0.0), (x, y - 1.2 * side, 0.5, 1.0)]
            canvas.label(mark.wave, theme.ink, [*upright, *beside], 0.88, bold=True)

    def _read(self, canvas: Canvas) -> None:
        """Latency and amplitude under the mouse, of the row that is nearest."""
        point = self.chart.pointed
        if point is None:
            return
        ms, nv = self.chart.value_at(point)
        number = min(range(len(self._rows)), key=lambda one: abs(self._at(one) - nv))
        row = self._rows[number]
        place = nearest(row.times_ms, ms)
        x, value = float(canvas.x(row.times_ms[place])), float(row.average_nv[place])
        canvas.upright(x, self.look.theme.quiet)
        words = f"{row.level}: {row.times_ms[place]:.1f} ms, {amplitude(value)}"
        side = (1.0, -2 * GAP_PX) if x > canvas.rect.center().x() else (0.0, 2 * GAP_PX)
        heights = (point.y(), point.y() - 20, point.y() + 30, canvas.clip.top + 20, canvas.rect.bottom())
        canvas.label(words, self.look.theme.ink, [(x + side[1], y, side[0], 1.0) for y in heights], 0.92, must=True)

