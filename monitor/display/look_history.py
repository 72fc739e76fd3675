"""The looks of a run with their averages, and moments of its stream: bounded, quick to search."""

from __future__ import annotations

from bisect import bisect_left, bisect_right

import numpy as np

from quietfloor.monitor.core.events import AverageNow, LookDone
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.feed import CURVES
from quietfloor.monitor.display.traces import Singles

MOST_LOOKS = 3000  # then every second of the older half goes
MOST_MOMENTS = 60_000


class LookHistory:
    """Looks of a run with their averages, oldest first; ``figures`` (3, n): residual noise, standing, sweeps accepted.

    The memory for the averages is reserved with the first one (17 MB for the usual epoch), so that it does not grow during the
    run.
    """

    def __init__(self) -> None:
        self.looks: list[LookDone] = []
        self._samples: list[int] = []
        self._figures = np.empty((3, MOST_LOOKS + 1))
        self._times_ms: Floats = np.empty(0)
        self._curves: Singles = np.empty((0, len(CURVES), 0), dtype=np.float32)
        self._known = np.zeros(MOST_LOOKS + 1, dtype=bool)  # which looks have an average of their own

    def __len__(self) -> int:
        return len(self.looks)

    def add(self, look: LookDone) -> None:
        count = len(self.looks)
        self.looks.append(look)
        self._samples.append(look.sample)
        self._figures[:, count] = look.residual_noise_nv, look.standing, look.sweeps_accepted
        self._known[count] = False
        if count == MOST_LOOKS:
            self._thin()

    def _thin(self) -> None:
        half = MOST_LOOKS // 2
        kept = [*range(0, half, 2), *range(half, len(self.looks))]
        self.looks = [self.looks[place] for place in kept]
        self._samples = [self._samples[place] for place in kept]
        for to, place in enumerate(kept):  # one after the other: no second store of that size
            self._figures[:, to], self._known[to] = self._figures[:, place], self._known[place]
            if len(self._curves):
                self._curves[to] = self._curves[place]

    def average_of(self, look: LookDone, average: AverageNow) -> None:
        """Store the averages of a look that was added before; those of a look that was dropped are ignored."""
        if not len(self._curves):
            self._times_ms = average.times_ms
            self._curves = np.full((MOST_LOOKS + 1, len(CURVES), len(average.times_ms)), np.nan, dtype=np.float32)
        place = bisect_right(self._samples, look.sample) - 1
        while place >= 0 and self._samples[place] == look.sample:
            if self.looks[place] == look:
                self._curves[place] = [getattr(average, name)[0] for name in CURVES]
                self._known[place] = True
                return
            place -= 1

    def figures(self, count: int) -> Floats:
        """(3, count) of the oldest ``count`` looks."""
        return self._figures[:, :count]

    def every(self, raw: float, count: int) -> tuple[int, ...]:
        """Places among the oldest ``count`` looks at which another ``raw`` samples are over."""
        passed = np.array(self._samples[:count]) // raw
        return tuple((np.flatnonzero(np.diff(passed)) + 1).tolist())

    def at(self, raw: float) -> int:
        """Place of the newest look that was known at raw sample ``raw``; the first, where that is before it."""
        return max(0, bisect_right(self._samples, raw) - 1)

    def average_at(self, place: int) -> tuple[int, AverageNow | None]:
        """The averages (1, n_times) of a look; of the nearest earlier one with its place, where none came with it."""
        known = np.flatnonzero(self._known[: place + 1])
        if not len(known):
            return place, None
        curves = self._curves[known[-1]].astype(np.float64)
        return int(known[-1]), AverageNow(self._times_ms, *curves[:, np.newaxis])


class Moments:
    """Raw sample numbers in rising order; the oldest half is dropped when there are too many."""

    def __init__(self) -> None:
        self._at: list[float] = []

    def add(self, positions: tuple[float, ...]) -> None:
        self._at.extend(positions)
        if len(self._at) > MOST_MOMENTS:
            del self._at[: MOST_MOMENTS // 2]

    def between(self, start: float, stop: float) -> Floats:
        """Those from ``start`` to ``stop``."""
        return np.array(self._at[bisect_left(self._at, start) : bisect_right(self._at, stop)])
