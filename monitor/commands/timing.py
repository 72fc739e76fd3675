"""``quietfloor timing``: prove the timing of sound against EEG, in a process of its own."""

from __future__ import annotations

import argparse
import subprocess
import sys
from typing import Any


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "timing", help="sound against EEG by an electrical loop, with a certificate", add_help=False,
        description="Check the timing of sound against EEG; its own help: quietfloor timing --help.",
        prefix_chars="\0",  # no argument is an option here: every one of them is handed on
    )  # fmt: skip
    parser.add_argument("rest", nargs=argparse.REMAINDER)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    """Hand over to the bench; the monitor never imports it."""
    process = subprocess.Popen([sys.executable, "-P", "-m", "bench.timing", *args.rest])
    while True:
        try:
            return process.wait()
        except KeyboardInterrupt:
            continue  # the terminal has told the child too, which falls silent and ends
