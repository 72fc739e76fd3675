"""``quietfloor report``: write the results and methods of a session as HTML, PDF and JSON."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, FAILED, add_json, give_json, refuse, say
from quietfloor.monitor.untrusted.safe_paths import new_draft

if TYPE_CHECKING:
    from quietfloor.monitor.report.parts import Report

NAME = "report"
EXAMPLES = """examples:
  quietfloor report sessions/s07                                   report.html, report.pdf, report.json in that folder
  quietfloor report sessions/s07 --marks                           waves are suggested where nobody marked any
  quietfloor report sessions/s07 --table stapells-1995 --out out   with hearing levels estimated by that table

Any folder of runs can be reported. A report does not change the runs; it replaces the files of an earlier report. The same runs
give the same bytes.
exit status: 0 done, 1 could not be written, 2 bad arguments, or nothing to report on"""


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "report", help="what a session found and how, as HTML, PDF and JSON",
        description="A report of a session, or of any folder of runs.",
        epilog=EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("session", type=Path, metavar="SESSION", help="folder of a session, or of runs")
    parser.add_argument("--table", action="append", default=[], metavar="NAME", help="table of hearing levels to estimate by, "
                        "may be repeated (those of the session's plan, else none)")  # fmt: skip
    parser.add_argument("--tables", type=Path, metavar="FILE.toml", help="tables of your own beside those that are shipped")
    parser.add_argument("--marks", action="store_true", help="suggest waves I, III, V and the trough where nobody marked any")
    parser.add_argument("--out", type=Path, metavar="DIR", help="where to write (the session folder)")
    add_json(parser)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.hearing.tables import HearingError
    from quietfloor.monitor.plan.run_plan import PlanError
    from quietfloor.monitor.report.material import ReportError
    from quietfloor.monitor.report.record import report_record
    from quietfloor.monitor.session.session_store import SessionError
    from quietfloor.monitor.storage.run_folder import FolderError
    from quietfloor.monitor.waves.norms_file import NormError

    folder = args.out or args.session
    try:
        report, files = write_report(args.session, args.table, args.tables, args.marks, folder)
    except (ReportError, SessionError, FolderError, PlanError, HearingError, NormError) as error:
        return refuse(error, BAD_ARGUMENTS, args)
    except OSError as error:
        return refuse(f"cannot write the report into {folder} ({error.strerror or error}): choose another --out", FAILED, args)
    for text in report.material.left_out:
        say(f"not in the report: {text}", args)
    for path in files:
        say(f"written {path}", args)
    give_json(report_record(report) | {"files": {path.suffix[1:]: str(path) for path in files}}, args)
    return DONE


def write_report(
    session: Path, tables: Sequence[str] = (), own: Path | None = None, marks: bool = False, out: Path | None = None
) -> tuple[Report, tuple[Path, ...]]:
    """Write the report of a folder into ``out`` (the folder itself); the report and its files. Each replaces an earlier one as a
    whole. Raises OSError, and what reading and making the report raises."""
    from quietfloor.monitor.report.html import report_html
    from quietfloor.monitor.report.make import make_report
    from quietfloor.monitor.report.material import read_material
    from quietfloor.monitor.report.pdf import report_pdf
    from quietfloor.monitor.report.record import report_text

    report = make_report(read_material(session, list(tables), own), marks)
    folder = out or session
    files = {
        f"{NAME}.html": report_html(report).encode(),
        f"{NAME}.pdf": report_pdf(report),
        f"{NAME}.json": report_text(report).encode(),
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        _replace(folder / name, content)
    return report, tuple(folder / name for name in files)


def _replace(path: Path, content: bytes) -> None:
    """Replace a file in one step: a reader finds the old file or the new one, never a part."""
    draft = new_draft(path)
    with open(draft, "xb") as file:
        file.write(content)
    os.replace(draft, path)
