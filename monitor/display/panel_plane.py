"""The decision plane: a run as a path through residual noise and evidence, towards one of two regions."""

from __future__ import annotations

import math

import numpy as np

from quietfloor.monitor.display.canvas import Spot as Place
from quietfloor.monitor.display.charts import Canvas
from quietfloor.monitor.display.curves import Box, Drawn
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

    def show_plane(self, plane: Plane | None) -> None:
        """Draw another plane; None before there is one."""
        self._plane = plane
        if plane is not None:
            loudest, quietest = plane.noise_range_nv
            loudest = nice_above(loudest, NOISE_STEPS)
            self.chart.set_ranges((loudest, quietest), plane.standing_range)
            self.chart.relabel("left", plane.axis)
            self.aside.say("discarded" if plane.state == "discarded" else plane.promise)
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
        canvas.kept_clear.append(Box(rect.left(), needed - 1, rect.right(), needed + 1))
        canvas.kept_clear.append(Box(floor - 1, needed, floor + 1, rect.bottom()))
        quiet = float(canvas.x(plane.quiet_nv)) if math.isfinite(plane.quiet_nv) else math.nan
        if math.isfinite(quiet):
            canvas.line(np.array([quiet, quiet]), np.array([rect.top(), needed]), theme.states["present"], dashed=True)
            canvas.kept_clear.append(Box(quiet - 1, rect.top(), quiet + 1, needed))
        self._path(canvas, plane)
        self._names(canvas, plane, floor, needed, quiet)

    def _names(self, canvas: Canvas, plane: Plane, floor: float, needed: float, quiet: float) -> None:
        """Words of the regions, of the line at which a run that has found a response ends, and of what is expected."""
        theme, rect, px = self.look.theme, canvas.rect, self.look.px
        present, absent, left, right = theme.states["present"], theme.states["absent"], rect.left() + 8, rect.right() - 8
        heights = [(rect.top() + 4, 0.0), (needed - 4, 1.0), ((rect.top() + needed) / 2, 0.5)]
        places = [(x, y, across, down) for y, down in heights for x, across in ((left, 0.0), (right, 1.0))]
        words = f"{plane.axis.split(',')[0]} {plane.needed:.2g} or more"
        self._pair(canvas, "response present", words, present, places)
        words = f"noise {plane.floor_nv:g} nV or less"
        if plane.path[-1, 0] <= plane.floor_nv and math.isfinite(plane.upper_limit_nv):
            words = f"none larger than {math.ceil(plane.upper_limit_nv):.0f} nV"
        places = [(floor + 6, needed + 2, 0.0, 0.0), (floor + 6, rect.bottom() - 2, 0.0, 1.0)]
        self._pair(canvas, "no response", words, absent, places)
        foot, middle = rect.bottom() - 3, (left + floor) / 2
        places = [(left, needed + 4, 0.0, 0.0), (left, foot, 0.0, 1.0), (middle, needed + 4, 0.5, 0.0), (middle, foot, 0.5, 1.0),
                  (floor - 8, needed + 4, 1.0, 0.0), (floor - 8, foot, 1.0, 1.0)]  # fmt: skip
        if plane.marks:
            here = [(left, foot, 0.0, 1.0)]  # elsewhere it looks like data
            canvas.label(f"■ every {_length(plane.every_s)}", theme.quiet, here, 0.85)
        canvas.label("undecided", theme.states["undecided"], places, 1.08, bold=True, must=True)
        if math.isfinite(quiet):
            tops = [rect.top() + 4 + px(1.2) * step for step in range(int((needed - rect.top()) / px(1.2)) - 2)]
            places = [(x, y, across, 0.0) for y in tops or [rect.top() + 4] for x, across in ((quiet + 6, 0.0), (quiet - 6, 1.0))]
            words = f"noise {plane.quiet_nv:g} nV or less"
            self._pair(canvas, "quiet enough", words, present, places, size=0.88)
        self._ahead(canvas, plane)

    def _pair(
        self, canvas: Canvas, name: str, words: str, ink: str, places: list[Place], size: float = 1.08
    ) -> None:
        """A name and below it, or where there is more room, a line of words; without any room the words are left out."""
        px, found = self.look.px, None
        for letters in (size, 0.88):  # smaller where the usual ones would cover something
            found = found or canvas.label(name, ink, places, letters, bold=True, must=letters < size or size < 1)
        if found is not None:
            ends = ((found.left(), 0.0), (found.right(), 1.0))
            spots = [(x, y, across, down) for y, down in ((found.bottom(), 0.0), (found.top(), 1.0)) for x, across in ends]
            canvas.label(words, ink, [*spots, (found.right() + px(0.6), found.center().y(), 0.0, 0.5)], 0.88)

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
        half = self.look.px(1.5) / 2
        end = canvas.px(*plane.path[-1])
        end.setY(max(end.y(), canvas.rect.top() + half + 1))  # whole, also where the path is at the top
        draw_mark(canvas.painter, end, self.look.px(1.5), plane.state, theme.states[plane.state], theme.sheet)
        canvas.curves.append(Drawn(xs, ys))
        canvas.kept_clear.append(Box(end.x() - half, end.y() - half, end.x() + half, end.y() + half))

    def _ahead(self, canvas: Canvas, plane: Plane) -> None:
        """What is expected from the point that has been reached, below its forecast or above it."""
        px, rect = self.look.px, canvas.rect
        if not (plane.ahead and len(plane.cone) and rect.width() > px(30)):
            return
        end, edge = canvas.px(*plane.path[-1]), canvas.y(plane.cone[:, 1])
        x, foot, top = end.x() + px(1.0), float(edge.max()) + 4, float(edge.min()) - 4
        places = [(at, foot + step * px(1.2), across, 0.0) for step in range(3) for at, across in ((x, 0.0), (end.x(), 0.5))]
        places += [(x, top, 0.0, 1.0), (end.x() - px(1.0), foot, 1.0, 0.0), (end.x() - px(1.0), top, 1.0, 1.0)]
        places += [(rect.right() - 8, y, 1.0, down) for y, down in ((rect.bottom() - 3, 1.0), (rect.top() + px(3.0), 0.0))]
        canvas.label(plane.ahead, self.look.theme.states["undecided"], places, 0.92)  # the sentence on top says it in any case


def _length(seconds: float) -> str:
    """A duration in words, such as "10 s", "2 min" or "1 h"."""
    if seconds < 60:
        return f"{seconds:g} s"
    return f"{seconds / 60:g} min" if seconds < 3600 else f"{seconds / 3600:g} h"
