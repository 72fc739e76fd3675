"""``quietfloor rig``: the virtual patient and amplifier, in a process of its own."""

from __future__ import annotations

import argparse
from typing import Any

from quietfloor.monitor.commands.common import hand_over


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "rig", help="virtual patient and amplifier", add_help=False,
        description="Start the virtual bench; its own help: quietfloor rig --help.",
        prefix_chars="\0",  # no argument is an option here: every one of them is handed on
    )  # fmt: skip
    parser.add_argument("rest", nargs=argparse.REMAINDER)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    return hand_over("quietfloor.bench.patient.rig", *args.rest)
