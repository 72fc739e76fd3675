"""The weighted average against a loop that spells it out, and what weighting gains and does not bias."""

import numpy as np
import pytest

from quietfloor.monitor.core.averaging import UNIT_SWEEPS, Unit, WeightedAverage, Window, alternating, reduce_unit
from tests.synthetic import band_sweeps_uv, wave_v_uv

WINDOW = Window(slice(4, 20, 2), 11)


def feed(average: WeightedAverage, units: list[Unit]) -> WeightedAverage:
    for unit in units:
        average.update(unit)
    return average


def slow(sweeps: np.ndarray, accepted: np.ndarray) -> dict[str, np.ndarray]:
    """Units (n_units, n_sweeps, n_times), spelled out with loops: averages, halves, plus-minus, noise."""
    kept_means, weights, numbers, signs, squares, point = [], [], [], [], [], 0.0
    for number, (unit, use) in enumerate(zip(sweeps, accepted, strict=True)):
        kept = [sweep for sweep, ok in zip(unit, use, strict=True) if ok]
        if len(kept) < 2:
            continue
        mean = sum(kept) / len(kept)
        variance = np.mean([np.var([sweep[t] for sweep in kept], ddof=1) for t in range(4, 20, 2)])
        pairs = len(kept) // 2
        signed = sum(kept[2 * i] - kept[2 * i + 1] for i in range(pairs)) / np.sqrt(len(kept) * 2 * pairs)
        weight = len(kept) / variance
        point += weight**2 * np.var([sweep[11] for sweep in kept], ddof=1) / len(kept)
        kept_means.append(mean)
        weights.append(weight)
        numbers.append(number)
        signs.append(signed)
        squares.append(weight * mean**2)
    w, means, odd = np.array(weights), np.array(kept_means), np.array(numbers) % 2 == 1
    average = (w[:, None] * means).sum(axis=0) / w.sum()
    spread = [(w * (means[:, t] - average[t]) ** 2).sum() for t in range(4, 20, 2)]
    return {
        "average": average,
        "a": (w[~odd, None] * means[~odd]).sum(axis=0) / w[~odd].sum(),
        "b": (w[odd, None] * means[odd]).sum(axis=0) / w[odd].sum(),
        "plus_minus": (w[:, None] * np.array(signs)).sum(axis=0) / w.sum(),
        "weight": w.sum(),
        "point": point / w.sum() ** 2,
        "dispersion": np.mean(spread) / (len(w) - 1),
    }


def test_it_equals_the_loop_with_sweeps_left_out() -> None:
    rng = np.random.default_rng(1)
    sweeps = rng.standard_normal((9, UNIT_SWEEPS, 24)) * rng.uniform(0.5, 3, (9, 1, 1))
    accepted = rng.random((9, UNIT_SWEEPS)) < 0.7
    accepted[3], accepted[5] = False, np.arange(UNIT_SWEEPS) == 2  # none, and a single one
    average = feed(WeightedAverage((), 24), [reduce_unit(*unit, WINDOW) for unit in zip(sweeps, accepted, strict=True)])
    expected = slow(sweeps, accepted)
    np.testing.assert_allclose(average.average_uv(), expected["average"], rtol=1e-12)
    np.testing.assert_allclose(average.half_uv(0), expected["a"], rtol=1e-12)
    np.testing.assert_allclose(average.half_uv(1), expected["b"], rtol=1e-12)
    np.testing.assert_allclose(average.plus_minus_uv(), expected["plus_minus"], rtol=1e-12)
    np.testing.assert_allclose(average.weight, expected["weight"], rtol=1e-12)
    np.testing.assert_allclose(average.point_variance_uv2(), expected["point"], rtol=1e-12)
    np.testing.assert_allclose(average.dispersion(WINDOW), expected["dispersion"], rtol=1e-10)
    assert average.accepted == accepted.sum()
    assert average.weighted_units == 7


def test_what_a_sweep_that_is_left_out_holds_does_not_matter() -> None:
    sweeps = np.random.default_rng(2).standard_normal((UNIT_SWEEPS, 24))
    accepted = np.arange(UNIT_SWEEPS) % 5 != 0
    wild = np.where(accepted[:, np.newaxis], sweeps, 1e9)
    for name in ("count", "mean_uv", "plus_minus_uv", "variance_uv2", "residuals_uv"):
        values = [getattr(reduce_unit(x, accepted, WINDOW), name) for x in (sweeps, wild)]
        np.testing.assert_array_equal(values[0], values[1], err_msg=name)


def test_nothing_is_known_before_the_first_unit_with_two_sweeps() -> None:
    average = WeightedAverage((3,), 24)
    assert np.isnan(average.average_uv()).all()
    assert np.isnan(average.dispersion(WINDOW)).all()
    average.update(reduce_unit(np.ones((3, UNIT_SWEEPS, 24)), np.arange(UNIT_SWEEPS) < np.array([[0], [1], [1]]), WINDOW))
    assert np.isnan(average.average_uv()).all()
    np.testing.assert_array_equal(average.weight, 0.0)
    np.testing.assert_array_equal(average.accepted, [0, 1, 1])


def test_plus_minus_weights_cancel_a_response_and_keep_the_noise() -> None:
    for count in range(2, UNIT_SWEEPS + 1):
        signs = alternating(np.arange(UNIT_SWEEPS) < count)
        assert abs(signs.sum()) < 1e-12
        assert (signs**2).sum() == pytest.approx(1 / count)  # the variance of a mean of so many


def test_weighting_gains_what_arithmetic_says() -> None:
    """Half the units at 1 uV, half at 3 uV: the plain average acts like 2.236 uV, the weighted one like 1.342 uV."""
    rng = np.random.default_rng(3)
    plain, weighted = [], []
    for _ in range(40):
        sweeps = rng.standard_normal((64, UNIT_SWEEPS, 50)) * np.resize([1.0, 3.0], 64)[:, np.newaxis, np.newaxis]
        average = WeightedAverage((), 50)
        feed(average, [reduce_unit(unit, np.ones(UNIT_SWEEPS, dtype=bool), Window(slice(0, 50, 1), 25)) for unit in sweeps])
        plain.append(sweeps.mean(axis=(0, 1)))
        weighted.append(average.average_uv())
    acts_like = [np.sqrt(np.mean(np.square(x)) * 64 * UNIT_SWEEPS) for x in (plain, weighted)]
    np.testing.assert_allclose(acts_like, [np.sqrt(5.0), np.sqrt(1.8)], rtol=0.03)
    assert acts_like[0] / acts_like[1] == pytest.approx(1.667, rel=0.03)


def test_weights_do_not_bias_the_response() -> None:
    """A response as large as the noise, under gain steps and bursts: its amplitude comes out within 2 %."""
    rng = np.random.default_rng(4)
    n_times, units, runs = 57, 192, 8
    wave = wave_v_uv(4.0 + np.arange(n_times) / 4, nv=2000.0)
    window = Window(slice(4, 53, 1), 28)
    average = WeightedAverage((runs,), n_times)
    for _ in range(units):
        noise = band_sweeps_uv(rng, runs, UNIT_SWEEPS, n_times) * rng.choice([0.5, 1.0, 2.0], (runs, 1, 1))
        noise *= np.where(rng.random((runs, UNIT_SWEEPS, 1)) < 0.05, 5.0, 1.0)
        average.update(reduce_unit(noise + wave, np.ones((runs, UNIT_SWEEPS), dtype=bool), window))
    amplitude = (average.average_uv() @ wave).mean() / (wave @ wave)
    assert amplitude == pytest.approx(1.0, abs=0.02)
