"""A session: a folder of runs, with remarks and decisions of people about them.

``SESSION/session-plan.toml`` is the plan. ``SESSION/session.json`` has remarks and decisions about runs (discards, notes, purpose
of a run). Each file is replaced as a whole. The results of runs stay in their run.json and are read each time, so nothing is
stored twice. A session therefore continues after a crash, and runs that `quietfloor run` made in the folder belong to it.
"""

from __future__ import annotations

import contextlib
import datetime
import math
import statistics
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Self

from quietfloor.monitor.hearing.estimate import STIMULUS_WORDS as WITH_HEARING_LEVELS
from quietfloor.monitor.hearing.estimate import Measured
from quietfloor.monitor.hearing.masking_advice import MaskingAdvice, Purpose
from quietfloor.monitor.hearing.tables import HearingTables, load_hearing_tables
from quietfloor.monitor.session.conditions import (
    PURPOSES,
    UNDECIDED,
    UNKNOWN,
    Condition,
    RunSummary,
    searches_of,
    summary_of,
)
from quietfloor.monitor.session.conditions import Purpose as RunPurpose
from quietfloor.monitor.session.masked_runs import About, advice_for, judged, known_ears, noise_for
from quietfloor.monitor.session.next_level import (
    SETTLED,
    suggest,
)
from quietfloor.monitor.session.session_plan import SessionPlan, load_session_plan
from quietfloor.monitor.session.session_store import (
    Remarks,
    SessionError,
    SessionStore,
    State,
    kept_noise_uv,
    now_utc,
    seconds_of,
)
from quietfloor.monitor.session.staircase_errors import LadderErrors
from quietfloor.monitor.session.staircase_rules import SweepLimit, needed_sweeps, sweep_limit
from quietfloor.monitor.session.threshold import Threshold, counted, search_of, threshold_by_search, threshold_of
from quietfloor.monitor.storage.run_folder import RunFolder

PLAN = "session-plan.toml"
OLD_METHOD = "ladder"  # of kept plans without a method: those from before there was a search
LATEST = 3  # runs by which the noise is known: own choice, as people change


class RecordedSession:
    """What a session contains: runs, searches, thresholds, remarks. ``begin`` with a plan, for a new or an existing folder;
    ``open`` for an existing session."""

    def __init__(self, folder: Path, plan: SessionPlan, now: Callable[[], datetime.datetime] = now_utc) -> None:
        self.folder, self.plan, self._store = folder, plan, SessionStore(folder, now)
        self._tables: HearingTables | None = None
        self.damaged: tuple[str, ...] = ()  # run folders without a result that can be read, as of the last ``runs()``

    @classmethod
    def begin(cls, folder: Path, plan: SessionPlan, now: Callable[[], datetime.datetime] = now_utc) -> Self:
        """Begin a session, or continue it with this plan. The method stays the same unless the plan names one.

        Raises SessionError if the folder contains runs of another subject.
        """
        session = cls(folder, plan, now)
        if (folder / PLAN).is_file():
            kept = cls.open(folder).plan
            before = kept.subject
            if before.pseudonym != plan.subject.pseudonym:
                raise SessionError(
                    f"{folder} is the session of {before.pseudonym!r}, and the plan is for {plan.subject.pseudonym!r}: give "
                    "another --out, as the sound dose and the thresholds are of one person"
                )
            if "method" not in plan.model_fields_set:
                session.plan = plan = plan.model_copy(update={"method": kept.method})
        try:
            folder.mkdir(parents=True, exist_ok=True)
            RunFolder(folder).write_text(PLAN, plan.to_toml(folder))
        except OSError as error:
            raise SessionError(f"cannot begin a session in {folder} ({error.strerror or error}): choose another --out") from error
        session._change(lambda _: None)
        return session

    @classmethod
    def open(cls, folder: Path, now: Callable[[], datetime.datetime] = now_utc) -> Self:
        """Open an existing session. Raises SessionError if it is no session, PlanError if its plan cannot be read."""
        if not (folder / PLAN).is_file():
            raise SessionError(f"{folder} is no session (no {PLAN}): begin one by `quietfloor session PLAN.toml --out DIR`")
        return cls(folder, load_session_plan(folder / PLAN, OLD_METHOD), now)

    # -- runs and thresholds ----------------------------------------------------------------------------------------

    def runs(self) -> tuple[RunSummary, ...]:
        """Finished runs of one level, in order, with remarks and discards."""
        return tuple(run for run in self.all_runs() if run.search is None)

    def searches(self) -> tuple[RunSummary, ...]:
        """Results of finished searches, one for each condition that they played, in order, with remarks and discards."""
        return tuple(run for run in self.all_runs() if run.search is not None)

    def all_runs(self) -> tuple[RunSummary, ...]:
        """Runs of one level and results of searches, in order."""
        said = self._store.read().runs
        made: list[RunSummary] = []
        damaged = []
        for number, path in self._store.folders():
            try:
                folder = RunFolder(path)
                record = folder.read_record()
                seconds = seconds_of(folder, record)
                run = summary_of(number, record, seconds)
                found = searches_of(number, record, seconds)
            except FileNotFoundError:
                damaged.append(f"{path.name} left no result: {RunFolder(path).why_no_result}")
                continue
            except (OSError, ValueError, KeyError, TypeError) as error:
                damaged.append(f"{path.name} cannot be read ({type(error).__name__}: {error})")
                continue
            made += [_with_remarks(one, said.get(number, Remarks()), made) for one in (*filter(None, (run,)), *found)]
        self.damaged = tuple(damaged)
        return judged(made, self.about)

    @property
    def about(self) -> About:
        """The data that masking advice uses. Raises HearingError."""
        subject, hearing = self.plan.subject, self.plan.hearing
        self._tables = self._tables or hearing.load()
        return About(self._tables, subject.age_months, hearing.noise_transducer, hearing.attenuation_set)

    def run(self, number: int) -> RunSummary:
        """Summary of a run by its number. Raises SessionError if it does not exist."""
        runs = self.all_runs()
        found = next((run for run in runs if run.number == number), None)
        if found is None:
            there = ", ".join(dict.fromkeys(str(run.number) for run in runs)) or "none yet"
            raise SessionError(f"there is no run {number} of a threshold in {self.folder}; finished ones are: {there}")
        return found

    def index_of(self, condition: Condition) -> int:
        """Index of a condition in the plan. Raises SessionError."""
        for index, one in enumerate(self.plan.conditions):
            if one.same_as(condition):
                return index
        raise SessionError(f"{condition} is no condition of {self.folder / PLAN}: add it to your plan and begin with that again")

    def thresholds(self) -> tuple[Threshold, ...]:
        """Thresholds, one for each condition of the plan: from a finished search, else from single runs, else from an unfinished
        search."""
        runs = self.all_runs()
        found = []
        for index, condition in enumerate(self.plan.conditions):
            search = search_of(condition, runs)
            if search is not None and (_finished(search) or not counted(condition, runs)):
                one = threshold_by_search(condition, search)
                if self.plan.confirm == "guidance" and search.search is not None and search.search.found:
                    confirmed = threshold_of(condition, with_found(search, runs, self.plan.rules(index).present_runs))
                    one = replace(
                        one, lowest_present_db_nhl=confirmed.lowest_present_db_nhl,
                        highest_absent_db_nhl=confirmed.highest_absent_db_nhl,
                        rests_on=tuple(dict.fromkeys((*one.rests_on, *confirmed.rests_on))),
                    )  # fmt: skip
                found.append(one)
                continue
            rules = self.plan.rules(index)
            settled = suggest(condition, runs, rules).reason in SETTLED
            found.append(
                threshold_of(
                    condition, runs, settled=settled, present_runs=rules.present_runs, absent_runs=rules.absent_runs
                )
            )
        return tuple(found)

    def errors(self) -> tuple[LadderErrors | None, ...]:
        """Error rates of the ladder of each condition, with the alpha of its runs; None if the rule has no error rate, and in a
        session that searches."""
        if self.plan.method == "search":
            return (None,) * len(self.plan.conditions)
        runs = self.runs()
        return tuple(
            self.plan.errors(index, [run.alpha for run in runs if run.condition.same_as(condition)])
            for index, condition in enumerate(self.plan.conditions)
        )

    def measured(self) -> tuple[Measured, ...]:
        """The thresholds in the form from which hearing levels are estimated; sounds without any table are left out."""
        runs = {run.number: run for run in self.runs()}
        found = []
        for index, threshold in enumerate(self.thresholds()):
            condition = threshold.condition
            if condition.stimulus not in WITH_HEARING_LEVELS:
                continue
            if threshold.method == "search":
                found.append(threshold.measured)
                continue
            present = threshold.lowest_present_db_nhl
            behind = [
                runs[number]
                for number in threshold.rests_on
                if runs[number].level_db_nhl == present or math.isnan(present)
            ]
            found.append(
                Measured(
                    condition.ear,
                    condition.route,
                    condition.stimulus,
                    self._transducer(index),
                    condition.frequency_hz,
                    present,
                    threshold.highest_absent_db_nhl,
                    masked=bool(behind) and all(run.masked for run in behind),
                    ear_known=threshold.whose != UNKNOWN,
                )
            )
        return tuple(found)

    # -- noise, time, masking ---------------------------------------------------------------------------------------

    def noise_uv(self, runs: tuple[RunSummary, ...]) -> float:
        """RMS noise of a single sweep in uV: from a check after the last run, else from the latest runs; nan: not known."""
        checked_uv = kept_noise_uv(self.folder)
        if not math.isnan(checked_uv):
            return checked_uv
        found = [run.sweep_noise_uv for run in runs if run.discarded is None and not math.isnan(run.sweep_noise_uv)]
        return statistics.median(found[-LATEST:]) if found else math.nan

    def sweeps(self, index: int, runs: tuple[RunSummary, ...]) -> SweepLimit:
        """Largest number of sweeps of a run, and the number that an absence needs."""
        plan = self.plan.run_plan(index, self.plan.rules(index).start_db)
        assert plan.sound is not None
        noise_uv, floor_nv = self.noise_uv(runs), plan.decision.floor_nv
        needed = needed_sweeps(noise_uv, floor_nv)
        limit = plan.decision.max_sweeps if self.plan.own_limit else sweep_limit(needed)
        return SweepLimit(noise_uv, floor_nv, needed, limit, plan.sound.sweep_s, self.plan.own_limit)

    def time_left_s(self, runs: tuple[RunSummary, ...]) -> float:
        """Remaining time in s of the minutes in the plan. Recordings count, discarded ones too; pauses between runs do not."""
        if self.plan.limits.minutes is None:
            return math.inf
        return 60 * self.plan.limits.minutes - math.fsum(run.seconds for run in runs if not math.isnan(run.seconds))

    def masking(
        self, index: int, level_db_nhl: float, purpose: Purpose = "threshold", runs: tuple[RunSummary, ...] | None = None
    ) -> MaskingAdvice | None:
        """Advice for a run, from the thresholds found so far; None where no table knows this sound."""
        run = RunSummary(
            0, self.plan.conditions[index], level_db_nhl, UNDECIDED, "", purpose=purpose, transducer=self._transducer(index),
            age_group=self.plan.subject.age_group, noise_transducer=self._noise_transducer(index),
        )  # fmt: skip
        return advice_for(run, self.all_runs() if runs is None else runs, self.about)

    def noise_db_em(
        self, condition: Condition, level_db_nhl: float, runs: tuple[RunSummary, ...] | None = None, search: bool = False
    ) -> float:
        """Level in dB EM of the noise that a run for a threshold should have; nan for none. Raises SessionError.

        In a ``search`` the other ear's threshold by air may become known in the same recording. Where it is not known yet, the
        noise is as loud as is known to be harmless, so that it will have been enough if that ear has an air-bone gap.
        """
        runs = self.all_runs() if runs is None else runs
        advice = self.masking(self.index_of(condition), level_db_nhl, runs=runs)
        same = [run for run in runs if run.condition.same_as(condition) and abs(run.level_db_nhl - level_db_nhl) < 0.005]
        if advice is None:
            return math.nan
        most = search and math.isnan(known_ears(condition, runs).other_air_db)
        return noise_for(advice, self.plan.masking.kind(condition), same, most)

    def _sound(self, index: int) -> Any:
        return self.plan.run_plan(index, self.plan.rules(index).start_db).sound

    def _transducer(self, index: int) -> str:
        return str(self._sound(index).transducer)

    def _noise_transducer(self, index: int) -> str | None:
        named = self._sound(index).masking_transducer or self.plan.hearing.noise_transducer
        return None if named is None else str(named)

    # -- what is said about runs ------------------------------------------------------------------------------------

    def discard(self, number: int, why: str) -> RunSummary:
        """Discard a run: it no longer counts, nothing is deleted. Raises SessionError, also without a reason."""
        if not why.strip():
            raise SessionError(f"run {number}: a run is discarded with a reason, give it by --why")
        return self._remark(number, discarded=" ".join(why.split()), discarded_at=self._store.now)

    def restore(self, number: int) -> RunSummary:
        """Restore a discarded run, so that it counts again."""
        return self._remark(number, discarded=None, discarded_at=None)

    def note(self, number: int, text: str) -> RunSummary:
        """Keep a remark on a run."""
        if not text.strip():
            raise SessionError(f"run {number}: the note is empty")
        return self._remark(number, note={"at": self._store.now, "text": " ".join(text.split())})

    def _remark(self, number: int, note: dict[str, str] | None = None, **changes: Any) -> RunSummary:
        self.run(number)

        def change(state: State) -> None:
            before = state.runs.get(number, Remarks())
            notes = before.notes if note is None else [*before.notes, note]
            state.runs[number] = replace(before, notes=notes, **changes)

        self._change(change)
        return self.run(number)

    def announce(self, purpose: RunPurpose, why: str) -> None:
        """Record the purpose of the next run before it is made, so that it is kept even if the program is killed."""
        if purpose not in PURPOSES:
            raise SessionError(f"purpose = {purpose!r}; allowed are {', '.join(PURPOSES)}")
        after = max((number for number, _ in self._store.folders()), default=0)

        def change(state: State) -> None:
            state.coming = {"after": after, "purpose": purpose, "why": why}

        self._change(change)

    def _change(self, change: Callable[[State], object]) -> None:
        self._store.change(change, subject=self.plan.subject.model_dump())


def with_found(search: RunSummary, runs: tuple[RunSummary, ...], present_runs: int) -> list[RunSummary]:
    """Runs of one level, preceded by the result of a search, which counts as the ``present_runs`` runs that the plan asks for the
    lowest response."""
    return [*[replace(search, search=None)] * present_runs, *(run for run in runs if run.search is None)]


def _finished(run: RunSummary) -> bool:
    return run.search is not None and run.search.finished


def _with_remarks(run: RunSummary, said: Remarks, before: list[RunSummary]) -> RunSummary:
    run = replace(
        run,
        purpose=run.purpose if run.muted else said.purpose,
        discarded=said.discarded,
        notes=tuple(note["text"] for note in said.notes),
    )
    if not run.counts or run.search is not None:
        return run
    same = [
        other.number
        for other in before
        if other.counts and (other.level_db_nhl, other.noise, other.search) == (run.level_db_nhl, run.noise, None)
        and other.condition.same_as(run.condition)
    ]
    return replace(run, replicate_of=same[0] if same else None)


def runs_of(folder: Path) -> tuple[RunSummary, ...]:
    """Finished runs of one level of a session, or of a plain folder of runs; unreadable runs are left out.

    Raises SessionError, PlanError, HearingError for a session that cannot be used.
    """
    return tuple(run for run in judged_runs(folder)[0] if run.search is None)


def judged_runs(folder: Path) -> tuple[tuple[RunSummary, ...], About]:
    """The same with the results of the searches of a session, and the data that masking advice uses. Raises the same."""
    if (folder / PLAN).is_file():
        session = RecordedSession.open(folder)
        return session.all_runs(), session.about
    found = []
    for number, path in SessionStore(folder).folders():
        with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
            run = summary_of(number, RunFolder(path).read_record())
            found += [] if run is None else [run]
    about = About(load_hearing_tables())
    return judged(found, about), about
