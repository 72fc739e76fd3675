"""The folder of one run. It is created exclusively; whole files are replaced in one step; events are appended line by line.

JSON written here keeps every float to the last bit (repr), and writes undefined or infinite values as null, never as 0.
"""

from __future__ import annotations

import contextlib
import dataclasses
import enum
import json
import math
import os
from collections.abc import Iterator, Mapping
from io import TextIOWrapper
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from quietfloor.monitor.formats.xdf import XdfError
from quietfloor.monitor.sources.base import NoStream, SourceError
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.folder_lock import is_held
from quietfloor.monitor.storage.record_schema import checked_plan, checked_record
from quietfloor.monitor.untrusted.bounded_io import json_from, json_of, lines_of, text_of, toml_of
from quietfloor.monitor.untrusted.safe_paths import new_draft, no_link
from quietfloor.monitor.untrusted.safe_text import QuotingError

LARGEST_UV = 1e9  # of an average that is read, own choice: no amplifier has a thousand volts
AVERAGE_COLUMNS = ("time_ms", "average_uv", "a_uv", "b_uv", "plus_minus_uv", "condensation_uv", "rarefaction_uv")
AT_LEAST = 5  # of them, in folders of earlier versions
ROOM_BYTES = 262_144  # own choice: average.csv has some 60 kB, the rest of the events and run.json less


class FolderError(QuotingError, RuntimeError):
    """Raised if a run folder cannot be made, or if a folder is no run folder."""


class RunFolder:
    """``session_dir/run-NNN``. Use ``create`` for a new run, ``open`` for an existing one."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._events: TextIOWrapper | None = None
        self._written: dict[str, str] = {}

    @classmethod
    def create(cls, session_dir: Path | str) -> RunFolder:
        """Make the next free run-001, run-002, ... Two programs that do this at the same time get two folders."""
        session = Path(session_dir)
        try:
            session.mkdir(parents=True, exist_ok=True)
            number = max((_run_number(path) for path in session.iterdir()), default=0)
            while True:
                number += 1
                path = session / f"run-{number:03d}"
                with contextlib.suppress(FileExistsError):
                    path.mkdir()
                    return cls(path)
        except OSError as error:
            raise FolderError(f"cannot make a run in {session} ({error.strerror or error}): choose another --out") from error

    @classmethod
    def open(cls, path: Path | str) -> RunFolder:
        """Open a folder that contains a recording. Raises FolderError."""
        folder = cls(Path(path))
        if not folder.raw.is_file():
            raise FolderError(f"{path} is no run folder: it holds no {folder.raw.name}")
        return folder

    @property
    def raw(self) -> Path:
        return self.path / "raw.xdf"

    @property
    def plan(self) -> Path:
        return self.path / "plan.toml"

    @property
    def cells(self) -> Path:
        """Path of the table of cells; it exists only if a run plays several sounds or levels in turn."""
        return self.path / "cells.json"

    @property
    def cell_averages(self) -> Path:
        """Path of the averages of a run with cells, which replace ``average``."""
        return self.path / "cells.csv"

    @property
    def events(self) -> Path:
        return self.path / "events.jsonl"

    @property
    def average(self) -> Path:
        return self.path / "average.csv"

    @property
    def run(self) -> Path:
        return self.path / "run.json"

    @property
    def check(self) -> Path:
        """Path of what the check before this run found; it exists only if there was one."""
        return self.path / "check.json"

    @property
    def begun(self) -> Path:
        """Path of the record of the start; it is deleted when run.json is written."""
        return self.path / "begun.json"

    @property
    def why_no_result(self) -> str:
        """Why the folder has no run.json, in words."""
        if not self.raw.is_file():
            return "it holds no recording"
        if is_held(self.raw):
            return "it is going on"
        if not self.events.is_file() and self._is_empty:
            return "it was ended before anything was recorded"
        return f"it was killed; `quietfloor finish {self.path}` makes it from its recording"

    @property
    def _is_empty(self) -> bool:
        try:
            RecordingSource(self.raw)
        except (NoStream, XdfError):
            return True
        except (OSError, ValueError, SourceError):  # what it holds is another question
            return False
        return False

    def write_text(self, name: str, text: str) -> Path:
        """Write a whole file so that a reader sees the old one or the new one, never a part."""
        path = self.path / name
        draft = new_draft(path)
        try:
            with open(draft, "x", encoding="utf-8", newline="\n") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.replace(draft, path)
        except OSError:
            draft.unlink(missing_ok=True)  # a part of it would fill a full disk for nothing
            raise
        self._written[name] = text
        return path

    def write_begun(self, content: Any) -> None:
        """Write begun.json, followed by blanks that reserve disk space; ``give_room`` frees it."""
        text = _json_text(content)
        self.write_text(self.begun.name, text + " " * (ROOM_BYTES - len(text)))

    def give_room(self) -> None:
        """Free the reserved space on a full disk, for the end of the events, the average and the result."""
        with contextlib.suppress(OSError):
            text = text_of(self.begun).rstrip()
            os.truncate(self.begun, len(text.encode()))

    def restore(self) -> list[str]:
        """Write files again that were deleted during the run; returns their names, none if the whole folder is gone.

        Raises OSError.
        """
        if not self.path.is_dir():
            return []
        gone = [name for name in self._to_keep if not (self.path / name).exists()]
        for name in gone:
            self.write_text(name, self._written[name])
        return gone + ([self.events.name] if self.rescue_events() else [])

    @property
    def is_whole(self) -> bool:
        """Whether no file is missing that ``restore`` would write again."""
        names = self._to_keep + ([] if self._events is None else [self.events.name])
        return all((self.path / name).exists() for name in names)

    @property
    def _to_keep(self) -> list[str]:
        return [path.name for path in (self.plan, self.cells, self.check, self.begun) if path.name in self._written]

    def write_json(self, name: str, content: Any) -> Path:
        """Write ``content`` as indented JSON, atomically; see ``jsonable``."""
        return self.write_text(name, _json_text(content))

    def read_json(self, name: str) -> Any:
        return json_of(self.path / name)

    def read_record(self) -> dict[str, Any]:
        """Read run.json and check the kind of each value. Raises OSError, ValueError."""
        return checked_record(self.read_json(self.run.name))

    def read_plan(self) -> dict[str, Any]:
        """Read plan.toml as plain data, also of earlier versions; empty if there is none. Raises OSError, ValueError."""
        return checked_plan(toml_of(self.plan)) if self.plan.is_file() else {}

    def append_event(self, event: Any) -> None:
        """Append one event (a dataclass or mapping) as a line of events.jsonl; it is written when this returns."""
        if self._events is None:
            self._events = open(self.events, "a+", encoding="utf-8", newline="\n", opener=no_link)  # noqa: SIM115 - for the run
        self._events.write(event_line(event))
        self._events.flush()

    def rescue_events(self) -> bool:
        """Write events.jsonl again if it was deleted while it is open here; returns whether it was. Raises OSError."""
        if self._events is not None and not self.events.exists():
            self._events.flush()
            self._events.seek(0)
            self.write_text(self.events.name, self._events.read())
            self._events.close()
            self._events = None
            return True
        return False

    def read_events(self) -> Iterator[dict[str, Any]]:
        """The events in order; an incomplete last line is left out."""
        for line in lines_of(self.events):
            if line.endswith("\n"):
                yield json_from(line)

    def write_average(
        self,
        time_ms: ArrayLike,
        average_uv: ArrayLike,
        a_uv: ArrayLike,
        b_uv: ArrayLike,
        plus_minus_uv: ArrayLike,
        *by_polarity: ArrayLike,
    ) -> Path:
        """Write average.csv, all columns (n_times,); an undefined value is an empty field.

        ``by_polarity``: averages of condensation and of rarefaction, each (n_times,); without them these columns are undefined.
        """
        columns = [np.asarray(one, dtype=np.float64) for one in (time_ms, average_uv, a_uv, b_uv, plus_minus_uv, *by_polarity)]
        columns += [np.full(columns[0].shape, np.nan)] * (len(AVERAGE_COLUMNS) - len(columns))
        if len({column.shape for column in columns}) != 1 or columns[0].ndim != 1:
            raise ValueError(f"average columns must share one length, got {[column.shape for column in columns]}")
        rows = [",".join("" if math.isnan(value) else repr(value) for value in row) for row in np.column_stack(columns).tolist()]
        return self.write_text(self.average.name, "\n".join([",".join(AVERAGE_COLUMNS), *rows]) + "\n")

    def read_average(self) -> dict[str, NDArray[np.float64]]:
        """Read columns of average.csv (n_times,) by name; an empty field, or a value that is impossible for an average, is nan.
        Raises FolderError."""
        try:
            rows = [line.split(",") for line in text_of(self.average).splitlines()]
            names = tuple(rows[0]) if rows else ()
            if names not in (AVERAGE_COLUMNS, AVERAGE_COLUMNS[:AT_LEAST]) or len(rows) < 2:
                raise ValueError(f"columns {', '.join(AVERAGE_COLUMNS)} and rows are expected")
            values = np.array([[float(field or "nan") for field in row] for row in rows[1:]])
            values[np.abs(values) > LARGEST_UV] = np.nan
            found = {name: values[:, place] for place, name in enumerate(names)}
            return found | {name: np.full(len(values), np.nan) for name in AVERAGE_COLUMNS[len(names) :]}
        except (OSError, ValueError, IndexError) as error:
            raise FolderError(f"{self.average} is no average of a run: {error}") from error

    def close(self) -> None:
        """Sync and close events.jsonl. Safe to call twice."""
        if self._events is not None:
            self._events.flush()
            os.fsync(self._events.fileno())
            self._events.close()
            self._events = None


def _json_text(content: Any) -> str:
    return json.dumps(jsonable(content), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def event_line(event: Any) -> str:
    """One event as a line of JSON; equal values give equal bytes."""
    return json.dumps(jsonable(event), ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n"


def jsonable(value: Any) -> Any:
    """Plain JSON types: dataclasses and mappings as objects, arrays as lists, paths and enums as text, nan and inf as None."""
    if isinstance(value, enum.Enum):
        return jsonable(value.value)
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: jsonable(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(jsonable(key)): jsonable(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return jsonable(value.tolist())
    if isinstance(value, (list, tuple)):
        return [jsonable(item) for item in value]
    if isinstance(value, (set, frozenset)):
        return sorted(jsonable(item) for item in value)
    if isinstance(value, os.PathLike):
        return os.fspath(value)
    raise TypeError(f"{type(value).__name__} has no JSON form here: convert it before it is written")


def _run_number(path: Path) -> int:
    digits = path.name.removeprefix("run-")
    return int(digits) if path.name.startswith("run-") and digits.isascii() and digits.isdigit() else 0
