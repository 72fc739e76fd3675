"""The decision plane: a run as a path through residual noise and evidence, towards one of two regions."""

from __future__ import annotations

import math

import numpy as np

from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.marks import draw_mark
from quietfloor.monitor.display.panel import ChartPanel
from quietfloor.monitor.display.scales import Scale, nice_above
from quietfloor.monitor.display.views import Plane

NOISE_STEPS = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0)


class PlanePanel(ChartPanel):
    """The main panel of the window."""

    def __init__(self) -> None:
        super().__init__(
            "decision plane",
            "Decision plane",
            "The run walks through this plane: to the right as the average gets quieter, up as evidence for a response grows. It "
            "ends in the region at the top, or in the one on the right.",
            Scale(log=True, falling=True),
            Scale(),
            "residual noise in the average, nV (quieter to the right)",
            "evidence, log10",
        )
        self._plane: Plane | None = None
        self._loudest = math.inf

    def show_plane(self, plane: Plane | None) -> None:
        """Draw another plane; None before there is one."""
        self._plane = plane
        if plane is not None:
            loudest, quietest = plane.noise_range_nv
            loudest = nice_above(loudest, NOISE_STEPS)
            self.chart.set_ranges((loudest, quietest), plane.standing_range)
            self.chart.relabel("left", plane.axis)
            self.aside.say(plane.promise)
        self.fill(plane is not None)

    def draw(self, canvas: Canvas) -> None:
        plane, theme, rect = self._plane, self.look.theme, canvas.rect
        if plane is None:
            self.explain(canvas, "The path begins with the first look")
            return
        floor, needed = float(canvas.x(plane.floor_nv)), float(canvas.y(plane.needed))
        canvas.fill(rect.left(), rect.top(), rect.right(), needed, theme.present_region)
        canvas.fill(floor, needed, rect.right(), rect.bottom(), theme.absent_region)
        canvas.level(float(canvas.y(0.0)), theme.grid)
        self._cone(canvas, plane)
        canvas.level(needed, theme.states["present"])
        canvas.line(np.array([floor, floor]), np.array([needed, rect.bottom()]), theme.states["absent"])
        words = self._quiet(canvas, plane, needed)
        self._names(canvas, plane, floor, needed)
        self._path(canvas, plane)
        self._here(canvas, plane, words)

    def _names(self, canvas: Canvas, plane: Plane, floor: float, needed: float) -> None:
        theme, rect = self.look.theme, canvas.rect
        present, absent = theme.states["present"], theme.states["absent"]
        name = canvas.text(rect.left() + 8, rect.top() + 4, "response present", present, 1.08, bold=True)
        if needed - name.bottom() > self.look.px(1.5):
            canvas.text(rect.left() + 8, name.bottom(), f"{plane.axis.split(',')[0]} {plane.needed:.2g} or more", present, 0.88)
        width = max(rect.right() - floor - 10, self.look.px(6.0))
        name = canvas.text(floor + 6, needed + 4, "no response", absent, 1.08, bold=True, width=width)
        words = f"noise {plane.floor_nv:g} nV or less"
        if plane.path[-1, 0] <= plane.floor_nv and math.isfinite(plane.upper_limit_nv):
            words = f"none larger than {math.ceil(plane.upper_limit_nv):.0f} nV"
        canvas.text(floor + 6, name.bottom(), words, absent, 0.88, width=width)
        canvas.text(rect.left() + 8, needed + 4, "undecided", theme.states["undecided"], 1.08, bold=True)

    def _quiet(self, canvas: Canvas, plane: Plane, needed: float) -> float:
        """Draw the line at which a run that has found a response ends; returns where its words end, in px from the top."""
        if not math.isfinite(plane.quiet_nv):
            return -math.inf
        x, top, ink = float(canvas.x(plane.quiet_nv)), canvas.rect.top(), self.look.theme.states["present"]
        canvas.line(np.array([x, x]), np.array([top, needed]), ink, dashed=True)
        name = canvas.text(x + 6, top + 4, "quiet enough", ink, 0.88, bold=True)
        return float(canvas.text(x + 6, name.bottom(), f"noise {plane.quiet_nv:g} nV or less", ink, 0.88).bottom())

    def _cone(self, canvas: Canvas, plane: Plane) -> None:
        """Draw the region in which 8 of 10 such runs decide."""
        if len(plane.cone):
            xs = np.clip(canvas.x(plane.cone[:, 0]), canvas.rect.left(), canvas.rect.right())
            canvas.polygon(xs, canvas.y(plane.cone[:, 1]), self.look.theme.cone, edge=self.look.theme.states["undecided"])

    def _path(self, canvas: Canvas, plane: Plane) -> None:
        theme = self.look.theme
        xs, ys = canvas.x(plane.path[:, 0]), canvas.y(plane.path[:, 1])
        xs = np.maximum(xs, canvas.rect.left())
        early = min(plane.known_from, len(xs) - 1)
        if early > 0:
            canvas.line(xs[: early + 1], ys[: early + 1], theme.quiet, 1, dashed=True)
        canvas.line(xs[early:], ys[early:], theme.ink, self.look.line)
        side = self.look.px(0.4)
        for place in plane.marks:
            x, y = float(xs[place]), float(ys[place])
            canvas.fill(x - side / 2, y - side / 2, x + side / 2, y + side / 2, theme.ink)
        if plane.marks:
            words = f"■ every {_length(plane.every_s)}"
            canvas.text(canvas.rect.left() + 8, canvas.rect.bottom() - 2, words, theme.quiet, 0.85, down=1.0)

    def _here(self, canvas: Canvas, plane: Plane, words_end: float) -> None:
        """The point that has been reached, with what is expected from there, below the words of ``_quiet``."""
        theme, px = self.look.theme, self.look.px
        end = canvas.px(*plane.path[-1])
        if plane.ahead and len(plane.cone) and canvas.rect.width() > px(30):
            foot = max(float(canvas.y(plane.cone[:, 1]).max()) + 4, words_end + 2)
            low = foot + px(1.5) < canvas.rect.bottom()
            y = foot if low else float(canvas.y(plane.cone[:, 1]).min()) - 4
            ink = theme.states["undecided"]
            canvas.text(end.x() + px(1.0), y, plane.ahead, ink, 0.92, down=0.0 if low else 1.0)
        draw_mark(canvas.painter, end, px(1.5), plane.state, theme.states[plane.state], theme.sheet)


def _length(seconds: float) -> str:
    """A duration in words, such as "10 s", "2 min" or "1 h"."""
    if seconds < 60:
        return f"{seconds:g} s"
    return f"{seconds / 60:g} min" if seconds < 3600 else f"{seconds / 3600:g} h"
