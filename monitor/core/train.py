"""Planned sounds of a run: onset and sign of each. Pure: the schedule is given; no random number is drawn here."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Protocol

import numpy as np

from .samples import Floats


class PlannedSweep(Protocol):
    """One sound: onset in samples of the sound's own clock, sign 1 (condensation) or -1 (rarefaction)."""

    @property
    def onset_sample(self) -> int: ...
    @property
    def sign(self) -> int: ...


class Schedule(Protocol):
    """All sounds in order; every call of ``sweeps`` begins anew. A frozen value."""

    @property
    def sample_rate_hz(self) -> float: ...
    @property
    def interval_samples(self) -> float: ...
    @property
    def random_interval_s(self) -> float: ...
    def sweeps(self) -> Iterable[PlannedSweep]: ...


class Both(Protocol):
    """Both ears at once: each frame, that is each sound of the schedule, has one sound of each ear, or two (``sounds``). A frozen
    value.

    ``offsets_s`` (2, 16): of the left and the right ear's sounds of a unit after their frames, 0 to ``longest_s``; with two
    sounds (4, 16), the second ones last.
    """

    @property
    def sounds(self) -> int: ...
    @property
    def longest_s(self) -> float: ...
    def offsets_s(self, unit: int, /) -> Floats: ...


EARS = ("left", "right")
Stream = tuple[str | None, int]  # ear, and which of its sounds at once, from 0
ALL: Stream = (None, 0)  # of a recording of one ear at a time
DAMAGED, FOREIGN = -1, -2  # what a code says of a unit instead of its cell


def streams_of(at_once: int) -> tuple[Stream, ...]:
    """The streams of units with so many sounds at once in each of both ears, in the order of their turns; 0: one for all."""
    return tuple((ear, sound) for sound in range(at_once) for ear in EARS) or (ALL,)


class Code(Protocol):
    """Reads the cell of a unit from the widths (16,) of its triggers in ms, nan for a missing trigger. A frozen value.

    Returns the number of the cell, DAMAGED, or FOREIGN if the code clearly belongs to another run or unit.
    """

    def read(self, unit: int, widths_ms: Floats, /) -> int: ...


class Train:
    """Onsets in s after the first frame of sound, computed as far as they are needed."""

    def __init__(self, schedule: Schedule) -> None:
        self._rate_hz = schedule.sample_rate_hz
        self._coming: Iterator[PlannedSweep] = iter(schedule.sweeps())
        self.interval_s = schedule.interval_samples / schedule.sample_rate_hz  # within a unit
        self.random_interval_s = schedule.random_interval_s  # each sound comes up to this much later than in an even train
        self.onsets_s: Floats = np.zeros(0)
        self.signs: Floats = np.zeros(0)

    def until(self, count: int) -> None:
        """Compute at least ``count`` sounds; fewer only if the plan has no more."""
        missing = count - len(self.onsets_s)
        if missing <= 0:
            return
        new = list(islice(self._coming, missing + 256))
        onsets_s = np.array([sweep.onset_sample for sweep in new], dtype=np.float64) / self._rate_hz
        self.onsets_s = np.concatenate([self.onsets_s, onsets_s])
        self.signs = np.concatenate([self.signs, np.array([sweep.sign for sweep in new], dtype=np.float64)])

    def until_s(self, seconds: float) -> None:
        """Compute every sound that begins before ``seconds``."""
        while not len(self.onsets_s) or self.onsets_s[-1] < seconds:
            before = len(self.onsets_s)
            self.until(before + max(256, before // 2))
            if len(self.onsets_s) == before:
                return

    def nearest(self, seconds: float) -> tuple[int, float]:
        """Number of the sound that begins nearest to ``seconds``, and the time from its onset to ``seconds``, in s."""
        self.until_s(seconds + self.interval_s)
        right = min(int(np.searchsorted(self.onsets_s, seconds)), len(self.onsets_s) - 1)
        left = max(0, right - 1)
        index = left if seconds - self.onsets_s[left] <= self.onsets_s[right] - seconds else right
        return index, seconds - float(self.onsets_s[index])
