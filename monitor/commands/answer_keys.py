"""Keys that are pressed in the terminal while something plays: each at once, without Enter where the terminal allows it."""

from __future__ import annotations

import contextlib
import importlib
import os
import select
import sys
from collections.abc import Iterator
from typing import Any

STOP = "q"


@contextlib.contextmanager
def keys() -> Iterator[AnswerKeys]:
    """The keys of the terminal; its usual state comes back at the end."""
    if os.name == "posix" and sys.stdin.isatty():
        termios: Any = importlib.import_module("termios")  # there is none on Windows
        handle = sys.stdin.fileno()
        before = termios.tcgetattr(handle)
        importlib.import_module("tty").setcbreak(handle)
        try:
            yield AnswerKeys()
        finally:
            termios.tcsetattr(handle, termios.TCSADRAIN, before)
    else:
        yield AnswerKeys()


class AnswerKeys:
    """What was pressed since the last look. Without a terminal (a pipe) each character is a key."""

    def __init__(self) -> None:
        self._windows: Any = importlib.import_module("msvcrt") if os.name == "nt" else None
        self.ended = False  # there is nobody who could answer

    def pressed(self) -> list[str]:
        """Keys, such as " ", "\\n" or "q"; does not wait."""
        found: list[str] = []
        if self._windows is not None:
            while self._windows.kbhit():
                found.append(self._windows.getwch())
            return found
        while not self.ended and select.select([sys.stdin], [], [], 0.0)[0]:
            data = os.read(sys.stdin.fileno(), 1024)
            self.ended = not data
            found += list(data.decode("utf-8", "replace"))
        return found
