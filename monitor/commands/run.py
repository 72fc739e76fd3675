"""``quietfloor run``: one live run, with sound of this program or of other equipment."""

from __future__ import annotations

import argparse
import logging
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import (
    BAD_ARGUMENTS,
    DEFAULT_SESSION,
    DONE,
    FAILED,
    FAULT,
    add_decisions,
    add_json,
    complain,
    decision_changes,
    give_json,
    names,
    refuse,
    say,
    stop_on_signals,
)
from quietfloor.monitor.commands.setup import add_walk, walk_first
from quietfloor.monitor.commands.window import add_window, show_live, with_window

if TYPE_CHECKING:
    from quietfloor.monitor.display.run_view import WindowLink

EXAMPLES = """examples:
  quietfloor run plan.toml --out sessions/monday
  quietfloor run --listen --stream "Bench EEG" --eeg Cz-M2 --trigger trigger --max-sweeps 4000

A run ends by itself: response present, no response (at this noise floor, or as large as --absent-below-nv), or undecided when
the sweeps run out. A run leaves a folder DIR/run-001 with the raw samples, every look and the verdict. Ctrl-C stops the run and
keeps everything.
exit status: 0 done, 1 could not begin, 2 bad arguments or plan, 3 stopped on a fault with data kept"""


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "run", help="one live run", description="Record, average and decide, live.", epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("plan", nargs="?", type=Path, metavar="PLAN.toml", help="what to play, record and decide")
    parser.add_argument("--listen", action="store_true", help="play nothing: other equipment makes the sound and the trigger")
    add_stream(parser)
    add_decisions(parser)
    parser.add_argument("--out", type=Path, default=None, metavar="DIR", help=f"session folder ({DEFAULT_SESSION})")
    seed = "seed of the random pauses and polarities (that of the plan, one more for each run made)"
    parser.add_argument("--seed", type=int, metavar="N", help=seed)
    parser.add_argument("--auto", action="store_true", help="PLAN.toml is a session: the same as `quietfloor session --auto`")
    add_walk(parser)
    add_window(parser)
    add_json(parser)
    parser.set_defaults(do=main)


def add_stream(parser: argparse.ArgumentParser) -> None:
    """Add the options for the EEG stream and its channels."""
    stream = parser.add_argument_group("stream (each replaces that of the plan)")
    stream.add_argument("--stream", metavar="NAME", help="name of the EEG stream, as `quietfloor streams` has it")
    stream.add_argument("--source-id", metavar="ID", help="source id of the stream, where two streams have one name")
    stream.add_argument("--eeg", type=names, metavar="CHANNEL[,CHANNEL...]", help="labels, or numbers from 1; the first decides")
    stream.add_argument("--trigger", metavar="CHANNEL", help="trigger channel of the same stream, by label or number")
    stream.add_argument("--unit", metavar="UNIT", help="unit of the stream: uV, mV or V, where it states none or a wrong one")
    stream.add_argument("--markers", metavar="NAME", help="a marker stream to record as well")
    stream.add_argument("--wait", type=float, metavar="S", help="how long to wait for the stream to appear (10)")


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.sources.base import SourceError

    if args.auto:
        return int(args.as_session(args))
    try:
        plan, session = plan_from(args), args.out or DEFAULT_SESSION

        def work(link: WindowLink | None) -> int:
            walked = walk_first(link, plan, session, args)
            if not walked.begins:
                return refuse("left at the set-up, no run was made", FAILED, args)
            record = carry_through(told_apart(plan, session, args), session, args, walked.acknowledged, link, walked.check)
            while link is not None and link.offer("another run with the same plan"):
                walked = walk_first(link, plan, session, args)
                if not walked.begins:
                    break
                record = carry_through(told_apart(plan, session, args), session, args, walked.acknowledged, link, walked.check)
            give_json(record, args)
            return exit_status(record)

        return with_window(args, work)
    except PlanError as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except (SourceError, RuntimeError, OSError) as error:
        return refuse(error, FAILED, args)


def exit_status(record: dict[str, Any]) -> int:
    """Exit status for a record. A fault after the stream was accepted leaves useful data (FAULT); before, the run could not begin
    (FAILED)."""
    if record["fault"] is None:
        return DONE
    return FAILED if record["stream"]["uv_per_unit"] is None else FAULT


def told_apart(plan: Any, session: Path, args: argparse.Namespace) -> Any:
    """The plan with a seed that no run of this folder has used, because the pauses identify the sound of a run. A given --seed is
    kept."""
    if plan.sound is None or args.seed is not None:
        return plan
    made = max((int(path.name[4:]) for path in session.glob("run-*") if path.name[4:].isdecimal()), default=0)
    seed = (plan.sound.seed + made) % 2**63
    return plan.model_copy(update={"sound": plan.sound.model_copy(update={"seed": seed})})


def plan_from(args: argparse.Namespace, base: Any = None) -> Any:
    """The plan that the command line names, or ``base``, with the values that the command line replaces. Raises PlanError."""
    from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_plan, override
    from quietfloor.monitor.plan.sound_plan import StatedPlan

    plan = base or (load_plan(args.plan) if args.plan is not None else Plan())
    if args.listen:
        stated = plan.stated if plan.sound is None else StatedPlan.of_sound(plan.sound)
        plan = plan.model_copy(update={"sound": None, "stated": stated})
    elif plan.sound is None and args.plan is None:
        raise PlanError("give a PLAN.toml, or --listen with --stream, --eeg and --trigger; see `quietfloor run --help`")
    changes = decision_changes(args)
    changes["stream"] = {
        "name": args.stream,
        "source_id": args.source_id,
        "eeg": args.eeg,
        "trigger": args.trigger,
        "unit": args.unit,
        "markers": args.markers,
        "wait_s": args.wait,
    }
    if args.seed is not None and plan.sound is not None:
        changes["sound"] = {"seed": args.seed}
    plan = override(plan, changes)
    stream = plan.stream
    missing = [
        text
        for text, given in (
            ("the stream (--stream NAME, or stream.name)", stream.name or stream.source_id),
            ("an EEG channel (--eeg, or stream.eeg)", stream.eeg),
            ("the trigger channel (--trigger, or stream.trigger)", stream.trigger),
        )
        if not given
    ]
    if missing:
        raise PlanError(f"not named: {'; '.join(missing)}. `quietfloor streams` shows what is there")
    return plan


def carry_through(
    plan: Any,
    session: Path,
    args: argparse.Namespace,
    acknowledged: dict[str, Any] | None = None,
    link: WindowLink | None = None,
    check: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Open everything, make the run folder, run to the end, and write the record. Used by `run`, `session` and `demo`.

    ``link``: the window that shows the run. Without one, or after the window is closed, the run is shown as text. ``check``: what
    the check right before this run found. Raises the errors of ``open_run`` before anything is played.
    """
    from quietfloor.monitor.run import status_text
    from quietfloor.monitor.run.opening import open_run

    open_with = partial(open_run, plan, session, acknowledged=acknowledged, check=check, remark=complain)
    with (open_with() if link is None else show_live(link, open_with, session)) as opened, stop_on_signals(opened.run.stop):
        opened.run.start()
        if link is not None and link.follow(opened.run):
            floor_nv = opened.plan.decision.floor_nv
            say(f"{opened.title}\n{status_text.headline(opened.run.status, floor_nv)}", args)
        else:
            _watch(opened.run, opened.plan, opened.title, args)
        record = opened.finish()
    if link is not None:
        link.recorded()
    say(f"kept in {record['folder']}", args)
    return record


def _watch(run: Any, plan: Any, title: str, args: argparse.Namespace) -> None:
    """Show the run until it is over; where showing fails, a closed pipe for instance, the run goes on unseen."""
    from quietfloor.monitor.display.searchtext import Keyboard, watch_search
    from quietfloor.monitor.display.textview import watch

    out = sys.stderr if args.json else sys.stdout
    try:
        if plan.search is None:
            watch(run, plan, title, out)
        else:
            watch_search(run, title, out, Keyboard.of_terminal())
    except Exception as error:
        logging.getLogger("quietfloor").error("the display failed (%s): the run goes on without it", error)
    run.wait()
