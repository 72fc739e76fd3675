"""Error rates of a ladder for an ear that hears nothing, computed from its rules and the error rate of its runs. Pure.

A run reports a false response in at most a share alpha of cases. A ladder makes many runs, so a false response is more likely in
a ladder; but a threshold that was found as often as the plan asks is less often false. Every course of a ladder is followed, with
its probability; very unlikely courses are not followed and count as wrong. Limits of time end ladders earlier and make errors
less likely; undecided runs make ladders longer.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from quietfloor.monitor.session.conditions import ABSENT, PRESENT, Condition, RunSummary
from quietfloor.monitor.session.next_level import SETTLED, suggest
from quietfloor.monitor.session.staircase_rules import Rules
from quietfloor.monitor.session.threshold import bracket_of, tallies

LEAST, MOST = 1e-7, 1000  # probability of a way that is followed, and how many of one length: own choice, for the sake of time
NO_RATE = "none is known, as the rule of the runs keeps none"
_EAR = Condition("right", "air", "click")
_Way = tuple[tuple[float, str], ...]  # level and verdict of each run


@dataclass(frozen=True)
class LadderErrors:
    """Upper bounds of error probabilities (0 to 1) for one ladder of an ear that hears nothing, with all runs decided.

    ``any_false``: at least one run reports a response. ``false_threshold``: the ladder ends with a threshold, or with "at most".
    ``false_settled``: it ends with a settled threshold.
    """

    alpha: float
    any_false: float
    false_threshold: float
    false_settled: float

    @property
    def words(self) -> str:
        return (
            f"where nothing is heard, at most {percent(self.any_false)} of ladders meet a false response, "
            f"{percent(self.false_threshold)} end with a false threshold, {percent(self.false_settled)} with one that is settled "
            f"(every run decided, false alarms of a run at most {percent(self.alpha)})"
        )


def percent(share: float) -> str:
    """A probability in per cent with two significant digits, such as "6.8 %" or "0.094 %"."""
    return f"{100 * share:.2g} %"


@lru_cache(maxsize=256)
def ladder_errors(rules: Rules) -> LadderErrors:
    """Error bounds of a ladder whose runs report a false response with probability ``rules.alpha``."""
    open_ways: dict[_Way, float] = {(): 1.0}
    any_false = false_threshold = false_settled = 0.0
    while open_ways:
        further: dict[_Way, float] = {}
        for place, (way, chance) in enumerate(sorted(open_ways.items(), key=lambda one: -one[1])):
            if chance < LEAST or place >= MOST:
                any_false, false_threshold, false_settled = any_false + chance, false_threshold + chance, false_settled + chance
                continue
            runs = [RunSummary(number, _EAR, *run, stopped_by="") for number, run in enumerate(way, 1)]
            idea = suggest(_EAR, runs, rules)
            if idea.level_db_nhl is None:
                any_false += chance if any(run.verdict == PRESENT for run in runs) else 0.0
                if bracket_of(tallies(runs)).present is not None:
                    false_threshold += chance
                    false_settled += chance if idea.reason in SETTLED else 0.0
                continue
            for verdict, share in ((PRESENT, rules.alpha), (ABSENT, 1.0 - rules.alpha)):
                longer = _ordered((*way, (round(idea.level_db_nhl, 2), verdict)))
                further[longer] = further.get(longer, 0.0) + chance * share
        open_ways = further
    return LadderErrors(rules.alpha, any_false, false_threshold, false_settled)


def _ordered(way: _Way) -> _Way:
    """A canonical form, equal for courses that a ladder treats alike: only the findings at each level and the order of the last
    ones matter."""
    last = {level: place for place, (level, _) in enumerate(way)}
    return tuple(sorted(way, key=lambda run: (last[run[0]], run[1])))
