"""The bracket of a threshold: the steps of the method, and simulated listeners with a psychometric function."""

from __future__ import annotations

import math

import numpy as np
import pytest

from quietfloor.monitor.calibration.bracketing import MOST_ASCENTS, Bracket, Steps


def levels_for(steps: Steps, answers: str) -> tuple[list[float], Bracket]:
    """The levels that were played for these answers: + heard, - not."""
    bracket, played = Bracket(steps), []
    for answer in answers:
        played.append(bracket.level_db)
        bracket.answer(answer == "+")
    return played, bracket


def test_down_after_a_response_and_up_without_one() -> None:
    """10 dB down, 5 dB up; three responses while the level rises: ISO 8253-1, ascending method (from memory)."""
    played, bracket = levels_for(Steps(40, 0, 80, 5), "+++--+--+--+")
    assert played == [40, 30, 20, 10, 15, 20, 10, 15, 20, 10, 15, 20]
    assert (bracket.end, bracket.threshold_db) == ("found", 20.0)
    with pytest.raises(ValueError, match="nothing more to answer"):
        bracket.answer(True)


def test_responses_on_the_way_down_do_not_count() -> None:
    _, bracket = levels_for(Steps(40, 0, 80, 5), "++++")
    assert math.isnan(bracket.threshold_db)
    assert bracket.ascents == 0


def test_a_level_that_is_heard_in_fewer_than_half_of_its_ascents_is_no_threshold() -> None:
    """Whatever the answers are: the definition, counted anew from the levels and answers."""
    rng = np.random.default_rng(6)
    for _ in range(300):
        bracket, played, before = Bracket(Steps(40, 0, 80, 5)), list[tuple[float, bool, bool]](), True
        while not bracket.end:
            answer = bool(rng.random() < (0.1, 0.4, 0.6)[int(bracket.level_db > 20) + int(bracket.level_db > 40)])
            played.append((bracket.level_db, not before and any(heard for *_, heard in played), answer))
            bracket.answer(answer)
            before = answer
        rising = [(level, answer) for level, up, answer in played if up]
        known = {level: [answer for other, answer in rising if other == level] for level, _ in rising}
        found = [level for level, answers in known.items() if sum(answers) >= 3 and np.mean(answers) >= 0.5]
        assert (bracket.end == "found") == bool(found)
        assert bracket.end != "found" or bracket.threshold_db == min(found)


def test_the_first_sound_is_found_in_larger_steps() -> None:
    assert levels_for(Steps(20, 0, 80, 5), "--+--")[0] == [20, 40, 60, 50, 55]


@pytest.mark.parametrize(
    ("answers", "end", "levels"),
    [("-----", "not heard", [60, 80, 80, 80]), ("+" * 9, "always heard", [60, 50, 40, 30, 20, 10, 0, 0, 0])],
)
def test_how_else_it_ends(answers: str, end: str, levels: list[float]) -> None:
    played, bracket = levels_for(Steps(60, 0, 80, 5), answers[: len(levels)])
    assert (bracket.end, played) == (end, levels)
    assert math.isnan(bracket.threshold_db)


def test_answers_that_do_not_settle_end_it() -> None:
    """Heard one level higher in each ascent: no level gets three responses."""
    bracket, ascents = Bracket(Steps(0, 0, 200, 2)), 0
    while not bracket.end:
        heard = bracket.level_db >= 2 * ascents
        bracket.answer(heard)
        ascents += heard
    assert (bracket.end, bracket.ascents) == ("not settled", MOST_ASCENTS)


@pytest.mark.parametrize(
    "wrong", [{"up_db": 0.0}, {"start_db": 90.0}, {"up_db": 3.0}, {"up_db": 20.0}, {"start_db": 61.0}, {"lowest_db": math.nan}]
)
def test_steps_that_make_no_grid_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"grid|lies from"):
        Steps(**{"start_db": 60.0, "lowest_db": 0.0, "highest_db": 80.0, "up_db": 2.0} | wrong)


@pytest.mark.parametrize(("step_db", "most_db"), [(2.0, 2.0), (5.0, 3.5)])
def test_the_median_of_simulated_listeners_is_their_threshold(step_db: float, most_db: float) -> None:
    """Logistic psychometric functions with an SD-like width of 1 to 2.5 dB (own choice), thresholds anywhere on the grid.

    In steps of 5 dB the ascending method itself lies half a step higher, which the wider bound holds.
    """
    rng, errors, sounds = np.random.default_rng(20), [], []
    for _ in range(600):
        true_db, width_db = rng.uniform(12.0, 45.0), rng.uniform(1.0, 2.5)
        bracket, count = Bracket(Steps(60, 0, 80, step_db)), 0
        while not bracket.end:
            bracket.answer(bool(rng.random() < 1.0 / (1.0 + math.exp(-(bracket.level_db - true_db) / width_db))))
            count += 1
        if bracket.end == "found":
            errors.append(bracket.threshold_db - true_db)
            sounds.append(count)
    assert len(errors) >= 590
    assert abs(float(np.median(errors))) <= most_db
    assert float(np.std(errors)) < 3.0
    assert float(np.mean(sounds)) < 45.0
