"""Panels that show a new look take turns, one a frame, so that no frame has the work of all of them."""

from __future__ import annotations

from collections.abc import Callable

from quietfloor.monitor.display.model import ViewModel
from quietfloor.monitor.display.panel import Panel

Turn = tuple[Panel, Callable[[ViewModel], None]]


class Turns:
    """Each panel with what brings it up to date. A panel shows what is newest when its turn comes; at 30 frames a second the
    third of three is 66 ms late."""

    def __init__(self, *turns: Turn) -> None:
        self._turns = turns
        self._due: list[Turn] = []

    def ask(self) -> None:
        """All have something new to show. Those that wait already keep their place, so that no look comes too fast for one."""
        self._due += [turn for turn in self._turns if turn not in self._due]

    def take(self, model: ViewModel, at_once: bool = False) -> None:
        """Bring the next one up to date, or all of them."""
        count = len(self._due) if at_once else 1
        turns, self._due = self._due[:count], self._due[count:]
        for panel, show in turns:
            panel.show_safely(lambda show=show: show(model))  # type: ignore[misc]
