"""Residual noise estimates against the noise that is really left, over many runs; and Fsp against its formula."""

import numpy as np
import pytest
from scipy.stats import f

from quietfloor.monitor.core.averaging import UNIT_SWEEPS, WeightedAverage, Window, reduce_unit
from quietfloor.monitor.core.noise import residual_noise
from quietfloor.monitor.core.statistics import fsp
from tests.synthetic import band_sweeps_uv

RUNS, UNITS, N_TIMES = 150, 64, 57
WINDOW = Window(slice(4, 53, 1), 28)
FREEDOM = np.full(RUNS, 15.0)  # about what 100-1500 Hz leave in 12 ms
ALL = np.ones((RUNS, UNIT_SWEEPS), dtype=bool)


def gains(kind: str, rng: np.random.Generator, unit: int) -> np.ndarray:
    if kind == "gain steps":
        return np.full((RUNS, 1, 1), [0.5, 1.0, 3.0][unit // 8 % 3])
    if kind == "bursts":
        return np.where(rng.random((RUNS, UNIT_SWEEPS, 1)) < 0.04, 6.0, 1.0)
    return np.ones((1, 1, 1))


@pytest.mark.parametrize("kind", ["stationary", "gain steps", "bursts"])
def test_the_estimate_is_what_is_left_within_3_percent(kind: str) -> None:
    rng = np.random.default_rng(1)
    average = WeightedAverage((RUNS,), N_TIMES)
    for unit in range(UNITS):
        average.update(reduce_unit(band_sweeps_uv(rng, RUNS, UNIT_SWEEPS, N_TIMES) * gains(kind, rng, unit), ALL, WINDOW))
    noise = residual_noise(average, WINDOW, FREEDOM)
    truth = 1e3 * np.sqrt(np.mean(WINDOW.of(average.average_uv()) ** 2))
    # RMS over runs; 150 runs of 15 independent points tell the truth itself to 1.5 %
    assert np.sqrt(np.mean(noise.value_nv**2)) == pytest.approx(truth, rel=0.03)
    assert np.abs(noise.between).mean() < 0.02
    assert np.sqrt(np.mean(noise.plus_minus_nv**2)) == pytest.approx(truth, rel=0.05)
    assert np.sqrt(np.mean(noise.single_point_nv**2)) == pytest.approx(truth, rel=0.05)
    assert np.sqrt(np.mean(noise.between_units_nv**2)) == pytest.approx(truth, rel=0.05)


def test_hum_that_a_unit_keeps_is_seen_between_units() -> None:
    """A rhythm in step with the stimulus, its phase new in each unit: the spread inside units cannot see it."""
    rng = np.random.default_rng(2)
    average = WeightedAverage((RUNS,), N_TIMES)
    t = np.arange(N_TIMES) / 4000.0
    for _ in range(UNITS):
        phase = rng.uniform(0, 2 * np.pi, (RUNS, 1, 1))
        hum = np.sin(2 * np.pi * 150.0 * t + phase) + np.sin(2 * np.pi * 250.0 * t + 3 * phase)
        average.update(reduce_unit(band_sweeps_uv(rng, RUNS, UNIT_SWEEPS, N_TIMES) + hum, ALL, WINDOW))
    noise = residual_noise(average, WINDOW, FREEDOM)
    truth = 1e3 * np.sqrt(np.mean(WINDOW.of(average.average_uv()) ** 2))
    assert (noise.between == 1.0).all()
    np.testing.assert_array_equal(noise.value_nv, noise.between_units_nv)
    assert np.sqrt(np.mean(noise.value_nv**2)) == pytest.approx(truth, rel=0.10)
    assert np.sqrt(np.mean(noise.within_units_nv**2)) < 0.6 * truth


def test_hum_that_cancels_in_each_unit_is_not_counted() -> None:
    """Its phase turns by half from sweep to sweep: the spread inside units sees it, the average never does."""
    rng = np.random.default_rng(4)
    average = WeightedAverage((RUNS,), N_TIMES)
    t = np.arange(N_TIMES) / 4000.0
    turn = np.pi * np.arange(UNIT_SWEEPS)[:, np.newaxis]
    for _ in range(UNITS):
        hum = 2.0 * np.sin(2 * np.pi * 150.0 * t + turn + rng.uniform(0, 2 * np.pi, (RUNS, 1, 1)))
        average.update(reduce_unit(band_sweeps_uv(rng, RUNS, UNIT_SWEEPS, N_TIMES) + hum, ALL, WINDOW))
    noise = residual_noise(average, WINDOW, FREEDOM)
    truth = 1e3 * np.sqrt(np.mean(WINDOW.of(average.average_uv()) ** 2))
    assert (noise.between == -1.0).all()
    assert np.sqrt(np.mean(noise.value_nv**2)) == pytest.approx(truth, rel=0.03)
    assert np.sqrt(np.mean(noise.within_units_nv**2)) > 1.15 * truth


def test_undefined_is_nan_and_not_the_larger() -> None:
    noise = residual_noise(WeightedAverage((2,), N_TIMES), WINDOW, np.full(2, np.nan))
    assert not np.isfinite(noise.value_nv).any()
    np.testing.assert_array_equal(noise.between, 0.0)


def test_fsp_is_n_var_t_over_var_n_where_weights_are_equal() -> None:
    rng = np.random.default_rng(3)
    sweeps = band_sweeps_uv(rng, 40, UNIT_SWEEPS, N_TIMES) + np.sin(np.arange(N_TIMES))
    spread = WINDOW.of(sweeps).var(axis=1, ddof=1).mean(axis=-1)[:, np.newaxis, np.newaxis]
    mean = sweeps.mean(axis=1, keepdims=True)
    sweeps = mean + (sweeps - mean) / np.sqrt(spread)  # every unit of the same variance
    average = WeightedAverage((), N_TIMES)
    for unit in sweeps:
        average.update(reduce_unit(unit, ALL[0], WINDOW))
    every = sweeps.reshape(-1, N_TIMES)
    var_t = every.mean(axis=0)[4:53].var(ddof=1)
    var_n = sweeps[:, :, 28].var(axis=1, ddof=1).mean()
    assert fsp(average, WINDOW) == pytest.approx(len(every) * var_t / var_n, rel=1e-10)


def test_the_usual_criterion_for_context() -> None:
    """3.1 is the 99 % point of F with 5 and 250 degrees of freedom, as the published criterion has it."""
    assert f.ppf(0.99, 5, 250) == pytest.approx(3.09, abs=0.005)


def test_that_something_repeats_is_judged_over_all_looks() -> None:
    """In noise alone hundreds of looks say it in no run (1 in 1,000 may); in hum that keeps its phase every run says it."""
    rng = np.random.default_rng(7)
    repeats, larger = np.zeros(RUNS, dtype=bool), np.zeros(RUNS, dtype=bool)
    average = WeightedAverage((RUNS,), N_TIMES)
    for _ in range(4 * UNITS):
        average.update(reduce_unit(band_sweeps_uv(rng, RUNS, UNIT_SWEEPS, N_TIMES), ALL, WINDOW))
        noise = residual_noise(average, WINDOW, FREEDOM)
        repeats, larger = repeats | noise.repeats, larger | (noise.between > 0)
    assert larger.mean() > 0.01  # at some look: what was said of these runs before
    assert repeats.sum() <= 1
    hum = WeightedAverage((RUNS,), N_TIMES)
    for _ in range(UNITS):
        locked = 0.6 * np.sin(np.linspace(0, 9, N_TIMES) + rng.uniform(0, 2 * np.pi, (RUNS, 1, 1)))
        hum.update(reduce_unit(band_sweeps_uv(rng, RUNS, UNIT_SWEEPS, N_TIMES) + locked, ALL, WINDOW))
    assert residual_noise(hum, WINDOW, FREEDOM).repeats.all()
