"""The search of a recording: units with their cells in, choices, orders and the verdict out; and the same again."""

from __future__ import annotations

import math

import numpy as np
import pytest

from quietfloor.monitor.core.events import CellUnit, Event, Verdict
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.search.planned import Kept, PlannedSearch, Sought
from quietfloor.monitor.search.record import cells_csv, search_record
from quietfloor.monitor.search.said import LevelChosen, Order, Ordered, order_of
from tests.search.made import LEVELS, condition, sweeps_uv, wave_uv

RATE_HZ, UNIT_SAMPLES = 4000.0, 1600
BEGINS_DB = {"right": 20.0, "left": 45.0}
USABLE = np.ones((1, 16), dtype=bool)


def planned(minutes: float = 60.0, orders: tuple[Kept, ...] = (), ranks: tuple[int, int] = (0, 0)) -> PlannedSearch:
    nothing = (None,) * len(LEVELS)
    sought = tuple(
        Sought(f"click, {ear} ear", ear, "click", None, condition(rank=rank), nothing)
        for ear, rank in zip(BEGINS_DB, ranks, strict=True)
    )
    return PlannedSearch(sought, Wanted(), RATE_HZ, 60.0 * minutes, orders)


class Recording:
    """The same noise for the same units; what is played is what the search wanted ``lag`` units ago."""

    def __init__(self, search: PlannedSearch, lag: int = 2) -> None:
        self.search, self.events, self.played, self.units = search, list[Event](), list[int](), list[CellUnit]()
        self._rng = np.random.default_rng(4)
        self._coming = [search.cell] * lag

    def run(self, units: int) -> Recording:
        for _ in range(units):
            if self.verdict is not None:
                break
            self._coming.append(self.search.cell)
            cell = self._coming.pop(0)
            assert cell is not None
            self.played.append(cell)
            place = self.search.cells.place(cell)
            wave = 0.0 * wave_uv(0.0, 0.0)
            if place is not None:
                one = self.search.sought[place.condition]
                wave = wave_uv(one.levels_db[place.level], BEGINS_DB[one.ear])
            number = len(self.played)
            unit = CellUnit(
                number * UNIT_SAMPLES, number - 1, cell, 0, (), (), (), sweeps_uv(self._rng, wave)[np.newaxis], USABLE
            )  # fmt: skip
            self.units.append(unit)
            self.events += self.search.judge(unit)
        return self

    @property
    def verdict(self) -> Verdict | None:
        return next((event for event in self.events if isinstance(event, Verdict)), None)

    @property
    def ordered(self) -> list[Ordered]:
        return [event for event in self.events if isinstance(event, Ordered)]


def records(events: list[Event]) -> list[dict[str, object]]:
    return [event.record() for event in events]


def test_a_search_of_two_ears_ends_with_both_answers() -> None:
    recording = Recording(planned()).run(900)
    verdict = recording.verdict
    assert verdict is not None
    assert (verdict.verdict, verdict.stopped_by) == ("searched", "search")
    assert recording.events[-1] is verdict
    record = search_record(recording.search)
    assert [one["ear"] for one in record["conditions"]] == ["right", "left"]
    for one in record["conditions"]:
        begins_db = BEGINS_DB[one["ear"]]
        assert one["finished"]
        assert one["state"] == "answered"
        assert one["low_db_nhl"] <= one["threshold_db_nhl"] <= one["high_db_nhl"]
        assert abs(one["threshold_db_nhl"] - (begins_db + 7.0)) <= 8.0
        assert one["found_db_nhl"] > begins_db
        assert one["words"] in verdict.reason
        assert sum(cell["presented"] for cell in one["cells"]) == 16 * sum(
            recording.played.count(cell["cell"]) for cell in one["cells"]
        )
    assert record["units"] == len(recording.played)
    assert recording.search.cell is None
    assert recording.search.now().over
    rows = cells_csv(recording.search).splitlines()
    assert {int(row.split(",")[0]) for row in rows[1:]} == set(recording.played)


def test_orders_of_the_operator_are_followed_at_the_next_unit_and_kept() -> None:
    search = planned()
    recording = Recording(search, lag=0).run(40)
    search.order(Order("go_to", 1, 80.0))
    recording.run(1)  # was on its way already
    recording.run(3)
    assert recording.played[-3:] == [search.cells.cell(1, LEVELS.index(80.0))] * 3
    search.order(Order("pause"))
    recording.run(11)
    assert recording.played[-10:] == [search.cells.silence] * 10
    presented = sum(look.presented for one in search.now().conditions for look in one.looks if look is not None)
    assert presented == 16 * (len(recording.played) - 10)  # what came in the pause belongs to no cell
    search.order(Order("go_on"))
    search.order(Order("only_above", level_db=60.0, why="she stirs"))
    recording.run(80)
    soft = [cell for cell in recording.played[-79:] if LEVELS[cell % len(LEVELS)] < 60.0]
    assert not soft
    search.order(Order("all_levels"))
    search.order(Order("leave", 1))
    recording.run(60)
    assert {place.condition for cell in recording.played[-59:] if (place := search.cells.place(cell))} == {0}
    assert [one.state for one in search.now().conditions][1] == "left"
    search.order(Order("back", 1))
    recording.run(1)
    assert search.now().conditions[1].state != "left"
    kinds = [one.order.kind for one in recording.ordered]
    assert kinds == ["go_to", "pause", "go_on", "only_above", "all_levels", "leave", "back"]
    assert [one["order"] for one in search_record(search)["orders"]] == kinds


def test_what_was_kept_gives_the_same_choices_again() -> None:
    search = planned()
    recording = Recording(search).run(30)
    orders = (Order("only_above", level_db=45.0), Order("pause"), Order("go_on"), Order("leave", 0))
    for order, units in zip(orders, (25, 9, 40, 9), strict=True):
        search.order(order)
        recording.run(units)
    said = records(recording.events)
    kept = tuple(order_of(one) for one in said if one["type"] == "order")
    assert len(kept) == 4
    again = planned(orders=kept)
    assert records([event for unit in recording.units for event in again.judge(unit)]) == said


def test_an_order_that_cannot_be_followed_says_so_and_changes_nothing() -> None:
    search = planned()
    recording = Recording(search, lag=0).run(30)
    search.order(Order("only_above", level_db=60.0))
    search.order(Order("go_to", 0, 20.0))
    recording.run(1)
    assert [bool(one.refused) for one in recording.ordered] == [False, True]
    assert "not offered" in recording.ordered[1].refused
    search.order(Order("only_above", level_db=95.0))
    recording.run(1)
    assert "95 dB nHL" in recording.ordered[2].refused
    assert recording.verdict is None
    with pytest.raises(ValueError, match="no level of click, right ear"):
        search.order(Order("go_to", 0, 41.0))
    with pytest.raises(ValueError, match="there are 0 to 1"):
        search.order(Order("leave", 2))
    with pytest.raises(ValueError, match="give a level"):
        Order("go_to", 0)


@pytest.mark.parametrize("units", [100, pytest.param(900, marks=pytest.mark.long)])
def test_a_level_that_the_dose_does_not_allow_is_not_played_any_more(units: int) -> None:
    search = planned()
    recording = Recording(search, lag=0)
    search.order(Order("not_offered", 0, 35.0, "dose"))
    search.order(Order("not_offered", 1, 50.0, "dose"))
    recording.run(units)
    most_db = {0: max(LEVELS[cell] for cell in recording.played[1:] if cell < len(LEVELS))}
    assert most_db[0] < 35.0
    assert (recording.verdict is not None) == (units == 900)


def test_leaving_every_condition_ends_the_search_without_claiming_an_answer() -> None:
    search = planned()
    recording = Recording(search).run(30)
    search.order(Order("leave", 0))
    search.order(Order("leave", 1))
    recording.run(1)
    verdict = recording.verdict
    assert verdict is not None
    assert (verdict.verdict, verdict.stopped_by) == ("inconclusive", "operator")
    assert "0 of 2 conditions have their answer" in verdict.reason


def test_the_time_that_is_allowed_ends_it_with_what_is_known() -> None:
    recording = Recording(planned(minutes=0.5)).run(900)
    verdict = recording.verdict
    assert verdict is not None
    assert (verdict.verdict, verdict.stopped_by) == ("inconclusive", "time_limit")
    assert 30.0 <= verdict.sample / RATE_HZ < 30.0 + UNIT_SAMPLES / RATE_HZ


@pytest.mark.parametrize(
    ("units", "heard"), [(60, {"left"}), pytest.param(900, {"left", "right"}, marks=pytest.mark.long)]
)
def test_a_lower_rank_comes_first(units: int, heard: set[str]) -> None:
    recording = Recording(planned(ranks=(1, 0)), lag=0).run(units)
    ears = ["right" if cell < len(LEVELS) else "left" for cell in recording.played]
    assert ears == sorted(ears)
    assert set(ears) == heard


def test_the_state_says_what_a_board_needs() -> None:
    search = planned()
    before = search.now()
    assert math.isnan(before.conditions[0].answer.threshold_db)
    assert before.conditions[0].belief_db.size == 0
    recording = Recording(search).run(120)
    now = search.now()
    assert sum(event.kind == "choice" for event in recording.events) > 5
    chosen = next(event for event in reversed(recording.events) if isinstance(event, LevelChosen))
    assert now.place is not None
    assert chosen.cell == search.cells.cell(*now.place)
    assert 0.0 < now.minutes_low < now.minutes_median < now.minutes_high
    running = [one for one in now.conditions if one.state == "running"]
    assert len(running) == 1
    for one in now.conditions:
        if one.belief_db.size:
            step_db = one.belief_db[1] - one.belief_db[0]
            assert one.belief.sum() * step_db == pytest.approx(1.0)
            inside = (one.belief_db >= one.answer.low_db - step_db) & (one.belief_db <= one.answer.high_db + step_db)
            assert one.belief[inside].sum() * step_db >= 0.94
        for look in one.looks:
            assert look is None or look.average_uv.shape == one.times_ms.shape
