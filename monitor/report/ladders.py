"""The ladders of a report: levels with their common averages, marks on their waves, change with level. Pure."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import zip_longest
from typing import Any

import numpy as np

from quietfloor.monitor.core.stopping import Outcome
from quietfloor.monitor.report.material import Material, RunMaterial
from quietfloor.monitor.report.parts import Ladder, Level, level_words
from quietfloor.monitor.review.search_record import SearchedCondition, averages_of, sound_of, window_of
from quietfloor.monitor.session.conditions import Condition, ipsilateral_words, noise_words, published_kind, sought_kind
from quietfloor.monitor.session.staircase_errors import LadderErrors
from quietfloor.monitor.session.threshold import Threshold
from quietfloor.monitor.waves.growth import ladder_growth
from quietfloor.monitor.waves.marks import Marks
from quietfloor.monitor.waves.norms import Norm
from quietfloor.monitor.waves.peaks import Sought, measured, sought, suggest
from quietfloor.monitor.waves.replicates import Replicate, combined, compare
from quietfloor.monitor.waves.trace import Averages, Trace
from quietfloor.stimuli.calibration import ear_words
from quietfloor.stimuli.levels import stated_level

GRID_DB, BEYOND_DB = 2.5, 5.0  # own choice: from one level to the next of a published curve; beyond the levels that were run


def ladders_of(material: Material, suggest_marks: bool) -> tuple[Ladder, ...]:
    """Ladders of the report: first those with thresholds, then runs without a level in dB nHL, grouped by their properties."""
    made = []
    for threshold, errors in zip_longest(material.thresholds, material.errors):
        own = [run for run in material.runs if run.summary is not None and run.summary.condition.same_as(threshold.condition)]
        own = [run for run in own if run.summary is not None and run.summary.discarded is None and run.search is None]
        made.append(_ladder(threshold.condition, own, material, suggest_marks, threshold, errors))
    for _, one in _searches(material):
        if not any(ladder.condition is not None and ladder.condition.same_as(one.condition) for ladder in made):
            made.append(_ladder(one.condition, (), material, suggest_marks))
    others: dict[str, list[RunMaterial]] = {}
    for run in material.runs:
        if run.search is not None:
            continue
        at_home = run.summary is not None and any(run.summary.condition.same_as(one.condition) for one in material.thresholds)
        discarded = run.summary is not None and run.summary.discarded is not None
        if not at_home and not discarded:
            others.setdefault(_other_title(run), []).append(run)
    made += [Ladder(title, None, _levels(own, material, suggest_marks), _window(own)) for title, own in others.items()]
    return tuple(made)


def _ladder(
    condition: Condition, own: Sequence[RunMaterial], material: Material, suggest_marks: bool, threshold: Threshold | None = None,
    errors: LadderErrors | None = None,
) -> Ladder:  # fmt: skip
    """Runs of single levels, and the levels of searches."""
    searches = tuple((run, one) for run, one in _searches(material) if one.condition.same_as(condition))
    levels = [*_levels(own, material, suggest_marks)]
    levels += [level for run, one in searches for level in _searched_levels(run, one, material, suggest_marks)]
    levels.sort(key=_from_above)
    window = _window(own)
    if window is None and searches:
        run, one = searches[0]
        window = window_of(run.plan, sound_of(run.record, run.plan, one, one.cells[-1]))
    growth = _growth(material, levels)
    published = _published_by_level(levels, material)
    return Ladder(capital(str(condition)), condition, tuple(levels), window, threshold, growth, errors, searches, published)


def _searches(material: Material) -> Iterator[tuple[RunMaterial, SearchedCondition]]:
    """Every condition of every search that counts, in order."""
    for run in material.runs:
        if run.search is not None and not run.discarded:
            for one in run.search.conditions:
                yield run, one


def _searched_levels(
    run: RunMaterial, one: SearchedCondition, material: Material, suggest_marks: bool
) -> Iterator[Level]:
    """Those that were played, each with its average and both halves."""
    for cell in one.cells:
        if not cell.presented:
            continue
        sound = sound_of(run.record, run.plan, one, cell)
        noise = "" if sound["masking"] is None else f", other ear masked ({noise_words(sound['masking'])})"
        found, lowest = cell.level_db_nhl >= one.found_db_nhl, cell.level_db_nhl == one.found_db_nhl
        label = f"{cell.level_db_nhl:g} dB nHL{noise}"
        level = Level(
            label, cell.level_db_nhl, (run,), np.empty(0), np.empty(0), math.nan, sound=sound, cell=cell, found=found,
            lowest=lowest,
        )  # fmt: skip
        try:
            averages = averages_of(cell, run.record)
            if not np.isfinite(averages.average_uv).all():
                raise ValueError("its average is not defined")
        except (ValueError, KeyError) as error:
            yield replace(level, untold=(f"run {run.number} is not drawn: {error}",))
            continue
        halves = (("odd half", averages.a_uv), ("even half", averages.b_uv))
        level = replace(
            level, times_ms=averages.times_ms, average_nv=1e3 * averages.average_uv, noise_nv=averages.residual_noise_nv,
            curves_nv=tuple((name, averages.times_ms, 1e3 * curve) for name, curve in halves if np.isfinite(curve).all()),
        )  # fmt: skip
        marks, untold = cell.marks or Marks(), ""
        if cell.marks is None and suggest_marks:
            marks, untold = _suggested(level, averages, window_of(run.plan, sound), material)
        yield replace(level, marks=marks, published=_published(marks, sound, material), untold=(untold,) if untold else ())


def _other_title(run: RunMaterial) -> str:
    sound = run.record.get("stimulus")
    again = f" (decided again from {run.record['replay_of']})" if run.record.get("replay_of") else ""
    if not isinstance(sound, Mapping):
        return f"Sound of other equipment{again}"
    return f"{capital(ear_words(str(sound.get('ear'))))}, {sound.get('stimulus')} by {sound.get('route')}{again}"


def _levels(runs: Sequence[RunMaterial], material: Material, suggest_marks: bool) -> tuple[Level, ...]:
    grouped: dict[tuple[str, str, str], list[RunMaterial]] = {}
    for run in runs:
        masking = (run.record.get("stimulus") or {}).get("masking")
        noise = "" if masking is None else f", other ear masked ({noise_words(masking)})"
        own = (run.record.get("stimulus") or {}).get("ipsilateral_noise")
        noise += "" if own is None else f", in {ipsilateral_words(own)}"
        purpose = run.summary.purpose if run.summary is not None else "threshold"
        only = ", run for the intensity function" if purpose == "growth" else ""
        grouped.setdefault((level_words(run), noise, only), []).append(run)
    levels = [_level("".join(key), own, material, suggest_marks) for key, own in grouped.items()]
    return tuple(sorted(levels, key=_from_above))


def _from_above(level: Level) -> tuple[int, float]:
    """Levels in dB nHL first, then those in other units, then controls and unknown levels."""
    known = None if level.sound.get("muted") else stated_level(level.sound)
    if math.isfinite(level.level_db_nhl) or known is None:
        return (2, 0.0) if known is None else (0, -level.level_db_nhl)
    return 1, -known[0]


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
    level = Level(label, level_db, tuple(runs), np.empty(0), np.empty(0), math.nan, sound=sound)
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
    """Marks of a level: those by hand of the first run that has any, else suggested ones; and the reason if there can be none."""
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
        if by_hand is not None:  # their places, with amplitudes of the common average
            return measured(by_hand, trace, _sought(sound, window, material).width), ""
        return _suggested(level, averages, window, material)
    except ValueError as error:
        return Marks(), f"no waves are suggested at {level.label}: {error}"


def _suggested(level: Level, averages: Averages, window: tuple[float, float], material: Material) -> tuple[Marks, str]:
    """The reason where there can be none."""
    try:
        return suggest(Trace.of(averages), _sought(level.sound, window, material)), ""
    except ValueError as error:
        return Marks(), f"no waves are suggested at {level.label}: {error}"


def _sought(sound: Mapping[str, Any], window: tuple[float, float], material: Material) -> Sought:
    return sought(
        sought_kind(sound), sound.get("level_db_nhl"), sound.get("age_group"), window, material.norms,
        frequency_hz=sound.get("frequency_hz"), span_ms=sound.get("chirp_span_ms"),
    )  # fmt: skip


def _published(marks: Marks, sound: Mapping[str, Any], material: Material) -> tuple[tuple[str, Norm], ...]:
    """The published value and its source for each value in the table of waves that has one, by its name there."""
    kind, db, age = published_kind(sound), sound.get("level_db_nhl"), sound.get("age_group")
    hz, span = sound.get("frequency_hz"), sound.get("chirp_span_ms")
    found: list[tuple[str, Norm | None]] = []
    for mark in marks.marks:
        found.append((mark.wave, material.norms.latency(mark.wave, kind, db, age, frequency_hz=hz, span_ms=span)))
        if mark.wave == "V":
            found.append(("V amplitude", material.norms.amplitude(kind, db, age, span_ms=span)))
    for name in marks.intervals() if db is not None and kind is not None else ():  # published for levels in dB nHL
        first, second = name.split("-")
        found.append((name, material.norms.interval(first, second, age)))
    return tuple((name, norm) for name, norm in found if norm is not None)


def _published_by_level(
    levels: Sequence[Level], material: Material
) -> tuple[tuple[float, Norm | None, Norm | None], ...]:
    """What is published of wave V for the sound of these levels, at its levels and between them."""
    known = [level for level in levels if math.isfinite(level.level_db_nhl)]
    if not known:
        return ()
    sound = known[0].sound
    kind, age, hz = published_kind(sound), sound.get("age_group"), sound.get("frequency_hz")
    span = sound.get("chirp_span_ms")
    rows = []
    low_db, high_db = known[-1].level_db_nhl - BEYOND_DB, known[0].level_db_nhl + BEYOND_DB
    for level in np.arange(low_db, high_db + GRID_DB / 2, GRID_DB).tolist():
        latency = material.norms.latency("V", kind, level, age, frequency_hz=hz, span_ms=span)
        rows.append((level, latency, material.norms.amplitude(kind, level, age, span_ms=span)))
    return tuple(row for row in rows if row[1] is not None or row[2] is not None)


def _growth(material: Material, levels: Sequence[Level]) -> tuple[str, ...]:
    """Change of wave V between neighbouring levels, in sentences; masked and unmasked runs of a level are not compared."""
    series: dict[float, Level] = {}
    for level in levels:
        if math.isfinite(level.level_db_nhl):
            series.setdefault(level.level_db_nhl, level)
    if not series:
        return ()
    sound = next(iter(series.values())).sound
    found = ladder_growth(
        [(db, level.marks) for db, level in series.items()], material.norms, published_kind(sound), sound.get("age_group"),
        frequency_hz=sound.get("frequency_hz"), span_ms=sound.get("chirp_span_ms"),
    )  # fmt: skip
    return tuple(f"From {one.from_db_nhl:g} to {one.to_db_nhl:g} dB nHL: {one.words}." for one in found)


def _window(runs: Sequence[RunMaterial]) -> tuple[float, float] | None:
    for run in runs:
        window = (run.plan.get("analysis") or {}).get("window_ms")
        if window is not None:
            return float(window[0]), float(window[1])
    return None


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]
