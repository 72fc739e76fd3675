"""Common parts of the commands: shared options, exit statuses, and printing."""

from __future__ import annotations

import argparse
import contextlib
import json
import logging
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TextIO, cast

from quietfloor.monitor.untrusted.safe_text import harmless

DONE, FAILED, BAD_ARGUMENTS, FAULT = 0, 1, 2, 3

DEFAULT_SESSION = Path("sessions")


def pair(text: str) -> tuple[float, float]:
    """``LOW,HIGH`` as two numbers."""
    try:
        low, high = (float(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: give two numbers with a comma, such as 100,1500") from None
    return low, high


def names(text: str) -> list[str]:
    """``A,B`` as a list of channel names."""
    found = [part.strip() for part in text.split(",")]
    if not all(found):
        raise argparse.ArgumentTypeError(f"{text!r}: give channel labels or numbers with commas between them, such as Cz or 1,2")
    return found


def add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output at the end")


def add_decisions(parser: argparse.ArgumentParser) -> None:
    """Add the options whose values replace those of a plan."""
    group = parser.add_argument_group("settings (each replaces that of the plan)")
    group.add_argument("--rule", metavar="RULE", help="rule that may find a response, such as evidence or fsp:pocock (evidence)")
    group.add_argument("--alpha", type=float, metavar="A", help="false-alarm rate of the whole run, all looks together (0.01)")
    group.add_argument("--floor-nv", type=float, metavar="NV", help="residual noise at which a missing response is believed (15)")
    group.add_argument("--quiet-nv", type=float, metavar="NV", help="after a response is found, average on to this noise")
    group.add_argument(
        "--absent-below-nv", type=float, metavar="NV",
        help="also end once no response is larger than this, peak to trough (true in 95 of 100 runs)",
    )
    group.add_argument("--max-sweeps", type=int, metavar="N", help="largest number of sweeps; then the run ends undecided (6144)")
    group.add_argument("--band", type=pair, metavar="LOW,HIGH", help="pass band in Hz (100,1500)")
    group.add_argument("--window", type=pair, metavar="START,STOP", help="response window in ms (5,17)")


def decision_changes(args: argparse.Namespace) -> dict[str, dict[str, Any]]:
    return {
        "decision": {
            "rule": args.rule, "alpha": args.alpha, "floor_nv": args.floor_nv, "max_sweeps": args.max_sweeps,
            "quiet_nv": args.quiet_nv, "absent_below_nv": args.absent_below_nv,
        },
        "analysis": {"band_hz": args.band, "window_ms": args.window},
    }


class _Printed:
    """Standard output or error that never fails, because a closed pipe or a full disk is no reason to end a run.

    After the first failure all output is discarded, including that of C libraries.
    """

    def __init__(self, stream: TextIO, tell: Callable[[str], object] = lambda text: None, closed: bool = False) -> None:
        self._stream, self._tell, self._closed = stream, tell, closed
        self.lost = False

    def write(self, text: str) -> int:
        if self._closed:
            self._lose("it is closed")
        try:
            self._stream.write(text)
        except OSError as error:
            self._lose(error.strerror or str(error))
        return len(text)

    def flush(self) -> None:
        try:
            self._stream.flush()
        except OSError as error:
            self._lose(error.strerror or str(error))

    def _lose(self, reason: str) -> None:
        with contextlib.suppress(OSError), open(os.devnull, "w") as nowhere:
            os.dup2(nowhere.fileno(), self._stream.fileno())
        if not self.lost:
            self.lost = True
            self._tell(f"cannot print to standard output ({reason}): nothing more is printed there, and the work goes on")

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextlib.contextmanager
def printing() -> Iterator[Callable[[], bool]]:
    """Make printing fail-safe while the context lasts; the first loss on standard output is reported on standard error. Yields a
    function that tells whether output was lost."""
    for number in range(3):  # a file that is opened next, a recording for instance, must not get the number of a closed one
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    before = sys.stdin, sys.stdout, sys.stderr
    with open(os.devnull, "r+") as nowhere:
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="backslashreplace")  # letters that a terminal has not
        out = _Printed(sys.stdout or nowhere, complain, sys.stdout is None)
        sys.stdin, sys.stdout, sys.stderr = sys.stdin or nowhere, cast(TextIO, out), cast(TextIO, _Printed(sys.stderr or nowhere))
        try:
            yield lambda: out.lost
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            sys.stdin, sys.stdout, sys.stderr = before


def say(text: str, args: argparse.Namespace) -> None:
    """Print a line for the user: on standard output, or on standard error if standard output is for JSON."""
    stream = sys.stderr if getattr(args, "json", False) else sys.stdout
    stream.write(harmless(text) + "\n")
    stream.flush()


def give_json(content: Any, args: argparse.Namespace) -> None:
    if getattr(args, "json", False):
        from quietfloor.monitor.storage.run_folder import jsonable

        sys.stdout.write(json.dumps(jsonable(content)) + "\n")  # ASCII: a terminal obeys none of it
        sys.stdout.flush()


def complain(text: str) -> None:
    sys.stderr.write(harmless(f"quietfloor: {text}\n"))
    sys.stderr.flush()


def refuse(reason: object, status: int, args: argparse.Namespace) -> int:
    """Print why a command cannot do its work, on standard error and, if requested, as its JSON object; returns the exit
    status."""
    complain(str(reason))
    give_json({"error": str(reason), "exit_status": status}, args)
    return status


class _CurrentStderr(logging.StreamHandler):
    """Writes to the present standard error: a live view replaces it to keep its own lines together."""

    def format(self, record: logging.LogRecord) -> str:
        return harmless(super().format(record))

    def emit(self, record: logging.LogRecord) -> None:
        self.setStream(sys.stderr)
        super().emit(record)


def set_up_logging() -> None:
    logging.basicConfig(handlers=[_CurrentStderr()], level=logging.WARNING, format="quietfloor: %(message)s")


@contextlib.contextmanager
def stop_on_signals(
    stop: Callable[[], object], names: tuple[str, ...] = ("SIGINT", "SIGTERM", "SIGHUP")
) -> Iterator[None]:
    """Call ``stop`` on Ctrl-C, a request to terminate, or a closed terminal, while the context lasts, so that a run ends with
    complete files. A signal that this program was started to ignore, for instance by nohup, stays ignored."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    known = [getattr(signal, name) for name in names if hasattr(signal, name)]
    known = [number for number in known if signal.getsignal(number) is not signal.SIG_IGN]
    before = {number: signal.signal(number, lambda *_: stop()) for number in known}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def hand_over(module: str, *arguments: str) -> int:
    """Run a module of the bench in a separate process, because the monitor never imports the bench; returns its exit status. A
    signal that ends this program is passed on to that process, which would otherwise go on, sound included; Ctrl-C reaches it
    from the terminal."""
    process = subprocess.Popen([sys.executable, "-P", "-m", module, *arguments])
    with stop_on_signals(process.terminate, ("SIGTERM", "SIGHUP")):
        while True:
            try:
                return process.wait()
            except KeyboardInterrupt:
                continue
