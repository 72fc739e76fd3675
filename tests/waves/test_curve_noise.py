"""What noise does to values, slopes and differences: against written-out sums, and against noise itself."""

from __future__ import annotations

import numpy as np
import pytest

from quietfloor.monitor.waves.curve_noise import MIDDLE_HZ, WaveNoise, noise_of
from quietfloor.monitor.waves.trace import Averages, Curve, Trace
from tests.waves.conftest import TIMES_MS, averages, filtered_noise

BAND_HZ = (100.0, 1500.0)


def test_against_the_integral_over_the_spectrum() -> None:
    """Flat noise in an ideal band: slope / value = 2 pi sqrt((b^3 - a^3) / (3 (b - a))), in kHz; the engine's edges are soft."""
    noise = WaveNoise(20.0, BAND_HZ, fall=0.0, bend=0.0)
    a, b = 0.1, 1.5
    assert noise.sd() == pytest.approx(20.0)
    assert noise.sd(order=1) == pytest.approx(20.0 * 2 * np.pi * np.sqrt((b**3 - a**3) / (3 * (b - a))), rel=0.02)
    assert noise.sd(0.1) < 20.0


def test_differences_are_zero_at_once_and_independent_far_apart() -> None:
    noise = WaveNoise(20.0, BAND_HZ)
    sds = noise.difference_sd(np.array([0.0, 0.1, 50.0]))
    assert sds[0] == 0
    assert sds[1] == pytest.approx(0.1 * noise.sd(order=1), rel=0.05)  # a short way, the slope's worth
    assert sds[2] == pytest.approx(20.0 * np.sqrt(2), rel=0.05)


def test_against_filtered_noise(rng: np.random.Generator) -> None:
    """White noise through the engine's filter, 400 averages: SD of value, slope and difference within 5 %."""
    rows = filtered_noise(rng, 400)
    noise = WaveNoise(1.0, BAND_HZ, fall=0.0, bend=0.0)
    for smooth in (0.1, 0.2):
        curves = [Curve(Trace(TIMES_MS, row, noise), smooth) for row in rows]
        values, slopes = (np.array([getattr(curve, name)[60:-60] for curve in curves]) for name in ("values", "slopes"))
        assert values.std() == pytest.approx(noise.sd(smooth), rel=0.05)
        assert slopes.std() == pytest.approx(curves[0].slope_sd, rel=0.05)
        lag = 16  # 1 ms
        assert (values[:, lag:] - values[:, :-lag]).std() == pytest.approx(float(noise.difference_sd(1.0, smooth)), rel=0.05)


def test_the_colour_is_found(rng: np.random.Generator) -> None:
    """Two pictures of flat noise: the SD of slopes is right on average and within a quarter nearly always."""
    true = WaveNoise(1.0, BAND_HZ, fall=0.0, bend=0.0).sd(0.15, 1)
    rows = filtered_noise(rng, 200)
    none = np.zeros(len(TIMES_MS))
    found = [averages(none, none, rows[k : k + 2], 1.0).noise.sd(0.15, 1) for k in range(0, 200, 2)]
    assert np.mean(found) == pytest.approx(true, rel=0.05)
    assert np.quantile(np.abs(np.array(found) / true - 1), 0.95) < 0.25


def test_one_picture_of_noise_tells_the_colour_too(rng: np.random.Generator) -> None:
    true = WaveNoise(1.0, BAND_HZ, fall=0.0, bend=0.0).sd(0.15, 1)
    none = np.full(len(TIMES_MS), np.nan)
    found = [noise_of(TIMES_MS, row, -row, none, 1.0, BAND_HZ).sd(0.15, 1) for row in filtered_noise(rng, 100)]
    assert np.mean(found) == pytest.approx(true, rel=0.05)


def test_the_usual_colour_where_nothing_is_known() -> None:
    none = np.full(len(TIMES_MS), np.nan)
    for picture in (none, np.zeros(len(TIMES_MS))):
        assert noise_of(TIMES_MS, picture, picture, picture, 20.0, BAND_HZ) == WaveNoise(20.0, BAND_HZ)
    assert 100 < MIDDLE_HZ < 1500


def test_a_trace_says_what_it_cannot_use() -> None:
    noise = WaveNoise(20.0, BAND_HZ)
    with pytest.raises(ValueError, match="one length"):
        Trace(TIMES_MS, TIMES_MS[:-1], noise)
    with pytest.raises(ValueError, match="8 kHz"):
        Trace(TIMES_MS[::8], TIMES_MS[::8], noise)
    with pytest.raises(ValueError, match="nothing to mark"):
        Trace(TIMES_MS, np.full(len(TIMES_MS), np.nan), noise)
    with pytest.raises(ValueError, match="nothing to mark"):
        Trace(TIMES_MS, TIMES_MS, WaveNoise(np.nan, BAND_HZ))


def test_averages_of_a_run_from_its_files() -> None:
    names = ("time_ms", "average_uv", "a_uv", "b_uv", "plus_minus_uv")
    columns = dict(zip(names, np.arange(5.0)[:, None] + TIMES_MS, strict=True))
    record = {"residual_noise_nv": 17.5, "filter": {"low_hz": 100.0, "high_hz": 1500.0}}
    found = Averages.of_run(columns, record)
    assert (found.residual_noise_nv, found.band_hz) == (17.5, BAND_HZ)
    assert found.b_uv[0] == 3.0 + TIMES_MS[0]
    for missing in ("residual_noise_nv", "filter"):
        with pytest.raises(ValueError, match="before there was an average"):
            Averages.of_run(columns, record | {missing: None})
