"""Keys of the pictures of a run: halves, plus-minus average, height of the EEG, averages of other runs over the present one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from quietfloor.monitor.display.ladder import Level, Overlay, Replicate, Rung
from quietfloor.monitor.display.window_layout import Layout

MOST_OVERLAYS = 3
TALLEST = 16.0


class PictureKeys:
    """``fetch`` loads the average of an earlier run aside, ``here`` is the folder of the run on the screen, ``say`` is told what
    cannot be done."""

    def __init__(
        self, layout: Layout, fetch: Callable[[Replicate, Level], None], here: Callable[[], Path | None],
        say: Callable[[str], None],
    ) -> None:  # fmt: skip
        self._average, self._eeg, self._rungs, self._board = layout.average, layout.eeg, layout.ladder.rungs, layout.board.view
        self._fetch, self._here, self._say = fetch, here, say
        self._rungs.asked.connect(self.toggle_overlay)
        self.deeds: dict[str, Callable[[], None]] = {
            "halves": self._halves, "plus_minus": self._plus_minus, "taller": lambda: self._times(2.0),
            "flatter": lambda: self._times(0.5), "rung_up": lambda: self._rungs.choose(-1),
            "rung_down": lambda: self._rungs.choose(1), "overlay": self._overlay,
        }  # fmt: skip

    def _halves(self) -> None:
        self._average.halves = self._board.halves = not self._average.halves
        self._board.update()
        self._average.refit()

    def _plus_minus(self) -> None:
        self._average.plus_minus = not self._average.plus_minus
        self._average.refit()

    def _times(self, factor: float) -> None:
        self._eeg.times_taller = min(max(self._eeg.times_taller * factor, 1 / TALLEST), TALLEST)
        self._eeg.chart.repaint_inside()

    def _overlay(self) -> None:
        if self._rungs.rung is not None:
            self.toggle_overlay(self._rungs.rung)

    def toggle_overlay(self, rung: Rung) -> None:
        """The newest run of a rung that has an average, over the present one; or away again."""
        folders = {replicate.folder for replicate in rung.replicates}
        drawn = [overlay for overlay in self._average.overlays if overlay.folder in folders]
        if drawn:
            self._draw([overlay for overlay in self._average.overlays if overlay not in drawn])
            return
        here = self._here()
        others = [replicate for replicate in rung.replicates if replicate.folder != here]
        if others:
            self._fetch(others[0], rung.level)
        else:
            self._say(f"No other finished run at {rung.level} yet")

    def fetched(self, overlay: Overlay) -> None:
        """Draw an average that was asked for; the oldest goes where there are too many."""
        self._draw([*self._average.overlays, overlay][-MOST_OVERLAYS:])

    def _draw(self, overlays: list[Overlay]) -> None:
        self._average.overlays = overlays
        self._rungs.overlays = overlays
        self._average.refit()
        self._rungs.update()
