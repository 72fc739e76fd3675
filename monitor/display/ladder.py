"""Levels that were tried for one ear, route and stimulus, as rungs, read from the records of a session folder. Plain Python."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.display.board import short_name
from quietfloor.monitor.display.scales import written
from quietfloor.monitor.display.views import doubted
from quietfloor.monitor.hearing.tables import HearingError
from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.plan.sound_plan import SoundPlan, StatedPlan
from quietfloor.monitor.session.conditions import (
    ABSENT,
    OWN,
    PRESENT,
    UNDECIDED,
    UNKNOWN,
    Condition,
    RunSummary,
    Whose,
    all_noise_words,
)
from quietfloor.monitor.session.masked_runs import About, advice_for
from quietfloor.monitor.session.recorded_session import judged_runs
from quietfloor.monitor.session.session_store import STATE, SessionError, SessionStore
from quietfloor.monitor.session.whose_ear import why_unknown
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.calibration import BOTH, ear_words
from quietfloor.stimuli.levels import STATED, stated_level

WORDS = {
    "response_present": "response",
    "response_absent": "no response",
    "inconclusive": "undecided",
}
DISCARDED = "discarded"
STATE_OF = {"response_present": "present", "response_absent": "absent", "inconclusive": "stopped"}


@dataclass(frozen=True)
class Series:
    """Properties that the runs of one ladder share."""

    ear: str
    route: str
    stimulus: str

    def __str__(self) -> str:
        return f"{ear_words(self.ear)}, {self.route}, {self.stimulus}"

    @classmethod
    def of_plan(cls, sound: SoundPlan | StatedPlan | None) -> Series | None:
        """None where other equipment makes the sound, and its level is not stated."""
        return None if sound is None or sound.level is None else cls(sound.ear, sound.route, sound.stimulus_name)


@dataclass(frozen=True)
class Level:
    """A level as it was requested; a muted control has no audible level. Higher levels sort last, levels in dB nHL after those
    in other units."""

    heard: bool  # muted ones are at the foot of the ladder
    unit: str  # one of the units of STATED
    db: float

    def __lt__(self, other: Level) -> bool:
        return self._place < other._place

    def __str__(self) -> str:
        return f"{written(self.db)} {self.unit}" + ("" if self.heard else ", muted")

    @property
    def _place(self) -> tuple[bool, int, float]:
        return self.heard, -tuple(STATED.values()).index(self.unit), self.db

    @classmethod
    def of_plan(cls, sound: SoundPlan | StatedPlan) -> Level:
        return cls._of(sound.level, sound.muted)

    @classmethod
    def _of(cls, level: tuple[float, str] | None, muted: bool) -> Level:
        if level is None:
            raise ValueError("a level is missing")
        return cls(not muted, level[1], level[0])


@dataclass(frozen=True)
class Replicate:
    """One finished run."""

    folder: Path
    verdict: str
    stopped_by: str
    sweeps: int | None
    noise_nv: float
    masking: str = ""  # the noise in either ear, in words
    whose: Whose = ""

    @property
    def doubtful(self) -> bool:
        """Whether its finding is not known to be that of the tested ear."""
        return self.whose == UNKNOWN and self.verdict != UNDECIDED

    @property
    def state(self) -> str:
        """One of the states of the screen."""
        if self.stopped_by == "fault":
            return "fault"
        return doubted(STATE_OF[self.verdict]) if self.doubtful else STATE_OF[self.verdict]

    @property
    def words(self) -> str:
        sweeps = "" if self.sweeps is None else f", {self.sweeps:,} sweeps"
        noise = "" if math.isnan(self.noise_nv) else f", {self.noise_nv:.0f} nV of noise"
        doubt = f", {self.whose}" if self.doubtful else ""
        masking = f", masked with {self.masking}" if self.masking else ""
        return f"{self.folder.name}: {WORDS[self.verdict]}{doubt}{masking}{sweeps}{noise}"


@dataclass(frozen=True)
class Rung:
    """One level: its runs that count, the newest first, and whether one is going on now. ``discarded``: the run on the screen was
    made here and does not count."""

    level: Level
    replicates: tuple[Replicate, ...] = ()
    running: bool = False
    discarded: bool = False

    @property
    def words(self) -> str:
        """Result at this level in a few words, from the runs with the same masking as the newest run."""
        now = "running" if self.running else DISCARDED if self.discarded else ""
        if not now or not self.replicates:
            return now or self._found
        return f"{now}; {'earlier' if self.running else 'counts'}: {self._found}"

    @property
    def brief(self) -> str:
        """Where there is no room for all of these words. That the run on the screen was discarded its mark says too."""
        if self.running or not self.replicates:
            return self.words.partition(";")[0]
        found = re.split("[,:]", self._found)[0]
        return f"counts: {found}" if self.discarded else found

    def states(self, now: str = "undecided") -> tuple[str, ...]:
        """States of the screen of its runs, of the one on the screen first; ``now``: the state of one that is going on."""
        first = (now,) if self.running else (DISCARDED,) if self.discarded else ()
        return (*first, *(replicate.state for replicate in self.replicates))

    @property
    def _found(self) -> str:
        """Result of the finished runs, "" where there is none. Runs that do not agree are told by their responses, or where
        none has one by those without."""
        if not self.replicates:
            return ""
        newest = self.replicates[0]
        alike = [other for other in self.replicates if other.masking == newest.masking]
        verdicts = [other.verdict for other in alike]
        verdict = next((one for one in (PRESENT, ABSENT) if one in verdicts), UNDECIDED)
        same, doubt = verdicts.count(verdict), any(one.doubtful and one.verdict == verdict for one in alike)
        words = WORDS[verdict] if same == len(alike) else f"mixed: {same} of {len(alike)} {WORDS[verdict]}"
        words += " (which ear?)" if doubt else ""
        words += ", masked" if newest.masking and len(alike) < len(self.replicates) else ""
        if same < len(alike) or len(alike) == 1 or doubt:  # the symbols beside it show how often
            return words
        return f"{words}, {'twice' if same == 2 else f'{same} times'}"


@dataclass(frozen=True)
class Ladder:
    """Rungs of one series, the highest level first. ``unreadable`` lists run folders that could not be read.

    It also lists ``session.json`` if that cannot be read; discarded runs then appear among the others.
    """

    series: Series | None
    rungs: tuple[Rung, ...] = ()
    unreadable: tuple[str, ...] = ()
    present: Level | None = None  # of the run on the screen
    discarded: bool = False  # whether that run does not count any more
    doubts: Mapping[str, str] = field(default_factory=dict)  # states in which it is not known to be this ear's, and why
    doubtful: tuple[str, ...] = ()  # conditions of that run, if it is a search, whose response is not known to be that ear's


@dataclass(frozen=True)
class Overlay:
    """Average of an earlier run, drawn over the present one."""

    folder: Path
    label: str
    times_ms: Floats
    average_nv: Floats


def heard_words(sound: SoundPlan | StatedPlan | None) -> tuple[str, str]:
    """Ear and level of a run in a few words, and the ear; "" where they are not known."""
    series = Series.of_plan(sound)
    if sound is None or series is None:
        return "", ""
    route = " by bone" if series.route == "bone" else ""
    return f"{ear_words(series.ear)}{route}, {Level.of_plan(sound)}", series.ear


def read_ladder(session: Path, sound: SoundPlan | StatedPlan | None, present: Path | None, running: bool) -> Ladder:
    """Finished runs in ``session`` of the series of ``sound`` that count, and the level on the screen (folder ``present``)."""
    series = Series.of_plan(sound)
    found: dict[Level, list[Replicate]] = {}
    unreadable: list[str] = []
    discarded = _discarded(session, unreadable)
    out = present is not None and present.name in discarded
    runs, about = _judged(session)
    number = None if present is None else _number(present)
    found_here = [one for one in runs if one.number == number and one.search is not None and one.search.found]
    doubtful = tuple(short_name(one.condition) for one in found_here if one.whose == UNKNOWN)
    if sound is None or series is None:
        return Ladder(None, unreadable=tuple(unreadable), discarded=out, doubtful=doubtful)
    whose: dict[int | None, Whose] = {run.number: run.whose for run in runs}
    for path in run_folders(session):
        if path.name in discarded:
            continue
        try:
            record = RunFolder(path).read_record()
            known = _of_series(record, series)
            if known is not None:
                found.setdefault(known, []).append(_replicate(path, record, whose.get(_number(path), "")))
        except (OSError, ValueError, KeyError, TypeError):
            if path != present:
                unreadable.append(path.name)
    here = Level.of_plan(sound)
    found.setdefault(here, [])
    rungs = [
        Rung(level, tuple(found[level]), running and level == here, out and level == here)
        for level in sorted(found, reverse=True)
    ]
    doubts = {} if about is None else _doubts(sound, runs, about, whose.get(number))
    return Ladder(series, tuple(rungs), tuple(unreadable), here, out, doubts, doubtful)


def _discarded(session: Path, unreadable: list[str]) -> set[str]:
    """Names of the discarded run folders. If session.json is damaged, every run counts."""
    store = SessionStore(session)
    try:
        runs = store.read().runs
    except SessionError:
        unreadable.append(STATE)
        return set()
    return {path.name for number, path in store.folders() if number in runs and runs[number].discarded is not None}


def run_folders(session: Path) -> Iterable[Path]:
    """Finished runs, the newest first."""
    try:
        paths = [path for path in session.iterdir() if path.name.startswith("run-") and (path / "run.json").is_file()]
    except OSError:
        return []
    return sorted(paths, key=lambda path: (len(path.name), path.name), reverse=True)


def _of_series(record: dict[str, Any], series: Series) -> Level | None:
    """The level of a run, if it belongs to the series."""
    stimulus = record["stimulus"]
    if stimulus is None or record["verdict"] not in WORDS or record.get("search") is not None:
        return None  # a search, stopped or not, is no run at one level
    if Series(stimulus["ear"], stimulus["route"], stimulus["stimulus"]) != series:
        return None
    return Level._of(stated_level(stimulus), bool(stimulus["muted"]))


def _number(folder: Path) -> int | None:
    digits = folder.name.removeprefix("run-")
    return int(digits) if digits.isdigit() else None


def _judged(session: Path) -> tuple[tuple[RunSummary, ...], About | None]:
    """The runs with the ear that responded in each, and what advice on masking rests on; nothing if the session does not know."""
    try:
        return judged_runs(session)
    except (PlanError, SessionError, HearingError, OSError):
        return (), None


def _doubts(
    sound: SoundPlan | StatedPlan, runs: tuple[RunSummary, ...], about: About, whose: Whose | None
) -> dict[str, str]:
    """Findings (states of the screen) that are not known to be the tested ear's in a run of this sound, and why. ``whose``: what
    is known of the run once it is over."""
    level, transducer = sound.level_db_nhl, sound.transducer
    if sound.muted or level is None or transducer is None or whose == OWN or sound.ear == BOTH:
        return {}
    condition = Condition(sound.ear, sound.route, sound.stimulus, sound.frequency_hz)
    given = None if sound.masking == "none" else math.nan if sound.masking_level_db_em is None else sound.masking_level_db_em
    one = RunSummary(
        0, condition, level, UNDECIDED, "", transducer=transducer, age_group=sound.age_group or "", masking_db=given,
        noise_transducer=sound.masking_transducer,
    )  # fmt: skip
    advice = advice_for(one, runs, about)
    found = {STATE_OF[verdict]: why_unknown(verdict, given, advice) for verdict in (PRESENT, ABSENT)}
    if whose == UNKNOWN and not any(found.values()):  # what each ear tells of the other one keeps changing
        found = dict.fromkeys(found, "what is known of both ears does not settle it")
    return {state: why for state, why in found.items() if why}


def _replicate(path: Path, record: dict[str, Any], whose: Whose) -> Replicate:
    noise = record["residual_noise_nv"]
    sweeps = record["sweeps_accepted"]
    return Replicate(
        path, record["verdict"], record["stopped_by"], None if sweeps is None else int(sweeps),
        math.nan if noise is None else float(noise), all_noise_words(record["stimulus"]), whose,
    )  # fmt: skip


def load_overlay(replicate: Replicate, level: Level) -> Overlay:
    """The average of a run. Raises FolderError if it cannot be read."""
    kept = RunFolder(replicate.folder).read_average()
    return Overlay(replicate.folder, f"{level} ({replicate.folder.name})", kept["time_ms"], 1e3 * kept["average_uv"])


__all__ = ["Ladder", "Level", "Overlay", "Replicate", "Rung", "Series", "heard_words", "load_overlay", "read_ladder"]
