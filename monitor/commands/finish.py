"""``quietfloor finish``: the missing files of runs that were cut short."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from quietfloor.monitor.commands.common import DONE, FAILED, add_json, complain, give_json, refuse, say

EXAMPLES = """examples:
  quietfloor finish sessions/s07/run-004
  quietfloor finish sessions/s07              every run of this session that has no result

If the program was killed or the computer lost power, the recording is kept up to that moment. This command makes the decisions
again from the recording and compares them with those of the live run. Then it writes run.json, average.csv and the end of
events.jsonl. It changes nothing that was recorded.
exit status: 0 done, also where nothing was missing, 1 a run could not be finished"""


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "finish", help="missing files of runs that were cut short", description="Finish runs from their recording.",
        epilog=EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("folder", type=Path, metavar="DIR", help="run folder, or a session folder with runs in it")
    add_json(parser)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.formats.xdf import XdfError
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.review.recover import FinishError, NothingRecorded, finish, is_unfinished
    from quietfloor.monitor.review.replay import ReplayError
    from quietfloor.monitor.session.session_store import SessionStore
    from quietfloor.monitor.sources.base import SourceError
    from quietfloor.monitor.storage.folder_lock import InUse
    from quietfloor.monitor.storage.run_folder import FolderError

    here = args.folder
    if not here.is_dir():
        return refuse(f"{here} is no folder: give a run folder, such as sessions/run-001, or that of a session", FAILED, args)
    single = (here / "raw.xdf").is_file()
    paths = [here] if single else [path for _, path in SessionStore(here).folders() if is_unfinished(path)]
    runs: list[dict[str, Any]] = []
    failed = 0
    for path in paths:
        if not single and path.is_symlink():
            complain(f"{path} is a link to another place: finish it there, by its own name")
            failed += 1
            runs.append({"folder": str(path), "made": [], "error": "a link to another place"})
            continue
        try:
            done = finish(path)
        except NothingRecorded as error:
            say(str(error), args)
            runs.append({"folder": str(path), "made": [], "error": str(error)})
            continue
        except (FinishError, FolderError, InUse, PlanError, ReplayError, SourceError, XdfError, OSError, ValueError) as error:
            said = str(error)
            if isinstance(error, OSError):
                why = f"{error.filename or 'its files'}: {error.strerror or error}"
                said = f"{path} cannot be finished ({why}): mend that, then do it again"
            complain(said)
            failed += 1
            runs.append({"folder": str(path), "made": [], "error": said})
            continue
        made = f"made {', '.join(done.made)}" if done.made else "nothing was missing"
        if done.made and done.record.get("identical_by") == "decisions":
            made += " (its looks came out again as the same decisions; figures differ in their last digits: another processor?)"
        say(f"{path}: {made}; {done.record['verdict']}, {done.record['reason']}", args)
        runs.append({"folder": str(path), "made": list(done.made), "record": done.record})
    if not paths:
        say(f"{here}: no run there was cut short", args)
    give_json({"runs": runs, "failed": failed}, args)
    return FAILED if failed else DONE
