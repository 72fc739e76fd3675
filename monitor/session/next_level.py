"""The next level of a ladder and the reason in one sentence, or that the ladder is complete. Pure: values in, a value out.

Published bracketing practice: after a response the level drops by 10 dB, after an absence it rises, with 5 dB steps at the end,
until there is no response 5 or 10 dB below the lowest level with a response (NHSP/BSA guidance: from memory; 10 then 5 dB:
secondary). The rest is own choice: the middle of a wide gap first, repeats of contradictory levels, a limit to rises that may
wake the patient, and rules for short time. The program suggests; the person in charge decides.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from quietfloor.monitor.hearing.masking_advice import MaskingAdvice
from quietfloor.monitor.session.conditions import PRESENT, UNDECIDED, Condition, RunSummary
from quietfloor.monitor.session.staircase_rules import ExpectedDuration, Rules, expected_duration
from quietfloor.monitor.session.threshold import Bracket, Tally, Threshold, bracket_of, counted, tallies, threshold_of, times

Reason = Literal[
    "start", "down", "up", "narrow", "confirm", "settle", "again", "softer", "found", "limit", "unsettled", "time", "runs",
]  # fmt: skip
# The rules have nothing left to ask, and the levels were found as often as they ask.
SETTLED = ("found", "limit")


HURRY = 1.5  # runs that are counted on where the person wakes; own choice
LEAST_S = 60.0  # of a run in which a response may show, where none was found yet; own choice


@dataclass(frozen=True)
class Suggestion:
    """The next step in one condition. ``level_db_nhl`` is None if the ladder is complete; ``why`` is a sentence.

    ``repeats``: number of an earlier run at this level. ``expected_s``: expected duration in s, nan: not known.
    """

    condition: Condition
    level_db_nhl: float | None
    reason: Reason
    why: str
    repeats: int | None = None
    expected_s: float = math.nan
    masking: MaskingAdvice | None = None
    short: bool = False  # there is time for fewer than two runs, or the person wakes: what tells most comes first
    move: str = ""  # what to do with the one earphone of both ears before it

    @property
    def done(self) -> bool:
        return self.level_db_nhl is None

    @property
    def masking_due(self) -> bool:
        return self.masking is not None and self.masking.due

    @property
    def sentence(self) -> str:
        """The suggestion in one sentence, with a second one where masking is due."""
        what = "done" if self.level_db_nhl is None else f"next {self.level_db_nhl:g} dB nHL"
        masking = f" Masking: {self.masking.sentence}" if self.masking is not None and self.masking.due else ""
        where = str(self.condition)
        move = f"{self.move}. " if self.move else ""
        return f"{move}{where[:1].upper()}{where[1:]}: {what}, {self.why}.{masking}"


@dataclass(frozen=True)
class _Idea:
    level: float | None
    reason: Reason
    why: str


def suggest(
    condition: Condition,
    runs: Sequence[RunSummary],
    rules: Rules,
    *,
    time_left_s: float = math.inf,
    outlook: ExpectedDuration | None = None,
    masking: Callable[[float], MaskingAdvice | None] | None = None,
    waking: str = "",
) -> Suggestion:
    """The next level of one condition, from all runs of the session in order (of other conditions only the last level counts).

    ``masking`` gives the advice for a level. ``waking``: reason to expect little more time, such as a waking person; empty for
    none.
    """
    own = counted(condition, runs)
    ahead = outlook or ExpectedDuration()
    runs_left = math.inf if math.isnan(ahead.run_s) or ahead.run_s <= 0 else time_left_s / ahead.run_s
    runs_left = min(runs_left, HURRY) if waking and runs_left >= 1 else runs_left
    idea = _Ladder(own, rules, runs_left).idea()
    if idea.level is not None and len(own) >= rules.most_in_all:
        idea = _Idea(None, "runs", f"{len(own)} runs are all that the plan allows here; {_found(condition, own, rules)}")
    if idea.level is not None and runs_left < 1 and _may_show(own, time_left_s, ahead):
        idea = replace(idea, why=f"{idea.why} ({_short(time_left_s, ahead)} to its end, but a response may show sooner)")
    elif idea.level is not None and (time_left_s <= 0 or runs_left < 1):
        idea = _Idea(None, "time", f"{_short(time_left_s, ahead)}; {_found(condition, own, rules)}")
    if idea.level is None:
        return Suggestion(condition, None, idea.reason, idea.why, short=idea.reason == "time" and time_left_s > 0)
    if waking:
        idea = replace(idea, why=f"{idea.why} ({waking})")
    idea = _softened(idea, own, runs, rules)
    assert idea.level is not None
    before = [run.number for run in own if round(run.level_db_nhl, 2) == round(idea.level, 2)]
    advice = None if masking is None else masking(idea.level)
    again, short = before[0] if before else None, runs_left < 2
    return Suggestion(condition, idea.level, idea.reason, idea.why, again, ahead.run_s, advice, short)


def known(condition: Condition, runs: Sequence[RunSummary]) -> tuple[int, float]:
    """How much is known of a threshold, as a sort key: first ladders without a decided run or a response (fewest runs first),
    then without an absence below, then between two levels (widest first)."""
    own = counted(condition, runs)
    bracket = bracket_of(tallies(own))
    if bracket.present is None:
        return (0 if bracket.absent is None else 1), float(len(own))
    return (2, 0.0) if bracket.absent is None else (3, -bracket.gap_db)


def _may_show(own: Sequence[RunSummary], time_left_s: float, ahead: ExpectedDuration) -> bool:
    """Whether a run that is cut short is useful: no response was found yet, and one may be found in that time."""
    enough_s = LEAST_S if math.isnan(ahead.response_s) else ahead.response_s
    return time_left_s >= enough_s and bracket_of(tallies(own)).present is None


class _Ladder:
    """State of the ladder of one condition."""

    def __init__(self, own: list[RunSummary], rules: Rules, runs_left: float) -> None:
        self.own, self.rules, self.runs_left = own, rules, runs_left
        self.known = tallies(own)
        self.bracket: Bracket = bracket_of(self.known)

    def idea(self) -> _Idea:
        rules, (present, absent) = self.rules, (self.bracket.present, self.bracket.absent)
        if not self.known:
            if self.runs_left < 1:  # it could not say "no response"
                return _Idea(rules.highest_db, "start", "the loudest that the plan allows")
            return _Idea(rules.start_db, "start", "where the plan begins")
        hurried = present is None and self.runs_left < 2  # a louder sound tells more than the same once more
        for step in () if hurried and max(self.known) < rules.highest_db else (self._again, self._clash):
            idea = step(present, absent)
            if idea is not None:
                return idea
        if present is None:
            return self._up(absent)
        return (self._down(present) if absent is None else self._narrow(present, absent)) or self._confirm(present, absent)

    def _again(self, present: Tally | None, absent: Tally | None) -> _Idea | None:
        """Repeat a level that is undecided, or contradicts itself, where the threshold may lie."""
        top = math.inf if present is None else present.level_db_nhl
        bottom = -math.inf if absent is None else absent.level_db_nhl
        for run in reversed(self.own):
            tally = self.known[round(run.level_db_nhl, 2)]
            if not bottom < tally.level_db_nhl < top or self._spent(tally):
                continue
            if tally.standing == "split":
                return _Idea(tally.level_db_nhl, "settle", "runs at this level found a response and none: one more settles it")
            if tally.standing == "undecided":
                return _Idea(tally.level_db_nhl, "again", f"{self._trouble(run)}: once more")
        return None

    def _trouble(self, run: RunSummary) -> str:
        """The reason why a run was not decided, in words."""
        if run.stopped_by == "fault":
            return f"run {run.number} ended on a fault"
        if run.stopped_by == "operator":
            return f"run {run.number} was stopped before it was decided"
        if run.residual_noise_nv > self.rules.floor_nv:
            noise = f"{run.residual_noise_nv:.0f} nV of noise, where {self.rules.floor_nv:g} let an absence be believed"
            return f"run {run.number} ended undecided at {noise}"
        return f"run {run.number} ended undecided"

    def _spent(self, tally: Tally) -> bool:
        """Whether more runs of an unsettled level are no longer worth their time."""
        limit = self.rules.most_undecided if tally.standing == "undecided" else self.rules.most_runs
        return tally.standing in ("undecided", "split") and tally.runs >= limit

    def _clash(self, present: Tally | None, absent: Tally | None) -> _Idea | None:
        if self.bracket.clash is None:
            return None
        low, high = self.bracket.clash
        fewest = min((high, low), key=lambda tally: tally.runs)  # of equal ones the absence, which is missed more easily
        if fewest.runs >= self.rules.most_runs:
            return None
        both = f"a response at {low.level_db_nhl:g} dB nHL and none at {high.level_db_nhl:g} do not go together"
        return _Idea(fewest.level_db_nhl, "settle", f"{both}: the one with less behind it again")

    def _up(self, absent: Tally | None) -> _Idea:
        rules, base = self.rules, max(self.known)
        if base < rules.highest_db:
            short = self.runs_left < math.ceil((rules.highest_db - base) / rules.first_step_db)
            step = rules.first_step_db * (2 if short else 1)
            if self.runs_left < 2:  # the loudest: with a response it is an upper limit, without one there is none up to it
                step = rules.highest_db - base
            top = self.known[base]
            nothing = "no response" if top.standing == "absent" else "nothing decided"
            hurry = " in a larger step, as time is short" if short else ""
            level = min(base + step, rules.highest_db)
            return _Idea(level, "up", f"{nothing} at {base:g} dB nHL: {level - base:g} dB up{hurry}")
        if absent is None:
            return _Idea(None, "unsettled", f"no run was decided up to {base:g} dB nHL, the highest level that the plan allows")
        none = f"no response up to {absent.level_db_nhl:g} dB nHL"
        if self._wanting(absent, absent.absent, rules.absent_runs):
            return _Idea(absent.level_db_nhl, "confirm", f"no response, once: the plan asks for {rules.absent_runs} runs")
        if absent.level_db_nhl < base:
            return _Idea(None, "unsettled", f"{none}, the highest level that was decided")
        return self._ended("limit", f"{none}, the highest level that the plan allows", None, absent)

    def _down(self, present: Tally) -> _Idea | None:
        rules, level = self.rules, present.level_db_nhl
        short = self.runs_left < math.ceil((level - rules.lowest_db) / rules.first_step_db)
        step = rules.first_step_db * (2 if short else 1)
        below = self._open(rules.lowest_db - 1e-6, level, max(level - step, rules.lowest_db))
        if below is None:
            return None
        hurry = " in a larger step, as time is short" if short else ""
        return _Idea(below, "down", f"a response at {level:g} dB nHL, nothing decided below: {level - below:g} dB down{hurry}")

    def _narrow(self, present: Tally, absent: Tally) -> _Idea | None:
        rules, gap, top, bottom = self.rules, self.bracket.gap_db, present.level_db_nhl, absent.level_db_nhl
        if gap <= rules.last_step_db:
            return None
        wide = gap > rules.first_step_db
        step = rules.first_step_db * max(1, math.floor(gap / rules.first_step_db / 2)) if wide else rules.last_step_db
        level = self._open(bottom, top, top - step)
        if level is None:
            return None
        return _Idea(level, "narrow", f"a response at {top:g} dB nHL and none at {bottom:g}: between the two")

    def _open(self, above: float, below: float, wanted: float) -> float | None:
        """The untried level between the two limits that is nearest to the wanted one, in steps down from ``below``."""
        step = self.rules.last_step_db
        grid = [below - step * number for number in range(1, 1 + math.ceil((below - above) / step))]
        free = [level for level in {*grid, wanted} if above < level < below and round(level, 2) not in self.known]
        return min(free, key=lambda level: (abs(level - wanted), -level)) if free else None

    def _confirm(self, present: Tally, absent: Tally | None) -> _Idea:
        rules, level = self.rules, present.level_db_nhl
        if self._wanting(present, present.present, rules.present_runs):
            return _Idea(level, "confirm", f"the lowest response, found once: the plan asks for {rules.present_runs} runs")
        if absent is not None and self._wanting(absent, absent.absent, rules.absent_runs):
            why = f"no response below the lowest one, found once: the plan asks for {rules.absent_runs} runs"
            return _Idea(absent.level_db_nhl, "confirm", why)
        if absent is None:
            none = f"a response at {level:g} dB nHL, with no lower level left to try"
            return self._ended("limit" if level <= rules.lowest_db else "unsettled", none, present, None)
        none = f"none at {absent.level_db_nhl:g}"
        if self.bracket.gap_db > rules.first_step_db:
            return _Idea(None, "unsettled", f"a response at {level:g} dB nHL and {none}; between them no run was decided")
        return self._ended("found", f"a response at {level:g} dB nHL and {none}", present, absent)

    def _wanting(self, tally: Tally, count: int, asked: int) -> bool:
        """Whether a level needs more runs. Undecided runs confirm nothing; the number of their repeats is limited."""
        decided = tally.present + tally.absent
        return count < asked and decided < self.rules.most_runs and tally.undecided < self.rules.most_undecided

    def _ended(self, reason: Reason, why: str, present: Tally | None, absent: Tally | None) -> _Idea:
        """End of the ladder; unsettled if a level was not found as often as the plan asks."""
        levels = (
            (present, self.rules.present_runs, 0 if present is None else present.present),
            (absent, self.rules.absent_runs, 0 if absent is None else absent.absent),
        )
        for tally, asked, count in levels:
            if tally is not None and count < asked:
                short = f"at {tally.level_db_nhl:g} dB nHL it was found {times(count)}, where the plan asks for {asked} runs"
                return _Idea(None, "unsettled", f"{why}; {short}")
        return _Idea(None, reason, why)


def _softened(idea: _Idea, own: Sequence[RunSummary], runs: Sequence[RunSummary], rules: Rules) -> _Idea:
    """Replace a level by one that is not much louder than the last stimulus, if that one is informative too."""
    heard = [run.level_db_nhl for run in runs if not run.muted]
    if idea.level is None or not heard or idea.level - heard[-1] <= rules.largest_rise_db:
        return idea
    absent = [run.level_db_nhl for run in own if run.verdict != PRESENT]
    tried = {round(run.level_db_nhl, 2) for run in own}
    steps = math.ceil((idea.level - rules.lowest_db) / rules.last_step_db)
    lower = [idea.level - rules.last_step_db * number for number in range(1, steps + 1)]
    fitting = [
        level
        for level in lower
        if max([rules.lowest_db, *absent]) <= level <= heard[-1] + rules.largest_rise_db and round(level, 2) not in tried
    ]
    rise = f"{idea.level - heard[-1]:g} dB above the last stimulus"
    if not fitting:
        return replace(idea, why=f"{idea.why} (it is {rise} and may wake: no lower level would say more)")
    why = f"{idea.why}, but {idea.level:g} dB nHL is {rise} and may wake: a softer one first"
    return _Idea(max(fitting), "softer", why)


def _short(time_left_s: float, ahead: ExpectedDuration) -> str:
    if time_left_s <= 0:
        return "no time is left"
    return f"the {time_left_s:.0f} s left are not enough for a run of about {ahead.run_s:.0f} s"


def _found(condition: Condition, own: Sequence[RunSummary], rules: Rules) -> str:
    return f"so far {threshold_of(condition, own, present_runs=rules.present_runs, absent_runs=rules.absent_runs).words}"


@dataclass(frozen=True)
class Measurement:
    """Result of a run at one level, measured or simulated."""

    verdict: str
    stopped_by: str = ""
    residual_noise_nv: float = math.nan
    seconds: float = math.nan


@dataclass(frozen=True)
class Course:
    """A complete ladder: threshold, runs in order, last suggestion."""

    threshold: Threshold
    runs: tuple[RunSummary, ...]
    last: Suggestion

    @property
    def seconds(self) -> float:
        """Total duration of all runs, in s."""
        return math.fsum(run.seconds for run in self.runs)


def follow(
    condition: Condition,
    rules: Rules,
    measure: Callable[[float], Measurement],
    *,
    time_s: float = math.inf,
    longest_s: float = math.inf,
) -> Course:
    """Follow the suggestions until the ladder is complete. ``measure`` makes a run at a level; for simulations, in the same
    process."""
    runs: list[RunSummary] = []
    spent_s = 0.0
    while True:
        ahead = expected_duration(runs, rules.floor_nv, longest_s)
        last = suggest(condition, runs, rules, time_left_s=time_s - spent_s, outlook=ahead)
        if last.level_db_nhl is None:
            break
        found = measure(last.level_db_nhl)
        spent_s += 0.0 if math.isnan(found.seconds) else found.seconds
        stopped_by = found.stopped_by or ("sweep_limit" if found.verdict == UNDECIDED else "response")
        run = RunSummary(
            len(runs) + 1, condition, last.level_db_nhl, found.verdict, stopped_by, found.residual_noise_nv, found.seconds,
            alpha=rules.alpha, replicate_of=last.repeats,
        )  # fmt: skip
        runs.append(run)
    settled = last.reason in SETTLED
    found_at = threshold_of(
        condition, runs, settled=settled, present_runs=rules.present_runs, absent_runs=rules.absent_runs
    )
    return Course(found_at, tuple(runs), last)


__all__ = [
    "SETTLED", "Course", "ExpectedDuration", "Measurement", "Reason", "Rules", "Suggestion", "expected_duration", "follow",
    "suggest",
]  # fmt: skip
