"""Makes the search of a plan: conditions, levels, and the settings for each."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.core.evidence import EvidenceSettings
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.core.settings import EngineSettings
from quietfloor.monitor.core.train import EARS
from quietfloor.monitor.plan.run_plan import Plan, PlanError
from quietfloor.monitor.plan.search_plan import SearchConditionPlan, SearchPlan
from quietfloor.monitor.search.choice import Wanted
from quietfloor.monitor.search.planned import Kept, PlannedSearch, Sought
from quietfloor.monitor.search.running import Condition


def make_search(plan: Plan, settings: EngineSettings, orders: Iterable[Kept] = ()) -> PlannedSearch | None:
    """The search of a complete plan, on the stream of ``settings``; None for a plan with one sound. ``orders``: the operator's
    orders of a recording that is replayed."""
    search, sound = plan.search, plan.sound
    if search is None or sound is None:
        return None
    wanted = Wanted(width_db=search.width_db, widest_db=search.widest, alpha=plan.decision.alpha)
    channels = deciding_channels(search, settings.layout)
    sought = tuple(_sought(one, settings, UNIT_SWEEPS * sound.sweep_s, channels[one.ear]) for one in search.condition)
    return PlannedSearch(sought, wanted, settings.layout.rate_hz, 60.0 * search.minutes, orders, sound.at_once)


def deciding_channels(search: SearchPlan, layout: Layout) -> dict[str, int]:
    """The EEG channel (index among those in use) that decides for each ear. Raises PlanError."""
    if search.deciding is None:
        return dict.fromkeys(EARS, 0)
    there = [layout.labels[index] for index in layout.eeg]
    for label in search.deciding:
        if label not in there:
            used = ", ".join(there)
            raise PlanError(f"search.deciding: {label!r} is not among the EEG channels in use ({used}): name them in stream.eeg")
    return {ear: there.index(label) for ear, label in zip(EARS, search.deciding, strict=True)}


def _sought(one: SearchConditionPlan, settings: EngineSettings, unit_s: float, channel: int) -> Sought:
    assert one.window_ms is not None
    assert one.latency_ms is not None
    start_ms = one.window_ms[0]
    each = tuple(
        replace(settings.analysis, window_ms=one.window_ms, evidence=EvidenceSettings(1, latency_ms=(max(low, start_ms), high)))
        for low, high in one.latency_ms
    )
    expected_db, sd_db = (math.nan if value is None else value for value in (one.expected_db_nhl, one.expected_sd_db))
    noise = tuple(one.noise_db_em(level) for level in range(len(one.levels_db_nhl)))
    noisy = tuple(level is not None for level in noise)
    condition = Condition(
        one.levels_db_nhl, each, one.latency_ms, unit_s, one.start_db_nhl, one.rank, one.ear,
        math.nan if one.frequency_hz is None else one.frequency_hz, expected_db, sd_db, noisy,
    )  # fmt: skip
    return Sought(one.name, one.ear, one.stimulus, one.frequency_hz, condition, noise, channel, one.sound - 1)
