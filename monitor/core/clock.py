"""Time stamps of the sender: gaps, jumps, and the measured rate. Samples are counted; stamps never move a sweep.

Some senders compute stamps by counting, so stamps alone cannot prove the rate. The rate is therefore also compared with the clock
of the receiving machine; its time is passed in as an argument.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

from .events import RateMismatch
from .samples import Bools, Floats

WINDOW_S = 0.25  # the usual scatter of stamps is learned in windows of this length
WINDOWS = 16
FIRST_LIMIT_S = 0.1  # limit for a jump before the scatter is known
LEAST_LIMIT = 0.75  # of a sample: one lost sample is a jump of 1
EVEN = 0.1  # of a sample: a sender whose stamps scatter less computes them by counting, not from a clock
UNEVEN_LIMIT_S = 0.02  # a busy machine delays a sender by 5 to 20 ms at times (seen at load 5), without any loss
FIT_EVERY_S = 0.1
MOST_LOST = 2**53  # samples: a larger number can only come from wrong stamps
MOST_STILL = 1e-3  # stamps that advance by less than this share of the expected time are repeated
RATE_CHECK_S = 10.0  # stamps need about this long to tell 100 ppm from their own scatter
RATE_PPM = (100.0, 1000.0)  # deviations that are reported, and reported as serious
REFUSED_PPM = 10_000.0  # beyond 1 % filters, windows and latencies are wrong, and no run goes on
FIRST_S = 1.0  # time in which a rate that is wrong by a factor is detected
FACTOR = 0.4  # own choice: 0.2 s in each half of FIRST_S; a busy machine does not cause that twice alike
AHEAD_S = 0.05  # stamps this far ahead of the clock belong to samples that cannot exist yet
KNOWN_CLOCK_S = 60.0  # stamps further than this from the clock are of another one
BURST = 5.0  # samples that come this many times too fast had been waiting; their rate is not measured
LONGEST_WAIT_S = 10.0  # after a longer wait before reading, the arrival times of samples are not known
REFUSE_S = 3.0  # in two successive stretches, because a single step of the stamps affects only one
STRETCHES = 5  # as many by the clock: a sender that gets too little of its machine is slow for a while, but not evenly
EVENLY = 0.25  # own choice: deviations of such stretches, and rates of both halves of a second, agree within this share


@dataclass(frozen=True)
class Jump:
    """Stamps moved on by ``by_s`` more than one sample (negative: backwards) just before sample ``index``.

    ``lost_samples``: number of samples missing up to there. Jumps that were taken back later do not count (a stalled sender
    delivers late).
    """

    index: int
    by_s: float
    lost_samples: int
    repeated: bool = False  # no known loss, but the same stamp repeats from here on
    unknown: bool = False  # no known loss, but stamps are not numbers from here on


class StampWatch:
    """Finds jumps between neighbouring stamps that are larger than this stream's own scatter.

    Many senders stamp whole chunks when they push them, so neighbouring chunks scatter by milliseconds although no sample is
    missing. The limit is 4 x the median of the largest step per quarter second, and at least 0.75 samples for evenly spaced
    stamps, 20 ms for others (there a shorter gap cannot be told from a delayed sender).
    Stamps that repeat, in a stream with evenly spaced stamps, are one break, however long they repeat. If the stamps after them
    do not continue where they would have been, that is a second break.
    Stamps that are not finite are also one break; they count as evenly spaced, so that missing samples among them show at their
    end.
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
        self._stands = 0  # samples since the stamp last moved
        self._unknown = False  # the last stamp was not finite
        self.limit_s = FIRST_LIMIT_S

    def feed(self, stamps_s: Floats) -> list[Jump]:
        """Take the next stamps (n,) in s; return the jumps among them, in order."""
        if not len(stamps_s) or self._is_usual(stamps_s):
            return []
        stamps_s, none_from = self._continued(stamps_s)
        steps = np.empty(len(stamps_s))
        with np.errstate(over="ignore", invalid="ignore"):  # stamps may be any number
            steps[0] = stamps_s[0] - self._last
            steps[1:] = stamps_s[1:] - stamps_s[:-1]
            steps -= self._period_s
        if not np.isfinite(steps).all():
            steps[~np.isfinite(steps)] = 0.0
        moves, first = steps, np.zeros(0, dtype=bool)
        if self._stands or bool((steps == -self._period_s).any()):
            moves, first = self._moves(steps)
        self._last = float(stamps_s[-1])
        jumps: list[Jump] = []
        start = 0
        while start < len(steps):
            stop = min(len(steps), start + self._window - self._index % self._window)
            sizes = np.abs(steps[start:stop])
            largest = float(sizes.max())
            found: dict[int, str] = {}
            if first.size and self._period_s > self.limit_s:
                found |= dict.fromkeys(np.flatnonzero(first[start:stop]).tolist(), "repeated")
            found |= dict.fromkeys((none_from[(none_from >= start) & (none_from < stop)] - start).tolist(), "unknown")
            if largest > self.limit_s or moves is not steps:
                found |= dict.fromkeys(np.flatnonzero(np.abs(moves[start:stop]) > self.limit_s).tolist(), "")
            for at, kind in sorted(found.items()):
                jumps.append(self._jump(self._index + at, float(moves[start + at]) if not kind else 0.0, kind))
            self._current = max(self._current, largest)
            self._index += stop - start
            if self._index % self._window == 0:
                self._close_window()
            start = stop
        return jumps

    def _continued(self, stamps_s: Floats) -> tuple[Floats, NDArray[np.intp]]:
        """Stamps (n,) in which those that are not finite continue one period after the one before; and the indices at which such
        stretches begin."""
        bad = ~np.isfinite(stamps_s)
        if not bad.any():
            self._unknown = False
            return stamps_s, np.zeros(0, dtype=np.intp)
        before = np.concatenate([[self._unknown], bad[:-1]])
        self._unknown = bool(bad[-1])
        stamps_s = stamps_s.copy()
        last = self._last
        for at in np.flatnonzero(bad):
            stamps_s[at] = (stamps_s[at - 1] if at else last) + self._period_s
        return stamps_s, np.flatnonzero(bad & ~before)

    def _is_usual(self, stamps_s: Floats) -> bool:
        """Whether these stamps, inside one window, contain no jump; they are then fully processed. This is the usual case."""
        ends = self._index % self._window + len(stamps_s)
        if self._stands or len(stamps_s) < 2 or ends > self._window:
            return False
        with np.errstate(over="ignore", invalid="ignore"):
            steps = stamps_s[1:] - stamps_s[:-1]
        first = float(stamps_s[0]) - self._last
        low, high = min(float(steps.min()), first) - self._period_s, max(float(steps.max()), first) - self._period_s
        if not (math.isfinite(first) and low > -self._period_s and max(high, -low) <= self.limit_s < math.inf):
            return False  # nan compares as false, so it is processed in full too
        self._last, self._unknown = float(stamps_s[-1]), False
        self._current = max(self._current, high, -low)
        self._index += len(stamps_s)
        if ends == self._window:
            self._close_window()
        return True

    def _moves(self, steps: Floats) -> tuple[Floats, Bools]:
        """Steps (n,) beyond one period, corrected for repeated stamps; and where a stretch of repeated stamps begins.

        The step is 0 where a stamp repeats. Where stamps move again, the step counts from the last movement.
        """
        moves, first = steps.copy(), np.zeros(len(steps), dtype=bool)
        for at, by_s in enumerate(steps.tolist()):
            if by_s == -self._period_s:
                first[at] = self._stands == 0
                self._stands += 1
                moves[at] = 0.0
            elif self._stands:
                moves[at] -= self._stands * self._period_s
                self._stands = 0
        return moves, first

    @property
    def _lost(self) -> int:
        lost = self._offset_s / self._period_s
        return min(round(lost), MOST_LOST) if 0 < lost < np.inf else MOST_LOST if lost > 0 else 0

    def _jump(self, index: int, by_s: float, kind: str) -> Jump:
        self._offset_s += by_s
        return Jump(index, by_s, self._lost, repeated=kind == "repeated", unknown=kind == "unknown")

    def _close_window(self) -> None:
        self._maxima.append(self._current)
        self._current = 0.0
        if len(self._maxima) >= 4:
            usual_s = median(self._maxima)
            least_s = LEAST_LIMIT * self._period_s
            self.limit_s = max(least_s, 4.0 * usual_s, UNEVEN_LIMIT_S if usual_s > EVEN * self._period_s else 0.0)


class RateFit:
    """Straight line through every ``every``-th stamp of one unbroken segment: the measured rate and its standard error.

    A stamp is used if its sample number is a multiple of ``every`` and it is finite.
    """

    def __init__(self, rate_hz: float, begin: int = 0) -> None:
        self.nominal_hz = rate_hz
        self.every = max(1, round(FIT_EVERY_S * rate_hz))
        self._begin = self._index = begin
        self._origin_s = np.nan
        self._n = 0
        self._sums = (0.0,) * 5  # k, t, kk, kt, tt with t the deviation from the nominal line

    def feed(self, stamps_s: Floats) -> None:
        for at in range(-self._index % self.every, len(stamps_s), self.every):
            if not math.isfinite(stamps_s[at]):
                continue
            k = float(self._index + at - self._begin)
            if self._n == 0:
                self._origin_s = float(stamps_s[at]) - k / self.nominal_hz
            t = float(stamps_s[at]) - self._origin_s - k / self.nominal_hz
            a, b, c, d, e = self._sums
            self._sums = a + k, b + t, c + k * k, d + k * t, e + t * t
            self._n += 1
        self._index += len(stamps_s)

    @property
    def samples(self) -> int:
        return self._index - self._begin

    def ppm(self) -> tuple[float, float]:
        """Deviation of the measured from the nominal rate, and its standard error, both in parts per million.

        The error assumes independent scatter of the stamps, so it is only a guide. Both are nan before 1 s of stamps, and where
        stamps repeat or go back.
        """
        n = self._n
        if n < 11:
            return np.nan, np.nan
        k, t, kk, kt, tt = np.array(self._sums) / n
        spread = kk - k * k
        slope = (kt - k * t) / spread  # s per sample beyond the nominal period
        if not 1.0 + slope * self.nominal_hz > MOST_STILL:
            return np.nan, np.nan
        residual = max(0.0, (tt - t * t) - slope * (kt - k * t)) * n / (n - 2)
        ppm = (1.0 / (1.0 + slope * self.nominal_hz) - 1.0) * 1e6
        return float(ppm), float(np.sqrt(residual / n / spread)) * self.nominal_hz * 1e6


class RateWatch:
    """Compares measured and nominal rate every 10 s of each unbroken stretch. ``fit`` is the fit of the first stretch of 10 s.

    A deviation beyond ``gross_ppm`` in ``stretches`` successive stretches of ``gross_s`` is reported at their end. More than two
    of them must agree within a quarter.
    """

    def __init__(
        self,
        rate_hz: float,
        limits_ppm: tuple[float, ...] = RATE_PPM,
        gross_ppm: float = REFUSED_PPM,
        gross_s: float = REFUSE_S,
        stretches: int = 2,
    ) -> None:
        self.fit = RateFit(rate_hz)
        self._limits_ppm, self._gross_ppm = limits_ppm, gross_ppm
        self.told_ppm = 0.0  # largest limit that was passed
        self._now = self.fit
        self._check = int(RATE_CHECK_S * rate_hz)
        self._short = int(gross_s * rate_hz)
        self._still_s: float | None = None  # the stamp that repeats
        self._piece = RateFit(rate_hz)  # the present short stretch
        self._gross: deque[float] = deque(maxlen=stretches)  # ppm of those before, all beyond the limit in one direction

    def broken(self, index: int, still_s: float | None = None) -> None:
        """Report a jump of the stamps before sample ``index``: the fit ends there.

        ``still_s``: the stamp at which they repeat from there on; stamps are ignored until they move again.
        """
        self._still_s = still_s
        fresh = RateFit(self._now.nominal_hz, index)
        if self.fit is self._now and self.fit.samples < self._check:
            self.fit = fresh
        self._now = fresh
        self._piece = RateFit(self._now.nominal_hz, index)
        self._gross.clear()

    def feed(self, stamps_s: Floats, index: int) -> list[RateMismatch]:
        """Take stamps (n,) of the samples from ``index`` on; return the rate errors to report."""
        said: list[RateMismatch] = []
        start = 0
        if self._still_s is not None:
            moved = np.flatnonzero(stamps_s != self._still_s)
            if not moved.size:
                return said
            start = int(moved[0])
            self.broken(index + start)
        while start < len(stamps_s):
            left = self._check - self._now.samples % self._check
            stop = min(len(stamps_s), start + left, start + self._short - self._piece.samples)
            self._now.feed(stamps_s[start:stop])
            self._piece.feed(stamps_s[start:stop])
            if self._piece.samples == self._short:
                said += self._refuse(index + stop - 1)
            if self._now.samples % self._check == 0:
                said += self._compare(index + stop - 1)
            start = stop
        return said

    def _refuse(self, sample: int) -> list[RateMismatch]:
        ppm, error = self._piece.ppm()
        self._piece = RateFit(self._now.nominal_hz, sample + 1)
        beyond = abs(ppm) > self._gross_ppm + 6 * error
        if not beyond or (self._gross and ppm * self._gross[-1] < 0.0):
            self._gross.clear()
        if beyond:
            self._gross.append(ppm)
        if len(self._gross) < (self._gross.maxlen or 0) or self.told_ppm >= self._gross_ppm:
            return []
        usual_ppm = median(self._gross)
        if len(self._gross) > 2 and max(abs(one - usual_ppm) for one in self._gross) > EVENLY * abs(usual_ppm) + 6 * error:
            return []
        self.told_ppm = self._gross_ppm
        return [self._mismatch(sample, usual_ppm if len(self._gross) > 2 else ppm)]

    def _compare(self, sample: int) -> list[RateMismatch]:
        ppm, error = self._now.ppm()
        passed = max((limit for limit in self._limits_ppm if abs(ppm) > limit + 6 * error), default=0.0)
        if passed <= self.told_ppm:
            return []
        self.told_ppm = passed
        return [self._mismatch(sample, ppm)]

    def _mismatch(self, sample: int, ppm: float) -> RateMismatch:
        nominal = self._now.nominal_hz
        serious, refused = self.told_ppm >= RATE_PPM[-1], self.told_ppm >= REFUSED_PPM
        return RateMismatch(sample, nominal, nominal * (1 + ppm * 1e-6), ppm, serious, refused)


class ArrivalWatch:
    """Compares the stated rate with the clock of the machine on which the samples arrive.

    Its events count ``sample`` from the first sample that was fed. Differences of less than 0.1 % are not reported: the clock of
    a computer may be off by 0.05 % while it is being corrected. A sender on a busy machine comes late, and then too fast: a rate
    is another one only where the difference is even.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._gross = RateWatch(rate_hz, (), stretches=STRETCHES)
        self._mild = RateWatch(rate_hz, (), RATE_PPM[-1], 2 * RATE_CHECK_S / STRETCHES, STRETCHES)
        self._index = self._last = 0  # samples; up to the last ones of which the time is known
        self._last_s = math.nan
        self._least_s = math.nan  # arrival of sample 0 without any delay
        self._first: list[Floats] | None = []  # times of a first second; None: one was even, and judged

    @property
    def settled(self) -> bool:
        """Whether a second was even enough to judge whether the rate is wrong by a factor."""
        return self._first is None

    def ppm(self) -> tuple[float, float]:
        """Deviation of the rate from the stated one in ppm, and its standard error, by the clock; see RateFit.ppm."""
        return self._mild.fit.ppm()

    def paused(self) -> None:
        """Report that samples did not come for a while: the next ones may have been waiting."""
        self._last_s = math.nan
        if self._first is not None:
            self._first = []

    def feed(self, count: int, waiting: int, at_s: float, ahead_s: float = math.nan) -> list[RateMismatch]:
        """Report that ``count`` samples were read up to ``at_s``, with ``waiting`` samples left; return the rate errors to
        report.

        ``ahead_s``: how far the last stamp is ahead of the clock. Samples that come too fast may belong to a sender that was late
        and catches up. This is excluded if their stamps lie in the future; or, where stamps are not of this clock, if there was
        no delay to catch up with.
        """
        self._index += count
        if waiting:  # these came earlier, and it is not known when
            return []
        begin, self._last = self._last, self._index
        since_s, self._last_s = self._last_s, at_s
        fresh = self._index - begin
        due_s = at_s - self._index / self._rate_hz
        if math.isnan(self._least_s):
            self._least_s = due_s
        if math.isnan(since_s) or fresh > LONGEST_WAIT_S * self._rate_hz:
            self._gross.broken(self._index)
            self._mild.broken(self._index)
            return []
        times_s = since_s + (at_s - since_s) * np.arange(1, fresh + 1) / fresh
        dated = abs(ahead_s) < KNOWN_CLOCK_S  # False for nan
        may_catch_up = ahead_s <= AHEAD_S if dated else due_s > self._least_s - AHEAD_S
        said = []
        for watch in (self._gross, self._mild):
            told_ppm = watch.told_ppm
            found = watch.feed(times_s, begin)
            if found and found[0].ppm > 0 and may_catch_up:
                watch.told_ppm = told_ppm
            else:
                said += found
        if self._first is not None:
            self._first.append(times_s)
            if sum(map(len, self._first)) >= FIRST_S * self._rate_hz:
                second = np.concatenate(self._first)
                wrong = first_mismatch(second, self._rate_hz, self._index - 1)
                judged = math.isfinite(even_rate(second, self._rate_hz)) if wrong is None else wrong.ppm < 0 or ahead_s > AHEAD_S
                self._first = None if judged else []
                if wrong is not None and judged:
                    said.append(wrong)
        return said


def first_mismatch(times_s: Floats, rate_hz: float, sample: int) -> RateMismatch | None:
    """Rate error of the first second of a stream that states ``rate_hz``, from its times (n,): a rate that is wrong by a factor;
    else None.

    Both halves of the second must show it alike, because one delay affects one half only. Times that do not lie near a straight
    line give None.
    """
    times = even_rate(times_s, rate_hz)
    if not (times < 1 - FACTOR or times > 1 + FACTOR):
        return None
    return RateMismatch(sample, rate_hz, rate_hz * times, 1e6 * (times - 1), serious=True, refused=True)


def even_rate(times_s: Floats, rate_hz: float) -> float:
    """Rate of samples that came at times (n,), as a multiple of ``rate_hz``; nan unless both halves have the same within a
    quarter."""
    if len(times_s) < 16 or not np.isfinite(times_s).all():
        return math.nan
    halves = [_periods(half) * rate_hz for half in np.array_split(times_s, 2)]  # of one sample, in stated ones
    if not all(1 / BURST < periods < BURST for periods in halves) or max(halves) > (1 + EVENLY) * min(halves):
        return math.nan
    return 1.0 / (_periods(times_s) * rate_hz)


def _periods(times_s: Floats) -> float:
    """Seconds from one sample to the next: the slope of a straight line through times (n,)."""
    at = np.arange(len(times_s)) - (len(times_s) - 1) / 2
    with np.errstate(over="ignore", invalid="ignore"):  # times may be any number
        return float((at * (times_s - times_s[0])).sum() / (at * at).sum())
