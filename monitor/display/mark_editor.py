"""Marks on the waves, by mouse and keys: the average panel paints and is clicked, ``RunMarks`` holds the marks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PyQt5.QtCore import QPointF

from quietfloor.monitor.display.panel_average import AveragePanel
from quietfloor.monitor.display.run_view import OVER, RunView
from quietfloor.monitor.display.waves import RunMarks
from quietfloor.monitor.storage.run_folder import FolderError

GRAB_PX = 10  # a mark is meant by a click this near


class MarkEditor:
    """Editor of marks. It is off until requested, and needs a finished run, so that it cannot slow down a run. ``say`` shows a
    message in the bar."""

    def __init__(self, panel: AveragePanel, say: Callable[[str], None]) -> None:
        self._panel, self._say = panel, say
        self.run_marks: RunMarks | None = None
        self._dragging = self._moved = False
        self.deeds: dict[str, Callable[[RunMarks], str]] = {
            "waves": lambda run_marks: run_marks.words,
            "wave_next": RunMarks.choose_next,
            "wave_earlier": lambda run_marks: run_marks.move(-1),
            "wave_later": lambda run_marks: run_marks.move(1),
            "wave_remove": RunMarks.remove,
            "wave_again": RunMarks.suggest_again,
        }

    def do(self, name: str, view: RunView | None, overlaid: Sequence[Path]) -> None:
        """Carry out a key. ``overlaid``: runs that are drawn over this one, which it is compared with."""
        if name == "waves" and self.run_marks is not None:
            self.leave()
            return
        if self.run_marks is None and not self._open(view):
            return
        assert self.run_marks is not None
        run_marks = self.run_marks
        if name == "waves" and overlaid:
            self._carry_out(lambda: run_marks.beside(overlaid) or run_marks.words)
        else:
            self._carry_out(lambda: self.deeds[name](run_marks))

    def leave(self) -> None:
        """Hide the marks; stored marks are kept."""
        self.run_marks, self._dragging, self._moved = None, False, False
        self._show()

    def _open(self, view: RunView | None) -> bool:
        if view is None or (view.live is not None and view.run.status.state not in OVER):
            self._say("Waves can be marked when the run is over")
            return False
        try:
            self.run_marks = RunMarks(view.run.folder.path)
        except (OSError, ValueError, FolderError) as error:
            self._say(f"There is nothing to mark: {error}")
            return False
        return True

    def press(self, where: QPointF) -> None:
        if self.run_marks is None:
            return
        ms, _ = self._panel.chart.value_at(where)
        near_ms = abs(self._panel.chart.value_at(QPointF(where.x() + GRAB_PX, where.y()))[0] - ms)
        wave = self.run_marks.nearest(ms, near_ms)
        run_marks = self.run_marks
        if wave is not None:
            self._dragging = True
            self._carry_out(lambda: run_marks.choose(wave))
        elif run_marks.marks.get(run_marks.chosen) is None:
            self._carry_out(lambda: run_marks.place(ms))

    def drag(self, where: QPointF) -> None:
        if self.run_marks is not None and self._dragging:
            run_marks, (ms, _) = self.run_marks, self._panel.chart.value_at(where)
            self._carry_out(lambda: run_marks.place(ms, keeping=False))
            self._moved = True

    def release(self, _: QPointF) -> None:
        if self.run_marks is not None and self._moved:
            self._carry_out(self.run_marks.keep)
        self._dragging = self._moved = False

    def _carry_out(self, deed: Callable[[], str]) -> None:
        try:
            self._say(deed())
        except (OSError, ValueError, FolderError) as error:
            self._say(str(error))
        self._show()

    def _show(self) -> None:
        self._panel.spots = () if self.run_marks is None else self.run_marks.spots
        self._panel.chart.repaint_inside()
