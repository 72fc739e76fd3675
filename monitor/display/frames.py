"""Durations of frames: the work of a tick and the painting after it."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from quietfloor.monitor.core.samples import Floats

KEPT = 20_000  # more than ten minutes


class FrameTimes:
    """Durations of frames. Call ``worked`` at the end of each tick, and ``painted`` after the painting that it caused. All times
    are in s, by the wall clock and by the clock of the thread, which stops while other programs use the processor."""

    def __init__(self) -> None:
        self._frames: deque[float] = deque(maxlen=KEPT)
        self._busy: deque[float] = deque(maxlen=KEPT)
        self._starts: deque[float] = deque(maxlen=KEPT)

    def worked(self, took_s: float, busy_s: float, began_s: float) -> None:
        self._frames.append(took_s)
        self._busy.append(busy_s)
        self._starts.append(began_s)

    def painted(self, took_s: float, busy_s: float) -> None:
        """Belongs to the last tick."""
        if self._frames:
            self._frames[-1] += took_s
            self._busy[-1] += busy_s

    def clear(self) -> None:
        for times in (self._frames, self._busy, self._starts):
            times.clear()

    @property
    def frames_ms(self) -> Floats:
        """(n,) work and painting of each frame."""
        return 1e3 * np.array(self._frames)

    @property
    def busy_ms(self) -> Floats:
        """(n,) the same by the clock of the thread."""
        return 1e3 * np.array(self._busy)

    @property
    def intervals_ms(self) -> Floats:
        """(n - 1,) from the start of each frame to the next."""
        return 1e3 * np.diff(np.array(self._starts))

    @property
    def words(self) -> str:
        """Summary of about the last ten seconds, in words."""
        frames, intervals = self.frames_ms[-300:], self.intervals_ms[-300:]
        if len(frames) < 2:
            return "no frames yet"
        rate = 1e3 / float(np.mean(intervals)) if np.mean(intervals) > 0 else math.nan
        middle, late = np.percentile(frames, [50, 99])
        return f"frames: {middle:.1f} ms usually, {late:.1f} ms at 99 of 100, {frames.max():.1f} ms at most; {rate:.0f} a second"
