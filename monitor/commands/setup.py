"""Steps before a run: the set-up panel in the window, or the acknowledgement of the cautions on the command line."""

from __future__ import annotations

import argparse
import datetime
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from quietfloor.monitor.display.run_view import WindowLink


def add_walk(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--no-setup", action="store_true", help="begin at once, without the set-up panel of the window")
    parser.add_argument(
        "--acknowledge", action="store_true", help="the cautions that `quietfloor check` prints were read: kept in run.json"
    )


def walk_first(link: WindowLink | None, plan: Any, session: Path, args: argparse.Namespace) -> tuple[bool, dict[str, Any] | None]:
    """Whether the run begins, and the acknowledgement of the cautions for run.json, None without.

    The panel is shown if there is a window and a user who can answer.
    """
    from quietfloor.monitor.readiness.cautions import acknowledge

    by_word = acknowledge("--acknowledge", datetime.datetime.now(datetime.UTC)).record() if args.acknowledge else None
    if link is None or link.unattended or args.no_setup:
        return True, by_word
    from quietfloor.monitor.display.steps import SetupFlow
    from quietfloor.monitor.readiness.listener import Check, Listener
    from quietfloor.monitor.session.session_store import keep_noise

    flow = SetupFlow(Listener(Check(plan, session)), acknowledged=args.acknowledge)
    try:
        begins = link.prepare(flow)
        keep_noise(session, flow.report.noise_uv)
        link.talk.checked = flow.report, time.monotonic()
    finally:
        flow.close()  # before the run opens stream and output for itself
    return begins, None if flow.record is None else flow.record.record()
