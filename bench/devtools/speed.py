"""Measure speed in comparison with known programs. One command, one run; ratios are taken in alternating pairs.

    python -m quietfloor.bench.devtools.speed
    python -m quietfloor.bench.devtools.speed --quick --only engine,replay --out speed.json

Parts: engine (compared with real time, and with the mean of the same epochs by numpy), mne (the same averages by MNE-Python),
delay (push to decision, and LSL's own push to pull), lsl (a general library that cuts epochs from a live stream), replay,
display, start, memory, scaling. Prints a table; the file contains every figure, versions and machine. Throughputs and ratios use
processor time. Delays, and times for which a person waits, use the clock, and other programs disturb them. mne and lsl need: pip
install 'quietfloor[bench]'.

Exit status 0: every target met or its part skipped; 1: one missed, or a part failed; 2: bad arguments.
"""

from __future__ import annotations

import argparse
import datetime
import json
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from quietfloor.bench.devtools import speed_engine, speed_live, speed_offline, speed_program
from quietfloor.bench.devtools.speed_table import FULL, QUICK, Found, Row, Size, Skipped, machine, table

PARTS: dict[str, Callable[[Size], Found]] = {
    "engine": speed_engine.engine,
    "mne": speed_offline.against_mne,
    "delay": speed_live.delay,
    "lsl": speed_live.against_library,
    "replay": speed_program.replaying,
    "display": speed_program.display,
    "start": speed_program.starting,
    "memory": speed_program.memory,
    "scaling": speed_engine.scaling,
}


def measure(
    size: Size, names: Sequence[str], progress: Callable[[str], object] = lambda text: None
) -> tuple[list[Row], dict[str, Any]]:
    """Rows of the table, and everything for a file. A part that is skipped or fails says so in a row; the others go on."""
    rows: list[Row] = []
    record: dict[str, Any] = {
        "made": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "machine": machine(),
        "size": vars(size),
        "parts": {},
    }
    for name in names:
        progress(f"{name} ...")
        began_s = time.monotonic()
        try:
            found = PARTS[name](size)
        except Skipped as reason:
            found = Found([Row(name, f"skipped: {reason}")], {"skipped": str(reason)})
        except Exception as error:
            found = Found([Row(name, f"failed: {type(error).__name__}: {error}", "", False)], {"failed": str(error)})
        rows += found.rows
        told = [{"what": row.what.strip(), "target": row.target, "found": row.found, "met": row.met} for row in found.rows]
        record["parts"][name] = {"took_s": round(time.monotonic() - began_s, 1), "rows": told, **found.figures}
    return rows, record


def chosen(text: str) -> list[str]:
    names = [name.strip() for name in text.split(",") if name.strip()]
    if strange := [name for name in names if name not in PARTS]:
        raise argparse.ArgumentTypeError(f"{', '.join(strange)}: no such part; there are {', '.join(PARTS)}")
    return names


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.devtools.speed",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--quick", action="store_true", help="a shorter run of a few minutes; figures scatter more")
    parser.add_argument("--only", type=chosen, default=list(PARTS), metavar="NAME,...", help="only these parts")
    parser.add_argument("--out", type=Path, metavar="FILE.json", help="file for every figure, versions, machine")
    args = parser.parse_args(arguments)
    rows, record = measure(QUICK if args.quick else FULL, args.only, lambda text: sys.stderr.write(text + "\n"))
    at = record["machine"]
    versions = ", ".join(f"{name} {version}" for name, version in at["versions"].items() if version)
    sys.stdout.write(f"{table(rows)}\n\n{at['cpu']}, {at['cores']} cores, {at['system']}, Python {at['python']}\n{versions}\n")
    if args.out is not None:
        args.out.write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")
    return 1 if any(row.met is False for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
