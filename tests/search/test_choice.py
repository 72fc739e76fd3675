"""Which level is next, and when it is over."""

import math
from dataclasses import replace

import numpy as np
import pytest

from quietfloor.monitor.search.choice import UNITS, Wanted, choose, gains, narrow, over, within_rise
from quietfloor.monitor.search.posterior import Belief

LEVELS = np.arange(0.0, 95.0, 5.0)
BELIEF = Belief(
    20.0, 40.0, 70.0, mean_uv=np.linspace(0.0, 0.1, 19), variance_uv2=np.full(19, 4e-4), shared_uv_db=-np.linspace(0.0, 0.2, 19),
    energy=np.full(19, 50.0), waves_uv=np.zeros((19, 8)),
)  # fmt: skip
NARROW = replace(BELIEF, low_db=36.0, high_db=44.0)
ALL = np.ones(len(LEVELS), dtype=bool)
NOTHING = np.zeros(19, dtype=bool)


def test_the_gain_is_that_of_a_normal_regression() -> None:
    """The variance that a noisy measurement of one takes off another, beside the residual of numpy's least squares."""
    rng = np.random.default_rng(1)
    size, rest = rng.standard_normal((2, 200_000))
    threshold = -5.0 * size + 3.0 * rest
    belief = replace(BELIEF, variance_uv2=np.ones(19), shared_uv_db=np.full(19, -5.0), energy=np.full(19, 2.0))
    measured = size + rng.standard_normal(size.size) / math.sqrt(UNITS * 0.25 * 2.0)
    (slope,), *_ = np.linalg.lstsq(measured[:, np.newaxis], threshold, rcond=None)
    saved = threshold.var() - (threshold - slope * measured).var()
    assert gains(belief, unit_weight=0.25, unit_s=0.4)[0] * UNITS * 0.4 == pytest.approx(saved, rel=0.02)


ALL = ~NOTHING


def test_rises_are_limited_and_only_levels_that_are_offered_are_played() -> None:
    picked = choose(BELIEF, Wanted(), LEVELS, np.zeros(19), within_rise(LEVELS, ALL, 40.0), 10.0, 0.4, 30.0)
    assert (LEVELS[picked.level], picked.why) == (60.0, "threshold")  # 90 would tell most
    assert LEVELS[within_rise(LEVELS, ALL, -math.inf)].tolist() == [0.0]
    soft = LEVELS <= 50.0
    assert LEVELS[within_rise(LEVELS, soft, 40.0)].max() == 50.0
    assert LEVELS[within_rise(LEVELS, LEVELS >= 70.0, 20.0)].tolist() == [70.0]  # where nothing softer is offered


def test_a_narrow_interval_asks_for_proof_near_it() -> None:
    picked = choose(NARROW, Wanted(), LEVELS, np.zeros(19), within_rise(LEVELS, ALL, 60.0), 10.0, 0.4, 30.0)
    assert picked.why == "proof"
    assert LEVELS[picked.level] == 50.0  # the loudest that is near enough
    loud = choose(NARROW, Wanted(), LEVELS, np.zeros(19), LEVELS >= 70.0, 10.0, 0.4, 30.0)
    assert LEVELS[loud.level] == 70.0


def test_it_is_over_with_a_narrow_interval_and_a_response_near_it_or_without_any() -> None:
    at_50, at_70 = NOTHING.copy(), NOTHING.copy()
    at_50[10:] = at_70[14:] = True
    assert over(NARROW, Wanted(), LEVELS, at_50, 30.0, ALL)
    assert not over(NARROW, Wanted(), LEVELS, at_70, 30.0, ALL)
    assert not over(NARROW, Wanted(), LEVELS, NOTHING, 30.0, ALL)
    assert not over(BELIEF, Wanted(), LEVELS, at_50, 3000.0, ALL)
    outside = replace(BELIEF, low_db=95.0, middle_db=97.5, high_db=97.5)
    assert over(outside, Wanted(), LEVELS, NOTHING, 30.0, ALL)
    assert over(replace(outside, low_db=88.0), Wanted(), LEVELS, NOTHING, 30.0, ALL)


def test_after_a_while_the_interval_may_be_wider_up_to_a_limit() -> None:
    wanted = Wanted(width_db=10.0, widest_db=15.0, patience_s=100.0)
    assert [wanted.width_after_db(seconds) for seconds in (0.0, 100.0, 150.0, 200.0, 900.0)] == [10.0, 10.0, 12.5, 15.0, 15.0]
    wide = replace(NARROW, low_db=33.0, high_db=45.0)
    assert [narrow(wide, wanted, seconds) for seconds in (100.0, 150.0)] == [False, True]
    assert Wanted(width_db=20.0, widest_db=15.0).width_after_db(900.0) == 20.0


@pytest.mark.parametrize(("key", "value"), [("width_db", 2.0), ("width_db", math.nan), ("alpha", 0.0), ("alpha", 0.5)])
def test_what_is_not_allowed_is_said(key: str, value: float) -> None:
    with pytest.raises(ValueError, match=key):
        Wanted(**{key: value})
