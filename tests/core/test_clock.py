"""Stamps: gaps found and counted, scatter forgiven, the rate measured."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.monitor.core.clock import ArrivalWatch, Jump, RateFit, RateWatch, StampWatch, first_mismatch
from quietfloor.monitor.core.events import RateMismatch

RATE = 4000.0


def jumps(stamps: np.ndarray, sizes: tuple[int, ...] = ()) -> list[Jump]:
    watch = StampWatch(RATE)
    cuts = np.cumsum([0, *sizes])
    cuts = [*cuts[cuts < len(stamps)], len(stamps)]
    return [jump for a, b in pairwise(cuts) for jump in watch.feed(stamps[a:b])]


def chunked(rng: np.random.Generator, n: int, chunk: int = 40, scatter_s: float = 0.002) -> np.ndarray:
    """Stamps of a sender that stamps each chunk when it pushes it: regular inside, scattered between."""
    late = np.repeat(np.abs(rng.normal(0, scatter_s, n // chunk + 1)), chunk)[:n]
    return 1000.0 + np.arange(n) / RATE + late


@pytest.mark.parametrize("missing", [1, 2, 40, 4000])
def test_missing_samples_are_counted(missing: int) -> None:
    stamps = 1e5 + np.arange(40_000) / RATE
    found = jumps(np.delete(stamps, np.s_[20_000 : 20_000 + missing]))
    assert [(jump.index, jump.lost_samples) for jump in found] == [(20_000, missing)]
    assert found[0].by_s == pytest.approx(missing / RATE, abs=1e-9)


def test_scatter_between_chunks_is_no_gap_but_a_real_gap_among_it_is() -> None:
    stamps = chunked(np.random.default_rng(1), 80_000)
    assert jumps(stamps) == []
    found = jumps(np.r_[stamps[:40_000], stamps[40_000:] + 0.1])
    assert [jump.index for jump in found] == [40_000]
    assert found[0].lost_samples == pytest.approx(400, abs=20)


def test_a_stall_that_is_caught_up_loses_nothing() -> None:
    stamps = 1e3 + np.arange(40_000) / RATE
    stamps[20_000:20_400] += 0.3
    found = jumps(stamps)
    assert [(jump.index, jump.lost_samples) for jump in found] == [(20_000, 1200), (20_400, 0)]
    assert found[1].by_s < 0


@settings(max_examples=40, deadline=None, derandomize=True)
@given(sizes=st.lists(st.one_of(st.integers(0, 3), st.integers(4, 3000)), max_size=60).map(tuple))
def test_any_cutting_finds_the_same_jumps(sizes: tuple[int, ...]) -> None:
    stamps = chunked(np.random.default_rng(2), 12_000)
    stamps[5000:] += 0.2
    stamps[9000:] -= 0.1
    assert jumps(stamps, sizes) == jumps(stamps)
    assert len(jumps(stamps)) == 2


@pytest.mark.parametrize("ppm", [0.0, 12.0, -300.0])
def test_the_rate_is_measured_to_a_few_parts_per_million(ppm: float) -> None:
    n = int(60 * RATE)
    fit = RateFit(RATE)
    fit.feed(1.7e9 + np.arange(n) / (RATE * (1 + ppm * 1e-6)))  # Unix time: steps of 0.24 us
    assert fit.ppm()[0] == pytest.approx(ppm, abs=0.05)
    rng = np.random.default_rng(3)
    fit = RateFit(RATE, begin=12_345)
    fit.feed(50.0 + np.arange(n) / (RATE * (1 + ppm * 1e-6)) + rng.normal(0, 1e-3, n))
    measured, error = fit.ppm()
    assert error == pytest.approx(1e-3 / np.sqrt(600) / (60 / np.sqrt(12)) * 1e6, rel=0.2)  # textbook error of a slope
    assert abs(measured - ppm) < 4 * error


def test_the_rate_is_unknown_before_a_second() -> None:
    fit = RateFit(RATE)
    fit.feed(np.arange(3000) / RATE)
    assert np.isnan(fit.ppm()).all()


@pytest.mark.parametrize(("ppm", "expected"), [(60.0, []), (300.0, [False]), (-2000.0, [True])])
def test_a_wrong_rate_is_told_once(ppm: float, expected: list[bool]) -> None:
    watch = RateWatch(RATE)
    said = watch.feed(np.arange(int(45 * RATE)) / (RATE * (1 + ppm * 1e-6)), 0)
    assert [event.serious for event in said] == expected
    for event in said:
        assert event.sample == int(10 * RATE) - 1
        assert event.ppm == pytest.approx(ppm, abs=0.1)
        assert event.measured_hz == pytest.approx(RATE * (1 + ppm * 1e-6), rel=1e-7)


def test_the_line_ends_at_a_jump_and_begins_again_when_it_was_short() -> None:
    watch = RateWatch(RATE)
    stamps = np.arange(int(25 * RATE)) / RATE
    watch.feed(stamps[:8000], 0)
    watch.broken(8000)
    watch.feed(stamps[8000:60_000] + 5.0, 8000)
    assert watch.fit.samples == 52_000
    assert watch.fit.ppm()[0] == pytest.approx(0.0, abs=1e-3)
    watch.broken(60_000)
    assert watch.feed(stamps[60_000:] + 9.0, 60_000) == []
    assert watch.fit.samples == 52_000


def test_absurd_stamps_are_counted_up_to_a_bound() -> None:
    for stamps_s in ([0.0, 1e308, 1e308], [0.0, 1e300, -1e300, 1e307, 1.7e308], [0.0, 1e308, -1e308], [0.0, -1e308, 0.0]):
        for jump in StampWatch(16000.0).feed(np.array(stamps_s)):
            assert 0 <= jump.lost_samples <= 2**53


def test_a_sender_held_up_for_a_moment_has_lost_nothing() -> None:
    """15 ms late with one chunk, on time again with the next: no gap; a gap of 40 ms among the same stamps is one."""
    rng = np.random.default_rng(8)
    stamps = chunked(rng, 32_000, scatter_s=0.0005)
    stamps[20_000:20_040] += 0.015
    assert jumps(stamps) == []
    stamps[26_000:] += 0.040
    (jump,) = jumps(stamps)
    assert jump.index == 26_000


def test_stamps_that_stand_still_are_one_break_and_another_where_time_was_lost() -> None:
    stamps = 1e3 + np.arange(40_000) / RATE
    caught_up, behind = stamps.copy(), stamps.copy()
    caught_up[20_000:20_400] = stamps[19_999]
    behind[20_000:20_400] = stamps[19_999]
    behind[20_400:] -= 400 / RATE
    assert jumps(caught_up) == [Jump(20_000, 0.0, 0, repeated=True)]
    still, back = jumps(behind)
    assert (still.index, still.repeated) == (20_000, True)
    assert (back.index, back.repeated, back.lost_samples) == (20_400, False, 0)
    assert back.by_s == pytest.approx(-0.1)
    for made in (caught_up, behind):
        assert jumps(made, (19_990, 1, 8, 1, 1, 1, 200, 198, 1, 1, 1)) == jumps(made)


def test_a_coarse_clock_that_repeats_each_stamp_is_no_break() -> None:
    stamps = np.floor((1e3 + np.arange(80_000) / RATE) * 100) / 100
    assert jumps(stamps) == []


@pytest.mark.parametrize("ppm", [20_000.0, -300_000.0, 1e6])
def test_a_gross_rate_is_refused_within_six_seconds_also_after_a_break(ppm: float) -> None:
    watch = RateWatch(RATE)
    good = np.arange(48_000) / RATE
    bad = good[-1] + 1 + np.arange(40_000) / RATE / (1 + 1e-6 * ppm)
    assert watch.feed(good, 0) == []
    watch.broken(48_000)
    said = watch.feed(bad, 48_000)
    assert [(one.sample, one.refused) for one in said] == [(48_000 + 24_000 - 1, True)]
    assert said[0].ppm == pytest.approx(ppm, rel=1e-3)
    assert watch.fit.samples == 48_000  # what is reported is the first stretch
    assert abs(watch.fit.ppm()[0]) < 0.01


def test_neither_half_a_percent_nor_a_step_is_refused() -> None:
    slow = RateWatch(RATE).feed(np.arange(100_000) / RATE / 1.005, 0)
    assert [(one.serious, one.refused) for one in slow] == [(True, False)]
    rng = np.random.default_rng(2)
    for at in range(500, 24_000, 1500):
        stamps = np.arange(24_000) / RATE + rng.normal(0, 0.002, 24_000)
        stamps[at:] += 0.1
        assert not any(one.refused for one in RateWatch(RATE).feed(stamps, 0))


def arrivals(
    times: float, seconds: float, chunk: int = 40, stall: tuple[float, float] = (0.0, 0.0), speed: float = np.inf
) -> tuple[ArrivalWatch, list[RateMismatch]]:
    """A stream of so many times RATE, its stamps counted, read chunk by chunk, each late by chance (3 ms). In a stall (from, to)
    nothing comes; then what is due comes with so many times the speed."""
    watch, said = ArrivalWatch(RATE), []
    ends = np.arange(chunk, int(seconds * RATE * times), chunk)
    made_s = ends / (RATE * times)
    held = made_s > stall[0]
    come_s = np.where(held, np.maximum(made_s, stall[1] + (made_s - stall[0]) / speed), made_s)
    come_s = np.maximum.accumulate(come_s + np.abs(np.random.default_rng(7).normal(0, 0.003, len(ends))))
    for end, at_s, since_s in zip(ends.tolist(), come_s.tolist(), [0.0, *come_s.tolist()], strict=False):
        if at_s - since_s > 0.5:
            watch.paused()
        waiting = int(np.count_nonzero(come_s <= at_s)) * chunk - end
        said += watch.feed(chunk, waiting, 5e4 + at_s, end / RATE - at_s)
    return watch, said


@pytest.mark.parametrize("times", [0.25, 0.5, 0.55, 1.5, 2.0, 4.0])
def test_a_stream_of_another_rate_by_the_clock_is_known_within_its_first_second(times: float) -> None:
    watch, said = arrivals(times, 1.3 / times)
    assert watch.settled
    assert [one.refused for one in said] == [True]
    assert said[0].sample < 1.15 * RATE
    assert said[0].measured_hz == pytest.approx(RATE * times, rel=0.03)


@pytest.mark.parametrize(("times", "refused"), [(1.03, True), (0.98, True), (0.8, True), (1.25, True), (1.004, False)])
def test_smaller_differences_by_the_clock_are_said_within_twenty_seconds(times: float, refused: bool) -> None:
    _, said = arrivals(times, 21.0 / times)
    assert (said[0].serious, said[0].refused) == (True, refused)
    assert said[0].sample < (15.5 if refused else 20.5) * RATE
    assert said[0].measured_hz == pytest.approx(RATE * times, rel=0.003)


HELD_UP = [(0.0, 0.0), (0.0, 0.4), (0.2, 0.7), (0.1, 1.0), (0.0, 1.2), (0.5, 0.9), (4.0, 9.0)]


@pytest.mark.parametrize("speed", [1.5, 2.0, 4.0, np.inf])
@pytest.mark.parametrize("stall", HELD_UP, ids=str)
def test_a_sender_that_was_held_up_and_catches_up_has_no_other_rate(stall: tuple[float, float], speed: float) -> None:
    for times, chunk in ((1.0, 40), (1.0005, 7), (1.0, 400), (1.0, 1000)):
        watch, said = arrivals(times, 30.0, chunk, stall, speed)
        assert watch.settled
        assert said == []


@pytest.mark.parametrize("seed", range(40))
def test_a_sender_that_gets_its_machine_by_chance_has_no_other_rate(seed: int) -> None:
    rng = np.random.default_rng(seed)
    watch, made, share, late_s = ArrivalWatch(RATE), 0, 1.0, 0.0
    for step in range(1200):  # of 50 ms: it makes 2 s of samples in a second of the machine, but none ahead
        if step % 20 == 0:
            share = float(rng.choice([0.1, 0.4, 0.49, 0.55, 1.0], p=[0.1, 0.2, 0.3, 0.2, 0.2]))
        count = min(int(0.1 * share * RATE), int((step + 1) * 0.05 * RATE) - made)
        made += count
        late_s = max(late_s, (step + 1) * 0.05 - made / RATE)
        if count:
            at_s = (step + 1) * 0.05
            assert watch.feed(count, 0, 5e4 + at_s, made / RATE - at_s - 0.02) == []
    assert late_s > 0.3
    assert watch.settled


@pytest.mark.parametrize("speed", [1.01, 1.05, 1.24, 1.5, 3.0])
def test_a_sender_that_begins_late_catches_up_evenly_and_has_no_other_rate(speed: float) -> None:
    watch, late_s, made, said = ArrivalWatch(RATE), 4.0, 0.0, []
    for step in range(1, 2400):
        at_s = 0.05 * step
        fresh = min(made + 0.05 * speed * RATE, (at_s + late_s) * RATE) - made
        made += fresh
        if made >= (at_s + late_s) * RATE:
            break
        said += watch.feed(int(made) - int(made - fresh), 0, 5e4 + at_s, made / RATE - at_s - late_s)
    assert said == []


def test_after_a_pause_what_had_waited_says_nothing() -> None:
    watch = ArrivalWatch(RATE)
    for at in range(1, 60):
        assert watch.feed(400, 0, at / 10) == []
    watch.paused()
    for at in range(60, 200):
        assert watch.feed(400, 0, 3 + at / 10) == []
    assert abs(watch.ppm()[0]) < 1


def test_stamps_of_another_rate_are_known_within_a_second_and_no_line_is_none() -> None:
    good = 1e3 + np.arange(4000) / RATE
    assert first_mismatch(good, RATE, 3999) is None
    found = first_mismatch(1e3 + np.arange(4000) / 8000.0, RATE, 3999)
    assert found is not None
    assert (found.measured_hz, found.refused) == (pytest.approx(8000.0, rel=1e-6), True)
    lost = good + np.where(np.arange(4000) > 1500, 0.5, 0.0)
    still, unknown, huge = np.full(4000, 7.0), np.full(4000, np.nan), np.linspace(0, 1e308, 4000)
    for times in (still, unknown, huge, good[::-1], lost, good[:3], good * np.inf):
        assert first_mismatch(times, RATE, 3999) is None


@pytest.mark.parametrize("unknown", [np.nan, np.inf, -np.inf])
def test_stamps_that_are_no_numbers_are_one_break_and_another_where_samples_are_missing(unknown: float) -> None:
    stamps = 1e3 + np.arange(40_000) / RATE
    whole, lost = stamps.copy(), np.delete(stamps, np.s_[20_100:20_300])
    for made in (whole, lost):
        made[20_000:20_200] = unknown
    assert jumps(whole) == [Jump(20_000, 0.0, 0, unknown=True)]
    first, second = jumps(lost)
    assert (first.index, first.unknown) == (20_000, True)
    assert (second.index, second.unknown, second.lost_samples) == (20_200, False, 200)
    whole[:10] = unknown
    assert [jump.index for jump in jumps(whole)] == [0, 20_000]
    for made in (whole, lost):
        assert jumps(made, (3, 19_990, 10, 1, 1, 1, 200, 1, 1, 1)) == jumps(made)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf, 1e308, 7.0])
def test_odd_stamps_leave_the_rate_as_it_was_or_unknown(odd: float) -> None:
    stamps = 1e3 + np.arange(int(40 * RATE)) / RATE
    fit = RateFit(RATE)
    fit.feed(np.full(20_000, odd))
    assert np.isnan(fit.ppm()).all()
    if not np.isfinite(odd):
        fit.feed(stamps)
        assert abs(fit.ppm()[0]) < 0.01
        stamps[30_000:60_000] = odd
        watch = RateWatch(RATE)
        assert watch.feed(stamps, 0) == []
        assert abs(watch.fit.ppm()[0]) < 0.01


@pytest.mark.parametrize("begin_s", [4.0, 15.0])
def test_a_stretch_of_stamps_that_stand_still_says_nothing_of_the_rate(begin_s: float) -> None:
    begin, stop = int(begin_s * RATE), int((begin_s + 8.0) * RATE)
    stamps = 1e3 + np.arange(int(40 * RATE)) / RATE
    stamps[begin:stop] = stamps[begin - 1]
    (jump,) = jumps(stamps)
    watch = RateWatch(RATE)
    assert watch.feed(stamps[:begin], 0) == []
    watch.broken(begin, still_s=float(stamps[begin]))
    assert watch.feed(stamps[begin : begin + 900], begin) == []
    assert watch.feed(stamps[begin + 900 :], begin + 900) == []
    assert (jump.index, jump.repeated) == (begin, True)
    assert abs(watch.fit.ppm()[0]) < 0.01
    assert watch.fit.samples >= 10 * RATE
