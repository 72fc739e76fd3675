"""A session that is led from its view: what each wish of the user makes of the next run, with runs that are written, not made."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from quietfloor.monitor.session.session_store import SessionError
from tests.session.desk import CALIBRATION, Desk, words
from tests.session.searches import PLAN as SEARCHES


@pytest.fixture
def desk(
    plan_text: str, tmp_path: Path, add_run: Callable[..., int], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Desk]:
    def make(text: str = plan_text, before: tuple[str, ...] = (), **how: Any) -> Desk:
        plan = make_session_plan(tomllib.loads(text.replace("CALIBRATION", str(CALIBRATION))))
        session = Session.begin(tmp_path / "s", plan)
        for word in before:
            add_run(session.folder, word)
        made = Desk(session, add_run, words(**how))
        monkeypatch.setattr("quietfloor.monitor.commands.session_window.carry_through", made.carry_through)
        return made

    return make


def test_the_suggestion_is_taken_or_another_level_and_then_the_next_one_is_suggested(desk: Callable[..., Desk]) -> None:
    with desk() as it:
        assert (it.coming.condition.ear, it.coming.level_db, it.coming.own) == ("right", 40.0, False)
        it.wish("louder")
        it.wish("louder")
        assert (it.coming.level_db, it.coming.own) == (50.0, True)
        assert "your choice, where 40 is suggested" in it.coming.sentence
        it.wish("softer")
        it.wish("start")
        assert [plan.sound.level_db_nhl for plan in it.plans] == [45.0]
        assert it.sight.last.startswith("Run 1, right click: 45 dB nHL, response")
        assert (it.coming.level_db, it.coming.own) == (35.0, False), "10 dB below"
        it.wish("start")
        assert [plan.sound.level_db_nhl for plan in it.plans] == [45.0, 35.0]


def test_no_level_outside_the_plan_can_be_chosen(desk: Callable[..., Desk]) -> None:
    with desk() as it:
        for _ in range(12):
            it.wish("louder") if it.coming.louder else None
        assert (it.coming.level_db, it.coming.louder) == (80.0, False)
        for _ in range(20):
            it.wish("softer") if it.coming.softer else None
        assert (it.coming.level_db, it.coming.softer) == (0.0, False)


def test_masking_stands_whole_with_its_level_and_one_key_gives_it(desk: Callable[..., Desk]) -> None:
    with desk(before=("70+",), repeat=1) as it:
        advice = it.session.masking(0, 70.0)
        assert advice is not None
        assert it.coming.masking == advice.sentence
        assert it.coming.noise == "white noise of 30 dB EM in the left ear", "as for --masking"
        assert not it.coming.given
        it.wish("mask")
        assert it.coming.given
        it.wish("mask")
        assert not it.coming.given
        it.wish("mask")
        it.wish("start")
        sound = it.plans[0].sound
        assert (sound.masking, sound.masking_level_db_em) == ("white", 30.0)
        assert not it.coming.given, "each noise is wished for anew"


def test_a_condition_is_chosen_by_steps_or_by_its_number(desk: Callable[..., Desk]) -> None:
    with desk() as it:
        it.wish("condition", steps=1)
        assert (it.coming.condition.ear, it.coming.level_db) == ("left", 50.0)
        it.wish("condition", steps=1)
        assert it.coming.condition.ear == "right", "round"
        it.wish("condition", index=1)
        assert [row.next for row in it.sight.rows] == [False, True]
        it.wish("start")
        assert it.plans[0].sound.ear == "left"


def test_other_kinds_of_runs(desk: Callable[..., Desk]) -> None:
    with desk(before=("40+", "30+")) as it:
        it.wish("kind")
        assert (it.coming.kind, it.coming.level_db) == ("growth", 35.0), "5 dB above the lowest response"
        it.wish("kind")
        assert it.coming.kind == "control"
        it.wish("start")
        assert it.plans[0].sound.muted
        assert it.session.all_runs()[-1].purpose == "control"
        assert it.coming.kind == "threshold"
        it.wish("kind")
        it.wish("start")
        assert it.session.all_runs()[-1].purpose == "growth"


def test_the_run_that_is_over_is_repeated_discarded_restored_and_noted(desk: Callable[..., Desk]) -> None:
    with desk(before=("40+",)) as it:
        first = it.coming
        it.wish("discard", text="she moved")
        assert it.sight.discarded
        assert it.sight.note == "Run 1: discarded: she moved"
        assert it.coming.level_db == 40.0
        it.wish("restore")
        assert not it.sight.discarded
        assert it.coming == first
        it.wish("note", text="asleep")
        assert it.session.all_runs()[0].notes == ("asleep",)
        it.wish("repeat")
        assert [(plan.sound.ear, plan.sound.level_db_nhl) for plan in it.plans] == [("right", 40.0)]


def test_what_goes_wrong_is_said_and_the_session_goes_on(desk: Callable[..., Desk]) -> None:
    with desk(before=("40+",)) as it:
        it.fails = PlanError("the sound dose is used up: another day")
        it.wish("start")
        assert it.sight.trouble
        assert it.sight.note == "The run could not be made: the sound dose is used up: another day"
        it.fails = None
        it.wish("report")
        assert (it.sight.trouble, it.sight.note[:17]) == (False, "The report is in "), it.sight.note
        it.wish("files")
        assert "Not exported: run-001" in it.sight.note, "there is no recording in it"
        it.wish("start")
        assert len(it.plans) == 1


def test_growth_without_a_response_plays_nothing_else_instead(desk: Callable[..., Desk]) -> None:
    with desk() as it:
        it.wish("kind")
        assert it.sight.coming is None
        assert it.sight.nothing.startswith("right ear, click by air: no response yet, so no level above it")
        it.wish("start")
        assert it.plans == []


def test_a_run_of_a_condition_that_the_plan_has_no_more_is_not_repeated(desk: Callable[..., Desk]) -> None:
    with desk(before=("40+",)) as it:
        it.session.plan = it.session.plan.model_copy(update={"condition": it.session.plan.condition[1:]})
        it.wish("repeat")
        assert it.sight.trouble
        assert it.plans == []
        it.wish("start")
        assert [plan.sound.ear for plan in it.plans] == ["left"]


def test_where_the_chosen_run_cannot_be_no_other_one_begins(desk: Callable[..., Desk], monkeypatch: pytest.MonkeyPatch) -> None:
    with desk() as it:
        ready, calls = it.lead.ready, []

        def once() -> Any:
            calls.append(1)
            if len(calls) == 1:
                raise PlanError("there is no level left")
            return ready()

        monkeypatch.setattr(it.lead, "ready", once)
        it.wish("start")
        assert (it.plans, it.sight.trouble, it.sight.note) == ([], True, "there is no level left")
        it.wish("start")
        assert len(it.plans) == 1


def test_the_end_stays_open(desk: Callable[..., Desk], plan_text: str) -> None:
    """Nothing is suggested any more: what is left to do can be done, and an own choice begins another run."""
    one = plan_text[: plan_text.rindex("[[condition]]")] + plan_text[plan_text.index("[limits]") :]
    with desk(one, before=("40+", "30+", "20-", "25-", "30+", "25-")) as it:
        assert it.sight.coming is None
        assert it.sight.nothing == "Every condition has its answer."
        it.wish("start")
        assert it.sight.note == "There is nothing to begin: choose a condition first"
        it.wish("condition", index=0)
        assert it.coming.level_db == 30.0, "its threshold"
        it.wish("start")
        assert len(it.plans) == 1


@pytest.mark.parametrize(("how", "found"), [
    ({"condition": 2}, ("left", 50.0, "threshold")), ({"level": 25.0}, ("right", 25.0, "threshold")),
    ({"growth": True, "level": 60.0}, ("right", 60.0, "growth")), ({"muted": True}, ("right", 40.0, "control")),
])  # fmt: skip
def test_the_command_line_chooses_the_first_run(desk: Callable[..., Desk], how: dict[str, Any], found: tuple[Any, ...]) -> None:
    with desk(**how) as it:
        assert (it.coming.condition.ear, it.coming.level_db, it.coming.kind) == found


def test_a_condition_that_does_not_exist_is_refused(desk: Callable[..., Desk]) -> None:
    with pytest.raises(SessionError, match="--condition 3: the plan has 2"):
        desk(condition=3)


def test_a_search_of_all_or_of_one_condition_with_and_without_noise(desk: Callable[..., Desk]) -> None:
    with desk(SEARCHES) as it:
        assert (it.coming.kind, it.coming.ear, it.coming.more, it.coming.level_db) == ("search", "", 2, 40.0)
        assert [row.next for row in it.sight.rows] == [True, True, True]
        advice = it.session.masking(0, 80.0)
        assert advice is not None
        assert it.coming.masking.startswith(advice.sentence)
        assert "2 more of these conditions" in it.coming.masking
        it.wish("condition", steps=1)
        it.wish("condition", steps=1)
        assert [row.next for row in it.sight.rows] == [False, True, False], "as --condition 2 does"
        it.wish("softer")
        it.wish("softer")
        assert it.coming.level_db == 30.0
        it.wish("mask")
        assert it.coming.given
        it.wish("start")
        (plan,) = it.plans
        (one,) = plan.search.condition
        assert (one.frequency_hz, one.start_db_nhl) == (500.0, 30.0)
        assert one.masking_db_em
        it.wish("kind")
        assert it.coming.kind == "threshold", "one level too"
        it.wish("start")
        assert it.plans[-1].search is None


def test_a_search_is_repeated_with_the_conditions_that_it_had(desk: Callable[..., Desk]) -> None:
    with desk(SEARCHES) as it:
        it.wish("start")
        assert it.sight.rows[0].said == "answered"
        it.wish("repeat")
        assert [one.frequency_hz for one in it.plans[-1].search.condition] == [2000.0]
        assert [one.ear for one in it.plans[-1].search.condition] == ["right"]


def test_another_level_than_that_of_a_suggested_confirmation_can_be_chosen(desk: Callable[..., Desk]) -> None:
    """The session searches, and suggests single runs that confirm what was found."""
    first, _, _, last = SEARCHES.split("[[condition]]")
    one = f"{first}[[condition]]{SEARCHES.split('[[condition]]')[1]}{last[last.index('[limits]') :]}"
    with desk('confirm = "guidance"\n' + one) as it:
        it.wish("start")
        assert it.coming.kind != "search", it.sight.nothing
        level_db = it.coming.level_db
        it.wish("louder")
        assert (it.coming.kind, it.coming.level_db > level_db) == ("threshold", True)
        it.wish("start")
        assert it.plans[-1].sound.level_db_nhl > level_db
