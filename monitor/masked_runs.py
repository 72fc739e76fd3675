"""Masking over the runs of one person: what each should have had, what they tell of both ears, whose response is whose. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from monitor.hearing_tables import HearingError, HearingTables
from monitor.masking_advice import KnownEars, MaskingAdvice, Purpose, Sound, advise
from monitor.session_types import OWN, Condition, RunSummary
from monitor.threshold import threshold_of
from monitor.whose_ear import of_run


@dataclass(frozen=True)
class About:
    """What advice counts with. `noise_transducer`: of the other ear, for runs whose record names none."""

    tables: HearingTables
    age_months: float | None = None
    noise_transducer: str | None = None
    attenuation_set: str | None = None


def advice_for(run: RunSummary, runs: Iterable[RunSummary], about: About) -> MaskingAdvice | None:
    """From what `runs` found; None where no table knows this sound."""
    purpose: Purpose = "growth" if run.purpose == "growth" else "threshold"
    try:
        sound = Sound(
            run.condition.ear, run.condition.route, run.transducer, run.level_db_nhl, run.age_group, run.condition.frequency_hz,
            about.age_months, run.noise_transducer or about.noise_transducer, about.attenuation_set,
        )  # fmt: skip
        return advise(about.tables, sound, purpose, known_ears(run.condition, runs))
    except HearingError:
        return None


def known_ears(condition: Condition, runs: Iterable[RunSummary]) -> KnownEars:
    """Thresholds for the same sound, from runs whose response is known to be that ear's."""
    own = [run for run in runs if run.whose == OWN]

    def lowest(ear: str, route: str) -> float:
        return threshold_of(replace(condition, ear=ear, route=route), own).lowest_present_db_nhl

    other = "left" if condition.ear == "right" else "right"
    return KnownEars(lowest(other, "bone"), lowest(other, "air"), lowest(condition.ear, "bone"), lowest(condition.ear, "air"))


def judged(runs: Sequence[RunSummary], about: About) -> tuple[RunSummary, ...]:
    """The same with `whose`: first as if nothing were known of either ear, then with what is an ear's own by that."""

    def with_whose(known: Sequence[RunSummary]) -> tuple[RunSummary, ...]:
        return tuple(
            replace(run, whose=of_run(run.verdict, run.masking_db, advice_for(run, known, about)))
            if run.transducer and not run.muted
            else run
            for run in runs
        )

    return with_whose(with_whose(()))
