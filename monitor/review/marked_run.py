"""A finished run with the marks on its waves: those that were kept, else suggested ones; several of them side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quietfloor.monitor.run.status_text import too_large
from quietfloor.monitor.session.conditions import noise_words
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
from quietfloor.monitor.untrusted.bounded_io import json_of
from quietfloor.monitor.waves.expected import default_window_ms
from quietfloor.monitor.waves.growth import ladder_growth
from quietfloor.monitor.waves.marks import Marks
from quietfloor.monitor.waves.norms import Norms
from quietfloor.monitor.waves.peaks import Sought, sought, suggest
from quietfloor.monitor.waves.replicates import Replicate, combined, compare
from quietfloor.monitor.waves.trace import Averages, Trace

MARKS = "marks.json"  # in the folder of the run


@dataclass(frozen=True)
class Marked:
    """One run with its marks."""

    folder: RunFolder
    record: dict[str, Any]
    averages: Averages
    trace: Trace
    where: Sought
    window_ms: tuple[float, float]
    marks: Marks
    too_large: str  # what is to be said beside its amplitudes, "" for nothing

    @property
    def sound(self) -> dict[str, Any]:
        return self.record.get("stimulus") or {}

    @property
    def level_db_nhl(self) -> float:
        level = self.sound.get("level_db_nhl")
        return math.nan if level is None or self.sound.get("muted") else float(level)

    @property
    def noise(self) -> str:
        """Noise in the other ear, in words; empty for none."""
        masking = self.sound.get("masking")
        return "" if masking is None else noise_words(masking)

    @property
    def title(self) -> str:
        noise_nv, title = self.averages.residual_noise_nv, " ".join(str(self.record.get("title") or "").split())
        noise = f"{noise_nv:.1f} nV of noise" if math.isfinite(noise_nv) else "noise not known"
        return f"{self.folder.path.name}: {f'{title}, ' if title else ''}{noise}"


def read(path: Path, norms: Norms, again: bool = False) -> Marked:
    """A run with the marks that were kept, else with suggested ones. Raises ValueError, FolderError."""
    folder = RunFolder.open(path)
    try:
        record, plan = folder.read_record(), folder.read_plan()
        kept = folder.path / MARKS
        by_hand = None if again or not kept.is_file() else Marks.of_record(json_of(kept))
    except (OSError, ValueError) as error:
        raise FolderError(f"{path} cannot be read: {error}") from error
    averages = Averages.of_run(folder.read_average(), record)
    trace = Trace.of(averages)
    sound = record.get("stimulus") or {}
    kind, age, hz = sound.get("kind"), sound.get("age_group"), sound.get("frequency_hz")
    window = plan.get("analysis", {}).get("window_ms") or default_window_ms(kind, hz, age)
    window_ms = (float(window[0]), float(window[1]))
    where = sought(kind, sound.get("level_db_nhl"), age, window_ms, norms, frequency_hz=hz, span_ms=sound.get("chirp_span_ms"))
    marks = suggest(trace, where) if by_hand is None else by_hand
    return Marked(folder, record, averages, trace, where, window_ms, marks, too_large(record, plan))


def keep(folder: RunFolder, marks: Marks) -> None:
    """Write the marks of the run. Raises OSError."""
    folder.write_json(MARKS, marks.record())


def several(runs: Sequence[Marked], norms: Norms) -> list[str]:
    """Sentences on the replicates of each level, and on the change of wave V between levels. Raises ValueError.

    Runs with different noise in the other ear are different evidence: no replicates of each other. The function takes
    those of a level that come first.
    """
    sounds = {tuple(run.sound.get(key) for key in ("ear", "route", "kind", "frequency_hz")) for run in runs}
    if len(sounds) > 1:
        raise ValueError("these runs are of different ears or stimuli: name runs of one condition")
    alike: dict[tuple[float | None, str], list[Marked]] = {}
    for run in runs:
        alike.setdefault((None if math.isnan(run.level_db_nhl) else run.level_db_nhl, run.noise), []).append(run)
    told, series = [], dict[float, Marks]()
    for (level, noise), own in alike.items():
        marks = own[0].marks
        if len(own) > 1:
            both = [Replicate(run.folder.path.name, run.averages, run.record.get("verdict"), _evidence(run)) for run in own]
            at = "without a known level" if level is None else f"at {level:g} dB nHL"
            at += f", masked with {noise}" if noise else ""
            told.append(f"{at}: {compare(both, own[0].window_ms, float(own[0].record.get('alpha') or 0.01)).words}")
            if not any(mark.by == "operator" for mark in marks.marks):
                marks = suggest(Trace.of(combined(both)), own[0].where)
        if level is not None:
            series.setdefault(level, marks)
    sound = runs[0].sound
    steps = ladder_growth(
        list(series.items()), norms, sound.get("kind"), sound.get("age_group"),
        frequency_hz=sound.get("frequency_hz"), span_ms=sound.get("chirp_span_ms"),
    )  # fmt: skip
    return told + [f"from {step.from_db_nhl:g} to {step.to_db_nhl:g} dB nHL: {step.words}" for step in steps]


def _evidence(run: Marked) -> float:
    evidence = run.record.get("evidence")
    return math.nan if evidence is None else float(evidence)
