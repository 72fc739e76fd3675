"""The rules of a ladder, and how long its next run is going to take. Pure."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import dataclass

from monitor.session_types import PRESENT, RunSummary


@dataclass(frozen=True)
class Rules:
    """How a ladder goes on. Levels and steps in dB nHL and dB; ``largest_rise_db`` is from one sound to the next.

    ``present_runs``, ``absent_runs``: how often the two levels of a threshold have to be found. ``most_runs`` at a level that
    contradicts itself, ``most_undecided`` at one that stays undecided, ``most_in_all`` for the ladder. ``floor_nv`` and ``alpha``
    are those of its runs.
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


@dataclass(frozen=True)
class Outlook:
    """How long a run is going to take, in s: to a response, and to a believable absence; nan: not known yet."""

    response_s: float = math.nan
    absence_s: float = math.nan

    @property
    def run_s(self) -> float:
        """Of a run that may end either way."""
        known = [seconds for seconds in (self.response_s, self.absence_s) if not math.isnan(seconds)]
        return statistics.fmean(known) if known else math.nan


def outlook_of(runs: Iterable[RunSummary], floor_nv: float, longest_s: float = math.inf) -> Outlook:
    """From the runs so far: noise falls with the square root of time, whatever level it ended at.

    ``longest_s`` is what a run takes that is never decided.
    """
    usable = [run for run in runs if not math.isnan(run.seconds) and run.seconds > 0]
    found = [run.seconds for run in usable if run.verdict == PRESENT]
    quiet = [
        min(longest_s, run.seconds * (run.residual_noise_nv / floor_nv) ** 2)
        for run in usable
        if not math.isnan(run.residual_noise_nv)
    ]
    return Outlook(
        statistics.median(found) if found else math.nan,
        statistics.median(quiet[-5:]) if quiet else math.nan,  # the latest ones: a subject who moves now will move in a minute
    )
