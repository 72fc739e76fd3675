"""The keys of a session without Qt: one key a step, a presenter's four keys, the stop with one key, and its safeguards."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.display.board import short_name
from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.display.search_keys import SearchKeys
from quietfloor.monitor.display.session_keys import READ_S, STOPS_S, UNSAID, SessionKeys
from quietfloor.monitor.display.session_sight import Coming, SessionSight, steps_of
from quietfloor.monitor.display.session_talk import SessionTalk, Wish
from quietfloor.monitor.display.view_controller import ViewController
from quietfloor.monitor.session.conditions import Condition
from tests.display.conftest import live_scene
from tests.display.made_search import MadeSearch
from tests.slow import patience

CLICK = Condition("right", "air", "click")


def sight(**what: Any) -> SessionSight:
    """Of a session with a run made, and the next one suggested with noise."""
    coming = Coming(CLICK, 70.0, "Right ear: next 70 dB nHL.", "threshold", "Mask the left ear.", "white noise of 30 dB EM")
    last = "Run 1: 60 dB nHL, response"
    made = SessionSight("S07", (), (), "dB nHL", coming, "", ("", "", ""), "", (), (), "", last=last, made=1)
    made = replace(made, **what)
    return replace(made, steps=steps_of(made))


class Hand:
    """A hand on the keys, with a clock of its own and a run that is on or not."""

    def __init__(self) -> None:
        self.now_s, self.on, self.stopped = 100.0, False, 0
        self.said: list[str] = []
        self.talk = SessionTalk()
        search = SearchKeys(lambda _: "", self.said.append, lambda: self.now_s)
        self.offers = 0
        self.keys = SessionKeys(
            self.talk, search, self.said.append, self._stop, lambda: self.on, self._go_on, lambda: self.now_s
        )

    def _go_on(self) -> bool:
        self.offers -= 1
        return self.offers >= 0

    def _stop(self) -> None:
        self.stopped += 1
        self.on = False

    def wait(self, one: SessionSight) -> None:
        """The command waits for a wish, since long enough."""
        self.talk.sight, self.talk.waiting, self.talk.since_s = one, True, self.now_s - 2 * READ_S
        self.talk.listening = True
        self.keys.tick()

    def do(self, *names: str) -> list[Wish]:
        for name in names:
            self.keys.deeds[name]()
        wished = list(self.talk._wishes)
        self.talk._wishes.clear()
        return wished


@pytest.fixture
def hand() -> Hand:
    return Hand()


@pytest.mark.parametrize(("name", "wish"), [
    ("step_do", Wish("start")), ("repeat", Wish("repeat")), ("louder", Wish("louder")), ("level_up", Wish("louder")),
    ("softer", Wish("softer")), ("level_down", Wish("softer")), ("mask", Wish("mask")), ("discard_now", Wish("discard", UNSAID)),
    ("condition_next", Wish("condition", steps=1)), ("condition_before", Wish("condition", steps=-1)), ("kind", Wish("kind")),
    ("report", Wish("report")), ("files", Wish("files")),
])  # fmt: skip
def test_every_step_has_one_key(hand: Hand, name: str, wish: Wish) -> None:
    hand.wait(sight())
    assert hand.do(name) == [wish]


def test_a_presenter_goes_through_the_steps_and_does_the_chosen_one(hand: Hand) -> None:
    hand.wait(sight())
    assert hand.keys.words == "Enter: Start"
    titles = []
    for _ in hand.talk.sight.steps:  # type: ignore[union-attr]
        titles.append(hand.keys.step.title if hand.keys.step else "")
        hand.do("step_on")
    assert titles == ["Start", "Louder", "Softer", "Mask", "Condition", "Repeat", "Discard", "Report", "Export"]
    assert hand.keys.words == "Enter: Start", "once round"
    assert hand.do("step_on", "step_do", "step_do") == [Wish("louder"), Wish("louder")], "it stays chosen"
    assert hand.do("one_stop", "step_do") == [Wish("start")], "b: back to start"
    assert hand.do("step_back", "step_back", "step_back", "step_do") == [Wish("discard", UNSAID)]
    hand.talk.sight = sight(discarded=True)
    assert hand.keys.words == "Enter: Count again"
    assert hand.do("step_do") == [Wish("restore")]


def test_what_enter_does_is_said_on_the_panels_of_a_run_too(recordings: dict[str, Path], tmp_path: Path) -> None:
    """Between two runs the keys choose steps whatever the window shows; during a search they choose rungs."""
    link = WindowLink()
    controller = ViewController(link)
    assert controller.badge == ""
    controller.adopt(live_scene(recordings["response"], tmp_path))
    assert controller.badge == "LIVE"
    link.talk.sight, link.talk.waiting, link.talk.listening = sight(), True, True
    controller.session.tick()
    assert controller.badge == "LIVE · Enter: Start"
    controller.do("step_on")
    assert controller.badge == "LIVE · Enter: Louder"


def test_a_rung_that_is_chosen_with_one_hand_is_said(hand: Hand) -> None:
    now = MadeSearch(2).go_on(30).now()
    hand.on = True
    hand.keys._search.show(now)
    assert hand.keys.words == "b: stop"
    hand.do("step_on")
    place = hand.keys._search.chosen
    assert place is not None
    one = now.conditions[place.condition]
    assert hand.keys.words == f"Enter: play {short_name(one)} {one.levels_db[place.level]:g} dB"
    hand.keys._search.choose(None)
    hand.keys._search.show(replace(now, paused=True))
    assert hand.keys.words == "Space: go on"


def test_what_cannot_be_done_is_said_with_the_reason(hand: Hand) -> None:
    plain = Coming(CLICK, 0.0, "", "threshold", softer=False)
    hand.wait(sight(coming=plain, last=""))
    assert hand.do("mask", "softer", "repeat", "discard_now", "report") == []
    assert hand.said == [
        "Mask: no noise is due", "Softer: no softer level is in the plan", "Repeat: no run was made yet",
        "Discard: no run was made yet", "Report: no run was made yet",
    ]  # fmt: skip
    hand.wait(sight(coming=None, nothing="Every condition has its answer."))
    assert hand.do("step_do") == []
    assert hand.said[-1] == "Start: Every condition has its answer."
    assert hand.keys.words == "", "Enter would start nothing"
    hand.do("step_on")
    assert hand.keys.words == "Louder: not now", "a step keeps its place: so many presses always lead to it"
    assert hand.do("condition_next", "report") == [Wish("condition", steps=1), Wish("report")]


def test_one_key_stops_a_run_after_two_seconds_and_takes_the_stop_back(hand: Hand) -> None:
    hand.on = True
    hand.do("one_stop")
    assert hand.keys.words == "Stops in 2 s; b: no"
    hand.now_s += STOPS_S - 0.1
    hand.keys.tick()
    assert not hand.stopped
    hand.do("one_stop")
    hand.now_s += 5.0
    hand.keys.tick()
    assert not hand.stopped, "taken back"
    hand.do("one_stop")
    hand.now_s += STOPS_S
    hand.keys.tick()
    hand.keys.tick()
    assert hand.stopped == 1
    assert hand.said[-1] == "Stopping: what was recorded is kept"
    hand.do("step_do", "step_on")
    assert hand.said[-2:] == ["Wait: the session is not ready for a key yet"] * 2


def test_enter_accepts_what_the_command_offers_between_two_runs_that_follow_by_themselves(hand: Hand) -> None:
    """Such as that the earphone was moved to the other ear."""
    hand.offers = 1
    hand.do("step_do")
    assert hand.said == []
    hand.do("step_do")
    assert hand.said == ["Wait: the session is not ready for a key yet"]


def test_nothing_begins_while_the_last_key_is_still_being_carried_out(hand: Hand) -> None:
    """What is next may be another run then, which nobody has read yet."""
    hand.wait(sight())
    assert hand.keys.deeds["discard_now"]() is None
    hand.keys.start()
    assert [one.what for one in hand.talk._wishes] == ["discard"]
    assert "still being carried out" in hand.said[-1]
    hand.talk._wishes.clear()
    hand.keys.start()
    assert [one.what for one in hand.talk._wishes] == ["start"]


def test_a_run_that_ends_by_itself_before_the_two_seconds_are_over_stops_nothing_else(hand: Hand) -> None:
    hand.on = True
    hand.do("one_stop")
    hand.on = False
    hand.now_s += STOPS_S
    hand.keys.tick()
    assert not hand.stopped


def test_a_key_that_was_meant_for_the_run_that_is_over_begins_none(hand: Hand) -> None:
    hand.wait(sight())
    hand.talk.since_s = hand.now_s - 0.5 * READ_S
    assert hand.do("step_do", "repeat") == []
    assert "just over" in hand.said[-1]
    hand.now_s += READ_S
    assert hand.do("step_do") == [Wish("start")]


def test_a_key_that_is_pressed_too_often_starts_no_second_run() -> None:
    link, got = WindowLink(), []

    def ask() -> None:
        with link.talk.between_runs():
            got.append(link.talk.next_wish(sight(), lambda: link.closed))

    for _ in range(2):
        asking = threading.Thread(target=ask)
        asking.start()
        end_s = time.monotonic() + patience(5)
        while not link.talk.waiting:
            assert time.monotonic() < end_s, "nobody asks"
        if not got:
            for _ in range(5):
                link.talk.wish(Wish("start"))
        else:
            assert link.talk.wish(Wish("note", "x"))
        asking.join(patience(5))
    assert [one.what for one in got if one] == ["start", "note"]
    assert not link.talk.wish(Wish("start")), "nobody waits"
    link.interrupt()
    with link.talk.between_runs():
        assert link.talk.next_wish(sight(), lambda: link.closed) is None
