"""The program ``quietfloor``: one command a job. Nothing heavy is imported before a command is chosen."""

from __future__ import annotations

import argparse
import importlib.metadata
import os
import sys
from collections.abc import Sequence
from functools import partial

from quietfloor.monitor.commands import (
    bench,
    calibrate,
    check,
    demo,
    dose,
    export,
    finish,
    import_recording,
    replay,
    report,
    run,
    session,
    start,
    stimulus,
    streams,
    waves,
)
from quietfloor.monitor.commands.common import DONE, FAILED, complain, printing, set_up_logging

EPILOG = """typical order:
  quietfloor                            the start page: everything below by choosing, where there is a screen
  quietfloor doctor                     is everything installed?
  quietfloor demo                       the whole loop on a virtual patient, no hardware
  quietfloor stimulus                   measure and draw a sound before it is played
  quietfloor streams                    which LSL streams are there, and which can a run use?
  quietfloor dose                       how long may an ear hear a sound in a day? seals dose policies
  quietfloor outputs                    which sound cards are there, and which can a run use?
  quietfloor check plan.toml            stream, electrodes, trigger, sound: is everything ready?
  quietfloor run plan.toml              a live run
  quietfloor session session.toml       find thresholds, run after run
  quietfloor waves RUN                  find and mark the waves of a run
  quietfloor finish sessions/s07        make the missing files of killed runs from their recordings
  quietfloor report sessions/s07        write the results of a session as HTML, PDF and JSON
  quietfloor export RUN --to bdf --out files   write files for other programs: BDF, EDF, BIDS, XDF, CSV
  quietfloor import FILE --out DIR      make a run from a recording of another program

Not a medical device. Sound can harm hearing; isolate before a person is connected; follow local codes and licensed practice."""


PRINTED = ("doctor", "streams", "outputs", "check", "waves", "replay", "stimulus")  # their result is what they print


def parser() -> argparse.ArgumentParser:
    program = argparse.ArgumentParser(
        prog="quietfloor",
        description="Auditory brainstem responses on open hardware: play, average, and decide with an error rate that holds "
        "at every look.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    program.add_argument("--version", action="version", version=f"quietfloor {importlib.metadata.version('quietfloor')}")
    commands = program.add_subparsers(title="commands", dest="command", metavar="COMMAND")
    program.set_defaults(do=partial(start.main, program))
    for group in (
        demo, streams, check, run, session, waves, report, replay, finish, export, import_recording, stimulus, dose, calibrate,
        bench,
    ):  # fmt: skip
        group.add(commands)
    commands.choices["run"].set_defaults(as_session=session.followed)  # of a plan of a session, with --auto
    return program


# The matrices here are small: threads of the mathematics library would only fight for the same cores. Read when numpy is loaded.
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def main(arguments: Sequence[str] | None = None) -> int:
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    with printing() as something_lost:
        args = parser().parse_args(arguments)
        set_up_logging()
        try:
            status = int(args.do(args))
        except KeyboardInterrupt:
            complain("interrupted")
            return FAILED
    return FAILED if status == DONE and something_lost() and args.command in PRINTED else status


if __name__ == "__main__":
    sys.exit(main())
