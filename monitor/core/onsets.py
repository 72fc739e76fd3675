"""Stimulus onsets with sub-sample precision from a trigger channel.

The channel is learned first, on a fixed grid of samples, and then searched from its beginning, so that no trigger that came
during learning is lost.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import median
from typing import NamedTuple

import numpy as np

from .interpolation import interpolators
from .samples import Floats
from .triggers import TriggerModel, TriggerSettings, learn

GRID_S = 0.5  # learning is tried at multiples of this
ENOUGH_PULSES = 4
LONGEST_LEARN_S = 2.0  # from here on fewer pulses are enough, and older samples are dropped
ENOUGH_LATE = 2  # one alone may be the cable being plugged in
LOOKAHEAD_MS = 3.0  # a first lobe that lasts longer is a step
HALF = 8  # samples on either side of a crossing that its interpolation uses
KERNELS = interpolators(HALF, phases=64, shape=5.0)


class Onset(NamedTuple):
    """One stimulus onset at ``position`` (raw samples, absolute, with a fraction), known when sample ``ready`` has arrived."""

    position: float
    ready: int
    width: float  # raw samples above threshold; inf for a step
    doubled: bool  # closer to the one before than half the usual interval
    breaks: bool = False  # no stimulus, but the mark of a break of the sound (see TriggerSettings)


class OnsetFinder:
    """Finds onsets in the trigger channel of one stream; the result does not depend on how the stream is cut."""

    def __init__(self, rate_hz: float, settings: TriggerSettings, model: TriggerModel | None = None) -> None:
        self._rate_hz = rate_hz
        self._settings = settings
        self.model = model
        self.learned_at: int | None = None  # last sample that learning saw
        self._grid = max(1, round(GRID_S * rate_hz))
        self._refractory = settings.refractory_ms * 1e-3 * rate_hz
        self._break_mark = settings.break_mark_ms * 1e-3 * rate_hz
        self._ahead = max(HALF, int(np.ceil(LOOKAHEAD_MS * 1e-3 * rate_hz)))
        self._intervals: deque[float] = deque(maxlen=64)
        self._longest = 0.0  # of these at most
        self.restart(0)

    def restart(self, index: int) -> None:
        """Begin a new segment at absolute sample ``index``; what was learned is kept."""
        self._begin = index
        self._first = index  # absolute number of the first sample held
        self._held = np.empty(0)
        self._scan = index + 1  # next sample to be looked at as an onset
        self._last = -np.inf  # position of the stimulus before
        self._last_any = -np.inf  # or of a mark
        self._armed = True
        self._armed_from = index

    def feed(self, x: Floats) -> list[Onset]:
        """Take the next trigger samples (n,) of this segment; return the onsets that are now certain, in order."""
        start = 0
        while self.model is None and start < len(x):
            stop = min(len(x), start + self._grid - (self._stop - self._begin) % self._grid)
            self._held = np.concatenate([self._held, x[start:stop]])
            start = stop
            if (self._stop - self._begin) % self._grid == 0:
                self._try_to_learn()
        if self.model is None:
            return []
        self._held = np.concatenate([self._held, x[start:]])
        return self._search(self.model, self._stop - self._ahead)

    def cut_off(self) -> list[Onset]:
        """End the segment; return the onsets whose pulse had not ended. Begin a new segment after this."""
        return self._search(self.model, self._stop) if self.model is not None else []

    @property
    def _stop(self) -> int:
        return self._first + len(self._held)

    def _try_to_learn(self) -> None:
        long = len(self._held) >= LONGEST_LEARN_S * self._rate_hz
        self.model = learn(self._held, self._rate_hz, self._settings, ENOUGH_LATE if long else ENOUGH_PULSES)
        if self.model is not None:
            self.learned_at = self._stop - 1
        elif long:
            self._held = self._held[self._grid :]
            self._first += self._grid
            self._scan = self._first + 1

    def _search(self, model: TriggerModel, stop: int) -> list[Onset]:
        """Return the onsets before sample ``stop`` that were not searched yet."""
        if stop <= self._scan:
            return []
        z = self._held - model.rest
        if model.sign < 0:
            z = -z
        # A byte a sample: a search of bytes takes a tenth of the time of array calls on pieces as short as these.
        high, low = (z >= model.threshold).tobytes(), (z < 0.5 * model.threshold).tobytes()
        onsets = []
        first, end = self._scan - self._first, stop - self._first
        while (before := high.find(b"\0\1", first - 1, end)) >= 0:
            first = before + 2
            if (onset := self._onset(model, z, high, low, before + 1)) is not None:
                onsets.append(onset)
        self._rearm(low, end)
        self._scan = stop
        drop = max(0, self._scan - HALF - self._first)
        self._held = self._held[drop:]
        self._first += drop
        return onsets

    def _rearm(self, low: bytes, stop: int) -> None:
        """Hysteresis: after an onset the channel must fall below half the threshold before the next one."""
        if not self._armed:
            self._armed = low.find(1, self._armed_from - self._first, stop) >= 0
            self._armed_from = self._first + stop

    def _onset(self, model: TriggerModel, z: Floats, high: bytes, low: bytes, i: int) -> Onset | None:
        """The crossing at z[i] as an onset, or None if it is a bounce or chatter of the previous one.

        ``high`` and ``low`` tell for each sample of z whether it is above the threshold, and below half of it.
        """
        at = self._first + i
        self._rearm(low, i)
        if not self._armed or at - self._last_any < self._refractory:
            return None
        falls = high.find(0, i, i + self._ahead)
        end = falls if falls >= 0 else None
        if model.kind == "digital":
            position = float(at)
            width = np.inf if end is None else float(end - i)
        else:
            position = at - 1 + _crossing(z, i, model.threshold)
            width = np.inf if end is None else self._first + end - _back(z, end, model.threshold) - position
        self._last_any, self._armed, self._armed_from = position, False, at + 1
        if self._break_mark <= width < np.inf:
            return Onset(position, at + self._ahead, width, False, breaks=True)
        interval = position - self._last
        doubled = self._is_short(interval)
        if math.isfinite(interval):
            self._intervals.append(interval)
            self._longest = max(self._longest, interval)
        self._last = position
        return Onset(position, at + self._ahead, width, doubled)

    def _is_short(self, interval: float) -> bool:
        """Whether the interval is below half the usual one, which is the median of the last intervals."""
        if len(self._intervals) < 4 or interval >= 0.5 * self._longest:  # as nearly always: a median takes longer
            return False
        self._longest = max(self._intervals)
        return interval < 0.5 * median(self._intervals)


def _crossing(z: Floats, i: int, level: float) -> float:
    """Position after sample i - 1 (0 to 1) at which the band-limited signal through z first reaches ``level``; z[i - 1] < level
    <= z[i]."""
    near = z[max(0, i - HALF) : i + HALF]
    if len(near) < 2 * HALF:  # at an end of the segment
        before, after = max(0, HALF - i), max(0, i + HALF - len(z))
        near = np.pad(near, (before, after), mode="edge")
    fine = KERNELS @ near
    fine[0], fine[-1] = z[i - 1], z[i]  # exactly
    k = 1 + int((fine[1:] >= level).argmax())
    return float((k - 1 + (level - fine[k - 1]) / (fine[k] - fine[k - 1])) / (len(fine) - 1))


def _back(z: Floats, j: int, level: float) -> float:
    """Distance before sample j (0 to 1) at which z falls through ``level``, on a straight line; this is accurate enough for a
    width."""
    return float((level - z[j]) / (z[j - 1] - z[j]))


__all__ = ["LONGEST_LEARN_S", "Onset", "OnsetFinder", "TriggerModel", "TriggerSettings", "learn"]
