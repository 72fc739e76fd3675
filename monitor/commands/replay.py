"""``quietfloor replay``: make the decisions of a run again from its recording."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import (
    BAD_ARGUMENTS,
    DONE,
    FAILED,
    add_decisions,
    add_json,
    complain,
    decision_changes,
    give_json,
    refuse,
    say,
)
from quietfloor.monitor.commands.window import add_window, with_window

if TYPE_CHECKING:
    from quietfloor.monitor.display.run_view import WindowLink
    from quietfloor.monitor.plan.run_plan import Plan
    from quietfloor.monitor.readiness.kept_check import KeptCheck
    from quietfloor.monitor.review.replay import Replayed
    from quietfloor.monitor.storage.run_folder import RunFolder

EXAMPLES = """examples:
  quietfloor replay sessions/run-001
  quietfloor replay sessions/run-001 --alpha 0.05 --out trial    other settings: a new result, nothing is compared
  quietfloor replay sessions/run-001 --no-window                 at full speed

In the window a run can be paused, played at any speed, and shown look by look. If the window is closed early, the rest of the
recording is processed at full speed.
Without changed settings every look must be the same as in the live run: byte for byte or, on another processor, with the same
decisions.
exit status: 0 identical, in either way (or settings changed), 1 different or unreadable, 2 bad arguments"""


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "replay", help="make the decisions again", description="Run the engine over a run folder's raw samples.", epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("run", type=Path, metavar="RUN", help="run folder, such as sessions/run-001")
    parser.add_argument("--speed", type=float, metavar="X", help="multiple of real time (1 in the window, else full speed)")
    add_decisions(parser)
    parser.add_argument("--out", type=Path, metavar="DIR", help="session folder for a new run folder with the result")
    add_window(parser)
    add_json(parser)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.formats.xdf import XdfError
    from quietfloor.monitor.plan.run_plan import PlanError, load_run_plan, override
    from quietfloor.monitor.review.replay import ReplayError
    from quietfloor.monitor.sources.base import SourceError
    from quietfloor.monitor.storage.folder_lock import InUse
    from quietfloor.monitor.storage.run_folder import FolderError, RunFolder

    changes = decision_changes(args)
    changed = any(value is not None for values in changes.values() for value in values.values())
    try:
        if args.speed is not None and not args.speed > 0:
            raise PlanError(f"--speed {args.speed:g}: give a number above 0")
        folder = RunFolder.open(args.run)
        plan = override(load_run_plan(folder.plan), changes) if changed else None
        return with_window(args, partial(_again, args, folder, plan))
    except PlanError as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except (FolderError, InUse, ReplayError, SourceError, XdfError, OSError) as error:
        return refuse(error, FAILED, args)


def _again(args: argparse.Namespace, folder: RunFolder, plan: Plan | None, link: WindowLink | None) -> int:
    """Decide again, with ``plan`` instead of the run's own if given, and print the result; returns the exit status."""
    from quietfloor.monitor.review.replay import replay

    if link is None:
        return _report(args, folder, plan is not None, replay(folder, plan, pace=args.speed))
    done = played(link, folder, plan, args.speed or 1.0)
    if done is None:
        say("stopped before its end: nothing was compared", args)
        return FAILED
    status = _report(args, folder, plan is not None, done)
    link.linger()
    return status


def played(link: WindowLink, folder: RunFolder, plan: Plan | None, speed: float) -> Replayed | None:
    """A replay in the window; None when it was interrupted. Without the window it goes on at full speed. Raises ReplayError."""
    from quietfloor.monitor.display.feed import Feed
    from quietfloor.monitor.display.run_view import RunView, moments_of, view_model
    from quietfloor.monitor.review.playback import FASTEST, Playback
    from quietfloor.monitor.review.replay import ReplayError, plan_of

    feed, own = Feed(), plan or plan_of(folder)
    playback = Playback(
        folder, own, changed=plan is not None, speed=FASTEST if link.unattended else speed,
        optional=[feed.on_event], on_signal=feed.on_signal, on_status=feed.on_status,
    )  # fmt: skip
    title = " · ".join(part for part in (own.title, _what(folder)) if part)
    link.show(RunView(playback, view_model(feed, own, title), folder.path.parent, moments_of(folder)))
    playback.start()
    if not link.follow(playback):
        playback.speed, playback.paused = FASTEST, False
        playback.wait()
    if playback.failure is not None:
        raise ReplayError(playback.failure)
    return playback.result


def _what(folder: RunFolder) -> str:
    """Ear, stimulus and level in words, from the record of the run."""
    from quietfloor.stimuli.calibration import ear_words
    from quietfloor.stimuli.levels import stated_level

    try:
        stimulus = folder.read_json(folder.run.name)["stimulus"]
        if (known := stated_level(stimulus)) is None:
            return ""
        level, unit = known
        muted = (", uncalibrated" if stimulus["level_db_fs"] is not None else "") + (", MUTED" if stimulus["muted"] else "")
        return f"{ear_words(stimulus['ear'])} · {stimulus['stimulus']} · {level:g} {unit}{muted}"
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def _except_for(run_format: int) -> str:
    """Figures that were not compared, because an earlier version of the program computed them differently."""
    from quietfloor.monitor.review.replay import OTHERWISE_SINCE

    if run_format >= max(OTHERWISE_SINCE):
        return ""
    return " but for the upper limit and the forecast, which an earlier program worked out otherwise"


def _live_record(folder: RunFolder) -> dict[str, Any]:
    try:
        return folder.read_record() if folder.run.is_file() else {}
    except (OSError, ValueError) as error:
        complain(f"{folder.run} cannot be read ({error}): nothing is taken from it")
        return {}


def _check(folder: RunFolder) -> KeptCheck | None:
    from quietfloor.monitor.readiness.kept_check import read_check

    try:
        return read_check(folder)
    except (OSError, ValueError) as error:
        complain(f"{folder.check} cannot be used ({error}): nothing is taken from it")
        return None


def _report(args: argparse.Namespace, folder: RunFolder, changed: bool, done: Replayed) -> int:
    from quietfloor.monitor.review.replay import TOLERANCE
    from quietfloor.monitor.run import status_text
    from quietfloor.monitor.run.run_record import run_record
    from quietfloor.monitor.run.timing_certificate import Timing
    from quietfloor.monitor.storage.run_folder import RunFolder

    live = _live_record(folder)
    record = run_record(
        done.plan, done.verdict, done.engine, stream=done.stream, unit=done.unit,
        sound=live.get("stimulus"), calibration=live.get("calibration"), started=live.get("started"),
        timing=Timing.of_record(live.get("timing") or {}),
        failure=done.verdict.reason if done.verdict.stopped_by == "fault" else None, search=done.search,
    )  # fmt: skip
    looks = "looks" if done.search is None else "units and choices"
    if changed or done.live_looks is None:
        comparison, same = "not compared: " + ("settings were changed" if changed else "the run kept no looks"), True
    elif done.identical_by == "bytes":
        comparison, same = f"{done.looks} {looks}, each identical to the live one byte for byte", True
        comparison += _except_for(done.plan.format)
    elif done.identical_by == "decisions":
        comparison, same = f"{done.looks} {looks}, each the same decision as the live one, figures within {TOLERANCE:g}", True
        comparison += _except_for(done.plan.format) + ": processors add in different orders"
    else:
        first = "" if done.first_difference is None else f", the first difference is in look {done.first_difference + 1}"
        first = first or ("" if done.looks != done.live_looks else ", another verdict")
        comparison, same = f"{done.looks} {looks} against {done.live_looks} live ones{first}", False
    say(status_text.ended(done.verdict, done.engine.last_look, done.plan.decision.floor_nv), args)
    say(comparison, args)
    if not changed and done.live_looks is not None and done.identical_by != "bytes":
        for key, what in (("versions", "versions differ"), ("machine", "machines differ")):
            kept, here = live.get(key) or {}, record[key]
            differing = [f"{name} {kept[name]} then, {now} now" for name, now in here.items() if kept.get(name, now) != now]
            if differing:
                say(f"{what}: " + "; ".join(differing), args)
    if (check := _check(folder)) is not None:
        say(check.sentence, args)
    if not live:
        say(f"the run left no result: {folder.why_no_result}", args)
    if args.out is not None:
        from quietfloor.monitor.plan.cell_table import read_cells
        from quietfloor.monitor.run.opening import write_results
        from quietfloor.monitor.storage.folder_lock import sole_writer

        with sole_writer(args.out):
            new = RunFolder.create(args.out)
            new.write_text(new.plan.name, done.plan.to_toml())
            if (table := read_cells(folder, done.plan.sound)) is not None:
                table.write(new)
            for event in done.events:
                if event.kept:
                    new.append_event(event.record())
            kept_as = write_results(new, record | {"replay_of": str(folder.path)}, done.engine, complain, done.search)
        same = same and kept_as["fault"] == record["fault"]
        say(f"kept in {new.path}", args)
        record["folder"] = str(new.path)
    same_as = {"identical": None if changed else done.identical, "identical_by": None if changed else done.identical_by}
    give_json(record | {"replay_of": str(folder.path)} | same_as | {"looks": done.looks}, args)
    return DONE if same else FAILED
