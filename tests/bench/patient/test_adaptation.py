"""Adaptation of the virtual ears with rate, against what is published."""

from __future__ import annotations

import math

import numpy as np
import pytest

from quietfloor.bench.patient.adaptation import REFERENCE_PER_S, Adaptation, at_rate, beside, equal_rate

HERE = np.zeros((2, 100))
HERE[0, 20:40] = 1.0
THERE = np.zeros((2, 100))
THERE[0, 60:80] = 1.0
OTHER_EAR = HERE[::-1]


def after(times_s: list[float], parts: np.ndarray = HERE) -> list[float]:
    ears = Adaptation()
    return [ears.heard(at_s, parts).size for at_s in times_s]


def test_sizes_at_fast_rates_are_those_published() -> None:
    # Br J Audiol 27:205 (1993), abstract: 8 % at 1000/s; fastest at about 200/s, about 2.8 times as fast as at 9 or 10/s
    assert at_rate(1000.0).size / at_rate(9.5).size == pytest.approx(0.08, abs=0.01)
    per_s = {rate: rate * at_rate(rate).size ** 2 for rate in (9.5, 40.0, 100.0, 200.0, 400.0)}
    assert per_s[200.0] / per_s[9.5] == pytest.approx(2.8, rel=0.1)
    rates = np.arange(5.0, 1000.0)
    worth = [rate * at_rate(rate).size ** 2 for rate in rates]
    assert 100.0 < rates[int(np.argmax(worth))] < 250.0
    assert per_s[200.0] > 0.9 * max(worth)


def test_latency_from_10_to_100_per_s_is_that_published() -> None:
    # Don, Allen & Starr 1977, abstract: 0.5 ms
    assert 1e3 * (at_rate(100.0).later_s - at_rate(10.0).later_s) == pytest.approx(0.5)
    assert at_rate(REFERENCE_PER_S) == (1.0, 0.0)


def test_slower_than_10_per_s_nothing_changes() -> None:
    # 45 listeners at 2.3 and 9.2/s, 60 to 90 dB nHL: no systematic difference of wave V (abstract)
    assert at_rate(2.3) == at_rate(9.2) == at_rate(0.0)


@pytest.mark.parametrize("rate_per_s", [3.0, 10.0, 47.1, 100.0, 500.0])
def test_a_regular_train_has_its_own_rate(rate_per_s: float) -> None:
    sizes = after([at / rate_per_s for at in range(200)])
    assert sizes[0] == at_rate(0.0).size
    assert sizes[-1] == pytest.approx(at_rate(rate_per_s).size, rel=1e-4)
    assert (np.diff(sizes) < 1e-5).all()


def test_adaptation_is_complete_by_the_fifth_click() -> None:
    # Don, Allen & Starr 1977, abstract, for 100/s
    later = Adaptation()
    shifts = [later.heard(0.01 * at, HERE).later_s for at in range(40)]
    assert (shifts[4] - shifts[0]) / (shifts[-1] - shifts[0]) > 0.9


def test_it_is_of_the_place_and_of_the_ear() -> None:
    for other in (THERE, OTHER_EAR):
        ears = Adaptation()
        ears.heard(0.0, other)
        assert ears.heard(0.002, HERE) == at_rate(0.0)
    ears = Adaptation()
    ears.heard(0.0, 0.5 * HERE)
    softer = ears.heard(0.002, HERE).size
    assert after([0.0, 0.002])[1] < softer < at_rate(0.0).size


def test_equal_rate_by_its_definition() -> None:
    for rate_per_s in (1.0, 40.0, 300.0):
        left = sum(math.exp(-at / (rate_per_s * 15e-3)) for at in range(1, 2000))
        assert equal_rate(left) == pytest.approx(rate_per_s)
    assert equal_rate(0.0) == 0.0


@pytest.mark.parametrize("shared", [0.0, 0.4, 1.0])
def test_another_train_in_the_same_ear_against_sound_by_sound(shared: float) -> None:
    rng, interval_s, sizes = np.random.default_rng(5), 1.0 / 40.0, []
    other = HERE.copy()
    other[0, 20 + round(20 * shared) : 40] = 0.0  # it excites a part of the places, and others more
    other += THERE
    for _ in range(40):
        ears, phase_s = Adaptation(), float(rng.uniform(0, interval_s))
        both = sorted([(at * interval_s, 0) for at in range(40)] + [(phase_s + at * interval_s, 1) for at in range(-1, 40)])
        found = [(which, ears.heard(1.0 + at_s, (HERE, other)[which]).size) for at_s, which in both]
        sizes += [size for which, size in found if which == 0][20:]
    assert beside(shared, 40.0) == pytest.approx(np.mean(sizes) / at_rate(40.0).size, rel=0.01)
    assert beside(0.0, 40.0) == pytest.approx(1.0)
