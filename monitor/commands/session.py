"""``quietfloor session``: run after run, each with its suggestion, until the thresholds of a plan are found."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import (
    BAD_ARGUMENTS,
    DEFAULT_SESSION,
    FAILED,
    add_json,
    refuse,
    say,
)
from quietfloor.monitor.commands.run import carry_through
from quietfloor.monitor.commands.session_steps import (
    FOLLOWS,
    GROWTH_DB,
    beyond_dose,
    conclude,
    earphone_moved,
    level_of,
    minutes_of_last,
    refuse_masking,
    show_session,
    with_noise,
    within_dose,
)
from quietfloor.monitor.commands.session_text import say_status
from quietfloor.monitor.commands.setup import Walked, add_walk, walk_first
from quietfloor.monitor.commands.window import add_window, with_window
from quietfloor.monitor.untrusted.safe_paths import file_name

if TYPE_CHECKING:
    from quietfloor.monitor.display.run_view import WindowLink
    from quietfloor.monitor.session.conditions import Purpose
    from quietfloor.monitor.session.next_level import Suggestion
    from quietfloor.monitor.session.session import Session

EXAMPLES = """examples:
  quietfloor session plan.toml --out sessions/s07      begin or continue, in the window or in words
  quietfloor session sessions/s07 --status             runs, thresholds so far, and the next suggestion
  quietfloor session sessions/s07 --auto               follow the suggestions to the end
  quietfloor session sessions/s07 --minutes 20         use at most 20 minutes, all recordings together
  quietfloor session sessions/s07 --condition 2        search only that condition (in a session of ladders: one run in it)
  quietfloor session sessions/s07 --level 35           begin at that level
  quietfloor session sessions/s07 --single --level 35  one run at one level
  quietfloor session sessions/s07 --masking            with noise in the other ear where it is due
  quietfloor session sessions/s07 --discard 4 --why "she woke up"
  quietfloor session sessions/s07 --note 4 "electrode replaced before this run"

With method = "search" (the default) one recording covers the levels of all conditions that have no answer yet; with method =
"ladder" each level is a separate run. The program suggests and you decide: by the keys of the window, or in the terminal
(--no-window) with Enter, another level in dB nHL, or q. While a search runs, type orders into the terminal (it lists them), or
use the keys of the window. Results are kept.
exit status: 0 done, 1 could not begin, 2 bad arguments or plan, 3 a run stopped on a fault with data kept"""


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "session", help="from the first level to thresholds", description="Find thresholds in a series of runs.",
        epilog=EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("plan", type=Path, metavar="PLAN.toml|DIR", help="plan of a session, or the folder of one")
    parser.add_argument("--out", type=Path, metavar="DIR", help=f"session folder ({DEFAULT_SESSION}/ and the pseudonym)")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--auto", action="store_true", help="follow the suggestions without asking, until nothing is left")
    what.add_argument("--yes", action="store_true", help="make one run, as suggested, without asking")
    what.add_argument("--status", action="store_true", help="only print what was found and what is suggested")
    what.add_argument("--discard", type=int, metavar="N", help="run N does not count any more; needs --why")
    what.add_argument("--restore", type=int, metavar="N", help="a discarded run counts again")
    what.add_argument("--note", nargs=2, metavar=("N", "TEXT"), help="keep a remark on run N")
    parser.add_argument("--why", metavar="TEXT", help="reason for --discard")
    own = parser.add_argument_group("your own choice")
    own.add_argument("--condition", type=int, metavar="N", help="number of a condition, from 1; only that one is searched")
    own.add_argument("--level", type=float, metavar="DB", help="level in dB nHL; a search begins there")
    own.add_argument("--single", action="store_true", help="one run at one level, even if the method is search")
    own.add_argument("--repeat", type=int, metavar="N", help="a single run with condition and level of run N")
    own.add_argument("--growth", action="store_true",
                     help=f"a single run {GROWTH_DB:g} dB above the lowest response, for the latency/amplitude-intensity "
                          "function: establishes no threshold")  # fmt: skip
    own.add_argument("--muted", action="store_true", help="a single control run: trigger without stimulus")
    parser.add_argument("--masking", action="store_true",
                        help="give the noise that is advised, where it is due; --auto: as [masking] auto says")  # fmt: skip
    parser.add_argument("--minutes", type=float, metavar="M", help="remaining time for recordings from now on")
    add_walk(parser)
    add_window(parser)
    add_json(parser)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.commands.session_search import search
    from quietfloor.monitor.hearing.tables import HearingError
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.session.session_store import SessionError
    from quietfloor.monitor.sources.base import SourceError
    from quietfloor.monitor.storage.run_folder import FolderError

    try:
        session = opened(args)
        if args.discard is not None or args.restore is not None or args.note is not None:
            return remark(session, args)
        if args.status:
            return conclude(session, args, [], args.minutes)
        refuse_masking(session, args)
        single = args.single or args.repeat is not None or args.growth or args.muted
        made_by = search if session.plan.method == "search" and not single else work
        return with_window(args, partial(_shown, made_by, session, args))
    except (PlanError, SessionError, FolderError, HearingError) as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except (SourceError, RuntimeError, OSError) as error:
        return refuse(error, FAILED, args)


def _shown(
    made_by: Callable[[Session, argparse.Namespace, WindowLink | None], int], session: Session, args: argparse.Namespace,
    link: WindowLink | None,
) -> int:  # fmt: skip
    """Where somebody sees the window the session is led from there, at the latest when what was asked for is made."""
    from quietfloor.monitor.commands.session_window import lead

    if link is None or link.unattended:
        return made_by(session, args, link)
    if not (args.auto or args.yes):
        return lead(session, args, link)
    status = made_by(session, args, link)
    return status if link.closed or link.view is None else lead(session, args, link, status)


def opened(args: argparse.Namespace) -> Session:
    """A folder is opened as it is; with a plan the session begins, or goes on by the plan as it is now."""
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.session.session import Session
    from quietfloor.monitor.session.session_plan import load_session_plan

    if args.why is not None and args.discard is None:
        raise PlanError("--why is the reason for --discard N")
    if args.plan.is_dir():
        if args.out is not None:
            raise PlanError(f"{args.plan} is the session folder itself: leave out --out, or give a plan")
        return Session.open(args.plan)
    plan = load_session_plan(args.plan)
    return Session.begin(args.out or DEFAULT_SESSION / _as_name(plan.subject.pseudonym), plan)


def _as_name(pseudonym: str) -> str:
    return file_name("".join(letter if letter.isalnum() or letter in "-_" else "-" for letter in pseudonym))


def remark(session: Session, args: argparse.Namespace) -> int:
    from quietfloor.monitor.session.session_store import SessionError

    if args.discard is not None:
        run = session.discard(args.discard, args.why or "")
    elif args.restore is not None:
        run = session.restore(args.restore)
    else:
        number, text = args.note
        if not number.isdigit():
            raise SessionError(f"--note {number!r}: give the number of a run, then the text")
        run = session.note(int(number), text)
    say(run.words + "".join(f"\n  {note}" for note in run.notes), args)
    return conclude(session, args, [], quiet=True)


def work(session: Session, args: argparse.Namespace, link: WindowLink | None) -> int:
    """Make runs until none is left to make or wanted; the exit status."""
    made: list[dict[str, Any]] = []
    today_not: set[str] = set()  # conditions of which the dose allows no more today
    walked = Walked(begins=True)
    own_choice = any((
        args.single, args.repeat is not None, args.level is not None, args.condition is not None, args.growth, args.muted,
    ))  # fmt: skip
    minutes = args.minutes
    if args.repeat is not None and (args.level is not None or args.condition is not None or args.growth):
        from quietfloor.monitor.plan.run_plan import PlanError

        raise PlanError("--repeat N takes condition and level from run N: leave out --condition, --level and --growth")
    while True:
        say_status(session, args, minutes, short=bool(made))
        own = own_choice and not made
        suggestion = _chosen(session, args, minutes) if own else _next(session, minutes, today_not)
        nothing_left = suggestion is None or suggestion.level_db_nhl is None
        if nothing_left and args.auto and session.plan.masking.auto and not (minutes is not None and minutes <= 0):
            suggestion = session.again_with_noise()
        if suggestion is None or suggestion.level_db_nhl is None:
            break
        level: float | None = suggestion.level_db_nhl
        purpose: Purpose = "threshold" if not own else "control" if args.muted else "growth" if args.growth else "threshold"
        if own:
            say(suggestion.sentence, args)  # masking included; what follows the plan was said with the status
        if not (args.auto or args.yes):
            level = _asked(suggestion, session, args)
        elif suggestion.move and made and not earphone_moved(suggestion.move, args, link):
            break
        if level is None:
            break
        why = suggestion.why if level == suggestion.level_db_nhl else f"chosen, where {suggestion.level_db_nhl:g} was suggested"
        plan, noise = with_noise(session, suggestion.condition, level, purpose, args, minutes)
        plan = within_dose(plan, session.folder, session.plan.own_limit)
        if noise:
            say(noise, args)
        if args.auto and (refused := beyond_dose(plan, session)):
            say(f"{suggestion.condition} at {level:g} dB nHL is left out today: {refused.removeprefix('sound: ')}", args)
            if own or nothing_left:
                break
            today_not.add(str(suggestion.condition))
            continue
        if nothing_left and (plan.sound is None or plan.sound.masking == "none"):
            break  # without the noise it would say nothing new
        if not made:
            walked = walk_first(link, plan, session.folder, args)
            if not walked.begins:
                return refuse("left at the set-up, no run was made", FAILED, args)
            plan, _ = with_noise(session, suggestion.condition, level, purpose, args, minutes)  # that of the EEG is known by now
            plan = within_dose(plan, session.folder, session.plan.own_limit)
        show_session(link, session, minutes, FOLLOWS)
        session.announce(purpose, why)
        check = None if made else walked.check  # it was right before the first run, not before a later one
        made.append(carry_through(plan, session.folder, args, walked.acknowledged, link, check))
        minutes = None if minutes is None else minutes - minutes_of_last(session)
        if args.yes or (own_choice and (args.single or not args.auto)) or made[-1]["fault"] is not None:
            break
        if args.auto and (made[-1]["stopped_by"] == "operator" or (link is not None and link.interrupted)):
            say("stopped: the same line goes on from here", args)
            break
    return conclude(session, args, made, minutes)


def _next(session: Session, minutes: float | None, without: set[str]) -> Suggestion | None:
    """The next suggestion, of another condition than those."""
    if not without:
        return session.next(minutes)
    still = [one for one in session.suggestions(minutes) if not one.done and str(one.condition) not in without]
    return still[0] if still else None


def _chosen(session: Session, args: argparse.Namespace, minutes: float | None) -> Suggestion:
    """What the command line asks for, in the place of a suggestion. Raises SessionError."""
    from dataclasses import replace

    from quietfloor.monitor.session.next_level import Suggestion
    from quietfloor.monitor.session.session_store import SessionError

    if args.repeat is not None:
        run = session.run(args.repeat)
        session.index_of(run.condition)
        again = f"run {run.number} again, as asked"
        return session.placed(Suggestion(run.condition, run.level_db_nhl, "confirm", again, run.number))
    conditions = session.plan.conditions
    if args.condition is None:
        suggested = session.next(minutes)
        if suggested is None and len(conditions) > 1:
            raise SessionError("nothing is suggested any more: say which condition by --condition N")
        condition = conditions[0] if suggested is None else suggested.condition
    elif 1 <= args.condition <= len(conditions):
        condition = conditions[args.condition - 1]
    else:
        raise SessionError(f"--condition {args.condition}: the plan has {len(conditions)}, counted from 1")
    index = session.index_of(condition)
    suggestion = session.suggestions(minutes)[index]
    level = level_of(session, index, "growth" if args.growth else "threshold", args.level, suggestion.level_db_nhl)
    if level is None:
        raise SessionError(f"{suggestion.sentence} Give a level by --level DB")
    advice = session.masking(index, level, "growth" if args.growth else "threshold")
    why = "only for the latency/amplitude-intensity function" if args.growth else "a muted control" if args.muted else "as asked"
    return replace(suggestion, level_db_nhl=level, why=why, repeats=None, masking=advice)


def _asked(suggestion: Suggestion, session: Session, args: argparse.Namespace) -> float | None:
    """The level that somebody wants in the terminal, None for no more."""
    highest_db = session.plan.rules(session.index_of(suggestion.condition)).highest_db
    if not sys.stdin.isatty():
        say("nobody is here to ask: --yes makes this run, --auto follows the suggestions to the end", args)
        return None
    while True:
        sys.stderr.write("Enter: run it; a number: that level in dB nHL instead; q: not now > ")
        sys.stderr.flush()
        answer = sys.stdin.readline()
        words = answer.strip().lower()
        if not answer or words in ("q", "n", "no", "quit"):
            return None
        if words in ("", "y", "yes"):
            return suggestion.level_db_nhl
        try:
            level = float(words)
        except ValueError:
            say(f"{words!r} is no answer", args)
            continue
        if level <= highest_db:
            return level
        say(f"the plan allows at most {highest_db:g} dB nHL here", args)


def followed(args: argparse.Namespace) -> int:
    """``quietfloor run PLAN.toml --auto``: the same as ``quietfloor session PLAN.toml --auto``."""
    from quietfloor.monitor.commands.common import decision_changes

    asked = {key: value for section in decision_changes(args).values() for key, value in section.items()}
    asked |= {name: getattr(args, name) for name in ("stream", "source_id", "eeg", "trigger", "unit", "markers", "wait", "seed")}
    given = [name for name, value in asked.items() if value is not None] + (["listen"] if args.listen else [])
    if args.plan is None:
        return refuse("--auto needs the plan of a session: `quietfloor run PLAN.toml --auto`", BAD_ARGUMENTS, args)
    if given:
        names = ", ".join(given)
        return refuse(f"with --auto everything comes from the plan: write {names} under [run] there", BAD_ARGUMENTS, args)
    defaults = argparse.Namespace(
        yes=False, status=False, discard=None, restore=None, note=None, why=None, condition=None, level=None, repeat=None,
        growth=False, muted=False, minutes=None, masking=False, single=False,
    )  # fmt: skip
    return main(argparse.Namespace(**(vars(defaults) | vars(args))))
