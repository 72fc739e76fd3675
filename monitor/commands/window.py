"""Runs a command with the window if there is a screen; otherwise, or on request, with text."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from quietfloor.monitor.commands.common import say

if TYPE_CHECKING:
    from quietfloor.monitor.display.run_view import WindowLink
    from quietfloor.monitor.run.opening import OpenRun

HELP = "text instead of the window"


def add_window(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--no-window", action="store_true", help=f"{HELP}; without a screen it is text anyway")


def with_window(args: argparse.Namespace, work: Callable[[WindowLink | None], int]) -> int:
    """Do ``work`` with a link to the window, or with None if the display is text; returns its exit status.

    With --json, or if Qt draws into memory, there is no user who could answer: the window closes when the work is done.
    """
    if args.no_window:
        return work(None)
    from quietfloor.monitor.display.screen import obstacle, unseen

    reason = obstacle()
    if reason:
        say(f"no window: {reason}. The display is text", args)
        return work(None)
    from quietfloor.monitor.display.app import perform

    return perform(work, unattended=args.json or unseen())


def show_live(link: WindowLink, open_with: Callable[..., OpenRun], session: Path) -> OpenRun:
    """Open a run by ``open_with`` (which gets the callbacks of a display) and show it in the window."""
    from quietfloor.monitor.display.feed import Feed
    from quietfloor.monitor.display.run_view import RunView, view_model

    feed = Feed()
    opened = open_with(optional=[feed.on_event], on_signal=feed.on_signal, on_status=feed.on_status)
    try:
        link.show(RunView(opened.run, view_model(feed, opened.plan, opened.title), session))
    except BaseException:
        opened.close()
        raise
    return opened
