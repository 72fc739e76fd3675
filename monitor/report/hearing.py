"""Masking run by run, and thresholds as hearing levels are estimated from. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from monitor.hearing import STIMULUS_WORDS as WITH_HEARING_LEVELS
from monitor.hearing import Measured
from monitor.hearing_tables import HearingError
from monitor.masking_advice import KnownEars, MaskingAdvice, Sound, advise
from monitor.report.material import Material, RunMaterial
from monitor.report.parts import Masked
from monitor.session_types import PRESENT, Condition
from monitor.threshold import threshold_of


def masking_of(material: Material) -> tuple[Masked, ...]:
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


def measured_thresholds(material: Material, masking: Sequence[Masked]) -> list[Measured]:
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
