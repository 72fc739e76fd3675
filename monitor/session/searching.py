"""The next search of a session: the conditions of one recording, their levels and their order. Pure.

All conditions without an answer go into one recording, if they share their transducer and the other keys of the sound. The first
condition of each ear is searched before the second condition of either ear, so that both ears have a threshold if the person
wakes. If noise may be given, levels that need it have it in the same recording. If the noise comes by another transducer (always
by bone), somebody has to move it: then the levels that need none are searched first, and levels above them follow in a recording
of one ear, with noise in the other one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from quietfloor.monitor.search.outlook import Outlook, Progress, foretell, in_turn
from quietfloor.monitor.search.posterior import OUTSIDE_DB
from quietfloor.monitor.session.conditions import UNKNOWN, Condition
from quietfloor.monitor.session.staircase_rules import Rules
from quietfloor.monitor.session.threshold import Threshold

MOST_CELLS = 127  # of a recording, and one of silence
MOST_LEVELS = 41  # of a condition
# Time with 0, 1, 2 sounds at once in each of both ears, relative to one ear after the other: 50 virtual persons, see
# docs/statistics.md
AT_ONCE = (1.0, 0.73, 0.43)
COARSE_FROM_DB = 50.0  # in dB nHL; above, steps are doubled where a recording would have too many cells: own choice
LEAST_S = 20.0  # in less time nothing is found: own choice
ABOVE_DB = 10.0  # where a search begins, above what is expected: own choice
# SD in dB of what a threshold says of the next octave, and of the other ear; and of what says too little. Own choice, wide: an
# ear that is unlike its other one must be found all the same.
OCTAVE_DB, OTHER_EAR_DB, MOST_SD_DB = 12.0, 12.0, 25.0
LEAST_SD_DB = 3.0  # of any threshold
UNKNOWN_TIME = Outlook(math.nan, math.nan, math.nan)


@dataclass(frozen=True)
class Ahead:
    """A condition to be searched. ``index``: its place in the session plan. ``levels_db`` in dB nHL, softest first.

    ``noise_db_em``: advised noise in the other ear at each level, nan for none; ``noise``: its kind, empty: as the plan says.
    ``one_ear``: it comes by another transducer, so that a recording with noise has one ear. ``kind``: properties that the
    conditions of one recording share. ``above_db``: level up to which a search found no response; nan: not known. ``doubtful``:
    its response must be found again with noise. ``expected``: threshold and SD in dB, expected from other thresholds; None: not
    known.
    """

    index: int
    condition: Condition
    levels_db: tuple[float, ...]
    start_db: float
    rank: int
    kind: str = ""
    noise: str = ""
    one_ear: bool = False
    noise_db_em: tuple[float, ...] = ()
    above_db: float = math.nan
    doubtful: bool = False
    expected: tuple[float, float] | None = None

    @property
    def quiet(self) -> Ahead | None:
        """The same condition at the levels that need no noise; None if these levels can give no more information."""
        due = next((place for place, noise in enumerate(self.noise_db_em) if not math.isnan(noise)), len(self.levels_db))
        if due == 0 or self.doubtful or self.levels_db[due - 1] <= self.above_db:
            return None
        return replace(self, levels_db=self.levels_db[:due], noise_db_em=())

    @property
    def thinned(self) -> Ahead:
        """The same condition with every second level above ``COARSE_FROM_DB``, and the loudest."""
        count = len(self.levels_db)
        keep = [place for place, db in enumerate(self.levels_db) if db <= COARSE_FROM_DB or (count - 1 - place) % 2 == 0]
        noise = tuple(self.noise_db_em[place] for place in keep) if self.noise_db_em else ()
        return replace(self, levels_db=tuple(self.levels_db[place] for place in keep), noise_db_em=noise)

    @property
    def noise_of_loudest(self) -> tuple[float, ...]:
        """Noise in dB EM for each level from the lowest that needs noise; if none is known for a level, that of the level
        below."""
        given: list[float] = []
        for noise in self.noise_db_em:
            if given or not math.isnan(noise):
                given.append(given[-1] if math.isnan(noise) else noise)
        return tuple(given)

    def table(self) -> dict[str, Any]:
        """The table [[search.condition]] for the plan of a run."""
        one = self.condition
        found: dict[str, Any] = {"ear": one.ear, "stimulus": one.stimulus}
        found |= {} if one.frequency_hz is None else {"frequency_hz": one.frequency_hz}
        found |= {"levels_db_nhl": list(self.levels_db), "start_db_nhl": self.start_db, "rank": self.rank}
        if self.noise_of_loudest:
            found |= {"masking_db_em": list(self.noise_of_loudest)} | ({"masking": self.noise} if self.noise else {})
        if self.expected is not None:
            found |= {"expected_db_nhl": self.expected[0], "expected_sd_db": self.expected[1]}
        return found


@dataclass(frozen=True)
class SearchAhead:
    """The next recording, with at least one condition. ``minutes``: its longest duration, inf for no limit. ``move``: what to do
    with the one earphone of both ears before it, empty for nothing."""

    conditions: tuple[Ahead, ...]
    minutes: float = math.inf
    to_go: Outlook = UNKNOWN_TIME
    move: str = ""

    @property
    def sounds_of_each_ear(self) -> int:
        """How many sounds each ear can hear at once: 2 where both ears have conditions of two frequencies."""
        return sounds_of_each_ear(one.condition for one in self.conditions)

    def tables(self, at_once: int) -> list[dict[str, Any]]:
        """The tables [[search.condition]], in order. With two sounds at once in each ear, the lower half of the ear's frequencies
        has its first one, the rest its second one."""
        found = [one.table() for one in self.conditions]
        if at_once > 1:
            for table in found:
                every = sorted({one["frequency_hz"] for one in found if one["ear"] == table["ear"]})
                table["sound"] = 1 if every.index(table["frequency_hz"]) < len(every) // 2 else 2
        return found

    @property
    def begins_with(self) -> tuple[int, float]:
        """Condition (index in the session plan) and level in dB nHL of the first sound."""
        first = self.conditions[0]
        return first.index, min(first.levels_db, key=lambda level: abs(level - first.start_db))

    def beginning_at(self, level_db: float) -> SearchAhead:
        """The same recording with another first level. Raises ValueError if the first condition has no such level."""
        first, *others = self.conditions
        if level_db not in first.levels_db:
            levels = ", ".join(f"{level:g}" for level in first.levels_db)
            raise ValueError(f"{level_db:g} dB nHL is no level of {first.condition}; it has {levels}")
        return replace(self, conditions=(replace(first, start_db=level_db), *others))

    @property
    def sentence(self) -> str:
        """Description of the next search in one sentence."""
        first, *others = self.conditions
        more = "" if not others else f" and {len(others)} more condition{'s' if len(others) > 1 else ''}"
        low, high = min(one.levels_db[0] for one in self.conditions), max(one.levels_db[-1] for one in self.conditions)
        noise = [level for one in self.conditions for level in one.noise_of_loudest]
        levels = "" if not noise else f"{noise[0]:g}" if min(noise) == max(noise) else f"{min(noise):g} to {max(noise):g}"
        masked = f", with noise of {levels} dB EM in the other ear where it is due" if noise else ""
        time = "" if math.isinf(self.minutes) else f", at most {self.minutes:.1f} min"
        where = str(first.condition)
        likely = ""
        if math.isfinite(self.to_go.median_s):
            low_min, median_min, high_min = (seconds / 60 for seconds in self.to_go)
            likely = f" About {median_min:.0f} min of signal to go ({low_min:.0f} to {high_min:.0f}, 80 %)."
        move = f"{self.move}. " if self.move else ""
        return (
            f"{move}{where[:1].upper()}{where[1:]}{more}: next a search from {low:g} to {high:g} dB nHL, beginning at "
            f"{self.begins_with[1]:g}{masked}{time}.{likely}"
        )


def sounds_of_each_ear(conditions: Iterable[Condition]) -> int:
    """How many sounds of these conditions each of both ears can hear at once; 0: they are not of both ears."""
    conditions = tuple(conditions)
    each = [{one.frequency_hz for one in conditions if one.ear == ear} for ear in ("left", "right")]
    return 2 if all(len(own) > 1 and None not in own for own in each) else int(all(each))


def time_to_go(waiting: Iterable[Ahead], width_db: float, weight_per_s: float, most: int = 0) -> Outlook:
    """How long conditions take that are still open, as if nothing was known of them; ``weight_per_s`` in 1/uV2: what a second of
    signal adds to an average, nan: not known. ``most``: sounds that each of both ears hears at once, as far as it can; 0: one ear
    at a time."""
    waiting = tuple(waiting)
    part = AT_ONCE[min(most, sounds_of_each_ear(one.condition for one in waiting))]
    spans_db = [one.levels_db[-1] - one.levels_db[0] + 2 * OUTSIDE_DB for one in waiting]
    parts = [foretell(Progress(span_db / width_db, weight_per_s, 0.0)) for span_db in spans_db]
    return Outlook(*(part * point for point in in_turn(parts))) if parts and weight_per_s > 0 else UNKNOWN_TIME


def levels_of(rules: Rules, given: Callable[[float], bool]) -> tuple[float, ...]:
    """Levels of a condition in dB nHL, softest first, up to the loudest whose sound can be ``given``. Steps are those of the
    plan, or wider if there would be too many levels."""
    step_db = rules.last_step_db
    while (rules.highest_db - rules.lowest_db) / step_db > MOST_LEVELS - 1:
        step_db += rules.last_step_db
    count = 1 + math.floor((rules.highest_db - rules.lowest_db) / step_db + 1e-9)
    levels = [round(rules.lowest_db + step_db * place, 2) for place in range(count)]
    while levels and not given(levels[-1]):
        levels.pop()
    return tuple(levels)


def rank_of(conditions: Sequence[Condition], index: int) -> int:
    """Number of conditions of the same ear that come before it in the plan."""
    return sum(one.ear == conditions[index].ear for one in conditions[:index])


def expected_of(condition: Condition, thresholds: Iterable[Threshold]) -> tuple[float, float] | None:
    """Expected threshold and its SD in dB, from known thresholds and from an unfinished search of the condition; None: there is
    none.

    The most precise of them is used. A response that is not known to come from its ear is not used.
    """
    said: list[tuple[float, float]] = []
    for one in (each for each in thresholds if each.whose != UNKNOWN):
        other, width_db = one.condition, one.high_db_nhl - one.low_db_nhl  # of 95 %
        own_db = max(LEAST_SD_DB, width_db / 3.92) if math.isfinite(width_db) else OCTAVE_DB
        if other.same_as(condition):
            if one.method == "search" and not one.settled and math.isfinite(width_db):
                said.append((one.low_db_nhl + width_db / 2, own_db))
            continue
        known = one.settled and one.finding == "threshold" and not math.isnan(one.estimate_db_nhl)
        if not known or (other.route, other.stimulus) != (condition.route, condition.stimulus):
            continue
        octaves = 0.0
        if condition.frequency_hz is not None and other.frequency_hz is not None:
            octaves = abs(math.log2(condition.frequency_hz / other.frequency_hz))
        elif condition.frequency_hz != other.frequency_hz:
            continue
        across_db = 0.0 if other.ear == condition.ear else OTHER_EAR_DB
        said.append((one.estimate_db_nhl, math.hypot(own_db, OCTAVE_DB * octaves, across_db)))
    best = min(said, key=lambda one: one[1], default=None)
    return None if best is None or best[1] > MOST_SD_DB else (round(best[0], 1), round(best[1], 1))


def start_of(start_db: float, expected: tuple[float, float] | None) -> float:
    """Level in dB nHL near which a condition begins; never above the first level of the plan."""
    return start_db if expected is None else min(start_db, expected[0] + ABOVE_DB)


def recording(waiting: Iterable[Ahead]) -> tuple[Ahead, ...]:
    """The conditions of the next recording, from those without an answer, in order; empty if there are none."""
    ordered = sorted((one for one in waiting if one.levels_db), key=lambda one: (one.rank, one.index))
    same = [one for one in ordered if one.kind == ordered[0].kind]
    fitting = [one for one in (each.quiet if each.one_ear else each for each in same) if one is not None]
    if not fitting:
        fitting = [one for one in same if one.condition.ear == same[0].condition.ear]
    if sum(len(one.levels_db) for one in fitting) > MOST_CELLS:
        fitting = [one.thinned for one in fitting]
    chosen: list[Ahead] = []
    for one in fitting:
        if sum(len(each.levels_db) for each in (*chosen, one)) <= MOST_CELLS:
            chosen.append(one)
    return tuple(chosen)
