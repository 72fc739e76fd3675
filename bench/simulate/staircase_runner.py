"""Many ladders at once, each followed by the function that implements the logic of a live session, `next_level.follow`.

That function requests one run at a time and waits for its outcome, so each ladder has its own thread. When all ladders have made
a request, the runs are simulated together and returned. The results do not depend on threads or processes.
"""

from __future__ import annotations

import queue
import threading
from collections import defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from quietfloor.bench.simulate.ears import VirtualEar
from quietfloor.bench.simulate.simulated_staircases import HIGHEST_DB, RunOutcome, RunRequest, Sessions, can_be_absent, run
from quietfloor.monitor.session.next_level import Course, Measurement, Rules, follow


@dataclass(frozen=True)
class Ladder:
    """One ear under one rule, followed to its end; `outcomes`: of each of its runs, in order."""

    ear: VirtualEar
    rule: str
    course: Course
    outcomes: tuple[RunOutcome, ...]


class _Asking:
    """A ladder in its thread."""

    def __init__(self, ear: VirtualEar, rule: str, sessions: Sessions, asked: queue.SimpleQueue[_Asking]) -> None:
        self.ear, self.rule, self._sessions, self._asked = ear, rule, sessions, asked
        self.request: RunRequest | None = None
        self.ended: Ladder | BaseException | None = None
        self.outcomes: list[RunOutcome] = []
        self._given: queue.SimpleQueue[RunOutcome | None] = queue.SimpleQueue()
        self._levels: list[float] = []
        threading.Thread(target=self._follow, name=f"ladder {ear.number} {rule}", daemon=True).start()

    def give(self, outcome: RunOutcome | None) -> None:
        """None: nobody wants to know any more."""
        self._given.put(outcome)

    def _follow(self) -> None:
        sessions, ear = self._sessions, self.ear
        rules = rules_for(ear, sessions)
        try:
            course = follow(ear.condition, rules, self._measure, time_s=60.0 * sessions.minutes, longest_s=sessions.longest_s)
            self.ended = Ladder(ear, self.rule, course, tuple(self.outcomes))
        except BaseException as error:
            self.ended = error
        self._asked.put(self)

    def _measure(self, level_db_nhl: float) -> Measurement:
        start_s = sum(outcome.measurement.seconds for outcome in self.outcomes) if self.ear.patient.course else 0.0
        self.request = RunRequest(self.ear, level_db_nhl, self._levels.count(level_db_nhl), start_s)
        self._levels.append(level_db_nhl)
        self._asked.put(self)
        outcome = self._given.get()
        if outcome is None:
            raise InterruptedError("the ladders were given up")
        self.outcomes.append(outcome)
        return outcome.measurement


def rules_for(ear: VirtualEar, sessions: Sessions) -> Rules:
    """Rules of the ladder: the default ones, up to the highest level of the virtual earphone or vibrator."""
    highest_db = HIGHEST_DB[ear.route]
    start_db = min(Rules().start_db, highest_db)
    levels = np.arange(0.0, start_db + 1.0, Rules().last_step_db)
    lowest_db = next(float(level) for level in levels if can_be_absent(ear.frequency_hz, ear.age_group, float(level), sessions))
    return Rules(
        start_db=start_db, lowest_db=lowest_db, highest_db=highest_db, floor_nv=sessions.floor_nv, alpha=sessions.alpha
    )


def climb(
    ears: Sequence[VirtualEar], sessions: Sessions, workers: Executor, log: Callable[[str], None] = lambda text: None
) -> list[Ladder]:
    """Make ladders for all ears under all rules, ears first. Runs are shared if two rules request the same."""
    asked: queue.SimpleQueue[_Asking] = queue.SimpleQueue()
    everyone = [_Asking(ear, rule, sessions, asked) for ear in ears for rule in sessions.rules]
    waiting, known, rounds = len(everyone), 0, 0
    try:
        while waiting:
            ready = [asked.get() for _ in range(waiting)]
            failed = next((one.ended for one in ready if isinstance(one.ended, BaseException)), None)
            if failed is not None:
                raise failed
            ready = [one for one in ready if one.ended is None]
            outcomes = _answered([one.request for one in ready if one.request is not None], sessions, workers)
            for one in ready:
                assert one.request is not None
                one.give(outcomes[one.request.key][one.rule])
            waiting, known, rounds = len(ready), known + len(outcomes), rounds + 1
            log(f"round {rounds}: {waiting} of {len(everyone)} ladders go on, {known} runs simulated")
    finally:
        for one in everyone:
            one.give(None)
    return [one.ended for one in everyone if isinstance(one.ended, Ladder)]


def _answered(
    requests: Sequence[RunRequest], sessions: Sessions, workers: Executor
) -> dict[tuple[int, float, int, float], dict[str, RunOutcome]]:
    settings: dict[tuple[float, str, float], dict[tuple[int, float, int, float], RunRequest]] = defaultdict(dict)
    for request in requests:
        settings[request.setting][request.key] = request
    groups = [[group[key] for key in sorted(group)] for _, group in sorted(settings.items())]
    groups.sort(key=len, reverse=True)
    jobs = [workers.submit(run, group, sessions) for group in groups]
    found = {}
    for group, job in zip(groups, jobs, strict=True):
        for request, outcomes in zip(group, job.result(), strict=True):
            found[request.key] = outcomes
    return found
