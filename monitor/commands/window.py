"""A command with the window, where there is a screen; else, or where it was asked for, the same command with text."""

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
    """The exit status of ``work``, which gets a link to the window, or None where the display is text.

    With --json, or where Qt was told to draw into memory, nobody is there to answer: the window closes when the work is done.
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
    """Open a run by ``open_with`` (it gets what a display listens with) and show it in the window."""
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
