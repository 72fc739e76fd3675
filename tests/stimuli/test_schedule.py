from itertools import islice, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from quietfloor.stimuli.schedule import (
    PAUSES_S,
    RateError,
    Schedule,
    ScheduleError,
    mains_conflict,
    refuse_mains_locked,
    safe_rates_near,
)


def test_intervals_inside_a_unit_are_exact_to_half_a_sample_and_pauses_only_between_units():
    schedule = Schedule(47.1, 48_000, n_sweeps=1600, seed=5)
    onsets = schedule.onsets(1600).reshape(100, 16)
    inside = np.diff(onsets, axis=1)
    assert set(np.unique(inside)) == {1019, 1020}  # 48000 / 47.1 = 1019.11
    pauses = onsets[1:, 0] - onsets[:-1, -1] - 48_000 / 47.1
    assert pauses.min() >= -1.0
    assert pauses.max() <= 960.0 + 800.0  # 20 ms and 16.7 ms
    assert pauses.max() > 1500
    assert pauses.mean() == pytest.approx(880, abs=4 * np.hypot(960, 800) / np.sqrt(12 * 99))  # 18.3 ms, 4 standard errors
    assert np.unique(np.round(pauses)).size > 80
    assert onsets[0, 0] == 96_000  # 2 s


def test_without_pauses_the_rate_is_exact_over_any_length():
    onsets = Schedule(47.1, 48_000, n_sweeps=None, pauses_s=(), lead_in_s=1.0).onsets(20_000)
    np.testing.assert_array_less(np.abs(onsets - 48_000 - np.arange(20_000) * 48_000 / 47.1), 0.5 + 1e-6)


@settings(max_examples=50)
@given(
    seed=st.integers(0, 2**32),
    rate=st.floats(5, 100),
    unit=st.integers(1, 20),
    n=st.integers(0, 100),
    polarity=st.sampled_from(["condensation", "rarefaction", "alternating"]),
    part=st.sampled_from([0.0, 0.3, 0.9]),
)
def test_sweeps_do_not_depend_on_how_they_are_read(seed, rate, unit, n, polarity, part):
    known = {"unit_sweeps": unit, "seed": seed, "random_interval_s": part / rate}
    schedule = Schedule(rate, 48_000, polarity, n_sweeps=n, **known)
    endless = Schedule(rate, 48_000, polarity, n_sweeps=None, **known)
    sweeps = list(schedule.sweeps())
    assert sweeps == list(islice(endless.sweeps(), n))
    assert [s.onset_sample for s in sweeps] == list(endless.onsets(n))
    assert [s.index for s in sweeps] == list(range(n))
    assert all(s.unit * unit + s.index_in_unit == s.index for s in sweeps)
    assert all(b.onset_sample > a.onset_sample for a, b in pairwise(sweeps))


@pytest.mark.parametrize("random_interval_s", [2e-5, 1e-3, 4e-3, 20e-3])
def test_random_intervals_move_each_sound_by_a_uniform_draw_of_its_own(random_interval_s):
    """Against the even train of the same seed: pauses and polarities stay, and the moves are uniform and independent."""
    even = Schedule(47.1, 48_000, seed=8, n_sweeps=20_000)
    moved = Schedule(47.1, 48_000, seed=8, n_sweeps=20_000, random_interval_s=random_interval_s)
    moves, places = moved.onsets(20_000) - even.onsets(20_000), round(random_interval_s * 48_000)
    assert (moves.min(), moves.max()) == (0, places - 1)
    if places > 1:
        counts = np.bincount(moves, minlength=places)
        assert stats.chisquare(counts).pvalue > 1e-3
        assert abs(np.corrcoef(moves[1:], moves[:-1])[0, 1]) < 4 / np.sqrt(20_000)
    assert np.diff(moved.onsets(20_000)).min() >= moved.shortest_samples
    assert np.diff(moved.onsets(20_000)).min() <= moved.shortest_samples + max(1, places // 8)
    assert [one.polarity for one in moved.sweeps()] == [one.polarity for one in even.sweeps()]


@pytest.mark.parametrize("harmonic", [1, 2, 3])
@pytest.mark.parametrize("random_interval_ms", [2.0, 6.0, 10.0])
def test_random_intervals_leave_of_hum_what_the_sinc_of_them_says(harmonic, random_interval_ms):
    """Hum exactly in step with 50 stimuli a second, without pauses: an even train keeps all of it. The mean of its phasor at the
    onsets is compared with numpy's sinc, the transform of a uniform density (a textbook identity)."""
    onsets_s = Schedule(50.0, 48_000, pauses_s=(), random_interval_s=1e-3 * random_interval_ms, seed=4).onsets(20_000) / 48_000
    left = abs(np.mean(np.exp(2j * np.pi * 50.0 * harmonic * onsets_s)))
    assert left == pytest.approx(abs(np.sinc(50.0 * harmonic * 1e-3 * random_interval_ms)), abs=4 / np.sqrt(20_000))
    even_s = Schedule(50.0, 48_000, pauses_s=(), seed=4).onsets(20_000) / 48_000
    assert abs(np.mean(np.exp(2j * np.pi * 50.0 * harmonic * even_s))) == pytest.approx(1.0, abs=1e-9)


def test_seed_decides():
    assert list(Schedule(47.1, 48_000, seed=1).onsets(100)) == list(Schedule(47.1, 48_000, seed=1).onsets(100))
    assert list(Schedule(47.1, 48_000, seed=1).onsets(100)) != list(Schedule(47.1, 48_000, seed=2).onsets(100))


def test_polarities():
    def signs(polarity):
        return [s.sign for s in Schedule(47.1, 48_000, polarity, n_sweeps=5, random_polarity=False).sweeps()]

    assert signs("condensation") == [1] * 5
    assert signs("rarefaction") == [-1] * 5
    assert signs("alternating") == [1, -1, 1, -1, 1]


def test_each_unit_begins_with_either_polarity_by_a_fair_coin_and_alternates():
    def units(**how):
        return np.array([s.sign for s in Schedule(47.1, 48_000, n_sweeps=16 * 4000, **how).sweeps()]).reshape(-1, 16)

    signs = units(seed=3)
    np.testing.assert_array_equal(signs[:, 1:], -signs[:, :-1])
    first = signs[:, 0]
    assert stats.binomtest(int((first > 0).sum()), first.size).pvalue > 1e-3
    assert stats.binomtest(int((first[1:] == first[:-1]).sum()), first.size - 1).pvalue > 1e-3  # each owes nothing to the last
    assert (units(seed=4)[:, 0] != first).any()
    assert (units(seed=3, random_polarity=False)[:, 0] == 1).all()
    fixed = Schedule(47.1, 48_000, "rarefaction", n_sweeps=64, seed=3).sweeps()
    assert {s.polarity for s in fixed} == {"rarefaction"}
    with_coin, without = (Schedule(47.1, 48_000, seed=3, random_polarity=coin).onsets(640) for coin in (True, False))
    np.testing.assert_array_equal(with_coin, without)  # pauses of a seed do not depend on it


@pytest.mark.parametrize(
    "change",
    [
        {"rate_per_s": 0.0}, {"rate_per_s": float("nan")}, {"rate_per_s": 1e9},
        {"sample_rate_hz": 0.0}, {"sample_rate_hz": float("inf")},
        {"polarity": "both"}, {"n_sweeps": -1}, {"unit_sweeps": 0}, {"pauses_s": (0.02, -0.1)}, {"pauses_s": (float("nan"),)},
        {"pauses_s": (0.0,)}, {"pauses_s": (1.1,)},
        {"random_interval_s": -1e-6}, {"random_interval_s": 0.0213}, {"random_interval_s": float("nan")},
        {"seed": -1}, {"lead_in_s": 0.0}, {"lead_in_s": float("nan")},
    ],
)  # fmt: skip
def test_refuses(change):
    with pytest.raises(ScheduleError, match=next(iter(change))):
        Schedule(**{"rate_per_s": 47.1, "sample_rate_hz": 48_000.0, **change})


@pytest.mark.parametrize("rate", [50.0, 49.9, 33.33, 25.0, 20.0, 10.0, 60.0, 30.0, 59.9, 40.0, 45.0, 16.667, 12.5])
def test_refuses_rates_near_the_mains_and_proposes_safe_ones(rate):
    with pytest.raises(RateError, match="use ") as caught:
        refuse_mains_locked(rate)
    assert len(caught.value.proposals) == 3
    for proposal in caught.value.proposals:
        refuse_mains_locked(proposal)
        assert abs(proposal - rate) < 2.0


@pytest.mark.parametrize("rate", [47.1, 46.3, 21.1, 11.1, 27.1, 39.1, 49.1])
def test_accepts_usual_odd_rates(rate):
    refuse_mains_locked(rate)


@pytest.mark.parametrize("rate", [float("nan"), 0.0, -3.0, 1e6])
def test_refuses_impossible_rates(rate):
    with pytest.raises(RateError, match="allowed"):
        refuse_mains_locked(rate)


@settings(max_examples=60)
@given(tenths=st.integers(50, 1000))
def test_hum_left_in_256_sweeps_of_a_safe_rate_is_small(tenths):
    """Slow and obvious: average the hum itself at the onsets of a schedule without pauses."""
    rate = tenths / 10
    times_s = np.arange(256) / rate
    hums = [h * f for f in (50.0, 60.0) for h in range(1, 7)]
    left = max(abs(np.mean(np.exp(2j * np.pi * hum * times_s))) for hum in hums)
    if mains_conflict(rate) is None:
        assert left < 0.13  # no side lobe beyond two turns of the phase is higher
    else:
        assert left > 0.001 or min(abs(h / rate - round(h / rate)) for h in hums) < 0.01


def test_pauses_break_a_lock_that_a_fixed_rate_keeps():
    def left(mains_hz, pauses_s):
        times_s = Schedule(mains_hz / 2, 48_000, n_sweeps=6144, pauses_s=pauses_s, seed=11).onsets(6144) / 48_000
        return abs(np.mean(np.exp(2j * np.pi * mains_hz * times_s)))

    for mains_hz in (50.0, 60.0):
        assert left(mains_hz, ()) > 0.99
        assert left(mains_hz, PAUSES_S) < 3 / np.sqrt(6144 / 16)  # 384 units at random phase


UNITS, BINS = 20_000, 8


def turns(mains_hz, harmonic, rate_per_s=47.1, sample_rate_hz=48_000, pauses_s=PAUSES_S, error_hz=0.0):
    """By how much the phase moves from unit to unit, in eighths of a turn: (UNITS,) integers from 0 to 7."""
    schedule = Schedule(rate_per_s, sample_rate_hz, unit_sweeps=1, pauses_s=pauses_s, seed=3)  # lengths of units do not matter
    moves = np.diff(schedule.onsets(UNITS + 1))
    if error_hz:
        return (moves * (harmonic * (mains_hz + error_hz) / sample_rate_hz) % 1 * BINS).astype(int)
    period = sample_rate_hz // mains_hz
    return harmonic * moves % period * BINS // period


@pytest.mark.parametrize("rate_per_s", [47.1, 30.0, 50.0])
@pytest.mark.parametrize("mains_hz", [50, 60])
@pytest.mark.parametrize("harmonic", [1, 2, 3, 5, 7, 11])
def test_hum_meets_each_unit_at_a_uniform_phase_that_owes_nothing_to_the_one_before(mains_hz, harmonic, rate_per_s):
    """Chi-square. Moves that are uniform and independent are the same as phases that are."""
    moves = turns(mains_hz, harmonic, rate_per_s)
    assert stats.chisquare(np.bincount(moves, minlength=BINS)).pvalue > 1e-3
    assert stats.chisquare(np.bincount(moves[1::2] * BINS + moves[::2], minlength=BINS**2)).pvalue > 1e-3


def test_mains_a_little_off_its_frequency_still_meets_units_at_nearly_uniform_phases():
    for mains_hz in (50, 60):
        assert stats.chisquare(np.bincount(turns(mains_hz, 1, error_hz=0.1), minlength=BINS)).pvalue > 1e-3


def test_one_pause_suits_its_own_mains_only():
    """The check sees what it should: over 20 ms, hum at 60 Hz turns by 0 to 1.2 turns, and some phases come twice as often."""
    for mains_hz, other_hz in ((50, 60), (60, 50)):
        own, other = (np.bincount(turns(hz, 1, pauses_s=(1 / mains_hz,)), minlength=BINS) for hz in (mains_hz, other_hz))
        assert stats.chisquare(own).pvalue > 1e-3
        assert stats.chisquare(other).pvalue < 1e-12


def test_what_the_pauses_cost():
    plain, paused = (Schedule(47.1, 48_000, pauses_s=pauses_s).onsets(16_001)[[0, -1]] for pauses_s in ((), PAUSES_S))
    assert np.diff(paused)[0] / np.diff(plain)[0] == pytest.approx(1.0540, abs=0.002)


def test_safe_rates_only_for_the_mains_of_the_country():
    assert mains_conflict(60.0, (50.0,)) == (300.0, 300.0)
    assert mains_conflict(45.0, (50.0,)) is None
    assert mains_conflict(45.0) == (180.0, 180.0)
    assert 45.0 in safe_rates_near(45.0, (50.0,))
