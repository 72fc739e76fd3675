"""``quietfloor waves``: where the waves of a run are, moved by hand where need be; replicates, change with level."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, FAILED, add_json, give_json, refuse, say

if TYPE_CHECKING:
    from quietfloor.monitor.review.marked_run import Marked
    from quietfloor.monitor.waves.marks import Estimate, Marks
    from quietfloor.monitor.waves.norms import Norm, Norms

EXAMPLES = """examples:
  quietfloor waves sessions/s07/run-003                        waves I, III, V and the trough, with intervals
  quietfloor waves sessions/s07/run-003 --mark V=6.1 --remove I
  quietfloor waves sessions/s07/run-003 sessions/s07/run-004   same level: replicates; two levels: change of V with level
  quietfloor waves sessions/s08/run-001 --level 40 --ear left --mark V=7.9    one level of a search; without --level all of them

Waves are suggested until one is marked by hand; after that the marks are kept in marks.json of the run, and reports show them.
exit status: 0 done, 1 marks could not be kept, 2 bad arguments, or no average to mark"""


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "waves", help="find and mark the waves of a run", description="Mark the waves of one run, or compare several runs.",
        epilog=EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="folder of a run")
    parser.add_argument("--mark", action="append", default=[], type=_mark, metavar="WAVE=MS",
                        help="put a wave (I, III, V, trough) at this latency by hand; may be repeated")  # fmt: skip
    parser.add_argument("--remove", action="append", default=[], metavar="WAVE", help="take a wave away; may be repeated")
    parser.add_argument("--keep", action="store_true", help="keep the suggestions as they are")
    parser.add_argument("--again", action="store_true", help="suggest again, and ignore earlier marks")
    parser.add_argument("--level", type=float, metavar="DB", help="for a search: only this level in dB nHL")
    parser.add_argument("--ear", choices=("left", "right"), help="for a search: only this ear")
    parser.add_argument("--frequency", type=float, metavar="HZ", help="for a search: only this frequency")
    parser.add_argument("--norms", type=Path, metavar="FILE.toml",
                        help="published values of your own, in the form of monitor/waves/wave-norms.toml")  # fmt: skip
    add_json(parser)
    parser.set_defaults(do=main)


def _mark(text: str) -> tuple[str, float]:
    wave, _, ms = text.partition("=")
    try:
        return wave, float(ms)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: give a wave and its latency in ms, such as V=6.1") from None


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.review.marked_run import is_search, keep, read, read_levels
    from quietfloor.monitor.storage.run_folder import FolderError
    from quietfloor.monitor.waves.norms_file import load_norms
    from quietfloor.monitor.waves.peaks import placed, removed

    try:
        norms = load_norms(args.norms)
        if len({path.resolve() for path in args.runs}) < len(args.runs):
            raise ValueError("name each run once")
        choice = {"level_db": args.level, "ear": args.ear, "frequency_hz": args.frequency}
        runs, untold = [], []
        for path in args.runs:
            if is_search(path) or any(value is not None for value in choice.values()):
                levels, why = read_levels(path, norms, args.again, **choice)
                runs += levels
                untold += why
            else:
                runs.append(read(path, norms, args.again))
        if len(runs) > 1 and (args.mark or args.remove or args.keep or args.again):
            raise ValueError(
                "marks are changed in one run at a time: name only one" if len(args.runs) > 1 else
                "marks are changed at one level of a search at a time: add --level, and --ear or --frequency if several have it"
            )
        first = runs[0]
        marks, width = first.marks, first.where.width
        for wave in args.remove:
            if marks.get(wave) is None:
                raise ValueError(f"wave {wave} is not marked")
            marks = removed(marks, first.trace, wave, width)
        for wave, ms in args.mark:
            marks = placed(marks, first.trace, wave, ms, width)
        told = _together(runs, norms) if len(runs) > 1 else []
    except (ValueError, FolderError) as error:
        return refuse(error, BAD_ARGUMENTS, args)
    changed = bool(args.mark or args.remove or args.keep)
    if changed:
        try:
            kept_in = keep(first.folder, marks, first.cell)
        except OSError as error:
            return refuse(f"cannot keep marks in {first.folder.path} ({error.strerror or error})", FAILED, args)
    for run in runs:
        of_run = marks if run is first else run.marks
        say(run.title, args)
        for line in table(run, of_run, norms):
            say("  " + line, args)
    for line in (*told, *untold):
        say(line, args)
    if changed:
        say(f"kept in {kept_in}", args)
    kept = [marks if run is first else run.marks for run in runs]
    out = [{"run": str(run.folder.path)} | _cell(run) | own.record() for run, own in zip(runs, kept, strict=True)]
    give_json({"runs": out, "told": told}, args)
    return DONE


def _together(runs: list[Marked], norms: Norms) -> list[str]:
    """On several runs of one condition; of searches, which have several conditions, on each of these."""
    from quietfloor.monitor.review.marked_run import several
    from quietfloor.monitor.session.conditions import condition_of

    if all(run.cell is None for run in runs):
        return several(runs, norms)
    groups: dict[str, list[Marked]] = {}
    for run in runs:
        groups.setdefault(str(condition_of(run.sound)), []).append(run)
    return [f"{name}, {line}" for name, own in groups.items() if len(own) > 1 for line in several(own, norms)]


def _cell(run: Marked) -> dict[str, Any]:
    if run.cell is None:
        return {}
    sound = run.sound
    return {"cell": run.cell} | {key: sound[key] for key in ("ear", "route", "kind", "frequency_hz", "level_db_nhl")}


def table(run: Marked, marks: Marks, norms: Norms) -> list[str]:
    """Waves, intervals between them, and what is published, as lines."""
    from quietfloor.monitor.session.conditions import published_kind

    if not marks.marks:
        return ["no wave stands out of the noise"]
    lines = [f"{'':8}{'ms':>7}{'':3}{'95 %':18}{'nV':>6}{'':3}{'95 %':16}{'by':12}published"]
    kind = published_kind(run.sound)
    for mark in marks.marks:
        norm = norms.latency(
            mark.wave, kind, run.sound.get("level_db_nhl"), run.sound.get("age_group"),
            frequency_hz=run.sound.get("frequency_hz"), span_ms=run.sound.get("chirp_span_ms"),
        )  # fmt: skip
        size = mark.amplitude_nv
        lines.append(
            f"{mark.wave:8}{_columns(mark.latency_ms, 2, 18)}{_columns(size, 0, 16, 6)}{mark.by:12}{_published(norm)}".rstrip()
        )
        if mark.sure < 0.95:
            lines.append(f"{'':8}may be elsewhere (probability {1 - mark.sure:.2f}), most likely at {mark.rival_ms:.2f} ms")
    for name, interval in marks.intervals().items():
        first, second = name.split("-")
        unknown = kind is None or run.sound.get("level_db_nhl") is None
        norm = None if unknown else norms.interval(first, second, run.sound.get("age_group"))
        lines.append(f"{name:8}{_columns(interval, 2, 18)}{'':37}{_published(norm)}".rstrip())
    return [*lines, f"nV: {run.too_large}"] if run.too_large else lines


def _columns(one: Estimate, digits: int, width: int, first: int = 7) -> str:
    if not math.isfinite(one.value):
        return " " * (first + 3 + width)
    span = "not known" if not math.isfinite(one.low + one.high) else f"{one.low:.{digits}f} to {one.high:.{digits}f}"
    return f"{one.value:{first}.{digits}f}   {span:{width}}"


def _published(norm: Norm | None) -> str:
    if norm is None:
        return ""
    values = f"{norm.mean:.2f}" if not math.isfinite(norm.low) else f"{norm.low:.2f} to {norm.high:.2f}"
    return f"{values}: {norm.origin}"
