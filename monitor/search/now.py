"""State of a search as one immutable value: a display reads this and never the search itself."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from quietfloor.monitor.core.samples import Floats

from .cells import CellLook
from .running import Answer, Place

ConditionState = Literal["running", "waiting", "answered", "left"]


@dataclass(frozen=True)
class ConditionNow:
    """State of one condition. ``looks`` and ``offered`` (n_levels,); averages in looks (n_times,) in uV at ``times_ms``.

    ``belief`` (n,): probability of the threshold per dB, at ``belief_db`` in dB nHL; empty before the noise is known.
    """

    name: str
    ear: str
    stimulus: str
    frequency_hz: float | None
    levels_db: tuple[float, ...]
    answer: Answer
    looks: tuple[CellLook | None, ...]
    times_ms: Floats
    offered: tuple[bool, ...]
    belief_db: Floats
    belief: Floats
    open: bool
    state: ConditionState


@dataclass(frozen=True)
class SearchNow:
    """State of the whole search. ``playing``: what is played next, and why: nothing, a cell, or one for each ear or each of its
    sounds. ``seconds`` of the stream; ``heard_s`` of units with sounds; remaining minutes as an 80 % range, nan where not known.
    ``noise``: that in an ear, in words; empty: none."""

    conditions: tuple[ConditionNow, ...]
    playing: tuple[tuple[Place, str], ...]
    sentence: str
    seconds: float
    paused: bool
    over: bool
    minutes_low: float = math.nan
    minutes_median: float = math.nan
    minutes_high: float = math.nan
    heard_s: float = 0.0
    noise: str = ""

    @property
    def place(self) -> Place | None:
        """The first cell that is played next; None if there is none."""
        return self.playing[0][0] if self.playing else None
