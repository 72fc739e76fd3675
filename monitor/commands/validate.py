"""``quietfloor validate``: prove the error rate of a rule, in a process of its own."""

from __future__ import annotations

import argparse
import os
from typing import Any

from quietfloor.monitor.commands.common import hand_over

# Work is spread over processes; threads of the mathematics library inside each would only fight for the same cores.
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


def add(commands: Any) -> None:
    parser = commands.add_parser(
        "validate", help="measure false alarms, power and duration of stopping rules", add_help=False,
        description="Validate stopping rules; its own help: quietfloor validate --help.",
        prefix_chars="\0",  # no argument is an option here: every one of them is handed on
    )  # fmt: skip
    parser.add_argument("rest", nargs=argparse.REMAINDER)
    parser.set_defaults(do=main)


def main(args: argparse.Namespace) -> int:
    thresholds = any(word.partition("=")[0] == "--thresholds" for word in args.rest)
    return hand_over(
        "quietfloor.bench.validate.threshold_methods" if thresholds else "quietfloor.bench.validate.error_rate",
        *args.rest,
        env=ONE_THREAD | os.environ,
    )
