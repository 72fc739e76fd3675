"""Latency and amplitude of the marked waves against level, beside published values (latency-intensity function)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from PyQt5.QtCore import QPointF
from PyQt5.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from quietfloor.monitor.display.charts import Canvas, Chart, Draw
from quietfloor.monitor.display.cursors import amplitude
from quietfloor.monitor.display.curves import Box, Drawn, corners
from quietfloor.monitor.display.ladder import Level
from quietfloor.monitor.display.levels import CORNERS, SHOWN, Levels, Published
from quietfloor.monitor.display.model import DOUBT
from quietfloor.monitor.display.panel import Panel, Words, colour
from quietfloor.monitor.display.panel_average import GAP_PX
from quietfloor.monitor.display.scales import Scale, nice_above
from quietfloor.monitor.display.theme import Look
from quietfloor.monitor.waves.marks import Estimate, Mark
from quietfloor.stimuli.levels import NHL

AMPLITUDES = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)  # heights of the chart, times powers of ten
BESIDE_DB = 12.0  # own choice: what is published is shown so far beyond the levels that were measured, one step of 10 dB and some


class GrowthPanel(Panel):
    """Two charts side by side: latency in ms, amplitude in nV. What is published stands below with its source."""

    def __init__(self) -> None:
        self.latency = self._chart(self._draw_latency, "latency, ms")
        self.amplitude = self._chart(self._draw_amplitude, "amplitude, nV")
        self.charts = (self.latency, self.amplitude)
        self.origins = (Words(""), Words(""))  # of latency and of amplitude: in one line the second would be cut
        body = QWidget()
        row = QHBoxLayout()
        row.setSpacing(4)
        for chart in self.charts:
            row.addWidget(chart, 1)
        column = QVBoxLayout(body)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addLayout(row, 1)
        for words in self.origins:
            column.addWidget(words)
        super().__init__(
            "latency and amplitude",
            "Latency and amplitude",
            "Latency of the marked waves and amplitude of wave V, peak to trough, against level, with their 95 % intervals; a "
            "hollow mark is a suggestion. Shaded: published range of persons, mean plus and minus 2 SD. Dotted: range of means "
            "of studies. Line: published mean. A question mark after a wave: which ear?, it is not known to be this ear's.",
            body,
        )
        self._levels = Levels()
        self._db: tuple[float, float] = (0.0, 90.0)
        for chart in self.charts:
            chart.tick_em = {"bottom": 2.0, "left": 1.6}
            chart.show_axes(False)

    def _chart(self, draw: Draw, words: str) -> Chart:
        return Chart(lambda canvas: self.draw_safely(draw, canvas), Scale(), Scale(), "level", words)

    def restyle(self, look: Look) -> None:
        super().restyle(look)
        for words in self.origins:
            words.size_letters(look.px(0.85))
            colour(words, look.theme.expected)
        for chart in self.charts:
            chart.restyle(look)
            chart.show_axes(bool(self._levels.rows))

    def show_levels(self, levels: Levels) -> None:
        """Draw these levels."""
        unit = levels.rows[0].level.unit if levels.rows else NHL
        levels = replace(levels, rows=tuple(row for row in levels.rows if row.level.unit == unit))  # one axis, one unit
        self._levels = levels
        measured = [row.level.db for row in levels.rows]
        self._db = (min(measured) - BESIDE_DB, max(measured) + BESIDE_DB) if measured else (0.0, 90.0)
        for chart, published, marks in zip(self.charts, self._published, (self._latencies, self._amplitudes), strict=True):
            chart.relabel("bottom", f"level, {unit}")
            values = [value for *_, one in marks for value in (one.value, one.low, one.high)]
            for one in published:
                values += [*one.mean, *one.low, *one.high]
            known = [value for value in values if math.isfinite(value)]
            low, high = (min(known), max(known)) if known else (0.0, 1.0)
            low = 0.0 if chart is self.amplitude else 0.5 * math.floor(low / 0.5 - 0.3)
            high = nice_above(1.05 * max(high, 1.0), AMPLITUDES) if chart is self.amplitude else 0.5 * math.ceil(high / 0.5 + 0.3)
            chart.set_ranges(self._db, (low, high))
            chart.show_axes(bool(levels.rows))
            chart.repaint_inside()
        told = [_told(name, many) for name, many in zip(("latency", "amplitude"), self._published, strict=True)]
        sources = [one for one in told if one]
        first, second = self.origins
        first.say(sources[0] if sources else "nothing is published here for this stimulus and level")
        second.say(sources[1] if len(sources) > 1 else "")
        second.setVisible(len(sources) > 1)
        for words in self.origins:
            words.setToolTip("<qt>" + "".join(f"<p>{one}</p>" for one in sources) + "</qt>")
        self.aside.say(str(levels.series or ""))

    @property
    def _published(self) -> tuple[list[Published], list[Published]]:
        """Latencies and amplitudes in the levels that are shown."""
        if any(row.level.unit != NHL for row in self._levels.rows):
            return [], []
        found = [[_within(one, self._db) for one in many] for many in (self._levels.latencies, self._levels.amplitudes)]
        latencies, amplitudes = ([one for one in many if one is not None] for many in found)
        return latencies, amplitudes

    @property
    def _doubtful(self) -> set[Level]:
        """Levels at which what was found is not known to be that of the tested ear."""
        return {row.level for row in self._levels.rows if row.doubtful}

    @property
    def _latencies(self) -> list[tuple[Level, Mark, Estimate]]:
        return [(row.level, mark, mark.latency_ms) for row in self._levels.rows for mark in row.marks if row.level.heard]

    @property
    def _amplitudes(self) -> list[tuple[Level, Mark, Estimate]]:
        found = [(row.level, row.mark("V")) for row in self._levels.rows if row.level.heard]
        return [(level, mark, mark.amplitude_nv) for level, mark in found if mark is not None]

    def _draw_latency(self, canvas: Canvas) -> None:
        if not self._levels.rows:
            self.explain(canvas, "No finished run of this series yet")
            return
        self._draw(canvas, self._published[0], self._latencies, "No wave is marked at these levels")

    def _draw_amplitude(self, canvas: Canvas) -> None:
        if self._levels.rows:
            self._draw(canvas, self._published[1], self._amplitudes, "Wave V is not marked at these levels")

    def _draw(
        self, canvas: Canvas, published: Sequence[Published], marks: list[tuple[Level, Mark, Estimate]], nothing: str
    ) -> None:
        theme, look, px = self.look.theme, self.look, self.look.px
        for study in published:
            xs = canvas.x(study.levels_db_nhl)
            known = np.isfinite(study.low + study.high)
            low, high = canvas.y(study.low), canvas.y(study.high)
            if known.any() and not study.of_means:
                canvas.polygon(np.concatenate([xs, xs[::-1]]), np.concatenate([low, high[::-1]]), theme.cone)
                canvas.curves += [Drawn(xs, low), Drawn(xs, high)]
        for study in published:
            xs = canvas.x(study.levels_db_nhl)
            canvas.curve(xs, study.mean, theme.expected, look.thin)
            if study.of_means:
                for edge in (study.low, study.high):
                    canvas.curve(xs, edge, theme.expected, look.thin, (1.0, 3.0))
        for wave in SHOWN:
            own = [(level, one) for level, mark, one in marks if mark.wave == wave and math.isfinite(one.value)]
            own.sort(key=lambda one: one[0])
            if len(own) > 1:
                values = np.array([one.value for _, one in own])
                canvas.curve(canvas.x([level.db for level, _ in own]), values, theme.quiet, look.thin)
        side = px(0.75)
        for level, mark, one in marks:
            if not math.isfinite(one.value):
                continue
            x, y = float(canvas.x(level.db)), float(canvas.y(one.value))
            if math.isfinite(one.low + one.high):
                ends = canvas.y(np.array([one.low, one.high]))
                canvas.line(np.array([x, x]), ends, theme.ink, look.line)
                canvas.kept_clear.append(Box(x - 2, float(ends.min()), x + 2, float(ends.max())))
            corner_x, corner_y = corners(CORNERS[mark.wave], x, y, side)
            canvas.polygon(corner_x, corner_y, theme.ink if mark.by == "operator" else theme.sheet, edge=theme.ink)
            canvas.kept_clear.append(Box(x - side / 2, y - side / 2, x + side / 2, y + side / 2))
        for level, mark, one in marks:
            if math.isfinite(one.value):
                x, y, away = float(canvas.x(level.db)), float(canvas.y(one.value)), side / 2 + GAP_PX
                places = [(x + away, y, 0.0, 0.5), (x - away, y, 1.0, 0.5), (x + away, y - away, 0.0, 1.0),
                          (x + away, y + away, 0.0, 0.0), (x - away, y - away, 1.0, 1.0)]  # fmt: skip
                doubt = level in self._doubtful
                canvas.label(mark.wave + "?" * doubt, theme.states["undecided"] if doubt else theme.ink, places, 0.88, bold=True)
        for study in published:
            xs = canvas.x(study.levels_db_nhl)
            tops, feet = (canvas.y(np.where(np.isfinite(edge), edge, study.mean)) for edge in (study.high, study.low))
            words = f"{study.wave}, means" if study.of_means else f"{study.wave}, published"
            at = (len(xs) // 2, -1, 0)
            sides = ((tops, -4, 1.0), (feet, 4, 0.0))
            spots = [(float(xs[k]), float(ys[k]) + away, 0.5, down) for ys, away, down in sides for k in at]
            canvas.label(words, theme.expected, spots, 0.85)
        if not any(math.isfinite(one.value) for *_, one in marks):
            canvas.text(canvas.rect.left() + 8, canvas.rect.top() + 6, f"{nothing} (key W)", theme.quiet, 0.9)
        self._read(canvas, marks, self.latency if canvas.rect == self.latency.inside else self.amplitude)

    def _read(self, canvas: Canvas, marks: list[tuple[Level, Mark, Estimate]], chart: Chart) -> None:
        """The mark under the mouse in numbers."""
        point = chart.pointed
        if point is None:
            return
        near = [(level, mark, one) for level, mark, one in marks if math.isfinite(one.value)
                and (canvas.px(level.db, one.value) - point).manhattanLength() < 2.0 * self.look.px(1.0)]  # fmt: skip
        if near:
            level, mark, one = min(near, key=lambda one: (canvas.px(one[0].db, one[2].value) - point).manhattanLength())
            at = canvas.px(level.db, one.value)
            written = f"{one.value:.2f} ms" if chart is self.latency else amplitude(one.value)
            words = f"{mark.wave} at {level}: {written}, {'by hand' if mark.by == 'operator' else 'suggested'}"
            words += f"; {DOUBT}" if level in self._doubtful else ""
            self._say(canvas, at, words)

    def _say(self, canvas: Canvas, at: QPointF, words: str) -> None:
        far = self.look.px(1.2)
        sides = ((-far, 1.0), (far, 0.0))
        places = [(at.x(), at.y() + away, across, down) for away, down in sides for across in (0.5, 0.0, 1.0)]
        canvas.label(words, self.look.theme.ink, places, 0.92, must=True)


def _told(name: str, many: Sequence[Published]) -> str:
    """The sources of what is published of latency or amplitude, each with its waves; "" where nothing is."""
    found: dict[str, list[str]] = {}
    for one in sorted(many, key=lambda one: (one.of_means, -SHOWN.index(one.wave))):
        waves = found.setdefault(one.origin, [])
        if one.wave not in waves:
            waves.append(one.wave)
    return f"published {name} " + " · ".join(f"{', '.join(waves)}: {origin}" for origin, waves in found.items()) if found else ""


def _within(one: Published, db: tuple[float, float]) -> Published | None:
    """The part of it between two levels; None where nothing of it is there."""
    inside = (one.levels_db_nhl >= db[0]) & (one.levels_db_nhl <= db[1])
    if not inside.any():
        return None
    levels, mean, low, high = (column[inside] for column in (one.levels_db_nhl, one.mean, one.low, one.high))
    return replace(one, levels_db_nhl=levels, mean=mean, low=low, high=high)

