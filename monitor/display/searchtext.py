"""A search in a terminal: a line for each change, and the orders that somebody types while it runs."""

from __future__ import annotations

import contextlib
import math
import os
import select
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from typing import TextIO

from quietfloor.monitor.run.run import Run
from quietfloor.monitor.search.now import ConditionNow, SearchNow
from quietfloor.monitor.search.said import Order
from quietfloor.monitor.search.words import sentence
from quietfloor.monitor.untrusted.safe_text import harmless

EVERY_S = 0.2
LINE_EVERY_S = 1.0  # no more lines than that; what changes again meanwhile is in the next one
WHY = {
    "start": "to begin with", "operator": "as you asked", "threshold": "which tells most about the threshold",
    "proof": "to prove a response there",
}  # fmt: skip
TYPED = (
    "type while it runs, then Enter: p: pause, go on · leave: this condition · back N: condition N again · 40: that level · "
    "2 40: that level of condition 2 · loud 60: only 60 dB nHL and above · all: all levels · q: stop"
)
BY_HAND = "typed"


class Keyboard:
    """What is typed into a terminal, line by line, without waiting for it."""

    def __init__(self, handle: int) -> None:
        self._handle, self._begun = handle, b""

    @classmethod
    def of_terminal(cls) -> Keyboard | None:
        """That of standard input; None where nobody can type there."""
        if os.name != "posix" or not sys.stdin.isatty():
            return None
        handle = sys.stdin.fileno()
        with contextlib.suppress(OSError):  # a terminal that does not control this program
            if os.tcgetpgrp(handle) != os.getpgrp():
                return None  # in the background reading would stop this program
        return cls(handle)

    def lines(self) -> list[str]:
        """Those that were finished since the last time."""
        while select.select([self._handle], [], [], 0.0)[0]:
            new = os.read(self._handle, 4096)
            if not new:
                break
            self._begun += new
        *whole, self._begun = self._begun.split(b"\n")
        return [line.decode(errors="replace").strip().lower() for line in whole]


def order_of(words: str, now: SearchNow) -> Order:
    """The order that typed words mean, of a search that looks like this. Raises ValueError, which says what can be typed."""
    playing = 0 if now.place is None else now.place.condition
    first, *rest = words.split() or [""]
    try:
        numbers = [_number(word) for word in rest]
        if first == "p" and not rest:
            return Order("go_on" if now.paused else "pause", why=BY_HAND)
        if first == "all" and not rest:
            return Order("all_levels", why=BY_HAND)
        if first == "loud" and len(rest) == 1:
            return Order("only_above", level_db=numbers[0], why=BY_HAND)
        if first == "leave" or (first == "back" and rest):
            return Order("leave" if first == "leave" else "back", _condition(numbers, playing, now), why=BY_HAND)
        levels = [_number(first), *numbers]
        return Order("go_to", _condition(levels[:-1], playing, now), levels[-1], BY_HAND)
    except ValueError as error:
        raise ValueError(f"{words!r} is no order ({error}); {TYPED}") from error


def _number(word: str) -> float:
    try:
        return float(word)
    except ValueError:
        raise ValueError(f"{word!r} is no number") from None


def _condition(numbers: list[float], playing: int, now: SearchNow) -> int:
    if not numbers:
        return playing
    if len(numbers) > 1 or numbers[0] not in range(1, len(now.conditions) + 1):
        raise ValueError(f"conditions are 1 to {len(now.conditions)}")
    return int(numbers[0]) - 1


def to_go(now: SearchNow) -> str:
    """Minutes to go with their range; empty where they are not known."""
    if not math.isfinite(now.minutes_median):
        return ""
    return f"{now.minutes_median:.1f} min to go ({now.minutes_low:.1f} to {now.minutes_high:.1f}, 80 %)"


def known(one: ConditionNow) -> str:
    """What is known of a condition, shortly."""
    answer = one.answer
    if math.isnan(answer.threshold_db):
        return "nothing known yet"
    low = "" if math.isinf(answer.low_db) else f"{answer.low_db:.0f}"
    high = "" if math.isinf(answer.high_db) else f"{answer.high_db:.0f}"
    limits = f"{low} to {high}" if low and high else f"{low} or more" if low else f"at most {high}" if high else "no limit"
    about = f"above {one.levels_db[-1]:g}" if math.isinf(answer.threshold_db) else f"about {answer.threshold_db:.0f}"
    return f"threshold {about} dB nHL (95 %: {limits})"


def line(now: SearchNow) -> str:
    """What is known, what comes next and why, and the minutes to go."""
    parts = []
    for place, why in now.playing:
        one = now.conditions[place.condition]
        parts.append(f"{place.condition + 1}. {one.name}: {known(one)}")
        parts.append("paused" if now.paused else f"next {one.levels_db[place.level]:g} dB nHL, {WHY.get(why, why)}")
    parts.append(now.noise)
    done = sum(one.state == "answered" for one in now.conditions)
    parts.append(f"{done} of {len(now.conditions)} answered")
    return f"{now.seconds:6.1f} s  {' · '.join(part for part in (*parts, to_go(now)) if part)}"


class Told:
    """What was said of a search already, so that each line says something new."""

    def __init__(self, alpha: float) -> None:
        self._alpha = alpha
        self._states: tuple[str, ...] = ()
        self._next: object = None
        self.shown: SearchNow | None = None  # that of the last line: what whoever types has read

    def lines(self, now: SearchNow) -> list[str]:
        """Of what changed: conditions with their answers, then what comes next."""
        said = []
        states = tuple(one.state for one in now.conditions)
        if not self._states:
            said += [f"{number}. {one.name}" for number, one in enumerate(now.conditions, 1)]
        for number, (one, state, before) in enumerate(zip(now.conditions, states, self._states or states, strict=True), 1):
            if state in ("answered", "left") and state != before:
                words = sentence(one.answer, one.levels_db, self._alpha)
                said.append(f"{now.seconds:6.1f} s  {number}. {one.name}: {'set aside; ' if state == 'left' else ''}{words}")
        coming = (now.playing, now.paused)
        if coming != self._next:
            said.append(line(now))
            self.shown = now
        self._states, self._next = states, coming
        return said


def _typed(words: str, run: Run, shown: SearchNow | None, say: Callable[[str], None]) -> None:
    """Do what was typed about the search that was ``shown``, or say why not."""
    now = run.status.search
    if words in ("q", "quit", "stop"):
        run.stop()
    elif words and (now is None or shown is None):
        say("the search did not begin yet")
    elif words and now is not None and shown is not None:
        try:
            run.order(order_of(words, replace(shown, paused=now.paused)))
        except (ValueError, RuntimeError) as error:
            say(str(error))


def watch_search(run: Run, title: str, out: TextIO, keyboard: Keyboard | None) -> None:
    """Show a search until it is over, and pass on what is typed. Ctrl-C asks it to stop."""

    def say(text: str) -> None:
        out.write(harmless(text) + "\n")
        out.flush()

    say(title)
    if keyboard is not None:
        say(TYPED)
    told, notices, said_s = Told(run.plan.decision.alpha), 0, -math.inf
    try:
        while not run.wait(EVERY_S):
            status = run.status
            for notice in status.notices[notices:]:
                say(f"! {notice}")
            notices = len(status.notices)
            now = status.search
            for words in () if keyboard is None else keyboard.lines():
                _typed(words, run, told.shown, say)
            if now is not None and time.monotonic() - said_s >= LINE_EVERY_S:
                said_s = time.monotonic()
                for text in told.lines(now):
                    say(text)
    except KeyboardInterrupt:
        run.stop()
        run.wait(30.0)
    now = run.status.search
    for text in () if now is None else told.lines(now):
        say(text)
