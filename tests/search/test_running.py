"""A search from units to an answer."""

from dataclasses import replace

import numpy as np
import pytest

from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.search.running import Condition, Place, RunningSearch
from tests.search.made import LEVELS, SETTINGS, condition, sweeps_uv, wave_uv

USABLE = np.ones(16, dtype=bool)


def follow(
    conditions: tuple[Condition, ...], begins_db: tuple[float, ...], seed: int, most: int = 900, noise_uv: float = 1.0
) -> tuple[RunningSearch, list[Place]]:
    search, rng, places = RunningSearch(conditions), np.random.default_rng(seed), []
    while len(places) < most:
        chosen = search.choose()
        if chosen is None:
            break
        place = chosen.place
        level = conditions[place.condition].levels_db[place.level]
        search.update(place, sweeps_uv(rng, wave_uv(level, begins_db[place.condition]), noise_uv), USABLE)
        places.append(place)
    return search, places


def next_place(search: RunningSearch) -> Place:
    chosen = search.choose()
    assert chosen is not None
    return chosen.place


@pytest.fixture(scope="module")
def one() -> tuple[RunningSearch, list[Place]]:
    return follow((condition(),), (32.0,), 1)


def test_a_threshold_is_found_with_its_interval_and_a_response_near_it(one: tuple[RunningSearch, list[Place]]) -> None:
    search, places = one
    answer = search.answer()
    assert search.finished
    assert answer.finished
    assert answer.high_db - answer.low_db <= Wanted().width_after_db(answer.seconds)
    assert answer.low_db <= answer.threshold_db <= answer.high_db
    assert abs(answer.threshold_db - 39.0) <= 6.0  # RMS of 15 nV of the wave that was made up
    assert 32.0 < answer.found_db <= answer.high_db + 10.0
    assert sum(answer.sweeps) == 16 * len(places)
    assert answer.seconds == pytest.approx(0.4 * len(places))
    for level, sweeps, limit_nv in zip(LEVELS, answer.sweeps, answer.limits_nv, strict=True):
        if sweeps >= 1024:  # fewer units need not limit anything
            assert limit_nv > 1e3 * np.ptp(SETTINGS.window.of(wave_uv(level, 32.0)))
        if sweeps == 0:
            assert np.isnan(limit_nv)


def test_the_same_units_give_the_same_choices(one: tuple[RunningSearch, list[Place]]) -> None:
    assert follow((condition(),), (32.0,), 1, most=120)[1] == one[1][:120]


def test_rises_are_limited_to_20_db(one: tuple[RunningSearch, list[Place]]) -> None:
    levels = [LEVELS[place.level] for place in one[1]]
    assert max(np.diff(levels)) <= 20.0
    assert len(set(levels)) >= 4


def test_no_hearing_ends_beyond_the_loudest_level() -> None:
    search, _ = follow((condition(),), (500.0,), 2)
    answer = search.answer()
    assert answer.finished
    assert answer.threshold_db == np.inf
    assert np.isnan(answer.found_db)


def test_conditions_come_by_rank() -> None:
    _, places = follow((condition(rank=1), condition(rank=0)), (20.0, 50.0), 3, most=60, noise_uv=0.7)
    order = [place.condition for place in places]
    assert set(order[20:]) == {1}  # after the first units, which teach the noise


@pytest.mark.long
def test_conditions_come_by_rank_and_each_is_answered() -> None:
    search, places = follow((condition(rank=1), condition(rank=0)), (20.0, 50.0), 3, most=1600, noise_uv=0.7)
    assert search.finished
    order = [place.condition for place in places]
    assert order[:20] == [0] * 20 or order[20:40].count(1) > 0
    second_begins = max(number for number, one in enumerate(order) if one == 1)
    assert set(order[20:second_begins]) == {1}  # after the first units, which teach the noise
    assert search.answer(0).threshold_db < search.answer(1).threshold_db


def test_only_levels_that_are_offered_are_played_and_a_condition_can_be_left() -> None:
    search, rng = RunningSearch((condition(), condition())), np.random.default_rng(4)
    levels = np.array(LEVELS)
    search.offer(0, levels >= 60.0)
    places = []
    for number in range(120):
        if number == 80:
            search.offer(0, levels > 200.0)
        places.append(next_place(search))
        search.update(places[-1], sweeps_uv(rng, wave_uv(LEVELS[places[-1].level], 20.0)), USABLE)
    assert {place.condition for place in places[:80]} == {0, 1}
    assert all(LEVELS[place.level] >= 60.0 for place in places if place.condition == 0)
    assert {place.condition for place in places[80:]} == {1}
    assert not search.answer(0).finished
    search.offer(1, levels > 200.0)
    assert search.finished
    assert search.choose() is None
    search.offer(1, levels > 20.0)
    assert not search.finished
    with pytest.raises(ValueError, match="19 levels"):
        search.offer(1, levels[:3] > 0)


def test_the_operator_can_go_to_a_cell_that_is_offered() -> None:
    search = RunningSearch((condition(), condition()))
    assert search.go_to(Place(1, 4)).choice.why == "operator"
    assert next_place(search) == Place(1, 4)
    search.offer(1, np.array(LEVELS) > 50.0)
    assert next_place(search) != Place(1, 4)
    with pytest.raises(ValueError, match="20 dB nHL is not offered"):
        search.go_to(Place(1, 4))


@pytest.mark.parametrize(("factor", "noise_uv"), [(12.0, 1.0), (1.0, 0.02), pytest.param(-1.0, 1.0, marks=pytest.mark.long)])
def test_responses_far_outside_of_what_is_expected_are_found_all_the_same(factor: float, noise_uv: float) -> None:
    """Of 5 uV, in next to no noise, upside down: numbers stay finite, and the search ends."""
    search, rng = RunningSearch((condition(),)), np.random.default_rng(1)
    with np.errstate(divide="raise", invalid="raise", over="raise"):
        for _ in range(700):
            chosen = search.choose()
            if chosen is None:
                break
            wave = factor * wave_uv(LEVELS[chosen.place.level], 20.0)
            search.update(chosen.place, sweeps_uv(rng, wave, noise_uv), USABLE)
    answer = search.answer()
    assert answer.finished
    assert 20.0 < answer.found_db <= 45.0
    assert answer.low_db <= answer.threshold_db <= answer.high_db


def test_one_level_alone_can_be_searched() -> None:
    good = condition()
    alone = Condition((40.0,), good.settings[:1], good.brackets_ms[:1], 0.4)
    for begin_db, heard in ((0.0, True), (200.0, False)):
        search, _ = follow((alone,), (begin_db,), 6)
        assert search.answer().finished
        assert (search.answer().found_db == 40.0) is heard


def test_conditions_of_different_epochs_share_one_noise() -> None:
    longer = tuple(replace(one, n_times=65, window_ms=(5.0, 19.0)) for one in condition().settings)
    search, rng = RunningSearch((condition(), replace(condition(), settings=longer))), np.random.default_rng(5)
    for number in range(60):
        place = search.go_to(Place(number % 2, 8)).place if number < 20 else next_place(search)
        sweeps = sweeps_uv(rng, wave_uv(LEVELS[place.level], 20.0))
        search.update(place, sweeps if place.condition == 0 else np.pad(sweeps, ((0, 0), (0, 8))), USABLE)
    assert all(np.isfinite(search.answer(number).threshold_db) for number in (0, 1))


def test_units_without_anything_usable_change_nothing_that_is_known() -> None:
    search = RunningSearch((condition(),), Wanted())
    nothing = np.zeros(16, dtype=bool)
    for _ in range(40):
        search.update(next_place(search), np.zeros((16, 57)), nothing)
    assert search.answer().log10 == tuple(0.0 for _ in LEVELS)
    assert not search.finished


def test_levels_are_given_once_and_in_order_with_a_setting_for_each() -> None:
    good = condition()
    with pytest.raises(ValueError, match="softest first"):
        replace(good, levels_db=tuple(reversed(LEVELS)))
    with pytest.raises(ValueError, match="each of its levels"):
        replace(good, settings=good.settings[:3])
    with pytest.raises(ValueError, match="window"):
        replace(good, settings=(replace(good.settings[0], window_ms=(5.0, 12.0)), *good.settings[1:]))
    with pytest.raises(ValueError, match="at least"):
        RunningSearch(())
