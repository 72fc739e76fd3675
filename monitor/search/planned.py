"""The search of a run, from its plan: units of the engine go in; choices, orders and the verdict come out as events.

It gives the same result live, in a replay, and when `finish` completes a run: everything follows from the units in order, and
from the orders, which are kept among the events with the number of units before them.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from quietfloor.monitor.core.cell_order import CellOrder, Place
from quietfloor.monitor.core.events import CellUnit, Event, Verdict
from quietfloor.monitor.core.samples import Bools
from quietfloor.monitor.core.train import Stream, streams_of

from .choice import Wanted
from .now import ConditionNow, ConditionState, SearchNow
from .running import Answer, Condition, Next, RunningSearch
from .said import LevelChosen, Order, Ordered
from .words import sentence

NOTHING_LEFT = "nothing is left to ask"
Kept = tuple[int, Order]  # units judged before it, order


@dataclass(frozen=True)
class Sought:
    """A condition to search, with its sound. ``masking_db_em`` (n_levels,): noise in the other ear in dB EM, None for none.
    ``channel``: the EEG channel (index) that decides. ``sound``: which of two that its ear hears at once (0, 1)."""

    name: str
    ear: str
    stimulus: str
    frequency_hz: float | None
    condition: Condition
    masking_db_em: tuple[float | None, ...]
    channel: int = 0
    sound: int = 0

    @property
    def levels_db(self) -> tuple[float, ...]:
        return self.condition.levels_db


class PlannedSearch:
    """The search of a recording at ``rate_hz``; it ends after ``longest_s`` of the recording. ``orders``: those of a recording
    that is replayed, each with the number of units before it. ``together``: both ears hear so many sounds at once each (0: one
    ear at a time); the conditions of each of these are searched one after the other."""

    def __init__(
        self, sought: tuple[Sought, ...], wanted: Wanted, rate_hz: float, longest_s: float = math.inf,
        orders: Iterable[Kept] = (), together: int = 0,
    ) -> None:  # fmt: skip
        self.sought, self.wanted = sought, wanted
        self.cells = CellOrder(tuple(len(one.levels_db) for one in sought))
        self._rate_hz, self._longest_s = rate_hz, longest_s
        self.streams: tuple[Stream, ...] = streams_of(together)
        each = tuple(
            tuple(number for number, one in enumerate(sought) if not together or (one.ear, one.sound) == stream)
            for stream in self.streams
        )
        if not all(each):
            raise ValueError(
                "both ears at once: give conditions of both ears" + (" and of both their sounds" if together > 1 else "")
            )
        self._running = RunningSearch(tuple(one.condition for one in sought), wanted, each if together else None)
        self._stream_of = {number: stream for stream, numbers in enumerate(each) for number in numbers}
        self._orders = deque(orders)
        self.units = 0
        self.sample = 0  # raw samples up to the last unit
        self.ordered: list[Ordered] = []
        self.paused = False
        self._silent_sweeps = 0
        self._heard, self._last_heard = 0, -1  # units with sounds in an ear or in both, and the last of them
        self._over = False
        self._left: set[int] = set()
        self._softest_db = -math.inf
        self._refused_db = [math.inf] * len(sought)  # that level and louder ones

    @property
    def cell(self) -> int | None:
        """The cell of the next unit; None when every question is answered. With both ears at once that of the left ear."""
        return self.cell_of(0)

    def cell_of(self, stream: int) -> int | None:
        """The cell of the next unit of a stream (index in ``streams``); None when every question is answered. A stream that is
        done before the other one is silent."""
        if self._over:
            return None
        playing = self._running.playing(stream)
        return self.cells.silence if self.paused or playing is None else self.cells.cell(*playing.place)

    def order(self, order: Order) -> None:
        """Take an order of the operator, from any thread; it is followed before the next unit is judged.

        Raises ValueError for a condition or level that does not exist. An order that cannot be followed when its turn comes is
        reported (`Ordered.refused`).
        """
        if order.condition is not None and not 0 <= order.condition < len(self.sought):
            raise ValueError(f"order {order.kind}: condition {order.condition}; there are 0 to {len(self.sought) - 1}")
        if order.kind == "go_to":
            self._place(order)
        self._orders.append((0, order))

    def judge(self, unit: CellUnit) -> list[Event]:
        """Take the next unit of the engine; return the events that follow, those of earlier orders first."""
        events: list[Event] = []
        while self._orders and self._orders[0][0] <= self.units and not self._over:
            events += self._follow(self._orders.popleft()[1], unit.sample)
        if self._over:
            return events
        self.units, self.sample = self.units + 1, unit.sample
        place = self.cells.place(unit.cell)
        if unit.cell == self.cells.silence:
            self._silent_sweeps += unit.faults.count(None)
        stream = self.streams.index(unit.stream)
        if place is not None and self._stream_of[place.condition] == stream:
            self._heard += unit.unit != self._last_heard
            self._last_heard = unit.unit
            channel = self.sought[place.condition].channel
            self._running.update(place, unit.sweeps_uv[channel], unit.usable[channel])
            before = [self._running.playing(number) for number in range(len(self.streams))]
            self._running.choose(stream)
            for number, was in enumerate(before):  # with noise in an ear the choice for one ear is one for the other too
                now = self._running.playing(number)
                if self._running.chose if number == stream else now != was:
                    events.append(self._chosen(unit.sample, now, number))
        if self._running.finished:
            events.append(self._end(unit.sample))
        elif unit.sample >= self._longest_s * self._rate_hz:
            self._over = True
            why = f"{self._longest_s / 60.0:g} minutes allowed; {self._open_words()}"
            events.append(Verdict(unit.sample, "inconclusive", "time_limit", why))
        return events

    def _follow(self, order: Order, sample: int) -> list[Event]:
        refused = ""
        try:
            self._change(order)
        except ValueError as error:
            refused = str(error)
        said = Ordered(sample, self.units, order, refused)
        self.ordered.append(said)
        if self._running.finished:
            return [said, self._end(sample)]
        return [said, *(self._chosen(sample, self._running.playing(stream), stream) for stream in range(len(self.streams)))]

    def _change(self, order: Order) -> None:
        """Follow an order. Raises ValueError for an order that cannot be followed."""
        condition, level_db = order.condition, order.level_db
        if order.kind == "go_to":
            self._running.go_to(self._place(order))
        elif order.kind in ("pause", "go_on"):
            self.paused = order.kind == "pause"
        elif order.kind == "all_levels":
            self._softest_db = -math.inf
        elif order.kind == "only_above":
            assert level_db is not None
            if all(level_db > one.levels_db[-1] for one in self.sought):
                raise ValueError(f"no condition has a level from {level_db:g} dB nHL on")
            self._softest_db = level_db
        else:
            assert condition is not None
            if order.kind == "not_offered":
                assert level_db is not None
                self._refused_db[condition] = min(self._refused_db[condition], level_db)
            elif order.kind == "leave":
                self._left.add(condition)
            else:
                self._left.discard(condition)
        for number in range(len(self.sought)):
            offered = self._offered(number)
            if not np.array_equal(offered, self._running.offered(number)):
                self._running.offer(number, offered)

    def _place(self, order: Order) -> Place:
        assert order.condition is not None
        assert order.level_db is not None
        levels = self.sought[order.condition].levels_db
        if order.level_db not in levels:
            raise ValueError(f"{order.level_db:g} dB nHL is no level of {self.sought[order.condition].name}")
        return Place(order.condition, levels.index(order.level_db))

    def _offered(self, number: int) -> Bools:
        """Levels of a condition that may be played (n_levels,)."""
        levels = np.array(self.sought[number].levels_db)
        none = number in self._left
        return np.asarray((levels >= self._softest_db) & (levels < self._refused_db[number]) & (not none), dtype=bool)

    def _chosen(self, sample: int, chosen: Next | None, stream: int) -> LevelChosen:
        answers, (ear, number) = self.answers(limits=False), self.streams[stream]
        whose = ear, number if len(self.streams) > 2 else None
        if chosen is None and not self._running.waits(stream):
            return LevelChosen(sample, self.units, None, "over", math.nan, answers, *whose)
        if self.paused or chosen is None:
            why: Literal["pause", "noise"] = "pause" if self.paused else "noise"
            return LevelChosen(sample, self.units, self.cells.silence, why, math.nan, answers, *whose)
        cell, choice = self.cells.cell(*chosen.place), chosen.choice
        return LevelChosen(sample, self.units, cell, choice.why, choice.gain_db2_per_s, answers, *whose)

    def _end(self, sample: int) -> Verdict:
        self._over = True
        if all(one.finished for one in self.answers(limits=False)):
            return Verdict(sample, "searched", "search", "; ".join(self._words()))
        return Verdict(sample, "inconclusive", "operator", f"{NOTHING_LEFT}: levels were left out; {self._open_words()}")

    def _words(self) -> list[str]:
        return [
            f"{one.name}: {sentence(answer, one.levels_db, self.wanted.alpha)}"
            for one, answer in zip(self.sought, self.answers(limits=False), strict=True)
        ]

    def _open_words(self) -> str:
        done = sum(answer.finished for answer in self.answers(limits=False))
        return f"{done} of {len(self.sought)} conditions have their answer"

    def answers(self, limits: bool = True) -> tuple[Answer, ...]:
        """The answer of each condition; without ``limits`` it takes less time."""
        return tuple(self._running.answer(number, limits) for number in range(len(self.sought)))

    @property
    def rejected(self) -> Counter[str]:
        """Sweeps that were rejected by the search, by reason; those with a fault are counted by the engine."""
        return self._running.rejected + Counter({"paused" if len(self.streams) == 1 else "silent": self._silent_sweeps})

    def now(self) -> SearchNow:
        """Present state, for a display."""
        streams = () if self._over else range(len(self.streams))
        playing = [each for stream in streams if (each := self._running.playing(stream)) is not None]
        conditions = tuple(self._condition_now(number) for number in range(len(self.sought)))
        if not playing:
            said = "; ".join(self._words())
        else:
            parts = []
            for number, level in (each.place for each in playing):
                one = conditions[number]
                words = f"{one.name}: {sentence(one.answer, one.levels_db, self.wanted.alpha)}"
                parts.append(words if self.paused else f"now {one.levels_db[level]:g} dB nHL; {words}")
            said = "; ".join(["paused", *parts] if self.paused else parts)
        low_s, median_s, high_s = self._running.outlook() if playing else (math.nan,) * 3
        return SearchNow(
            conditions, tuple((each.place, each.choice.why) for each in playing), said, self.sample / self._rate_hz, self.paused,
            self._over, low_s / 60.0, median_s / 60.0, high_s / 60.0, self._heard * self.sought[0].condition.unit_s,
            "" if self.paused else next((noise for each in playing if (noise := self._noise(each.place))), ""),
        )  # fmt: skip

    def _noise(self, place: Place) -> str:
        """The noise of a cell in words; empty: none."""
        one = self.sought[place.condition]
        noise_db_em, other = one.masking_db_em[place.level], "right" if one.ear == "left" else "left"
        return "" if noise_db_em is None else f"{noise_db_em:g} dB EM of noise in the {other} ear"

    def _condition_now(self, number: int) -> ConditionNow:
        one, running = self.sought[number], self._running
        levels, answer = one.levels_db, running.answer(number)
        playing = [running.playing(stream) for stream in range(len(self.streams))]
        offered = self._offered(number)
        current = not self._over and any(one is not None and one.place.condition == number for one in playing)
        state: ConditionState = "left" if number in self._left else "running" if current else "waiting"
        belief_db, belief = running.density(number)
        return ConditionNow(
            one.name, one.ear, one.stimulus, one.frequency_hz, levels, answer,
            tuple(running.look(Place(number, level)) for level in range(len(levels))), running.times_ms(number),
            tuple(bool(yes) for yes in offered), belief_db, belief, not answer.finished and bool(offered.any()),
            "answered" if answer.finished else state,
        )  # fmt: skip

