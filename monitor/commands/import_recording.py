"""``quietfloor import``: make a run from a recording of another program."""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path
from typing import Any

from quietfloor.monitor.commands.common import (
    BAD_ARGUMENTS,
    DONE,
    FAILED,
    add_decisions,
    add_json,
    complain,
    decision_changes,
    give_json,
    names,
    refuse,
    say,
)

EXAMPLES = """examples:
  quietfloor import other.bdf --eeg Cz --trigger Status --out sessions/other
  quietfloor import other.xdf --stream Amplifier --eeg 1,2 --trigger 9 --plan plan.toml --out sessions/other
  quietfloor import other.edf --eeg Cz --onsets 'click*' --out sessions/other    no trigger channel, but annotations

The result is a normal run folder: replay, waves, report, export and validate work with it.
exit status: 0 done, whatever the verdict, 1 could not be written, 2 bad arguments, or a file that cannot be used"""


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "import", help="a run from a recording of another program (XDF, BDF, EDF)", epilog=EXAMPLES,
        description="Make a run folder from a recording of another program, and decide on it as on a live run.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("file", type=Path, metavar="FILE", help="a recording in XDF, BDF or EDF; the first bytes tell which")
    parser.add_argument("--plan", type=Path, metavar="PLAN.toml", help="settings and channels; options replace those of the plan")
    parser.add_argument("--stream", metavar="NAME", help="name of the stream, where several have a sampling rate")
    parser.add_argument("--eeg", type=names, metavar="CHANNEL[,CHANNEL...]", help="labels, or numbers from 1; the first decides")
    timing = parser.add_mutually_exclusive_group()
    timing.add_argument("--trigger", metavar="CHANNEL", help="trigger channel; of a BDF's Status channel, its 16 inputs")
    timing.add_argument("--onsets", metavar="TEXT", help="annotations or markers that mark an onset; * stands for anything")
    parser.add_argument("--unit", metavar="UNIT", help="unit of the samples: uV, mV or V, where the file states none")
    add_decisions(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="session folder for the new run folder")
    add_json(parser)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.formats.xdf import XdfError
    from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_plan, override
    from quietfloor.monitor.review.import_recording import Wanted, import_recording
    from quietfloor.monitor.review.replay import ReplayError
    from quietfloor.monitor.run.unit_check import PreflightError
    from quietfloor.monitor.sources.base import SourceError
    from quietfloor.monitor.storage.folder_lock import InUse, sole_writer
    from quietfloor.monitor.storage.raw_writer import JournalError
    from quietfloor.monitor.storage.run_folder import FolderError

    try:
        plan = load_plan(args.plan) if args.plan is not None else Plan()
        stream = {"eeg": args.eeg, "trigger": args.trigger, "unit": args.unit}
        plan = override(plan, decision_changes(args) | {"stream": stream})
        with sole_writer(args.out):
            found = import_recording(args.file, args.out, plan, Wanted(args.onsets, args.stream))
            record = _decide(found, args.file)
    except (SourceError, XdfError, PlanError, PreflightError, ReplayError) as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except (FolderError, JournalError, InUse) as error:
        return refuse(error, FAILED, args)
    except OSError as error:
        return refuse(f"{args.file}: {error.strerror or error}", BAD_ARGUMENTS, args)
    for caution in found.cautions:
        say(caution, args)
    say(f"{record['reason']} ({record['verdict'].replace('_', ' ')})", args)
    say(f"kept in {found.folder.path}", args)
    give_json(record | {"folder": str(found.folder.path)}, args)
    return DONE


def _decide(found: Any, path: Path) -> dict[str, Any]:
    """Make the files that a live run writes beside its recording; returns the record."""
    from quietfloor.monitor.review.replay import replay
    from quietfloor.monitor.run.opening import write_results
    from quietfloor.monitor.run.run_record import run_record

    done = replay(found.folder)
    for event in done.events:
        if event.kept:
            found.folder.append_event(event.record())
    stated = None if done.plan.stated is None else done.plan.stated.record()
    record = run_record(
        done.plan, done.verdict, done.engine, stream=done.stream, unit=found.unit, sound=stated, calibration=None,
        failure=done.verdict.reason if done.verdict.stopped_by == "fault" else None,
    )  # fmt: skip
    if found.onsets is not None:
        record["timing"]["source"] = f"{found.onsets} texts of the imported file, to the nearest sample"
    with open(path, "rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    imported = {"file": path.name, "sha256": sha256, "onsets": found.onsets, "cautions": list(found.cautions)}
    return write_results(found.folder, record | {"imported": imported}, done.engine, complain)
