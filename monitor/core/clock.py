"""The sender's time stamps: gaps, jumps, and the measured rate. Samples are counted; stamps never move a sweep."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import median

import numpy as np

from .events import RateMismatch
from .samples import Floats

WINDOW_S = 0.25  # the usual scatter of stamps is learned in windows of this length
WINDOWS = 16
FIRST_LIMIT_S = 0.1  # a jump that is a gap before the scatter is known
LEAST_LIMIT = 0.75  # of a sample: one lost sample is a jump of 1
EVEN = 0.1  # of a sample: stamps that usually scatter less were counted by the sender, not read off a clock at each push
UNEVEN_LIMIT_S = 0.02  # a busy machine holds a sender up by 5 to 20 ms now and then (seen at load 5); nothing is lost by that
FIT_EVERY_S = 0.1
RATE_CHECK_S = 10.0  # stamps need about this long to tell 100 ppm from their own scatter
RATE_PPM = (100.0, 1000.0)  # say so; serious


@dataclass(frozen=True)
class Jump:
    """Stamps moved on by ``by_s`` more than one sample (negative: they went back) just before sample ``index``.

    ``lost_samples`` is what is missing up to there, net of jumps that were taken back (a stalled sender delivers late).
    """

    index: int
    by_s: float
    lost_samples: int


class StampWatch:
    """Finds jumps between neighbouring stamps that are larger than this stream's own scatter.

    Many senders stamp whole chunks when they push them, so neighbouring chunks scatter by milliseconds although no
    sample is missing. The limit is 4 x the median of the largest step per quarter second; at least 0.75 samples where
    stamps are even, 20 ms where they are not (so there a shorter gap cannot be told from a sender that was held up).
    Everything is decided sample by sample on a fixed grid: cutting the stream differently changes nothing.
    """

    def __init__(self, rate_hz: float) -> None:
        self._period_s = 1.0 / rate_hz
        self._window = max(8, round(WINDOW_S * rate_hz))
        self._maxima: deque[float] = deque(maxlen=WINDOWS)
        self._current = 0.0
        self._index = 0
        self._last = np.nan
        self._offset_s = 0.0  # net of all jumps so far
        self.limit_s = FIRST_LIMIT_S

    def feed(self, stamps_s: Floats) -> list[Jump]:
        """Next stamps (n,) -> the jumps among them, in order. A step to or from a stamp that is not finite is none."""
        if not len(stamps_s):
            return []
        steps = np.empty(len(stamps_s))
        steps[0] = stamps_s[0] - self._last
        steps[1:] = stamps_s[1:] - stamps_s[:-1]
        steps -= self._period_s
        if not np.isfinite(steps).all():
            steps[~np.isfinite(steps)] = 0.0
        self._last = float(stamps_s[-1])
        jumps: list[Jump] = []
        start = 0
        while start < len(steps):
            stop = min(len(steps), start + self._window - self._index % self._window)
            sizes = np.abs(steps[start:stop])
            largest = float(sizes.max())
            if largest > self.limit_s:
                for at in np.flatnonzero(sizes > self.limit_s):
                    jumps.append(self._jump(self._index + int(at), float(steps[start + at])))
            self._current = max(self._current, largest)
            self._index += stop - start
            if self._index % self._window == 0:
                self._close_window()
            start = stop
        return jumps

    def _jump(self, index: int, by_s: float) -> Jump:
        self._offset_s += by_s
        return Jump(index, by_s, max(0, round(self._offset_s / self._period_s)))

    def _close_window(self) -> None:
        self._maxima.append(self._current)
        self._current = 0.0
        if len(self._maxima) >= 4:
            usual_s = median(self._maxima)
            least_s = LEAST_LIMIT * self._period_s
            self.limit_s = max(least_s, 4.0 * usual_s, UNEVEN_LIMIT_S if usual_s > EVEN * self._period_s else 0.0)


class RateFit:
    """Straight line through every so-many-th stamp of one unbroken segment: the measured rate and its standard error.

    Stamps count where the sample number is a multiple of ``every``.
    """

    def __init__(self, rate_hz: float, begin: int = 0) -> None:
        self.nominal_hz = rate_hz
        self.every = max(1, round(FIT_EVERY_S * rate_hz))
        self._begin = self._index = begin
        self._origin_s = np.nan
        self._n = 0
        self._sums = np.zeros(5)  # k, t, kk, kt, tt with t the deviation from the nominal line

    def feed(self, stamps_s: Floats) -> None:
        for at in range(-self._index % self.every, len(stamps_s), self.every):
            k = float(self._index + at - self._begin)
            if self._n == 0:
                self._origin_s = float(stamps_s[at]) - k / self.nominal_hz
            t = float(stamps_s[at]) - self._origin_s - k / self.nominal_hz
            self._sums += (k, t, k * k, k * t, t * t)
            self._n += 1
        self._index += len(stamps_s)

    @property
    def samples(self) -> int:
        return self._index - self._begin

    def ppm(self) -> tuple[float, float]:
        """Deviation of the measured from the nominal rate, and its standard error, both in parts per million.

        The error assumes independent scatter of the stamps, so it is only a guide; nan before 1 s of stamps.
        """
        n = self._n
        if n < 11:
            return np.nan, np.nan
        k, t, kk, kt, tt = self._sums / n
        spread = kk - k * k
        slope = (kt - k * t) / spread  # s per sample beyond the nominal period
        residual = max(0.0, (tt - t * t) - slope * (kt - k * t)) * n / (n - 2)
        ppm = (1.0 / (1.0 + slope * self.nominal_hz) - 1.0) * 1e6
        return float(ppm), float(np.sqrt(residual / n / spread)) * self.nominal_hz * 1e6


class RateWatch:
    """Compares measured and nominal rate every 10 s of the first segment that lasts that long."""

    def __init__(self, rate_hz: float) -> None:
        self.fit = RateFit(rate_hz)
        self.told_ppm = 0.0  # largest limit that was passed
        self._check = int(RATE_CHECK_S * rate_hz)
        self._open = True

    def broken(self, index: int) -> None:
        """The stamps jump before sample ``index``: a line through them ends there."""
        if self.fit.samples < self._check:
            self.fit = RateFit(self.fit.nominal_hz, index)
        else:
            self._open = False

    def feed(self, stamps_s: Floats, index: int) -> list[RateMismatch]:
        """Stamps (n,) of samples from ``index`` on -> what has to be said about them."""
        said = []
        start = 0 if self._open else len(stamps_s)
        while start < len(stamps_s):
            stop = min(len(stamps_s), start + self._check - self.fit.samples % self._check)
            self.fit.feed(stamps_s[start:stop])
            if self.fit.samples % self._check == 0:
                said += self._compare(index + stop - 1)
            start = stop
        return said

    def _compare(self, sample: int) -> list[RateMismatch]:
        ppm, error = self.fit.ppm()
        passed = max((limit for limit in RATE_PPM if abs(ppm) > limit + 6 * error), default=0.0)
        if passed <= self.told_ppm:
            return []
        self.told_ppm = passed
        nominal = self.fit.nominal_hz
        return [RateMismatch(sample, nominal, nominal * (1 + ppm * 1e-6), ppm, passed == RATE_PPM[-1])]
