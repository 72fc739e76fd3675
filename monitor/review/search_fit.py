"""The model of a search fitted to the averages in its run folder: latency and amplitude of wave V at each level, with bands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from quietfloor.monitor.core.evidence import RIDGE
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.cell_table import settings_of
from quietfloor.monitor.plan.run_plan import PlanError, load_run_plan
from quietfloor.monitor.review.search_record import Search, SearchedCondition, averages_of
from quietfloor.monitor.run.searching import make_search
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.search.fitted import Fitted, fit
from quietfloor.monitor.search.running import Condition
from quietfloor.monitor.storage.run_folder import RunFolder


def fits_of(folder: RunFolder, record: Mapping[str, Any], search: Search) -> tuple[tuple[Fitted | None, ...], str]:
    """Of each condition, None for one without averages; or none at all, and why."""
    try:
        plan = load_run_plan(folder.plan)
        layout = Layout(float(record["stream"]["rate_hz"]), ("eeg", "trigger"), (0,), 1)
        planned = make_search(plan, settings_of(folder, plan, layout))
        if planned is None or len(planned.sought) != len(search.conditions):
            raise ValueError(f"{folder.plan.name} is not the plan of this search")
        pairs = zip(search.conditions, planned.sought, strict=True)
        return tuple(_fitted(one, sought.condition, planned.wanted, record) for one, sought in pairs), ""
    except (PlanError, OSError, ValueError, KeyError, TypeError, np.linalg.LinAlgError) as error:
        return (), f"what its model believes of wave V at each level is not known: {error}"


def _fitted(one: SearchedCondition, condition: Condition, wanted: Wanted, record: Mapping[str, Any]) -> Fitted | None:
    if condition.levels_db != tuple(cell.level_db_nhl for cell in one.cells):
        raise ValueError(f"the plan has other levels for {one.title}")
    averages, noises, shapes = {}, {}, []
    settings = condition.settings[0]
    times_ms = settings.window_times_ms
    for level, cell in enumerate(one.cells):
        if cell.columns is None or not cell.residual_noise_nv > 0:
            continue
        average = averages_of(cell, record)
        if len(average.times_ms) != settings.n_times or not np.allclose(average.times_ms, settings.times_ms, atol=1e-6):
            raise ValueError("its averages are at other times than the plan says")
        if np.isfinite(average.average_uv).all():
            averages[level], noises[level] = settings.window.of(average.average_uv), 1e-3 * cell.residual_noise_nv
            shapes.append(average.noise.correlation(np.subtract.outer(times_ms, times_ms)))
    if not averages:
        return None
    return fit(condition, wanted, averages, noises, np.mean(shapes, axis=0) + RIDGE * np.eye(len(times_ms)))


__all__ = ["fits_of"]
