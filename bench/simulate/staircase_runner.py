"""Many ladders side by side, each followed by the very function that simulates a live session's logic, `next_level.follow`.

It asks for one run at a time and waits for the answer. So each ladder has a thread of its own; when all have asked, the runs are
simulated together and handed out. What comes out does not depend on threads or processes.
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
from quietfloor.bench.simulate.simulated_staircases import HIGHEST_DB, Answer, Question, Sessions, can_be_absent, run
from quietfloor.monitor.session.next_level import Course, Measurement, Rules, follow


@dataclass(frozen=True)
class Ladder:
    """One ear under one rule, followed to its end; `answers`: of each of its runs, in order."""

    ear: VirtualEar
    rule: str
    course: Course
    answers: tuple[Answer, ...]


class _Asking:
    """A ladder in its thread."""

    def __init__(self, ear: VirtualEar, rule: str, sessions: Sessions, asked: queue.SimpleQueue[_Asking]) -> None:
        self.ear, self.rule, self._sessions, self._asked = ear, rule, sessions, asked
        self.question: Question | None = None
        self.ended: Ladder | BaseException | None = None
        self.answers: list[Answer] = []
        self._given: queue.SimpleQueue[Answer | None] = queue.SimpleQueue()
        self._levels: list[float] = []
        threading.Thread(target=self._follow, name=f"ladder {ear.number} {rule}", daemon=True).start()

    def give(self, answer: Answer | None) -> None:
        """None: nobody wants to know any more."""
        self._given.put(answer)

    def _follow(self) -> None:
        sessions, ear = self._sessions, self.ear
        rules = rules_for(ear, sessions)
        try:
            course = follow(ear.condition, rules, self._measure, time_s=60.0 * sessions.minutes, longest_s=sessions.longest_s)
            self.ended = Ladder(ear, self.rule, course, tuple(self.answers))
        except BaseException as error:
            self.ended = error
        self._asked.put(self)

    def _measure(self, level_db_nhl: float) -> Measurement:
        start_s = sum(answer.measurement.seconds for answer in self.answers) if self.ear.patient.course else 0.0
        self.question = Question(self.ear, level_db_nhl, self._levels.count(level_db_nhl), start_s)
        self._levels.append(level_db_nhl)
        self._asked.put(self)
        answer = self._given.get()
        if answer is None:
            raise InterruptedError("the ladders were given up")
        self.answers.append(answer)
        return answer.measurement


def rules_for(ear: VirtualEar, sessions: Sessions) -> Rules:
    """Of the ladder: the usual ones, up to what the virtual earphone and vibrator give."""
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
    """All ears under all rules, ears first. Runs are shared where two rules ask the same."""
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
            answers = _answered([one.question for one in ready if one.question is not None], sessions, workers)
            for one in ready:
                assert one.question is not None
                one.give(answers[one.question.key][one.rule])
            waiting, known, rounds = len(ready), known + len(answers), rounds + 1
            log(f"round {rounds}: {waiting} of {len(everyone)} ladders go on, {known} runs simulated")
    finally:
        for one in everyone:
            one.give(None)
    return [one.ended for one in everyone if isinstance(one.ended, Ladder)]


def _answered(
    questions: Sequence[Question], sessions: Sessions, workers: Executor
) -> dict[tuple[int, float, int, float], dict[str, Answer]]:
    settings: dict[tuple[float, str, float], dict[tuple[int, float, int, float], Question]] = defaultdict(dict)
    for question in questions:
        settings[question.setting][question.key] = question
    groups = [[group[key] for key in sorted(group)] for _, group in sorted(settings.items())]
    groups.sort(key=len, reverse=True)
    jobs = [workers.submit(run, group, sessions) for group in groups]
    found = {}
    for group, job in zip(groups, jobs, strict=True):
        for question, answers in zip(group, job.result(), strict=True):
            found[question.key] = answers
    return found
