"""A search in a terminal: what its lines say, and what typed words mean."""

from __future__ import annotations

import io
import os
import threading
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.display.searchtext import TYPED, Keyboard, Told, line, order_of, watch_search
from quietfloor.monitor.search.now import ConditionNow, SearchNow
from quietfloor.monitor.search.running import Answer, Place
from quietfloor.monitor.search.said import Order

NOTHING = np.zeros(0)
NAN = float("nan")


def answer(threshold_db: float, low_db: float, high_db: float, found_db: float = NAN, finished: bool = False) -> Answer:
    return Answer(threshold_db, low_db, high_db, found_db, finished, 30.0, (0, 64, 64), (0.0, 0.0, 0.0), (NAN, NAN, NAN))


def condition(name: str, said: Answer, state: Any = "running") -> ConditionNow:
    return ConditionNow(
        name, "right", "octave-chirp", 2000.0, (20.0, 30.0, 40.0), said, (None, None, None), NOTHING, (True, True, True), NOTHING,
        NOTHING, state not in ("answered", "left"), state,
    )  # fmt: skip


UNKNOWN = answer(NAN, NAN, NAN)
NOW = SearchNow(
    (condition("2000 Hz, right ear", answer(31.4, 22.0, 41.0)), condition("2000 Hz, left ear", UNKNOWN, "waiting")),
    ((Place(0, 1), "threshold"),), "", 42.5, False, False, 2.0, 3.1, 6.2,
)  # fmt: skip


def test_a_line_says_what_is_known_what_is_next_and_why_and_the_minutes_to_go() -> None:
    assert line(NOW) == (
        "  42.5 s  1. 2000 Hz, right ear: threshold about 31 dB nHL (95 %: 22 to 41) · next 30 dB nHL, which tells most about "
        "the threshold · 0 of 2 answered · 3.1 min to go (2.0 to 6.2, 80 %)"
    )
    unknown = replace(NOW, playing=((Place(1, 2), "start"),), minutes_median=NAN)
    assert line(unknown) == "  42.5 s  2. 2000 Hz, left ear: nothing known yet · next 40 dB nHL, to begin with · 0 of 2 answered"
    assert " · paused · " in line(replace(NOW, paused=True))


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (answer(float("inf"), 38.0, float("inf")), "threshold above 40 dB nHL (95 %: 38 or more)"),
        (answer(12.0, -float("inf"), 24.0), "threshold about 12 dB nHL (95 %: at most 24)"),
        (answer(30.0, -float("inf"), float("inf")), "threshold about 30 dB nHL (95 %: no limit)"),
    ],
)
def test_intervals_without_a_limit(said: Answer, words: str) -> None:
    assert words in line(replace(NOW, conditions=(condition("x", said),)))


def test_each_change_is_told_once_and_answers_in_full() -> None:
    told = Told(0.01)
    assert told.lines(NOW)[:2] == ["1. 2000 Hz, right ear", "2. 2000 Hz, left ear"]
    assert told.shown == NOW
    assert told.lines(NOW) == []
    assert told.lines(replace(NOW, seconds=50.0)) == [], "time alone is no change"
    done = condition("2000 Hz, right ear", answer(31.4, 27.0, 36.0, 40.0, True), "answered")
    after = replace(NOW, conditions=(done, NOW.conditions[1]), playing=((Place(1, 2), "start"),))
    first, second = told.lines(after)
    assert first == (
        "  42.5 s  1. 2000 Hz, right ear: threshold 31 dB nHL (95 %: 27 to 36); a response was found at 40 dB nHL, by mistake in "
        "at most 1 of 100 searches"
    )
    assert "next 40 dB nHL, to begin with · 1 of 2 answered" in second
    left = replace(after, conditions=(done, condition("2000 Hz, left ear", UNKNOWN, "left")), playing=(), over=True)
    assert told.lines(left)[0].endswith("2. 2000 Hz, left ear: set aside; nothing is known yet")


@pytest.mark.parametrize(
    ("words", "order"),
    [
        ("p", Order("pause", why="typed")),
        ("leave", Order("leave", 0, why="typed")),
        ("leave 2", Order("leave", 1, why="typed")),
        ("back 2", Order("back", 1, why="typed")),
        ("40", Order("go_to", 0, 40.0, "typed")),
        ("2 40", Order("go_to", 1, 40.0, "typed")),
        ("loud 60", Order("only_above", None, 60.0, "typed")),
        ("all", Order("all_levels", why="typed")),
    ],
)
def test_typed_words_are_orders(words: str, order: Order) -> None:
    assert order_of(words, NOW) == order
    assert order_of("p", replace(NOW, paused=True)).kind == "go_on"


@pytest.mark.parametrize("words", ["x", "loud", "loud a", "leave 3", "back", "0 40", "1.5 40", "2 3 40", "p 2"])
def test_other_words_say_what_can_be_typed(words: str) -> None:
    with pytest.raises(ValueError, match="is no order") as error:
        order_of(words, NOW)
    assert TYPED in str(error.value)


@pytest.mark.skipif(os.name != "posix", reason="orders are typed where a terminal can be asked without waiting")
def test_lines_are_read_without_waiting_for_more() -> None:
    reading, writing = os.pipe()
    try:
        keyboard = Keyboard(reading)
        assert keyboard.lines() == []
        os.write(writing, b"lea")
        assert keyboard.lines() == []
        os.write(writing, b"ve\n40\n l")
        assert keyboard.lines() == ["leave", "40"]
        os.write(writing, b"oud 60\r\n")
        os.close(writing)
        writing = -1
        assert keyboard.lines() == ["loud 60"]
        assert keyboard.lines() == [], "the terminal is gone"
    finally:
        for handle in (reading, writing):
            if handle >= 0:
                os.close(handle)


class Searching:
    """A run that goes on until it is stopped."""

    def __init__(self) -> None:
        self.orders: list[Order] = []
        self._over = threading.Event()
        self.plan = SimpleNamespace(decision=SimpleNamespace(alpha=0.01))
        self.status = SimpleNamespace(search=NOW, notices=("a cable",))

    def order(self, order: Order) -> None:
        self.orders.append(order)

    def stop(self) -> None:
        self._over.set()

    def wait(self, timeout_s: float | None = None) -> bool:
        return self._over.wait(timeout_s)


class Typing:
    """Someone who reads a line before typing; meanwhile the search goes on to the other ear."""

    def __init__(self, run: Searching) -> None:
        self._run = run
        self._words = iter((["leave"], [], ["leave", "nonsense"], ["q"]))

    def lines(self) -> list[str]:
        words = next(self._words)
        if words == ["leave", "nonsense"]:
            self._run.status.search = replace(NOW, playing=((Place(1, 2), "threshold"),))
        return words


def test_what_is_typed_is_about_what_was_read() -> None:
    out, run = io.StringIO(), Searching()
    watch_search(run, "two ears", out, Typing(run))  # type: ignore[arg-type]
    assert run.orders == [Order("leave", 0, why="typed")]
    said = out.getvalue()
    assert said.startswith(f"two ears\n{TYPED}\n! a cable\nthe search did not begin yet\n")
    assert "'nonsense' is no order ('nonsense' is no number); type while" in said
    assert "next 30 dB nHL" in said
