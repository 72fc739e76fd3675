"""``quietfloor session`` in the window: the session view stays open, and each wish of the user is carried out here."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import FAILED, complain, say
from quietfloor.monitor.commands.run import carry_through
from quietfloor.monitor.commands.session_search import given, plan_of
from quietfloor.monitor.commands.session_steps import (
    checked_of,
    conclude,
    level_of,
    minutes_of_last,
    remarked,
    with_noise,
    within_dose,
)
from quietfloor.monitor.commands.session_text import say_status
from quietfloor.monitor.commands.setup import Walked, walk_first

if TYPE_CHECKING:
    from quietfloor.monitor.display.run_view import WindowLink
    from quietfloor.monitor.display.session_sight import Coming, Kind, SessionSight
    from quietfloor.monitor.display.session_talk import Wish
    from quietfloor.monitor.plan.run_plan import Plan
    from quietfloor.monitor.session.conditions import Purpose, RunSummary
    from quietfloor.monitor.session.next_level import Suggestion
    from quietfloor.monitor.session.searching import SearchAhead
    from quietfloor.monitor.session.session import Session

FILES, FORM = "files", "bdf"  # folder and form of an export with one key


@dataclass(frozen=True)
class Choice:
    """What the user chose for the next run. ``index``: condition of the plan, ``level_db``: in dB nHL; None: as suggested.
    ``again``: conditions of a search that is repeated."""

    kind: Kind
    masking: bool
    index: int | None = None
    level_db: float | None = None
    again: tuple[int, ...] = ()

    @property
    def own(self) -> bool:
        return self.index is not None or self.level_db is not None or bool(self.again)


@dataclass(frozen=True)
class Ready:
    """The next run as it would be made: ``plan`` makes its plan, with the levels (dB nHL, softest first) that can be chosen.
    ``coming`` None: nothing is next, because of ``nothing``."""

    coming: Coming | None
    to_go: str
    nothing: str = ""
    plan: Callable[[], Plan] | None = None
    why: str = ""
    indices: tuple[int, ...] = ()
    levels_db: tuple[float, ...] = ()


def lead(session: Session, args: argparse.Namespace, link: WindowLink, before: int | None = None) -> int:
    """Show the session and do what the user wants until the window is closed; the exit status. ``before``: that of recordings
    which this command has made already."""
    led = Lead(session, args, link, by_words=before is None)
    if before is None:
        say_status(session, args, args.minutes, coming=False)
    led.until_closed()
    if before is not None and not led.made:
        return before
    if not led.made and led.refused:
        return FAILED
    if led.made:
        say("The same line goes on from here.", args)
    return conclude(session, args, led.made, led.minutes)


class Lead:
    """A session that is led from the window. ``made``: records of the runs; ``refused``: a run could not begin."""

    def __init__(self, session: Session, args: argparse.Namespace, link: WindowLink, by_words: bool = True) -> None:
        self.session, self.args, self.link = session, args, link
        self.minutes: float | None = args.minutes
        self.made: list[dict[str, Any]] = []
        self.refused = False
        self._walked = Walked(begins=True)
        self._note, self._trouble = "", False
        self.choice = self._by_words() if by_words else self._usual()

    def _usual(self) -> Choice:
        return Choice("search" if self.session.plan.method == "search" else "threshold", bool(self.args.masking))

    def _by_words(self) -> Choice:
        """What the command line chooses for the first run. Raises SessionError."""
        from quietfloor.monitor.session.session_store import SessionError

        args, session, choice = self.args, self.session, self._usual()
        count = len(session.plan.conditions)
        if args.condition is not None and not 1 <= args.condition <= count:
            raise SessionError(f"--condition {args.condition}: the plan has {count}, counted from 1")
        if args.repeat is not None:
            return self._again(session.run(args.repeat))
        kind: Kind = "growth" if args.growth else "control" if args.muted else "threshold" if args.single else choice.kind
        index = None if args.condition is None else args.condition - 1
        return replace(choice, kind=kind, index=index, level_db=args.level)

    def _again(self, run: RunSummary) -> Choice:
        """The same condition, level and noise as an earlier run; or the conditions of an earlier search."""
        index = self.session.index_of(run.condition)
        if run.search is not None:
            same = [one.condition for one in self.session.all_runs() if one.number == run.number]
            return Choice("search", run.masked, again=tuple(self.session.index_of(one) for one in same))
        kind: Kind = "control" if run.muted else run.purpose
        return Choice(kind, run.masked, index, run.level_db_nhl)

    # -- what is next ---------------------------------------------------------------------------------------------------

    def ready(self) -> Ready:
        """The next run by the present choice. Raises SessionError, PlanError, HearingError."""
        return self._search() if self.choice.kind == "search" else self._single()

    def _search(self) -> Ready:
        from quietfloor.monitor.display.session_sight import Coming

        session, choice = self.session, self.choice
        others = [one for one in range(len(session.plan.conditions)) if one not in choice.again] if choice.again else []
        ahead = session.search_ahead(
            self.minutes, noise=choice.masking, only=choice.index, again=choice.index is not None or bool(choice.again),
            without=others, given=given,
        )  # fmt: skip
        if ahead is None:
            confirming = session.confirmation(self.minutes) if not choice.own else None
            return self._of(confirming) if confirming is not None else Ready(None, "", self._nothing())
        levels = ahead.conditions[0].levels_db
        if choice.level_db is not None:
            wanted = choice.level_db
            ahead = ahead.beginning_at(min(levels, key=lambda level: abs(level - wanted)))
        first, level = ahead.conditions[0], ahead.begins_with[1]
        advice, noise = self._noise_of(ahead)
        coming = Coming(
            first.condition, level, ahead.sentence, "search", advice, noise, choice.masking and bool(noise), level > levels[0],
            level < levels[-1], choice.own, len(ahead.conditions) - 1, ahead.move,
        )  # fmt: skip
        low, median, high = (seconds / 60 for seconds in ahead.to_go)
        to_go = f"about {median:.0f} min to go ({low:.0f} to {high:.0f}, 80 %)" if math.isfinite(median) else ""
        found = ahead

        def plan() -> Plan:
            return plan_of(session, found, None, self.minutes, self.args)

        indices = tuple(one.index for one in ahead.conditions)
        return Ready(coming, to_go or "time to go not known before the noise is", "", plan, "a search", indices, levels)

    def _noise_of(self, ahead: SearchAhead) -> tuple[str, str]:
        """The advice for the loudest level of the first condition where noise is due, and the noise in words."""
        session, runs = self.session, self.session.all_runs()
        due = []
        for one in ahead.conditions:
            advice = session.masking(one.index, one.levels_db[-1], runs=runs)
            if advice is not None and advice.due:
                due.append((one, advice))
        if not due:
            return "", ""
        one, advice = due[0]
        noise_db = session.noise_db_em(one.condition, one.levels_db[-1], runs, search=True)
        more = f" Noise is due in {len(due) - 1} more of these conditions too: choose one to read its advice." if due[1:] else ""
        noise = f"{session.plan.masking.kind(one.condition)} noise of up to {noise_db:g} dB EM at the levels where it is due"
        return f"{advice.sentence}{more}", "" if math.isnan(noise_db) else noise

    def _single(self) -> Ready:
        from quietfloor.monitor.session.session_store import SessionError

        session, choice = self.session, self.choice
        suggestion = session.next(self.minutes) if choice.index is None else session.suggestions(self.minutes)[choice.index]
        if suggestion is None:
            return Ready(None, "", self._nothing())
        index = session.index_of(suggestion.condition)
        suggested, why = suggestion.level_db_nhl, "your choice"
        try:
            level = level_of(session, index, choice.kind, choice.level_db, suggested)
        except SessionError as error:
            if choice.kind != "growth":
                raise
            return Ready(None, "", f"{error}: choose another kind of run")
        if level is None:  # the ladder is complete
            found = session.thresholds()[index].level_db_nhl
            level, why = (session.plan.rules(index).start_db if math.isnan(found) else found), "your choice: nothing is suggested"
        elif choice.kind == "growth":
            why = "above the lowest response" if choice.level_db is None else why
        elif level == suggested:
            return self._of(suggestion)
        elif suggested is not None:
            why = f"your choice, where {suggested:g} is suggested"
        return self._of(replace(suggestion, level_db_nhl=level, why=why, repeats=None))

    def _of(self, suggestion: Suggestion) -> Ready:
        """One run at one level."""
        from quietfloor.monitor.display.session_sight import Coming

        session, choice = self.session, self.choice
        condition, level = suggestion.condition, suggestion.level_db_nhl
        assert level is not None
        index = session.index_of(condition)
        kind: Purpose = "threshold" if choice.kind == "search" else choice.kind
        rules = session.plan.rules(index)
        advice = session.masking(index, level, "growth" if kind == "growth" else "threshold")
        noise_db = session.noise_db_em(condition, level) if kind == "threshold" else math.nan
        other = "left" if condition.ear == "right" else "right"
        said = advice.sentence if advice is not None and advice.due else ""
        noise = f"{session.plan.masking.kind(condition)} noise of {noise_db:g} dB EM in the {other} ear"
        noise = noise if said and not math.isnan(noise_db) else ""
        coming = Coming(
            condition, level, replace(suggestion, masking=None).sentence, kind, said, noise, choice.masking and bool(noise),
            level > rules.lowest_db, level < rules.highest_db, choice.own, move=suggestion.move,
        )  # fmt: skip
        steps = range(math.floor((rules.highest_db - rules.lowest_db) / rules.last_step_db + 1e-9) + 1)
        levels = sorted({*(rules.lowest_db + rules.last_step_db * step for step in steps), level, rules.highest_db})

        def plan() -> Plan:
            asked = argparse.Namespace(**(vars(self.args) | {"masking": choice.masking, "auto": False}))
            made, told = with_noise(session, condition, level, kind, asked, self.minutes)
            if told:
                say(told, self.args)
                self._tell(told)
            return within_dose(made, session.folder, session.plan.own_limit)

        known = not math.isnan(suggestion.expected_s)
        ahead = f"next run about {suggestion.expected_s:.0f} s" if known else "length of the next run not known yet"
        return Ready(coming, ahead, "", plan, suggestion.why, (index,), tuple(levels))

    def _nothing(self) -> str:
        """Why nothing is next."""
        session = self.session
        still = [str(one.condition) for one in session.thresholds() if not one.settled]
        if not still:
            return "Every condition has its answer."
        left_s = session.time_left_s(session.all_runs()) if self.minutes is None else 60 * self.minutes
        if left_s < 60.0:
            left = f"{max(0.0, left_s):.0f} s are left of the plan's time: too little for another run"
            return f"{left}. Open: {'; '.join(still)}."
        return f"Nothing is suggested any more. Not settled: {'; '.join(still)}. Choose one of them to go on."

    # -- wishes ---------------------------------------------------------------------------------------------------------

    def sight(self, ready: Ready) -> SessionSight:
        from quietfloor.monitor.display.session_sight import sight_of

        left_s = self.session.time_left_s(self.session.all_runs()) if self.minutes is None else 60 * self.minutes
        return sight_of(
            self.session, ready.coming, ready.nothing, ready.to_go, left_s, chosen=ready.indices, checked=checked_of(self.link),
            note=self._note, trouble=self._trouble,
        )  # fmt: skip

    def until_closed(self) -> None:
        """Wait for wishes and carry them out."""
        while self._wait():
            self._begin()
            if self.link.closed:
                return

    def _wait(self) -> bool:
        """Whether a run is to begin; False: the window was closed."""
        talk = self.link.talk
        ready = self._ready_or_usual() if self.made else self.ready()  # at the beginning a plan that cannot be is refused
        talk.sight = self.sight(ready)  # before the window is told that the session waits
        with talk.between_runs():
            while True:
                wish = talk.next_wish(self.sight(ready), lambda: self.link.closed)
                if wish is None:
                    return False
                self._note, self._trouble = "", False
                if wish.what in ("start", "repeat"):
                    if self._chosen(wish):
                        return True
                else:
                    self._carry_out(wish, ready)
                ready = self._ready_or_usual()

    def _chosen(self, wish: Wish) -> bool:
        """Whether the run that was wished for can begin; if not, the view says why, and nothing begins instead of it."""
        from quietfloor.monitor.session.session_store import SessionError

        try:
            if wish.what == "repeat":
                self.choice = self._again(self.session.all_runs()[-1])
        except SessionError as error:
            self._tell(str(error), trouble=True)
            return False
        coming = self._ready_or_usual().coming
        if coming is None and not self._trouble:
            self._tell("There is nothing to begin: choose a condition first", trouble=True)
        return coming is not None and not self._trouble

    def _ready_or_usual(self) -> Ready:
        """The next run; what is suggested, where that which was chosen cannot be."""
        from quietfloor.monitor.hearing.tables import HearingError
        from quietfloor.monitor.plan.run_plan import PlanError
        from quietfloor.monitor.session.session_store import SessionError

        for _ in range(2):
            try:
                return self.ready()
            except (PlanError, SessionError, HearingError) as error:
                self.choice = self._usual()
                self._tell(str(error), trouble=True)
        return Ready(None, "", self._note)

    def _tell(self, text: str, trouble: bool = False) -> None:
        self._note, self._trouble = text, trouble

    def _carry_out(self, wish: Wish, ready: Ready) -> None:
        if wish.what in ("louder", "softer"):
            self._level(1 if wish.what == "louder" else -1, ready)
        elif wish.what == "condition":
            self._condition(wish, ready)
        elif wish.what == "mask":
            given_now = ready.coming is not None and ready.coming.given
            self.choice = replace(self.choice, masking=not given_now)
        elif wish.what == "kind":
            kinds: tuple[Kind, ...] = ("threshold", "growth", "control")
            kinds = ("search", *kinds) if self.session.plan.method == "search" else kinds
            at = kinds.index(self.choice.kind)
            self.choice = replace(self.choice, kind=kinds[(at + 1) % len(kinds)], level_db=None, again=())
        elif wish.what in ("discard", "restore", "note"):
            said = remarked(self.session, wish, self.args, self.link)
            self._tell(said[1], trouble=not said[0])
        else:
            self._write(wish.what)

    def _level(self, steps: int, ready: Ready) -> None:
        if ready.coming is None:
            return
        now = ready.coming.level_db
        further = [level for level in ready.levels_db if (level - now) * steps > 1e-6]
        if not further:
            return
        self.choice = replace(self.choice, level_db=min(further, key=lambda level: abs(level - now)))
        if self.choice.kind == "search" and ready.coming.kind != "search":  # a single run is suggested, to confirm a search
            self.choice = replace(self.choice, kind="threshold", index=ready.indices[0])

    def _condition(self, wish: Wish, ready: Ready) -> None:
        count = len(self.session.plan.conditions)
        every: list[int | None] = list(range(count))
        if self.choice.kind == "search":
            every.insert(0, None)  # all that are open
        now = self.choice.index
        if now is None and self.choice.kind != "search" and ready.indices:
            now = ready.indices[0]
        if wish.steps:
            at = every.index(now) if now in every else 0
            index = every[(at + wish.steps) % len(every)]
        else:
            index = None if wish.index == now and self.choice.kind == "search" else wish.index
        kind = self.choice.kind
        self.choice = replace(self._usual(), kind=kind, index=index)

    def _write(self, what: str) -> None:
        """Report or export; nothing that is there already is lost by it."""
        folder = self.session.folder
        try:
            if what == "report":
                from quietfloor.monitor.commands.report import write_report

                report, files = write_report(folder)
                left = f"; not in it: {'; '.join(report.material.left_out)}" if report.material.left_out else ""
                self._tell(f"The report is in {', '.join(str(path) for path in files)}{left}")
            else:
                from quietfloor.monitor.commands.export import write_runs

                out = _free(folder / FILES)
                made, refused = write_runs(FORM, sorted(folder.glob("run-*")), out)
                failed = f" Not exported: {'; '.join(refused)}" if refused else ""
                done = f"{len(made)} files are in {out}." if made else "Nothing was exported."
                self._tell(done + failed, trouble=bool(refused))
        except Exception as error:  # whatever it is: the session goes on
            self._tell(f"The {what} could not be written: {error}", trouble=True)
        say(self._note, self.args)

    # -- runs -----------------------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        """Make the run; what goes wrong is said in the view, and the session goes on."""
        from quietfloor.monitor.hearing.tables import HearingError
        from quietfloor.monitor.plan.run_plan import PlanError
        from quietfloor.monitor.session.session_store import SessionError
        from quietfloor.monitor.sources.base import SourceError

        session, args, link = self.session, self.args, self.link
        try:
            ready = self.ready()
            if ready.coming is not None and ready.plan is not None and not self.made:
                self._walked = walk_first(link, ready.plan(), session.folder, args)
                if not self._walked.begins:
                    self._tell("Left at the set-up: no run was made")
                    return
                ready = self.ready()  # the noise of the EEG is known by now
            if ready.coming is None or ready.plan is None:
                self._tell(ready.nothing, trouble=True)
                return
            plan = ready.plan()
            say(ready.coming.sentence, args)
            kind = ready.coming.kind
            session.announce(kind if kind in ("growth", "control") else "threshold", ready.why)
            check = None if self.made else self._walked.check  # it was right before the first run, not before a later one
            record = carry_through(plan, session.folder, args, self._walked.acknowledged, link, check)
        except (HearingError, PlanError, SessionError, SourceError, RuntimeError, OSError) as error:
            self.refused = True
            complain(str(error))
            self._tell(f"The run could not be made: {error}", trouble=True)
            return
        self.made.append(record)
        self.minutes = None if self.minutes is None else self.minutes - minutes_of_last(session)
        self.choice = self._usual()
        if record["fault"] is not None:
            self._tell(f"The run ended on a fault, what was recorded is kept: {record['fault']}", trouble=True)
        say_status(session, args, self.minutes, short=True, coming=False)


def _free(path: Path) -> Path:
    """The path, or the first of path-2, path-3 ... that does not exist."""
    number = 2
    free = path
    while free.exists():
        free, number = path.with_name(f"{path.name}-{number}"), number + 1
    return free
