"""``quietfloor timing``: prove the timing of sound against EEG, in a process of its own."""

from __future__ import annotations

import argparse
from typing import Any

from quietfloor.monitor.commands.common import hand_over


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "timing", help="measure the delay of sound and EEG by a loop; write a certificate", add_help=False,
        description="Check the timing of sound against EEG; its own help: quietfloor timing --help.",
        prefix_chars="\0",  # no argument is an option here: every one of them is handed on
    )  # fmt: skip
    parser.add_argument("rest", nargs=argparse.REMAINDER)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    return hand_over("quietfloor.bench.timing_check.program", *args.rest)
