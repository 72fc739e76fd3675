"""Look schedules, and error budgets against their closed forms and published values."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import chdtri

from quietfloor.monitor.core.joint import SAFE_DIMENSIONS, constant_p_value, passes
from quietfloor.monitor.core.looks import BUDGETS, Looks


def test_looks_come_when_they_are_reached_and_once() -> None:
    looks = Looks(every=100, first=256, max_sweeps=600)
    np.testing.assert_array_equal(looks.at, [256, 356, 456, 556])
    np.testing.assert_allclose(looks.fractions, looks.at / 556)
    running = looks.begin(())
    taken = [int(running.take(np.array(float(n)))) for n in range(32, 801, 32)]
    reached = {256: 0, 384: 1, 480: 2, 576: 3}  # nothing is planned beyond the last
    assert taken == [reached.get(n, -1) for n in range(32, 801, 32)]


def test_a_look_that_was_passed_over_is_lost_and_runs_do_not_mix() -> None:
    running = Looks(every=32, first=64, max_sweeps=320).begin((3,))
    np.testing.assert_array_equal(running.take(np.array([63.0, 64.0, np.nan])), [-1, 0, -1])
    np.testing.assert_array_equal(running.take(np.array([200.0, 95.0, 64.0])), [4, -1, 0])
    np.testing.assert_array_equal(running.take(np.array([200.0, 96.0, 5000.0])), [-1, 1, 8])
    np.testing.assert_array_equal(running.take(np.array([9e9, 96.0, 9e9])), [8, -1, -1])


plans = st.builds(
    lambda every, first, more: Looks(every, first, first + more),
    st.integers(1, 600),
    st.integers(1, 600),
    st.integers(0, 9000),
)


@given(plans, st.floats(1e-6, 0.2), st.sampled_from(["bonferroni", "pocock", "obrien_fleming"]))
def test_what_is_spent_is_alpha(looks: Looks, alpha: float, budget: str) -> None:
    spent = BUDGETS[budget](alpha, looks.fractions)
    assert spent.shape == looks.at.shape
    assert (spent >= 0).all()
    assert spent.sum() == pytest.approx(alpha, rel=1e-9)


def test_closed_forms() -> None:
    """Lan & DeMets 1983 (Biometrika 70:659), as given in DeMets & Lan 1994 (Stat Med 13:1341); computed without the code."""
    fractions = np.array([0.2, 0.4, 0.6, 0.8, 1.0])
    np.testing.assert_allclose(BUDGETS["bonferroni"](0.05, fractions), 0.01)
    np.testing.assert_allclose(BUDGETS["none"](0.05, fractions), 0.05)
    by_hand = [0.025 * math.log(1 + (math.e - 1) * t) for t in fractions]
    np.testing.assert_allclose(BUDGETS["pocock"](0.025, fractions).cumsum(), by_hand, rtol=1e-12)
    z = 2.241402727604947  # upper 0.0125 point of the normal distribution
    by_hand = [math.erfc(z / math.sqrt(t) / math.sqrt(2)) for t in fractions]
    np.testing.assert_allclose(BUDGETS["obrien_fleming"](0.025, fractions).cumsum(), by_hand, rtol=1e-9)
    # Five equal looks, two-sided 0.05: spent so far 0.0000, 0.0008, 0.0076, 0.0244, 0.0500 [from memory: standard tables]
    published = [0.0000, 0.0008, 0.0076, 0.0244, 0.0500]
    np.testing.assert_allclose(2 * BUDGETS["obrien_fleming"](0.025, fractions).cumsum(), published, atol=5e-5)


@pytest.mark.parametrize(
    ("alpha", "looks", "z"),
    [(0.05, 2, 2.178), (0.05, 5, 2.413), (0.05, 10, 2.555), (0.01, 2, 2.772), (0.01, 5, 2.986), (0.01, 10, 3.117)],
)
def test_published_constants_of_pocock(alpha: float, looks: int, z: float) -> None:
    """Pocock 1977 (Biometrika 64:191), two-sided, equal groups, one dimension [from memory: standard tables]."""
    p_value = constant_p_value(alpha, np.arange(1.0, looks + 1), dimensions=1)
    assert math.sqrt(chdtri(1, p_value)) == pytest.approx(z, abs=6e-4)


def test_the_joint_probability_is_that_of_a_random_walk() -> None:
    rng = np.random.default_rng(1)
    times = np.array([1.0, 1.5, 3.0, 4.0, 6.0])
    steps = rng.standard_normal((40_000, 5, 7)) * np.sqrt(np.diff(times, prepend=0.0))[:, np.newaxis]
    square = (steps.cumsum(axis=1) ** 2).sum(axis=-1) / times
    seen = (square > chdtri(7, 0.02)).any(axis=1).mean()
    assert passes(0.02, times, 7) == pytest.approx(seen, abs=4 * math.sqrt(0.06 / 40_000))


def test_the_joint_budget_is_between_the_union_bound_and_no_budget_and_safe_in_dimensions() -> None:
    looks = Looks()
    spent = BUDGETS["pocock_joint"](0.01, looks.fractions)
    assert np.ptp(spent) == 0
    assert 2 * 0.01 / 24 < spent[0] < 0.01
    assert BUDGETS["pocock_joint"](0.01, np.ones(1)) == 0.01
    by_dimension = [constant_p_value(0.01, looks.fractions, d) for d in (1, 12, 48, SAFE_DIMENSIONS)]
    assert (np.diff(by_dimension) < 0).all()
    assert by_dimension[-1] == pytest.approx(spent[0], rel=1e-9)
    for alpha in (1e-6, 0.2):
        one = BUDGETS["pocock_joint"](alpha, looks.fractions)[0]
        assert alpha / 24 < one < alpha
