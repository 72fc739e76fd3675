"""Warnings about a stream: missing or changed triggers, triggers on a grid, an artefact of the trigger in the average, and
changes of the noise. Only a changed trigger rejects its sweep."""

from __future__ import annotations

import math
from collections import deque
from statistics import median

import numpy as np

from .averaging import UNIT_SWEEPS
from .events import Event, NoiseChanged, TriggerArtefact, TriggerGrid, TriggerMissing
from .onsets import Onset
from .samples import Floats

ENOUGH = 16  # after this many pulses a step counts as a changed trigger
TRAIN = 64  # intervals needed to call a train regular: four units, so that pauses show
REGULAR = 0.1  # of the median interval: a train that varies less, without marks of units, is regular
GRID_ONSETS = 64
LONGEST_GRID_MS = 10.0  # a larger spacing is that of the train itself
ARTEFACT_MS = (-0.3, 2.5)  # after the trigger
EARLIEST_RESPONSE_MS = 1.0  # after the stimulus reaches the ear: wave I is later (own choice, 0.5 ms before published ones)
ARTEFACT_SDS = 6.0
NOISE_TIMES = 2.5  # own choice: a switched lamp or a moving subject causes that, EEG at rest does not
MEMORY_UNITS = 8


class StreamWatch:
    """Call ``present`` for every onset in order, ``unit`` for every judged unit, ``look`` at every look, and ``broken`` where the
    stream breaks."""

    def __init__(self, rate_hz: float, mark: float, delay_ms: float) -> None:
        self._mark, self._delay_ms = mark, delay_ms
        self._grid_limit = 1e-3 * LONGEST_GRID_MS * rate_hz
        self._pulses = self._onsets = 0
        self._since_mark: int | None = None
        self._intervals: deque[float] = deque(maxlen=TRAIN)
        self._last = math.nan
        self._places: list[int] | None = []  # None: no longer wanted
        self._peaks: deque[float] = deque(maxlen=MEMORY_UNITS)
        self.told_artefact = False
        self._quiet_units = 0

    def broken(self) -> None:
        """Report missing samples: counts from trigger to trigger start again."""
        self._since_mark, self._last = None, math.nan
        if self._places is not None:
            self._places = []

    def is_odd(self, onset: Onset) -> bool:
        """Whether an onset is a step although the first onsets were all pulses."""
        step = math.isinf(onset.width)
        if self._onsets < ENOUGH:
            self._onsets += 1
            self._pulses += not step
        return step and self._pulses == ENOUGH

    def present(self, onset: Onset, known: int) -> list[Event]:
        """Judge the onsets before one that is certain at sample ``known``."""
        if onset.doubled:
            return []
        return [*self._count(onset, known), *self._find_grid(onset, known)]

    def _count(self, onset: Onset, known: int) -> list[Event]:
        missing = 0
        if math.isnan(self._mark):
            missing = self._in_train(onset.position)
        elif self._mark <= onset.width < math.inf:
            if self._since_mark is not None:
                missing = -self._since_mark % UNIT_SWEEPS
            self._since_mark = 1
        elif self._since_mark is not None:
            self._since_mark += 1
        return [TriggerMissing(known, missing)] if missing else []

    def _in_train(self, position: float) -> int:
        interval, self._last = position - self._last, position
        if not math.isfinite(interval):
            return 0
        if len(self._intervals) == TRAIN and interval > 1.3 * self._intervals[-1]:  # seldom; a median takes longer
            usual = median(self._intervals)
            if max(self._intervals) - min(self._intervals) < REGULAR * usual and interval > 1.5 * usual:
                return round(interval / usual) - 1
        self._intervals.append(interval)
        return 0

    def _find_grid(self, onset: Onset, known: int) -> list[Event]:
        if self._places is None:
            return []
        self._places.append(math.ceil(onset.position))
        if len(self._places) < GRID_ONSETS:
            return []
        steps = np.diff(self._places)
        self._places = None
        grid = int(np.gcd.reduce(steps))
        if grid < 2 or grid > self._grid_limit or bool((steps == steps[0]).all()):
            return []
        return [TriggerGrid(known, grid)]

    def unit(self, known: int, sweeps_uv: Floats) -> list[Event]:
        """Compare the noise of the usable sweeps (n, n_times) in uV of a unit with that before; return an event if it changed."""
        if not len(sweeps_uv):
            return []
        peak = median(np.abs(sweeps_uv).max(axis=-1).tolist())
        before = median(self._peaks) if len(self._peaks) == MEMORY_UNITS else math.nan
        self._peaks.append(peak)
        self._quiet_units = max(0, self._quiet_units - 1)
        if self._quiet_units or not (peak > NOISE_TIMES * before or peak < before / NOISE_TIMES):
            return []
        self._quiet_units = MEMORY_UNITS
        return [NoiseChanged(known, before, peak)]

    def look(self, known: int, times_ms: Floats, average_uv: Floats, residual_nv: float) -> list[Event]:
        """Return an event if the average (n_times,) in uV at ``times_ms`` is largest at the trigger, and clearly beyond its noise
        there."""
        if self.told_artefact or not math.isfinite(residual_nv):
            return []
        size = np.abs(average_uv)
        largest = int(size.argmax())
        start, stop = (edge - self._delay_ms for edge in ARTEFACT_MS)
        at_ms = float(times_ms[largest])
        if not (start <= at_ms <= min(stop, EARLIEST_RESPONSE_MS) and 1e3 * size[largest] > ARTEFACT_SDS * residual_nv):
            return []
        self.told_artefact = True
        return [TriggerArtefact(known, float(average_uv[largest]), at_ms)]
