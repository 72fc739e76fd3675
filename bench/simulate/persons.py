"""Whole virtual persons: both ears at four frequencies, searched as a session does it, singly or in both ears at once.

A session is one recording. Levels for which advice asks for noise are played with noise in the other ear, and then one ear hears
sounds alone, both ears at once or not. Both kinds of session have the same people, noise and rules.
With both ears at once the sweeps of an ear also contain what its sounds' neighbours evoke in the other ear. The two ears' sweeps
have noise of their own: they overlap in time, but at a phase that changes from unit to unit. With two frequencies at once in each
ear, 500 or 1000 Hz and 2000 or 4000 Hz, both evoke less by as much as they excite the same places
(`quietfloor.bench.patient.adaptation`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from quietfloor.bench.patient.adaptation import beside
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
LOW_HZ = 1000.0  # with two frequencies at once, the highest of the lower ones
SOUND_HZ = 48_000.0
LONGEST_MINUTES = 90.0  # of a recording
# Units of silence between sounds and noise in an ear: singly, together, and with two frequencies. `CellFrames` takes 2 at this
# rate; `TogetherFrames` takes 4 before noise, and after it 3 of one ear; with twice as many streams taking turns twice as many.
HAND_OVER_UNITS = (3, 4, 8)


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


def person(
    number: int, sessions: Sessions, wanted: Wanted, together: bool, deaf: bool = False, frequencies: int = 1
) -> Person:  # fmt: skip
    """One session of a person: one recording, with so many frequencies at once in each ear."""
    asked = conditions_of(number, sessions, deaf)
    answers, minutes, noise_minutes = _recording(asked, sessions, wanted, together, frequencies)
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


def _streams(asked: Sequence[VirtualEar], together: bool, frequencies: int) -> tuple[tuple[int, ...], ...]:
    """The conditions of each stream: one for all, one for each ear, or one for the lower frequencies of each ear and then one for
    the higher ones."""
    if not together:
        return (tuple(range(len(asked))),)
    low = [{True, False}] if frequencies == 1 else [{True}, {False}]
    streams = tuple(
        tuple(place for place, ear in enumerate(asked) if ear.side == side and (ear.frequency_hz <= LOW_HZ) in which)
        for which in low for side in ("left", "right")
    )  # fmt: skip
    return streams if all(streams) else (tuple(range(len(asked))),)


def _rank(ear: VirtualEar, place: int, frequencies: int) -> int:
    """With two frequencies at once the pairs are two octaves apart: 1000 and 4000 Hz, then 500 and 2000 Hz."""
    return place // 2 if frequencies == 1 else int(ear.frequency_hz in (500.0, 2000.0))


def _recording(
    asked: Sequence[VirtualEar], sessions: Sessions, wanted: Wanted, together: bool, frequencies: int
) -> tuple[list[Answer], float, float]:
    """Answers of one recording, its minutes, and those with noise."""
    unit_s = UNIT_S + (REST[frequencies - 1] / RATE_PER_S if together else 0.0)
    every = [condition_of(ear, sessions) for ear in asked]
    conditions = tuple(
        replace(
            one, rank=_rank(ear, place, frequencies), ear=ear.side, unit_s=unit_s,
            noisy=tuple(_noisy(ear, level_db, sessions) for level_db in one.levels_db),
        )
        for place, (ear, one) in enumerate(zip(asked, every, strict=True))
    )  # fmt: skip
    grids = [setup_of(ear.frequency_hz, ear.age_group, 40.0, sessions).grid for ear in asked]
    responses = [
        Responses(ear, AS_MODELLED, sessions, grid, alone=False, both=True) for ear, grid in zip(asked, grids, strict=True)
    ]  # fmt: skip
    streams = _streams(asked, together, frequencies)
    running = RunningSearch(conditions, wanted, streams)
    largest = max(grids, key=lambda grid: grid.n_times)
    head = Head([RunRequest(asked[0], 0.0, stream, 0.0) for stream in range(len(streams))], largest, sessions.seed)
    schedule = Schedule(RATE_PER_S, SOUND_HZ, seed=sessions.seed)
    seen = Seen(Together.of(schedule, frequencies), conditions, grids, responses)
    usable = np.ones(UNIT_SWEEPS, dtype=bool)
    before: tuple[bool, str] | None = None
    units = in_noise = 0
    while LEAD_S + units * unit_s < 60.0 * LONGEST_MINUTES and not running.finished:
        coming = [running.playing(stream) for stream in range(len(streams))]
        playing = [None if one is None else one.place for one in coming]
        now = _heard(playing, conditions)
        if before is not None and silence_between(before, now):
            units += HAND_OVER_UNITS[frequencies if together else 0]
        before = now
        in_noise += now[0]
        noise = head.unit()
        for stream, place in enumerate(playing):
            if place is None:
                continue
            sweeps = np.asarray(noise[stream, :, : grids[place.condition].n_times], dtype=np.float64)
            sweeps += seen.own(place, playing)
            for number, one in enumerate(playing):
                if one is not None and number != stream:
                    sweeps += seen.beside(units, (stream, number), grids[place.condition], one, playing)
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
    """What the sounds evoke in their own sweeps, and in those of others."""

    both: Together
    conditions: Sequence[Condition]
    grids: Sequence[Grid]
    responses: Sequence[Responses]

    def own(self, place: Place, playing: Sequence[Place | None]) -> Floats:
        """Response (n_times,) of a cell while all these play, in uV."""
        responses, level_db = self.responses[place.condition], self.level_db(place)
        size = 1.0
        for one in playing:
            if one is not None and one != place and self.conditions[one.condition].ear == self.conditions[place.condition].ear:
                mine, other = responses.parts(level_db), self.responses[one.condition].parts(self.level_db(one))
                size *= beside(round(float(np.minimum(mine, other).sum() / max(mine.sum(), 1e-9)), 2), RATE_PER_S)
        return size * responses.at(level_db)

    def level_db(self, place: Place) -> float:
        return self.conditions[place.condition].levels_db[place.level]

    def beside(
        self, unit: int, streams: tuple[int, int], grid: Grid, place: Place, playing: Sequence[Place | None]
    ) -> Floats:  # fmt: skip
        """In the sweeps (16, n_times) on ``grid`` of the first of two streams in a unit, while the other one plays that cell;
        uV."""
        times_ms = self.grids[place.condition].times_ms
        return neighbours(self.both, unit, streams, grid, times_ms, self.own(place, playing))


def neighbours(both: Together, unit: int, streams: tuple[int, int], grid: Grid, times_ms: Floats, response: Floats) -> Floats:
    """The ``response`` at ``times_ms`` (n,) to the sounds of the second of two streams (rows of `Together.offsets`), in the
    sweeps (16, n_times) of the first one on ``grid``."""
    onsets_ms = 1e3 * (both.offsets_s(unit) + np.arange(UNIT_SWEEPS) / both.frames.rate_per_s)
    mine, others = streams
    lags_ms = onsets_ms[others] - onsets_ms[mine][:, np.newaxis]  # of its sounds after mine
    at_ms = grid.times_ms - lags_ms[..., np.newaxis]
    return np.asarray(np.interp(at_ms, times_ms, response, left=0.0, right=0.0).sum(axis=1))
