"""The averages of all levels of one ear, route and stimulus below each other on one scale, the loudest on top."""

from __future__ import annotations

import numpy as np

from quietfloor.monitor.core.analysis import JUDGED_FROM_MS
from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.cursors import amplitude, nearest
from quietfloor.monitor.display.curves import EVEN_HALF, OVERLAYS, SOLID, Box
from quietfloor.monitor.display.ladder import Ladder
from quietfloor.monitor.display.levels import LevelRow, Levels, with_present
from quietfloor.monitor.display.panel import ChartPanel
from quietfloor.monitor.display.panel_average import GAP_PX, LEGEND_LETTERS, LEGEND_ROW, SAMPLE
from quietfloor.monitor.display.scales import STEPS, Scale, nice_above
from quietfloor.monitor.display.sight import Pair, Sight
from quietfloor.monitor.display.views import Curves

EDGE = 0.55  # of the distance of two rows, above the first and below the last


class LevelsPanel(ChartPanel):
    """Each row has the odd and even half of its run, or the single runs where there are several, as long as ``halves`` are on.

    ``sight`` is that of the average: a fixed scale sets the distance of the rows, so that all curves have one scale.
    """

    def __init__(self, sight: Sight) -> None:
        super().__init__(
            "levels",
            "Levels",
            "The average of every level of this ear, route and stimulus, the loudest on top, all on one scale: of one run with "
            "its odd and even half, of several runs their common average with each of them. Waves are where they are marked; a "
            "hollow mark is a suggestion.",
            Scale(),
            Scale(),
            "ms after the stimulus reaches the ear",
            "",
        )
        self.halves, self.sight = True, sight
        self._levels, self._ladder = Levels(), Ladder(None)
        self._rows: tuple[LevelRow, ...] = ()
        self._step = 0.0
        self._head_part = 0.0

    @property
    def height_nv(self) -> float:
        """Distance of two rows."""
        return self.sight.scale_nv or self._step or 1.0

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
            largest = max((float(np.nanmax(np.abs(one))) for one in judged if np.isfinite(one).any()), default=0.0)
            if largest > 0 and not 0.62 * self._step <= largest <= self._step:
                self._step = nice_above(largest)
            first, last = self.sight.ms or self.whole_ms
            room = len(rows) - 1 + 2 * EDGE
            high = (len(rows) - 1 + EDGE + room * self._head_part / (1 - self._head_part)) * self.height_nv
            self.chart.set_ranges((first, last), (-EDGE * self.height_nv, high))
            self.chart.name_rows({self._at(number): str(row.level) for number, row in enumerate(rows)})
        fixed = "" if self.sight.scale_nv is None else f"scale fixed, rows {amplitude(self.height_nv)} apart · "
        zoom = "zoomed in · " if self.sight.ms is not None else ""
        unreadable = f"; cannot read {'; '.join(levels.unreadable)}" if levels.unreadable else ""
        self.aside.say(f"{fixed}{zoom}{levels.series or ''}{unreadable}")
        self.fill(bool(rows))

    def _at(self, number: int) -> float:
        """The zero line of a row, in nV from that of the last one."""
        return (len(self._rows) - 1 - number) * self.height_nv

    def draw(self, canvas: Canvas) -> None:
        rows, theme, look, rect = self._rows, self.look.theme, self.look, canvas.rect
        if not rows:
            known = self._ladder.series is not None
            self.explain(canvas, "No finished run of this series yet" if known else "The levels are not known here")
            return
        head = look.px(LEGEND_ROW) + 3
        part = min(head / rect.height(), 0.4)
        if abs(part - self._head_part) > 1e-6:
            self._head_part = part
            self.refit()
        canvas.clip = Box(rect.left(), rect.top() + head, rect.right(), rect.bottom())
        first, last = self.chart.x_range
        canvas.fill(float(canvas.x(max(first, 0.0))), rect.top(), float(canvas.x(JUDGED_FROM_MS)), rect.bottom(), theme.unjudged)
        if first <= 0.0 <= last:
            canvas.upright(float(canvas.x(0.0)), theme.axis, dashed=True)
        for number in range(len(rows)):
            canvas.level(float(canvas.y(self._at(number))), theme.grid)
        for number, row in enumerate(rows):
            self._curves(canvas, row, self._at(number))
        self._legend(canvas)
        self._scale(canvas)
        for number, row in enumerate(rows):
            self._marks(canvas, row, self._at(number))
        for number, row in enumerate(rows):
            y = float(canvas.y(self._at(number)))
            right = rect.right() - look.px(0.6)
            step = (canvas.rect.bottom() - canvas.clip.top) / (len(rows) - 1 + 2 * EDGE)
            places = [(right, y + GAP_PX, 1.0, 0.0), (right, y - GAP_PX, 1.0, 1.0), (right, y - step / 2, 1.0, 0.5),
                      (right, y + step / 2, 1.0, 0.5)]  # fmt: skip
            canvas.label(row.words, theme.quiet, places, 0.85)
        self._read(canvas)

    def _curves(self, canvas: Canvas, row: LevelRow, at_nv: float) -> None:
        theme, look = self.look.theme, self.look
        xs = canvas.x(row.times_ms)
        if self.halves and row.replicates_nv:
            for curve, ink, pattern in zip(row.replicates_nv, theme.overlays, OVERLAYS, strict=False):
                canvas.curve(xs, at_nv + curve, ink, look.thin, pattern)
        elif self.halves:
            canvas.curve(xs, at_nv + row.odd_nv, theme.half_a, look.thin)
            canvas.curve(xs, at_nv + row.even_nv, theme.half_b, look.thin, EVEN_HALF)
        canvas.curve(xs, at_nv + row.average_nv, theme.average, look.line)

    def _legend(self, canvas: Canvas) -> None:
        """In the strip above all curves."""
        theme, look, px = self.look.theme, self.look, self.look.px
        entries = [("average", theme.average, look.line, SOLID)]
        if self.halves and any(not row.replicates_nv for row in self._rows):
            entries += [("odd half", theme.half_a, look.thin, SOLID), ("even half", theme.half_b, look.thin, EVEN_HALF)]
        most = max(len(row.replicates_nv) for row in self._rows) if self.halves else 0
        names = ("newest run", "run before", "run before that")
        entries += list(zip(names, theme.overlays, [look.thin] * len(names), OVERLAYS, strict=True))[:most]
        right, y = canvas.rect.right() - 6, canvas.rect.top() + 2
        for words, ink, width, pattern in reversed(entries):
            if right - canvas.width_of(words, LEGEND_LETTERS) - px(SAMPLE) < canvas.rect.left() + 8:
                continue
            place = canvas.text(right, y, words, ink, LEGEND_LETTERS, across=1.0)
            middle, left = place.center().y(), place.left() - 4
            canvas.line(np.array([left - px(SAMPLE), left]), np.array([middle, middle]), ink, width, pattern=pattern)
            right = left - px(SAMPLE) - px(1.0)

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
        """A triangle above each marked wave, filled where it was placed by hand, and its name."""
        theme, side = self.look.theme, self.look.px(0.5)
        for mark in row.marks:
            ms, (first, last) = mark.latency_ms.value, self.chart.x_range
            if not first <= ms <= last:
                continue
            x = float(canvas.x(ms))
            height = float(np.interp(ms, row.times_ms, row.average_nv))
            tip = min(max(float(canvas.y(at_nv + height)) - GAP_PX, canvas.clip.top + side), canvas.rect.bottom())
            xs, ys = np.array([x - side / 2, x, x + side / 2]), np.array([tip - side, tip, tip - side])
            canvas.polygon(xs, ys, theme.ink if mark.by == "operator" else theme.sheet, edge=theme.ink)
            canvas.kept_clear.append(Box(x - side / 2, tip - side, x + side / 2, tip))
            up, beside = tip - side - 1, tip - side / 2
            places = [(x, up, 0.5, 1.0), (x + side, beside, 0.0, 0.5), (x - side, beside, 1.0, 0.5), (x + side, up, 0.0, 1.0)]
            canvas.label(mark.wave, theme.ink, places, 0.88, bold=True)

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

