"""Marks on the waves, by mouse and keys: between the average panel, which paints and is clicked, and the desk, which knows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PyQt5.QtCore import QPointF

from quietfloor.monitor.display.panel_average import AveragePanel
from quietfloor.monitor.display.stage import OVER, Scene
from quietfloor.monitor.display.waves import WaveDesk
from quietfloor.monitor.storage.run_folder import FolderError

GRAB_PX = 10  # a mark is meant by a click this near


class Waving:
    """Off until it is asked for; a run has to be over, so that nothing here can slow it down. ``say`` takes words for the bar."""

    def __init__(self, panel: AveragePanel, say: Callable[[str], None]) -> None:
        self._panel, self._say = panel, say
        self.desk: WaveDesk | None = None
        self._dragging = self._moved = False
        self.deeds: dict[str, Callable[[WaveDesk], str]] = {
            "waves": lambda desk: desk.words,
            "wave_next": WaveDesk.choose_next,
            "wave_earlier": lambda desk: desk.move(-1),
            "wave_later": lambda desk: desk.move(1),
            "wave_remove": WaveDesk.remove,
            "wave_again": WaveDesk.suggest_again,
        }
        chart = panel.chart
        chart.on_press, chart.on_drag, chart.on_release = self._press, self._drag, self._release

    def do(self, name: str, scene: Scene | None, overlaid: Sequence[Path]) -> None:
        """Carry out a key. ``overlaid``: runs that are drawn over this one, which it is compared with."""
        if name == "waves" and self.desk is not None:
            self.leave()
            return
        if self.desk is None and not self._open(scene):
            return
        assert self.desk is not None
        desk = self.desk
        if name == "waves" and overlaid:
            self._carry_out(lambda: desk.beside(overlaid) or desk.words)
        else:
            self._carry_out(lambda: self.deeds[name](desk))

    def leave(self) -> None:
        """No marks any more; what was kept stays kept."""
        self.desk, self._dragging, self._moved = None, False, False
        self._show()

    def _open(self, scene: Scene | None) -> bool:
        if scene is None or (scene.live is not None and scene.run.status.state not in OVER):
            self._say("Waves can be marked when the run is over")
            return False
        try:
            self.desk = WaveDesk(scene.run.folder.path)
        except (OSError, ValueError, FolderError) as error:
            self._say(f"There is nothing to mark: {error}")
            return False
        return True

    def _press(self, where: QPointF) -> None:
        if self.desk is None:
            return
        ms, _ = self._panel.chart.value_at(where)
        near_ms = abs(self._panel.chart.value_at(QPointF(where.x() + GRAB_PX, where.y()))[0] - ms)
        wave = self.desk.nearest(ms, near_ms)
        desk = self.desk
        if wave is not None:
            self._dragging = True
            self._carry_out(lambda: desk.choose(wave))
        elif desk.marks.get(desk.chosen) is None:
            self._carry_out(lambda: desk.place(ms))

    def _drag(self, where: QPointF) -> None:
        if self.desk is not None and self._dragging:
            desk, (ms, _) = self.desk, self._panel.chart.value_at(where)
            self._carry_out(lambda: desk.place(ms, keeping=False))
            self._moved = True

    def _release(self, _: QPointF) -> None:
        if self.desk is not None and self._moved:
            self._carry_out(self.desk.keep)
        self._dragging = self._moved = False

    def _carry_out(self, deed: Callable[[], str]) -> None:
        try:
            self._say(deed())
        except (OSError, ValueError, FolderError) as error:
            self._say(str(error))
        self._show()

    def _show(self) -> None:
        self._panel.spots = () if self.desk is None else self.desk.spots
        self._panel.chart.repaint_inside()
