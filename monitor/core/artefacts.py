"""Rejection of sweeps, with reasons.

There are two kinds of reasons. *Faults* are found in the raw samples of one sweep (rails, a flat line). *Criteria* compare a
measure of the filtered sweep with its running median over the last units, so that the limit follows the subject. Every measure
uses absolute values: changing the sign of a whole block changes no decision, and the evidence relies on that.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import NamedTuple

import numpy as np

from .samples import Bools, Floats

FLAT_MS = 5.0  # this long without any change is a dead input
CLIPPED_MS, CLIPPED_SAMPLES = 1.0, 8  # this long at the very top or bottom of the sweep is a rail
MEMORY_UNITS = 8
WATCHED_BLOCKS = 64  # far more than one sweep covers

Faults = tuple[str | None, ...]  # one per EEG channel; None: none found


def peak_uv(sweeps_uv: Floats, rate_hz: float) -> Floats:
    """Largest absolute value of each sweep (..., n_times) -> (...), in uV."""
    return np.asarray(np.abs(sweeps_uv).max(axis=-1))


def slope_uv_per_ms(sweeps_uv: Floats, rate_hz: float) -> Floats:
    """Largest absolute step between neighbouring points of each sweep (..., n_times) -> (...), in uV per ms."""
    with np.errstate(over="ignore"):  # infinite is beyond any limit, as it should be
        return np.asarray(np.abs(sweeps_uv[..., 1:] - sweeps_uv[..., :-1]).max(axis=-1) * rate_hz / 1000.0)


class LimitKey(NamedTuple):
    """A key of ``[analysis]`` that sets a limit: name, default, smallest and largest value, description."""

    key: str
    default: float
    smallest: float
    largest: float
    meaning: str


@dataclass(frozen=True)
class Criterion:
    """Reject a sweep when ``measure`` exceeds ``times`` its running median, or exceeds ``ceiling``.

    ``word`` describes a rejected sweep in a few words. ``ceiling_uv``: smallest and largest ceiling that a plan may give; None:
    the criterion has no ceiling. ``since``: the first format of runs that has the criterion. Equality and identity ignore these
    three fields.
    """

    name: str
    measure: Callable[[Floats, float], Floats]
    times: float
    ceiling: float = np.inf
    word: str = field(default="", compare=False, kw_only=True)
    ceiling_uv: tuple[float, float] | None = field(default=None, compare=False, kw_only=True)
    since: int = field(default=1, compare=False, kw_only=True)

    @property
    def times_key(self) -> str:
        return f"reject_{self.name}_times"

    @property
    def ceiling_key(self) -> str | None:
        return None if self.ceiling_uv is None else f"reject_{self.name}_uv"

    @property
    def keys(self) -> tuple[LimitKey, ...]:
        """Keys of ``[analysis]`` that set the limits of this criterion."""
        times = LimitKey(self.times_key, self.times, *TIMES_LIMITS, f"times the running median {self.name}")
        if self.ceiling_key is None or self.ceiling_uv is None:
            return (times,)
        return times, LimitKey(self.ceiling_key, self.ceiling, *self.ceiling_uv, "absolute ceiling")

    def limited(self, limits: Mapping[str, float]) -> Criterion:
        """The criterion with the limits of a plan, given by key."""
        return replace(self, times=limits[self.times_key], ceiling=limits[self.ceiling_key] if self.ceiling_key else np.inf)

    def sentence(self, told: Mapping[str, str]) -> str:
        """Text for a paper that continues "where their": what the criterion rejects, with limits in words, given by key."""
        ceiling = f"{told[self.ceiling_key]} or " if self.ceiling_key else ""
        return f"{self.name} was above {ceiling}{told[self.times_key]} times the running median of {self.name}s"


TIMES_LIMITS = 1.2, 100.0  # smallest and largest multiple of the running median that a plan may give
CRITERIA: tuple[Criterion, ...] = (
    Criterion("peak", peak_uv, times=2.5, ceiling=100.0, word="too large", ceiling_uv=(0.5, 1e5)),
    Criterion("slope", slope_uv_per_ms, times=3.5, word="too steep"),
)


class RunningLimits:
    """One limit per criterion for a batch of runs; the median is over all presented sweeps of the last 8 units.

    Rejected sweeps count for the median. Otherwise, after a rise of the noise, all later sweeps would be rejected.
    """

    def __init__(self, criteria: tuple[Criterion, ...], rate_hz: float) -> None:
        self._criteria = criteria
        self._rate_hz = rate_hz
        self._memory: list[Floats] = []  # of the last units, each (n_criteria, ..., n_sweeps)
        self.limits: dict[str, Floats] = {}

    def update(self, sweeps_uv: Floats, usable: Bools) -> list[tuple[str, Bools]]:
        """Take sweeps (..., n_sweeps, n_times) and whether each can be judged (..., n_sweeps); return for each criterion which
        sweeps exceed its limit.

        The limit comes from earlier units; the first unit is judged by its own median.
        """
        if not self._criteria:
            return []
        values = np.array([criterion.measure(sweeps_uv, self._rate_hz) for criterion in self._criteria])
        if not usable.all():
            values[:, ~usable] = np.nan
        medians = _median(np.concatenate(self._memory or [values], axis=-1))
        self._memory.append(values)
        del self._memory[:-MEMORY_UNITS]
        verdicts = []
        for criterion, value, usual in zip(self._criteria, values, medians, strict=True):
            limit = self.limits[criterion.name] = np.minimum(criterion.times * usual, criterion.ceiling)
            verdicts.append((criterion.name, value > limit[..., np.newaxis]))
        return verdicts


def _median(values: Floats) -> Floats:
    """Median over the last axis that ignores nan; nan (which rejects nothing) where there is no value at all."""
    ordered = np.sort(values, axis=-1)  # nan goes last
    middle = ordered.shape[-1] // 2
    if not np.isnan(ordered[..., -1]).any():
        return np.asarray((ordered[..., -1 - middle] + ordered[..., middle]) / 2)
    count = np.isfinite(values).sum(axis=-1)[..., np.newaxis]
    low = np.take_along_axis(ordered, np.maximum((count - 1) // 2, 0), axis=-1)
    high = np.take_along_axis(ordered, np.minimum(count // 2, values.shape[-1] - 1), axis=-1)
    return np.asarray(np.where(count > 0, (low + high) / 2, np.nan)[..., 0])


class RawWatch:
    """Counts equal neighbouring raw samples block by block, so that few sweeps need a full check for faults."""

    def __init__(self, rate_hz: float, rail_uv: float) -> None:
        self._enough = min(_held_samples(rate_hz)) - 1  # number of equal neighbours in all channels that may be a fault
        self._rail_uv = rail_uv
        self._blocks: deque[tuple[int, int]] = deque(maxlen=WATCHED_BLOCKS)  # first sample, equal neighbours

    def feed(self, index: int, raw_uv: Floats) -> None:
        """Take the next samples (n_channels, n) from ``index`` on; the first of them is the last sample of the previous call, if
        any."""
        same = int(np.count_nonzero(raw_uv[:, 1:] == raw_uv[:, :-1]))
        if self._rail_uv < np.inf and bool((np.abs(raw_uv) >= self._rail_uv).any()):
            same = self._enough
        self._blocks.append((index, same))

    def clears(self, start: int) -> bool:
        """Whether no channel can have a fault from sample ``start`` on. False means that it is not known."""
        same = 0
        for first, count in reversed(self._blocks):
            same += count
            if first <= start:
                return same < self._enough
        return False


def raw_faults(raw_uv: Floats, rate_hz: float, rail_uv: float = np.inf) -> Faults:
    """``raw_fault`` of each channel of raw samples (n_channels, n), with a quick check that excludes most sweeps of a live
    amplifier."""
    still = np.count_nonzero(raw_uv[:, 1:] == raw_uv[:, :-1])
    if still < min(_held_samples(rate_hz)) - 1 and (rail_uv == np.inf or bool((np.abs(raw_uv) < rail_uv).all())):
        return (None,) * len(raw_uv)
    return tuple(raw_fault(row, rate_hz, rail_uv) for row in raw_uv)


@cache
def _held_samples(rate_hz: float) -> tuple[int, int]:
    """Number of equal samples in a row that count as a flat line, and as a rail if they are the largest or smallest value."""
    return max(2, round(FLAT_MS * 1e-3 * rate_hz)), max(CLIPPED_SAMPLES, round(CLIPPED_MS * 1e-3 * rate_hz))


def raw_fault(raw_uv: Floats, rate_hz: float, rail_uv: float = np.inf) -> str | None:
    """Fault of the raw samples (n,) of one sweep in one channel: "saturation", "flat" or None. Only these samples are used."""
    if bool((np.abs(raw_uv) >= rail_uv).any()):
        return "saturation"
    flat, clipped = _held_samples(rate_hz)
    same = raw_uv[1:] == raw_uv[:-1]
    if np.count_nonzero(same) < min(flat, clipped) - 1:
        return None
    starts = np.concatenate([[0], np.flatnonzero(~same) + 1])
    runs = np.diff(np.concatenate([starts, [len(raw_uv)]]))
    if int(runs.max()) >= flat:
        return "flat"
    held = raw_uv[starts[runs >= clipped]]
    return "saturation" if bool(np.any((held == raw_uv.max()) | (held == raw_uv.min()))) else None
