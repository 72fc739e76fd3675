"""Steps that runs and searches of a session share: dose, noise, remarks, minutes, and the end of the command."""

from __future__ import annotations

import argparse
import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import DONE, FAILED, FAULT, give_json, say
from quietfloor.monitor.commands.run import exit_status
from quietfloor.monitor.commands.session_text import say_status, status

if TYPE_CHECKING:
    import datetime

    from quietfloor.monitor.display.run_view import WindowLink
    from quietfloor.monitor.display.session_talk import Wish
    from quietfloor.monitor.plan.run_plan import Plan
    from quietfloor.monitor.readiness.listener import Report
    from quietfloor.monitor.session.conditions import Condition, Purpose
    from quietfloor.monitor.session.session import Session

LEAST_SHORT = 2048  # own choice: a run that the dose shortens has at least so many sweeps, or it is not made
GROWTH_DB = 5.0  # above the lowest response: common practice
FOLLOWS = "The program follows its suggestions by itself (--auto or --yes)."


def level_of(
    session: Session, index: int, kind: str, level_db: float | None, suggested_db: float | None = None
) -> float | None:
    """The level of a single run in dB nHL: that which was chosen, else for growth 5 dB above the lowest response, or the highest,
    else what is suggested (None: nothing is). Raises SessionError for a level that the plan does not allow, and for growth
    without a response.
    """
    import math

    from quietfloor.monitor.session.session_store import SessionError

    highest_db = session.plan.rules(index).highest_db
    if level_db is None and kind == "growth":
        lowest_db = session.thresholds()[index].lowest_present_db_nhl
        if math.isnan(lowest_db):
            raise SessionError(f"{session.plan.conditions[index]}: no response yet, so no level above it: choose a level")
        if not lowest_db < highest_db:
            raise SessionError(
                f"{session.plan.conditions[index]}: the lowest response is at {lowest_db:g} dB nHL, the highest level of the "
                "plan (highest_db_nhl): choose a level"
            )
        return min(lowest_db + GROWTH_DB, highest_db)
    if level_db is not None and not level_db <= highest_db:
        raise SessionError(
            f"{level_db:g} dB nHL: the plan allows at most {highest_db:g} dB nHL here (highest_db_nhl): choose a lower level"
        )
    return suggested_db if level_db is None else level_db


def within_dose(plan: Plan, folder: Path, own_limit: bool) -> Plan:
    """The plan with as many sweeps as the dose allows, where the session chose how many: no fewer than `LEAST_SHORT`."""
    import datetime

    from quietfloor.monitor.core.averaging import UNIT_SWEEPS
    from quietfloor.monitor.plan.run_plan import PlanError, override
    from quietfloor.monitor.run.sound_output import make_stimulus, spent_by

    sweeps = plan.decision.max_sweeps
    if own_limit or plan.sound is None or plan.search is not None or sweeps <= LEAST_SHORT:
        return plan
    spent = spent_by(folder, plan.sound, datetime.date.today())
    with contextlib.suppress(PlanError):  # whatever else is wrong is said when the run begins
        most = make_stimulus(plan.sound, datetime.date.today()).most_sweeps(sweeps, spent)
        sweeps = most if most == sweeps else max(LEAST_SHORT, most // UNIT_SWEEPS * UNIT_SWEEPS)
    return override(plan, {"decision": {"max_sweeps": sweeps}}) if sweeps < plan.decision.max_sweeps else plan


def beyond_dose(plan: Plan, session: Session) -> str:
    """Why the dose does not let the sound of a run out today; empty where it does, or where something else is wrong."""
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.run.sound_output import DoseRefused

    try:
        _refused(plan, session)
    except DoseRefused as error:
        return str(error)
    except PlanError:
        pass
    return ""


def with_noise(
    session: Session, condition: Condition, level: float, purpose: Purpose, args: argparse.Namespace, minutes: float | None = None
) -> tuple[Plan, str]:
    """The plan of a run, with the noise that is advised where that is wanted and can be given, and what is to be said of it."""
    import math

    from quietfloor.monitor.plan.run_plan import PlanError

    plain = session.run_plan(condition, level, muted=purpose == "control", minutes_left=minutes)
    masking = session.plan.masking
    if purpose != "threshold" or not (args.masking or (args.auto and masking.auto)):
        return plain, ""
    noise = session.noise_db_em(condition, level)
    if math.isnan(noise):
        advice = session.masking(session.index_of(condition), level)
        none = "No noise is given, although it is due: no level is known to be enough"
        return plain, none if advice is not None and advice.due else ""
    plan = session.run_plan(condition, level, masking_db_em=noise, minutes_left=minutes)
    sound = plan.sound
    assert sound is not None
    told = f"{masking.kind(condition)} noise of {noise:g} dB EM in the {sound.masking_ear} ear"
    told = told[0].upper() + told[1:]
    try:
        _refused(plan, session)
    except PlanError as error:
        try:
            _refused(plain, session)
        except PlanError:
            return plan, told  # not for the noise: the run itself is refused in a moment
        return plain, f"{told} is advised and cannot be given: {error}. This run is made without it"
    return plan, told


def _refused(plan: Plan, session: Session) -> None:
    """Raises PlanError where ceiling or dose does not let the sound out."""
    import datetime

    from quietfloor.monitor.run.sound_output import make_stimulus, spent_by

    plan = within_dose(plan, session.folder, session.plan.own_limit)
    assert plan.sound is not None
    spent = spent_by(session.folder, plan.sound, datetime.date.today())
    make_stimulus(plan.sound, datetime.date.today(), sweeps=plan.decision.max_sweeps, spent=spent)


def earphone_moved(move: str, args: argparse.Namespace, link: WindowLink | None) -> bool:
    """Whether somebody confirms that the one earphone of both ears is where it has to be; no sound begins before that."""
    if link is not None and link.view is not None and not (link.gone or link.unattended or link.interrupted):
        return link.offer(f"{move}, then go on")
    if not sys.stdin.isatty():
        say(f"{move}, then give the same line again: it goes on from here", args)
        return False
    sys.stderr.write(f"{move}, then press Enter; q: not now > ")
    sys.stderr.flush()
    answer = sys.stdin.readline()
    return bool(answer) and answer.strip().lower() in ("", "y", "yes")


def refuse_masking(session: Session, args: argparse.Namespace) -> None:
    """Raise PlanError for --masking where there is no second earphone for the noise."""
    from quietfloor.monitor.plan.run_plan import PlanError

    if args.masking and any(session.plan.one_earphone(index) for index in range(len(session.plan.conditions))):
        raise PlanError(
            "--masking: the noise would need a second earphone, and the trigger uses its output: leave it out, or use a card "
            "with three outputs"
        )


def minutes_of_last(session: Session) -> float:
    import math

    runs = session.all_runs()
    return math.fsum(run.seconds for run in runs if run.number == runs[-1].number and not math.isnan(run.seconds)) / 60


def show_session(link: WindowLink | None, session: Session, minutes: float | None, what: str) -> None:
    """Let the window show the session while runs follow each other by themselves. ``what`` says why nothing is asked."""
    from quietfloor.monitor.display.session_sight import sight_of

    if link is not None and not link.unattended:
        left_s = session.time_left_s(session.all_runs()) if minutes is None else 60 * minutes
        link.talk.sight = sight_of(session, None, what, "", left_s, checked=checked_of(link))


def checked_of(link: WindowLink) -> tuple[Report, datetime.datetime] | None:
    """The last check before a run, and when it was in local time."""
    import datetime
    import time

    if link.talk.checked is None:
        return None
    report, moment_s = link.talk.checked
    return report, datetime.datetime.now() - datetime.timedelta(seconds=time.monotonic() - moment_s)


def remarked(session: Session, wish: Wish, args: argparse.Namespace, link: WindowLink) -> tuple[bool, str]:
    """Keep what was said in the window about the run before; whether it was kept, and what to say of it."""
    from quietfloor.monitor.session.session_store import SessionError

    runs = session.all_runs()
    if not runs:
        return False, "No run was made yet"
    number = runs[-1].number
    try:
        if wish.what == "discard":
            run = session.discard(number, wish.text)
        else:
            run = session.restore(number) if wish.what == "restore" else session.note(number, wish.text)
    except (SessionError, OSError) as error:
        return False, str(error)
    said = {"discard": f"discarded: {run.discarded}", "restore": "counts", "note": f"note kept: {wish.text.strip()}"}[wish.what]
    say(run.words + "".join(f"\n  {note}" for note in run.notes), args)
    link.recorded()
    return True, f"Run {number}: {said}"


def conclude(
    session: Session, args: argparse.Namespace, made: list[dict[str, Any]], minutes: float | None = None, quiet: bool = False
) -> int:
    """Say how it stands with the minutes that are left; the exit status is that of the last run."""
    if not quiet and (args.status or made):
        say("", args)
        say_status(session, args, minutes)
    found = status(session, minutes) | {"made": [record["folder"] for record in made]}
    give_json(found, args)
    if not made:
        return DONE
    worst = exit_status(made[-1])
    return FAULT if worst == FAILED and len(made) > 1 else worst
