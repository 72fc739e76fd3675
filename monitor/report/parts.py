"""Contents of a report as plain values, and the text for a run that several parts need."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.hearing.air_bone import AirBone
from quietfloor.monitor.hearing.estimate import Estimate, NotEstimated
from quietfloor.monitor.hearing.masking_advice import MaskingAdvice
from quietfloor.monitor.report.material import Material, RunMaterial
from quietfloor.monitor.report.methods import Methods
from quietfloor.monitor.review.search_record import SearchedCell, SearchedCondition
from quietfloor.monitor.session.conditions import PRESENT, WORDS, Condition
from quietfloor.monitor.session.staircase_errors import LadderErrors
from quietfloor.monitor.session.threshold import Threshold
from quietfloor.monitor.waves.marks import Marks
from quietfloor.monitor.waves.norms import Norm
from quietfloor.monitor.waves.replicates import Comparison
from quietfloor.stimuli.levels import stated_level

BAND = 1.96  # times the residual noise: holds 95 of 100 points of what the average would be without noise, if that is Gaussian


@dataclass(frozen=True)
class Level:
    """Runs of one condition at one level that are drawn over each other. Curves (n_times,) in nV on ``times_ms``.

    ``curves_nv``: name, times and curve of each run. ``noise_nv``: of the common average; nan where there is none.
    ``untold``: why there is no average or there are no marks, empty where nothing is missing. ``sound``: as in run.json.
    ``cell``: of a search; the curves are its two halves then, ``found`` says whether the search found a response here or below,
    and ``lowest`` whether no softer level is so.
    """

    label: str
    level_db_nhl: float
    runs: tuple[RunMaterial, ...]
    times_ms: Floats
    average_nv: Floats
    noise_nv: float
    curves_nv: tuple[tuple[str, Floats, Floats], ...] = ()
    comparison: Comparison | None = None
    marks: Marks = field(default_factory=Marks)
    published: tuple[tuple[str, Norm], ...] = ()
    untold: tuple[str, ...] = ()
    sound: Mapping[str, Any] = field(default_factory=dict)
    cell: SearchedCell | None = None
    found: bool = False
    lowest: bool = False

    @property
    def found_any(self) -> bool:
        """Whether its search, or any of its runs, found a response."""
        return self.found or any(run.record.get("verdict") == PRESENT for run in self.runs)


@dataclass(frozen=True)
class Ladder:
    """One condition: its levels from the highest down, what they say together.

    ``published``: level in dB nHL, latency in ms and amplitude in nV of wave V at that level, None where no study has it.
    """

    title: str
    condition: Condition | None
    levels: tuple[Level, ...]
    window_ms: tuple[float, float] | None
    threshold: Threshold | None = None
    growth: tuple[str, ...] = ()
    errors: LadderErrors | None = None  # how often such a ladder is wrong; None: not known
    searches: tuple[tuple[RunMaterial, SearchedCondition], ...] = ()
    published: tuple[tuple[float, Norm | None, Norm | None], ...] = ()

    @property
    def line(self) -> tuple[float, str] | None:
        """Level in dB nHL of a line at the threshold (inf: above all levels), and its words; None where nothing is known."""
        if self.threshold is not None:
            one = self.threshold
            if math.isnan(one.level_db_nhl):
                return None
            if one.finding == "no response":
                return math.inf, f"no response up to {one.level_db_nhl:g} dB nHL"
            most = "at most " if one.finding == "at most" else ""
            return one.level_db_nhl, f"threshold {most}{one.level_db_nhl:g} dB nHL"
        if not self.searches:
            return None
        _, last = self.searches[-1]
        unsettled = "" if last.finished else ", not settled"
        if last.beyond is not None:
            end, at = (last.cells[-1], math.inf) if last.beyond == "above" else (last.cells[0], -math.inf)
            return at, f"threshold {last.beyond} {end.level_db_nhl:g} dB nHL{unsettled}"
        if math.isnan(last.threshold_db_nhl):
            return None
        return last.threshold_db_nhl, f"threshold {last.threshold_db_nhl:.0f} dB nHL{unsettled}"

    @property
    def runs(self) -> tuple[RunMaterial, ...]:
        """Those of single levels."""
        own = (run for level in self.levels if level.cell is None for run in level.runs)
        return tuple(sorted(own, key=lambda run: run.number))


@dataclass(frozen=True)
class Masked:
    """Advice and judgement for one run."""

    run: int
    due: bool
    words: str
    advice: MaskingAdvice


@dataclass(frozen=True)
class Report:
    """``estimates`` and what goes with them are empty where no table of hearing levels was chosen."""

    material: Material
    ladders: tuple[Ladder, ...]
    masking: tuple[Masked, ...]
    methods: Methods
    estimates: tuple[Estimate, ...] = ()
    not_estimated: tuple[NotEstimated, ...] = ()
    air_bone: tuple[AirBone, ...] = ()
    suggested: bool = False  # waves were to be suggested where nobody had marked any

    @property
    def title(self) -> str:
        said = " · ".join(part for part in (self.material.title, self.material.subject.pseudonym) if part)
        return said or f"Runs in {self.material.name}"

    @property
    def discarded(self) -> tuple[RunMaterial, ...]:
        return tuple(run for run in self.material.runs if run.summary is not None and run.summary.discarded is not None)


def level_words(run: RunMaterial) -> str:
    """Level of a run as text, such as "40 dB nHL", "-30 dB re full scale, uncalibrated" or "level not known"."""
    sound = run.record.get("stimulus")
    if run.search is not None:
        levels = [cell.level_db_nhl for cell in run.search.cells]
        return f"search, {min(levels):g} to {max(levels):g} dB nHL" if levels else "search"
    if not isinstance(sound, Mapping):
        return "level not known"
    muted = ", muted control" if sound.get("muted") else ""
    if (level := stated_level(sound)) is None:
        return f"level not known{muted}"
    how = ", uncalibrated" if sound.get("level_db_fs") is not None else " as stated" if sound.get("stated") else ""
    return f"{level[0]:g} {level[1]}{how}{muted}"


def verdict_words(run: RunMaterial) -> str:
    """Verdict of a run as text: "response", "no response", "undecided" or "a fault"."""
    if run.record.get("stopped_by") == "fault" or run.record.get("verdict") is None:
        return "a fault"
    return WORDS.get(str(run.record["verdict"]), str(run.record["verdict"]))


def electrodes(run: RunMaterial) -> list[dict[str, Any]] | None:
    """Findings on electrodes of the check before the run; None if the check was not stored."""
    if run.check is None or not isinstance(run.check.get("findings"), list):
        return None
    return [dict(one) for one in run.check["findings"] if isinstance(one, Mapping) and one.get("group") == "electrodes"]


def despite_of(run: RunMaterial) -> tuple[str, ...]:
    """Findings of the check that said stop and were overruled, from run.json and from the check that was kept."""
    found: list[str] = []
    for kept in (run.record.get("cautions_acknowledged"), (run.check or {}).get("acknowledged")):
        despite = kept.get("despite") if isinstance(kept, Mapping) else None
        found += [f"begun despite: {one}" for one in despite] if isinstance(despite, list) else []
    return tuple(dict.fromkeys(found))
