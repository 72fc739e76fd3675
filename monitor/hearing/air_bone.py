"""Air-bone gap at one frequency of one ear with its interval, and the pattern that it suggests. Pure.

The texts are material for a licensed professional, who decides: print `FOR_A_PROFESSIONAL` with them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

from quietfloor.monitor.hearing.estimate import EAR_WORDS, Estimate, interval_words, spread_db
from quietfloor.monitor.hearing.tables import HearingTables, same_hz

Pattern = Literal["none", "cochlear", "conductive", "mixed", "implausible", "open"]

FOR_A_PROFESSIONAL = (
    "These are patterns in estimates, no findings: what they mean is for a licensed professional to decide, with otoscopy, "
    "tympanometry and history."
)
GAP_DB = 10.0  # common practice: a gap must be more than this to be one
RAISED_DB = 25.0  # behavioural bone thresholds up to 25 dB HL counted as normal: Hatton, Janssen & Stapells 2012 (verified)
_MAY_FIT: dict[Pattern, str] = {
    "none": "Neither is raised: this would fit a normal ear.",
    "cochlear": "Both are raised alike: this would fit a sensorineural component without a conductive one.",
    "conductive": "Air is raised and bone is not: this would fit a conductive component.",
    "mixed": "Both are raised, air more than bone: this would fit a conductive and a sensorineural component together.",
    "implausible": (
        "Bone comes out worse than air, and no ear is like that. Within the intervals the two may still agree; otherwise look at "
        "the place and force of the vibrator, its calibration, the masking, and whether both tables fit the age."
    ),
    "open": "What this would fit is open.",
}


@dataclass(frozen=True)
class AirBone:
    """Comparison of air and bone. `gap_db` is air minus bone; nan if one of them is only a limit. In that case one end of the
    interval may still be known."""

    ear: str
    frequency_hz: float
    gap_db: float
    low_db: float
    high_db: float
    pattern: Pattern
    sentence: str
    notes: tuple[str, ...] = ()


def compare(air: Estimate, bone: Estimate, tables: HearingTables, age_group: str, age_months: float | None = None) -> AirBone:
    """Compare two estimates of the same ear and frequency. Raises ValueError if ear or frequency differ."""
    a, b = air.measured, bone.measured
    hz = a.frequency_hz
    if a.ear != b.ear or (a.route, b.route) != ("air", "bone") or hz is None or not same_hz(hz, b.frequency_hz or math.nan):
        raise ValueError(f"{a.where} and {b.where}: compare air with bone at one frequency of one ear")
    where = f"{EAR_WORDS[a.ear]}, {hz:g} Hz"
    if "not tested" in (air.finding, bone.finding):
        untested = a if air.finding == "not tested" else b
        return AirBone(a.ear, hz, math.nan, math.nan, math.nan, "open", f"{where}: {untested.route} was not tested.")
    difference = air.level_db - bone.level_db
    reach = NormalDist().inv_cdf(0.5 + air.coverage / 2.0) * _gap_sd_db(air, bone)
    gap = difference if air.finding == bone.finding == "threshold" else math.nan
    # A level that may only be better (worse) limits the gap from one side.
    at_least = air.finding in ("threshold", "no response") and bone.finding in ("threshold", "at most")
    at_most = air.finding in ("threshold", "at most") and bone.finding in ("threshold", "no response")
    low, high = (difference - reach if at_least else math.nan), (difference + reach if at_most else math.nan)
    pattern = _pattern(air, bone, difference, at_least, at_most)
    fits = _MAY_FIT[pattern]
    if pattern == "open" and bone.finding == "no response" and min(air.level_db, bone.level_db) > RAISED_DB:
        fits = "Bone is raised as well; whether there is a conductive component besides is open."
    certain = not math.isnan(low) and low > 0.0 if pattern in ("conductive", "mixed") else True
    sentence = f"{where}: {_gap_words(air, bone, gap, difference, low, high, at_least, at_most)} {fits}"
    if not certain:
        sentence += " The interval does not exclude that there is no gap at all."
    return AirBone(a.ear, hz, gap, low, high, pattern, sentence, _notes(air, bone, difference, tables, age_group, age_months))


def compare_all(
    estimates: Iterable[Estimate], tables: HearingTables, age_group: str, age_months: float | None = None
) -> tuple[AirBone, ...]:
    """Compare every bone estimate with the air estimate of its ear and frequency, if there is one; the same stimulus is
    preferred."""
    known = tuple(estimates)
    found = []
    for bone in (one for one in known if one.measured.route == "bone" and one.measured.frequency_hz is not None):
        b = bone.measured
        beside = [
            one
            for one in known
            if one.measured.route == "air" and one.measured.ear == b.ear
            and one.measured.frequency_hz is not None and same_hz(one.measured.frequency_hz, b.frequency_hz or math.nan)
        ]  # fmt: skip
        if beside:
            air = min(beside, key=lambda one: one.measured.stimulus != b.stimulus)
            found.append(compare(air, bone, tables, age_group, age_months))
    return tuple(found)


def _gap_sd_db(air: Estimate, bone: Estimate) -> float:
    """SD of the gap. Rows on which both estimates rest cancel; errors of the others are assumed to be independent, which makes
    the interval wide."""
    apart = [row for row in air.rows if row not in bone.rows] + [row for row in bone.rows if row not in air.rows]
    return math.sqrt(sum(spread_db(row) ** 2 for row in apart))


def _pattern(air: Estimate, bone: Estimate, difference_db: float, at_least: bool, at_most: bool) -> Pattern:
    bone_raised = bone.level_db > RAISED_DB
    if difference_db > GAP_DB and at_least:
        if bone.finding == "at most" and bone_raised:
            return "open"  # a gap, but how well bone hears is not known
        return "mixed" if bone_raised else "conductive"
    if difference_db < -GAP_DB and at_most:
        return "implausible"
    if air.finding == "threshold" and bone.finding == "no response":  # bone is no better than this
        return "cochlear" if difference_db <= GAP_DB and min(air.level_db, bone.level_db) > RAISED_DB else "open"
    if air.finding != "threshold" or bone.finding != "threshold":
        heard = "no response" not in (air.finding, bone.finding)  # both may only be better than their levels
        return "none" if air.level_db <= RAISED_DB and (at_most or (heard and not bone_raised)) else "open"
    return "cochlear" if min(air.level_db, bone.level_db) > RAISED_DB else "none"


def _gap_words(
    air: Estimate, bone: Estimate, gap: float, difference: float, low: float, high: float, at_least: bool, at_most: bool
) -> str:
    levels = " and ".join(
        f"{one.measured.route} {'worse than ' if one.finding == 'no response' else ''}{one.level_db:.0f} dB eHL"
        f"{' or better' if one.finding == 'at most' else ''}"
        for one in (air, bone)
    )
    if not math.isnan(gap):
        return f"{levels}, a gap of {gap:.0f} dB ({interval_words(low, high, air.coverage)})."
    if at_least:
        return f"{levels}, a gap of at least {difference:.0f} dB ({interval_words(low, high, air.coverage)})."
    if at_most:
        return f"{levels}, a gap of at most {difference:.0f} dB ({interval_words(low, high, air.coverage)})."
    return f"{levels}: the gap is not known from these."


def _notes(
    air: Estimate, bone: Estimate, difference: float, tables: HearingTables, age_group: str, age_months: float | None
) -> tuple[str, ...]:
    a, b = air.measured, bone.measured
    notes = []
    for normal in tables.normals:
        limit = normal.at(b.frequency_hz)
        fits = normal.kind == "limit" and (normal.stimulus, normal.route) == (b.stimulus, "bone")
        if not fits or not normal.fits_age(age_group, age_months) or math.isnan(limit):
            continue
        answered, silent = b.lowest_present_db_nhl <= limit, b.highest_absent_db_nhl >= limit
        if answered or silent:
            accuracy = "" if normal.accuracy_percent is None else f", right in {normal.accuracy_percent:g} % of ears"
            told = f"answered at {b.lowest_present_db_nhl:g}" if answered else f"did not answer at {b.highest_absent_db_nhl:g}"
            speaks = "against" if answered else "for"
            notes.append(
                f"bone {told} dB nHL, which speaks {speaks} a raised cochlear threshold: normal up to {limit:g} dB nHL in "
                f"{normal.source} ({normal.status}){accuracy}"
            )
            if answered == (bone.level_db > RAISED_DB):
                notes.append("the estimate by bone says the opposite of that: the two rest on different studies and calibrations")
    if difference > GAP_DB and not b.masked:
        notes.append("bone was run without masking: the response may come from the other ear, and then the gap is not this ear's")
    if a.stimulus != b.stimulus:
        notes.append(f"air was run with {a.stimulus}, bone with {b.stimulus}: their corrections differ")
    if not set(air.rows) & set(bone.rows):
        notes.append("air and bone rest on tables of different studies: their zeros need not agree")
    return tuple(notes)
