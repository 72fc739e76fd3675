"""Try hostile input: every file and every description that the program reads is damaged in many ways. Prints one table.

    python -m quietfloor.bench.devtools.fuzz
    python -m quietfloor.bench.devtools.fuzz --inputs 20000 --seed 2 --only plan,calibration
    python -m quietfloor.bench.devtools.fuzz --atheris --minutes 5 --only plan

An input must be accepted, or refused with a clear error, in bounded time and memory; anything else is a crash
(``quietfloor.bench.devtools.fuzz_target``). Inputs that crash are kept in a folder whose name is printed. With --atheris new
inputs are guided by the branches that earlier inputs took.

Exit status 0: no crash; 1: at least one; 2: nothing could be tried.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import importlib.util
import json
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from quietfloor.bench.devtools.fuzz_work import Tally, all_targets, fuzz

ATHERIS = "python -m pip install 'quietfloor[fuzz]' (on Linux), or leave --atheris out"
GUIDING = ("quietfloor.monitor", "quietfloor.stimuli", "quietfloor.bench.patient", "tomllib", "json")  # whose branches count


def text(tallies: Sequence[Tally]) -> str:
    """The table."""
    lines = [f"{'target':<24} {'inputs':>9} {'accepted':>9} {'refused':>9} {'crashes':>8} {'slowest, ms':>12} {'most, MB':>9}"]
    whole = Tally("all")
    for tally in tallies:
        for name in ("inputs", "accepted", "refused", "crashes"):
            setattr(whole, name, getattr(whole, name) + getattr(tally, name))
        whole.slowest_ms, whole.most_mb = max(whole.slowest_ms, tally.slowest_ms), max(whole.most_mb, tally.most_mb)
    for tally in (*tallies, whole):
        lines.append(
            f"{tally.target:<24} {tally.inputs:>9,} {tally.accepted:>9,} {tally.refused:>9,} {tally.crashes:>8,}"
            f" {tally.slowest_ms:>12.0f} {tally.most_mb:>9.0f}"
        )
        if tally is not whole:
            for place, count in tally.places.most_common(12):
                lines.append(f"    CRASH {count:>5} x {place}: {ascii(tally.words[place])[:300]}")
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.devtools.fuzz", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--inputs", type=int, metavar="N", help="inputs for each target (2000; with --minutes no limit)")
    parser.add_argument("--minutes", type=float, metavar="M", help="total time, shared by the targets")
    parser.add_argument("--seed", type=int, default=1, metavar="S")
    parser.add_argument("--only", metavar="NAME[,NAME...]", help="only these targets")
    parser.add_argument("--jobs", type=int, default=2, metavar="J", help="processes at once (2)")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="folder for inputs that crash (a new one)")
    parser.add_argument("--json", action="store_true", help="print the table as JSON")
    parser.add_argument("--atheris", action="store_true", help="guide new inputs by the branches that earlier ones took")
    args = parser.parse_args(arguments)
    if args.atheris and importlib.util.find_spec("atheris") is None:
        sys.stderr.write(f"atheris is not installed: {ATHERIS}\n")
        return 2
    with importlib.import_module("atheris").instrument_imports(GUIDING) if args.atheris else contextlib.nullcontext():
        targets = all_targets()
    names = list(targets) if args.only is None else args.only.split(",")
    if unknown := [name for name in names if name not in targets]:
        parser.error(f"no target is called {', '.join(unknown)}: there are {', '.join(targets)}")
    if args.jobs < 1 or (args.inputs or 1) < 1 or not 0 < (args.minutes or 1) < 1e5:
        parser.error("--jobs, --inputs and --minutes are more than 0")
    keep = args.keep or Path(tempfile.mkdtemp(prefix="quietfloor-fuzz-crashes-"))
    inputs, minutes = args.inputs or (2000 if args.minutes is None else 2**62), args.minutes or 1e5
    began_s = time.monotonic()
    tallies = fuzz([targets[name] for name in names], inputs, minutes, args.seed, args.jobs, keep, args.atheris)
    crashes = sum(tally.crashes for tally in tallies)
    if crashes == 0 and args.keep is None:
        keep.rmdir()
    if args.json:
        whole = {"targets": [asdict(tally) for tally in tallies], "crashes": crashes, "kept_in": str(keep) if crashes else None}
        sys.stdout.write(json.dumps(whole | {"seed": args.seed, "took_s": round(time.monotonic() - began_s, 1)}, indent=2) + "\n")
    else:
        sys.stdout.write(text(tallies) + "\n" + (f"inputs that crash are kept in {keep}\n" if crashes else ""))
    return 1 if crashes else 0


if __name__ == "__main__":
    sys.exit(main())
