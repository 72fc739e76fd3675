"""``python -m quietfloor.bench.validate.masked_sessions``: count whose thresholds sessions find, with noise as advised and
without.

Example: python -m quietfloor.bench.validate.masked_sessions --drawn 40 --seed 1

The people are: normal ears, a loss on one side, and people drawn at random; both ears by air, then both by bone. Ladder, masking
advice and judgement are those of a live session. A run finds a response if the noise-free response is at least as large as the
noise floor, so that the only possible error is the wrong ear. Text goes to standard output.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.profiles import Patient
from quietfloor.bench.simulate import ears
from quietfloor.bench.simulate.ears import VirtualEar
from quietfloor.bench.simulate.intervals import proportion
from quietfloor.bench.simulate.simulated_staircases import (
    HIGHEST_DB,
    Sessions,
    own_alone,
    response_uv,
    setup_of,
    size_nv,
    visible_db_nhl,
)
from quietfloor.bench.validate.report import aligned
from quietfloor.monitor.hearing.tables import load_hearing_tables
from quietfloor.monitor.session.conditions import ABSENT, OWN, PRESENT, UNKNOWN, Condition, RunSummary, noise_words
from quietfloor.monitor.session.masked_runs import About, advice_for, judged, noise_for
from quietfloor.monitor.session.next_level import Rules, suggest
from quietfloor.monitor.session.threshold import Threshold, threshold_of

WRONG_DB = 10.0
RULES = {
    "air": Rules(start_db=40.0, lowest_db=0.0, highest_db=HIGHEST_DB["air"], present_runs=1, absent_runs=1, most_in_all=40),
    "bone": Rules(start_db=20.0, lowest_db=-10.0, highest_db=HIGHEST_DB["bone"], present_runs=1, absent_runs=1, most_in_all=40),
}
FREQUENCIES_HZ = (500.0, 1000.0, 2000.0, 4000.0)
NEWBORN = Ear(
    bone_db_nhl={500: -10, 1000: -5, 2000: -5, 4000: -5}, air_db_nhl={500: 25, 1000: 20, 2000: 15, 4000: 15}
)  # as in docs/bone-check/patient.toml
SENSORY = {"a loss of 60 dB": Ear(60.0), "no hearing": Ear(math.inf)}
CONDUCTIVE = Ear(50.0, loss="conductive")
QUIET = Background(1.0)


@dataclass(frozen=True)
class Found:
    """What one ladder of a session found. ``true_db_nhl``: where the ear's own response is as large as the noise floor."""

    threshold: Threshold
    true_db_nhl: float

    @property
    def wrong(self) -> bool:
        """More than `WRONG_DB` off, where there is something to compare."""
        one, true_db = self.threshold, math.inf if math.isnan(self.true_db_nhl) else self.true_db_nhl
        too_low = not math.isnan(one.lowest_present_db_nhl) and one.lowest_present_db_nhl < true_db - WRONG_DB
        too_high = not math.isnan(one.highest_absent_db_nhl) and one.highest_absent_db_nhl > true_db + WRONG_DB
        return too_low or too_high


@dataclass(frozen=True)
class Person:
    """Who, and at which frequencies."""

    group: str
    patient: Patient
    frequencies_hz: tuple[float, ...] = FREQUENCIES_HZ
    _true_db: dict[Condition, float] = field(default_factory=dict)

    @property
    def age_group(self) -> str:
        return "adult" if self.patient.age_months is None else "infant"

    def size_nv(self, condition: Condition, level: float, noise_db_em: float, sessions: Sessions) -> float:
        """Of the noise-free response of both ears."""
        ear = VirtualEar(0, self.group, self.patient, condition, math.nan)
        setup = setup_of(ear.frequency_hz, self.age_group, 40.0, sessions)  # window and filter are the same at all levels
        sound = (sessions.stimulus, ear.frequency_hz)
        return size_nv(response_uv(self.patient, ear.side, ear.route, sound, level, setup.grid, noise_db_em), setup)

    def true_db_nhl(self, condition: Condition, sessions: Sessions) -> float:
        """Where the ear's own response is as large as the noise floor; nan: nowhere within reach."""
        if condition not in self._true_db:
            ear = VirtualEar(0, self.group, self.patient, condition, math.nan)
            lowest = RULES[condition.route].lowest_db - 20.0
            levels = (lowest, lowest + 50.0, lowest + 100.0) if condition.route == "air" else (lowest, lowest + 50.0)
            found = (
                visible_db_nhl(own_alone(ear), ear.side, ear.route, ear.frequency_hz, self.age_group, sessions, level)
                for level in levels
            )  # each looks 50 dB up
            self._true_db[condition] = next((level for level in found if not math.isnan(level)), math.nan)
        return self._true_db[condition]


@dataclass(frozen=True)
class Course:
    """A session that was followed to its end: its runs, how many of them had noise due, how many a dilemma; and what it found."""

    runs: tuple[RunSummary, ...]
    due: int
    dilemmas: int
    found: tuple[Found, ...]

    @property
    def flagged(self) -> int:
        return sum(run.whose == UNKNOWN for run in self.runs)

    @property
    def loudest_db_em(self) -> float:
        return max((run.masking_db for run in self.runs if run.masking_db is not None), default=math.nan)


def people(drawn: int, seed: int) -> list[Person]:
    """The made ones first."""
    newborn = Patient("newborn", NEWBORN, NEWBORN, QUIET, age_months=0.5)
    adult = Patient("adult", Ear(0.0), Ear(0.0), QUIET)
    made = [Person("normal newborn", newborn), Person("normal adult", adult)]
    for kind, ear in (*SENSORY.items(), ("a middle ear that takes 50 dB", CONDUCTIVE)):
        made.append(Person("one-sided, adults", replace(adult, name=kind, left=ear)))
        made.append(Person("one-sided, newborns", replace(newborn, name=kind, left=_of_newborn(ear))))
    return made + [
        Person("drawn", one.patient, (one.frequency_hz,)) for one in (ears.draw(number, seed) for number in range(drawn))
    ]


def _of_newborn(ear: Ear) -> Ear:
    """The same loss on top of what a newborn hears."""
    assert NEWBORN.air_db_nhl is not None
    assert NEWBORN.bone_db_nhl is not None
    loss = ear.threshold_db_nhl or 0.0
    air = {hz: db + loss for hz, db in NEWBORN.air_db_nhl.items()}
    bone = NEWBORN.bone_db_nhl if ear.loss == "conductive" else {hz: db + loss for hz, db in NEWBORN.bone_db_nhl.items()}
    return Ear(air_db_nhl=air) if math.isinf(loss) else Ear(air_db_nhl=air, bone_db_nhl=bone)


class Session:
    """Of one person: `follow` it to its end."""

    def __init__(self, person: Person, noise: bool, sessions: Sessions) -> None:
        self._person, self._noise, self._sessions = person, noise, sessions
        self._about = About(load_hearing_tables(), person.patient.age_months, "insert")
        self._made: list[RunSummary] = []
        self._dilemmas = 0

    def follow(self) -> Course:
        conditions = [
            Condition(ear, route, self._sessions.stimulus, hz)
            for hz in self._person.frequencies_hz for route in ("air", "bone") for ear in ("right", "left")
        ]  # fmt: skip
        for condition in conditions:
            self._climb(condition)
        runs = judged(self._made, self._about)
        advice = [advice_for(run, runs, self._about) for run in runs]
        found = tuple(Found(threshold_of(one, runs), self._person.true_db_nhl(one, self._sessions)) for one in conditions)
        return Course(runs, sum(one is not None and one.due for one in advice), self._dilemmas, found)

    def _climb(self, condition: Condition) -> None:
        while True:
            runs = judged(self._made, self._about)
            level = suggest(condition, runs, RULES[condition.route]).level_db_nhl
            if level is None:
                return
            self._made.append(self._run(condition, level, runs))

    def _run(self, condition: Condition, level: float, runs: Sequence[RunSummary]) -> RunSummary:
        transducer = "bone-vibrator" if condition.route == "bone" else "insert"
        run = RunSummary(
            len(self._made) + 1, condition, level, "", "", transducer=transducer, age_group=self._person.age_group,
            noise_transducer="insert",
        )  # fmt: skip
        advice = advice_for(run, runs, self._about)
        assert advice is not None
        self._dilemmas += advice.dilemma
        same = [one for one in runs if one.condition == condition and one.level_db_nhl == level]
        noise = noise_for(advice, "octave-band", same) if self._noise else math.nan
        verdict = PRESENT if self._person.size_nv(condition, level, noise, self._sessions) >= self._sessions.floor_nv else ABSENT
        if math.isnan(noise):
            return replace(run, verdict=verdict, noise_transducer=None)
        return replace(run, verdict=verdict, masking_db=noise, noise=noise_words({"noise": "octave-band", "level_db_em": noise}))


GROUPS = ("normal newborn", "normal adult", "one-sided, newborns", "one-sided, adults", "drawn")
COLUMNS = ("sessions of", "noise", "runs", "due", "not this ear's", "dilemmas", "loudest, dB EM", "thresholds", "this ear's")


def table(courses: Sequence[tuple[str, bool, Course]]) -> str:
    """Counts by group, without noise and with it; then what was wrong, with exact 95 % intervals."""
    rows: list[tuple[str, ...]] = [COLUMNS]
    wrong = [("thresholds", "noise", f"more than {WRONG_DB:g} dB off", "95 %")]
    for noise in (False, True):
        of_all = [course for _, by, course in courses if by is noise]
        word = "as advised" if noise else "none"
        for group in GROUPS:
            own = [course for of, by, course in courses if of == group and by is noise]
            if not own:
                continue
            found = [one for course in own for one in course.found if one.threshold.finding != "not tested"]
            loudest = max((course.loudest_db_em for course in own if not math.isnan(course.loudest_db_em)), default=math.nan)
            counts = (
                sum(len(course.runs) for course in own), sum(course.due for course in own), sum(course.flagged for course in own),
                sum(course.dilemmas for course in own), "" if math.isnan(loudest) else f"{loudest:g}", len(found),
                sum(one.threshold.whose == OWN for one in found),
            )  # fmt: skip
            rows.append((group, word, *(f"{count}" for count in counts)))
        for whose in (OWN, UNKNOWN):
            said = [one for course in of_all for one in course.found if one.threshold.whose == whose]
            part = proportion(sum(one.wrong for one in said), len(said))
            limits = f"{100 * part.low:.1f} to {100 * part.high:.1f} %"
            wrong.append((f"said to be {whose}" if whose == OWN else whose, word, f"{part.count} of {part.n}", limits))
    return "\n\n".join("\n".join(aligned(lines[0], lines[1:])) for lines in (rows, wrong))


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m quietfloor.bench.validate.masked_sessions",
        description=__doc__,
        formatter_class=argparse.RawTextHelpFormatter,
    )
    parser.add_argument("--drawn", type=int, default=40, help="number of people drawn at random (%(default)s)")
    parser.add_argument("--seed", type=int, default=1, help="the same seed gives the same figures (%(default)s)")
    options = parser.parse_args(arguments)
    if not 0 <= options.drawn <= 10_000 or options.seed < 0:
        parser.error(f"--drawn {options.drawn} --seed {options.seed}: give 0 to 10000 people, and a seed of 0 or more")
    sessions = Sessions()
    courses = []
    for number, person in enumerate(people(options.drawn, options.seed), 1):
        for noise in (False, True):
            courses.append((person.group, noise, Session(person, noise, sessions).follow()))
        sys.stderr.write(f"\r{number} people")
    sys.stderr.write("\n")
    sys.stdout.write(table(courses) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
