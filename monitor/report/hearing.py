"""Masking run by run, and thresholds as hearing levels are estimated from. Pure."""

from __future__ import annotations

import math

from quietfloor.monitor.hearing.estimate import STIMULUS_WORDS as WITH_HEARING_LEVELS
from quietfloor.monitor.hearing.estimate import Measured
from quietfloor.monitor.report.material import Material, RunMaterial
from quietfloor.monitor.report.parts import Masked
from quietfloor.monitor.session.conditions import PRESENT, UNKNOWN
from quietfloor.monitor.session.masked_runs import advice_for


def masking_of(material: Material) -> tuple[Masked, ...]:
    """Masking advice for every counted run with sound, from the results of all runs together."""
    found = []
    summaries = [run.summary for run in material.runs if run.summary is not None]
    for summary in summaries:
        if summary.muted or summary.discarded is not None or summary.search is not None:
            continue
        advice = advice_for(summary, summaries, material.about)
        if advice is None:
            continue
        words = advice.judge(summary.masking_db)
        if summary.masking_db is None and advice.needed and summary.verdict != PRESENT:
            words = "no masking; no response was found that could be the other ear's"
        found.append(Masked(summary.number, advice.due, words, advice))
    return tuple(found)


def measured_thresholds(material: Material) -> list[Measured]:
    """Thresholds in the form from which hearing levels are estimated; sounds without any table are left out."""
    by_number = {run.number: run for run in material.runs}
    found = []
    for threshold in material.thresholds:
        condition = threshold.condition
        if condition.stimulus not in WITH_HEARING_LEVELS or not threshold.rests_on:
            continue
        if threshold.method == "search":
            found.append(threshold.measured)
            continue
        behind = [by_number[number] for number in threshold.rests_on if number in by_number]
        if not math.isnan(threshold.lowest_present_db_nhl):
            behind = [run for run in behind if _db(run) == threshold.lowest_present_db_nhl]
        summaries = [run.summary for run in behind if run.summary is not None]
        found.append(
            Measured(
                condition.ear, condition.route, condition.stimulus, str(behind[0].record["stimulus"]["transducer"]),
                condition.frequency_hz, threshold.lowest_present_db_nhl, threshold.highest_absent_db_nhl,
                masked=bool(summaries) and all(one.masked for one in summaries), ear_known=threshold.whose != UNKNOWN,
            )
        )  # fmt: skip
    return found


def _db(run: RunMaterial) -> float:
    return math.nan if run.summary is None else round(run.summary.level_db_nhl, 2)
