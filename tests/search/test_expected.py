"""Thresholds that are known, and those that are not."""

import math

import numpy as np
import pytest
from scipy import stats

from quietfloor.monitor.search.expected import OCTAVE_DB, OPEN, OTHER_EAR_DB, Expected, log_weights, passed_on
from quietfloor.monitor.search.posterior import Belief, Posterior
from quietfloor.monitor.search.prior import GrowthPrior, Waves
from quietfloor.monitor.search.running import RunningSearch
from tests.search.made import LEVELS, SETTINGS, brackets, condition, sweeps_uv, wave_uv

KNOWN = Expected(40.0, 3.0)


def test_what_is_known_is_worth_less_farther_away() -> None:
    (octave,) = passed_on(KNOWN, 1.0, same_ear=True)
    assert octave == Expected(40.0, math.hypot(3.0, OCTAVE_DB))
    (across,) = passed_on(KNOWN, 0.0, same_ear=False)
    assert across == Expected(40.0, math.hypot(3.0, OTHER_EAR_DB))
    assert passed_on(KNOWN, 3.0, same_ear=True) == ()
    assert passed_on(KNOWN, math.nan, same_ear=True) == ()


def test_the_prior_is_a_mixture_that_leaves_room_everywhere() -> None:
    """Beside scipy's normal distribution."""
    threshold = np.linspace(-15.0, 105.0, 12_001)
    weights = np.exp(log_weights(threshold, (KNOWN, Expected(60.0, 10.0)), 120.0))
    normal = (stats.norm.pdf(threshold, 40.0, 3.0) + stats.norm.pdf(threshold, 60.0, 10.0)) / 2
    assert weights == pytest.approx(OPEN + (1 - OPEN) * 120.0 * normal)
    assert weights.mean() == pytest.approx(1.0, abs=0.01)
    assert weights.min() >= OPEN
    assert (log_weights(threshold, (), 120.0) == 0.0).all()


def believed(begin_db: float, left_uv: float, expected: tuple[Expected, ...]) -> Belief:
    times = SETTINGS.window_times_ms
    waves = Waves(times, np.array(LEVELS), np.array(brackets()))
    posterior = Posterior(waves, GrowthPrior(0.0, 90.0, 0.015, waves.rms_per_peak), np.eye(len(times)))
    posterior.beforehand = expected
    rng = np.random.default_rng(1)
    means = [SETTINGS.window.of(wave_uv(level, begin_db)) + left_uv * rng.standard_normal(len(times)) for level in LEVELS]
    weights = np.full(len(LEVELS), left_uv**-2)
    for _ in range(3):
        belief = posterior.update(weights[:, np.newaxis] * np.array(means), weights)
    return belief


def test_it_decides_where_nothing_was_heard_and_gives_way_to_what_is_heard() -> None:
    without, with_it = believed(37.0, 10.0, ()), believed(37.0, 10.0, (Expected(20.0, 3.0),))
    assert abs(with_it.middle_db - 20.0) < 8.0 < abs(without.middle_db - 20.0)
    assert with_it.high_db > 60.0  # half of it is open
    clear, wrong = believed(37.0, 0.01, ()), believed(37.0, 0.01, (Expected(5.0, 3.0),))
    assert wrong.middle_db == pytest.approx(clear.middle_db, abs=2.0)
    assert wrong.high_db - wrong.low_db < 10.0


def test_a_threshold_that_was_found_is_expected_of_the_other_ear_and_the_next_octave() -> None:
    search, rng = RunningSearch(
        (
            condition(ear="right", frequency_hz=2000.0),
            condition(rank=1, ear="left", frequency_hz=2000.0),
            condition(rank=2, ear="left", frequency_hz=500.0, expected_db=30.0, expected_sd_db=8.0),
            condition(rank=2),
        )
    ), np.random.default_rng(3)
    while not search.answer(0, limits=False).finished:
        chosen = search.choose()
        assert chosen is not None
        wave = wave_uv(LEVELS[chosen.place.level], 45.0)
        search.update(chosen.place, sweeps_uv(rng, wave, 0.5), np.ones(16, dtype=bool))
    found = search.answer(0, limits=False)
    (across,) = search.expected(1)
    assert across.threshold_db == found.threshold_db
    assert across.sd_db > OTHER_EAR_DB
    assert search.expected(2) == (Expected(30.0, 8.0),)  # two octaves and the other ear: too far
    assert search.expected(3) == ()


def test_what_is_expected_comes_with_its_uncertainty() -> None:
    with pytest.raises(ValueError, match="expected_sd_db"):
        condition(expected_db=30.0)
