"""The threshold of one ladder from its runs, with its uncertainty. Pure.

The threshold is a level at which a run finds a response. By convention it is the lowest level with a response, if a run 5 or 10
dB below found none (NHSP/BSA guidance: from memory). It is given with an interval for the level at which half of such runs would
find a response. The interval counts every run, also those that contradict each other.

Runs of one level with different noise in the other ear (or without noise) are never counted together: one kind of runs counts for
the level, and the others are listed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.hearing.estimate import Measured
from quietfloor.monitor.session.conditions import ABSENT, OWN, PRESENT, UNKNOWN, Condition, Finding, RunSummary, Whose
from quietfloor.monitor.session.whose_ear import of_runs

Standing = Literal["present", "absent", "split", "undecided"]
Method = Literal["ladder", "search"]

# How often a run finds a response at a level: a logistic curve between the run's own alpha and 1 - MISSED. Where alpha is not
# known it is the usual one of a plan. The others are own choice: from 1 in 10 to 9 in 10 responses within 11 dB.
UNKNOWN_ALPHA, MISSED, SPREAD_DB = 0.01, 0.02, 2.5
COVERAGE = 0.95
_DROP = 1.92  # log likelihood: half the 95 % point of chi-squared with one degree of freedom
_REACH_DB, _GRID_DB = 40.0, 0.5


@dataclass(frozen=True)
class Tally:
    """The counted runs at one level, all with the same noise in the other ear or all without noise.

    ``present_is``, ``absent_is``, ``undecided_is``: the ears that responded in these runs. ``aside``: numbers of runs with other
    noise.
    """

    level_db_nhl: float
    present: int = 0
    absent: int = 0
    undecided: int = 0
    numbers: tuple[int, ...] = ()
    noise: str = ""
    present_is: Whose = ""
    absent_is: Whose = ""
    undecided_is: Whose = ""
    aside: tuple[int, ...] = ()

    @property
    def runs(self) -> int:
        return self.present + self.absent + self.undecided

    @property
    def standing(self) -> Standing:
        """Result of the majority of the decided runs."""
        if self.present == self.absent:
            return "split" if self.present else "undecided"
        return "present" if self.present > self.absent else "absent"

    @property
    def margin(self) -> int:
        return abs(self.present - self.absent)

    @property
    def whose(self) -> Whose:
        """The ear that is known to have responded at this level."""
        return {"present": self.present_is, "absent": self.absent_is}.get(
            self.standing, of_runs((self.present_is, self.absent_is) if self.present else (self.undecided_is,))
        )

    @classmethod
    def of(cls, runs: Sequence[RunSummary]) -> Tally:
        """The tally of runs of one level and noise."""
        present = [run.whose for run in runs if run.verdict == PRESENT]
        absent = [run.whose for run in runs if run.verdict == ABSENT]
        undecided = [run.whose for run in runs if run.verdict not in (PRESENT, ABSENT)]
        numbers = tuple(run.number for run in runs)
        return cls(
            round(runs[0].level_db_nhl, 2), len(present), len(absent), len(undecided), numbers, runs[0].noise,
            of_runs(present), of_runs(absent), of_runs(undecided),
        )  # fmt: skip


def times(count: int) -> str:
    """A count in words: once, twice, 3 times."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def counted(condition: Condition, runs: Iterable[RunSummary]) -> list[RunSummary]:
    """Runs of one level of the condition that count for its threshold."""
    return [run for run in runs if run.counts and run.search is None and run.condition.same_as(condition)]


def tallies(runs: Iterable[RunSummary]) -> dict[float, Tally]:
    """Tallies by level in dB nHL, the lowest first, of the counted runs of one condition.

    If a level has runs with several kinds of noise, the kind counts whose response is known to come from the tested ear. Among
    equal kinds, the one with more decided runs counts, then the one with noise, then the newest.
    """
    kinds: dict[float, dict[str, list[RunSummary]]] = {}
    for run in runs:
        kinds.setdefault(round(run.level_db_nhl, 2), {}).setdefault(run.noise, []).append(run)
    found = {}
    for level, by_noise in sorted(kinds.items()):
        all_kinds = [Tally.of(same) for same in by_noise.values()]
        best = max(
            all_kinds,
            key=lambda one: (one.whose == OWN, one.present + one.absent, one.noise != "", one.numbers[-1]),
        )
        aside = sorted(number for one in all_kinds if one is not best for number in one.numbers)
        found[level] = replace(best, aside=tuple(aside))
    return found


@dataclass(frozen=True)
class Bracket:
    """Lowest level with a response, and highest level below it without a response; None if there is none.

    ``clash``: a level with a response below a level without. The one with the smaller majority is ignored here; if they are
    equal, the response is ignored, which makes the threshold higher.
    """

    present: Tally | None
    absent: Tally | None
    clash: tuple[Tally, Tally] | None = None

    @property
    def gap_db(self) -> float:
        """Distance in dB between the two levels; nan where one is missing."""
        if self.present is None or self.absent is None:
            return math.nan
        return self.present.level_db_nhl - self.absent.level_db_nhl


def bracket_of(known: Mapping[float, Tally]) -> Bracket:
    """The levels that enclose the threshold, from the tallies of one condition."""
    present = [tally for tally in known.values() if tally.standing == "present"]
    absent = [tally for tally in known.values() if tally.standing == "absent"]
    clash = None
    while present and absent and absent[-1].level_db_nhl > present[0].level_db_nhl:
        clash = clash or (present[0], absent[-1])
        if present[0].margin > absent[-1].margin:
            absent.pop()
        else:
            present.pop(0)
    return Bracket(present[0] if present else None, absent[-1] if absent else None, clash)


@dataclass(frozen=True)
class Threshold:
    """Result of a ladder, or of a search. Levels in dB nHL, nan where there is none.

    ``level_db_nhl``: by convention, for "no response" the highest level without one. ``estimate_db_nhl`` with ``low_db_nhl`` to
    ``high_db_nhl`` (95 %): where runs like these would find a response as often as not; nan: no limit on that side.

    Of a search ``estimate_db_nhl`` is where the response begins, and ``level_db_nhl`` the same to a whole dB;
    ``lowest_present_db_nhl`` is the softest level at or below which it was found, and ``highest_absent_db_nhl`` a level without
    one above which nothing was searched, or one that later runs confirmed. ``said``: its answer in words, ``hidden_below``: how
    large a response may be at softer levels. ``transducer``, ``masked`` are known of a search only.
    """

    condition: Condition
    finding: Finding
    level_db_nhl: float
    lowest_present_db_nhl: float
    highest_absent_db_nhl: float
    estimate_db_nhl: float
    low_db_nhl: float
    high_db_nhl: float
    settled: bool = False  # the ladder's rules have nothing left to ask
    rests_on: tuple[int, ...] = ()  # numbers of the runs at the two levels
    notes: tuple[str, ...] = ()
    whose: Whose = ""  # of the lowest response; for "no response", whether noise may have hidden one
    hidden: bool = False  # noise may have hidden a response at the level without one
    method: Method = "ladder"
    said: str = ""
    hidden_below: str = ""
    transducer: str = ""
    masked: bool = False  # the other ear had noise at the softest level with a response, or at the loudest without one

    @property
    def measured(self) -> Measured:
        """Of a search, as hearing levels are estimated from it. Raises HearingError where no table knows such a sound."""
        one = self.condition
        searched = self.level_db_nhl if self.finding == "threshold" else math.nan
        return Measured(
            one.ear, one.route, one.stimulus, self.transducer, one.frequency_hz, self.lowest_present_db_nhl,
            self.highest_absent_db_nhl, self.masked, self.whose != UNKNOWN, searched,
        )  # fmt: skip

    @property
    def words(self) -> str:
        """The threshold in words, without the condition."""
        if self.method == "search":
            return self.said + (f"; {UNKNOWN}" if self.whose == UNKNOWN else "")
        if self.finding == "not tested":
            return "not tested" if not self.notes else "nothing decided"
        level = f"{self.level_db_nhl:g} dB nHL"
        doubt = f"; {UNKNOWN}" if self.whose == UNKNOWN else ""
        doubt += "; noise may have hidden a lower one" if self.hidden and self.finding != "no response" else ""
        if self.finding == "no response":
            return f"no response up to {level} (95 %: above {self.low_db_nhl:.0f}){doubt}"
        if self.finding == "at most":
            return f"at most {level}, with nothing decided below (95 %: below {self.high_db_nhl:.0f}){doubt}"
        limits = f"95 %: {self.low_db_nhl:.0f} to {self.high_db_nhl:.0f}"
        return f"{level}, none at {self.highest_absent_db_nhl:g} ({limits}){doubt}"


def threshold_of(
    condition: Condition, runs: Iterable[RunSummary], *, settled: bool = False, present_runs: int = 1, absent_runs: int = 1
) -> Threshold:
    """The threshold of a condition from all runs of a session; runs of other conditions are ignored."""
    own = counted(condition, runs)
    known = tallies(own)
    bracket = bracket_of(known)
    present, absent = bracket.present, bracket.absent
    notes = []
    if bracket.clash is not None:
        low, high = bracket.clash
        notes.append(
            f"a response at {low.level_db_nhl:g} dB nHL and none at {high.level_db_nhl:g} contradict each other: the one with "
            "more runs behind it counts, with equal numbers the higher"
        )
    if bracket.gap_db > 10.0:
        notes.append(f"nothing was decided in the {bracket.gap_db:g} dB below the lowest response")
    for tally, asked, count in (
        (present, present_runs, 0 if present is None else present.present),
        (absent, absent_runs, 0 if absent is None else absent.absent),
    ):
        if tally is not None and count < asked:
            notes.append(f"{tally.level_db_nhl:g} dB nHL was found {times(count)}, where {asked} runs were asked for")
    if known and present is None and absent is None:
        notes.append("no run was decided")
    if present is not None and present.whose == UNKNOWN:
        notes.append(
            f"the response at {present.level_db_nhl:g} dB nHL is {UNKNOWN}: noise in the other ear was due there, and was not "
            "given or is not known to be enough"
        )
    if absent is not None and absent.whose == UNKNOWN:
        notes.append(f"the noise at {absent.level_db_nhl:g} dB nHL may have hidden a response of this ear")
    for tally in known.values():
        if tally.aside:
            numbers = ", ".join(str(number) for number in tally.aside)
            several = "run" if len(tally.aside) == 1 else "runs"
            notes.append(
                f"at {tally.level_db_nhl:g} dB nHL {several} {numbers} had other masking than {tally.noise or 'none'}, and "
                f"{'is' if len(tally.aside) == 1 else 'are'} not counted with the rest"
            )
    together = {number for tally in known.values() for number in tally.numbers}
    low_db, middle_db, high_db = interval(run for run in own if run.number in together)
    finding: Finding = (
        "threshold" if present and absent else "at most" if present else "no response" if absent else "not tested"
    )
    lowest = math.nan if present is None else present.level_db_nhl
    highest = math.nan if absent is None else absent.level_db_nhl
    return Threshold(
        condition=condition,
        finding=finding,
        level_db_nhl=highest if present is None else lowest,
        lowest_present_db_nhl=lowest,
        highest_absent_db_nhl=highest,
        estimate_db_nhl=middle_db if finding == "threshold" else math.nan,
        low_db_nhl=low_db,
        high_db_nhl=high_db,
        settled=settled,
        rests_on=tuple(number for tally in (present, absent) if tally is not None for number in tally.numbers),
        notes=tuple(notes),
        whose="" if finding == "not tested" else (present or absent).whose,  # type: ignore[union-attr]
        hidden=absent is not None and absent.whose == UNKNOWN,
    )


def search_of(condition: Condition, runs: Iterable[RunSummary]) -> RunSummary | None:
    """The search that says the threshold of a condition: the newest that was finished, else the newest; None: there is none."""
    own = [run for run in runs if run.search is not None and run.counts and run.condition.same_as(condition)]
    finished = [run for run in own if run.search is not None and run.search.finished]
    newest = finished or own
    return newest[-1] if newest else None


def threshold_by_search(condition: Condition, run: RunSummary) -> Threshold:
    """The threshold of a condition from a search of it."""
    one = run.search
    assert one is not None
    known = one.finished and one.found and math.isfinite(one.threshold_db)
    softest, loudest = one.levels_db[0], one.levels_db[-1]
    if known and one.threshold_db >= softest:
        finding: Finding = "threshold"
    elif one.found:
        finding = "at most"
    else:
        finding = "no response" if one.finished else "not tested"
    none = finding == "no response"
    notes = [f"run {run.number} ended before its search was finished: {one.words}"] if not one.finished else []
    notes += [one.hidden] if one.hidden else []
    if run.whose == UNKNOWN:
        notes.append(
            f"the response at {one.found_db:g} dB nHL is {UNKNOWN}: noise in the other ear was due there, and was not given or "
            "is not known to be enough"
            if one.found
            else f"the noise at {loudest:g} dB nHL may have hidden a response of this ear"
        )
    whole_db = float(round(one.threshold_db)) if known else math.nan
    level = {"threshold": whole_db, "at most": one.found_db, "no response": loudest, "not tested": math.nan}[finding]
    return Threshold(
        condition=condition,
        finding=finding,
        level_db_nhl=level,
        lowest_present_db_nhl=one.found_db,
        highest_absent_db_nhl=loudest if none else math.nan,
        estimate_db_nhl=one.threshold_db if finding == "threshold" else math.nan,
        low_db_nhl=one.low_db if math.isfinite(one.low_db) else math.nan,
        high_db_nhl=one.high_db if math.isfinite(one.high_db) and not none else math.nan,
        settled=one.finished,
        rests_on=(run.number,),
        notes=tuple(notes),
        whose="" if finding == "not tested" else run.whose,
        method="search",
        said=one.words,
        hidden_below=one.hidden,
        transducer=run.transducer,
        masked=run.masked,
    )


def interval(runs: Iterable[RunSummary]) -> tuple[float, float, float]:
    """Lower limit, most likely value and upper limit in dB nHL of the level at which half the runs respond; nan: no limit.

    All levels whose likelihood, given every decided run, is within a factor exp(-1.92) of the largest.
    """
    decided = [run for run in runs if run.verdict in (PRESENT, ABSENT)]
    if not decided:
        return math.nan, math.nan, math.nan
    levels = np.array([run.level_db_nhl for run in decided])
    at_db: Floats = np.arange(levels.min() - _REACH_DB, levels.max() + _REACH_DB + _GRID_DB / 2, _GRID_DB)
    alphas = np.array([run.alpha for run in decided])[:, np.newaxis]
    alphas = np.where(np.isfinite(alphas), np.clip(alphas, 1e-6, 0.5), UNKNOWN_ALPHA)
    chance = alphas + (1 - alphas - MISSED) / (1 + np.exp(-(levels[:, np.newaxis] - at_db) / SPREAD_DB))
    found = np.array([run.verdict == PRESENT for run in decided])[:, np.newaxis]
    likelihood = np.log(np.where(found, chance, 1 - chance)).sum(axis=0)
    inside = np.flatnonzero(likelihood >= likelihood.max() - _DROP)
    best = np.flatnonzero(likelihood >= likelihood.max() - 1e-9)
    low = math.nan if inside[0] == 0 else float(at_db[inside[0]])
    high = math.nan if inside[-1] == at_db.size - 1 else float(at_db[inside[-1]])
    return low, float(at_db[best].mean()), high
