"""The rules of a ladder, and the expected duration of its next run. Pure."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass

from quietfloor.monitor.session.conditions import PRESENT, RunSummary


@dataclass(frozen=True)
class Rules:
    """Rules of a ladder. Levels and steps in dB nHL and dB; ``largest_rise_db`` is from one sound to the next.

    ``present_runs``, ``absent_runs``: number of runs that must confirm the two levels of a threshold. ``most_runs``: limit at a
    level with contradictory results. ``most_undecided``: limit at a level that stays undecided. ``most_in_all``: limit for the
    ladder. ``floor_nv`` and ``alpha`` are those of its runs.
    """

    start_db: float = 40.0
    lowest_db: float = 0.0
    highest_db: float = 90.0
    first_step_db: float = 10.0
    last_step_db: float = 5.0
    largest_rise_db: float = 20.0
    present_runs: int = 2
    absent_runs: int = 2  # an absence is missed more easily than a response is invented, and moves the threshold by 10 dB
    most_runs: int = 3
    most_undecided: int = 2
    most_in_all: int = 20
    floor_nv: float = 15.0
    alpha: float = 0.01

    def __post_init__(self) -> None:
        if not self.lowest_db <= self.start_db <= self.highest_db:
            raise ValueError(
                f"start_db = {self.start_db:g} lies outside lowest_db = {self.lowest_db:g} to highest_db = {self.highest_db:g}"
            )
        if not 0 < self.last_step_db <= self.first_step_db:
            raise ValueError(
                f"last_db = {self.last_step_db:g} with first_db = {self.first_step_db:g}: steps are above 0, and get no larger"
            )
        if not self.largest_rise_db >= self.last_step_db:
            raise ValueError(
                f"largest_rise_db = {self.largest_rise_db:g}: a ladder that may not rise by one step ({self.last_step_db:g}) "
                "never gets up"
            )
        if not 1 <= max(self.present_runs, self.absent_runs) <= self.most_runs or min(self.present_runs, self.absent_runs) < 1:
            raise ValueError(
                f"present = {self.present_runs}, absent = {self.absent_runs}, most = {self.most_runs}: the first two are 1 or "
                "more, and no more than most"
            )


# Sweeps that a run of a session may have where its plan names no number: never fewer than the usual limit, never more than 12
# minutes at 47.1/s, and in between half as many again as the noise asks for, as some are rejected and noise rises. Own choice.
LEAST_SWEEPS, MOST_SWEEPS, ROOM, STEP_SWEEPS = 6144, 32_768, 1.5, 512


def needed_sweeps(noise_uv: float, floor_nv: float) -> float:
    """Number of independent sweeps with ``noise_uv`` RMS each until their average is at the floor; nan: not known."""
    return (1e3 * noise_uv / floor_nv) ** 2


def sweep_limit(needed: float) -> int:
    """Largest number of sweeps of a run if an absence needs ``needed`` sweeps; nan: the usual limit."""
    if math.isnan(needed):
        return LEAST_SWEEPS
    return max(LEAST_SWEEPS, min(MOST_SWEEPS, STEP_SWEEPS * math.ceil(ROOM * min(needed, MOST_SWEEPS) / STEP_SWEEPS)))


# Against the median of the runs before, up to 5 of them, each of so many sweeps at least, as a short run may meet one bad moment:
# own choice.
LOUDER, LEFT_OUT_MORE, RUNS_BEFORE, TELLING_SWEEPS = 1.5, 0.15, 2, 256


def waking_words(runs: Iterable[RunSummary]) -> str:
    """Reason to think that the person is waking: the noise of the last run, or its share of rejected sweeps, has risen; empty for
    none."""
    usable = [run for run in runs if run.discarded is None and run.sweep_noise_uv > 0 and (run.sweeps or 0) >= TELLING_SWEEPS]
    if len(usable) <= RUNS_BEFORE:
        return ""
    last, before = usable[-1], usable[-6:-1]
    rise = last.sweep_noise_uv / statistics.median(run.sweep_noise_uv for run in before)
    if rise >= LOUDER:
        return f"the noise of run {last.number} is {rise:.1f} times that of the runs before: is the person waking?"
    shares = [run.left_out for run in before if not math.isnan(run.left_out)]
    if shares and last.left_out >= statistics.median(shares) + LEFT_OUT_MORE:
        now, then = round(100 * last.left_out), round(100 * statistics.median(shares))
        return f"in run {last.number} {now} % of the sweeps were rejected, {then} % in the runs before: is the person waking?"
    return ""


@dataclass(frozen=True)
class SweepLimit:
    """Largest number of sweeps of a run, and the number for an absence at this noise (nan: not known); ``sweep_s``: duration of a
    sweep.

    ``own``: the plan sets the limit.
    """

    noise_uv: float
    floor_nv: float
    needed: float
    limit: int
    sweep_s: float
    own: bool = False

    @property
    def words(self) -> str:
        """Sentence before a run: duration of an absence, longest duration of the run, and a remedy if the run is too short for an
        absence."""
        most = f"{self.limit:,} sweeps ({minutes(self.limit * self.sweep_s)})"
        if math.isnan(self.needed):
            return f"a run ends at {most} at the latest; the noise is not known yet: `quietfloor check` tells, and a first run"
        takes = f"{float(f'{self.needed:.2g}'):,.0f} sweeps ({minutes(self.needed * self.sweep_s)})"
        absence = f"\"no response\" ({self.floor_nv:g} nV) takes about {takes}"
        said = f"in {self.noise_uv:.2g} uV of noise {absence}, a run ends at {most}"
        if self.needed <= self.limit:
            return said
        more = "leave out max_sweeps under [run.decision], " if self.own and self.needed <= MOST_SWEEPS else ""
        remedy = f"{more}let the person lie down with the neck at rest, improve the contacts, or raise floor_nv"
        return f"{said}: it cannot be told; {remedy}"


def minutes(seconds: float) -> str:
    """A duration in words, such as "50 s" or "6 min"."""
    return f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.0f} min"


@dataclass(frozen=True)
class ExpectedDuration:
    """Expected duration of the next run in s: until a response, and until an absence at the noise floor; nan: not known yet."""

    response_s: float = math.nan
    absence_s: float = math.nan

    @property
    def run_s(self) -> float:
        """Mean expected duration of a run that may end either way, in s; nan where neither is known."""
        known = [seconds for seconds in (self.response_s, self.absence_s) if not math.isnan(seconds)]
        return statistics.fmean(known) if known else math.nan


def expected_duration(runs: Iterable[RunSummary], floor_nv: float, longest_s: float = math.inf) -> ExpectedDuration:
    """The expected duration of a run, from the runs so far; noise is assumed to fall with the square root of time.

    ``longest_s``: duration of a run that stays undecided.
    """
    usable = [run for run in runs if not math.isnan(run.seconds) and run.seconds > 0]
    found = [run.seconds for run in usable if run.verdict == PRESENT]
    quiet = [
        min(longest_s, run.seconds * (run.residual_noise_nv / floor_nv) ** 2)
        for run in usable
        if not math.isnan(run.residual_noise_nv)
    ]
    return ExpectedDuration(
        statistics.median(found) if found else math.nan,
        statistics.median(quiet[-5:]) if quiet else math.nan,  # the latest ones: a subject who moves now will move in a minute
    )
