"""Read untrusted files with limits on size and nesting depth; only regular files are read.

Every problem raises OSError or ValueError, for which each loader gives its own message. A named pipe does not block the program,
a device does not fill its memory, and text that is nested a thousand levels deep is refused like other malformed text.
"""

from __future__ import annotations

import errno
import io
import json
import os
import re
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

# Own choice: a plan has some kB, the tables that ship 30 kB, the line of a look 1 kB.
MOST_BYTES, MOST_LINE_BYTES, MOST_DEPTH = 4_000_000, 1_000_000, 32
# Of TOML, whose every entry is checked key by key: the largest file that ships has 14 kB, 38 tables and 362 values.
MOST_TOML_CHARACTERS, MOST_TOML_TABLES, MOST_TOML_VALUES = 1_000_000, 1_000, 50_000
_PIECE, _FIRST_PIECE, _WINDOW, _FEW = 1_000_000, 4096, 32_768, 64
_LARGEST = 2**63  # of an integer, as TOML asks (toml.io, v1.0.0: 64 bits, signed, else an error)
_MANY_DIGITS = re.compile(r"\d{19}")


def open_file(path: Path | str) -> BinaryIO:
    """Open a regular file for reading bytes. Raises OSError, also for a pipe, a device and a folder."""
    number = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        if not stat.S_ISREG(os.fstat(number).st_mode):
            raise OSError(errno.EINVAL, "it is no regular file", str(path))
        return os.fdopen(number, "rb")
    except BaseException:
        os.close(number)
        raise


def bytes_of(path: Path | str, most_bytes: int = MOST_BYTES) -> bytes:
    """Return all bytes of a file. Raises OSError, also if it is larger than ``most_bytes``."""
    found = bytearray()  # a buffer for as much as may come would be taken at once
    with open_file(path) as file:
        while len(found) <= most_bytes and (piece := file.read(min(_PIECE, most_bytes + 1 - len(found)))):
            found += piece
    if len(found) > most_bytes:
        raise OSError(errno.EFBIG, f"it is larger than the {most_bytes / 1e6:g} MB that such a file may have", str(path))
    return bytes(found)


def text_of(path: Path | str, most_bytes: int = MOST_BYTES) -> str:
    r"""Return the UTF-8 text of a file, with line ends as "\n". Raises OSError and UnicodeDecodeError, which is a ValueError."""
    return io.TextIOWrapper(io.BytesIO(bytes_of(path, most_bytes)), encoding="utf-8").read()


def lines_of(path: Path | str, most_line_bytes: int = MOST_LINE_BYTES) -> Iterator[str]:
    """Yield the lines of a file, any number, each with its end. Raises OSError and UnicodeDecodeError."""
    with open_file(path) as file:
        while line := file.readline(most_line_bytes + 1):
            if len(line) > most_line_bytes:
                raise OSError(errno.EFBIG, f"a line of it is longer than {most_line_bytes / 1e6:g} MB", str(path))
            yield line.decode("utf-8")


def cut_short(path: Path | str, size: int) -> OSError:
    return OSError(errno.EIO, f"it was cut short to {size:,} bytes while it was read: read it again", str(path))


class FileBytes:
    """Bytes of a file, read by position, up to the size it had when opened. Raises OSError if some of them are gone."""

    def __init__(self, file: BinaryIO, path: Path | str) -> None:
        self._file, self._path, self._size = file, path, os.fstat(file.fileno()).st_size
        self._window, self._at = b"", 0  # what lies around the last few bytes that were asked for, and where

    def __len__(self) -> int:
        return self._size

    def __getitem__(self, place: slice) -> bytes:
        start, stop, _ = place.indices(self._size)
        if stop - start > _FEW:
            return self._read(start, stop)
        if start < self._at or stop > self._at + len(self._window):
            self._window, self._at = self._read(start, min(start + _WINDOW, self._size)), start
        return self._window[start - self._at : max(start, stop) - self._at]

    def _read(self, start: int, stop: int) -> bytes:
        self._file.seek(start)
        found = self._file.read(stop - start)
        if len(found) < stop - start:
            raise cut_short(self._path, start + len(found))
        return found

    def find(self, wanted: bytes, start: int) -> int:
        """Position of ``wanted`` from ``start`` on; -1 if it is not found."""
        size = _FIRST_PIECE
        while start < self._size:
            found = self[start : start + size].find(wanted)
            if found >= 0:
                return start + found
            start += max(1, size - len(wanted) + 1)
            size = min(2 * size, _PIECE)
        return -1


def toml_from(text: str) -> dict[str, Any]:
    """Parse TOML text within the limits. Raises tomllib.TOMLDecodeError (a ValueError) otherwise."""
    if len(text) > MOST_TOML_CHARACTERS:
        raise tomllib.TOMLDecodeError(f"it is longer than the {MOST_TOML_CHARACTERS:,} characters that such a text may have")
    try:
        found = tomllib.loads(text)
    except RecursionError:
        raise tomllib.TOMLDecodeError(_TOO_DEEP) from None
    except ValueError as error:  # a number of thousands of digits is one too
        raise tomllib.TOMLDecodeError(f"{error}{_line_of(text, str(error))}") from None
    if reason := _beyond(found) or _many(found):
        raise tomllib.TOMLDecodeError(reason)
    return found


def _line_of(text: str, error: str) -> str:
    """The line of the text that an error names."""
    named, lines = re.search(r"\(at line (\d+), column \d+\)$", error), text.split("\n")
    return f": {lines[int(named[1]) - 1].strip()!r}" if named is not None and int(named[1]) <= len(lines) else ""


def why(error: Exception) -> str:
    """Return why reading failed, without the error number and the path that an OSError repeats."""
    return (isinstance(error, OSError) and error.strerror) or str(error)


def toml_of(path: Path | str) -> dict[str, Any]:
    """Read and parse a TOML file. Raises OSError, and ValueError (tomllib.TOMLDecodeError, UnicodeDecodeError)."""
    return toml_from(text_of(path))


def json_from(text: str) -> Any:
    """Parse JSON text within the limits. Raises json.JSONDecodeError (a ValueError) otherwise."""
    try:
        found = json.loads(text, parse_constant=_no_number)
    except RecursionError:
        raise json.JSONDecodeError(_TOO_DEEP, "", 0) from None
    except ValueError as error:
        raise error if isinstance(error, json.JSONDecodeError) else json.JSONDecodeError(str(error), "", 0) from None
    deep = text.count("[") + text.count("{") > MOST_DEPTH  # can it be? Most lines of a log need no closer look
    if "\\u" in text:  # "\\ud800" alone is half a character, which no file can be written with
        try:
            json.dumps(found, ensure_ascii=False).encode("utf-8")
        except UnicodeEncodeError:
            raise json.JSONDecodeError("half a character (a lone surrogate) is in it", "", 0) from None
    if (deep or _MANY_DIGITS.search(text)) and (reason := _beyond(found)):
        raise json.JSONDecodeError(reason, "", 0)
    return found


def json_of(path: Path | str) -> Any:
    """Read and parse a JSON file. Raises OSError, and ValueError (json.JSONDecodeError, UnicodeDecodeError)."""
    return json_from(text_of(path))


def _no_number(word: str) -> float:
    raise json.JSONDecodeError(f"{word} is no JSON", "", 0)


_TOO_DEEP = f"it is nested more than {MOST_DEPTH} deep"


def _many(content: Any) -> str | None:
    """Reason if parsed text has too many values; None if it has not."""
    tables = values = 0
    waiting = [content]
    while waiting:
        one = waiting.pop()
        if isinstance(one, dict):
            tables += 1
            waiting += one.values()
        elif isinstance(one, list):
            waiting += one
        else:
            values += 1
    if tables > MOST_TOML_TABLES:
        return f"it has {tables:,} tables: at most {MOST_TOML_TABLES:,} are allowed"
    return f"it has {values:,} values: at most {MOST_TOML_VALUES:,} are allowed" if values > MOST_TOML_VALUES else None


def _beyond(content: Any) -> str | None:
    """Reason why parsed text cannot be used, in words; None if it can."""
    level = [content]
    for _ in range(MOST_DEPTH + 1):
        below: list[Any] = []
        for one in level:
            if isinstance(one, dict):
                below += one.values()
            elif isinstance(one, list):
                below += one
            elif isinstance(one, int) and not -_LARGEST <= one < _LARGEST:
                return "a whole number in it takes more than 64 bits"
        if not below:
            return None
        level = below
    return _TOO_DEEP
