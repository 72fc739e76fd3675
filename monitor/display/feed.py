"""The door between the acquisition thread and whoever draws: it never waits, and what it holds is bounded."""

from __future__ import annotations

from collections import deque

import numpy as np

from monitor.core.events import Event
from monitor.core.samples import Floats
from monitor.status import Notice

SIGNAL_PIECES = 2000  # 100 s of pieces of 50 ms: a window that was held up that long shows the newest


class Feed:
    """Filled on the acquisition thread (``event``, ``tap``), emptied on the window's (``take``); deques need no lock for this."""

    def __init__(self) -> None:
        self._events: deque[Event | Notice] = deque()
        self._signal: deque[tuple[float, Floats]] = deque(maxlen=SIGNAL_PIECES)

    def event(self, event: Event | Notice) -> None:
        self._events.append(event)

    def tap(self, first_raw: float, filtered_uv: Floats) -> None:
        """A piece of filtered signal (n_channels, n); copied, as the engine may go on with its memory."""
        self._signal.append((first_raw, np.array(filtered_uv, dtype=np.float32)))

    def take(self) -> tuple[list[Event | Notice], list[tuple[float, Floats]]]:
        """All that came since, in order."""
        events, signal = [], []
        while self._events:
            events.append(self._events.popleft())
        while self._signal:
            signal.append(self._signal.popleft())
        return events, signal
