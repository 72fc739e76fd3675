"""How a measurement of speed is taken and told: clocks, pairs, rows of a table, the machine."""

from __future__ import annotations

import contextlib
import importlib.metadata
import os
import platform
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from quietfloor.monitor.run.run_record import processor

LIBRARIES = ("numpy", "scipy", "pylsl", "mne", "mne-lsl", "PyQt5", "pyqtgraph")


@dataclass(frozen=True)
class Size:
    """How much is measured."""

    engine_s: float = 120.0  # of stream, each time
    pairs: int = 5
    live_s: float = 20.0  # of real time, each way of a pair
    live_pairs: int = 2
    replay_s: float = 600.0
    display_s: float = 20.0
    memory_h: float = 1.0
    starts: int = 7
    channels: tuple[int, ...] = (1, 2, 8, 32, 64)
    rates_hz: tuple[float, ...] = (4000.0, 16000.0, 48000.0)
    sweeps: tuple[int, ...] = (1_000, 10_000, 100_000, 1_000_000)
    scaling_s: float = 40.0


FULL = Size()
QUICK = Size(30.0, 3, 6.0, 1, 60.0, 6.0, 0.05, 3, (1, 2, 8, 32, 64), (4000.0, 16000.0, 48000.0), (1_000, 10_000), 10.0)


@dataclass(frozen=True)
class Row:
    """One line of the table; ``met`` None where nothing is asked."""

    what: str
    found: str
    target: str = ""
    met: bool | None = None


@dataclass
class Found:
    """What one part found: rows for people, figures for files."""

    rows: list[Row] = field(default_factory=list)
    figures: dict[str, Any] = field(default_factory=dict)

    def say(self, what: str, found: str, target: str = "", met: bool | None = None) -> None:
        self.rows.append(Row(what, found, target, met))


class Skipped(Exception):
    """A part cannot be measured here; the text says why and what to install."""


@dataclass(frozen=True)
class TimeTaken:
    """Duration in s: wall time, and CPU time of this process."""

    wall_s: float
    cpu_s: float


class Stopwatch:
    """Counts only while it runs: ``with watch: ...``, as often as wanted."""

    def __init__(self) -> None:
        self._wall_s = self._cpu_s = 0.0

    def __enter__(self) -> Stopwatch:
        self._began = time.perf_counter(), time.process_time()
        return self

    def __exit__(self, *_: object) -> None:
        self._cpu_s += time.process_time() - self._began[1]
        self._wall_s += time.perf_counter() - self._began[0]

    @property
    def took(self) -> TimeTaken:
        return TimeTaken(self._wall_s, self._cpu_s)


def timed(work: Callable[[], object]) -> TimeTaken:
    watch = Stopwatch()
    with watch:
        work()
    return watch.took


def alternate(pairs: int, *works: Callable[[], TimeTaken]) -> list[list[TimeTaken]]:
    """Each in turn, ``pairs`` times over: what others do to the machine meanwhile falls on all. A list a work."""
    rounds = [[work() for work in works] for _ in range(pairs)]
    return [list(one) for one in zip(*rounds, strict=True)]


def ratio(slow: list[TimeTaken], fast: list[TimeTaken]) -> float:
    """Median over pairs of how many times the work of ``fast`` the work of ``slow`` is, by processor time."""
    return float(np.median([a.cpu_s / b.cpu_s for a, b in zip(slow, fast, strict=True)]))


def middle(times: list[TimeTaken]) -> TimeTaken:
    return TimeTaken(float(np.median([one.wall_s for one in times])), float(np.median([one.cpu_s for one in times])))


def seconds(times: list[TimeTaken]) -> dict[str, list[float]]:
    """For a file."""
    return {"wall_s": [round(one.wall_s, 5) for one in times], "cpu_s": [round(one.cpu_s, 5) for one in times]}


def machine() -> dict[str, Any]:
    """What was measured on, and with which versions."""
    versions: dict[str, str | None] = {}
    for name in ("quietfloor", *LIBRARIES):
        versions[name] = None
        with contextlib.suppress(importlib.metadata.PackageNotFoundError):
            versions[name] = importlib.metadata.version(name)
    load = os.getloadavg() if hasattr(os, "getloadavg") else (float("nan"),) * 3
    return {
        "cpu": processor(),
        "cores": os.cpu_count(),
        "system": platform.platform(),
        "python": platform.python_version(),
        "versions": versions,
        "blas": {name: os.environ[name] for name in sorted(os.environ) if name.startswith(("OPENBLAS_", "OMP_", "MKL_"))},
        "load_1_min": round(load[0], 2),
    }


def table(rows: list[Row]) -> str:
    """Columns as wide as their longest entry."""
    marks = {True: "met", False: "MISSED", None: ""}
    cells = [("what", "target", "found", ""), *((row.what, row.target, row.found, marks[row.met]) for row in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(4)]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in cells]
    return "\n".join([lines[0], "  ".join("-" * width for width in widths[:3]), *lines[1:]])
