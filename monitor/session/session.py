"""What comes next in a session: the next run of a ladder, or the next recording of a search."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from dataclasses import replace
from typing import Any

from quietfloor.monitor.plan.cell_table import OF_KIND
from quietfloor.monitor.plan.run_plan import Plan, override
from quietfloor.monitor.plan.sound_plan import SoundPlan
from quietfloor.monitor.session.conditions import (
    UNKNOWN,
    Condition,
    RunSummary,
)
from quietfloor.monitor.session.earlier_run import earlier_of
from quietfloor.monitor.session.next_level import (
    LEAST_S,
    ExpectedDuration,
    Suggestion,
    expected_duration,
    known,
    suggest,
)
from quietfloor.monitor.session.one_earphone import move_words
from quietfloor.monitor.session.recorded_session import RecordedSession, with_found
from quietfloor.monitor.session.searching import LEAST_S as LEAST_SEARCH_S
from quietfloor.monitor.session.searching import (
    Ahead,
    SearchAhead,
    expected_of,
    levels_of,
    rank_of,
    recording,
    start_of,
    time_to_go,
)
from quietfloor.monitor.session.staircase_rules import waking_words
from quietfloor.monitor.session.threshold import Threshold, counted, search_of

# Keys of [sound] in which conditions of one recording may differ: always, as parts of one stimulus, and as noise.
OF_CONDITION = ("ear", "stimulus", "frequency_hz", "level_db_nhl", "level_db_fs", "seed")
OF_NOISE = ("masking", "masking_level_db_em", "masking_level_db_fs", "masking_frequency_hz")


class Session(RecordedSession):
    """A session with its suggestions: for ladders a level, for a search the conditions and levels of its next recording."""

    def suggestions(self, minutes_left: float | None = None) -> tuple[Suggestion, ...]:
        """Suggestions, one for each condition of the plan.

        Time is shared among the open conditions. If the share is less than a run, the conditions about which least is known come
        first.
        """
        runs, conditions = self.all_runs(), self.plan.conditions
        left_s = self.time_left_s(runs) if minutes_left is None else 60 * minutes_left
        waking = waking_words(runs)
        plain = [suggest(condition, runs, self.plan.rules(index)) for index, condition in enumerate(conditions)]
        waiting = sum(not one.done for one in plain)
        made = {}
        for index in sorted(range(len(conditions)), key=lambda index: known(conditions[index], runs)):
            ahead = self.outlook(index, runs)
            share_s = left_s / max(1, waiting)
            share_s = min(left_s, ahead.run_s) if share_s < ahead.run_s else share_s
            one = suggest(
                conditions[index],
                runs,
                self.plan.rules(index),
                time_left_s=share_s,
                outlook=ahead,
                masking=lambda level, index=index: self.masking(index, level, runs=runs),  # type: ignore[misc]
                waking=waking,
            )
            made[index] = self.placed(one, runs)
            if not plain[index].done:
                waiting -= 1
                left_s -= 0.0 if one.done or math.isinf(left_s) else share_s
        return tuple(made[index] for index in range(len(conditions)))

    def next(self, minutes_left: float | None = None) -> Suggestion | None:
        """The next suggestion: first the ladder in progress, then the next one of the plan. If time is short or the person is
        waking, the ladder about which least is known. None if nothing is left."""
        suggestions = self.suggestions(minutes_left)
        runs = [run for run in self.all_runs() if run.counts]
        if any(one.short for one in suggestions):
            still = [one for one in suggestions if not one.done]
            return min(still, key=lambda one: known(one.condition, runs), default=None)
        if runs:
            last = next((one for one in suggestions if one.condition.same_as(runs[-1].condition)), None)
            if last is not None and not last.done:
                return last
        still = [one for one in suggestions if not one.done]
        return next((one for one in still if not one.move), still[0] if still else None)

    def placed(self, one: Suggestion, runs: tuple[RunSummary, ...] | None = None) -> Suggestion:
        """The suggestion with what to do with the earphone before it, where one serves both ears."""
        if one.done or not self.plan.one_earphone(self.index_of(one.condition)):
            return one
        return replace(one, move=move_words(one.condition, self._last_known(self.all_runs() if runs is None else runs)))

    def _last_known(self, runs: tuple[RunSummary, ...]) -> RunSummary | None:
        """The last run, which says where the one earphone is; None if the last recording left no result."""
        made = max((number for number, _ in self._store.folders()), default=0)
        return runs[-1] if runs and runs[-1].number == made else None

    def next_words(self) -> tuple[str, ...]:
        """The suggestions in sentences: one per condition for ladders, one for the next recording for a search."""
        if self.plan.method == "ladder":
            return tuple(one.sentence for one in self.suggestions())
        ahead, confirming = self.search_ahead(), self.confirmation()
        return tuple(one.sentence for one in (ahead or confirming,) if one is not None)

    def first_plan(self) -> Plan:
        """The plan of the suggested run, for a check before it; of the first condition where nothing is left; the whole search
        where the session searches."""
        if self.plan.method == "search":
            return self.next_search() or self.run_plan(self.plan.conditions[0], self.plan.rules(0).start_db)
        suggestion = self.next()
        if suggestion is None or suggestion.level_db_nhl is None:
            return self.run_plan(self.plan.conditions[0], self.plan.rules(0).start_db)
        return self.run_plan(suggestion.condition, suggestion.level_db_nhl)

    def outlook(self, index: int, runs: tuple[RunSummary, ...]) -> ExpectedDuration:
        """Expected duration of a run, from the runs of this condition where there are any, else from all."""
        condition = self.plan.conditions[index]
        usable = counted(condition, runs) or [run for run in runs if run.counts and run.search is None]
        longest_s = self.plan.longest_s(index, self.sweeps(index, runs).limit)
        return expected_duration(usable, self.plan.rules(index).floor_nv, longest_s)

    def again_with_noise(self) -> Suggestion | None:
        """Suggest to repeat the lowest response of a ladder with noise, if the ear that responded is not known and untried noise
        could show it."""
        runs = self.all_runs()
        if self.time_left_s(runs) <= 0.0:
            return None
        for index, threshold in enumerate(self.thresholds()):
            condition, level = threshold.condition, threshold.lowest_present_db_nhl
            if threshold.whose != UNKNOWN or math.isnan(level):
                continue
            advice, noise = self.masking(index, level, runs=runs), self.noise_db_em(condition, level)
            before = [run for run in runs if run.condition.same_as(condition) and abs(run.level_db_nhl - level) < 0.005]
            tried = any(run.masking_db is not None and run.masking_db >= noise for run in before)
            if advice is not None and noise >= advice.sure_db_em and not tried:
                why = f"the response there is {UNKNOWN}: again with noise in the other ear"
                return Suggestion(condition, level, "confirm", why, before[0].number if before else None, masking=advice)
        return None

    def run_plan(
        self, condition: Condition, level_db_nhl: float, *, muted: bool = False, masking_db_em: float = math.nan,
        minutes_left: float | None = None,
    ) -> Plan:  # fmt: skip
        """The plan of a run that would be made now. Raises SessionError, PlanError.

        The run is no longer than the remaining time, but at least a minute, unless the plan sets a number of sweeps. Without
        remaining time it has its full length. ``masking_db_em``: level of the noise that the session gives. Its first
        bets are on the response that the nearest level of this ladder had.
        """
        made = max((number for number, _ in self._store.folders()), default=0)
        index = self.index_of(condition)
        runs = self.all_runs()
        sweeps = self.sweeps(index, runs)
        left_s = self.time_left_s(runs) if minutes_left is None else 60 * minutes_left
        limit = min(sweeps.limit, int(max(left_s, LEAST_S) / sweeps.sweep_s)) if 0 < left_s < math.inf else sweeps.limit
        plan = self.plan.run_plan(
            index, level_db_nhl, seed_after=made, muted=muted, max_sweeps=limit, masking_db_em=masking_db_em
        )  # fmt: skip
        if muted or plan.analysis.earlier is not None:
            return plan
        earlier = earlier_of(condition, level_db_nhl, plan, runs, dict(self._store.folders()))
        return override(plan, {"analysis": {"earlier": earlier}})

    # -- searches ---------------------------------------------------------------------------------------------------

    def search_ahead(
        self, minutes_left: float | None = None, *, noise: bool = False, only: int | None = None, again: bool = False,
        without: Collection[int] = (), given: Callable[[SoundPlan], bool] = lambda _: True,
    ) -> SearchAhead | None:  # fmt: skip
        """The next recording of a search; None if every condition has its answer, or no time is left. Raises PlanError.

        ``noise``: with noise in the other ear where it is due. ``only``: only that condition (index), with ``again`` even if it
        has its answer. ``without``: conditions that are left for later. ``given``: whether output and ceiling allow a sound.
        """
        runs = self.all_runs()
        left_s = self.time_left_s(runs) if minutes_left is None else 60 * minutes_left
        if left_s < LEAST_SEARCH_S:
            return None
        thresholds, indices = self.thresholds(), range(len(self.plan.conditions))
        waiting = [
            self._ahead(index, runs, thresholds, noise, given, again)
            for index in indices
            if index not in without and only in (None, index)
        ]
        still = [one for one in waiting if one is not None]
        chosen = recording(still)
        if not chosen:
            return None
        weight_per_s = 1.0 / (self.noise_uv(runs) ** 2 * self._sound_at(chosen[0].index, chosen[0].start_db).sweep_s)
        wanted = self.plan.search
        one_earphone = self.plan.one_earphone(chosen[0].index)
        singly = wanted.together is False or one_earphone or any(one.condition.route == "bone" for one in still)
        most = 0 if singly else wanted.sounds_per_ear
        move = move_words(chosen[0].condition, self._last_known(runs)) if one_earphone else ""
        return SearchAhead(chosen, left_s / 60, time_to_go(still, wanted.width_db, weight_per_s, most), move)

    def next_search(
        self, minutes_left: float | None = None, ahead: SearchAhead | None = None, most: int = 2
    ) -> Plan | None:
        """The plan of the next recording, or of ``ahead``; None if nothing is left. ``most`` sounds at once in each ear, as in
        `SessionPlan.search_plan`. Raises PlanError."""
        ahead = ahead or self.search_ahead(minutes_left)
        made = max((number for number, _ in self._store.folders()), default=0)
        return None if ahead is None else self.plan.search_plan(ahead, made, most)

    def confirmation(self, minutes_left: float | None = None) -> Suggestion | None:
        """The next run of one level that confirms, as a ladder does, that there is no response below what searches found; None
        where the plan does not want that, or nothing is left."""
        runs = self.all_runs()
        left_s = self.time_left_s(runs) if minutes_left is None else 60 * minutes_left
        wanted = self.plan.confirm == "guidance" and left_s >= LEAST_S
        for index, condition in enumerate(self.plan.conditions) if wanted else ():
            search = search_of(condition, runs)
            if search is None or search.search is None or not (search.search.finished and search.search.found):
                continue
            rules = self.plan.rules(index)
            one = suggest(
                condition, with_found(search, runs, rules.present_runs), rules, time_left_s=left_s,
                outlook=self.outlook(index, runs), masking=lambda level, index=index: self.masking(index, level, runs=runs),  # type: ignore[misc]
                waking=waking_words(runs),
            )  # fmt: skip
            if not one.done:
                return self.placed(one, runs)
        return None

    def _ahead(
        self, index: int, runs: tuple[RunSummary, ...], thresholds: tuple[Threshold, ...], noise: bool,
        given: Callable[[SoundPlan], bool], again: bool,
    ) -> Ahead | None:  # fmt: skip
        """A condition as it is to be searched; None for one that has its answer, or whose sounds are not let out."""
        condition, found, rules = self.plan.conditions[index], thresholds[index], self.plan.rules(index)
        sounds = {
            level: self._sound_at(index, level) for level in levels_of(rules, lambda level: given(self._sound_at(index, level)))
        }
        if not sounds:
            return None
        own, levels = sounds[max(sounds)], tuple(sounds)
        masked = own.masking != "none"  # by the plan itself
        advised = tuple(
            (own.masking_level_db_em or 0.0) if masked
            else self.noise_db_em(condition, level, runs, search=True) if noise
            else math.nan
            for level in levels
        )  # fmt: skip
        loudest = next((level for level, one in zip(levels, advised, strict=True) if not math.isnan(one)), math.nan)
        while not (masked or math.isnan(loudest)) and not given(self._sound_at(index, levels[-1], max(filter(_known, advised)))):
            levels, advised = levels[:-1], advised[:-1]
            if not levels or levels[-1] < loudest:  # no noise can be given: as without
                levels, advised, loudest = tuple(sounds), (math.nan,) * len(sounds), math.nan
        search = search_of(condition, runs) if found.method == "search" else None
        above = found.highest_absent_db_nhl if search is not None and found.finding == "no response" else math.nan
        doubtful = search is not None and found.whose == UNKNOWN and self._noise_would_tell(index, search, levels, advised)
        if found.settled and not (above < levels[-1]) and not doubtful and not again:
            return None
        expected = expected_of(condition, thresholds)
        other_earphone = condition.route == "bone" or (self._noise_transducer(index) or own.transducer) != own.transducer
        return Ahead(
            index, condition, levels, start_of(rules.start_db, expected), rank_of(self.plan.conditions, index),
            self._kind(own, condition), "" if masked else self.plan.masking.kind(condition), other_earphone, advised,
            math.nan if again else above, doubtful, expected,
        )  # fmt: skip

    def _noise_would_tell(
        self, index: int, search: RunSummary, levels: tuple[float, ...], advised: tuple[float, ...]
    ) -> bool:
        """Whether more noise than in a search could show which ear responded."""
        noise = dict(zip(levels, advised, strict=True)).get(search.level_db_nhl, math.nan)
        advice = self.masking(index, search.level_db_nhl)
        before = -math.inf if search.masking_db is None else search.masking_db
        return advice is not None and noise > before and noise >= advice.sure_db_em

    def _kind(self, sound: SoundPlan, condition: Condition) -> str:
        """What conditions of one recording share; of one earphone for both ears also the ear."""
        other = sound.model_dump(mode="json", exclude={*OF_CONDITION, *OF_KIND, *OF_NOISE})
        form = sound.model_dump(mode="json", include=set(OF_KIND))
        usual: dict[str, Any] | None = None  # of a sound from a file there is none
        if condition.stimulus != "custom":
            plain = {"stimulus": condition.stimulus, "frequency_hz": condition.frequency_hz, "level_db_fs": -40.0}
            usual = SoundPlan.model_validate(plain).model_dump(mode="json", include=set(OF_KIND))
        own_form = "" if form == usual else f"{condition.stimulus} {form}"
        return f"{other} {own_form}{condition.ear if sound.trigger_on_earphone_jack else ''}"

    def _sound_at(self, index: int, level_db_nhl: float, masking_db_em: float = math.nan) -> SoundPlan:
        sound = self.plan.run_plan(index, level_db_nhl, masking_db_em=masking_db_em).sound
        assert sound is not None
        return sound


def _known(value: float) -> bool:
    return not math.isnan(value)
