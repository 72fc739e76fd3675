"""Which sweeps are rejected: running limits, faults in the raw samples, and that a sign never matters."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.monitor.core.analysis import AnalysisSettings, RunningAnalysis
from quietfloor.monitor.core.artefacts import (
    CRITERIA,
    MEMORY_UNITS,
    WATCHED_BLOCKS,
    RawWatch,
    RunningLimits,
    raw_fault,
    raw_faults,
)
from tests.synthetic import band_sweeps_uv

RATE = 16000.0
ALL = np.ones(16, dtype=bool)


def test_the_limit_is_a_multiple_of_the_median_of_the_last_units() -> None:
    rng = np.random.default_rng(1)
    limits = RunningLimits(CRITERIA, 4000.0)
    units = [rng.standard_normal((16, 57)) * gain for gain in np.linspace(1, 2, 12)]
    peaks = [np.abs(unit).max(axis=-1) for unit in units]
    for number, unit in enumerate(units):
        exceeded = dict(limits.update(unit, ALL))
        earlier = np.concatenate(peaks[max(0, number - MEMORY_UNITS) : number] or [peaks[0]])
        limit = 2.5 * np.median(earlier)
        assert limits.limits["peak"] == pytest.approx(limit)
        np.testing.assert_array_equal(exceeded["peak"], peaks[number] > limit)


def test_the_gate_opens_again_after_the_noise_has_risen() -> None:
    rng = np.random.default_rng(2)
    limits = RunningLimits(CRITERIA, 4000.0)
    shares = [dict(limits.update(rng.standard_normal((16, 57)) * gain, ALL))["peak"].mean() for gain in [1] * 10 + [5] * 10]
    assert shares[10] > 0.9
    assert max(shares[-4:]) < 0.2


def test_unusable_sweeps_neither_count_nor_exceed() -> None:
    limits = RunningLimits(CRITERIA, 4000.0)
    sweeps = np.random.default_rng(3).standard_normal((2, 16, 57))
    usable = np.ones((2, 16), dtype=bool)
    usable[0, 3], usable[1] = False, False
    sweeps[0, 3] = 1e6
    exceeded = dict(limits.update(sweeps, usable))
    assert not exceeded["peak"][0, 3]
    assert not exceeded["peak"][1].any()
    assert np.isnan(limits.limits["peak"][1])
    assert limits.limits["peak"][0] < 20


def test_turning_the_sign_of_whole_blocks_changes_no_decision() -> None:
    rng = np.random.default_rng(4)
    units = [band_sweeps_uv(rng, 1, 16, 57)[0] * rng.choice([1, 5], (16, 1), p=[0.9, 0.1]) for _ in range(20)]
    signs = rng.choice([-1, 1], 20)
    one, other = RunningLimits(CRITERIA, 4000.0), RunningLimits(CRITERIA, 4000.0)
    for unit, sign in zip(units, signs, strict=True):
        for (_, a), (_, b) in zip(one.update(unit, ALL), other.update(sign * unit, ALL), strict=True):
            np.testing.assert_array_equal(a, b)


def eeg(seed: int = 5) -> np.ndarray:
    return 20 * np.random.default_rng(seed).standard_normal(400)


@pytest.mark.parametrize("resolution", [None, 1.0])
def test_ordinary_samples_have_no_fault_even_in_coarse_steps(resolution: float | None) -> None:
    x = eeg()
    assert raw_fault(x if resolution is None else np.round(x / resolution), RATE) is None


def test_a_dead_input_is_flat() -> None:
    x = eeg()
    x[100:180] = 3.0  # 5 ms
    assert raw_fault(x, RATE) == "flat"
    x[150] = 4.0
    assert raw_fault(x, RATE) is None
    assert raw_fault(np.zeros(400), RATE) == "flat"


def test_a_rail_is_saturation() -> None:
    x = np.minimum(eeg(), 1e3)
    x[200:216] = 1e3  # 1 ms at the very top
    assert raw_fault(x, RATE) == "saturation"
    assert raw_fault(-x, RATE) == "saturation"
    x[200:216] = 0.1  # as long, but in the middle
    assert raw_fault(x, RATE) is None
    x[7] = -4000.0
    assert raw_fault(x, RATE, rail_uv=4000.0) == "saturation"
    assert raw_fault(x, RATE, rail_uv=4001.0) is None


def test_nothing_can_be_judged_but_nan_rejects_nothing() -> None:
    limits = RunningLimits(CRITERIA, 4000.0)
    for _ in range(3):
        exceeded = limits.update(np.zeros((16, 57)), np.zeros(16, dtype=bool))
        assert not any(mask.any() for _, mask in exceeded)


def test_the_electrical_artefact_of_the_stimulus_rejects_nothing() -> None:
    """200 uV at 0 ms in every third sweep: each of them stays, and the limit is that of the EEG."""
    settings = AnalysisSettings(4000.0, -6.0, 112)
    rng = np.random.default_rng(6)
    analysis = RunningAnalysis(settings)
    at = int(np.argmin(np.abs(settings.times_ms)))
    for _ in range(4):
        sweeps = rng.standard_normal((16, 112))
        sweeps[::3, at] += 200.0
        result = analysis.update(sweeps, np.ones(16, dtype=bool))
        assert result.accepted.all()
    assert analysis.limits.limits["peak"] < 15.0


@given(
    seed=st.integers(0, 10_000),
    sizes=st.lists(st.integers(1, 90), min_size=1, max_size=90),
    step=st.sampled_from([0.0, 0.1, 1.0, 4.0]),
    rail_uv=st.sampled_from([np.inf, 12.0]),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_what_is_cleared_at_one_glance_has_no_fault(seed: int, sizes: list[int], step: float, rail_uv: float) -> None:
    """Against the close look, for samples from continuous to coarsely rounded, cut anyhow; and quiet noise is cleared."""
    rate_hz, rng = 8000.0, np.random.default_rng(seed)
    raw = 4.0 * rng.standard_normal((2, sum(sizes)))
    if step:
        raw = np.round(raw / step) * step
    watch, at = RawWatch(rate_hz, rail_uv), 0
    for size in sizes:
        before = max(0, at - 1)
        watch.feed(100 + before, raw[:, before : at + size])
        at += size
    for start in rng.integers(0, at, 8):
        if watch.clears(100 + int(start)):
            assert raw_faults(raw[:, start:], rate_hz, rail_uv) == (None, None)
        elif step == 0.0 and rail_uv == np.inf:
            assert start < sum(sizes[:-WATCHED_BLOCKS])  # only because it is forgotten
