"""The looks of a run with their averages, and moments of its stream: bounded, quick to search."""

from __future__ import annotations

from bisect import bisect_left, bisect_right

import numpy as np

from monitor.core.events import AverageNow, LookDone
from monitor.core.samples import Floats
from monitor.display.feed import CURVES

MOST_LOOKS = 4000  # kept with their averages of 6 kB: about 25 MB; then every second of the older half goes
MOST_MOMENTS = 60_000


class Kept:
    """The looks of a run with their averages, oldest first; ``figures`` (3, n): residual noise, standing, sweeps accepted."""

    def __init__(self) -> None:
        self.looks: list[LookDone] = []
        self.averages: list[AverageNow | None] = []
        self._samples: list[int] = []
        self._figures = np.empty((3, 256))

    def __len__(self) -> int:
        return len(self.looks)

    def add(self, look: LookDone) -> None:
        self.looks.append(look)
        self.averages.append(None)
        self._samples.append(look.sample)
        count = len(self.looks)
        if count > self._figures.shape[1]:
            self._figures = np.concatenate([self._figures, np.empty_like(self._figures)], axis=1)
        self._figures[:, count - 1] = look.residual_noise_nv, look.standing, look.sweeps_accepted
        if count > MOST_LOOKS:
            self._thin()

    def _thin(self) -> None:
        half = MOST_LOOKS // 2
        kept = [*range(0, half, 2), *range(half, len(self.looks))]
        self.looks = [self.looks[place] for place in kept]
        self.averages = [self.averages[place] for place in kept]
        self._samples = [self._samples[place] for place in kept]
        self._figures[:, : len(kept)] = self._figures[:, kept]

    def average_of(self, look: LookDone, average: AverageNow) -> None:
        """The averages as they stood at a look that was added before; those of a look that is forgotten are dropped."""
        place = bisect_right(self._samples, look.sample) - 1
        while place >= 0 and self._samples[place] == look.sample:
            if self.looks[place] == look:
                earlier = next((a for a in self.averages[max(0, place - 3) : place] if a is not None), None)
                if earlier is not None and np.array_equal(earlier.times_ms, average.times_ms):
                    average = AverageNow(earlier.times_ms, *(getattr(average, name) for name in CURVES))  # one grid for all
                self.averages[place] = average
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
        """The averages of a look; of the nearest earlier one with its place, where none came with it."""
        for earlier in range(place, -1, -1):
            if self.averages[earlier] is not None:
                return earlier, self.averages[earlier]
        return place, None


class Moments:
    """Raw sample numbers in rising order; the oldest half goes when there are too many."""

    def __init__(self) -> None:
        self._at: list[float] = []

    def add(self, positions: tuple[float, ...]) -> None:
        self._at.extend(positions)
        if len(self._at) > MOST_MOMENTS:
            del self._at[: MOST_MOMENTS // 2]

    def between(self, start: float, stop: float) -> Floats:
        """Those from ``start`` to ``stop``."""
        return np.array(self._at[bisect_left(self._at, start) : bisect_right(self._at, stop)])
