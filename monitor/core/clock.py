"""The sender's time stamps: gaps, jumps, and the measured rate. Samples are counted; stamps never move a sweep."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from .samples import Floats

WINDOW_S = 0.25  # the usual scatter of stamps is learned in windows of this length
WINDOWS = 16
FIRST_LIMIT_S = 0.1  # a jump that is a gap before the scatter is known
FIT_EVERY_S = 0.1


@dataclass(frozen=True)
class Jump:
    """Stamps moved on by ``by_s`` more than one sample (negative: they went back) just before sample ``index``."""

    index: int
    by_s: float


class StampWatch:
    """Finds jumps between neighbouring stamps that are larger than this stream's own scatter.

    Many senders stamp whole chunks when they push them, so neighbouring chunks scatter by milliseconds although no
    sample is missing. The limit is 4 x the median of the largest step per quarter second, at least 1.5 samples.
    Everything is decided sample by sample on a fixed grid: cutting the stream differently changes nothing.
    """

    def __init__(self, rate_hz: float) -> None:
        self._period_s = 1.0 / rate_hz
        self._window = max(8, round(WINDOW_S * rate_hz))
        self._maxima: deque[float] = deque(maxlen=WINDOWS)
        self._current = 0.0
        self._index = 0
        self._last = np.nan
        self.offset_s = 0.0  # net of all jumps so far

    @property
    def lost_samples(self) -> int:
        """Samples missing so far, net of jumps that were taken back (a stalled sender that delivers late)."""
        return max(0, round(self.offset_s / self._period_s))

    @property
    def limit_s(self) -> float:
        if len(self._maxima) < 4:
            return FIRST_LIMIT_S
        return float(max(1.5 * self._period_s, 4.0 * float(np.median(self._maxima))))

    def feed(self, stamps_s: Floats) -> list[Jump]:
        """Next stamps (n,) -> the jumps among them, in order."""
        steps = np.diff(np.concatenate([[self._last], stamps_s])) - self._period_s
        jumps: list[Jump] = []
        start = 0
        while start < len(stamps_s):
            stop = min(len(stamps_s), start + self._window - self._index % self._window)
            part = np.nan_to_num(np.abs(steps[start:stop]))
            for at in np.flatnonzero(part > self.limit_s):
                by_s = float(steps[start + at])
                jumps.append(Jump(self._index + int(at), by_s))
                self.offset_s += by_s
            self._current = max(self._current, float(part.max()))
            self._index += stop - start
            if self._index % self._window == 0:
                self._maxima.append(self._current)
                self._current = 0.0
            start = stop
        if len(stamps_s):
            self._last = float(stamps_s[-1])
        return jumps


class RateFit:
    """Straight line through every so-many-th stamp of one unbroken segment: the measured rate and its standard error."""

    def __init__(self, rate_hz: float) -> None:
        self.nominal_hz = rate_hz
        self._every = max(1, round(FIT_EVERY_S * rate_hz))
        self._index = 0
        self._origin_s = np.nan
        self._n = 0
        self._sums = np.zeros(5)  # k, t, kk, kt, tt with t the deviation from the nominal line

    def feed(self, stamps_s: Floats) -> None:
        first = -self._index % self._every
        for at in range(first, len(stamps_s), self._every):
            k = float(self._index + at)
            if self._n == 0:
                self._origin_s = float(stamps_s[at]) - k / self.nominal_hz
            t = float(stamps_s[at]) - self._origin_s - k / self.nominal_hz
            self._sums += (k, t, k * k, k * t, t * t)
            self._n += 1
        self._index += len(stamps_s)

    @property
    def duration_s(self) -> float:
        return self._index / self.nominal_hz

    def ppm(self) -> tuple[float, float]:
        """Deviation of the measured from the nominal rate, and its standard error, both in parts per million.

        The error assumes independent scatter of the stamps, so it is only a guide; nan before 1 s of stamps.
        """
        n = self._n
        if n < 11:
            return np.nan, np.nan
        k, t, kk, kt, tt = self._sums / n
        spread = kk - k * k
        slope = (kt - k * t) / spread
        residual = max(0.0, (tt - t * t) - slope * (kt - k * t)) * n / (n - 2)
        return -slope * self.nominal_hz * 1e6, float(np.sqrt(residual / n / spread)) * self.nominal_hz * 1e6
