"""A search of ears that are made up, at any moment of it, as a display is shown it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from quietfloor.monitor.search.now import ConditionNow, SearchNow
from quietfloor.monitor.search.running import Condition, Place, RunningSearch
from tests.search.made import LEVELS, SETTINGS, condition, sweeps_uv, wave_uv

USABLE = np.ones(16, dtype=bool)
FREQUENCIES_HZ = (2000.0, 500.0, 4000.0, 1000.0)


class MadeSearch:
    """``count`` conditions: two ears at each frequency, whose responses begin at different levels."""

    def __init__(self, count: int, seed: int = 1, levels: tuple[float, ...] = LEVELS, noise_uv: float = 1.0) -> None:
        self.begins_db = [8.0 + 14.0 * number for number in range(count)]
        self.conditions: tuple[Condition, ...] = tuple(condition(rank=number // 2) for number in range(count))
        self.search = RunningSearch(self.conditions)
        self._rng, self._noise_uv = np.random.default_rng(seed), noise_uv
        self.place: Place | None = None
        self.why = ""
        self.units = 0

    def go_on(self, units: int = 100_000, until: Callable[[], bool] = lambda: False) -> MadeSearch:
        """So many units more, or until something holds, or to the end."""
        for _ in range(units):
            chosen = self.search.choose()
            if chosen is None:
                self.place = None
                break
            self.place, self.why = chosen.place, chosen.choice.why
            if until():
                break
            level = self.conditions[self.place.condition].levels_db[self.place.level]
            wave = wave_uv(level, self.begins_db[self.place.condition])
            self.search.update(self.place, sweeps_uv(self._rng, wave, self._noise_uv), USABLE)
            self.units += 1
        return self

    def now(self, **other: object) -> SearchNow:
        conditions = tuple(self._condition(number) for number in range(len(self.conditions)))
        seconds = sum(one.answer.seconds for one in conditions)
        left = sum(one.open for one in conditions)
        sentence = "" if self.place is None else f"{conditions[self.place.condition].name}: the threshold is being narrowed"
        playing = () if self.place is None or self.search.finished else ((self.place, self.why),)
        now = SearchNow(
            conditions, playing, sentence, seconds, False, self.search.finished, 1.5 * left, 3.2 * left, 5.6 * left,
            heard_s=seconds,
        )
        return replace(now, **other)  # type: ignore[arg-type]

    def _condition(self, number: int) -> ConditionNow:
        answer, own = self.search.answer(number), self.conditions[number]
        ear, hz = ("right", "left")[number % 2], FREQUENCIES_HZ[number // 2 % len(FREQUENCIES_HZ)]
        places = np.arange(LEVELS[0] - 7.5, LEVELS[-1] + 7.6, 0.5)
        density = np.empty(0)
        if math.isfinite(answer.low_db) and math.isfinite(answer.high_db):  # a normal one with this interval
            spread = max((answer.high_db - answer.low_db) / 3.92, 0.5)
            density = np.exp(-0.5 * ((places - (answer.low_db + answer.high_db) / 2) / spread) ** 2)
            density /= spread * math.sqrt(2 * math.pi)
        started = sum(answer.sweeps) > 0
        state = "answered" if answer.finished else "running" if started else "waiting"
        return ConditionNow(
            f"{hz:g} Hz octave chirp, {ear} ear", ear, "octave_chirp", hz, own.levels_db, answer,
            tuple(self.search.look(Place(number, level)) for level in range(len(own.levels_db))), SETTINGS.times_ms,
            (True,) * len(own.levels_db), places if len(density) else density, density, not answer.finished, state,  # type: ignore[arg-type]
        )  # fmt: skip
