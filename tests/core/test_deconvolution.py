"""Deconvolution against explicit sums, a least-squares fit by numpy to the whole recording, and the noise of simulated EEG."""

from __future__ import annotations

import numpy as np
import pytest

import quietfloor
from quietfloor.monitor.core.deconvolution import MOST_NOISE_GAIN, deconvolve
from quietfloor.stimuli.schedule import PAUSES_S, Schedule
from tests.synthetic import coloured_uv, wave_v_uv

RATE_HZ, N_TIMES = 8000.0, 160  # 20 ms, three intervals of 150/s
RESPONSE_UV = wave_v_uv(np.arange(N_TIMES) * 1e3 / RATE_HZ - 2.0)


def onsets_at(
    per_s: float = 150.0, random_ms: float = 4.0, n: int = 640, rate_hz: float = RATE_HZ, pauses_s: tuple[float, ...] = PAUSES_S
) -> np.ndarray:
    schedule = Schedule(
        per_s, rate_hz, n_sweeps=n, random_interval_s=random_ms * 1e-3, pauses_s=pauses_s, seed=3, lead_in_s=0.2
    )
    return schedule.onsets(n)


def recording(onsets: np.ndarray, response: np.ndarray) -> np.ndarray:
    """Each sound adds its response, by a loop."""
    y = np.zeros(onsets[-1] + 4 * len(response))
    for onset in onsets:
        y[onset : onset + len(response)] += response
    return y


def average(y: np.ndarray, onsets: np.ndarray, weights: np.ndarray, n_times: int = N_TIMES) -> np.ndarray:
    total = np.zeros(n_times)
    for onset, weight in zip(onsets, weights, strict=True):
        total += weight * y[onset : onset + n_times]
    return total / weights.sum()


def error(found: np.ndarray, truth: np.ndarray = RESPONSE_UV) -> float:
    """The largest, relative to the response's peak to trough."""
    return float(np.abs(found - truth).max() / np.ptp(truth))


@pytest.mark.parametrize(("per_s", "random_ms", "raw"), [(100.0, 8.0, 0.04), (150.0, 4.0, 0.13), (250.0, 3.9, 0.15)])
def test_it_recovers_the_response_from_explicit_sums(per_s: float, random_ms: float, raw: float) -> None:
    onsets = onsets_at(per_s, random_ms)
    z = average(recording(onsets, RESPONSE_UV), onsets, np.ones(len(onsets)))
    assert error(z) > raw
    found = deconvolve(z, onsets)
    assert error(found.response_uv) < 1e-10
    assert 1.0 < found.noise_gain < MOST_NOISE_GAIN


def test_rejected_sweeps_and_weights_leave_no_error_if_all_sounds_are_given() -> None:
    rng, onsets = np.random.default_rng(1), onsets_at()
    weights = np.repeat(rng.uniform(0.2, 5.0, len(onsets) // 16), 16) * (rng.random(len(onsets)) < 0.7)
    z = average(recording(onsets, RESPONSE_UV), onsets, weights)
    assert error(deconvolve(z, onsets, weights).response_uv) < 1e-10
    kept = weights > 0
    assert error(deconvolve(z, onsets[kept], weights[kept]).response_uv) > 0.02  # the sounds of rejected sweeps are heard too


def test_it_is_the_least_squares_fit_to_the_whole_recording() -> None:
    onsets, n_times = onsets_at(150.0, 4.0, 96, 4000.0), 60
    rng = np.random.default_rng(2)
    y = rng.standard_normal((2, onsets[-1] + n_times))
    design = np.zeros((y.shape[-1], n_times))
    for onset in onsets:
        for time in range(n_times):
            design[onset + time, time] += 1.0
    z = np.array([average(one, onsets, np.ones(len(onsets)), n_times) for one in y])
    np.testing.assert_allclose(deconvolve(z, onsets).response_uv, np.linalg.lstsq(design, y.T, rcond=None)[0].T, atol=1e-10)


def test_the_noise_gain_is_that_of_the_explicit_map_from_samples_to_the_response() -> None:
    onsets, n_times = onsets_at(200.0, 4.0, 64, 4000.0), 40
    weights = np.random.default_rng(3).uniform(0.0, 2.0, 64)
    samples = onsets[-1] + n_times
    averaging, overlap = np.zeros((n_times, samples)), np.zeros((n_times, n_times))
    for onset, weight in zip(onsets, weights / weights.sum(), strict=True):
        averaging[np.arange(n_times), onset + np.arange(n_times)] += weight
        for other in onsets:
            overlap += weight * np.eye(n_times, k=int(onset - other))
    worst = np.linalg.norm(np.linalg.inv(overlap) @ averaging, 2)
    alone = np.sqrt(np.square(weights).sum()) / weights.sum()
    assert deconvolve(np.zeros(n_times), onsets, weights).noise_gain == pytest.approx(worst / alone, rel=1e-9)


def test_sounds_that_do_not_overlap_are_left_as_they_are() -> None:
    z = np.random.default_rng(4).standard_normal((3, N_TIMES))
    found = deconvolve(z, onsets_at(40.0, 4.0))
    np.testing.assert_array_equal(found.response_uv, z)
    assert found.noise_gain == pytest.approx(1.0)


def test_a_response_longer_than_the_epoch_leaves_an_error() -> None:
    # the response is at 0 after 14 ms, and in the middle of its trough at 10 ms
    onsets = onsets_at()
    y = recording(onsets, RESPONSE_UV)
    errors = []
    for n_times in (128, 96):  # to 14 and 10 ms
        z = average(y, onsets, np.ones(len(onsets)), n_times)
        errors.append(error(deconvolve(z, onsets).response_uv, RESPONSE_UV[:n_times]))
    assert errors[0] < 1e-5
    assert 0.05 < errors[1] < 0.15


@pytest.mark.parametrize("known", [{"random_ms": 0.0, "pauses_s": ()}, {"random_ms": 0.0}, {"random_ms": 0.5}])
def test_onsets_that_do_not_separate_the_responses_are_refused(known: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="wider random intervals or a lower rate"):
        deconvolve(RESPONSE_UV, onsets_at(**known))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("average_uv", "onsets", "weights", "says"),
    [
        (1.0, [0, 9], None, "time as the last axis"),
        ([0.0, np.nan, 1.0], [0, 9], None, "finite"),
        (np.zeros(5), [], None, "whole samples"),
        (np.zeros(5), [0.5, 9.0], None, "round them"),
        (np.zeros(5), [0.0, np.nan], None, "whole samples"),
        (np.zeros(5), [9, 0], None, "later than the one before"),
        (np.zeros(5), [0, 9], [1.0], "one for each"),
        (np.zeros(5), [0, 9], [1.0, -1.0], "0 or more"),
        (np.zeros(5), [0, 9], [1.0, np.nan], "0 or more"),
        (np.zeros(5), [0, 9], [0.0, 0.0], "at least one above 0"),
    ],
)
def test_what_cannot_be_used_is_refused(average_uv: object, onsets: object, weights: object, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        deconvolve(average_uv, onsets, weights)  # type: ignore[arg-type]


def test_it_is_part_of_the_library() -> None:
    assert quietfloor.deconvolve is deconvolve


@pytest.mark.long
def test_half_the_difference_of_two_halves_is_the_noise_that_is_left() -> None:
    """Coloured EEG of 100 recordings without a response. The noise is 1.2 times that of sweeps that share no samples; the bound
    for white noise says 2.3."""
    onsets, rng = onsets_at(n=320), np.random.default_rng(5)
    equal, half = np.ones(320), (np.arange(320) < 160).astype(float)
    left, halves, alone = [], [], []
    for _ in range(100):
        y = coloured_uv(rng, (3 * onsets[-1] + N_TIMES,), RATE_HZ, 2.0)
        left.append(deconvolve(average(y, onsets, equal), onsets).response_uv)
        first, second = (deconvolve(average(y, onsets, part), onsets, part).response_uv for part in (half, 1.0 - half))
        halves.append((first - second) / 2)
        alone.append(average(y, 3 * onsets, equal))
    assert np.std(halves) == pytest.approx(np.std(left), rel=0.05)
    assert 1.05 < np.std(left) / np.std(alone) < 1.35
    assert deconvolve(alone[0], onsets).noise_gain > 2.0
