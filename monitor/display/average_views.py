"""The averages in the window: the newest one, all levels, or latency against level; overlays, scale, zoom, cursors and marks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PyQt5.QtCore import QPointF

from quietfloor.monitor.display.cursors import amplitude
from quietfloor.monitor.display.ladder import Ladder, Overlay, Replicate, Rung
from quietfloor.monitor.display.levels import Levels
from quietfloor.monitor.display.mark_editor import GRAB_PX, MarkEditor
from quietfloor.monitor.display.panel import Panel
from quietfloor.monitor.display.panel_average import AveragePanel
from quietfloor.monitor.display.panel_growth import GrowthPanel
from quietfloor.monitor.display.panel_ladder import Rungs
from quietfloor.monitor.display.panel_levels import LevelsPanel
from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.display.views import Curves
from quietfloor.monitor.display.zoom import Zoom

MOST_OVERLAYS = 3  # own choice: as many as have a colour and a pattern of dashes of their own
KEY_ZOOM, NOTCH_ZOOM = 2.0, 1.25  # a key, and a notch of the wheel
SHIFT = 0.25  # of the time that is shown
LEAST_AREA_PX = 8  # an area that is smaller was a click


class AverageViews:
    """Three panels in one place, of which one is ``shown``; ``moved`` is called when it becomes another one."""

    def __init__(self, link: WindowLink, say: Callable[[str], None], rungs: Rungs, moved: Callable[[], None]) -> None:
        self.link, self._say, self._rungs, self._moved = link, say, rungs, moved
        self.zoom = Zoom()
        self.average, self.levels, self.growth = AveragePanel(self.zoom), LevelsPanel(self.zoom), GrowthPanel()
        self.panels: tuple[Panel, ...] = (self.average, self.levels, self.growth)
        self.shown: Panel = self.average
        self.mark_editor = MarkEditor(self.average, say)
        self._ladder, self._levels = Ladder(None), Levels()
        self._dragging = False
        self._before: tuple[list[float], int] = ([], 0)  # the cursors before the last press
        self._deeds: dict[str, Callable[[], None]] = {
            "levels": lambda: self._toggle_panel(self.levels), "growth": lambda: self._toggle_panel(self.growth),
            "plus_minus": self._plus_minus, "overlay": self._overlay_chosen, "replicates": self._replicates,
            "rung_up": lambda: rungs.choose(-1), "rung_down": lambda: rungs.choose(1),
            "scale": self._fix, "scale_up": lambda: self._step(True), "scale_down": lambda: self._step(False),
            "zoom_in": lambda: self._zoom_key(1 / KEY_ZOOM), "zoom_out": lambda: self._zoom_key(KEY_ZOOM),
            "zoom_taller": lambda: self._zoom_key(1 / KEY_ZOOM, True), "zoom_flatter": lambda: self._zoom_key(KEY_ZOOM, True),
            "part_earlier": lambda: self._shift(-SHIFT), "part_later": lambda: self._shift(SHIFT), "zoom_whole": self._whole,
            "cursor": self._cursor, "cursor_earlier": lambda: self._move_cursor(-1),
            "cursor_later": lambda: self._move_cursor(1), "cursors_clear": self._clear_cursors,
        }  # fmt: skip
        rungs.asked.connect(self.toggle_overlay)
        chart = self.average.chart
        chart.on_press, chart.on_drag, chart.on_release = self._press, self._drag, self._release
        for panel in (self.average, self.levels):
            panel.chart.on_wheel, panel.chart.on_area, panel.chart.on_double = self._wheel, self._area, self._double

    def do(self, name: str) -> bool:
        """Carry out a key; whether it is one of those known here."""
        if name in self.mark_editor.deeds:
            self._show_panel(self.average)
            self.mark_editor.do(name, self.link.view, [overlay.folder for overlay in self.average.overlays])
        elif name in self._deeds:
            self._deeds[name]()
        else:
            return False
        return True

    # -- what is shown ------------------------------------------------------------------------------------------------

    def show_curves(self, curves: Curves | None) -> None:
        """The average of the run on the screen, as far as it has got."""
        self.average.show_curves(curves)
        if self.shown is self.levels and any(rung.running for rung in self._ladder.rungs):
            self.levels.show_levels(self._levels, self._ladder, curves)

    def show_ladder(self, ladder: Ladder) -> None:
        """Runs were added, or another series is on the screen."""
        before, self._ladder = self._ladder, ladder
        gone = _folders(before) - _folders(ladder)  # a run that was discarded
        kept = [overlay for overlay in self.average.overlays if overlay.folder not in gone]
        if len(kept) < len(self.average.overlays):
            self._overlay(kept)
        if self.shown is not self.average:
            self.link.fetch_levels(ladder)

    def show_halves(self, yes: bool) -> None:
        self.average.halves = self.levels.halves = yes
        self._refit()

    def take(self, fetched: Overlay | Levels | str) -> None:
        """What was loaded aside."""
        if isinstance(fetched, str):
            self._say(fetched)
        elif isinstance(fetched, Overlay):
            self._overlay([*self.average.overlays, fetched][-MOST_OVERLAYS:])
        elif fetched.ladder is self._ladder:
            self._levels = fetched
            self._show_levels()

    def _show_levels(self) -> None:
        self.levels.show_levels(self._levels, self._ladder, self.average.curves)
        self.growth.show_levels(self._levels)

    def _show_panel(self, panel: Panel) -> None:
        if panel is not self.shown:
            self.shown = panel
            self._moved()

    def _toggle_panel(self, panel: Panel) -> None:
        """This panel in the place of the average, or the average again; levels are read anew, as marks may have changed."""
        if panel is self.shown:
            self._show_panel(self.average)
            return
        self._show_levels()
        self.link.fetch_levels(self._ladder)
        self._show_panel(panel)

    def _refit(self) -> None:
        self.average.refit()
        self.levels.refit()

    def _plus_minus(self) -> None:
        self._show_panel(self.average)
        self.average.plus_minus = not self.average.plus_minus
        self.average.refit()

    # -- other runs over the average ----------------------------------------------------------------------------------

    def _overlay_chosen(self) -> None:
        if self._rungs.rung is not None:
            self.toggle_overlay(self._rungs.rung)

    def toggle_overlay(self, rung: Rung) -> None:
        """The newest run of a rung that has an average, over the present one; or away again."""
        self._toggle(rung, 1)

    def _replicates(self) -> None:
        """The other runs of the level on the screen, over its average; or away again."""
        rung = next((rung for rung in self._ladder.rungs if rung.level == self._ladder.present), None)
        if rung is None:
            self._say("The level of this run is not known, so neither are its replicates")
        else:
            self._toggle(rung, MOST_OVERLAYS)

    def _toggle(self, rung: Rung, most: int) -> None:
        self._show_panel(self.average)
        folders = {replicate.folder for replicate in rung.replicates}
        drawn = [overlay for overlay in self.average.overlays if overlay.folder in folders]
        if drawn:
            self._overlay([overlay for overlay in self.average.overlays if overlay not in drawn])
            return
        here = None if self.link.view is None else self.link.view.run.folder.path
        others: list[Replicate] = [replicate for replicate in rung.replicates if replicate.folder != here]
        for replicate in others[:most]:
            self.link.fetch(replicate, rung.level)
        if not others:
            self._say(f"No other finished run at {rung.level} yet")

    def _overlay(self, overlays: list[Overlay]) -> None:
        self.average.overlays = self._rungs.overlays = overlays
        self.average.refit()
        self._rungs.update()

    # -- scale and zoom -----------------------------------------------------------------------------------------------

    def _charted(self) -> AveragePanel | LevelsPanel:
        """The panel that scale and zoom are about; the average comes back where there is none."""
        if self.shown is self.levels:
            return self.levels
        self._show_panel(self.average)
        return self.average

    def _ready(self) -> bool:
        if self._charted().is_filled:
            return True
        self._say("There is no average yet")
        return False

    def _fix(self) -> None:
        if self._ready():
            self.zoom.fix(self._charted().height_nv)
            self._scaled()

    def _step(self, up: bool) -> None:
        if self._ready():
            self.zoom.step(self._charted().height_nv, up)
            self._scaled()

    def _scaled(self) -> None:
        self._refit()
        fixed = self.zoom.scale_nv
        if fixed is None:
            self._say("The scale fits the curves")
        else:
            self._say(f"Scale fixed at ±{amplitude(fixed)} for all averages; Y lets it fit the curves again")

    def _zoom_key(self, factor: float, height: bool = False) -> None:
        if not self._ready():
            return
        panel = self._charted()
        if panel.chart.pointed is not None:
            ms, nv = panel.chart.value_at(panel.chart.pointed)
        else:
            cursors, curves = self.average.cursors, self.average.curves
            first, last = panel.whole_ms if curves is None else curves.latency_ms
            ms, nv = cursors.ms[cursors.chosen] if cursors.ms else (first + last) / 2, 0.0
        self._zoom(ms, nv, factor, height)

    def _zoom(self, ms: float, nv: float, factor: float, height: bool) -> None:
        panel = self._charted()
        if not height:
            self.zoom.zoom_time(panel.whole_ms, ms, factor)
        elif isinstance(panel, AveragePanel):
            self.zoom.zoom_height(panel.whole_nv, nv, factor)
        else:
            self.zoom.step(panel.height_nv, factor < 1)
        self._refit()

    def _shift(self, part: float) -> None:
        if not self.zoom.shift(self._charted().whole_ms, part):
            self._say("All of it is shown: Z zooms in")
        self._refit()

    def _whole(self) -> None:
        self.zoom.whole()
        self._refit()

    def _wheel(self, where: QPointF, notches: float, height: bool) -> None:
        self.link.touch()
        if self._ready():
            self._zoom(*self._charted().chart.value_at(where), NOTCH_ZOOM**-notches, height)

    def _area(self, one: QPointF, other: QPointF) -> None:
        """Zoom in on a rectangle; of stacked levels on its time."""
        self.link.touch()
        panel = self._charted()
        if abs(one.x() - other.x()) < LEAST_AREA_PX or abs(one.y() - other.y()) < LEAST_AREA_PX or not self._ready():
            return
        (first, low), (last, high) = (panel.chart.value_at(point) for point in (one, other))
        if isinstance(panel, AveragePanel):
            self.zoom.zoom_to((first, last), (low, high), panel.whole_ms, panel.whole_nv)
        else:
            self.zoom.zoom_to((first, last), (-1.0, 1.0), panel.whole_ms, (-1.0, 1.0))
        self._refit()

    def _double(self) -> None:
        """All of it again; the first of the two clicks has put no cursor then."""
        if self.mark_editor.run_marks is None:
            self.average.cursors.ms, self.average.cursors.chosen = self._before
            self._whole()

    # -- cursors, and what the left button does -----------------------------------------------------------------------

    def _cursor(self) -> None:
        self._show_panel(self.average)
        curves, cursors, chart = self.average.curves, self.average.cursors, self.average.chart
        if curves is None:
            self._say("There is no average yet")
            return
        default = curves.latency_ms[len(cursors.ms) % 2]
        cursors.put_or_switch(default if chart.pointed is None else chart.value_at(chart.pointed)[0])
        self._tell(curves)

    def _move_cursor(self, samples: int) -> None:
        self._show_panel(self.average)
        curves = self.average.curves
        if curves is None or not self.average.cursors.move(curves.times_ms, samples):
            self._say("There is no cursor: C, or a click on the average, puts one")
        else:
            self._tell(curves)

    def _clear_cursors(self) -> None:
        self.average.cursors.clear()
        self.average.chart.repaint_inside()

    def _tell(self, curves: Curves) -> None:
        self._say(" · ".join(self.average.cursors.words(curves)))
        self.average.chart.repaint_inside()

    def _press(self, where: QPointF) -> None:
        self.link.touch()
        chart, cursors, curves = self.average.chart, self.average.cursors, self.average.curves
        if curves is None:
            return
        self._before = (list(cursors.ms), cursors.chosen)
        ms, _ = chart.value_at(where)
        near_ms = abs(chart.value_at(QPointF(where.x() + GRAB_PX, where.y()))[0] - ms)
        self._dragging = cursors.take(ms, near_ms)
        if not self._dragging and self.mark_editor.run_marks is not None:
            self.mark_editor.press(where)
            return
        if not self._dragging:
            cursors.put(ms)
            self._dragging = True
        self._tell(curves)

    def _drag(self, where: QPointF) -> None:
        curves = self.average.curves
        if not self._dragging:
            self.mark_editor.drag(where)
        elif curves is not None:
            self.average.cursors.carry(self.average.chart.value_at(where)[0])
            self._tell(curves)

    def _release(self, where: QPointF) -> None:
        self._dragging = False
        self.mark_editor.release(where)


def _folders(ladder: Ladder) -> set[Path]:
    return {replicate.folder for rung in ladder.rungs for replicate in rung.replicates}
