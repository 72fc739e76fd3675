"""The trigger converter against a slow average of the held signal, and its edges."""

import numpy as np
import pytest

from quietfloor.bench.patient.converter import convert, reach_frames, step

AUDIO_HZ = 48_000.0


def slow(held: np.ndarray, first: int, times_s: np.ndarray, rate_hz: float) -> np.ndarray:
    """Weighted mean under the quadratic B-spline on a grid 2,000 times finer than the kernel."""
    u = (np.arange(6000) + 0.5) / 2000 - 1.5
    kernel = np.where(np.abs(u) < 0.5, 0.75 - u**2, 0.5 * (1.5 - np.abs(u)) ** 2)
    frames = np.floor((times_s[:, None] + u / rate_hz) * AUDIO_HZ).astype(int) - first
    return (held[frames] * kernel).sum(axis=1) / kernel.sum()


@pytest.mark.parametrize("rate_hz", [4000.0, 16_000.0, 44_100.0, 48_000.0])
def test_agrees_with_the_slow_average(rate_hz: float) -> None:
    rng = np.random.default_rng(3)
    times = np.arange(40) / rate_hz
    reach = reach_frames(AUDIO_HZ, rate_hz)
    held = rng.standard_normal(int(times[-1] * AUDIO_HZ) + 2 * reach + 2)
    np.testing.assert_allclose(convert(held, -reach, AUDIO_HZ, times, rate_hz), slow(held, -reach, times, rate_hz), atol=4e-3)


def test_step_is_odd_about_its_edge_and_reaches_both_ends() -> None:
    x = np.linspace(-3, 3, 601)
    np.testing.assert_allclose(step(x) + step(-x), 1.0, atol=1e-15)
    assert np.all(np.diff(step(x)) >= 0)
    assert (step(np.array([-1.5]))[0], step(np.array([1.5]))[0]) == (0.0, 1.0)
