"""The forecast against a slow simulation of what it describes, its limits, and its coverage on simulated evidence."""

import math
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.core.forecast import (
    AMPLITUDE_SD,
    BEHIND,
    LIMIT_SD,
    LIMIT_SOONER,
    SELECTION,
    ForecastInput,
    Steadiness,
    forecast,
)


def outlook(log_evidence: float = 1.0, score: float = 2.5, presented: float = 512.0, **changes: Any) -> ForecastInput:
    values: dict[str, Any] = {"absent_weight": np.asarray(1 / 0.015**2), "log_needed": math.log(100), "max_sweeps": 6144.0}
    values["spread"] = np.asarray(0.0)
    weight = presented / 4.0  # 2 uV RMS
    as_array = [np.asarray(value) for value in (log_evidence, score, weight, presented)]
    return ForecastInput(*as_array, **(values | changes))


def test_points_are_in_order_and_end_where_the_run_must() -> None:
    for log_evidence in (-3.0, 0.0, 3.0):
        for score in (0.0, 2.0, 5.0):
            found = forecast(outlook(log_evidence, score), 16)
            assert 0 <= found.sweeps_low <= found.sweeps_median <= found.sweeps_high <= 6144 - 512


def test_the_noise_floor_ends_a_run_that_shows_nothing() -> None:
    """2 uV RMS reaches 40 nV after (2000 / 40)^2 = 2500 sweeps: 1988 from now."""
    found = forecast(outlook(-6.0, 0.5, absent_weight=np.asarray(1 / 0.040**2)), 16)
    assert found.sweeps_median == pytest.approx(1988.0, rel=2e-3)
    assert found.sweeps_low == found.sweeps_high == 2000.0  # the next block
    assert found.limit_probability == pytest.approx(0.0, abs=1e-9)
    unsteady = forecast(outlook(-6.0, 0.5, absent_weight=np.asarray(1 / 0.040**2), spread=np.asarray(0.5)), 16)
    sd = 0.5 * math.sqrt(16 / 512 + 16 / 1988)  # of the logarithm: both means of unit weights are off by chance
    for point, sds in ((unsteady.sweeps_low, -1.2816), (unsteady.sweeps_high, 1.2816)):
        assert point == pytest.approx(1988 * math.exp(sds * sd), rel=0.02)


def test_an_upper_limit_that_is_to_fall_to_a_size_ends_a_run_within_a_wide_range() -> None:
    """It wanders: sooner than the noise alone would say, and 8 of 10 runs within 1.2816 SDs of the logarithm on either side."""
    found = forecast(outlook(-6.0, 0.5, limit_weight=np.asarray(1 / 0.040**2)), 16)
    for point, sds in ((found.sweeps_low, -1.2816), (found.sweeps_median, 0.0), (found.sweeps_high, 1.2816)):
        assert point == pytest.approx(1988 * math.exp(LIMIT_SOONER + sds * LIMIT_SD), rel=0.05)
    sooner = forecast(outlook(-6.0, 0.5, limit_weight=np.asarray(1 / 0.040**2), absent_weight=np.asarray(1 / 0.060**2)), 16)
    assert sooner.sweeps_high == 608.0  # 60 nV after 1111 sweeps: the first of both ends the run


def test_where_the_floor_is_out_of_reach_the_sweeps_run_out() -> None:
    """2 uV RMS would reach 15 nV after 17,778 sweeps. Where the window holds no absence nothing else can end the run."""
    for weight in (1 / 0.015**2, np.inf):
        found = forecast(outlook(-6.0, 0.5, absent_weight=np.asarray(weight)), 16)
        assert found.limit_probability > 0.9
        assert found.sweeps_high == 6144 - 512
    for evidence, score in ((-3.0, 1.0), (0.0, 2.0), (4.0, 3.8)):
        found = forecast(outlook(evidence, score), 16)
        assert (found.limit_probability > 0.1) == (found.sweeps_high == 6144 - 512)


def test_steadiness_is_the_error_of_a_mean() -> None:
    """Independent weights: SD over mean. Alike for 8 units on end: larger by about sqrt(8), as the mean of n/8 such blocks is."""
    rng = np.random.default_rng(8)
    runs, units = 400, 256
    alone = rng.uniform(0.5, 1.5, (units, runs))
    blocks = np.repeat(rng.uniform(0.5, 1.5, (units // 8, runs)), 8, axis=0)
    for weights, factor in ((alone, 1.0), (blocks, math.sqrt(8))):
        steady = Steadiness((runs,))
        for weight in weights:
            steady.update(weight)
        expected = factor * weights.std() / weights.mean()
        assert np.median(steady.spread()) == pytest.approx(expected, rel=0.4)
        assert weights.mean(axis=0).std() / weights.mean() == pytest.approx(expected / math.sqrt(units), rel=0.15)
    constant = Steadiness(())
    for _ in range(4):
        constant.update(np.asarray(2.0))
    assert constant.spread() == 0.0


def test_a_response_that_waits_for_quiet_comes_when_the_noise_is_there() -> None:
    """2 uV RMS reaches 25 nV after (2000 / 25)^2 = 6400 sweeps, 30 nV after 4444: 3932 from now."""
    quiet = np.asarray(1 / 0.030**2)
    found = forecast(outlook(0.0, 0.5, quiet_weight=quiet, found=np.True_), 16)
    assert found.sweeps_median == pytest.approx(2000**2 / 30**2 - 512, rel=2e-3)
    assert (found.sweeps_low, found.sweeps_high) == (3936.0, 3936.0)
    assert found.response_probability == 1.0
    open_yet, alone = forecast(outlook(4.0, 3.8, quiet_weight=quiet), 16), forecast(outlook(4.0, 3.8), 16)
    assert alone.sweeps_median < open_yet.sweeps_median == pytest.approx(found.sweeps_median, rel=2e-3)
    assert open_yet.response_probability == alone.response_probability < 1.0
    beyond = forecast(outlook(0.0, 0.5, quiet_weight=np.asarray(1 / 0.020**2), found=np.True_), 16)
    assert (beyond.sweeps_high, beyond.limit_probability) == (6144 - 512, 1.0)  # the sweeps run out first


def test_more_evidence_comes_sooner_and_makes_a_response_likelier() -> None:
    found = [forecast(outlook(e, s), 16) for e, s in ((0.0, 2.0), (2.0, 3.0), (4.0, 3.8))]
    medians = [float(one.sweeps_median) for one in found]
    chances = [float(one.response_probability) for one in found]
    assert medians == sorted(medians, reverse=True)
    assert chances == sorted(chances)
    assert chances[0] == 0.5


@pytest.mark.parametrize("unknown", ["log_evidence", "score", "presented"])
def test_unknown_stays_unknown(unknown: str) -> None:
    found = forecast(outlook(**{unknown: math.nan}), 16)
    for value in (found.sweeps_low, found.sweeps_median, found.sweeps_high, found.response_probability):
        assert np.isnan(value)


def test_a_batch_equals_its_runs() -> None:
    rng = np.random.default_rng(3)
    same = (np.full(6, value) for value in (128.0, 512.0, 0.1, 4444.0))
    now = ForecastInput(rng.normal(1, 2, 6), rng.uniform(0, 4, 6), *same, 4.6, 6144.0)
    together = forecast(now, 16)
    for k in range(6):
        alone = forecast(now.of(k), 16)
        for name in ("sweeps_low", "sweeps_median", "sweeps_high", "response_probability", "limit_probability"):
            assert getattr(together, name)[k] == getattr(alone, name)


def test_it_agrees_with_a_slow_simulation() -> None:
    """The same model sweep block by sweep block, with other random numbers: median within a tenth."""
    now = outlook(2.0, 3.2)
    rng = np.random.default_rng(5)
    times = []
    for _ in range(1500):
        variance = 1 / (128.0 + 1 / AMPLITUDE_SD**2)
        start = math.sqrt(128.0 * (3.2**2 - SELECTION))
        present = rng.random() < 1 / (1 + math.exp(-2.0 - BEHIND))
        amplitude = max(rng.normal(variance * start, math.sqrt(variance)), 0.0) if present else 0.0
        x, weight, sweeps = start, 128.0, 0
        while sweeps < 6144 - 512 and weight < 1 / 0.015**2:
            sweeps, weight = sweeps + 64, weight + 16.0
            x += amplitude * 16.0 + 4.0 * rng.standard_normal()
            if max(x, 0.0) ** 2 / (2 * weight) - (3.2**2 / 2 - 2.0 - SELECTION / 2) >= math.log(100):
                break
        times.append(sweeps)
    found = forecast(now, 16)
    assert float(found.sweeps_median) == pytest.approx(np.median(times), rel=0.15, abs=64)
    assert float(found.sweeps_low) == pytest.approx(np.quantile(times, 0.1), rel=0.3, abs=96)
