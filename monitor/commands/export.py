"""``quietfloor export``: runs as files for other programs."""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Callable, Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, FAILED, add_json, give_json, refuse, say

if TYPE_CHECKING:
    from quietfloor.monitor.export.edf import Kind, Written
    from quietfloor.monitor.export.material import Material

EXAMPLES = """examples:
  quietfloor export sessions/s07/run-001 --to bdf --out files          files/s07-run-001.bdf
  quietfloor export sessions/s07/run-* --to bids --out our-dataset     a new data set of all runs of a session
  quietfloor export sessions/s07/run-001 --to csv --out files          samples, averages and events as tables

An export does not change the run and overwrites nothing. docs/export.md says what each form keeps and what it does not keep.
exit status: 0 done, 1 could not be written, 2 bad arguments, or a run that this form cannot hold"""
FORMS = {
    "bdf": "BDF+, 24 bits: EEG in uV, onsets and gaps as annotations",
    "edf": "EDF+, 16 bits: only for runs that lose nothing by it",
    "bids": "a BIDS-EEG data set with BDF files",
    "xdf": "the recording as it is, byte for byte",
    "csv": "samples, averages and events as tables",
}


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "export", help="runs as BDF, EDF, BIDS, XDF or CSV", description="Write runs as files for other programs.",
        epilog=EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="run folders, such as sessions/s07/run-001")
    parser.add_argument("--to", required=True, choices=FORMS, help="; ".join(f"{name}: {what}" for name, what in FORMS.items()))
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder of the files; bids: the new data set")
    add_json(parser)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    from quietfloor.monitor.export.material import ExportError
    from quietfloor.monitor.formats.xdf import XdfError

    made: list[dict[str, Any]] = []
    try:
        if args.to == "bids":
            made = _bids(args)
        else:
            for run in args.runs:
                made += ONE_RUN[args.to](run, args)
    except (ExportError, XdfError) as error:
        for one in made:
            say(f"written {one['file']}", args)
        return refuse(error, BAD_ARGUMENTS, args)
    except OSError as error:
        return refuse(f"cannot export into {args.out} ({error.strerror or error}): choose another --out", FAILED, args)
    for one in made:
        say(f"written {one['file']}", args)
        for caution in one.get("cautions", ()):
            say(f"  {caution}", args)
    give_json({"to": args.to, "files": made}, args)
    return DONE


def write_runs(form: str, runs: Iterable[Path], out: Path) -> tuple[list[str], list[str]]:
    """Write runs into files of a form of one run, as the command does; the files, and why a run could not be written. A run that
    cannot be written does not keep the others from it."""
    from quietfloor.monitor.export.material import ExportError
    from quietfloor.monitor.formats.xdf import XdfError

    made, refused = [], []
    for run in runs:
        try:
            made += [one["file"] for one in ONE_RUN[form](run, argparse.Namespace(out=out))]
        except (ExportError, XdfError, OSError) as error:
            refused.append(f"{run.name} ({error})")
    return made, refused


def _samples(kind: Kind) -> Callable[[Path, argparse.Namespace], list[dict[str, Any]]]:
    def write(run: Path, args: argparse.Namespace) -> list[dict[str, Any]]:
        from quietfloor.monitor.export.edf import write_edf
        from quietfloor.monitor.export.material import read_material
        from quietfloor.monitor.export.writing import new_file, refuse_existing

        material = read_material(run)
        path = args.out / f"{material.name}.{kind}"
        refuse_existing(path)
        with new_file(path) as file:
            written = write_edf(material, file, kind)
        return [_told(path, material, written)]

    return write


def _bids(args: argparse.Namespace) -> list[dict[str, Any]]:
    from quietfloor.monitor.export.bids import write_bids
    from quietfloor.monitor.export.material import read_material
    from quietfloor.monitor.export.writing import refuse_existing

    refuse_existing(args.out)
    materials = [read_material(run) for run in args.runs]
    made = [_told(path, material, written) for material, path, written in write_bids(materials, args.out)]
    for told, material in zip(made, materials, strict=True):
        if material.subject is None:
            told["cautions"].append("no session says whose ears these are: the subject is called unknown")
    return made


def _tables(run: Path, args: argparse.Namespace) -> list[dict[str, Any]]:
    from quietfloor.monitor.export.material import ExportError, read_material
    from quietfloor.monitor.export.tables import averages_csv, events_csv, raw_csv
    from quietfloor.monitor.export.writing import new_file, refuse_existing

    material = read_material(run)
    paths = [args.out / f"{material.name}-{what}.csv" for what in ("samples", "averages", "events")]
    for path in paths:
        refuse_existing(path)
    with new_file(paths[0]) as file:
        for piece in raw_csv(material):
            file.write(piece)
    made = [{"file": str(paths[0]), "cautions": list(material.cautions)}]
    for path, table in zip(paths[1:], (averages_csv, events_csv), strict=True):
        try:
            content = table(material)
        except ExportError as error:  # said among the cautions
            made[0]["cautions"] = [*made[0]["cautions"], str(error)]
            continue
        with new_file(path) as file:
            file.write(content)
        made.append({"file": str(path)})
    return made


def _as_recorded(run: Path, args: argparse.Namespace) -> list[dict[str, Any]]:
    from quietfloor.monitor.export.material import ExportError
    from quietfloor.monitor.export.writing import new_file
    from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
    from quietfloor.monitor.untrusted.bounded_io import open_file
    from quietfloor.monitor.untrusted.safe_paths import file_name

    try:
        folder = RunFolder.open(run)
    except FolderError as error:
        raise ExportError(str(error)) from error
    whole = folder.path.resolve()
    path = args.out / f"{file_name(whole.parent.name)}-{file_name(whole.name)}.xdf"
    with open_file(folder.raw) as raw, new_file(path) as file:
        shutil.copyfileobj(raw, file, 1 << 20)
    return [{"file": str(path)}]


def _told(path: Path, material: Material, written: Written) -> dict[str, Any]:
    cautions = list(material.cautions)
    if written.filled_samples:
        cautions.append(f"{written.filled_samples} samples stand for lost ones; they are annotated")
    if written.padding_samples:
        cautions.append(f"the last record ends with {written.padding_samples} samples of padding; they are annotated")
    return {"file": str(path), "cautions": cautions, **asdict(written)}


ONE_RUN: dict[str, Callable[[Path, argparse.Namespace], list[dict[str, Any]]]] = {
    "bdf": _samples("bdf"),
    "edf": _samples("edf"),
    "csv": _tables,
    "xdf": _as_recorded,
}
