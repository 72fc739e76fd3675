"""``quietfloor session`` by search: recording after recording, until every condition of the plan has its answer."""

from __future__ import annotations

import argparse
import datetime
import sys
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import FAILED, refuse, say
from quietfloor.monitor.commands.run import carry_through
from quietfloor.monitor.commands.session_steps import (
    FOLLOWS,
    conclude,
    earphone_moved,
    minutes_of_last,
    show_session,
    with_noise,
    within_dose,
)
from quietfloor.monitor.commands.session_text import say_status
from quietfloor.monitor.commands.setup import Walked, walk_first

if TYPE_CHECKING:
    from quietfloor.monitor.display.run_view import WindowLink
    from quietfloor.monitor.plan.run_plan import Plan
    from quietfloor.monitor.plan.sound_plan import SoundPlan
    from quietfloor.monitor.session.next_level import Suggestion
    from quietfloor.monitor.session.searching import SearchAhead
    from quietfloor.monitor.session.session import Session

LEAST_SAID_S = 60.0  # from there down the time is named as the reason why nothing follows


def search(session: Session, args: argparse.Namespace, link: WindowLink | None) -> int:
    """Make recordings until nothing is left to search or wanted; the exit status."""
    made: list[dict[str, Any]] = []
    walked = Walked(begins=True)
    minutes, only = args.minutes, _only(session, args)
    without: set[int] = set()  # searched by this command without an answer: not again by itself
    while True:
        say_status(session, args, minutes, short=bool(made), coming=False)
        noise = args.masking or (args.auto and session.plan.masking.auto)
        ahead = session.search_ahead(
            minutes, noise=noise, only=only, again=not made and only is not None, without=without if args.auto else (),
            given=given,
        )  # fmt: skip
        confirming = session.confirmation(minutes) if ahead is None and only is None else None
        if ahead is not None and args.level is not None and not made:
            ahead = _beginning_at(ahead, args.level)
        if ahead is None and confirming is None:
            _nothing_left(session, args, minutes, only)
            break
        coming = ahead or confirming
        assert coming is not None
        say(coming.sentence, args)
        if args.auto or args.yes:
            if coming.move and made and not earphone_moved(coming.move, args, link):
                break
            wanted: Plan | None = plan_of(session, ahead, confirming, minutes, args)
        else:
            wanted = _asked(session, ahead, confirming, minutes, args)
        if wanted is None:
            break
        if not made:
            walked = walk_first(link, wanted, session.folder, args)
            if not walked.begins:
                return refuse("left at the set-up, no run was made", FAILED, args)
        show_session(link, session, minutes, FOLLOWS)
        session.announce("threshold", "a search" if ahead is not None else "confirms that there is no response below a search's")
        check = None if made else walked.check  # it was right before the first run, not before a later one
        made.append(carry_through(wanted, session.folder, args, walked.acknowledged, link, check))
        minutes = None if minutes is None else minutes - minutes_of_last(session)
        if ahead is not None:
            thresholds = session.thresholds()
            without |= {one.index for one in ahead.conditions if not thresholds[one.index].settled}
        if args.yes or made[-1]["fault"] is not None or (only is not None and not args.auto):
            break
        if args.auto and (made[-1]["stopped_by"] == "operator" or (link is not None and link.interrupted)):
            say("stopped: the same line goes on from here", args)
            break
    return conclude(session, args, made, minutes)


def _only(session: Session, args: argparse.Namespace) -> int | None:
    """Index of the condition that alone is wanted. Raises SessionError."""
    from quietfloor.monitor.session.session_store import SessionError

    count = len(session.plan.conditions)
    if args.condition is not None and not 1 <= args.condition <= count:
        raise SessionError(f"--condition {args.condition}: the plan has {count}, counted from 1")
    return None if args.condition is None else args.condition - 1


def given(sound: SoundPlan) -> bool:
    """Whether output and ceiling let a sound out. Raises PlanError where that is not for its level or its noise."""
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.run.sound_output import make_stimulus

    today = datetime.date.today()
    try:
        make_stimulus(sound, today)
    except PlanError:
        softest = {"level_db_nhl": min(0.0, sound.level_db_nhl or 0.0), "masking": "none", "masking_level_db_em": None}
        make_stimulus(sound.model_copy(update=softest), today)
        return False
    return True


def _not_at_once(plan: Plan) -> str:
    """Why the sounds of a plan cannot be played as it says, at once; empty if they can."""
    from quietfloor.monitor.plan.cell_table import table_of, written_out
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.run.sound_output import make_cells

    try:
        table = table_of(written_out(plan))
        assert table is not None
        make_cells(table, lambda unit: None, datetime.date.today())
    except PlanError as error:
        return str(error)
    return ""


def _beginning_at(ahead: SearchAhead, level: float) -> SearchAhead:
    """Raises SessionError."""
    from quietfloor.monitor.session.session_store import SessionError

    try:
        return ahead.beginning_at(level)
    except ValueError as error:
        raise SessionError(f"--level {level:g}: {error}; --single makes one run at any level") from error


def _nothing_left(session: Session, args: argparse.Namespace, minutes: float | None, only: int | None) -> None:
    """Say why nothing is searched any more."""
    left_s = session.time_left_s(session.all_runs()) if minutes is None else 60 * minutes
    still = [str(one.condition) for index, one in enumerate(session.thresholds()) if not one.settled and only in (None, index)]
    if not still:
        say("Every condition has its answer." if only is None else "It has its answer.", args)
    elif left_s < LEAST_SAID_S:
        say(f"{max(0.0, left_s):.0f} s are left: too little for another search.", args)
    else:
        say(f"Searched without an answer, not again by itself: {'; '.join(still)}. --condition N searches one again.", args)


def plan_of(
    session: Session, ahead: SearchAhead | None, confirming: Suggestion | None, minutes: float | None, args: argparse.Namespace
) -> Plan:
    """Of the recording that is next."""
    if ahead is not None:
        plan = session.next_search(minutes, ahead)
        while plan is not None and plan.sound is not None and (at_once := plan.sound.at_once):
            why = "" if at_once == 1 and session.plan.search.together else _not_at_once(plan)
            if not why:
                two = ", two frequencies in each" if at_once > 1 else ""
                say(f"Both ears at once{two}, at {plan.sound.rate_per_s:g}/s: each has levels of its own.", args)
                break
            say(f"{'One frequency at a time in each ear' if at_once > 1 else 'One ear after the other'}: {why}", args)
            plan = session.next_search(minutes, ahead, at_once - 1)
        assert plan is not None
        return plan
    assert confirming is not None
    assert confirming.level_db_nhl is not None
    plan, noise = with_noise(session, confirming.condition, confirming.level_db_nhl, "threshold", args, minutes)
    if noise:
        say(noise, args)
    return within_dose(plan, session.folder, session.plan.own_limit)


def _asked(
    session: Session, ahead: SearchAhead | None, confirming: Suggestion | None, minutes: float | None, args: argparse.Namespace
) -> Plan | None:
    """The recording that somebody wants in the terminal, None for no more."""
    if not sys.stdin.isatty():
        say("nobody is here to ask: --yes makes this recording, --auto goes on to the end", args)
        return None
    number = "; a number: begin at that level in dB nHL" if ahead is not None else ""
    while True:
        sys.stderr.write(f"Enter: begin{number}; q: not now > ")
        sys.stderr.flush()
        answer = sys.stdin.readline()
        words = answer.strip().lower()
        if not answer or words in ("q", "n", "no", "quit"):
            return None
        if words in ("", "y", "yes"):
            return plan_of(session, ahead, confirming, minutes, args)
        try:
            level = float(words)
            if ahead is None:
                raise ValueError(f"{words!r} is no answer")
            return plan_of(session, ahead.beginning_at(level), None, minutes, args)
        except ValueError as error:
            say(f"{error}", args)
