"""Which triggers are of the run's own sound: whatever plays before, is missing, or breaks."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.bench.devtools.fault_runs import RATE_HZ as FAULTS_HZ
from quietfloor.bench.devtools.fault_runs import settings_for, stream
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.following import LONGEST_LAG_S, MOST_STRAYS, Following
from quietfloor.monitor.core.onsets import Onset
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.core.units import Sweep
from quietfloor.stimuli.schedule import Schedule

RATE_HZ = 8000.0
LEAD_S = 2.0


def schedule(seed: int, lead_in_s: float = LEAD_S, rate_per_s: float = 47.1, random_interval_s: float = 0.0) -> Schedule:
    return Schedule(rate_per_s, 48_000, seed=seed, lead_in_s=lead_in_s, random_interval_s=random_interval_s)


def onsets_s(seed: int, n: int, lead_in_s: float = LEAD_S, random_interval_s: float = 0.0) -> np.ndarray:
    return schedule(seed, lead_in_s, random_interval_s=random_interval_s).onsets(n) / 48_000


def signs(seed: int, n: int) -> np.ndarray:
    return np.array([sweep.sign for sweep, _ in zip(schedule(seed).sweeps(), range(n), strict=False)])


def fed(following: Following, times_s: Iterable[float]) -> tuple[list[Sweep], int, bool]:
    """The sweeps that came out, how many were dropped, and whether the run was refused, which ends it."""
    own: list[Sweep] = []
    dropped = 0
    for at_s in times_s:
        out = following.take(Sweep(Onset(float(at_s) * RATE_HZ, 0, 8.0, False), (None,), None))
        own += out.own
        dropped += out.dropped
        if out.refused:
            return own, dropped, True
    return own, dropped, False


def positions_s(own: list[Sweep]) -> np.ndarray:
    return np.array([sweep.onset.position for sweep in own]) / RATE_HZ


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(2, 10_000),
    lag_s=st.floats(0.0, 20.0),
    late_s=st.floats(0.0, 3.0),
    ppm=st.floats(-500, 500),
    missing=st.floats(0.0, 0.2),
    coarse=st.sampled_from([0.0, 1 / 8000, 1 / 2000, 1e-3]),
    random_interval_s=st.sampled_from([0.0, 1e-3, 4e-3, 8e-3]),
)
def test_sweeps_of_another_run_are_dropped_and_own_ones_have_their_signs(
    seed: int, lag_s: float, late_s: float, ppm: float, missing: float, coarse: float, random_interval_s: float
) -> None:
    """The tail of another run for ``lag_s``, then the sound of this one: clocks apart, triggers missing, or on a grid."""
    rng = np.random.default_rng(seed)
    other = onsets_s(1, 3000, random_interval_s=random_interval_s)
    other = other[(other > 20.0) & (other < 20.0 + lag_s)] - 20.0
    n = 400
    began_s = lag_s + late_s
    own_s = began_s + onsets_s(seed, n, random_interval_s=random_interval_s) * (1 + 1e-6 * ppm)
    kept = rng.random(n) >= missing
    kept[:1] = True
    times_s = np.concatenate([other, own_s[kept]])
    if coarse:
        times_s = np.ceil(times_s / coarse) * coarse
    own = schedule(seed, random_interval_s=random_interval_s)
    found, dropped, refused = fed(Following(RATE_HZ, own, 6144), times_s)
    assert not refused
    assert dropped == len(other)
    np.testing.assert_allclose(positions_s(found), times_s[len(other) :][: len(found)])
    assert len(found) > kept.sum() - 50
    expected = signs(seed, n)[kept][: len(found)]
    told = np.array([sweep.sign for sweep in found])
    assert (told == expected).mean() > 0.97
    assert not ((told == -expected) & (told != 0)).any()


def test_without_a_schedule_everything_goes_through() -> None:
    times_s = [0.1, 0.2, 0.2001]
    found, dropped, refused = fed(Following(RATE_HZ, None, 6144), times_s)
    assert (positions_s(found).tolist(), dropped, refused) == (times_s, 0, False)
    assert {sweep.sign for sweep in found} == {0}


@pytest.mark.parametrize("rate_per_s", [47.1, 44.3])
@pytest.mark.parametrize("random_interval_s", [0.0, 4e-3])
def test_triggers_that_never_follow_the_plan_end_the_run(rate_per_s: float, random_interval_s: float) -> None:
    times_s = schedule(9, 0.5, rate_per_s, random_interval_s).onsets(4000) / 48_000
    found, _, refused = fed(Following(RATE_HZ, schedule(1, random_interval_s=random_interval_s), 6144), times_s)
    assert refused
    assert not found
    assert times_s[-1] > LONGEST_LAG_S


def test_another_source_that_takes_over_ends_the_run_before_it_is_judged() -> None:
    own_s = onsets_s(1, 400)
    other_s = own_s[-1] + 0.05 + onsets_s(2, 400, 0.1)
    found, dropped, refused = fed(Following(RATE_HZ, schedule(1), 6144), [*own_s, *other_s])
    assert refused
    assert dropped == 0
    assert (positions_s(found) > other_s[16]).sum() == 0  # a unit may fit by chance
    assert len(found) >= 400
    assert MOST_STRAYS < 400


def test_the_whole_of_another_run_is_dropped_too() -> None:
    other_s = onsets_s(2, 256, 0.5)
    own_s = other_s[-1] + 1.0 + onsets_s(1, 200)
    found, dropped, _ = fed(Following(RATE_HZ, schedule(1), 6144), [*other_s, *own_s])
    assert dropped == 256
    assert positions_s(found)[0] == pytest.approx(own_s[0])


@pytest.mark.parametrize("at_s", [2.1, 2.5, 3.0, 3.5, 10.0])
@pytest.mark.parametrize("longer_s", [0.011, 0.04, 0.3])
def test_a_break_of_the_sound_costs_no_sweep_and_is_nothing_foreign(at_s: float, longer_s: float) -> None:
    """Silence that is put in makes all that follows come later."""
    following = Following(RATE_HZ, schedule(1), 6144)
    before, after = onsets_s(1, 1000), onsets_s(1, 1000) + longer_s
    before, after = before[before < at_s], after[after >= at_s + longer_s]
    found, dropped, refused = fed(following, before)
    following.broke(at_s * RATE_HZ)
    more, again, refused_again = fed(following, after)
    assert (dropped, again, refused, refused_again) == (0, 0, False, False)
    assert len(found) + len(more) == 1000
    told = np.array([sweep.sign for sweep in (*found, *more)])
    assert not ((told == -signs(1, 1000)) & (told != 0)).any()
    assert (told != 0)[len(before) + 128 :].all() or len(before) < 80


@pytest.mark.parametrize("lost_s", [0.002, 0.3, 4.0])
@pytest.mark.parametrize("told", [True, False])
def test_missing_samples_cost_no_more_than_their_own_sweeps(lost_s: float, told: bool) -> None:
    following = Following(RATE_HZ, schedule(1), 6144)
    times_s = onsets_s(1, 1000)
    before, after = times_s[times_s < 6.0], times_s[times_s > 6.0 + lost_s] - lost_s
    found, _, _ = fed(following, before)
    if told:
        following.gap(round(6.0 * RATE_HZ), lost_s)
    elif lost_s > 1.0:
        return  # a stream that leaps by seconds tells of it
    more, dropped, refused = fed(following, after)
    assert (dropped, refused) == (0, False)
    assert len(found) + len(more) == len(before) + len(after)
    assert all(sweep.sign for sweep in more[128:])


def test_extra_triggers_cost_nothing_but_themselves() -> None:
    own_s = onsets_s(1, 600)
    extra_s = own_s[20::25] + 0.0083
    found, dropped, refused = fed(Following(RATE_HZ, schedule(1), 6144), np.sort(np.concatenate([own_s, extra_s])))
    assert (dropped, refused) == (0, False)
    extra = np.abs(np.subtract.outer(positions_s(found), extra_s)).min(axis=1) < 1e-6
    told = np.array([sweep.sign for sweep in found])
    assert not told[extra].any()
    assert told[~extra].all()


def through_engine(seed: int, plan_seed: int, cuts: int, before_s: float = 0.0) -> tuple[list[dict[str, object]], Engine]:
    """Events of a run of ``plan_seed`` on the stream of ``seed``, behind ``before_s`` of another run, cut at random."""
    samples, stamps_s = stream(seed, 0.0)
    if before_s:
        other, _ = stream(seed + 1, 450.0)
        first = round(10.0 * FAULTS_HZ)
        samples = np.concatenate([other[:, first : first + round(before_s * FAULTS_HZ)], samples], axis=1)
        stamps_s = 100.0 + np.arange(samples.shape[1]) / FAULTS_HZ
    engine = Engine(settings_for(seed=plan_seed))
    places = np.sort(np.random.default_rng(cuts).integers(0, samples.shape[1], 20 * cuts))
    events: list[dict[str, object]] = []
    for start, stop in pairwise([0, *places.tolist(), samples.shape[1]]):
        events += [event.record() for event in engine.feed(Chunk(samples[:, start:stop], stamps_s[start:stop]))]
    return events, engine


def test_a_run_begins_with_its_own_sound_however_the_stream_is_cut() -> None:
    one, engine = through_engine(4, 4, 3, before_s=8.0)
    other, _ = through_engine(4, 4, 200, before_s=8.0)
    assert one == other
    (said,) = (event for event in one if event["type"] == "foreign_sound")
    assert (said["sweeps"], said["refused"]) == (engine.foreign_sweeps, False)
    assert 330 < engine.foreign_sweeps < 380  # 8 s at 47.1/s, without the pauses
    looks = [event for event in one if event["type"] == "look"]
    assert looks[0]["sweeps_presented"] == 16
    assert engine.verdict is None or engine.verdict.verdict != "response_present"


def test_a_run_on_another_sound_ends_without_a_verdict_and_says_what_to_do() -> None:
    events, engine = through_engine(4, 5, 3)
    assert not [event for event in events if event["type"] == "look"]
    assert engine.counts.presented == 0
    assert engine.verdict is None  # after 32 s its own sound may still be on its way
    follow = Engine(settings_for(seed=5))
    samples, _ = stream(4, 450.0)
    samples = np.concatenate([samples, samples[:, round(3 * FAULTS_HZ) :]], axis=1)
    follow.feed(Chunk(samples, 100.0 + np.arange(samples.shape[1]) / FAULTS_HZ))
    assert follow.verdict is not None
    assert (follow.verdict.verdict, follow.verdict.stopped_by) == ("inconclusive", "fault")
    assert "do not follow the plan" in follow.verdict.reason
    assert "begin a new run" in follow.verdict.reason
