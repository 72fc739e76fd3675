"""The averages of all levels of a ladder, the marks on their waves, and what is published for them. Plain Python, no Qt."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.ladder import Ladder, Level, Rung, Series
from quietfloor.monitor.display.model import BAND_SD, DOUBT
from quietfloor.monitor.display.views import Curves
from quietfloor.monitor.review.marked_run import Marked, read
from quietfloor.monitor.session.conditions import published_kind
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
from quietfloor.monitor.waves import replicates
from quietfloor.monitor.waves.marks import Mark, Marks, Wave
from quietfloor.monitor.waves.norms import Norm, Norms
from quietfloor.monitor.waves.norms_file import load_norms
from quietfloor.monitor.waves.peaks import suggest
from quietfloor.monitor.waves.trace import Averages, Trace

SHOWN: tuple[Wave, ...] = ("I", "III", "V")
CORNERS: dict[Wave, int] = {"I": 3, "III": 4, "V": 24}  # of the mark of each wave: a triangle, a square, a disc
PUBLISHED_DB_NHL = np.arange(0.0, 101.0)  # levels at which published values are looked up


@dataclass(frozen=True)
class LevelRow:
    """One level: curves in nV (n_times,) on ``times_ms``. With several runs of one condition ``average_nv`` is their common
    average, and ``replicates_nv`` has each of them, the newest first."""

    level: Level
    runs: tuple[str, ...]  # names of the folders
    times_ms: Floats
    average_nv: Floats
    odd_nv: Floats
    even_nv: Floats
    replicates_nv: tuple[Floats, ...]
    noise_nv: float
    marks: tuple[Mark, ...]  # of waves I, III, V
    doubtful: bool = False  # whether what was found is not known to be that of the tested ear

    @property
    def words(self) -> str:
        noise = f", {self.noise_nv:.0f} nV of noise" if math.isfinite(self.noise_nv) else ""
        doubt = f", {DOUBT}" if self.doubtful else ""
        return (f"{len(self.runs)} runs together" if len(self.runs) > 1 else self.runs[0]) + noise + doubt

    def mark(self, wave: Wave) -> Mark | None:
        return next((mark for mark in self.marks if mark.wave == wave), None)


@dataclass(frozen=True)
class Published:
    """What one source gives for a wave between two levels: mean, and low to high (n,), nan where it gives none.

    With ``of_means`` low and high are the lowest and highest mean of studies, else the range of persons, mean +- 2 SD.
    """

    wave: Wave
    levels_db_nhl: Floats
    mean: Floats
    low: Floats
    high: Floats
    origin: str  # source, number of persons, and how far it may be trusted
    of_means: bool


@dataclass(frozen=True)
class Levels:
    """Rows of one series, the loudest first; published latencies in ms and amplitudes of wave V in nV; what cannot be read."""

    series: Series | None = None
    rows: tuple[LevelRow, ...] = ()
    latencies: tuple[Published, ...] = ()
    amplitudes: tuple[Published, ...] = ()
    unreadable: tuple[str, ...] = ()
    ladder: Ladder | None = None  # it was read from


def read_levels(ladder: Ladder) -> Levels:
    """Read the average of each level of a ladder. What cannot be read is named and left out."""
    norms = load_norms(None)
    rows, unreadable, sound = [], list[str](), dict[str, Any]()
    for rung in ladder.rungs:
        if rung.replicates:
            row, own = _row(rung, norms, unreadable)
            rows += [] if row is None else [row]
            sound = sound or own
    told = {"frequency_hz": sound.get("frequency_hz"), "span_ms": sound.get("chirp_span_ms")}
    kind, age = published_kind(sound), sound.get("age_group")
    latencies = [
        one
        for wave in SHOWN
        for one in _published(wave, [norms.latency(wave, kind, db, age, **told) for db in PUBLISHED_DB_NHL.tolist()])
    ]
    amplitudes = _published("V", [norms.amplitude(kind, db, age, span_ms=told["span_ms"]) for db in PUBLISHED_DB_NHL.tolist()])
    return Levels(ladder.series, tuple(rows), tuple(latencies), tuple(amplitudes), tuple(unreadable), ladder)


def _row(rung: Rung, norms: Norms, unreadable: list[str]) -> tuple[LevelRow | None, dict[str, Any]]:
    """The runs of a level that are alike in masking, and their sound."""
    runs: list[tuple[str, Averages, Marked | None, dict[str, Any]]] = []
    for replicate in rung.replicates:
        if replicate.masking != rung.replicates[0].masking:
            continue
        try:
            runs.append(_run(replicate.folder.name, RunFolder(replicate.folder), norms))
        except (OSError, ValueError, FolderError) as error:
            unreadable.append(f"{replicate.folder.name}: {error}")
    if not runs:
        return None, {}
    bands = {averages.band_hz for _, averages, _, _ in runs}
    if len(bands) > 1:  # they cannot be put together
        runs = runs[:1]
    both = runs[0][1]
    marked = runs[0][2]
    marks = None if marked is None else marked.marks
    if len(runs) > 1:
        try:
            both = replicates.combined([replicates.Replicate(name, averages) for name, averages, _, _ in runs])
            if marked is not None and marks is not None and not any(mark.by == "operator" for mark in marks.marks):
                marks = suggest(Trace.of(both), marked.where)
        except ValueError as error:
            unreadable.append(f"{', '.join(name for name, *_ in runs[1:])}: {error}")
            runs, both = runs[:1], runs[0][1]
    single = tuple(
        1e3 * np.interp(both.times_ms, averages.times_ms, averages.average_uv) for _, averages, _, _ in runs if len(runs) > 1
    )
    names = {name for name, *_ in runs}
    row = LevelRow(
        rung.level, tuple(name for name, *_ in runs), both.times_ms, 1e3 * both.average_uv, 1e3 * both.a_uv, 1e3 * both.b_uv,
        single, both.residual_noise_nv, _shown(marks), any(one.doubtful for one in rung.replicates if one.folder.name in names),
    )  # fmt: skip
    return row, runs[0][3]


def _run(name: str, folder: RunFolder, norms: Norms) -> tuple[str, Averages, Marked | None, dict[str, Any]]:
    """Averages of a run with its marks; without marks where it has none that could be made."""
    try:
        marked = read(folder.path, norms)
    except (ValueError, FolderError):
        record = folder.read_record()
        return name, Averages.of_run(folder.read_average(), record), None, record.get("stimulus") or {}
    return name, marked.averages, marked, marked.sound


def _shown(marks: Marks | None) -> tuple[Mark, ...]:
    return () if marks is None else tuple(mark for mark in marks.marks if mark.wave in SHOWN)


def _published(wave: Wave, norms: Sequence[Norm | None]) -> Iterator[Published]:
    """Neighbouring levels of one source make a piece."""
    levels = PUBLISHED_DB_NHL.tolist()
    for origin, piece in groupby(zip(levels, norms, strict=True), key=lambda one: None if one[1] is None else one[1].origin):
        if origin is not None:
            own = [(db, norm) for db, norm in piece if norm is not None]
            db, mean, low, high = np.array([(db, norm.mean, norm.low, norm.high) for db, norm in own]).T
            yield Published(wave, db, mean, low, high, origin, own[0][1].of_means)


def with_present(rows: tuple[LevelRow, ...], level: Level, curves: Curves) -> tuple[LevelRow, ...]:
    """The rows with the level that is being measured now, in place of its earlier runs."""
    noise_nv = curves.half_band_nv / BAND_SD
    now = LevelRow(level, ("running",), curves.times_ms, curves.average_nv, curves.odd_nv, curves.even_nv, (), noise_nv, ())
    return tuple(sorted([now, *(row for row in rows if row.level != level)], key=lambda row: row.level, reverse=True))


__all__ = ["CORNERS", "SHOWN", "LevelRow", "Levels", "Published", "read_levels", "with_present"]
