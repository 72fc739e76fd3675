"""``quietfloor`` alone: the start page, and then what was chosen there, until the page is closed; help where there is no
screen."""

from __future__ import annotations

import argparse
import contextlib
import os
import shlex
import sys
from collections.abc import Iterator
from typing import Any

from quietfloor.monitor.commands.common import DONE, FAILED, complain

MOST_KEPT = 20_000  # own choice: characters of what a command printed, the last ones; some hundred lines


class _Kept:
    """A stream that keeps what is written to it."""

    def __init__(self, stream: Any) -> None:
        self._stream, self.text = stream, ""

    def write(self, text: str) -> int:
        self.text = (self.text + text)[-MOST_KEPT:]
        return int(self._stream.write(text))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def main(parser: argparse.ArgumentParser, args: argparse.Namespace) -> int:
    """Page after page until it is closed. A command that was chosen runs in this process as if it had been typed."""
    from quietfloor.monitor.display.screen import obstacle, unseen

    if unseen() or obstacle():
        parser.print_help()
        return DONE
    from quietfloor.monitor.display.start import choose
    from quietfloor.monitor.display.start_home import Outcome

    outcome = None
    while arguments := choose(outcome):
        with _kept() as (out, err):
            status = perform(parser, arguments)
        outcome = Outcome(arguments, status, out.text, err.text)
    return DONE


def perform(parser: argparse.ArgumentParser, arguments: tuple[str, ...]) -> int:
    """Run a command of the page; returns its exit status."""
    try:
        chosen = parser.parse_args(arguments)
        return int(chosen.do(chosen))
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else FAILED
    except KeyboardInterrupt:
        complain("interrupted")
        return FAILED
    except Exception as error:  # the page stays, whatever a command did
        complain(
            f"`{shlex.join(('quietfloor', *arguments))}` met an error that it does not know ({type(error).__name__}: {error}). "
            "What was recorded before is kept. Try it once more; `quietfloor doctor` finds what is missing on this computer. If "
            "it fails again, type the command in a terminal: it shows where"
        )
        return FAILED


@contextlib.contextmanager
def _kept() -> Iterator[tuple[_Kept, _Kept]]:
    """Keep what is printed, and let nobody be asked in a terminal: the person is at the window."""
    before = sys.stdin, sys.stdout, sys.stderr
    out, err = _Kept(sys.stdout), _Kept(sys.stderr)
    with open(os.devnull, encoding="utf-8") as nothing:
        sys.stdin, sys.stdout, sys.stderr = nothing, out, err  # type: ignore[assignment]
        try:
            yield out, err
        finally:
            sys.stdin, sys.stdout, sys.stderr = before
