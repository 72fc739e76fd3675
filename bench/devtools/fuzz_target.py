"""What is fuzzed, and what one input did: accepted, refused in clear words, or a crash.

A target hands bytes to the program as a user would: it writes them to a file in a scratch folder and calls the loader. An answer
is a crash when it is

- an exception that is no answer to a user (``Target.refusals`` are), RecursionError and MemoryError among them;
- more than 2 s of CPU time, or more than 256 MB on top of what the process had;
- a file written, made, moved or removed outside of the scratch folder, a process started, a socket, code out of a pickle;
- a refusal that is empty, longer than 2,000 characters, or has control characters in it, which a terminal would obey.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import sys
import threading
import time
import traceback
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

try:
    import resource
except ImportError:  # Windows
    resource = None  # type: ignore[assignment]

MOST_CPU_S, MOST_MB, LONGEST_MESSAGE = 2.0, 256.0, 2000  # own choice
_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
_CHANGES = {"os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.link", "os.symlink", "os.truncate", "os.chmod", "os.chown",
            "os.utime", "shutil.move", "shutil.rmtree", "shutil.copyfile"}  # fmt: skip
_TO = {"os.link", "os.symlink", "shutil.copyfile"}  # only the second path is changed
_BELOW = {"os.rename", "os.remove", "os.rmdir"}  # their last arguments are folders that paths count from
_NEVER = {"subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "os.fork", "socket.connect", "socket.bind",
          "pickle.find_class"}  # fmt: skip
_OBEYED = ("Cc", "Cf", "Cs", "Zl", "Zp")  # Unicode categories: control, format (bidirectional), surrogates, line ends
_PACKAGES = tuple(os.sep + name + os.sep for name in ("monitor", "stimuli", "bench"))


@dataclass(frozen=True)
class Target:
    """``seeds`` gives valid examples, made in a folder that is empty. ``carry`` hands bytes to the program in a folder that may
    hold what earlier calls left. ``refusals`` are the clear answers, ``dictionary`` words that mean something in the format."""

    name: str
    seeds: Callable[[Path], Sequence[bytes]]
    carry: Callable[[bytes, Path], None]
    refusals: tuple[type[Exception], ...]
    dictionary: Sequence[bytes] = ()


@dataclass(frozen=True)
class Outcome:
    """``where`` names the place of a crash, so that the same one is counted once as a kind."""

    kind: Literal["accepted", "refused", "crash"]
    words: str = ""
    where: str = ""
    cpu_ms: float = 0.0
    peak_mb: float = 0.0  # on top of what the process had; 0 where no earlier peak was passed


def try_one(target: Target, data: bytes, scratch: Path) -> Outcome:
    """Raises nothing but KeyboardInterrupt."""
    kind: Literal["accepted", "refused", "crash"] = "accepted"
    words = where = ""
    before_mb, peak_before_mb = _resident_mb(), _peak_mb()
    began_s = time.thread_time()
    with _watched(scratch) as forbidden:
        try:
            target.carry(data, scratch)
        except target.refusals as error:
            kind, words = "refused", str(error)
        except (Exception, SystemExit) as error:
            kind, words, where = "crash", f"{type(error).__name__}: {error}"[:LONGEST_MESSAGE], _place(error)
    cpu_ms = 1e3 * (time.thread_time() - began_s)
    peak_mb = max(_peak_mb() - before_mb, 0.0) if _peak_mb() > peak_before_mb else 0.0
    if kind != "crash" and (wrong := _wrong(kind, words, cpu_ms, peak_mb, forbidden)):
        kind, words, where = "crash", f"{wrong}: {words[:200]!r}" if words else wrong, wrong.split(" (")[0]
    return Outcome(kind, words, where, cpu_ms, peak_mb)


def unclear(message: str) -> str:
    """What is wrong with the text of an error; "" where nothing is."""
    if not message.strip():
        return "a refusal without words"
    if len(message) > LONGEST_MESSAGE:
        return f"a refusal that is too long ({len(message)} characters)"
    for character in message:
        if character not in "\n\t" and unicodedata.category(character) in _OBEYED:
            return f"a refusal with control characters (U+{ord(character):04X})"
    return ""


def _wrong(kind: str, words: str, cpu_ms: float, peak_mb: float, forbidden: list[str]) -> str:
    if forbidden:
        return f"outside of its folder ({forbidden[0][:200]!r})"
    if cpu_ms > 1e3 * MOST_CPU_S:
        return f"too slow ({cpu_ms:.0f} ms)"
    if peak_mb > MOST_MB:
        return f"too much memory ({peak_mb:.0f} MB)"
    return unclear(words) if kind == "refused" else ""


def _place(error: BaseException) -> str:
    """The innermost line of our own code, and the kind of error."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [one for one in frames if any(part in one.filename for part in _PACKAGES) and "site-packages" not in one.filename]
    last = (ours or frames)[-1]
    return f"{type(error).__name__} at {Path(last.filename).name}:{last.lineno}"


def _peak_mb() -> float:
    """Highest resident memory of the process so far."""
    if resource is None:
        return 0.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1e-6 if sys.platform == "darwin" else 1.024e-3)


def _resident_mb() -> float:
    try:
        with open("/proc/self/statm", "rb") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    except (OSError, ValueError):
        return _peak_mb()


class _Watch:
    """What a call does outside of one folder, by Python's audit events. A hook cannot be taken away again: it is set once, and
    sees nothing while no call is watched, or what other threads do."""

    def __init__(self) -> None:
        self.hooked = False
        self.thread: int | None = None
        self.root, self.seen = "", list[str]()

    def __call__(self, event: str, args: tuple[Any, ...]) -> None:
        if self.thread is None or self.thread != threading.get_ident():
            return
        if event == "open":
            path, _, flags = args
            if isinstance(flags, int) and flags & _WRITES:
                self._look_at(event, path)
        elif event in _CHANGES:
            paths = args[1:2] if event in _TO else args[:2] if event in ("os.rename", "shutil.move") else args[:1]
            folders = [number for number in args[1:] if isinstance(number, int)] if event in _BELOW else []
            for path, folder in itertools.zip_longest(paths, folders):
                self._look_at(event, path, folder)
        elif event in _NEVER:
            self.seen.append(f"{event} {args[:1]}")

    def _look_at(self, event: str, path: Any, folder: int | None = None) -> None:
        """``folder``: an open one that the path counts from, -1 or None: that of the process."""
        if not isinstance(path, (str, bytes, os.PathLike)):
            return
        below = os.fsdecode(path) if folder in (None, -1) else os.path.join(f"/proc/self/fd/{folder}", os.fsdecode(path))
        real = os.path.realpath(below)
        if not (real + os.sep).startswith(self.root) and real != os.devnull and "__pycache__" not in real:
            self.seen.append(f"{event} {real}")


_watch = _Watch()


@contextlib.contextmanager
def _watched(scratch: Path) -> Iterator[list[str]]:
    if not _watch.hooked:
        sys.addaudithook(_watch)
        _watch.hooked = True
    _watch.root, _watch.seen, _watch.thread = os.path.realpath(scratch) + os.sep, [], threading.get_ident()
    try:
        yield _watch.seen
    finally:
        _watch.thread = None


__all__ = ["LONGEST_MESSAGE", "MOST_CPU_S", "MOST_MB", "Outcome", "Target", "resource", "try_one", "unclear"]
