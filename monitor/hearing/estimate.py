"""Estimated hearing levels (dB eHL) from ABR thresholds in dB nHL, by tables that were chosen by name. Pure.

An estimate is a level with an interval. It is not a hearing test, which needs the answers of the person. Every estimate names the
rows from which it was made, their sources and their status.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal, get_args

from quietfloor.monitor.hearing.tables import Chosen, Grades, HearingError, Row, same_hz, worst_status
from quietfloor.stimuli.calibration import BONE, EARS
from quietfloor.stimuli.levels import HIGHEST_DB_NHL, LOWEST_DB_NHL
from quietfloor.stimuli.stimulus import Standard

Finding = Literal["threshold", "at most", "no response", "not tested"]

COVERAGE = 0.95
# Spread of single ears where a row has none. Own choice: that of Stapells, Gravel & Martin 1995, the one that could be computed
# (80, 93, 98 % within 15, 20, 30 dB); for the step from one route or stimulus to another, which one ear takes twice, 10 dB.
STAND_IN_DB, RELATIVE_STAND_IN_DB = 12.0, 10.0
STEP_DB = 10.0  # own choice: steps that published spreads hold already; a wider bracket lengthens the interval downward
# Corrected ABR less behavioural threshold in severe to profound losses, by the two constant corrections of McCreery et al. 2015
# (Ear Hear 36:309, table 5; verified): the ABR told too good a hearing, by so many dB on average.
TOO_GOOD_DB = {500.0: (13.6, 28.6), 1000.0: (5.6, 15.6), 2000.0: (6.4, 11.4), 4000.0: (6.2, 6.2)}
GREAT_LOSS_DB = 65.0  # own choice, about where that group begins
EAR_WORDS = {"right": "Right ear", "left": "Left ear"}
STIMULUS_WORDS = {kind: kind.replace("-", " ") for kind in get_args(Standard)}


@dataclass(frozen=True)
class Measured:
    """What a ladder of runs, or a search, found for one ear, route and sound. dB nHL; nan for what was not found.

    `searched_db_nhl`: the threshold that a search found; nan for a ladder. `masked`: the other ear had noise; `ear_known`: the
    response is known to be this ear's, see `quietfloor.monitor.session.whose_ear`. Raises HearingError. """

    ear: str
    route: str
    stimulus: str
    transducer: str
    frequency_hz: float | None = None
    lowest_present_db_nhl: float = math.nan
    highest_absent_db_nhl: float = math.nan
    masked: bool = False
    ear_known: bool = True
    searched_db_nhl: float = math.nan

    def __post_init__(self) -> None:
        for name, value, known in (
            ("ear", self.ear, EARS), ("route", self.route, ("air", "bone")), ("stimulus", self.stimulus, tuple(STIMULUS_WORDS)),
        ):  # fmt: skip
            if value not in known:
                raise HearingError(f"{name} = {value!r}; allowed are {', '.join(known)}")
        if (self.route == "bone") != (self.transducer == BONE):
            raise HearingError(f"{self.where}: transducer = {self.transducer!r}; bone goes with {BONE}, air with an earphone")
        for level in (self.lowest_present_db_nhl, self.highest_absent_db_nhl):
            if not (math.isnan(level) or LOWEST_DB_NHL <= level <= HIGHEST_DB_NHL):
                allowed = f"{LOWEST_DB_NHL:g} to {HIGHEST_DB_NHL:g}, nan for none"
                raise HearingError(f"{self.where}: {level} dB nHL; allowed is {allowed}")
        if self.highest_absent_db_nhl >= self.lowest_present_db_nhl:
            raise HearingError(
                f"{self.where}: a response at {self.lowest_present_db_nhl:g} dB nHL but none at {self.highest_absent_db_nhl:g}: "
                "repeat one of the two, or discard the run that cannot be right"
            )

    @property
    def finding(self) -> Finding:
        if not math.isnan(self.searched_db_nhl):
            return "threshold"
        present, absent = not math.isnan(self.lowest_present_db_nhl), not math.isnan(self.highest_absent_db_nhl)
        if present:
            return "threshold" if absent else "at most"
        return "no response" if absent else "not tested"

    @property
    def where(self) -> str:
        """Right ear, 2000 Hz tone burst by air."""
        hz = "" if self.frequency_hz is None else f"{self.frequency_hz:g} Hz "
        return f"{EAR_WORDS[self.ear]}, {hz}{STIMULUS_WORDS[self.stimulus]} by {self.route}"


@dataclass(frozen=True)
class Estimate:
    """An estimated hearing level in dB eHL, with the interval that contains a share `coverage` of ears; nan: no limit on that
    side.

    `level_db` is the level itself; for "at most" the highest possible level; for "no response" the level that is exceeded.
    """

    measured: Measured
    level_db: float
    low_db: float
    high_db: float
    sd_db: float
    rows: tuple[Row, ...] = ()
    notes: tuple[str, ...] = ()
    coverage: float = COVERAGE

    @property
    def finding(self) -> Finding:
        return self.measured.finding

    @property
    def status(self) -> str:
        """The least certain status of the rows on which it rests."""
        return worst_status(row.status for row in self.rows)

    @property
    def tables(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(row.table for row in self.rows))

    @property
    def sentence(self) -> str:
        where, found = self.measured.where, self.measured
        if self.finding == "not tested":
            return f"{where}: not tested."
        level, limits = f"{self.level_db:.0f} dB eHL", interval_words(self.low_db, self.high_db, self.coverage)
        by = f"by {' with '.join(self.tables)} ({self.status})"
        if self.finding == "no response":
            none_to = f"{found.highest_absent_db_nhl:g} dB nHL"
            return f"{where}: no response up to {none_to}; worse than about {level} ({limits}), {by}."
        if self.finding == "at most":
            return (
                f"{where}: a response at {found.lowest_present_db_nhl:g} dB nHL, the lowest level that was run; "
                f"{level} or better ({limits}), {by}."
            )
        if not math.isnan(found.searched_db_nhl):
            return f"{where}: about {level} ({limits}), from a threshold of {found.searched_db_nhl:.0f} dB nHL by a search, {by}."
        return (
            f"{where}: about {level} ({limits}), from a response at {found.lowest_present_db_nhl:g} dB nHL and none at "
            f"{found.highest_absent_db_nhl:g}, {by}."
        )


def interval_words(low_db: float, high_db: float, coverage: float) -> str:
    """The interval in words, such as "95 %: 6 to 54"."""
    percent = f"{100 * coverage:g} %"
    if math.isnan(low_db):
        return f"{percent}: below {high_db:.0f}"
    if math.isnan(high_db):
        return f"{percent}: above {low_db:.0f}"
    return f"{percent}: {low_db:.0f} to {high_db:.0f}"


def estimate(
    measured: Measured, chosen: Chosen, age_group: str, age_months: float | None = None, coverage: float = COVERAGE
) -> Estimate:
    """Hearing level by the matching rows of the chosen tables. Raises HearingError if no row matches, or more than one.

    If a row refers to another route or stimulus, the row for that one is applied as well.
    """
    if not 0.5 <= coverage < 1.0:
        raise HearingError(f"coverage = {coverage:g}; allowed is 0.5 to below 1, such as 0.95")
    if measured.finding == "not tested":
        return Estimate(measured, math.nan, math.nan, math.nan, math.nan, coverage=coverage)
    rows = _chain(measured, chosen, age_group, age_months)
    sd_db = math.sqrt(sum(spread_db(row) ** 2 for row in rows))
    present = measured.finding != "no response"
    level_db_nhl = measured.lowest_present_db_nhl if present else measured.highest_absent_db_nhl
    level_db_nhl = level_db_nhl if math.isnan(measured.searched_db_nhl) else measured.searched_db_nhl
    level = level_db_nhl + sum(row.correction_db for row in rows)
    reach = NormalDist().inv_cdf(0.5 + coverage / 2.0) * sd_db
    gap = measured.lowest_present_db_nhl - measured.highest_absent_db_nhl
    low = math.nan if measured.finding == "at most" else level - reach - (gap - STEP_DB if gap > STEP_DB else 0.0)
    high = level + reach if present else math.nan
    return Estimate(measured, level, low, high, sd_db, rows, _notes(measured, rows, level, gap, age_months), coverage)


@dataclass(frozen=True)
class NotEstimated:
    """A result for which no estimate was possible, and the reason."""

    measured: Measured
    reason: str


def estimate_all(
    measured: Iterable[Measured], chosen: Chosen, age_group: str, age_months: float | None = None, coverage: float = COVERAGE
) -> tuple[tuple[Estimate, ...], tuple[NotEstimated, ...]]:
    """All possible estimates, and the results without an estimate."""
    made, rest = [], []
    for one in measured:
        try:
            made.append(estimate(one, chosen, age_group, age_months, coverage))
        except HearingError as error:
            rest.append(NotEstimated(one, str(error)))
    return tuple(made), tuple(rest)


def spread_db(row: Row) -> float:
    """SD of single ears about a row in dB, published or assumed."""
    if row.spread_db is not None:
        return row.spread_db
    return STAND_IN_DB if row.relative_to is None else RELATIVE_STAND_IN_DB


@dataclass(frozen=True)
class Grade:
    """The average hearing level of an ear by air, and its grade: `word`, within `low_word` to `high_word`."""

    ear: str
    average_db: float
    low_db: float
    high_db: float
    word: str
    sentence: str


def grade(ear: str, estimates: Iterable[Estimate], grades: Grades) -> Grade:
    """Grade of the average over the frequencies of the grading. Errors are assumed to be common to all frequencies, which is
    cautious.

    A frequency without a response counts with the level that it exceeds. The result is nan and "" if a frequency is missing.
    """
    by_hz: list[Estimate] = []
    missing = []
    of_ear = [one for one in estimates if (one.measured.ear, one.measured.route) == (ear, "air") and one.finding != "not tested"]
    for hz in grades.averages_hz:
        fitting = [one for one in of_ear if one.measured.frequency_hz is not None and same_hz(one.measured.frequency_hz, hz)]
        if fitting:
            by_hz.append(min(fitting, key=lambda one: one.sd_db))
        else:
            missing.append(f"{hz:g}")
    if missing:
        lacking = f"{', '.join(missing)} Hz by air {'is' if len(missing) == 1 else 'are'} missing"
        told = f"{EAR_WORDS[ear]}: no average by {grades.title}: {lacking}."
        return Grade(ear, math.nan, math.nan, math.nan, "", told)
    average, low, high = (
        sum(values) / len(by_hz) for values in zip(*((one.level_db, one.low_db, one.high_db) for one in by_hz), strict=True)
    )
    worse = any(one.finding == "no response" for one in by_hz)
    word = grades.word(average)
    first, last = grades.first if math.isnan(low) else grades.word(low), "more" if math.isnan(high) else grades.word(high)
    span = f"the interval reaches from {first} to {last}" if first != last else "as does the whole interval"
    over = ", ".join(f"{hz:g}" for hz in grades.averages_hz)
    limits = interval_words(low, high, by_hz[0].coverage)
    sentence = (
        f"{EAR_WORDS[ear]}: an average of {'more than ' if worse else ''}{average:.0f} dB eHL ({limits}) over {over} Hz would "
        f"fall under \"{word}\" of {grades.title} ({grades.status}); {span}. These grades were made for hearing levels found by "
        "asking, not for estimates."
    )
    return Grade(ear, average, low, high, word, sentence)


def _chain(measured: Measured, chosen: Chosen, age_group: str, age_months: float | None) -> tuple[Row, ...]:
    rows: list[Row] = []
    stimulus, route = measured.stimulus, measured.route
    transducer: str | None = measured.transducer  # None: whichever there is, behind a row that leads from bone to air
    while not rows or rows[-1].relative_to is not None:
        fitting = [
            row
            for row in chosen.rows
            if row.is_for(stimulus, measured.frequency_hz, route, transducer) and row.fits_age(age_group, age_months)
        ]
        if age_months is not None and any(row.age_months is not None for row in fitting):
            fitting = [row for row in fitting if row.age_months is not None]  # the narrower age goes first
        hz = "" if measured.frequency_hz is None else f" {measured.frequency_hz:g} Hz"
        wanted = f"{STIMULUS_WORDS[stimulus]}{hz} / {route} / {transducer or 'any earphone'} / {age_group}"
        wanted += "" if age_months is None else f", {age_months:g} months"
        if not fitting:
            after = f" (to follow {rows[-1].table!r}, which counts from there)" if rows else ""
            raise HearingError(
                f"{measured.where}: no correction for {wanted}{after} in {', '.join(chosen.names)}: choose another table as "
                "well, or write a row of your own with its source"
            )
        if len(fitting) > 1:
            told = "; ".join(f"{row.table} {row.correction_db:+g} dB" for row in fitting)
            raise HearingError(
                f"{measured.where}: more than one correction for {wanted}: {told}. They are not averaged: choose one table"
            )
        rows.append(fitting[0])
        if fitting[0].relative_to == "air":
            route, transducer = "air", None
        elif fitting[0].relative_to == "tone-burst":
            stimulus = "tone-burst"
        if len(rows) > 3:
            raise HearingError(f"{measured.where}: the rows of {', '.join(chosen.names)} lead round in a circle")
    return tuple(rows)


def _notes(
    measured: Measured, rows: tuple[Row, ...], level_db: float, gap_db: float, age_months: float | None
) -> tuple[str, ...]:
    notes = []
    for row in rows:
        notes += [f"{row.table}: {row.note}"] if row.note else []
        if row.narrower and age_months is None:
            notes.append(f"{row.table} is for {row.narrower}, and the age in months was not given")
        if row.transducer == "any":
            notes.append(f"{row.table}: which transducer it was found with is not stated in what was read")
        if row.spread_db is None:
            notes.append(f"{row.table} gives no spread of single ears: {spread_db(row):g} dB (SD) stands in for it")
        if row.status == "unverified":
            notes.append(f"{row.table} is unverified: {row.source}")
    if gap_db > STEP_DB:
        notes.append(f"nothing was run in the {gap_db:g} dB below the lowest response: the interval reaches further down for it")
    if level_db >= GREAT_LOSS_DB:
        hz = measured.frequency_hz or math.nan
        published = next((both for known_hz, both in TOO_GOOD_DB.items() if same_hz(known_hz, hz)), ())
        by = " to ".join(f"{db:g}" for db in dict.fromkeys(published))
        notes.append(
            "in severe losses constant corrections told too good a hearing"
            + (f", at this frequency by {by} dB on average" if by else "")
            + " (McCreery et al. 2015, table 5)"
        )
    if not math.isnan(measured.searched_db_nhl):
        notes.append("tables were made with the softest level that had a response, in steps; a search finds where it begins")
    if not measured.ear_known:
        notes.append("not known to be this ear's: masking of the other ear was due, and not given or not known to be enough")
    return tuple(dict.fromkeys(notes))
