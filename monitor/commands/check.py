"""``quietfloor check``: check whether everything is ready for a run. It is the text form of the set-up panel of the window."""

from __future__ import annotations

import argparse
import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import (
    BAD_ARGUMENTS,
    DEFAULT_SESSION,
    DONE,
    FAILED,
    add_decisions,
    add_json,
    give_json,
    refuse,
    say,
    stop_on_signals,
)
from quietfloor.monitor.commands.run import add_stream, plan_from

if TYPE_CHECKING:
    from quietfloor.monitor.plan.run_plan import Plan
    from quietfloor.monitor.session.session import Session

EXAMPLES = """examples:
  quietfloor check plan.toml
  quietfloor check sessions/s07
  quietfloor check --stream "My amplifier" --eeg Cz-M2,Cz-M1 --trigger TRIG --seconds 10

The command listens to the stream for a few seconds. It reports rate, bandwidth and unit, the state of every electrode (mains
hum, noise, drift, an input at its limit), trigger, sound and timing, and whether the noise floor can be reached. Each finding has
a number and says what to do. If the plan plays sound, its triggers are sent during the check, without any sound.

  ok    nothing to do           look  the run will work, but read this first
  stop  correct this first      wait  not known yet: give more --seconds

exit status: 0 ready (perhaps with something to look at), 1 not ready, 2 bad arguments or plan"""

LEAST_S = 3.0  # to learn a trigger channel, and to tell hum from noise


def seconds(text: str) -> float:
    """Parse a duration of the check that is long enough."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not LEAST_S <= value <= 600.0:
        raise argparse.ArgumentTypeError(f"{text!r}: give {LEAST_S:g} to 600 seconds")
    return value


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "check", help="is everything ready for a run?", description="Check stream, electrodes, trigger, sound and timing.",
        epilog=EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("plan", nargs="?", type=Path, metavar="PLAN.toml|DIR", help="plan of the run, or folder of a session")
    parser.add_argument("--listen", action="store_true", help="as in `run`: other equipment makes the sound and the trigger")
    parser.add_argument("--seconds", type=seconds, default=5.0, metavar="S", help="how long to listen (5)")
    parser.add_argument("--no-trigger", action="store_true", help="do not send the plan's triggers, and do not open its output")
    add_stream(parser)
    add_decisions(parser)
    parser.add_argument("--out", type=Path, default=None, metavar="DIR", help=f"session folder of the run ({DEFAULT_SESSION})")
    add_json(parser)
    parser.set_defaults(do=main, seed=None)


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.readiness.kept_check import check_record
    from quietfloor.monitor.readiness.listener import Check
    from quietfloor.monitor.session.session_store import SessionError, keep_noise
    from quietfloor.monitor.sources.base import SourceError

    try:
        args.listen = args.listen or args.plan is None
        session = _session(args)
        plan = plan_from(args, None if session is None else _first_plan(session))
        folder = args.out or (DEFAULT_SESSION if session is None else session.folder)
        check = Check(plan, folder, triggers=not args.no_trigger)
        try:
            check.open(plan.stream.wait_s)
            report = _listen(check, args)
            keep_noise(folder, report.noise_uv)
        finally:
            check.close()
    except (PlanError, SessionError) as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except (SourceError, RuntimeError, OSError) as error:
        return refuse(error, FAILED, args)
    _say_all(report, args)
    if session is not None:
        from quietfloor.monitor.readiness.dose_outlook import outlook_of

        for text in outlook_of(session).words:
            say(text, args)
    give_json(check_record(report, datetime.datetime.now(datetime.UTC)), args)
    return DONE if report.ready else FAILED


def _session(args: argparse.Namespace) -> Session | None:
    """The session, if a folder was given instead of a plan. Raises SessionError, PlanError."""
    from quietfloor.monitor.session.session import Session

    return Session.open(args.plan) if args.plan is not None and args.plan.is_dir() else None


def _first_plan(session: Session) -> Plan:
    """The plan of the next run of a session, no longer than the dose allows."""
    from quietfloor.monitor.commands.session_steps import within_dose

    return within_dose(session.first_plan(), session.folder, session.plan.own_limit)


def _listen(check: Any, args: argparse.Namespace) -> Any:
    """Listen for the given time, counted from the arrival of the plan's own triggers. If something is still unknown and no
    finding says stop, listen for twice as long, because figures start again after a gap of the stream."""
    stopped = False

    def stop() -> None:
        nonlocal stopped
        stopped = True

    say(f"listening to {check.report().stream} for {args.seconds:g} s", args)
    with stop_on_signals(stop):
        while check.listened_s < args.seconds and not stopped:
            check.step()
        while check.report().unknown and check.listened_s < 2 * args.seconds and not stopped:
            check.step()
    return check.report()


def _say_all(report: Any, args: argparse.Namespace) -> None:
    from quietfloor.monitor.readiness import cautions

    for group in report.groups:
        say(f"\n{group.title}", args)
        subject = ""
        for finding in group.findings:
            if finding.subject != subject and group.name == "electrodes":
                say(f"  {finding.subject}", args)
                subject = finding.subject
            say(f"  {finding.severity:4}  {finding.title}: {finding.said}", args)
            if finding.remedy:
                say(f"        -> {finding.remedy}", args)
    for title, sentences in (("Before each run", report.placement), ("Cautions", (*cautions.CAUTIONS, *report.own_cautions))):
        say(f"\n{title}", args)
        for sentence in sentences:
            say(f"  - {sentence}", args)
    say(f"\n{report.summary}.", args)
