"""A condition of plain parts for the tests of the search, and units of an ear that is made up."""

from __future__ import annotations

from typing import Any

import numpy as np

from quietfloor.monitor.core.analysis import AnalysisSettings
from quietfloor.monitor.core.evidence import EvidenceSettings, Shape, response_bank
from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.search.running import Condition

LEVELS = tuple(float(level) for level in range(0, 95, 5))
RATE_HZ, POINTS = 4000.0, 57
FORM = Shape(0.5, 2.1, 0.9, 0.5)
SETTINGS = AnalysisSettings(RATE_HZ, 4.0, POINTS, (5.0, 17.0))


def brackets() -> tuple[tuple[float, float], ...]:
    return tuple((9.0 - 0.04 * level - 2.0, 9.0 - 0.04 * level + 3.0) for level in LEVELS)


def condition(start_db: float = 40.0, rank: int = 0, **known: Any) -> Condition:
    settings = tuple(
        AnalysisSettings(RATE_HZ, 4.0, POINTS, (5.0, 17.0), evidence=EvidenceSettings(latency_ms=(max(5.0, low), high)))
        for low, high in brackets()
    )
    return Condition(LEVELS, settings, brackets(), unit_s=0.4, start_db=start_db, rank=rank, **known)


def wave_uv(level_db: float, begin_db: float, size_uv: float = 0.4, form: Shape = FORM) -> Floats:
    """Linear growth over 40 dB, later when softer: not a curve of the prior. (n_times,)"""
    times = SETTINGS.times_ms
    size = size_uv * float(np.clip((level_db - begin_db) / 40.0, 0.0, 1.0))
    return size * response_bank(times, np.array([9.5 - 0.035 * level_db]), None, (form,))[0]


def sweeps_uv(rng: np.random.Generator, wave: Floats, rms_uv: float = 1.0) -> Floats:
    """(16, n_times) with noise in which neighbouring points are alike."""
    white = rng.standard_normal((16, POINTS + 4))
    smooth = sum(weight * white[:, place : place + POINTS] for place, weight in enumerate((0.3, 0.6, 0.6, 0.3)))
    return np.asarray(rms_uv * smooth / 0.9487 + wave)
