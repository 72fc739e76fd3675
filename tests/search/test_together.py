"""A search in which both ears hear sounds at once: a choice for each ear, one verdict; orders, and an ear that is done first."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from quietfloor.monitor.core.cell_order import Place
from quietfloor.monitor.core.events import CellUnit, Event, Verdict
from quietfloor.monitor.core.train import EARS, streams_of
from quietfloor.monitor.display.board import board_of, headline, recent
from quietfloor.monitor.display.feed import Feed
from quietfloor.monitor.display.model import ViewModel
from quietfloor.monitor.display.searchtext import line
from quietfloor.monitor.run.status import Status
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.search.planned import PlannedSearch, Sought
from quietfloor.monitor.search.record import search_record
from quietfloor.monitor.search.running import RunningSearch
from quietfloor.monitor.search.said import LevelChosen, Order
from tests.search.made import LEVELS, condition, sweeps_uv, wave_uv

RATE_HZ, UNIT_SAMPLES = 4000.0, 1700
BEGINS_DB = {"left": 45.0, "right": 20.0}
USABLE = np.ones((2, 16), dtype=bool)


def planned(conditions: int = 1, noise_from_db: float = math.inf, together: int = 1) -> PlannedSearch:
    """Both ears, with so many conditions each, and noise in the other ear from a level on; the second channel decides for the
    right ear. ``together``: sounds at once in each ear, to which the conditions go in turn."""
    noisy = tuple(level >= noise_from_db for level in LEVELS)
    noise = tuple(40.0 if one else None for one in noisy)
    sought = tuple(
        Sought(
            f"click, {ear} ear, {rank}", ear, "click", None, condition(rank=rank, noisy=noisy, ear=ear), noise, EARS.index(ear),
            rank % max(together, 1),
        )
        for rank in range(conditions)
        for ear in BEGINS_DB
    )
    return PlannedSearch(sought, Wanted(), RATE_HZ, 3600.0, (), together)


class Recording:
    """Both ears at once, each sound with noise of its own; the channel of its ear holds what it evokes, the other one noise
    alone."""

    def __init__(self, search: PlannedSearch) -> None:
        self.search, self.events, self.units = search, list[Event](), list[CellUnit]()
        self._rng = np.random.default_rng(4)
        self.played: list[tuple[int | None, ...]] = []

    def run(self, units: int) -> Recording:
        for _ in range(units):
            if self.verdict is not None:
                break
            cells = [self.search.cell_of(stream) for stream in range(len(self.search.streams))]
            self.played.append(tuple(cells))
            for stream, cell in enumerate(cells):
                assert cell is not None
                place = self.search.cells.place(cell)
                wave = 0.0 * wave_uv(0.0, 0.0)
                if place is not None:
                    one = self.search.sought[place.condition]
                    assert (one.ear, one.sound) == self.search.streams[stream]
                    wave = wave_uv(one.levels_db[place.level], BEGINS_DB[one.ear])
                both = np.stack([sweeps_uv(self._rng, 0.0 * wave), sweeps_uv(self._rng, 0.0 * wave)])
                both[stream % 2] = sweeps_uv(self._rng, wave)
                number, (ear, sound) = len(self.played), self.search.streams[stream]
                which = sound if len(cells) > 2 else None
                unit = CellUnit(number * UNIT_SAMPLES, number - 1, cell, 0, (), (None,) * 16, (), both, USABLE, ear, which)
                self.units.append(unit)
                self.events += self.search.judge(unit)
                if self.verdict is not None:
                    break
        return self

    @property
    def verdict(self) -> Verdict | None:
        return next((event for event in self.events if isinstance(event, Verdict)), None)


def test_each_ear_has_choices_of_its_own_and_the_search_ends_with_both() -> None:
    recording = Recording(planned()).run(900)
    verdict, search = recording.verdict, recording.search
    assert verdict is not None
    assert (verdict.verdict, verdict.stopped_by) == ("searched", "search")
    for one in search_record(search)["conditions"]:
        assert one["finished"]
        assert abs(one["threshold_db_nhl"] - (BEGINS_DB[one["ear"]] + 7.0)) <= 8.0
        assert one["found_db_nhl"] > BEGINS_DB[one["ear"]]
    chosen = [event for event in recording.events if isinstance(event, LevelChosen)]
    assert {event.ear for event in chosen} == set(EARS)
    for event in chosen:
        place = None if event.cell is None else search.cells.place(event.cell)
        assert place is None or search.sought[place.condition].ear == event.ear
        assert event.record()["ear"] == event.ear
    # the ear that is done first is silent while the other one goes on
    done = [tuple(cell == search.cells.silence for cell in cells) for cells in recording.played]
    assert (True, False) in done or (False, True) in done
    assert (True, True) not in done
    assert search.rejected["paused"] == 0
    assert search.cell_of(0) is search.cell_of(1) is None
    # the same units give the same search
    again = planned()
    events = [event for unit in recording.units for event in again.judge(unit)]
    assert [event.record() for event in events] == [event.record() for event in recording.events]


def noisy_of(search: PlannedSearch, cells: tuple[int | None, ...]) -> list[bool]:
    """Of each ear that hears sounds: whether with noise in the other one."""
    places = [search.cells.place(cell) for cell in cells if cell is not None]
    return [search.sought[place.condition].condition.noisy[place.level] for place in places if place is not None]


def test_a_level_with_noise_is_played_alone_and_no_sooner_than_it_must() -> None:
    """The left ear begins at 45 dB, above what can be played without noise in the right one: 40."""
    recording = Recording(planned(noise_from_db=45.0)).run(2000)
    search = recording.search
    assert recording.verdict is not None
    assert recording.verdict.stopped_by == "search"
    heard = [noisy_of(search, cells) for cells in recording.played]
    assert all(len(one) == 1 for one in heard if any(one)), "with noise in an ear it hears no sounds"
    assert [False, False] in heard
    answers = {one.ear: answer for one, answer in zip(search.sought, search.answers(limits=False), strict=True)}
    for ear, begins_db in BEGINS_DB.items():
        assert abs(answers[ear].threshold_db - (begins_db + 7.0)) <= 8.0
    first = next(number for number, one in enumerate(heard) if any(one))
    assert first >= 30
    assert not any(answers["right"].sweeps[LEVELS.index(45.0) :]), "its levels without noise were enough"
    chosen = [event for event in recording.events if isinstance(event, LevelChosen)]
    waits = [event for event in chosen if event.why == "noise"]
    assert all(event.cell == search.cells.silence for event in waits)
    again = planned(noise_from_db=45.0)
    events = [event for unit in recording.units for event in again.judge(unit)]
    assert [event.record() for event in events] == [event.record() for event in recording.events]


@pytest.mark.long
def test_two_streams_of_an_ear_have_cells_of_their_own_and_share_its_noise() -> None:
    """Left: 45 dB in both conditions, of which only one may need noise; right: 20 dB."""
    begins_db = (45.0, 20.0, 45.0, 20.0)
    from_db = (45.0, 45.0, math.inf, math.inf)
    conditions = tuple(
        condition(ear=EARS[number % 2], rank=0, noisy=tuple(level >= one for level in LEVELS))
        for number, one in enumerate(from_db)
    )
    search = RunningSearch(conditions, Wanted(), ((0,), (1,), (2,), (3,)))
    rng, usable = np.random.default_rng(6), np.ones(16, dtype=bool)
    heard: list[tuple[Place | None, ...]] = []
    while not search.finished:
        playing = [None if (one := search.playing(stream)) is None else one.place for stream in range(4)]
        heard.append(tuple(playing))
        for stream, place in enumerate(playing):
            if place is not None:
                search.update(place, sweeps_uv(rng, wave_uv(LEVELS[place.level], begins_db[place.condition])), usable)
                search.choose(stream)
        assert len(heard) < 2000
    for number, begins in enumerate(begins_db):
        assert abs(search.answer(number).threshold_db - (begins + 7.0)) <= 8.0
    in_noise = [one for one in heard if any(place and not conditions[place.condition].quiet[place.level] for place in one)]
    assert in_noise
    for one in in_noise:
        sides = {number % 2 for number, place in enumerate(one) if place is not None}
        assert len(sides) == 1, "the other ear is silent"
    assert all(place is not None for place in heard[0])
    units = [sum(search.answer(number).sweeps) // 16 for number in range(4)]
    assert len(heard) < 0.6 * sum(units)
    with pytest.raises(ValueError, match="the conditions of a stream are of one ear"):
        RunningSearch(conditions, Wanted(), ((0, 1), (2, 3)))


def test_an_order_to_a_level_with_noise_silences_the_other_ear() -> None:
    search = planned(noise_from_db=45.0)
    recording = Recording(search).run(40)
    search.order(Order("go_to", 1, 60.0))
    recording.run(3)
    assert recording.played[-1] == (search.cells.silence, search.cells.cell(1, LEVELS.index(60.0)))
    last = {event.ear: event for event in recording.events if isinstance(event, LevelChosen)}
    assert (last["left"].cell, last["left"].why) == (search.cells.silence, "noise")
    assert last["right"].cell == search.cells.cell(1, LEVELS.index(60.0))
    now = search.now()
    assert [place.condition for place, _ in now.playing] == [1]
    assert now.noise == "40 dB EM of noise in the left ear"
    assert now.noise in line(now)
    assert now.noise in headline(now, Status("running", search=now, seconds=now.seconds), "both").particulars
    search.order(Order("go_to", 0, 20.0))
    recording.run(3)
    assert noisy_of(search, recording.played[-1]) == [False, False]
    assert recording.played[-1][0] == search.cells.cell(0, LEVELS.index(20.0))


def test_what_is_left_counts_conditions_with_noise_one_after_the_other() -> None:
    both, noisy = (Recording(planned(noise_from_db=level)).run(60).search.now() for level in (math.inf, 15.0))
    assert noisy.minutes_median > both.minutes_median


def test_singly_noise_stays_in_one_ear_for_a_while() -> None:
    """Each change of the ear with noise costs units of silence."""
    search = planned(noise_from_db=0.0, together=0)
    rng, places = np.random.default_rng(2), []
    for number in range(400):
        cell = search.cell
        if cell is None:
            break
        place = search.cells.place(cell)
        assert place is not None
        one = search.sought[place.condition]
        wave = wave_uv(one.levels_db[place.level], BEGINS_DB[one.ear])
        both = np.stack([sweeps_uv(rng, wave), sweeps_uv(rng, wave)])
        search.judge(CellUnit(number * UNIT_SAMPLES, number, cell, 0, (), (None,) * 16, (), both, USABLE, None))
        places.append(place)
    ears = [search.sought[place.condition].ear for place in places]
    assert sum(one != other for one, other in itertools.pairwise(ears)) <= 8


def test_it_takes_less_time_than_one_ear_after_the_other() -> None:
    """Of units, of which each holds sweeps of both ears: as many as the ear that takes longer."""
    recording = Recording(planned()).run(900)
    units = [sum(one.sweeps) // 16 for one in recording.search.answers(limits=False)]
    assert abs(len(recording.played) - max(units)) <= 1
    assert len(recording.played) < 0.9 * sum(units)


@pytest.mark.long
def test_two_sounds_of_an_ear_have_searches_of_their_own() -> None:
    """Four conditions at the same time: as many units as the longest of them takes."""
    recording = Recording(planned(2, together=2)).run(900)
    search = recording.search
    assert search.streams == (("left", 0), ("right", 0), ("left", 1), ("right", 1))
    assert recording.verdict is not None
    assert recording.verdict.stopped_by == "search"
    for one in search_record(search)["conditions"]:
        assert one["finished"]
        assert abs(one["threshold_db_nhl"] - (BEGINS_DB[one["ear"]] + 7.0)) <= 8.0
    units = [sum(one.sweeps) // 16 for one in search.answers(limits=False)]
    assert abs(len(recording.played) - max(units)) <= 1
    chosen = [event for event in recording.events if isinstance(event, LevelChosen)]
    assert {(event.ear, event.sound) for event in chosen} == set(search.streams)
    for event in chosen:
        place = None if event.cell is None else search.cells.place(event.cell)
        of_place = None if place is None else search.sought[place.condition]
        assert of_place is None or (of_place.ear, of_place.sound) == (event.ear, event.sound)
        assert (event.record()["ear"], event.record()["sound"]) == (event.ear, event.sound)
    again = planned(2, together=2)
    events = [event for unit in recording.units for event in again.judge(unit)]
    assert [event.record() for event in events] == [event.record() for event in recording.events]


def test_all_four_are_shown_and_an_order_moves_one_of_them() -> None:
    search = planned(2, together=2)
    recording = Recording(search).run(40)
    now = search.now()
    assert [place.condition for place, _ in now.playing] == [0, 1, 2, 3]
    assert now.sentence.count("now ") == 4
    assert all(column.words.startswith("plays") for column in board_of(now).columns)
    assert headline(now, Status("running", search=now, seconds=now.seconds), "both").rest.count("dB nHL") == 4
    before = [search.cells.place(cell or 0) for cell in recording.played[-1]]
    search.order(Order("go_to", 2, 80.0))  # the left ear's second sound
    recording.run(1)
    recording.run(1)
    after = [search.cells.place(cell or 0) for cell in recording.played[-1]]
    assert after[2] == Place(2, LEVELS.index(80.0))
    assert [one and one.condition for one in after] == [one and one.condition for one in before]


@pytest.mark.long
def test_with_two_sounds_a_level_with_noise_silences_both_of_the_other_ear() -> None:
    """The left ear begins at 45 dB, above what can be played without noise in the right one: 40."""
    recording = Recording(planned(2, noise_from_db=45.0, together=2)).run(2000)
    search = recording.search
    assert recording.verdict is not None
    assert recording.verdict.stopped_by == "search"
    silent = search.cells.silence
    for cells in recording.played:
        places = [None if cell in (None, silent) else search.cells.place(cell or 0) for cell in cells]
        noisy = {
            search.sought[place.condition].ear
            for place in places
            if place is not None and search.sought[place.condition].condition.noisy[place.level]
        }
        assert len(noisy) < 2
        heard = {search.sought[place.condition].ear for place in places if place is not None}
        assert not noisy or heard == noisy, "with noise in an ear it hears no sounds"
    for one, answer in zip(search.sought, search.answers(limits=False), strict=True):
        assert abs(answer.threshold_db - (BEGINS_DB[one.ear] + 7.0)) <= 8.0


def test_orders_hold_for_the_ear_that_they_name_and_pauses_for_both() -> None:
    search = planned(2)
    recording = Recording(search).run(30)
    search.order(Order("go_to", 3, 80.0))  # the right ear's second condition
    recording.run(4)
    cells = [search.cells.place(cell or 0) for cell in recording.played[-1]]
    assert cells[1] == Place(3, LEVELS.index(80.0))
    assert cells[0] is not None
    assert cells[0].condition == 0
    search.order(Order("pause"))
    recording.run(5)
    assert recording.played[-1] == (search.cells.silence,) * 2
    now = search.now()
    assert now.paused
    assert now.sentence.startswith("paused; click, left ear")
    search.order(Order("go_on"))
    search.order(Order("leave", 0))
    search.order(Order("leave", 2))
    recording.run(20)
    assert recording.played[-1][0] == search.cells.silence  # nothing of the left ear is open
    assert recording.verdict is None
    assert [one.state for one in search.now().conditions].count("left") == 2
    assert search.rejected["silent"] > 0


def test_both_are_shown() -> None:
    search = planned()
    now = Recording(search).run(60).search.now()
    assert [place.condition for place, _ in now.playing] == [0, 1]
    assert [one.state for one in now.conditions] == ["running", "running"]
    assert now.sentence.count("now ") == 2
    board = board_of(now)
    assert all(column.words.startswith("plays") for column in board.columns)
    assert recent((), now) == (0, 1)
    said = headline(now, Status("running", search=now, seconds=now.seconds), "both")
    assert now.heard_s == pytest.approx(60 * 0.4)  # units hold sweeps of both ears
    assert now.noise == ""
    assert said.rest.count("dB nHL") == 2
    assert len(said.rest) < 100  # both fit on a narrow screen
    assert "1. click, left ear, 0" in line(now)
    assert "2. click, right ear, 0" in line(now)
    assert math.isfinite(now.minutes_median)


@pytest.mark.parametrize("at_once", [1, 2])
def test_nothing_is_shown_as_playing_once_a_recording_has_its_verdict(at_once: int) -> None:
    search = planned(2, together=at_once)
    Recording(search).run(40)
    model = ViewModel(Feed(), "", 15.0, 6144, (5.5, 9.0))
    model.advance(Status("running", search=search.now()))
    assert model.search is not None
    assert len(model.search.playing) == 2 * at_once
    model.advance(Status("done", search=search.now(), verdict=Verdict(0, "inconclusive", "operator", "stopped")))
    assert model.search is not None
    assert not any(column.running for column in board_of(model.search).columns)


def test_what_cannot_be_together_is_refused() -> None:
    nothing = (None,) * len(LEVELS)
    one = Sought("click, left ear", "left", "click", None, condition(), nothing)
    with pytest.raises(ValueError, match="give conditions of both ears"):
        PlannedSearch((one,), Wanted(), RATE_HZ, together=1)
    sought = planned(1).sought
    assert {(each.ear, each.sound) for each in sought} == set(streams_of(1))
    with pytest.raises(ValueError, match="give conditions of both ears and of both their sounds"):
        PlannedSearch(sought, Wanted(), RATE_HZ, together=2)
    with pytest.raises(ValueError, match="give each of 2 conditions once"):
        RunningSearch((condition(), condition()), None, ((0,), (0, 1)))
