"""How often a ladder is wrong: against ladders that are drawn at random, and against what can be worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binomtest

from quietfloor.monitor.session.conditions import ABSENT, PRESENT, Condition
from quietfloor.monitor.session.next_level import Measurement, Rules, follow
from quietfloor.monitor.session.staircase_errors import ladder_errors

CLICK = Condition("right", "air", "click")


def test_one_run_at_one_level_is_wrong_as_often_as_the_run() -> None:
    rules = Rules(start_db=50, lowest_db=50, highest_db=50, present_runs=1, absent_runs=1)
    for alpha in (0.01, 0.05):
        found = ladder_errors(replace(rules, alpha=alpha))
        assert found.any_false == found.false_settled == pytest.approx(alpha)


def test_an_ascent_without_repeats_is_worked_out_by_hand() -> None:
    """Six levels from 40 to 90, one run each: the first false response is followed down, and stays one."""
    found = ladder_errors(Rules(present_runs=1, absent_runs=1))
    assert found.any_false == pytest.approx(1 - 0.99**6, rel=1e-4)
    assert found.false_settled == pytest.approx(1 - 0.99**6, rel=1e-4)


def test_two_responses_and_two_absences_make_a_false_threshold_rare() -> None:
    """Figures of an own simulation made before, 0.1 % and 7 %; with one response asked for, 5.8 %."""
    two = ladder_errors(Rules())
    assert two.any_false == pytest.approx(0.07, abs=0.003)
    assert two.false_settled == pytest.approx(0.001, abs=0.0005)
    assert ladder_errors(Rules(present_runs=1)).false_settled > 40 * two.false_settled
    assert "at most 6.8 % of ladders meet a false response" in two.words


@pytest.mark.parametrize(("rules", "ladders"), [(Rules(alpha=0.1), 600), (Rules(alpha=0.1, present_runs=1), 300)])
def test_ladders_drawn_at_random_are_wrong_as_often(rules: Rules, ladders: int) -> None:
    rng = np.random.default_rng(3)
    courses = [
        follow(CLICK, rules, lambda _: Measurement(PRESENT if rng.random() < rules.alpha else ABSENT)) for _ in range(ladders)
    ]
    said = ladder_errors(rules)
    met = sum(any(run.verdict == PRESENT for run in course.runs) for course in courses)
    wrong = sum(course.threshold.settled and not math.isnan(course.threshold.lowest_present_db_nhl) for course in courses)
    for count, rate in ((met, said.any_false), (wrong, said.false_settled)):
        held = binomtest(count, ladders).proportion_ci(0.999, method="exact")
        assert held.low <= rate <= held.high


def test_ears_that_hear_something_are_given_a_lower_threshold_no_more_often() -> None:
    """Fewer levels lie below what they hear than a ladder climbs in an ear that hears nothing."""
    rules, rng = Rules(alpha=0.1), np.random.default_rng(4)
    for hears_from in (20.0, 50.0, 80.0):

        def measure(level: float, hears_from: float = hears_from) -> Measurement:
            return Measurement(PRESENT if level >= hears_from or rng.random() < rules.alpha else ABSENT)

        courses = [follow(CLICK, rules, measure) for _ in range(300)]
        below = sum(course.threshold.settled and course.threshold.level_db_nhl < hears_from for course in courses)
        assert binomtest(below, 300).proportion_ci(0.999, method="exact").low <= ladder_errors(rules).false_settled


def test_what_is_left_out_as_too_unlikely_counts_as_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = ladder_errors(Rules(alpha=0.05))
    monkeypatch.setattr("quietfloor.monitor.session.staircase_errors.MOST", 5)
    ladder_errors.cache_clear()
    short = ladder_errors(Rules(alpha=0.05))
    ladder_errors.cache_clear()
    assert short.false_settled > whole.false_settled
