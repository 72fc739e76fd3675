"""Threshold searches of virtual ears: the same ears and the same truth as for ladders, and honest counting."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import beta
from threadpoolctl import threadpool_info

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.profiles import Patient
from quietfloor.bench.simulate.ears import VirtualEar
from quietfloor.bench.simulate.noises import Grid
from quietfloor.bench.simulate.odd_ears import AS_MODELLED, ODDITIES, Oddity
from quietfloor.bench.simulate.searches import (
    Found,
    condition_of,
    deafened,
    found,
    found_in_head,
    of_one_head,
    search,
    visible_db,
)
from quietfloor.bench.simulate.simulated_staircases import Sessions, own_alone, visible_db_nhl
from quietfloor.bench.validate.threshold_methods import main, outcome_of_searches, processes, searches, text
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.session.conditions import Condition

SESSIONS = Sessions(rules=("evidence",), minutes=12.0)
GRID = Grid()


def ear(threshold_db: float, number: int = 0, frequency_hz: float = 2000.0) -> VirtualEar:
    patient = Patient("E", Ear(threshold_db), Ear(math.inf), Background(0.7))
    return VirtualEar(number, "flat", patient, Condition("left", "air", "octave-chirp", frequency_hz), threshold_db)


def test_what_can_be_seen_is_what_ladders_are_held_to() -> None:
    one = ear(33.0)
    known = visible_db_nhl(own_alone(one), "left", "air", 2000.0, "adult", SESSIONS, 28.0)
    assert visible_db(one, AS_MODELLED, SESSIONS) == pytest.approx(known, abs=0.2)
    assert math.isinf(visible_db(deafened(one), AS_MODELLED, SESSIONS))
    assert condition_of(one, SESSIONS).levels_db[-1] == 90.0


@pytest.mark.long
def test_a_search_finds_the_threshold_within_minutes_and_is_the_same_again() -> None:
    one = found(ear(33.0), SESSIONS)
    assert one.finished
    assert one.minutes < 6.0
    assert abs(one.threshold_db - one.visible_db) <= 6.0
    assert one.high_db - one.low_db <= Wanted().widest_db
    assert one.true_db < one.found_db
    assert found(ear(33.0), SESSIONS) == one


@pytest.mark.long
def test_nobody_hears_nothing() -> None:
    answer = search(deafened(ear(33.0, 3)), SESSIONS)
    assert answer.threshold_db == math.inf
    assert math.isnan(answer.found_db)


def test_odd_ears_are_odd_as_said() -> None:
    def plain(level_db: float) -> np.ndarray:
        return max(0.0, level_db - 20.0) / 100.0 * np.exp(-0.5 * ((GRID.times_ms - 8.0) / 0.5) ** 2)

    usual = plain(50.0)
    by_name = {one.name: one.response(plain, 50.0, 20.0, GRID) for one in ODDITIES}
    assert by_name["recruitment"].max() == pytest.approx(0.75)
    assert by_name["shallow"].max() == pytest.approx(0.15)
    assert GRID.times_ms[by_name["later"].argmax()] == pytest.approx(9.5)
    assert GRID.times_ms[by_name["jump of latency"].argmax()] == pytest.approx(6.5)
    assert GRID.times_ms[Oddity("", later_ms=-1.5, from_db=20.0).response(plain, 35.0, 20.0, GRID).argmax()] == pytest.approx(8.0)
    assert by_name["two peaks"].sum() == pytest.approx(1.8 * usual.sum(), rel=0.01)
    adapts = next(one for one in ODDITIES if one.name == "adapts")
    assert adapts.left(0.0) * by_name["adapts"].max() == pytest.approx(usual.max())
    assert adapts.left(600.0) == pytest.approx(1.0, abs=1e-6)
    noisy = next(one for one in ODDITIES if one.name == "restless noise").noise(np.random.default_rng(1))
    factors = [noisy(0.4 * unit) for unit in range(400)]
    assert max(factors) / min(factors) > 6.0


def row(error_db: float, minutes: float = 2.0, **changes: object) -> Found:
    one = Found(
        ear=1, kind="flat", oddity="", route="air", frequency_hz=2000.0, true_db=33.0, visible_db=40.0, highest_db=90.0,
        threshold_db=40.0 + error_db, low_db=36.0 + error_db, high_db=44.0 + error_db, found_db=45.0, finished=True,
        minutes=minutes,
    )  # fmt: skip
    return replace(one, **changes)  # type: ignore[arg-type]


def test_counting_with_exact_intervals() -> None:
    rows = [row(0.0, 1.0), row(-6.0, 2.0), row(4.0, 6.0), row(math.inf), row(0.0, found_db=30.0), row(0.0, visible_db=88.0)]
    one = outcome_of_searches(rows)
    assert (one.near.count, one.near.n, one.wide.count, one.covers.count) == (3, 5, 4, 3)
    assert one.minutes == (1.0, 2.0, 6.0, 2.0, 2.0)
    assert (one.false.count, one.false.n) == (1, 6)
    assert one.near.low == pytest.approx(beta.ppf(0.025, 3, 3))  # Clopper & Pearson 1934, by scipy's beta distribution
    said = one.as_json()
    assert list(said) == [
        "method", "ears", "minutes_median", "minutes_mean", "within_5_db", "within_10_db", "interval_covers", "false_thresholds",
    ]  # fmt: skip
    assert (said["minutes_median"], said["within_5_db"], said["false_thresholds"]) == (2.0, 0.6, 1)
    assert "within 5 dB 60.0 % (3 of 5; 14.7 to 94.7)" in text([one])


def test_the_command_prints_one_object(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--thresholds", "search", "--ears", "1", "--seed", "5", "--jobs", "1", "--minutes", "1", "--deaf", "--json"]
    assert main(words) == 0
    out, err = capsys.readouterr()
    (method,) = json.loads(out)["methods"]
    assert (method["method"], method["ears"], method["false_thresholds"]) == ("search", 1, 0)
    assert method["within_5_db"] is None  # nothing to find
    assert "minutes of signal a threshold" in err


def test_conditions_of_a_head_are_counted_by_their_place(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--thresholds", "search", "--ears", "1", "--seed", "5", "--jobs", "1", "--minutes", "1", "--together", "2", "--json"]
    assert main(words) == 0
    methods = json.loads(capsys.readouterr().out)["methods"]
    assert [(one["method"], one["ears"]) for one in methods] == [("search", 2), ("1 of a head", 1), ("2 of a head", 1)]


def test_a_process_has_one_thread_for_its_matrices() -> None:
    with processes(1) as workers:
        assert {one["num_threads"] for one in workers.submit(threadpool_info).result()} == {1}


@pytest.mark.long
def test_a_dask_scheduler_gives_the_same() -> None:
    distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    brief = replace(SESSIONS, minutes=1.0)
    with processes(1) as workers:
        alone = searches(1, brief, Wanted(), workers, deaf=True)
    here = {"host": "127.0.0.1", "dashboard_address": "127.0.0.1:0"}
    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=1, **here) as cluster,
        processes(1, cluster.scheduler_address) as workers,
    ):
        assert str(searches(1, brief, Wanted(), workers, deaf=True)) == str(alone)  # text, as nan is not nan


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--thresholds", "guess"], "guess"),
        (["--thresholds", "search,ladder", "--odd"], "--odd"),
        (["--thresholds", "search,ladder", "--together", "2"], "--together"),
        (["--thresholds", "search", "--together", "9"], "--together"),
        (["--thresholds", "search", "--ears", "0"], "--ears"),
        (["--thresholds", "search", "--width", "1"], "width_db"),
    ],
)
def test_what_is_not_allowed_is_said(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    assert said in capsys.readouterr().err


def test_a_head_is_asked_both_ears_before_the_next_frequency() -> None:
    one = ear(33.0)
    asked = of_one_head(one, 4)
    assert [(each.side, each.frequency_hz) for each in asked] == [
        ("left", 2000.0), ("right", 2000.0), ("left", 4000.0), ("right", 4000.0),
    ]  # fmt: skip
    assert asked[0] == one
    assert [each.true_db_nhl for each in asked] == [33.0, math.inf, 33.0, math.inf]
    assert [each.frequency_hz for each in of_one_head(one, 8)[::2]] == [2000.0, 4000.0, 1000.0, 500.0]


@pytest.mark.long
def test_conditions_of_a_head_are_searched_in_one_recording_and_each_has_its_minutes() -> None:
    two = found_in_head(of_one_head(ear(33.0), 3)[::2], SESSIONS)
    assert [one.place for one in two] == [0, 1]
    assert all(one.finished for one in two)
    assert two[0] == found(ear(33.0), SESSIONS)  # what comes later changes nothing before it
    assert all(abs(one.threshold_db - one.visible_db) <= 8.0 for one in two)
