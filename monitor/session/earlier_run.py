"""Earlier run for the first bets of the next run of a ladder: the average of a run with a response at the nearest level."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from quietfloor.monitor.core.analysis import JUDGED_FROM_MS
from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_run_plan
from quietfloor.monitor.session.conditions import PRESENT, Condition, RunSummary
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder

STEP_MS = 0.25  # at most, where the average has finer ones: it is filtered, and the window of evidence has no finer points


def earlier_of(
    condition: Condition, level_db_nhl: float, plan: Plan, runs: Iterable[RunSummary], folders: dict[int, Path]
) -> dict[str, Any] | None:
    """The table [analysis.earlier] for a run of ``plan``; None if no run of this ladder has an average with a response.

    ``folders``: folders of the runs, by number. Unreadable folders are ignored; the bets are then those of a first run.
    """
    there = [
        run
        for run in runs
        if run.counts and run.verdict == PRESENT and run.residual_noise_nv > 0 and run.condition.same_as(condition)
    ]
    for run in sorted(there, key=lambda run: (abs(run.level_db_nhl - level_db_nhl), -run.number)):
        folder = RunFolder(folders[run.number])
        try:
            average, before = folder.read_average(), load_run_plan(folder.plan)
        except (FolderError, PlanError):
            continue
        later = average["time_ms"] >= JUDGED_FROM_MS
        time_ms, values_nv = average["time_ms"][later], 1e3 * average["average_uv"][later]
        steps_ms = np.diff(time_ms)
        if len(steps_ms) and np.isfinite(values_nv).all() and np.ptp(steps_ms) < 1e-3 < steps_ms.mean():
            stride = max(1, int(STEP_MS / steps_ms.mean() + 1e-6))
            return {
                "run": folder.path.name,
                "average_nv": [round(float(value), 1) for value in values_nv[::stride]],
                "begin_ms": float(time_ms[0]),
                "step_ms": round(stride * float(steps_ms.mean()), 9),
                "noise_nv": max(run.residual_noise_nv, 0.1),
                "later_ms": round(math.fsum(plan.latency_ms()) / 2 - math.fsum(before.latency_ms()) / 2, 3),
            }
    return None
