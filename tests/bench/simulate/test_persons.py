"""Whole virtual persons, singly and in both ears at once; what the other ear's answer does to an ear that hears nothing."""

from __future__ import annotations

import itertools
import json
import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from quietfloor.bench.simulate import persons
from quietfloor.bench.simulate.intervals import proportion
from quietfloor.bench.simulate.noises import NOISES, Grid, NoiseSource, Presentation, Singles, run_seeds
from quietfloor.bench.simulate.persons import (
    RATE_PER_S,
    SOUND_HZ,
    Person,
    _heard,
    _streams,
    conditions_of,
    neighbours,
    person,
    silence_between,
)
from quietfloor.bench.simulate.responses import Response
from quietfloor.bench.simulate.searches import Found
from quietfloor.bench.simulate.simulate import Setup, chain, simulate
from quietfloor.bench.simulate.simulated_staircases import Sessions
from quietfloor.bench.validate.persons import main, paired
from quietfloor.monitor.core.cell_order import Place
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.storage.run_folder import jsonable
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.together import Together

BOTH = Together.of(Schedule(RATE_PER_S, SOUND_HZ, seed=9))
GRID = Grid()


def test_the_other_ears_answer_is_where_its_sounds_put_it() -> None:
    """Against a time line of the unit on which every answer is put down, one by one."""
    response = np.sin(np.arange(GRID.n_times) / 15.0) * np.hanning(GRID.n_times)
    for unit in range(3):
        onsets = BOTH.offsets(unit) + np.round(np.arange(16) * BOTH.frames.interval_samples).astype(int)
        for stream in (0, 1):
            line = np.zeros(40_000)
            times = np.arange(1056 + 1) / SOUND_HZ * 1e3 + GRID.start_ms
            fine = np.interp(times, GRID.times_ms, response, left=0.0, right=0.0)
            for onset in onsets[1 - stream]:
                line[5000 + onset - 96 : 5000 + onset - 96 + fine.size] += fine
            expected = [line[5000 + onset - 96 + 12 * np.arange(GRID.n_times)] for onset in onsets[stream]]
            got = neighbours(BOTH, unit, (stream, 1 - stream), GRID, GRID.times_ms, response)
            inside = np.abs(np.array(expected) - got)
            assert np.quantile(inside, 0.99) < 0.02  # a sample of sound is 0.02 ms


def test_the_same_person_in_both_ways() -> None:
    sessions = Sessions(seed=3)
    asked = conditions_of(5, sessions)
    for together, frequencies, expected in ((False, 1, 1), (True, 1, 2), (True, 2, 4)):
        streams = _streams(asked, together, frequencies)
        assert len(streams) == expected
        assert sorted(place for stream in streams for place in stream) == list(range(8))
    for stream, side, low in zip(streams, ("left", "right") * 2, (True, True, False, False), strict=True):
        assert {asked[place].side for place in stream} == {side}
        assert {asked[place].frequency_hz <= 1000.0 for place in stream} == {low}
    assert len({(one.side, one.frequency_hz) for one in asked}) == 8
    assert {one.route for one in asked} == {"air"}
    assert [one.frequency_hz for one in asked[::2]] == [one.frequency_hz for one in asked[1::2]]
    assert all(math.isinf(one.true_db_nhl) for one in conditions_of(5, sessions, deaf=True))


def test_silence_is_counted_where_noise_or_sounds_change_the_ear() -> None:
    """Cells 0 of each condition need no noise, cells 1 do."""
    asked = [SimpleNamespace(ear=ear, quiet=np.array([True, False])) for ear in ("left", "right")]
    heard: Any = [_heard([one], asked) for one in (Place(0, 0), Place(0, 1), Place(1, 1), Place(1, 0), Place(0, 0))]  # type: ignore[arg-type]
    assert heard == [(False, "left"), (True, "left"), (True, "right"), (False, "right"), (False, "left")]
    between = [silence_between(one, other) for one, other in itertools.pairwise(heard)]
    assert between == [False, True, False, False]
    both = _heard([Place(0, 0), Place(1, 0)], asked)  # type: ignore[arg-type]
    assert both == (False, "left right")
    assert silence_between(both, heard[1])
    assert not silence_between(both, heard[0])


@pytest.mark.long
def test_the_same_truth_is_sought_in_both_ways(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:  # fmt: skip
    """A recording of four minutes each; figures of whole sessions are in docs/statistics.md."""
    monkeypatch.setattr(persons, "LONGEST_MINUTES", 4.0)
    ways = ((False, 1), (True, 1), (True, 2))
    singly, both, four = (person(2, Sessions(seed=1), Wanted(), way[0], frequencies=way[1]) for way in ways)
    for way in (both, four):
        for one, other in zip(singly.found, way.found, strict=True):
            assert (one.frequency_hz, one.true_db, one.visible_db) == (other.frequency_hz, other.true_db, other.visible_db)
            assert not other.false
    for one in (singly, both, four):
        assert one.minutes <= 4.2
        assert 0.0 <= one.noise_minutes <= one.minutes
        assert len(one.found) == 8
        assert sum(each.minutes for each in one.found) > 1.0
    assert main(["--persons", "0"]) == 2
    assert "--persons 0 is outside 1 to" in capsys.readouterr().err


def test_ways_are_compared_threshold_by_threshold(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def of_errors(minutes: float, *errors_db: float) -> Person:
        found = tuple(
            Found(
                ear=1, kind="normal", oddity="", route="air", frequency_hz=1000.0, true_db=10.0, visible_db=20.0, highest_db=90.0,
                threshold_db=20.0 + error_db, low_db=15.0, high_db=25.0, found_db=30.0, finished=True, minutes=1.0,
            )
            for error_db in errors_db
        )  # fmt: skip
        return Person(1, "normal", minutes, 0.0, found)

    assert main(["--persons", "2", "--frequencies", "2"]) == 2
    assert "add --together or --paired" in capsys.readouterr().err
    singly = [of_errors(9.0, 1.0, 7.0, 7.0, 12.0), of_errors(5.0, 0.0)]
    both = [of_errors(4.0, 2.0, 1.0, 0.0, -3.0), of_errors(6.0, 8.0)]
    found = paired(singly, both)
    assert found["within_5_db"] == {"only_singly": 1, "only_together": 3, "p": pytest.approx(0.625)}
    assert found["within_10_db"] == {"only_singly": 0, "only_together": 1, "p": 1.0}
    assert found["minutes"] == {"shorter_together": 1, "longer_together": 1, "p": 1.0}
    monkeypatch.setattr("quietfloor.bench.validate.persons.measure", lambda *asked: both if asked[4] else singly)
    assert main(["--persons", "2", "--paired", "--json", "--jobs", "1"]) == 0
    said = capsys.readouterr()
    assert json.loads(said.out)["paired"] == jsonable(found)
    assert json.loads(said.out)["together"]["minutes_for_all_median"] == 5.0
    assert "paired, within 5 db: only singly 1, only together 3; p = 0.62" in said.err


class WithNeighbours:
    """Noise in the sweeps of a sound that evokes nothing, with the ``response`` to every other sound of the recording."""

    def __init__(self, source: NoiseSource, both: Together, stream: int, response: np.ndarray) -> None:
        self._source, self._both, self._stream, self._response, self._unit = source, both, stream, response, 0

    def __getattr__(self, name: str) -> object:
        return getattr(self._source, name)

    def unit(self) -> Singles:
        others = [other for other in range(2 * self._both.sounds) if other != self._stream]
        each = [
            neighbours(self._both, self._unit, (self._stream, other), GRID, GRID.times_ms, self._response) for other in others
        ]
        self._unit += 1
        return self._source.unit() + sum(each).astype(np.float32)


@pytest.mark.long
@pytest.mark.parametrize(("sounds", "stream"), [(1, 0), (1, 1), (2, 0), (2, 3)])
def test_what_other_sounds_evoke_raises_no_false_alarm(sounds: int, stream: int) -> None:
    """500 nV to each of the other sounds, of the other ear and of this one, and nothing to its own: found in at most 1 of 100
    runs of up to 6,144 sweeps. Every 50 runs have a schedule of their own."""
    runs, batch, setup = 600, 50, Setup()
    response = Response(500.0).waves_uv(GRID, run_seeds(4, "response", range(1)))[0]
    assert np.ptp(response) == pytest.approx(0.5, rel=0.1)
    found = 0
    for first in range(0, runs, batch):
        numbers = range(first, first + batch)
        both = Together.of(Schedule(RATE_PER_S, SOUND_HZ, seed=9 + first), sounds)
        source = NoiseSource(NOISES["gaussian"], setup.grid, Presentation(), run_seeds(4, "gaussian", numbers))
        silent = np.zeros((batch, GRID.n_times))
        covariance = NOISES["gaussian"].covariance_uv2(GRID, len(setup.analysis(()).window_times_ms))
        seen: Any = WithNeighbours(source, both, stream, response)
        decided = simulate(seen, silent, setup, [chain("evidence", setup)], covariance).decided
        found += int((decided["evidence"].outcome == 0).sum())
    assert proportion(found, runs).low <= 0.01
    print(json.dumps({"sounds": sounds, "stream": stream, "runs": runs, "found": found}))
