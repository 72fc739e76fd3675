"""Drafts are judged on a thread of their own: what is published is whole, and a fault there is said."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from quietfloor.monitor.begin import lookout as module
from quietfloor.monitor.begin.checked import Judged, Problem
from quietfloor.monitor.begin.choices import Seen
from quietfloor.monitor.begin.draft import Draft, new, with_stream
from quietfloor.monitor.begin.lookout import Lookout
from quietfloor.monitor.begin.places import Places
from tests.begin.conftest import EARPHONE, TODAY, stream
from tests.slow import patience

DRAFT = replace(with_stream(new("recording", "P01"), stream()), own_sound=True, device="lsl", calibration=EARPHONE)


class Still(Lookout):
    """What is seen stays as it is; keeps everything that was published."""

    def __setattr__(self, name: str, value: Any) -> None:
        super().__setattr__(name, value)
        if name == "judged" and value is not None:
            self.__dict__.setdefault("published", []).append(value)

    def _look(self) -> None:
        self._again.wait()
        self._again.clear()

    def answer(self, draft: Draft, places: Places) -> Judged:
        """Ask, and wait for the answer that went through the whole check."""
        self.ask(draft, places)
        end_s = time.monotonic() + patience(20)
        while self.judged is None or not self.judged.proved or self.judged.root != places.folder:
            assert time.monotonic() < end_s, "it is never judged"
            time.sleep(0.005)
        return self.judged


@pytest.fixture
def still(places: Places, seen: Seen) -> Iterator[Callable[[], Still]]:
    made: list[Still] = []

    def make() -> Still:
        made.append(Still(places, lambda: TODAY))
        made[-1].seen = seen
        made[-1].start()
        return made[-1]

    yield make
    for one in made:
        one.close()


def test_no_answer_says_proved_before_what_the_check_found_is_in_it(
    still: Callable[[], Still], places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "prove", lambda *_: (Problem("sound", "stop", "above the output ceiling"),))
    asked = still()
    assert asked.answer(DRAFT, places).stopped_by is not None
    states = [(one.proved, one.stopped_by is None) for one in asked.published]
    assert states == [(False, True), (True, False)]


def test_an_answer_belongs_to_the_folder_that_it_was_judged_for(still: Callable[[], Still], places: Places) -> None:
    asked, other = still(), places.with_folder(str(places.folder / "others"))
    assert asked.answer(DRAFT, places).path.is_relative_to(places.folder)
    asked.ask(DRAFT, other)
    assert asked.places.folder == other.folder
    assert asked.answer(DRAFT, other).path.is_relative_to(other.folder)


def test_a_check_that_fails_is_said_and_nothing_begins(
    still: Callable[[], Still], places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(module, "prove", fails)
    judged = still().answer(DRAFT, places)
    assert judged.stopped_by is not None
    assert judged.stopped_by.said == "the check itself failed (by zero)"
