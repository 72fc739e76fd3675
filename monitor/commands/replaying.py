"""``quietfloor replay``: decide again from what a run kept."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from monitor.commands.common import (
    BAD_ARGUMENTS,
    DONE,
    FAILED,
    add_decisions,
    add_json,
    decision_changes,
    give_json,
    refuse,
    say,
)

EXAMPLES = """examples:
  quietfloor replay sessions/run-001
  quietfloor replay sessions/run-001 --alpha 0.05 --out trial    (other settings: a new result, nothing is compared)

Without changed settings every look must come out byte for byte as it was made live.
exit status: 0 identical (or settings changed), 1 different or unreadable, 2 bad arguments"""


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "replay", help="same decisions from disk", description="Run the engine over a run folder's raw samples.", epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("run", type=Path, metavar="RUN", help="run folder, such as sessions/run-001")
    parser.add_argument("--speed", type=float, metavar="X", help="times real time (default: as fast as it goes)")
    add_decisions(parser)
    parser.add_argument("--out", type=Path, metavar="DIR", help="session folder for a new run folder with the result")
    parser.add_argument("--no-window", action="store_true", help="text instead of the window (this version always shows text)")
    add_json(parser)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    from monitor import sentence
    from monitor.certificate import Timing
    from monitor.folder import FolderError, RunFolder
    from monitor.plan import PlanError, load_plan, override
    from monitor.record import run_record
    from monitor.replay import ReplayError, replay
    from monitor.sources.base import SourceError
    from monitor.xdf import XdfError

    changes = decision_changes(args)
    changed = any(value is not None for values in changes.values() for value in values.values())
    try:
        if args.speed is not None and not args.speed > 0:
            raise PlanError(f"--speed {args.speed:g}: give a number above 0")
        folder = RunFolder.open(args.run)
        plan = override(load_plan(folder.plan), changes) if changed else None
        done = replay(folder, plan, pace=args.speed)
    except PlanError as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except (FolderError, ReplayError, SourceError, XdfError, OSError) as error:
        return refuse(error, FAILED, args)
    live = folder.read_json(folder.run.name) if folder.run.is_file() else {}
    record = run_record(
        done.plan, done.verdict, done.engine, stream=done.stream, unit=done.unit,
        sound=live.get("stimulus"), calibration=live.get("calibration"), started=live.get("started"),
        timing=Timing.of_record(live.get("timing") or {}),
        failure=done.verdict.reason if done.verdict.stopped_by == "fault" else None,
    )  # fmt: skip
    if changed or done.live_looks is None:
        comparison, same = "not compared: " + ("settings were changed" if changed else "the run kept no looks"), True
    elif done.identical:
        comparison, same = f"{done.looks} looks, each identical to the live one byte for byte", True
    else:
        first = "" if done.first_difference is None else f", the first difference is in look {done.first_difference + 1}"
        comparison, same = f"{done.looks} looks against {done.live_looks} live ones{first}", False
    say(sentence.ended(done.verdict, done.engine.last_look, done.plan.decision.floor_nv), args)
    say(comparison, args)
    if not same:
        kept, here = live.get("versions", {}), record["versions"]
        differing = [f"{name} {kept[name]} then, {now} now" for name, now in here.items() if kept.get(name, now) != now]
        if differing:
            say("versions differ: " + "; ".join(differing), args)
    if args.out is not None:
        from monitor.commands.live import write_results

        new = RunFolder.create(args.out)
        new.write_text(new.plan.name, done.plan.to_toml())
        for event in done.events:
            if event.kept:
                new.append_event(event.record())
        kept_as = write_results(new, record | {"replay_of": str(folder.path)}, done.engine)
        same = same and kept_as["fault"] == record["fault"]
        say(f"kept in {new.path}", args)
        record["folder"] = str(new.path)
    identical = None if changed else done.identical
    give_json(record | {"replay_of": str(folder.path), "identical": identical, "looks": done.looks}, args)
    return DONE if same else FAILED
