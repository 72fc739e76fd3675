"""What the window and the command of a session say to each other between two runs. Plain Python, no Qt.

The command shows a sight of the session, and waits for a wish of the user. Each wish is carried out by the command, which then
shows the next sight. The window never waits, and changes nothing by itself.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Literal

from quietfloor.monitor.display.session_sight import SessionSight
from quietfloor.monitor.readiness.listener import Report

Wanted = Literal[
    "start", "repeat", "louder", "softer", "condition", "mask", "kind", "discard", "restore", "note", "report", "files",
]  # fmt: skip
POLL_S = 0.1


@dataclass(frozen=True)
class Wish:
    """What the user wants. ``text``: a note, or the reason for a discard. ``steps``: so many conditions further; ``index``: that
    condition of the plan, -1 for none in particular."""

    what: Wanted
    text: str = ""
    steps: int = 0
    index: int = -1


@dataclass
class SessionTalk:
    """``sight``: the session as it is now, None where the command is about no session. ``checked``: the last check of the
    electrodes before a run, with its moment on the clock of ``time.monotonic``."""

    sight: SessionSight | None = None
    checked: tuple[Report, float] | None = None
    waiting: bool = False  # the command waits for a wish
    since_s: float = 0.0  # from when on
    listening: bool = False  # nothing of an earlier wish is left to do
    _wishes: deque[Wish] = field(default_factory=deque)
    _wake: threading.Event = field(default_factory=threading.Event)

    # -- the command's side -------------------------------------------------------------------------------------------

    @contextmanager
    def between_runs(self) -> Iterator[None]:
        """Wishes are taken while this lasts, and none of them is left for later: a key pressed too often starts no second run."""
        self._wishes.clear()
        self.since_s, self.waiting = time.monotonic(), True
        try:
            yield
        finally:
            self.waiting = False
            self._wishes.clear()

    def next_wish(self, sight: SessionSight, gone: Callable[[], bool]) -> Wish | None:
        """Show the session and wait for a wish; None: there is no window any more."""
        self.sight, self.listening = sight, True
        while not gone():
            self._wake.clear()
            if self._wishes:
                self.listening = False
                return self._wishes.popleft()
            self._wake.wait(POLL_S)
        return None

    # -- the window's side --------------------------------------------------------------------------------------------

    @property
    def idle(self) -> bool:
        """Whether every wish was carried out and the next one is waited for."""
        return self.waiting and self.listening and not self._wishes

    def wish(self, wish: Wish) -> bool:
        """Pass on a wish; whether the command waits for one."""
        if not self.waiting:
            return False
        self._wishes.append(wish)
        self._wake.set()
        return True
