"""The program ``quietfloor``: one command a job. Nothing heavy is imported before a command is chosen."""

from __future__ import annotations

import argparse
import importlib.metadata
import sys
from collections.abc import Sequence

from quietfloor.monitor.commands import (
    bench,
    calibrate,
    check,
    demo,
    export,
    finish,
    import_recording,
    replay,
    report,
    run,
    session,
    stimulus,
    streams,
    waves,
)
from quietfloor.monitor.commands.common import DONE, FAILED, complain, printing, set_up_logging

EPILOG = """typical order:
  quietfloor doctor                     is everything installed?
  quietfloor demo                       the whole loop on a virtual patient, no hardware
  quietfloor stimulus                   a sound measured and drawn, before it is played
  quietfloor streams                    which LSL streams are there, and can they do this job?
  quietfloor outputs                    which sound cards are there, and can they do this job?
  quietfloor check plan.toml            stream, electrodes, trigger, sound: is everything ready?
  quietfloor run plan.toml              a live run
  quietfloor session session.toml       run after run, until thresholds are found
  quietfloor waves RUN                  where the waves of a run are
  quietfloor finish sessions/s07        what a run that was killed left undone, from its recording
  quietfloor report sessions/s07        what a session found and how, as HTML, PDF and JSON
  quietfloor export RUN --to bdf --out files   for other programs: BDF, EDF, BIDS, XDF, CSV
  quietfloor import FILE --out DIR      a recording of another system as a run

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
    commands = program.add_subparsers(title="commands", dest="command", required=True, metavar="COMMAND")
    for group in (
        demo, streams, check, run, session, waves, report, replay, finish, export, import_recording, stimulus, calibrate, bench,
    ):  # fmt: skip
        group.add(commands)
    commands.choices["run"].set_defaults(as_session=session.followed)  # of a plan of a session, with --auto
    return program


def main(arguments: Sequence[str] | None = None) -> int:
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
