"""Ears that do not fit the model of a search: other growth, latency, waveform and noise. All values are own choice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from quietfloor.bench.simulate.noises import Floats, Grid

Plain = Callable[[float], Floats]  # dB nHL -> response (n_times,) in uV


@dataclass(frozen=True)
class Oddity:
    """A deviation from the plain ear. `growth`: dB of the plain ear for each dB above the level at which the response begins.
    `later_ms`: additional latency (only from `from_db` above that level). A second peak has `second` times the size of the first,
    `after_ms` later. The response adapts to a remaining share within `adapts_s`."""

    name: str
    growth: float = 1.0
    later_ms: float = 0.0
    from_db: float = 0.0
    second: float = 0.0
    after_ms: float = 2.2
    remains: float = 1.0
    adapts_s: float = 40.0
    steps: bool = False

    def response(self, plain: Plain, level_db: float, begin_db: float, grid: Grid) -> Floats:
        """Response (n_times,) in uV at a level, before it adapts."""
        at_db = level_db if not np.isfinite(begin_db) else begin_db + self.growth * (level_db - begin_db)
        wave = plain(at_db)
        times = grid.times_ms
        if self.later_ms and level_db >= begin_db + self.from_db:
            wave = np.interp(times - self.later_ms, times, wave, left=0.0, right=0.0)
        if self.second:
            wave = wave + self.second * np.interp(times - self.after_ms, times, wave, left=0.0, right=0.0)
        return np.asarray(self.remains * wave)

    def left(self, at_s: float) -> float:
        """Size of the response at a time of the search, as a multiple of the adapted size."""
        return 1.0 + (1.0 / self.remains - 1.0) * float(np.exp(-at_s / self.adapts_s))

    def noise(self, rng: np.random.Generator) -> Callable[[float], float]:
        """Function that gives the factor on the noise at a time in s; times must rise. It has steps of up to 3 x every 20 s, and
        bursts of 6 x for 1 s."""
        if not self.steps:
            return lambda at_s: 1.0
        state = {"until": 0.0, "factor": 1.0}

        def now(at_s: float) -> float:
            if at_s >= state["until"]:
                state["until"] = at_s + rng.exponential(20.0)
                state["factor"] = 3.0 ** rng.uniform(-0.5, 1.0)
            return state["factor"] * (6.0 if rng.uniform() < 0.05 else 1.0)

        return now


AS_MODELLED = Oddity("")
ODDITIES = (
    Oddity("recruitment", growth=2.5),
    Oddity("shallow", growth=0.5),
    Oddity("two peaks", second=0.8),
    Oddity("later", later_ms=1.5),
    Oddity("earlier", later_ms=-1.5),
    Oddity("jump of latency", later_ms=-1.5, from_db=20.0),
    Oddity("adapts", remains=0.6),
    Oddity("restless noise", steps=True),
)


def oddity_of(number: int) -> Oddity:
    """Deviation of ear `number`; the kinds take turns."""
    return ODDITIES[number % len(ODDITIES)]
