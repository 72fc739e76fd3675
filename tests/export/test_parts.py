"""Times, scales and labels by themselves, against slower ways to the same."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from quietfloor.monitor.export.edf import record_length
from quietfloor.monitor.export.labels import matched, sweep_label
from quietfloor.monitor.export.material import ExportError
from quietfloor.monitor.export.scale import ScaleError, scale_for
from quietfloor.monitor.export.timeline import LONGEST_FILL_S, TimelineError, held, stretches, timeline_of

RATE_HZ = 1000.0


def stamps_with(losses: list[tuple[int, int]], samples: int) -> tuple[np.ndarray, np.ndarray]:
    """Stamps of what is left, and the number that each had, after ``losses`` (at, how many)."""
    there = np.ones(samples, dtype=bool)
    for at, count in losses:
        there[at : at + count] = False
    numbers = np.flatnonzero(there)
    return 50.0 + numbers / RATE_HZ, numbers


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(2500, 8000), st.integers(1, 400)), max_size=4))
def test_what_is_left_stands_where_it_was(losses: list[tuple[int, int]]) -> None:
    """Losses from 2.5 s on, when the scatter of the stamps is known: each sample gets its own number again."""
    stamps_s, numbers = stamps_with(losses, 10_000)
    found = timeline_of(stamps_s, RATE_HZ)
    assert np.array_equal(found.places(np.arange(len(numbers), dtype=np.float64)), numbers)
    assert found.length == numbers[-1] + 1
    spread = found.spread(numbers.astype(np.float64), found.length + 7)
    expected = np.maximum.accumulate(np.where(np.isin(np.arange(10_000), numbers), np.arange(10_000), 0))[: numbers[-1] + 1]
    assert np.array_equal(spread, np.concatenate([expected, np.full(7, numbers[-1])]))


def test_a_stalled_sender_a_clock_that_goes_back_and_a_pause_are_no_loss() -> None:
    even = np.arange(10_000) / RATE_HZ
    stalled = even + np.where((np.arange(10_000) >= 5000) & (np.arange(10_000) < 5200), 0.5, 0.0)
    back = even - np.where(np.arange(10_000) >= 5000, 3.0, 0.0)
    pause = even + np.where(np.arange(10_000) >= 5000, LONGEST_FILL_S + 1, 0.0)
    for stamps_s in (stalled, back, pause):
        found = timeline_of(stamps_s, RATE_HZ)
        assert found.filled == 0
        assert len(found.jumps) >= 1
    number = np.arange(60_000)
    wild = number / RATE_HZ + np.where((number // 250 % 3 == 0) & (number % 2 == 0), 0.5, 0.0)
    with pytest.raises(TimelineError, match="jump"):
        timeline_of(wild, RATE_HZ)


def test_stretches_and_held_values() -> None:
    bad = np.zeros(20, dtype=bool)
    bad[[3, 5, 6, 15]] = True
    assert stretches(bad, 1) == [(3, 4), (5, 7), (15, 16)]
    assert stretches(bad, 3) == [(3, 7), (15, 16)]
    assert held(np.array([np.nan, 2.0, np.inf, np.nan, 5.0])).tolist() == [0.0, 2.0, 2.0, 2.0, 5.0]


@settings(max_examples=200, deadline=None)
@example([2.0], 1e-3, np.float64)
@given(
    st.lists(st.floats(-9e6, 9e6, width=32), min_size=1, max_size=50),
    st.sampled_from([1e-3, 1.0]),
    st.sampled_from([np.float32, np.float64]),
)
def test_any_value_comes_back_within_a_step(values: list[float], factor: float, dtype: type) -> None:
    raw = np.array(values, dtype=dtype)
    scale = scale_for(raw, factor, "uV", "bdf")
    low, high = scale.digital
    digital = scale.digitised(raw.astype(np.float64) * factor)
    assert low <= digital.min() <= digital.max() <= high
    # As a reader does it: from what the header can say.
    assert all(len(f"{bound:.10f}".rstrip("0").rstrip(".")) <= 8 for bound in scale.physical)
    back = scale.physical[0] + (digital - low) * (scale.physical[1] - scale.physical[0]) / (high - low)
    assert np.abs(back - raw.astype(np.float64) * factor).max() <= scale.step * 0.5001
    if scale.exact:
        rounding = 4 * np.finfo(np.float64).eps * (scale.physical[1] - scale.physical[0])  # of a sum over the whole range
        assert np.allclose((back / factor).astype(dtype), raw, rtol=1e-12, atol=rounding / factor)


def test_steps_of_a_converter_are_kept_and_16_bits_refuse_the_rest() -> None:
    for step in (1.0, 0.1, 0.25):
        raw = (np.arange(-3000, 3000) * step).astype(np.float32)
        scale = scale_for(raw, 1.0, "uV", "edf")
        assert scale.exact
        assert np.array_equal((scale.digitised(raw.astype(np.float64)) * scale.step).astype(np.float32), raw)
    with pytest.raises(ScaleError, match="16 bits"):
        scale_for(np.array([0.0, np.pi]), 1.0, "uV", "edf")
    with pytest.raises(ScaleError, match="16 bits"):
        scale_for(np.array([0, 40_000]), 1.0, "uV", "edf")
    with pytest.raises(ScaleError, match="8 characters"):
        scale_for(np.array([0.5, 1e9 / 3]), 1.0, "uV", "bdf")


def test_records_hold_whole_samples_or_there_are_none() -> None:
    assert record_length(16000.0) == (1, 16000)
    assert record_length(512.5) == (2, 1025)
    assert record_length(2441.01) == (100, 244101)
    with pytest.raises(ExportError, match="whole number of samples"):
        record_length(16000 / 3)


@pytest.mark.parametrize("lag_s", [0.0, 0.0123, 0.3])
def test_labels_find_their_sweeps_whatever_the_lag(lag_s: float) -> None:
    """By the pauses between units; also where markers or triggers are missing. At a fixed rate nothing is claimed."""
    rng = np.random.default_rng(2)
    steps = np.full(160, 1 / 47.1)
    steps[::16] += rng.uniform(0.004, 0.02, 10)
    sounds_s = 10.0 + np.cumsum(steps)
    onsets_s = sounds_s + lag_s + rng.normal(0, 2e-4, 160)
    markers = np.delete(np.arange(160), [0, 77])
    present = np.delete(np.arange(160), [30, 31, 159])
    found = matched(onsets_s[present], sounds_s[markers])
    assert [None if number is None else int(markers[number]) for number in found] == [
        int(sweep) if sweep in markers else None for sweep in present
    ]
    fixed_s = 10.0 + np.arange(160) / 47.1
    assert set(matched(fixed_s + lag_s, fixed_s)) in ({None}, set(range(160)))
    assert matched(fixed_s[:0], fixed_s) == []
    assert matched(fixed_s, fixed_s[:0]) == [None] * 160


def test_only_labels_of_sweeps_are_labels() -> None:
    assert sweep_label('{"sweep":3,"polarity":"rarefaction"}') == {"sweep": 3, "polarity": "rarefaction"}
    for text in ("", "stop", "[1]", '{"sweep":"3"}', "[" * 100_000):
        assert sweep_label(text) is None
