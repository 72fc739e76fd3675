"""A pair of cursors on the average: where they are, and the interval and difference that they measure. Plain Python, no Qt."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.views import Curves

LARGE_NV = 1000.0  # from here on amplitudes are written in uV


@dataclass(frozen=True)
class Reading:
    """A cursor on a sample of the average; ``nv`` is nan where it is not known."""

    ms: float
    nv: float
    chosen: bool


class CursorPair:
    """None, one or two cursors, by their times in ms; keys move the one that is ``chosen`` (0 or 1)."""

    def __init__(self) -> None:
        self.ms: list[float] = []
        self.chosen = 0

    def put(self, ms: float) -> None:
        """The first, then the second; afterwards the one that is nearer comes here."""
        if len(self.ms) < 2:
            self.ms.append(ms)
            self.chosen = len(self.ms) - 1
        else:
            self.chosen = int(abs(self.ms[1] - ms) < abs(self.ms[0] - ms))
            self.ms[self.chosen] = ms

    def put_or_switch(self, ms: float) -> None:
        """What the key does: a cursor as long as there is room for one, then the other one is chosen."""
        if len(self.ms) < 2:
            self.put(ms)
        else:
            self.chosen = 1 - self.chosen

    def take(self, ms: float, within_ms: float) -> bool:
        """Choose the cursor at a time, if one is near enough to be meant."""
        near = [(abs(one - ms), number) for number, one in enumerate(self.ms) if abs(one - ms) <= within_ms]
        if near:
            self.chosen = min(near)[1]
        return bool(near)

    def carry(self, ms: float) -> None:
        """Move the chosen cursor to a time."""
        self.ms[self.chosen] = ms

    def move(self, times_ms: Floats, samples: int) -> bool:
        """Move the chosen cursor by samples of the average; False where there is none."""
        if not self.ms:
            return False
        place = min(max(nearest(times_ms, self.ms[self.chosen]) + samples, 0), len(times_ms) - 1)
        self.ms[self.chosen] = float(times_ms[place])
        return True

    def clear(self) -> None:
        self.ms, self.chosen = [], 0

    def readings(self, curves: Curves) -> tuple[Reading, ...]:
        """Each cursor on the sample nearest to it."""
        places = [nearest(curves.times_ms, ms) for ms in self.ms]
        return tuple(
            Reading(float(curves.times_ms[place]), float(curves.average_nv[place]), number == self.chosen)
            for number, place in enumerate(places)
        )

    def words(self, curves: Curves) -> tuple[str, ...]:
        """Latency and amplitude of each, then the interval and difference of both: the later one minus the earlier one."""
        read = self.readings(curves)
        told = [f"{number + 1}: {one.ms:.2f} ms, {amplitude(one.nv)}" for number, one in enumerate(read)]
        if len(read) == 2:
            early, late = sorted(read, key=lambda one: one.ms)
            told.append(f"interval {late.ms - early.ms:.2f} ms, difference {amplitude(late.nv - early.nv)}")
        return tuple(told)


def nearest(times_ms: Floats, ms: float) -> int:
    """Index of the sample nearest to a time."""
    return int(np.argmin(np.abs(times_ms - ms)))


def amplitude(nv: float) -> str:
    """An amplitude in words, in nV or uV."""
    if not math.isfinite(nv):
        return "not known"
    if abs(nv) >= LARGE_NV:
        return f"{nv / 1e3:.2f} µV".replace("-", "−")
    return f"{nv + 0.0:.0f} nV".replace("-0 ", "0 ").replace("-", "−")


__all__ = ["CursorPair", "Reading", "amplitude", "nearest"]
