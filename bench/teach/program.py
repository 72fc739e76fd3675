"""A lesson about averaging and deciding, on a virtual patient: in a window, or as text.

    python -m quietfloor.bench.teach.program                 the window
    python -m quietfloor.bench.teach.program --no-window     a walk through the lesson, with its numbers computed here and now

Exit status: 0 done, 1 it could not be done, 2 an argument cannot be used.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from quietfloor.bench.teach.classroom import Classroom
from quietfloor.bench.teach.lesson import SECTIONS, SEED

SHEET = Path(__file__).with_name("lesson.md")


def walk(seed: int) -> None:
    """Every table of the lesson with the words around it, computed anew."""
    for line in sheet_parts(SHEET.read_text(encoding="utf-8")):
        if line.startswith("@"):
            table = SECTIONS[line[1:]](seed)
            sys.stdout.write(f"{table.title} (seed {seed}, computed now)\n\n{table.plain}\n\n")
        else:
            sys.stdout.write(line + "\n")
        sys.stdout.flush()


def sheet_parts(text: str) -> list[str]:
    """The lines of a sheet, each table between its marks replaced by ``@name``."""
    parts, inside = [], False
    for line in text.splitlines():
        if line.startswith("<!-- end"):
            inside = False
        elif line.startswith("<!-- table "):
            parts.append("@" + line.split()[2])
            inside = True
        elif not inside:
            parts.append(line)
    return parts


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.teach.program", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--no-window", action="store_true", help="text instead of the window; without a screen it is text anyway")
    parser.add_argument("--seed", type=int, default=SEED, metavar="N", help=f"seed of everything ({SEED}, that of the sheet)")
    args = parser.parse_args(arguments)
    if args.seed < 0:
        parser.error(f"--seed {args.seed}: give 0 or more")
    reason = ""
    if not args.no_window:
        from quietfloor.monitor.display.screen import obstacle

        reason = obstacle()
    if args.no_window or reason:
        if reason:
            sys.stderr.write(f"no window: {reason}. The lesson is text\n")
        try:
            walk(args.seed)
        except BrokenPipeError:  # whoever read it has seen enough
            with contextlib.suppress(OSError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    from quietfloor.bench.teach.window import open_lesson

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_DFL)  # Qt would not let Python hear it
    return open_lesson(Classroom(seed=args.seed))


if __name__ == "__main__":
    sys.exit(main())
