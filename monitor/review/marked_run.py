"""A finished run, or a level of a search, with the marks on its waves: those that were kept, else suggested ones; several of them
side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietfloor.monitor.review.search_record import averages_of, marks_name, read_search, sound_of, window_of
from quietfloor.monitor.run.status_text import too_large
from quietfloor.monitor.session.conditions import all_noise_words, condition_of, published_kind, sought_kind
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
from quietfloor.monitor.untrusted.bounded_io import json_of
from quietfloor.monitor.waves.growth import ladder_growth
from quietfloor.monitor.waves.marks import Marks
from quietfloor.monitor.waves.norms import Norms
from quietfloor.monitor.waves.peaks import Sought, sought, suggest
from quietfloor.monitor.waves.replicates import Replicate, combined, compare
from quietfloor.monitor.waves.trace import Averages, Trace
from quietfloor.stimuli.clicks import DURATION_US
from quietfloor.stimuli.levels import NHL, stated_level

MARKS = "marks.json"  # in the folder of the run


@dataclass(frozen=True)
class Marked:
    """One run with its marks; or one ``cell`` of a search, whose record tells its own sound, noise and evidence."""

    folder: RunFolder
    record: dict[str, Any]
    averages: Averages
    trace: Trace
    where: Sought
    window_ms: tuple[float, float]
    marks: Marks
    too_large: str  # what is to be said beside its amplitudes, "" for nothing
    cell: int | None = None

    @property
    def sound(self) -> dict[str, Any]:
        return self.record.get("stimulus") or {}

    @property
    def level_db_nhl(self) -> float:
        level = self.sound.get("level_db_nhl")
        return math.nan if level is None or self.sound.get("muted") else float(level)

    @property
    def level(self) -> tuple[float, str] | None:
        """Level and unit; None where it is not known, and of a muted run."""
        return None if self.sound.get("muted") else stated_level(self.sound)

    @property
    def noise(self) -> str:
        """Noise in either ear, in words; empty for none."""
        return all_noise_words(self.sound)

    @property
    def title(self) -> str:
        noise_nv, title = self.averages.residual_noise_nv, " ".join(str(self.record.get("title") or "").split())
        noise = f"{noise_nv:.1f} nV of noise" if math.isfinite(noise_nv) else "noise not known"
        if self.cell is not None:
            masked = f", masked with {self.noise}" if self.noise else ""
            of = condition_of(self.sound)
            return f"{self.folder.path.name}, {of} at {self.level_db_nhl:g} dB nHL{masked}: {noise}"
        return f"{self.folder.path.name}: {f'{title}, ' if title else ''}{noise}"


def read(path: Path, norms: Norms, again: bool = False) -> Marked:
    """A run with the marks that were kept, else with suggested ones. Raises ValueError, FolderError."""
    folder, record, plan = _opened(path)
    if record.get("search") is not None:
        raise FolderError(f"{path} is a search, with an average for each level: `quietfloor waves {path} --level DB` marks one")
    try:
        kept = folder.path / MARKS
        by_hand = None if again or not kept.is_file() else Marks.of_record(json_of(kept))
    except (OSError, ValueError) as error:
        raise FolderError(f"{path} cannot be read: {error}") from error
    averages = Averages.of_run(folder.read_average(), record)
    return _marked(folder, record, plan, averages, by_hand, norms)


def is_search(path: Path) -> bool:
    """Whether this is the folder of a search. Raises FolderError."""
    return _opened(path)[1].get("search") is not None


def read_levels(
    path: Path, norms: Norms, again: bool = False, *, level_db: float | None = None, ear: str | None = None,
    frequency_hz: float | None = None,
) -> tuple[list[Marked], list[str]]:  # fmt: skip
    """The levels of a search that were played, loudest first in each condition, and why others cannot be marked.

    ``level_db``, ``ear``, ``frequency_hz`` choose among them. Raises ValueError, FolderError where nothing is left.
    """
    folder, record, plan = _opened(path)
    search = read_search(folder, record)
    if search is None:
        raise FolderError(f"{path} is no search: --level, --ear and --frequency choose among the levels of one")
    if not any(cell.columns for cell in search.cells):
        raise FolderError(f"{path} has no averages to mark: {'; '.join(search.missing) or 'no level of it was played'}")
    found, untold = [], []
    for one in search.conditions:
        if ear not in (None, one.condition.ear) or frequency_hz not in (None, one.condition.frequency_hz):
            continue
        for cell in reversed(one.cells):
            if not cell.presented or level_db not in (None, cell.level_db_nhl):
                continue
            own = record | {
                "stimulus": sound_of(record, plan, one, cell), "evidence": cell.evidence, "alpha": search.alpha,
                "residual_noise_nv": cell.residual_noise_nv,
                "verdict": "response_present" if cell.level_db_nhl >= one.found_db_nhl else None,
            }  # fmt: skip
            try:
                marks = None if again else cell.marks
                found.append(_marked(folder, own, plan, averages_of(cell, record), marks, norms, cell.number))
            except ValueError as error:
                untold.append(f"{one.condition} at {cell.level_db_nhl:g} dB nHL: {error}")
    if not found:
        played = sorted({cell.level_db_nhl for cell in search.cells if cell.presented})
        raise ValueError(
            "; ".join(untold) or f"no such level was played: there are {', '.join(f'{level:g}' for level in played)} dB nHL of "
            + "; ".join(str(one.condition) for one in search.conditions)
        )
    return found, untold


def keep(folder: RunFolder, marks: Marks, cell: int | None = None) -> Path:
    """Write the marks of the run, or of a cell of its search, into the file that is returned. Raises OSError."""
    return folder.write_json(MARKS if cell is None else marks_name(cell), marks.record())


def _opened(path: Path) -> tuple[RunFolder, dict[str, Any], dict[str, Any]]:
    folder = RunFolder.open(path)
    try:
        return folder, folder.read_record(), folder.read_plan()
    except (OSError, ValueError) as error:
        raise FolderError(f"{path} cannot be read: {error}") from error


def _marked(
    folder: RunFolder, record: dict[str, Any], plan: dict[str, Any], averages: Averages, by_hand: Marks | None, norms: Norms,
    cell: int | None = None,
) -> Marked:  # fmt: skip
    trace = Trace.of(averages)
    sound = record.get("stimulus") or {}
    window_ms = window_of(plan, sound)
    where = sought(
        sought_kind(sound), sound.get("level_db_nhl"), sound.get("age_group"), window_ms, norms,
        frequency_hz=sound.get("frequency_hz"), span_ms=sound.get("chirp_span_ms"),
    )  # fmt: skip
    marks = suggest(trace, where) if by_hand is None else by_hand
    return Marked(folder, record, averages, trace, where, window_ms, marks, too_large(record, plan), cell)


def several(runs: Sequence[Marked], norms: Norms) -> list[str]:
    """Sentences on the replicates of each level, and on the change of wave V between levels. Raises ValueError.

    Runs with different noise in either ear are different evidence: no replicates of each other. The function takes
    those of a level that come first.
    """
    sounds = {
        (
            *(run.sound.get(key) for key in ("ear", "route", "kind", "frequency_hz")),
            run.sound.get("duration_us") or DURATION_US,  # older records name none
            run.sound.get("equalised") is not None,
        )
        for run in runs
    }
    if len(sounds) > 1:
        raise ValueError("these runs are of different ears or stimuli: name runs of one condition")
    alike: dict[tuple[tuple[float, str] | None, str], list[Marked]] = {}
    for run in runs:
        alike.setdefault((run.level, run.noise), []).append(run)
    told, series = [], dict[float, Marks]()
    for (level, noise), own in alike.items():
        marks = own[0].marks
        if len(own) > 1:
            both = [Replicate(run.folder.path.name, run.averages, run.record.get("verdict"), _evidence(run)) for run in own]
            at = "without a known level" if level is None else f"at {level[0]:g} {level[1]}"
            at += f", masked with {noise}" if noise else ""
            told.append(f"{at}: {compare(both, own[0].window_ms, float(own[0].record.get('alpha') or 0.01)).words}")
            if not any(mark.by == "operator" for mark in marks.marks):
                marks = suggest(Trace.of(combined(both)), own[0].where)
        if level is not None and level[1] == NHL:
            series.setdefault(level[0], marks)
    sound = runs[0].sound
    steps = ladder_growth(
        list(series.items()), norms, published_kind(sound), sound.get("age_group"),
        frequency_hz=sound.get("frequency_hz"), span_ms=sound.get("chirp_span_ms"),
    )  # fmt: skip
    return told + [f"from {step.from_db_nhl:g} to {step.to_db_nhl:g} dB nHL: {step.words}" for step in steps]


def _evidence(run: Marked) -> float:
    evidence = run.record.get("evidence")
    return math.nan if evidence is None else float(evidence)
