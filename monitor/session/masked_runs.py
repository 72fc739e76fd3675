"""Masking over the runs of one person: noise due in each, thresholds of both ears, and the ear that responded. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from quietfloor.monitor.hearing.masking_advice import KnownEars, MaskingAdvice, Purpose, Sound, advise
from quietfloor.monitor.hearing.tables import HearingError, HearingTables
from quietfloor.monitor.session.conditions import OWN, UNKNOWN, Condition, RunSummary, noise_words
from quietfloor.monitor.session.threshold import Threshold, search_of, threshold_by_search, threshold_of
from quietfloor.monitor.session.whose_ear import of_run

PASSES = 4  # what one ear has of its own may tell of the other, and that of the first again
WORSE_DB = 10.0  # own choice: an ear without a response up to a level is taken as so much worse than that


@dataclass(frozen=True)
class About:
    """The data that advice uses. `noise_transducer`: transducer at the other ear, for runs whose record names none."""

    tables: HearingTables
    age_months: float | None = None
    noise_transducer: str | None = None
    attenuation_set: str | None = None


def advice_for(run: RunSummary, runs: Iterable[RunSummary], about: About) -> MaskingAdvice | None:
    """Advice from the results of `runs`; None if no table contains this stimulus."""
    return _advice(run, known_ears(run.condition, runs), about)


def _advice(run: RunSummary, known: KnownEars, about: About) -> MaskingAdvice | None:
    purpose: Purpose = "growth" if run.purpose == "growth" else "threshold"
    try:
        sound = Sound(
            run.condition.ear, run.condition.route, run.transducer, run.level_db_nhl, run.age_group, run.condition.frequency_hz,
            about.age_months, run.noise_transducer or about.noise_transducer, about.attenuation_set,
        )  # fmt: skip
        return advise(about.tables, sound, purpose, known)
    except HearingError:
        return None


def known_ears(condition: Condition, runs: Iterable[RunSummary]) -> KnownEars:
    """Thresholds for the same sound, from runs whose response is known to be that ear's."""
    own = [run for run in runs if run.whose == OWN]

    def found(ear: str, route: str) -> Threshold:
        one = replace(condition, ear=ear, route=route)
        search = search_of(one, own)
        return threshold_of(one, own) if search is None else threshold_by_search(one, search)

    def known(ear: str, route: str) -> float:
        """A response with none below it: "at most" is no threshold."""
        one = found(ear, route)
        return one.level_db_nhl if one.finding == "threshold" else math.nan

    other = "left" if condition.ear == "right" else "right"
    by_air = found(other, "air")  # how bad it may be
    other_air = by_air.lowest_present_db_nhl
    if by_air.finding == "no response":
        other_air = by_air.highest_absent_db_nhl + WORSE_DB
    return KnownEars(known(other, "bone"), other_air, known(condition.ear, "bone"), known(condition.ear, "air"))


def noise_for(advice: MaskingAdvice, noise: str, before: Iterable[RunSummary], most: bool = False) -> float:
    """Level in dB EM of the noise for a threshold run; nan for none. ``noise``: its kind. ``before``: earlier runs of the same
    condition and level; their noise is kept while it suffices, so that the runs can be counted together. ``most``: all that is
    harmless, for an ear of which more will be known when the recording is judged."""
    wanted, harmless = advice.noise_db_em, advice.harmless_db_em
    if most and not math.isnan(wanted):
        wanted = harmless
    for run in before:
        given = math.nan if run.masking_db is None else run.masking_db
        same = run.counts and run.noise == noise_words({"noise": noise, "level_db_em": given})
        if same and given <= harmless and (not advice.due or given >= wanted):
            return given
    return wanted


def judged(runs: Sequence[RunSummary], about: About) -> tuple[RunSummary, ...]:
    """The runs with `whose`, the ear that responded in each.

    The first pass uses no known thresholds. Each further pass uses the thresholds that the previous pass assigned to an ear,
    until nothing changes. If it keeps changing (the result for each ear depends on the other), the ear is not known.
    """
    known: dict[Condition, KnownEars] = {}
    told = tuple(runs)
    for _ in range(PASSES):
        before = told
        told = tuple(
            replace(run, whose=of_run(run.verdict, run.masking_db, _advice(run, known.get(run.condition, KnownEars()), about)))
            if run.transducer and not run.muted
            else run
            for run in runs
        )
        if told == before:
            return told
        known = {condition: known_ears(condition, told) for condition in {run.condition for run in runs}}
    return tuple(now if now == then else replace(now, whose=UNKNOWN) for now, then in zip(told, before, strict=True))
