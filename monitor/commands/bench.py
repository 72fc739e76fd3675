"""``quietfloor rig``, ``timing`` and ``validate``: programs of the bench, each in a process of its own and with its own help."""

from __future__ import annotations

import argparse
from typing import Any

from quietfloor.monitor.commands.common import hand_over

PROGRAMS = {  # command -> module, what it is; its own help says more
    "rig": ("patient.rig", "virtual patient and amplifier"),
    "timing": ("timing_check.program", "measure the delay of sound and EEG by a loop; write a certificate"),
    "validate": ("validate.error_rate", "measure false alarms, power and duration of stopping rules"),
}

# of validate: programs of their own
OF_OPTION = {
    "--thresholds": "validate.threshold_methods", "--persons": "validate.persons", "--rates": "validate.rates",
}  # fmt: skip


def add(commands: Any) -> None:
    for name, (module, what) in PROGRAMS.items():
        # No argument is an option here: every one of them is handed on.
        parser = commands.add_parser(name, help=what, add_help=False, prefix_chars="\0")
        parser.add_argument("rest", nargs=argparse.REMAINDER)
        parser.set_defaults(do=main, module=module)


def main(args: argparse.Namespace) -> int:
    if args.command != "validate":
        return hand_over(f"quietfloor.bench.{args.module}", *args.rest)
    given = {word.partition("=")[0] for word in args.rest}
    module = next((of for option, of in OF_OPTION.items() if option in given), args.module)
    return hand_over(f"quietfloor.bench.{module}", *args.rest)
