"""Buffer between the acquisition thread and the window: it never waits, and its size is bounded."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from quietfloor.monitor.core.events import AverageNow, Event, LookDone
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.traces import Singles
from quietfloor.monitor.run.status import Notice, Status

SIGNAL_PIECES = 2000  # 100 s of pieces of 50 ms: a window that was held up that long shows the newest
AVERAGES = 4000  # as many as the view keeps
CURVES = ("average_uv", "a_uv", "b_uv", "plus_minus_uv")


@dataclass(frozen=True)
class FeedBatch:
    """What arrived since the last ``take``, each list in order of time."""

    events: list[Event | Notice]
    signal: list[tuple[float, Singles]]
    averages: list[tuple[LookDone, AverageNow]]


class Feed:
    """Transfer from the acquisition thread (``on_event``, ``on_signal``, ``on_status``) to the window (``take``), without a
    lock."""

    def __init__(self) -> None:
        self._events: deque[Event | Notice] = deque()
        self._signal: deque[tuple[float, Singles]] = deque(maxlen=SIGNAL_PIECES)
        self._averages: deque[tuple[LookDone, AverageNow]] = deque(maxlen=AVERAGES)

    def on_event(self, event: Event | Notice) -> None:
        self._events.append(event)

    def on_signal(self, first_raw: float, filtered_uv: Floats) -> None:
        """Take a piece of filtered signal (n_channels, n); it is copied, because the engine may reuse its memory."""
        self._signal.append((first_raw, np.array(filtered_uv, dtype=np.float32)))

    def on_status(self, status: Status) -> None:
        """The status after a look: its averages are kept, those of the deciding channel alone."""
        if status.look is not None and status.average is not None:
            self._averages.append((status.look, deciding(status.average)))

    def take(self) -> FeedBatch:
        """Everything that arrived since the last call, in order."""
        events, signal, averages = [], [], []
        while self._averages:  # before the events: a look is told before its average, never after it
            averages.append(self._averages.popleft())
        while self._events:
            events.append(self._events.popleft())
        while self._signal:
            signal.append(self._signal.popleft())
        return FeedBatch(events, signal, averages)


def deciding(average: AverageNow) -> AverageNow:
    """The average of the deciding channel (1, n_times) in single precision: a view keeps thousands of these."""
    curves: dict[str, Any] = {name: np.array(getattr(average, name)[:1], dtype=np.float32) for name in CURVES}
    return replace(average, **curves)
