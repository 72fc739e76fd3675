"""Residual noise against sweeps on logarithmic axes, with the line for independent noise and the noise floor."""

from __future__ import annotations

import math

import numpy as np
from PyQt5.QtCore import QPointF

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.curves import Box, Drawn
from quietfloor.monitor.display.panel import ChartPanel
from quietfloor.monitor.display.scales import Scale, written
from quietfloor.monitor.display.views import NoiseTrack


class NoisePanel(ChartPanel):
    """Shows whether the noise falls as expected."""

    def __init__(self) -> None:
        super().__init__(
            "noise against sweeps",
            "Noise against sweeps",
            "How quiet the average has become with the number of sweeps, beside the 1/√N line that independent noise follows, "
            "and the noise floor at which the run may end without a response; dashed, the noise "
            "at which one ends that has found a response and averages on.",
            Scale(log=True),
            Scale(log=True),
            "accepted sweeps",
            "noise, nV",
        )
        self._track: NoiseTrack | None = None
        self._low_nv = 0.0  # bottom of the chart

    def show_track(self, track: NoiseTrack | None) -> None:
        """Draw another track; None before there is one."""
        self._track = track
        if track is not None:
            low = self._low_nv = min(0.7 * np.fmin(track.floor_nv, track.quiet_nv), 0.85 * float(track.noise_nv.min()))
            high = max(1.25 * float(track.noise_nv.max()), 2.5 * track.floor_nv)
            self.chart.set_ranges((float(track.line_sweeps[0]), float(track.line_sweeps[1]) * 1.05), (low, high))
            self.aside.say(self._remark(track))
        self.fill(track is not None)

    def _line(self, track: NoiseTrack) -> tuple[Floats, Floats]:
        """Sweeps and noise (2,) of both ends of the 1/sqrt(N) line in the chart, which it leaves at the bottom or right."""
        sweeps, noise = track.line_sweeps.copy(), track.line_nv.copy()
        if noise[1] < self._low_nv < noise[0]:
            sweeps[1], noise[1] = sweeps[0] * (noise[0] / self._low_nv) ** 2, self._low_nv
        return sweeps, noise

    @staticmethod
    def _remark(track: NoiseTrack) -> str:
        if track.discarded:
            return "discarded"
        noise, waits = track.noise_nv[-1], math.isfinite(track.waits_nv)
        name = f"{track.waits_nv:g} nV" if waits else "floor"
        if noise <= (track.waits_nv if waits else track.floor_nv):
            return f"{name} reached"
        if noise <= track.quiet_nv:  # nan where no run asked for it
            return f"{track.quiet_nv:g} nV reached"
        if math.isnan(track.floor_at_sweeps):  # the run is over
            return f"{name} not reached"
        about = round(track.floor_at_sweeps, 1 - len(str(int(track.floor_at_sweeps))) + 1)
        if about > track.max_sweeps:
            return f"{name} beyond the sweep limit"
        return f"{name}: ~{about:,.0f} sweeps"

    def draw(self, canvas: Canvas) -> None:
        track, theme, rect = self._track, self.look.theme, canvas.rect
        if track is None:
            self.explain(canvas, "Begins with the first look")
            return
        floor = float(canvas.y(track.floor_nv))
        canvas.fill(rect.left(), floor, rect.right(), rect.bottom(), theme.absent_region)
        canvas.level(floor, theme.states["absent"])
        if math.isfinite(track.quiet_nv):
            quiet = float(canvas.y(track.quiet_nv))
            canvas.level(quiet, theme.states["present"], dashed=True)
            canvas.kept_clear.append(Box(rect.left(), quiet - 1, rect.right(), quiet + 1))
        xs, ys = (scale(ends) for scale, ends in zip((canvas.x, canvas.y), self._line(track), strict=True))
        canvas.line(xs, ys, theme.axis, 1, dashed=True)
        canvas.line(canvas.x(track.sweeps), canvas.y(track.noise_nv), theme.average, self.look.line)
        side = self.look.px(0.55)
        end = QPointF(float(canvas.x(track.sweeps[-1])), float(canvas.y(track.noise_nv[-1])))
        canvas.fill(end.x() - side / 2, end.y() - side / 2, end.x() + side / 2, end.y() + side / 2, theme.average)
        canvas.curves += [Drawn(xs, ys), Drawn(canvas.x(track.sweeps), canvas.y(track.noise_nv))]
        canvas.kept_clear += [
            Box(end.x() - side / 2, end.y() - side / 2, end.x() + side / 2, end.y() + side / 2),
            Box(rect.left(), floor - 1, rect.right(), floor + 1),
        ]
        words = f"{written(round(float(track.noise_nv[-1]), 1 if track.noise_nv[-1] < 20 else 0))} nV"
        places = [(end.x() + side, end.y() - side, 0.0, 1.0), (end.x(), end.y() - side, 0.5, 1.0),
                  (end.x() - side, end.y() + side, 1.0, 0.0), (end.x() - side, end.y() - 2 * side, 1.0, 1.0),
                  (end.x() + side, end.y() - 3 * side, 0.0, 1.0)]  # fmt: skip
        canvas.label(words, theme.ink, places, 0.95, bold=True, must=True)
        left, right = rect.left() + 4, rect.right() - 4
        heights = ((floor + 2, 0.0), (floor - 2, 1.0))
        places = [(x, y, across, down) for y, down in heights for x, across in ((left, 0.0), (right, 1.0))]
        canvas.label(f"floor {track.floor_nv:g} nV", theme.states["absent"], places, 0.88)
        far = end.x() < rect.left() + 0.6 * rect.width()
        parts = (0.88, 0.7, 0.95, 0.3) if far else (0.3, 0.2, 0.5, 0.7, 0.88)
        there = [float(xs[0] + part * (xs[1] - xs[0])) for part in parts]
        places = [(x + 3, float(np.interp(x, xs, ys)) - 5, 0.0, 1.0) for x in there]
        canvas.label("1/√N", theme.quiet, places, 0.88)
        if math.isfinite(track.quiet_nv):
            sides = ((left, 0.0), (right, 1.0))
            places = [(x, quiet + away, across, down) for away, down in ((-2, 1.0), (2, 0.0)) for x, across in sides]
            canvas.label(f"quiet enough, {track.quiet_nv:g} nV", theme.states["present"], places, 0.88)
