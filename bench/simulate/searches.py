"""Threshold searches of virtual ears in bulk: the sweeps of `quietfloor.bench.simulate.simulated_staircases`, given to the search
of a live session."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from quietfloor.bench.patient.hearing import NO_HEARING_DB, Ear
from quietfloor.bench.patient.profiles import Side, other
from quietfloor.bench.simulate.ears import FREQUENCIES_HZ, VirtualEar
from quietfloor.bench.simulate.noises import Floats, Grid
from quietfloor.bench.simulate.odd_ears import AS_MODELLED, Oddity
from quietfloor.bench.simulate.simulated_staircases import (
    HIGHEST_DB,
    LEAD_S,
    PER_SWEEP_S,
    Head,
    RunRequest,
    Sessions,
    advised_masking_db_em,
    own_alone,
    parts_of,
    response_uv,
    setup_of,
    size_nv,
)  # fmt: skip
from quietfloor.bench.simulate.staircase_runner import rules_for
from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.search.running import Answer, Condition, RunningSearch
from quietfloor.monitor.waves.expected import wave_v_bracket_ms

UNIT_S = UNIT_SWEEPS * PER_SWEEP_S
STEP_DB = 5.0
LOUDEST_DB = {"air": 100.0, "bone": 48.0}  # that the virtual transducers give
FINEST_DB = 0.2  # of the level that can be seen
REACH_DB = 5.0  # what can be seen lies so far below the highest level: then it can be found


@dataclass(frozen=True)
class Found:
    """One search of one ear. Levels in dB nHL; `visible_db`: where its own response is as large as the floor (inf: nowhere)."""

    ear: int
    kind: str
    oddity: str
    route: str
    frequency_hz: float
    true_db: float
    visible_db: float
    highest_db: float
    threshold_db: float
    low_db: float
    high_db: float
    found_db: float
    finished: bool
    minutes: float
    place: int = 0  # in the order in which the conditions of its head were searched

    @property
    def in_reach(self) -> bool:
        return self.visible_db <= self.highest_db - REACH_DB

    @property
    def false(self) -> bool:
        """A response found at or below the hidden threshold."""
        return self.found_db <= self.true_db


def deafened(ear: VirtualEar) -> VirtualEar:
    """The same head, deaf on both sides."""
    nothing = Ear(math.inf)
    return replace(ear, kind="deaf", patient=replace(ear.patient, left=nothing, right=nothing), true_db_nhl=math.inf)


def of_one_head(ear: VirtualEar, count: int) -> tuple[VirtualEar, ...]:
    """The ear and what a session would ask of the same head after it: the other ear, then the next frequency in both."""
    at = FREQUENCIES_HZ.index(ear.frequency_hz)
    frequencies = (*FREQUENCIES_HZ[at:], *FREQUENCIES_HZ[:at][::-1])
    places = [(side, frequency_hz) for frequency_hz in frequencies for side in (ear.side, other(ear.side))]
    return tuple(at_place(ear, *place) for place in places[:count])


def at_place(ear: VirtualEar, side: Side, frequency_hz: float) -> VirtualEar:
    hears = ear.patient.left if side == "left" else ear.patient.right
    true_db = float((hears.cochlear_db if ear.route == "bone" else hears.air_db)(frequency_hz))
    there = replace(ear.condition, ear=side, frequency_hz=frequency_hz)
    return replace(ear, condition=there, true_db_nhl=true_db if true_db < NO_HEARING_DB else math.inf)


def condition_of(ear: VirtualEar, sessions: Sessions) -> Condition:
    """What a session would search: the levels of its ladder."""
    rules = rules_for(ear, sessions)
    levels = (rules.lowest_db, rules.start_db, rules.highest_db)
    return replace(_condition(ear.frequency_hz, ear.age_group, *levels, sessions), frequency_hz=ear.frequency_hz)


@lru_cache(maxsize=64)
def _condition(
    frequency_hz: float, age_group: str, lowest_db: float, start_db: float, highest_db: float, sessions: Sessions
) -> Condition:
    levels = tuple(float(level) for level in np.arange(lowest_db, highest_db + 1.0, STEP_DB))
    common = setup_of(frequency_hz, age_group, start_db, sessions).analysis(())
    evidence = [setup_of(frequency_hz, age_group, level, sessions).evidence for level in levels]
    brackets = tuple(
        wave_v_bracket_ms(sessions.stimulus, level, age_group, (0.0, math.inf), frequency_hz=frequency_hz) for level in levels
    )
    return Condition(levels, tuple(replace(common, evidence=one) for one in evidence), brackets, UNIT_S, start_db)


class Responses:
    """Of one ear at any level, noise-free, each made once."""

    def __init__(self, ear: VirtualEar, oddity: Oddity, sessions: Sessions, grid: Grid, alone: bool, both: bool = False) -> None:
        self._ear, self._oddity, self._sessions, self._grid, self._alone = ear, oddity, sessions, grid, alone
        self._both = both  # ears are searched in one recording
        self._patient = own_alone(ear) if alone else ear.patient
        self._known: dict[float, Floats] = {}
        self._parts: dict[float, Floats] = {}

    def parts(self, level_db: float) -> Floats:
        """Of the full response of each place, by air (2, p); see `parts_of`."""
        if level_db not in self._parts:
            sound = (self._sessions.stimulus, self._ear.frequency_hz)
            masking = self._masking_db_em(level_db)
            self._parts[level_db] = parts_of(self._patient, self._ear.side, sound, min(level_db, LOUDEST_DB["air"]), masking)
        return self._parts[level_db]

    def _masking_db_em(self, level_db: float) -> float:
        asked = RunRequest(self._ear, level_db, 0, 0.0)
        return math.nan if self._alone else advised_masking_db_em(asked, self._sessions, self._both)

    def at(self, level_db: float) -> Floats:
        if level_db not in self._known:
            ear, sessions = self._ear, self._sessions
            masking = self._masking_db_em(level_db)

            def plain(at_db: float) -> Floats:
                sound = (sessions.stimulus, ear.frequency_hz)
                loudest_db = LOUDEST_DB[ear.route]
                return response_uv(self._patient, ear.side, ear.route, sound, min(at_db, loudest_db), self._grid, masking)

            self._known[level_db] = self._oddity.response(plain, level_db, ear.true_db_nhl, self._grid)
        return self._known[level_db]


def visible_db(ear: VirtualEar, oddity: Oddity, sessions: Sessions) -> float:
    """Lowest level, within 0.2 dB, at which the ear's own response is as large as the noise floor, as for ladders; inf: none."""
    setup = setup_of(ear.frequency_hz, ear.age_group, 40.0, sessions)
    own = Responses(ear, oddity, sessions, setup.grid, alone=True)

    def visible(level_db: float) -> bool:
        return size_nv(own.at(level_db), setup) >= sessions.floor_nv

    if math.isinf(ear.true_db_nhl):
        return math.inf
    low, high = ear.true_db_nhl - 5.0, min(ear.true_db_nhl + 45.0, LOUDEST_DB[ear.route])
    if not low < high or not visible(high):
        return math.inf
    while high - low > FINEST_DB:
        middle = (low + high) / 2
        low, high = (low, middle) if visible(middle) else (middle, high)
    return high


def search(
    ear: VirtualEar, sessions: Sessions, wanted: Wanted | None = None, oddity: Oddity = AS_MODELLED,
    watch: Callable[[RunningSearch], None] = lambda running: None,
) -> Answer:
    """Its answer, without upper limits. `watch` is shown the search after each unit."""  # fmt: skip
    return search_head((ear,), sessions, wanted, oddity, watch=watch)[0]


def search_head(
    ears: Sequence[VirtualEar], sessions: Sessions, wanted: Wanted | None = None, oddity: Oddity = AS_MODELLED,
    alike: bool = True, watch: Callable[[RunningSearch], None] = lambda running: None,
) -> tuple[Answer, ...]:
    """The answer of each ear and frequency of one head, one after the other in one recording. `alike`: thresholds that are found
    count for what is expected of the next ones."""  # fmt: skip
    conditions = tuple(
        replace(condition_of(ear, sessions), rank=rank, ear=ear.side if alike else "") for rank, ear in enumerate(ears)
    )
    grids = [setup_of(one.frequency_hz, one.age_group, 40.0, sessions).grid for one in ears]
    responses = [Responses(ear, oddity, sessions, grid, alone=False) for ear, grid in zip(ears, grids, strict=True)]
    head = Head([RunRequest(ears[0], 0.0, 0, 0.0)], max(grids, key=lambda grid: grid.n_times), sessions.seed)
    noise = oddity.noise(np.random.default_rng([sessions.seed, ears[0].number, 0x6F6464]))
    running = RunningSearch(conditions, wanted)
    usable = np.ones(UNIT_SWEEPS, dtype=bool)
    for unit in range(int((60.0 * sessions.minutes * len(ears) - LEAD_S) / UNIT_S)):
        chosen = running.choose()
        if chosen is None:
            break
        place = chosen.place
        level_db = conditions[place.condition].levels_db[place.level]
        sweeps = np.asarray(head.unit()[0, :, : grids[place.condition].n_times] * noise(unit * UNIT_S), dtype=np.float64)
        sweeps += oddity.left(unit * UNIT_S) * responses[place.condition].at(level_db)
        running.update(place, sweeps, usable)
        watch(running)
    return tuple(running.answer(number, limits=False) for number in range(len(ears)))


def found(ear: VirtualEar, sessions: Sessions, wanted: Wanted | None = None, oddity: Oddity = AS_MODELLED) -> Found:
    return found_in_head((ear,), sessions, wanted, oddity)[0]


def found_in_head(
    ears: Sequence[VirtualEar], sessions: Sessions, wanted: Wanted | None = None, oddity: Oddity = AS_MODELLED, alike: bool = True
) -> tuple[Found, ...]:
    answers = search_head(ears, sessions, wanted, oddity, alike)
    return tuple(
        Found(
            ear=ear.number, kind=ear.kind, oddity=oddity.name, route=ear.route, frequency_hz=ear.frequency_hz,
            true_db=ear.true_db_nhl, visible_db=visible_db(ear, oddity, sessions), highest_db=HIGHEST_DB[ear.route],
            threshold_db=answer.threshold_db, low_db=answer.low_db, high_db=answer.high_db,
            found_db=answer.found_db, finished=answer.finished,
            minutes=((0.0 if place else LEAD_S) + answer.seconds) / 60.0, place=place,
        )
        for place, (ear, answer) in enumerate(zip(ears, answers, strict=True))
    )  # fmt: skip
