"""Lock of a folder: one program at a time writes to it. The operating system releases this advisory lock when the process ends.

The lock is on a file ``.in-use`` in the folder. The file names the process, for programs that are refused, and is deleted with
the lock. A program that was killed leaves the file but no lock; the next program takes it over. On a file system without locks
the folder is used without a lock.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from quietfloor.monitor.untrusted.bounded_io import json_of
from quietfloor.monitor.untrusted.safe_paths import no_link
from quietfloor.monitor.untrusted.safe_text import QuotingError

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]
    import msvcrt

NAME = ".in-use"
FAR = 1 << 30  # a byte that nobody reads: Windows locks what is locked against reading too

_held: dict[Path, tuple[int, int]] = {}  # of this process: file descriptor, how often it was asked for
_guard = threading.Lock()


class InUse(QuotingError, RuntimeError):
    """Raised if another program writes to the folder; the text names it."""


@contextlib.contextmanager
def sole_writer(folder: Path | str) -> Iterator[None]:
    """Lock ``folder`` for this process while the context lasts.

    A missing folder is made, and removed again if nothing was written. The same process may lock it repeatedly. Raises InUse, and
    OSError if the folder is not writable.
    """
    path = Path(folder).resolve()
    new = [one for one in (path, *path.parents) if not one.exists()]
    path.mkdir(parents=True, exist_ok=True)
    with _guard:
        fd, times = _held.get(path, (-1, 0))
        _held[path] = (_take(path) if times == 0 else fd), times + 1
    try:
        yield
    finally:
        with _guard:
            fd, times = _held[path]
            if times > 1:
                _held[path] = fd, times - 1
            else:
                del _held[path]
                _let_go(path, fd)
        for made in new:  # where nothing came of it
            with contextlib.suppress(OSError):
                made.rmdir()


def _take(folder: Path) -> int:
    path = folder / NAME
    while True:
        fd = no_link(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0))
        try:
            if not hold(fd):
                raise InUse(_refusal(folder, path))
            if os.name == "posix" and not _is_at(fd, path):  # its last user removed it meanwhile
                os.close(fd)
                continue
            since = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
            os.ftruncate(fd, 0)
            with contextlib.suppress(OSError):  # on a full disk nobody is named, and it is locked all the same
                os.write(fd, (json.dumps({"pid": os.getpid(), "since": since}) + "\n").encode())
        except BaseException:
            os.close(fd)
            raise
        return fd


def _let_go(folder: Path, fd: int) -> None:
    if os.name == "posix" and _is_at(fd, folder / NAME):
        with contextlib.suppress(OSError):
            (folder / NAME).unlink()  # while it is still locked: whoever waits for it finds that it is another file
    os.close(fd)


def hold(fd: int) -> bool:
    """Lock an open file until it is closed, or its process ends; False where another process holds it."""
    try:
        if fcntl is not None:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        else:
            os.lseek(fd, FAR, os.SEEK_SET)
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
    except (BlockingIOError, PermissionError):
        return False
    except OSError:
        return True  # a file system without locks
    finally:
        if fcntl is None:
            os.lseek(fd, 0, os.SEEK_SET)
    return True


def is_held(path: Path | str) -> bool:
    """Whether some program, this one included, has ``path`` open and locked by ``hold``."""
    try:
        fd = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    except OSError:
        return False  # what cannot be opened for writing is not being written by us
    try:
        return not hold(fd)
    finally:
        os.close(fd)


def _is_at(fd: int, path: Path) -> bool:
    with contextlib.suppress(OSError):
        return os.path.samestat(os.fstat(fd), os.stat(path))
    return False


def _refusal(folder: Path, path: Path) -> str:
    who: Any = {}
    with contextlib.suppress(OSError, ValueError):
        who = json_of(path)
    named = "it does not say which"
    if isinstance(who, dict) and {"pid", "since"} <= set(who):
        named = f"process {who['pid']} since {who['since']}"
    return (
        f"{folder} is in use by another program ({named}): two programs never write to one session. Wait until it is done, end "
        "it, or choose another --out"
    )
