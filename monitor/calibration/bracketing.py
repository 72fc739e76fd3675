"""The threshold of a listener by bracketing: down after a sound that was heard, up after one that was not. Pure.

Ascending method of ISO 8253-1 (from memory), which descends from Hughson and Westlake: 10 dB down after a response, 2 dB up (or
5) without one. The threshold is the lowest level with a response in at least half of the ascents (ANSI S3.21, as the terms of the
Acoustical Society of America quote it: secondary), here of those that reached it, and in three of them. In steps of 5 dB it lies
half a step above the level that is heard as often as not, by the method (computed); in steps of 2 dB within 1 dB of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

End = Literal["", "found", "not heard", "always heard", "not settled"]
NEEDED = 3  # responses at the threshold: ISO 8253-1 (from memory)
MOST_ASCENTS = 20  # own choice: in steps of 2 dB a listener needs about ten (computed)
FIRST_RISE_DB = 20.0  # own choice: until the first sound is heard


@dataclass(frozen=True)
class Steps:
    """Levels in dB, on whatever scale. Raises ValueError. `down_db` and the range are whole multiples of `up_db`."""

    start_db: float
    lowest_db: float
    highest_db: float
    up_db: float = 2.0
    down_db: float = 10.0

    def __post_init__(self) -> None:
        if not (0.0 < self.up_db <= self.down_db and self.lowest_db <= self.start_db <= self.highest_db):
            raise ValueError(
                f"start {self.start_db:g}, lowest {self.lowest_db:g}, highest {self.highest_db:g}, up {self.up_db:g}, down "
                f"{self.down_db:g} dB: the start lies from lowest to highest, and a step up is above 0 and no larger than down"
            )
        for db in (self.start_db - self.lowest_db, self.highest_db - self.lowest_db, self.down_db):
            if abs(db / self.up_db - round(db / self.up_db)) > 1e-9:
                raise ValueError(f"{db:g} dB is no multiple of the step of {self.up_db:g} dB: levels lie on one grid")

    @property
    def levels_db(self) -> tuple[float, ...]:
        """All levels, softest first."""
        count = 1 + round((self.highest_db - self.lowest_db) / self.up_db)
        return tuple(self.lowest_db + self.up_db * step for step in range(count))


class Bracket:
    """One threshold. `level`: place of the next level in `levels_db`, until `end` says how it ended. `answer` takes whether it
    was heard."""

    def __init__(self, steps: Steps) -> None:
        self.steps, self.levels_db = steps, steps.levels_db
        self.level = round((steps.start_db - steps.lowest_db) / steps.up_db)
        self.end: End = ""
        self.ascents = 0
        self._down, self._first_rise = round(steps.down_db / steps.up_db), max(1, round(FIRST_RISE_DB / steps.up_db))
        self._heard_once, self._rising, self._at_the_edge = False, False, 0
        self._counts: dict[int, tuple[int, int]] = {}  # by level, while rising: sounds, responses

    @property
    def level_db(self) -> float:
        return self.levels_db[self.level]

    @property
    def threshold_db(self) -> float:
        """The threshold in dB; nan before it is found."""
        found = [level for level, (sounds, heard) in self._counts.items() if heard >= NEEDED and 2 * heard >= sounds]
        return self.levels_db[min(found)] if found else math.nan

    def answer(self, heard: bool) -> None:
        """Take the answer to the present level, and go to the next one."""
        if self.end:
            raise ValueError(f"the threshold ended ({self.end}): there is nothing more to answer")
        if self._heard_once and self._rising:
            sounds, responses = self._counts.get(self.level, (0, 0))
            self._counts[self.level] = (sounds + 1, responses + heard)
            self.ascents += heard
            if not math.isnan(self.threshold_db):
                self.end = "found"
                return
            if self.ascents >= MOST_ASCENTS:
                self.end = "not settled"
                return
        top = len(self.levels_db) - 1
        edge = 0 if heard else top
        self._at_the_edge = self._at_the_edge + 1 if self.level == edge else 0
        if self._at_the_edge >= NEEDED:
            self.end = "always heard" if heard else "not heard"
            return
        rise = 1 if self._heard_once else self._first_rise
        self.level = max(0, self.level - self._down) if heard else min(top, self.level + rise)
        self._heard_once, self._rising = self._heard_once or heard, not heard
