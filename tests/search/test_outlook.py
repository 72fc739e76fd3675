"""How long a search still takes."""

import math

import numpy as np
import pytest

from quietfloor.monitor.search.outlook import ALIKE, NARROW, NARROW_S, WIDE, Outlook, Progress, foretell, in_turn
from quietfloor.monitor.search.running import RunningSearch
from tests.search.made import LEVELS, condition, sweeps_uv, wave_uv


def test_it_takes_longer_with_a_wide_interval_and_in_noise_and_at_the_end_as_long_as_the_proof() -> None:
    usual = foretell(Progress(3.0, 20.0, 60.0))
    assert 0.0 < usual.low_s < usual.median_s < usual.high_s
    assert foretell(Progress(6.0, 20.0, 60.0)).median_s > usual.median_s
    assert foretell(Progress(3.0, 40.0, 60.0)).median_s < usual.median_s
    proof = foretell(Progress(0.9, 20.0, 60.0, proof_s=30.0))
    assert proof.low_s == pytest.approx(NARROW[0] * (30.0 + NARROW_S))
    assert all(math.isnan(value) for value in foretell(Progress(3.0, math.nan, 0.0)))
    assert math.isfinite(foretell(Progress(0.9, 20.0, 60.0, proof_s=math.inf)).high_s)


def test_the_range_of_several_conditions_is_that_of_a_sum() -> None:
    """Beside sums of numpy's log-normal numbers that are as much alike, with the same 10 and 90 % points."""
    rng, parts, drawn = np.random.default_rng(1), [], np.zeros(400_000)
    common = rng.standard_normal(drawn.size)
    for median_s, spread in ((100.0, 0.6), (250.0, 0.7), (60.0, 0.8)):
        normal = math.sqrt(ALIKE) * common + math.sqrt(1.0 - ALIKE) * rng.standard_normal(drawn.size)
        sample = median_s * np.exp(spread * normal)
        parts.append(Outlook(*np.percentile(sample, (10, 50, 90))))
        drawn += sample
    assert np.array(in_turn(parts)) == pytest.approx(np.percentile(drawn, (10, 50, 90)), rel=0.08)
    assert in_turn(parts[:1]) == parts[0]
    assert in_turn([]) == Outlook(0.0, 0.0, 0.0)
    assert math.isnan(in_turn([parts[0], Outlook(*(math.nan,) * 3)]).low_s)


def test_a_search_says_how_long_it_will_go_on() -> None:
    search, rng = RunningSearch((condition(), condition(rank=1))), np.random.default_rng(7)
    assert math.isnan(search.outlook().median_s)
    begin: Outlook | None = None
    for _ in range(1600):
        chosen = search.choose()
        if chosen is None:
            break
        wave = wave_uv(LEVELS[chosen.place.level], 25.0)
        search.update(chosen.place, sweeps_uv(rng, wave, 0.7), np.ones(16, dtype=bool))
        begin = begin or search.outlook()
        assert search.outlook(0).median_s <= search.outlook().median_s
    assert search.finished
    assert begin is not None
    assert WIDE[0] * 100.0 < begin.low_s < begin.median_s < begin.high_s < 3600.0
    assert search.outlook() == Outlook(0.0, 0.0, 0.0)
    left = RunningSearch((condition(),))
    left.offer(0, np.zeros(len(LEVELS), dtype=bool))
    assert left.outlook() == Outlook(0.0, 0.0, 0.0)
