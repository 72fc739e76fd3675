"""Steps before a run: the set-up panel in the window, or the acknowledgement of the cautions on the command line."""

from __future__ import annotations

import argparse
import datetime
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from quietfloor.monitor.display.run_view import WindowLink


def add_walk(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--no-setup", action="store_true", help="begin at once, without the set-up panel of the window")
    parser.add_argument(
        "--acknowledge", action="store_true", help="the cautions that `quietfloor check` prints were read: kept in run.json"
    )


@dataclass(frozen=True)
class Walked:
    """``begins``: whether a run follows. ``acknowledged``: of the cautions, for its run.json; ``check``: what was found, for its
    check.json. None without."""

    begins: bool
    acknowledged: dict[str, Any] | None = None
    check: dict[str, Any] | None = None


def walk_first(link: WindowLink | None, plan: Any, session: Path, args: argparse.Namespace) -> Walked:
    """The set-up before a run: the panel is shown if there is a window and a user who can answer."""
    from quietfloor.monitor.readiness.cautions import acknowledge
    from quietfloor.monitor.readiness.dose_words import own_cautions

    own = own_cautions(plan)
    now = datetime.datetime.now(datetime.UTC)
    by_word = acknowledge("--acknowledge", now, also=own).record() if args.acknowledge else None
    if link is None or link.unattended or args.no_setup:
        return Walked(True, by_word)
    from quietfloor.monitor.display.heard import heading_of
    from quietfloor.monitor.display.steps import SetupFlow
    from quietfloor.monitor.readiness.kept_check import check_record
    from quietfloor.monitor.readiness.listener import Check, Listener
    from quietfloor.monitor.session.session_store import keep_noise

    flow = SetupFlow(Listener(Check(plan, session)), acknowledged=args.acknowledge, heading=heading_of(plan))
    try:
        begins = link.prepare(flow)
        report = flow.decided or flow.report
        found = check_record(report, datetime.datetime.now(datetime.UTC), flow.record, flow.failure)
        keep_noise(session, report.noise_uv)
        link.talk.checked = report, time.monotonic()
    finally:
        flow.close()  # before the run opens stream and output for itself
    return Walked(begins, None if flow.record is None else flow.record.record(), found)
