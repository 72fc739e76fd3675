"""What a report says, worked out from plain data: averages with their marks, ladders, masking, hearing levels, methods.

Nothing here reads a clock or a file: the same material gives the same report. How it looks is decided elsewhere.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from monitor.air_bone import AirBone, compare_all
from monitor.core.samples import Floats
from monitor.core.stopping import Outcome
from monitor.growth import ladder_growth
from monitor.hearing import STIMULUS_WORDS as WITH_HEARING_LEVELS
from monitor.hearing import Estimate, Measured, NotEstimated, estimate_all
from monitor.hearing_tables import HearingError
from monitor.marks import Marks
from monitor.masking_advice import KnownEars, MaskingAdvice, Sound, advise
from monitor.methods import Facts, Methods, methods
from monitor.norms import Norm
from monitor.peaks import measured, sought, suggest
from monitor.replicates import Comparison, Replicate, combined, compare
from monitor.report_material import Material, RunMaterial
from monitor.session_types import PRESENT, WORDS, Condition
from monitor.threshold import Threshold, threshold_of
from monitor.trace import Averages, Trace

BAND = 1.96  # times the residual noise: holds 95 of 100 points of what the average would be without noise, if that is Gaussian


@dataclass(frozen=True)
class Level:
    """Runs of one condition at one level that are drawn over each other. Curves (n_times,) in nV on ``times_ms``.

    ``curves_nv``: name, times and curve of each run. ``noise_nv``: of the common average; nan where there is none.
    ``untold``: why there is no average or there are no marks, empty where nothing is missing.
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

    @property
    def name(self) -> str:
        return " and ".join(str(run.number) for run in self.runs)


@dataclass(frozen=True)
class Ladder:
    """One condition: its levels from the highest down, what they say together."""

    title: str
    condition: Condition | None
    levels: tuple[Level, ...]
    window_ms: tuple[float, float] | None
    threshold: Threshold | None = None
    growth: tuple[str, ...] = ()

    @property
    def runs(self) -> tuple[RunMaterial, ...]:
        return tuple(sorted((run for level in self.levels for run in level.runs), key=lambda run: run.number))


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


def make_report(material: Material, suggest_marks: bool = False) -> Report:
    """Everything that the material says. Marks placed by hand are always shown; others are suggested where asked for."""
    ladders = _ladders(material, suggest_marks)
    masking = _masking(material)
    estimates: tuple[Estimate, ...] = ()
    rest: tuple[NotEstimated, ...] = ()
    air_bone: tuple[AirBone, ...] = ()
    age = material.subject.age_group
    if material.chosen and age is not None:
        found = _measured(material, masking)
        estimates, rest = estimate_all(found, material.tables.choose(material.chosen), age, material.subject.age_months)
        air_bone = compare_all(estimates, material.tables, age, material.subject.age_months)
    facts = [
        Facts(run.number, run.record, run.plan, None if run.summary is None else run.summary.discarded) for run in material.runs
    ]
    return Report(material, ladders, masking, methods(facts), estimates, rest, air_bone, suggest_marks)


# -- ladders ------------------------------------------------------------------------------------------------------------


def _ladders(material: Material, suggest_marks: bool) -> tuple[Ladder, ...]:
    """Those of the thresholds first, then runs without a level in dB nHL, by what they have in common."""
    made = []
    for threshold in material.thresholds:
        own = [run for run in material.runs if run.summary is not None and run.summary.condition.same_as(threshold.condition)]
        own = [run for run in own if run.summary is not None and run.summary.discarded is None]
        levels = _levels(own, material, suggest_marks)
        title, growth = _capital(str(threshold.condition)), _growth(material, levels)
        made.append(Ladder(title, threshold.condition, levels, _window(own), threshold, growth))
    others: dict[str, list[RunMaterial]] = {}
    for run in material.runs:
        at_home = run.summary is not None and any(run.summary.condition.same_as(one.condition) for one in material.thresholds)
        discarded = run.summary is not None and run.summary.discarded is not None
        if not at_home and not discarded:
            others.setdefault(_other_title(run), []).append(run)
    made += [Ladder(title, None, _levels(own, material, suggest_marks), _window(own)) for title, own in others.items()]
    return tuple(made)


def _other_title(run: RunMaterial) -> str:
    sound = run.record.get("stimulus")
    again = f" (decided again from {run.record['replay_of']})" if run.record.get("replay_of") else ""
    if not isinstance(sound, Mapping):
        return f"Sound of other equipment{again}"
    return f"{_capital(str(sound.get('ear')))} ear, {sound.get('stimulus')} by {sound.get('route')}{again}"


def level_words(run: RunMaterial) -> str:
    """40 dB nHL; -30 dB re full scale, uncalibrated; level not known."""
    sound = run.record.get("stimulus")
    if not isinstance(sound, Mapping):
        return "level not known"
    muted = ", muted control" if sound.get("muted") else ""
    if sound.get("level_db_nhl") is not None:
        return f"{sound['level_db_nhl']:g} dB nHL{muted}"
    return f"{sound['level_db_fs']:g} dB re full scale, uncalibrated{muted}" if sound.get("level_db_fs") is not None else (
        f"level not known{muted}"
    )  # fmt: skip


def _levels(runs: Sequence[RunMaterial], material: Material, suggest_marks: bool) -> tuple[Level, ...]:
    grouped: dict[tuple[str, str, str], list[RunMaterial]] = {}
    for run in runs:
        masking = (run.record.get("stimulus") or {}).get("masking")
        noise = "" if masking is None else f", other ear masked ({masked_words(masking)})"
        purpose = run.summary.purpose if run.summary is not None else "threshold"
        only = f", run for {purpose}" if purpose == "growth" else ""
        grouped.setdefault((level_words(run), noise, only), []).append(run)
    levels = [_level("".join(key), own, material, suggest_marks) for key, own in grouped.items()]
    return tuple(sorted(levels, key=lambda level: -level.level_db_nhl if math.isfinite(level.level_db_nhl) else math.inf))


def masked_words(masking: Mapping[str, Any]) -> str:
    """white 60 dB EM."""
    em, fs = masking.get("level_db_em"), masking.get("level_db_fs")
    level = f"{em:g} dB EM" if em is not None else f"{fs:g} dB re full scale" if fs is not None else "level not known"
    return f"{masking.get('noise')} {level}"


def _level(label: str, runs: Sequence[RunMaterial], material: Material, suggest_marks: bool) -> Level:
    usable: list[tuple[RunMaterial, Averages]] = []
    untold = []
    for run in runs:
        try:
            if run.columns is None:
                raise ValueError("it left no average")
            averages = Averages.of_run(run.columns, run.record)
            if not np.isfinite(averages.average_uv).all():
                raise ValueError("its average is not defined")
            usable.append((run, averages))
        except (ValueError, KeyError) as error:
            untold.append(f"run {run.number} is not drawn: {error}")
    sound = runs[0].record.get("stimulus") or {}
    db = sound.get("level_db_nhl")
    level_db = math.nan if db is None or sound.get("muted") else float(db)
    level = Level(label, level_db, tuple(runs), np.empty(0), np.empty(0), math.nan)
    if not usable:
        return replace(level, untold=tuple(untold))
    curves = tuple((f"run {run.number}", one.times_ms, 1e3 * one.average_uv) for run, one in usable)
    replicates = [_replicate(run, averages) for run, averages in usable]
    try:
        both = combined(replicates)
    except ValueError as error:
        untold.append(f"runs are not put together: {error}")
        both = usable[0][1]
    comparison = None
    window = _window(runs)
    if len(usable) > 1 and window is not None:
        with contextlib.suppress(ValueError):
            comparison = compare(replicates, window, float(runs[0].record.get("alpha") or math.nan))
    level = replace(
        level, times_ms=both.times_ms, average_nv=1e3 * both.average_uv, noise_nv=both.residual_noise_nv, curves_nv=curves,
        comparison=comparison,
    )  # fmt: skip
    marks, problem = _marks(level, both, runs, material, suggest_marks)
    untold += [problem] if problem else []
    return replace(level, marks=marks, published=_published(marks, sound, material), untold=tuple(untold))


def _replicate(run: RunMaterial, averages: Averages) -> Replicate:
    evidence = run.record.get("evidence")
    verdict: Outcome | None = run.record.get("verdict")
    return Replicate(f"run {run.number}", averages, verdict, math.nan if evidence is None else float(evidence))


def _marks(
    level: Level, averages: Averages, runs: Sequence[RunMaterial], material: Material, suggest_marks: bool
) -> tuple[Marks, str]:
    """Those by hand of the first run that has any, else suggested ones; the reason where there can be none."""
    by_hand = next((run.marks for run in runs if run.marks is not None), None)
    if by_hand is None and not suggest_marks:
        return Marks(), ""
    sound = runs[0].record.get("stimulus") or {}
    if sound.get("muted"):
        return Marks(), ""
    window = _window(runs)
    try:
        trace = Trace.of(averages)
        if by_hand is not None and len(runs) == 1:
            return by_hand, ""
        if window is None:
            raise ValueError("the response window of the run is not known")
        where = sought(
            sound.get("kind"), sound.get("level_db_nhl"), sound.get("age_group"), window, material.norms,
            frequency_hz=sound.get("frequency_hz"), span_ms=sound.get("chirp_span_ms"),
        )  # fmt: skip
        if by_hand is not None:  # their places, with amplitudes of the common average
            return measured(by_hand, trace, where.width), ""
        return suggest(trace, where, present=all(run.record.get("verdict") == PRESENT for run in runs)), ""
    except ValueError as error:
        return Marks(), f"no waves are suggested at {level.label}: {error}"


def _published(marks: Marks, sound: Mapping[str, Any], material: Material) -> tuple[tuple[str, Norm], ...]:
    """For every value in the table of waves that has a published one: name as there, and where it comes from."""
    kind, db, age = sound.get("kind"), sound.get("level_db_nhl"), sound.get("age_group")
    hz, span = sound.get("frequency_hz"), sound.get("chirp_span_ms")
    found: list[tuple[str, Norm | None]] = []
    for mark in marks.marks:
        found.append((mark.wave, material.norms.latency(mark.wave, kind, db, age, frequency_hz=hz, span_ms=span)))
        if mark.wave == "V":
            found.append(("V amplitude", material.norms.amplitude(kind, db, age, span_ms=span)))
    for name in marks.intervals():
        first, second = name.split("-")
        found.append((name, material.norms.interval(first, second, age)))
    return tuple((name, norm) for name, norm in found if norm is not None)


def _growth(material: Material, levels: Sequence[Level]) -> tuple[str, ...]:
    """Of neighbouring levels, each once; a masked and an unmasked run of one level are not set against each other."""
    series: dict[float, Level] = {}
    for level in levels:
        if math.isfinite(level.level_db_nhl):
            series.setdefault(level.level_db_nhl, level)
    if not series:
        return ()
    sound = next(iter(series.values())).runs[0].record["stimulus"]
    found = ladder_growth(
        [(db, level.marks) for db, level in series.items()], material.norms, sound.get("kind"), sound.get("age_group"),
        frequency_hz=sound.get("frequency_hz"), span_ms=sound.get("chirp_span_ms"),
    )  # fmt: skip
    return tuple(f"From {one.from_db_nhl:g} to {one.to_db_nhl:g} dB nHL: {one.words}." for one in found)


def _window(runs: Sequence[RunMaterial]) -> tuple[float, float] | None:
    for run in runs:
        window = (run.plan.get("analysis") or {}).get("window_ms")
        if window is not None:
            return float(window[0]), float(window[1])
    return None


# -- masking and hearing ------------------------------------------------------------------------------------------------


def _masking(material: Material) -> tuple[Masked, ...]:
    """For every run that was heard and counts, from what all runs together found."""
    found = []
    for run in material.runs:
        summary, advice = run.summary, _advice(material, run)
        if summary is None or advice is None or summary.muted or summary.discarded is not None:
            continue
        due = advice.due
        words = advice.judge(summary.masking_db)
        if summary.masking_db is None and advice.needed and summary.verdict != PRESENT:
            words = "no masking; no response was found that could be the other ear's"
        found.append(Masked(run.number, due, words, advice))
    return tuple(found)


def _advice(material: Material, run: RunMaterial) -> MaskingAdvice | None:
    """None where no table knows this sound."""
    summary, sound = run.summary, run.record.get("stimulus")
    if summary is None or not isinstance(sound, Mapping):
        return None
    try:
        noise = (sound.get("masking") or {}).get("transducer") or material.noise_transducer
        played = Sound(
            summary.condition.ear, summary.condition.route, sound["transducer"], summary.level_db_nhl, sound["age_group"],
            summary.condition.frequency_hz, material.subject.age_months, noise, material.attenuation_set,
        )  # fmt: skip
        known = known_ears(material, summary.condition)
        return advise(material.tables, played, "growth" if summary.purpose == "growth" else "threshold", known)
    except (HearingError, KeyError):
        return None


def known_ears(material: Material, condition: Condition) -> KnownEars:
    """Lowest responses to the same sound; by bone only with noise in the other ear, else whose it was is not known."""
    summaries = [run.summary for run in material.runs if run.summary is not None]

    def lowest(ear: str, route: str) -> float:
        usable = [run for run in summaries if route == "air" or run.masked]
        return threshold_of(replace(condition, ear=ear, route=route), usable).lowest_present_db_nhl

    other = "left" if condition.ear == "right" else "right"
    return KnownEars(lowest(other, "bone"), lowest(other, "air"), lowest(condition.ear, "bone"), lowest(condition.ear, "air"))


def _measured(material: Material, masking: Sequence[Masked]) -> list[Measured]:
    """Thresholds as hearing levels are estimated from; sounds without any table are left out."""
    by_number = {run.number: run for run in material.runs}
    due = {one.run for one in masking if one.due}
    found = []
    for threshold in material.thresholds:
        condition = threshold.condition
        if condition.stimulus not in WITH_HEARING_LEVELS or not threshold.rests_on:
            continue
        behind = [by_number[number] for number in threshold.rests_on if number in by_number]
        if not math.isnan(threshold.lowest_present_db_nhl):
            behind = [run for run in behind if _db(run) == threshold.lowest_present_db_nhl]
        summaries = [run.summary for run in behind if run.summary is not None]
        found.append(
            Measured(
                condition.ear, condition.route, condition.stimulus, str(behind[0].record["stimulus"]["transducer"]),
                condition.frequency_hz, threshold.lowest_present_db_nhl, threshold.highest_absent_db_nhl,
                masked=bool(summaries) and all(one.masked for one in summaries),
                masking_due=any(run.number in due for run in behind) and not math.isnan(threshold.lowest_present_db_nhl),
            )
        )
    return found


def _db(run: RunMaterial) -> float:
    return math.nan if run.summary is None else round(run.summary.level_db_nhl, 2)


def verdict_words(run: RunMaterial) -> str:
    """response, no response, undecided, a fault."""
    if run.record.get("stopped_by") == "fault" or run.record.get("verdict") is None:
        return "a fault"
    return WORDS.get(str(run.record["verdict"]), str(run.record["verdict"]))


def electrodes(run: RunMaterial) -> list[dict[str, Any]] | None:
    """What the check before the run said about electrodes, where it was kept; None: it was not."""
    if run.check is None or not isinstance(run.check.get("findings"), list):
        return None
    return [dict(one) for one in run.check["findings"] if isinstance(one, Mapping) and one.get("group") == "electrodes"]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
