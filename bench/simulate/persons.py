"""Whole virtual persons: both ears at four frequencies, searched as a session does it, singly or in both ears at once.

A session is one recording. Levels for which advice asks for noise are played with noise in the other ear, and then one ear hears
sounds alone, both ears at once or not. Both kinds of session have the same people, noise and rules.
With both ears at once the sweeps of an ear also contain what its sounds' neighbours evoke in the other ear. The two ears' sweeps
have noise of their own: they overlap in time, but at a phase that changes from unit to unit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from quietfloor.bench.simulate import ears
from quietfloor.bench.simulate.ears import FREQUENCIES_HZ, VirtualEar
from quietfloor.bench.simulate.noises import Floats, Grid
from quietfloor.bench.simulate.odd_ears import AS_MODELLED
from quietfloor.bench.simulate.searches import (
    UNIT_S,
    Found,
    Responses,
    at_place,
    condition_of,
    deafened,
    of_one_head,
    visible_db,
)
from quietfloor.bench.simulate.simulated_staircases import (
    HIGHEST_DB,
    LEAD_S,
    RATE_PER_S,
    Head,
    RunRequest,
    Sessions,
    advised_masking_db_em,
    setup_of,
)
from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.core.cell_order import Place
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.search.running import Answer, Condition, RunningSearch
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.together import REST, Together

CONDITIONS = 2 * len(FREQUENCIES_HZ)
BOTH_UNIT_S = UNIT_S + REST / RATE_PER_S
SOUND_HZ = 48_000.0
LONGEST_MINUTES = 90.0  # of a recording
# Units of silence between sounds and noise in an ear, singly and together. `CellFrames` takes 2 at this rate; `TogetherFrames`
# takes 4 before noise, and after it 3 of one ear.
HAND_OVER_UNITS = (3, 4)


@dataclass(frozen=True)
class Person:
    """One session. `noise_minutes`: of its `minutes`, with noise in an ear; `found`: one for each ear and frequency."""

    number: int
    kind: str
    minutes: float
    noise_minutes: float
    found: tuple[Found, ...]


def conditions_of(number: int, sessions: Sessions, deaf: bool = False) -> tuple[VirtualEar, ...]:
    """The ears of a person at all frequencies by air, in the order of a session: a frequency in both ears, then the next one."""
    drawn = ears.draw(number, sessions.seed, sessions.stimulus)
    by_air = replace(drawn, condition=replace(drawn.condition, route="air"))
    first = at_place(by_air, by_air.side, by_air.frequency_hz)
    return of_one_head(deafened(first) if deaf else first, CONDITIONS)


def person(number: int, sessions: Sessions, wanted: Wanted, together: bool, deaf: bool = False) -> Person:
    """One session of a person: one recording."""
    asked = conditions_of(number, sessions, deaf)
    answers, minutes, noise_minutes = _recording(asked, sessions, wanted, together)
    found = tuple(
        Found(
            ear=ear.number, kind=ear.kind, oddity=AS_MODELLED.name, route=ear.route, frequency_hz=ear.frequency_hz,
            true_db=ear.true_db_nhl, visible_db=visible_db(ear, AS_MODELLED, sessions), highest_db=HIGHEST_DB[ear.route],
            threshold_db=answer.threshold_db, low_db=answer.low_db, high_db=answer.high_db, found_db=answer.found_db,
            finished=answer.finished, minutes=answer.seconds / 60.0, place=place,
        )
        for place, (ear, answer) in enumerate(zip(asked, answers, strict=True))
    )  # fmt: skip
    return Person(number, asked[0].kind, minutes, noise_minutes, found)


def _noisy(ear: VirtualEar, level_db: float, sessions: Sessions) -> bool:
    """Whether advice asks for noise in the other ear."""
    return not math.isnan(advised_masking_db_em(RunRequest(ear, level_db, 0, 0.0), sessions))


def _recording(
    asked: Sequence[VirtualEar], sessions: Sessions, wanted: Wanted, together: bool
) -> tuple[list[Answer], float, float]:
    """Answers of one recording, its minutes, and those with noise."""
    unit_s = BOTH_UNIT_S if together else UNIT_S
    every = [condition_of(ear, sessions) for ear in asked]
    conditions = tuple(
        replace(
            one, rank=place // 2, ear=ear.side, unit_s=unit_s,
            noisy=tuple(_noisy(ear, level_db, sessions) for level_db in one.levels_db),
        )
        for place, (ear, one) in enumerate(zip(asked, every, strict=True))
    )  # fmt: skip
    grids = [setup_of(ear.frequency_hz, ear.age_group, 40.0, sessions).grid for ear in asked]
    responses = [
        Responses(ear, AS_MODELLED, sessions, grid, alone=False, both=True) for ear, grid in zip(asked, grids, strict=True)
    ]  # fmt: skip
    of_sides = tuple(tuple(place for place, ear in enumerate(asked) if ear.side == side) for side in ("left", "right"))
    streams = of_sides if together and all(of_sides) else (tuple(range(len(asked))),)
    running = RunningSearch(conditions, wanted, streams)
    largest = max(grids, key=lambda grid: grid.n_times)
    head = Head([RunRequest(asked[0], 0.0, stream, 0.0) for stream in range(len(streams))], largest, sessions.seed)
    seen = Seen(Together.of(Schedule(RATE_PER_S, SOUND_HZ, seed=sessions.seed)), conditions, grids, responses)
    usable = np.ones(UNIT_SWEEPS, dtype=bool)
    before: tuple[bool, str] | None = None
    units = in_noise = 0
    while LEAD_S + units * unit_s < 60.0 * LONGEST_MINUTES and not running.finished:
        coming = [running.playing(stream) for stream in range(len(streams))]
        playing = [None if one is None else one.place for one in coming]
        now = _heard(playing, conditions)
        if before is not None and silence_between(before, now):
            units += HAND_OVER_UNITS[together]
        before = now
        in_noise += now[0]
        noise = head.unit()
        for stream, place in enumerate(playing):
            if place is None:
                continue
            sweeps = np.asarray(noise[stream, :, : grids[place.condition].n_times], dtype=np.float64)
            sweeps += responses[place.condition].at(conditions[place.condition].levels_db[place.level])
            beside = playing[1 - stream] if len(streams) > 1 else None
            if beside is not None:
                sweeps += seen.beside(units, stream, grids[place.condition], beside.condition, beside.level)
            running.update(place, sweeps, usable)
            running.choose(stream)
        units += 1
    answers = [running.answer(place, limits=False) for place in range(len(asked))]
    return answers, (LEAD_S + units * unit_s) / 60.0, in_noise * unit_s / 60.0


def _heard(playing: Sequence[Place | None], conditions: Sequence[Condition]) -> tuple[bool, str]:
    """Whether there is noise in an ear, and which ears hear sounds."""
    here = [place for place in playing if place is not None]
    noise = any(not conditions[place.condition].quiet[place.level] for place in here)
    return noise, " ".join(conditions[place.condition].ear for place in here)


def silence_between(before: tuple[bool, str], now: tuple[bool, str]) -> bool:
    """Whether silence comes between two units: an ear would hear sounds in one and noise in the other."""
    return now[1] != before[1] and (now[0] or before[0])


@dataclass(frozen=True)
class Seen:
    """What the sounds of one ear evoke in the sweeps of the other one."""

    both: Together
    conditions: Sequence[Condition]
    grids: Sequence[Grid]
    responses: Sequence[Responses]

    def beside(self, unit: int, stream: int, grid: Grid, condition: int, level: int) -> Floats:
        """In the sweeps (16, n_times) on ``grid`` of an ear (0: left) in a unit, while the other ear hears that cell; uV."""
        response = self.responses[condition].at(self.conditions[condition].levels_db[level])
        return neighbours(self.both, unit, stream, grid, self.grids[condition].times_ms, response)


def neighbours(both: Together, unit: int, stream: int, grid: Grid, times_ms: Floats, response: Floats) -> Floats:
    """The other ear's ``response`` at ``times_ms`` (n,), in the sweeps (16, n_times) of an ear (0: left) on ``grid``."""
    onsets_ms = 1e3 * (both.offsets_s(unit) + np.arange(UNIT_SWEEPS) / both.frames.rate_per_s)
    lags_ms = onsets_ms[1 - stream] - onsets_ms[stream][:, np.newaxis]  # of its sounds after mine
    at_ms = grid.times_ms - lags_ms[..., np.newaxis]
    return np.asarray(np.interp(at_ms, times_ms, response, left=0.0, right=0.0).sum(axis=1))
