"""Classical statistics against textbook formulas spelled out sweep by sweep, published values and another library."""

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.stats import f

from quietfloor.monitor.core.analysis import STATISTICS, AnalysisSettings, RunningAnalysis
from quietfloor.monitor.core.averaging import UNIT_SWEEPS, WeightedAverage, Window, reduce_unit
from quietfloor.monitor.core.classical_rules import FspReached, HotellingReached, MultiPointFReached
from quietfloor.monitor.core.look_statistics import LookStatistics
from quietfloor.monitor.core.looks import Looks
from quietfloor.monitor.core.noise import residual_noise
from quietfloor.monitor.core.statistics import (
    ResidualSums,
    centred,
    half_correlation,
    hotelling,
    mean_voltages,
    multi_point_f,
    replicates,
    satterthwaite,
    traces,
)
from quietfloor.monitor.core.stopping import SweepLimit
from tests.synthetic import band_sweeps_uv, wave_v_uv

N_TIMES = 57  # 4 to 18 ms at 4 kHz
WINDOW = Window(slice(4, 53, 1), 28)  # 5 to 17 ms
TIMES_MS = 5.0 + np.arange(49) / 4
EXACT = np.array(1e300)  # degrees of freedom of a unit's variance: as if weights were known
BOTH = frozenset({"multi_point_f", "hotelling"})


def fed(sweeps: np.ndarray, accepted: np.ndarray, window: Window, times_ms: np.ndarray) -> tuple[WeightedAverage, ResidualSums]:
    """Units (..., n_units, n_sweeps, n_times)."""
    batch = sweeps.shape[:-3]
    average, sums = WeightedAverage(batch, sweeps.shape[-1]), ResidualSums(batch, times_ms, BOTH)
    for number in range(sweeps.shape[-3]):
        unit = reduce_unit(sweeps[..., number, :, :], accepted[..., number, :], window)
        average.update(unit)
        sums.update(unit, window)
    return average, sums


# -- Hotelling ------------------------------------------------------------------------------------------------------


def test_t2_of_one_unit_is_the_textbooks_and_another_librarys() -> None:
    """statsmodels 0.15.0, test_mvmean(x, 0) on these 40 x 4 numbers: T2, F, degrees of freedom."""
    i, k = np.arange(40)[:, np.newaxis], np.arange(4)[np.newaxis, :]
    x = np.sin(1.7 * (i + 1) * (k + 1) + 0.3 * k) + 0.35 * np.cos(0.9 * (i + 1)) + np.array([0.3, -0.2, 0.1, 0.4])
    # points 1 ms apart: mean voltages are the points; a last point makes four bins of five points and is in the fourth
    times = 5.0 + np.arange(5)
    wide = np.concatenate([x, x[:, 3:]], axis=1)
    average, sums = fed(wide[np.newaxis], np.ones((1, 40), dtype=bool), Window(slice(0, 5, 1), 2), times)
    assert len(sums.features) == 4
    found = hotelling(average, Window(slice(0, 5, 1), 2), sums, EXACT)
    assert found["hotelling_df1"] == 4
    assert found["hotelling_df2"] == 36
    assert found["hotelling_f"] == pytest.approx(5.63108096292288, rel=1e-7)
    assert found["hotelling_f"] * 4 * 39 / 36 == pytest.approx(24.401350839332476, rel=1e-7)
    figures = LookStatistics.of((), **found)
    assert HotellingReached().p_value(figures) == pytest.approx(0.0012604797603770013, rel=1e-6)


def test_t2_is_also_a_regression() -> None:
    """T2 / (N - 1) = R2 / (1 - R2) of 1 regressed on the features without intercept: no covariance is formed."""
    rng = np.random.default_rng(1)
    sweeps = band_sweeps_uv(rng, 1, 64, N_TIMES)[0] + 0.3 * wave_v_uv(4 + np.arange(N_TIMES) / 4, nv=1000)
    average, sums = fed(sweeps[np.newaxis], np.ones((1, 64), dtype=bool), WINDOW, TIMES_MS)
    bins = np.array([[sweep[4 + 4 * b : 8 + 4 * b + (b == 11)].mean() for b in range(12)] for sweep in sweeps])
    left = np.linalg.lstsq(bins, np.ones(64), rcond=None)[1][0] / 64
    t2 = 63 * (1 - left) / left
    assert hotelling(average, WINDOW, sums, EXACT)["hotelling_f"] == pytest.approx(t2 * (64 - 12) / (12 * 63), rel=1e-6)


def test_t2_with_weights_and_sweeps_left_out_equals_the_loop() -> None:
    rng = np.random.default_rng(2)
    sweeps = band_sweeps_uv(rng, 8, UNIT_SWEEPS, N_TIMES) * rng.uniform(0.5, 3, (8, 1, 1))
    accepted = rng.random((8, UNIT_SWEEPS)) < 0.8
    accepted[5] = np.arange(UNIT_SWEEPS) == 3  # a single sweep: no variance, no weight
    average, sums = fed(sweeps, accepted, WINDOW, TIMES_MS)
    matrix = mean_voltages(TIMES_MS)
    total, weights, mean, freedom = np.zeros((12, 12)), 0.0, np.zeros(12), 0
    noise = np.zeros((49, 49))
    for unit, use in zip(sweeps, accepted, strict=True):
        kept = unit[use][:, 4:53]
        if len(kept) < 2:
            continue
        variance = kept.var(axis=0, ddof=1).mean()
        weights += len(kept) / variance
        mean += len(kept) / variance * (matrix @ kept.mean(axis=0))
        for sweep in kept:
            step = matrix @ (sweep - kept.mean(axis=0))
            total += np.outer(step, step) / variance
            noise += np.outer(sweep - kept.mean(axis=0), sweep - kept.mean(axis=0)) / variance
        freedom += len(kept) - 1
    mean, total, noise = mean / weights, total / freedom, noise / freedom
    t2 = weights * mean @ np.linalg.inv(total) @ mean
    found = hotelling(average, WINDOW, sums, EXACT)
    assert found["hotelling_f"] == pytest.approx(t2 * (freedom - 11) / (12 * freedom), rel=1e-6)
    assert found["hotelling_df2"] == freedom - 11
    inside = average.average_uv()[4:53]
    trace = np.trace(noise) - noise.sum() / 49
    found = multi_point_f(average, WINDOW, sums, EXACT)
    assert found["multi_point_f"] == pytest.approx(((inside - inside.mean()) ** 2).sum() * weights / trace, rel=1e-10)
    assert np.trace(noise) == pytest.approx(49)
    nu = 15.0 * (accepted.sum() - 7) / 7
    known = multi_point_f(average, WINDOW, sums, np.array(15.0))["multi_point_f"]
    assert known == pytest.approx(float(found["multi_point_f"]) * (nu - 4) / nu, rel=0.01)


@pytest.mark.parametrize(("count", "q", "published"), [(20, 9, 72.0), (1000, 25, 45.90), (2000, 25, 45.09)])
def test_critical_values_of_t2(count: int, q: int, published: float) -> None:
    """99 % points, computed from F as T2 = q (N - 1) / (N - q) F; the rule finds p = 0.01 there."""
    value = f.ppf(0.99, q, count - q) * q * (count - 1) / (count - q)
    assert value == pytest.approx(published, rel=1e-3)
    found = {"hotelling_f": published * (count - q) / (q * (count - 1)), "hotelling_df1": q, "hotelling_df2": count - q}
    figures = LookStatistics.of((), **{name: np.array(float(value)) for name, value in found.items()})
    assert HotellingReached().p_value(figures) == pytest.approx(0.01, rel=5e-3)


def test_the_published_criterion_of_fsp() -> None:
    """F.99(5, 250) = 3.0912, and 3.1 is exceeded with p = .00983 (Elberling & Don 1984 give 3.1 as the 99 % point)."""
    assert f.ppf(0.99, 5, 250) == pytest.approx(3.0912, abs=5e-5)
    assert FspReached().p_value(LookStatistics.of((), fsp=np.array(3.1))) == pytest.approx(0.00983, abs=5e-6)
    one = FspReached(0.01, looks=Looks(256, 256, 256)).begin((2,))
    figures = LookStatistics.of((2,), sweeps_presented=np.full(2, 256.0), fsp=np.array([3.09, 3.0913]))
    np.testing.assert_array_equal(one.update(figures), [False, True])


def test_mean_voltages_use_every_point_once() -> None:
    for times in (TIMES_MS, 5.0 + np.arange(30) / 4.8, 6.0 + np.arange(9) / 4):
        features = mean_voltages(times)
        assert len(features) == max(1, round(times[-1] - times[0]))
        assert ((features > 0).sum(axis=0) == 1).all()
        np.testing.assert_allclose(features.sum(axis=1), 1.0)
        np.testing.assert_allclose(features @ times, times[0] + np.arange(len(features)) + 0.4, atol=0.2)


# -- degrees of freedom ---------------------------------------------------------------------------------------------


def test_degrees_of_freedom_of_known_covariances() -> None:
    many = np.array(1e12)
    assert satterthwaite(np.eye(20), many) == pytest.approx(20)
    assert satterthwaite(centred(np.eye(20)), many) == pytest.approx(19)
    assert satterthwaite(np.ones((20, 20)), many) == pytest.approx(1)
    assert satterthwaite(np.diag([4.0, 1.0, 1.0]), many) == pytest.approx(36 / 18)


def test_degrees_of_freedom_are_not_biased_by_few_sweeps() -> None:
    rng = np.random.default_rng(3)
    root = np.diag(np.sqrt(1 / (1 + 0.1 * np.arange(30))))
    truth = np.trace(root @ root) ** 2 / np.trace(root @ root @ root @ root)
    x = rng.standard_normal((4000, 40, 30)) @ root
    sample = x.swapaxes(-1, -2) @ x / 40
    assert np.median(satterthwaite(sample, np.array(40.0))) == pytest.approx(truth, rel=0.03)
    plain = np.trace(sample, axis1=-2, axis2=-1) ** 2 / (sample**2).sum(axis=(-2, -1))
    assert np.mean(plain) < 0.8 * truth


def test_traces_are_not_biased() -> None:
    rng = np.random.default_rng(8)
    root = np.diag(np.sqrt(1 / (1 + 0.3 * np.arange(20))))
    truth = [np.trace(np.linalg.matrix_power(root @ root, power)) for power in (1, 2, 3)]
    x = rng.standard_normal((8000, 60, 20)) @ root
    sample = x.swapaxes(-1, -2) @ x / 60
    first, first_squared, second, third = traces(sample, np.array(60.0))
    assert first.mean() == pytest.approx(truth[0], rel=0.01)
    assert first_squared.mean() == pytest.approx(truth[0] ** 2, rel=0.01)
    assert second.mean() == pytest.approx(truth[1], rel=0.01)
    assert third.mean() == pytest.approx(truth[2], rel=0.015)
    assert np.trace(np.linalg.matrix_power(sample, 3), axis1=-2, axis2=-1).mean() > 1.3 * truth[2]


def test_three_moments_keep_the_tail_where_two_do_not() -> None:
    """A sum of squares whose variances differ much: how often its p-value is at most 0.001, known covariance."""
    rng = np.random.default_rng(9)
    size = 1 / np.arange(1.0, 25.0)
    total = (rng.standard_normal((200_000, 24)) ** 2 @ size) / size.sum()
    _, first_squared, second, third = traces(np.diag(size), np.array(1e12))
    df = {"multi_point_df1": first_squared / second, "multi_point_tail_df": second**3 / third**2}
    figures = LookStatistics.of((), **{name: np.array(value) for name, value in ({"multi_point_df2": 1e9} | df).items()})
    figures = replace(figures, multi_point_f=total)
    rate = {m: (MultiPointFReached(moments=m).p_value(figures) <= 0.001).mean() for m in (2, 3)}
    assert rate[2] > 0.002
    assert rate[3] == pytest.approx(0.001, abs=0.0004)


# -- replicates -----------------------------------------------------------------------------------------------------


def test_gap_between_halves_is_1_596_times_the_residual_noise() -> None:
    """2 sqrt(2 / pi) for Gaussian noise; 25 nV of gap is 15.7 nV of residual noise."""
    rng = np.random.default_rng(4)
    sweeps = band_sweeps_uv(rng, 64 * 24, UNIT_SWEEPS, N_TIMES).reshape(64, 24, UNIT_SWEEPS, N_TIMES)
    average, _ = fed(sweeps, np.ones(sweeps.shape[:3], dtype=bool), WINDOW, TIMES_MS)
    noise = residual_noise(average, WINDOW, np.full(64, 20.0))
    assert 2 * np.sqrt(2 / np.pi) == pytest.approx(1.596, abs=5e-4)
    ratio = replicates(average, WINDOW)["gap_nv"].mean() / noise.value_nv.mean()
    assert ratio == pytest.approx(1.596, rel=0.02)


def test_replicates_by_hand() -> None:
    window = Window(slice(1, 6, 1), 3)
    shape = np.array([9.0, 1.0, -2.0, 3.0, 0.0, -1.0, -9.0])  # largest fall inside: from 3 to -1, not from 3 back to -2
    jitter = np.array([1.0, -1.0, 1.0, -1.0])[:, np.newaxis] * np.array([1.0, 2, 1, 2, 1, 2, 1])
    units = np.stack([shape + jitter, 1.5 * shape + jitter])
    average, _ = fed(units, np.ones((2, 4), dtype=bool), window, np.arange(5.0))
    found = replicates(average, window)
    assert found["peak_to_trough_nv"] == pytest.approx(1e3 * 1.25 * 4)
    assert found["gap_nv"] == pytest.approx(1e3 * 0.5 * np.mean([1, 2, 3, 0, 1]))
    assert found["snr"] == pytest.approx(5.0 / 0.7)
    sums = ResidualSums((), np.arange(5.0), BOTH)
    sums.update(reduce_unit(units[0], np.ones(4, dtype=bool), window), window)
    assert half_correlation(average, window, sums)["half_correlation"] == pytest.approx(1.0)


# -- in the analysis ------------------------------------------------------------------------------------------------


def run(sweeps: np.ndarray, usable: np.ndarray, names: frozenset[str], also: tuple = ()) -> list[LookStatistics]:
    """Looks at units (..., n_units, n_sweeps, n_times)."""
    settings = AnalysisSettings(4000.0, 4.0, N_TIMES, rules=(SweepLimit(100_000),))
    analysis = RunningAnalysis(settings, sweeps.shape[:-3], names, also)
    units = range(sweeps.shape[-3])
    looks = [analysis.update(sweeps[..., n, :, :], usable[..., n, :]).look for n in units]
    return [look.figures for look in looks if look is not None]


def test_a_batch_equals_single_runs() -> None:
    rng = np.random.default_rng(5)
    sweeps = band_sweeps_uv(rng, 4 * 20, UNIT_SWEEPS, N_TIMES).reshape(4, 20, UNIT_SWEEPS, N_TIMES)
    sweeps[1] += wave_v_uv(4 + np.arange(N_TIMES) / 4, nv=600)
    usable = rng.random((4, 20, UNIT_SWEEPS)) < 0.9
    usable[2, 7:9] = False
    usable[3] = False  # nothing ever arrives
    together = run(sweeps, usable, frozenset(STATISTICS))
    for place in range(4):
        for many, one in zip(together, run(sweeps[place], usable[place], frozenset(STATISTICS)), strict=True):
            for field in fields(LookStatistics):
                both = getattr(many, field.name)[place], getattr(one, field.name)
                np.testing.assert_allclose(*both, rtol=1e-9, atol=1e-12, err_msg=field.name)
    last = together[-1]
    assert np.isnan(last.hotelling_f[3])
    assert np.isnan(last.multi_point_f[3])
    assert np.isfinite(last.hotelling_f[:3]).all()


def test_only_what_is_needed_is_computed_and_only_when() -> None:
    rng = np.random.default_rng(6)
    sweeps = band_sweeps_uv(rng, 24, UNIT_SWEEPS, N_TIMES)
    usable = np.ones((24, UNIT_SWEEPS), dtype=bool)
    also = (HotellingReached(looks=Looks(64, 288, 384)), FspReached(looks=Looks(128, 128, 384)))
    found = run(sweeps, usable, frozenset(), also)
    at = [float(figures.sweeps_presented) for figures in found]
    assert [n for n, figures in zip(at, found, strict=True) if np.isfinite(figures.hotelling_f)] == [288, 352]
    assert [n for n, figures in zip(at, found, strict=True) if np.isfinite(figures.fsp)] == [128, 256, 384]
    for figures in found:
        assert np.isnan(figures.multi_point_f)
        assert np.isnan(figures.evidence_log10)
        assert np.isnan(figures.gap_nv)
    everything = run(sweeps, usable, frozenset(STATISTICS))
    at_288 = at.index(288)
    assert found[at_288].hotelling_f == everything[at_288].hotelling_f
    assert np.isfinite(everything[-1].evidence_log10)
    with pytest.raises(ValueError, match="fspp: no such statistic"):
        run(sweeps, usable, frozenset({"fspp"}))


def test_data_of_less_than_full_rank_are_no_error() -> None:
    t = np.arange(N_TIMES)
    sweeps = np.random.default_rng(7).standard_normal((20, UNIT_SWEEPS, 1)) * np.sin(t / 9)
    found = run(sweeps, np.ones((20, UNIT_SWEEPS), dtype=bool), frozenset(STATISTICS))
    assert found[-1].multi_point_df1 == pytest.approx(1.0, rel=0.02)
