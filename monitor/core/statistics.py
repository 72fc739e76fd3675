"""Classical detection statistics, as functions of a running average and of sums over its residuals.

Units are weighted by their own estimated noise. Therefore the variance of the average times the sum of its weights is not 1 but
nu / (nu - 4), where nu is the number of degrees of freedom of a unit's variance (mean of w^2 over mean of w, for w = nu /
chi-square(nu)). Statistics that depend on it are corrected.
"""

from __future__ import annotations

import numpy as np

from .averaging import Unit, WeightedAverage, Window
from .samples import Floats

MEAN_VOLTAGE_MS = 1.0  # width of the features of T2


def mean_voltages(times_ms: Floats) -> Floats:
    """Matrix (n_features, n_points) that averages window points over about 1 ms each, in order; every point is used."""
    step = times_ms[1] - times_ms[0]
    count = max(1, round((times_ms[-1] - times_ms[0]) / MEAN_VOLTAGE_MS))
    place = np.clip(((times_ms - times_ms[0] + 1e-6 * step) / MEAN_VOLTAGE_MS).astype(int), 0, count - 1)
    member = (place == np.arange(count)[:, np.newaxis]).astype(np.float64)
    return np.asarray(member / member.sum(axis=1, keepdims=True))


class ResidualSums:
    """Running covariance of residuals about unit means; each unit is scaled to variance 1 first. Only the matrices that are
    needed are kept."""

    def __init__(self, batch: tuple[int, ...], times_ms: Floats, names: frozenset[str]) -> None:
        points = len(times_ms)
        self.features = mean_voltages(times_ms)
        self.freedom = np.zeros(batch)  # sweeps less units
        self._points = np.zeros((*batch, points, points)) if names & {"multi_point_f", "half_correlation"} else None
        self._binned = np.zeros((*batch, *2 * self.features.shape[:1])) if "hotelling" in names else None

    def update(self, unit: Unit, window: Window) -> None:
        if self._points is None and self._binned is None:
            return
        known = unit.variance_uv2 > 0
        scale = np.where(known, 1.0 / np.sqrt(np.where(known, unit.variance_uv2, 1.0)), 0.0)
        residuals = window.of(unit.residuals_uv) * scale[..., np.newaxis, np.newaxis]
        if self._points is not None:
            self._points += residuals.swapaxes(-1, -2) @ residuals
        if self._binned is not None:
            binned = residuals @ self.features.T
            self._binned += binned.swapaxes(-1, -2) @ binned
        self.freedom = self.freedom + np.where(known, unit.count - 1.0, 0.0)

    def points(self) -> Floats:
        """Covariance (..., n_points, n_points), its mean diagonal 1; nan where nothing is known."""
        assert self._points is not None
        return self._over(self._points)

    def binned(self) -> Floats:
        """Covariance (..., n_features, n_features) of the mean voltages on the same scale."""
        assert self._binned is not None
        return self._over(self._binned)

    def _over(self, total: Floats) -> Floats:
        return np.asarray(total / np.where(self.freedom > 0, self.freedom, np.nan)[..., np.newaxis, np.newaxis])


def weight_loss(average: WeightedAverage, freedom: Floats) -> Floats:
    """(nu - 4) / nu (...,); ``freedom`` (...,) is the number of independent points in the window."""
    with np.errstate(divide="ignore", invalid="ignore"):
        nu = freedom * (average.accepted / average.weighted_units - 1.0)
        return np.asarray(np.where(nu > 4, (nu - 4.0) / nu, np.nan))


def fsp(average: WeightedAverage, window: Window) -> Floats:
    """Single-point F (...,): variance of the average over the window / variance of the average at one fixed point.

    Elberling & Don 1984 (Scand Audiol 13:187); Don, Elberling & Waring 1984 (Scand Audiol 13:219). With equal weights
    this is their N var_t(average) / var_n(single point); with weights the denominator is its weighted equivalent.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        signal = window.of(average.average_uv()).var(axis=-1, ddof=1)
        return np.asarray(signal / average.point_variance_uv2())


def traces(covariance: Floats, freedom: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """tr(S), tr(S)^2, tr(S^2), tr(S^3), each (...,), corrected for sampling bias, from S (..., n, n) estimated with ``freedom``.

    A sample covariance overestimates the higher powers; the corrections are the moments of the Wishart distribution (for the
    third power to within about freedom^-2).
    """
    n = np.asarray(freedom, dtype=np.float64)
    squared = covariance @ covariance
    first = np.trace(covariance, axis1=-2, axis2=-1)
    second = np.trace(squared, axis1=-2, axis2=-1)
    third = (squared * covariance).sum(axis=(-2, -1))
    with np.errstate(divide="ignore", invalid="ignore"):
        # With n S ~ Wishart(n, C): E tr(S)^2 = tr(C)^2 + 2/n tr(C^2) and E tr(S^2) = (1 + 1/n) tr(C^2) + tr(C)^2 / n. Solved for
        # tr(C)^2 and tr(C^2).
        scale = n**2 / ((n - 1.0) * (n + 2.0))
        first_squared = scale * ((1.0 + 1.0 / n) * first**2 - 2.0 / n * second)
        second = scale * (second - first**2 / n)
        # E tr(S^3) = (1 + 3/n + 4/n^2) tr(C^3) + 3 (1/n + 1/n^2) tr(C^2) tr(C) + tr(C)^3 / n^2. Solved for tr(C^3).
        third = third - 3.0 * (1.0 / n + 1.0 / n**2) * second * first - first**3 / n**2
        third = third / (1.0 + 3.0 / n + 4.0 / n**2)
    return first, first_squared, second, third


def satterthwaite(covariance: Floats, freedom: Floats) -> Floats:
    """Degrees of freedom tr(S)^2 / tr(S^2) (...,) of a sum of squares, from S (..., n, n) estimated with ``freedom``.

    Satterthwaite 1946 (Biometrics Bull 2:110), with unbiased traces.
    """
    _, first_squared, second, _ = traces(covariance, freedom)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(second > 0, first_squared / second, np.nan))


def centred(covariance: Floats) -> Floats:
    """Covariance (..., n, n) of the points after their mean is removed."""
    rows = covariance - covariance.mean(axis=-1, keepdims=True)
    return np.asarray(rows - rows.mean(axis=-2, keepdims=True))


def multi_point_f(average: WeightedAverage, window: Window, sums: ResidualSums, freedom: Floats) -> dict[str, Floats]:
    """F (...,) of the average, its window mean removed, against noise pooled over all points; degrees of freedom estimated.

    Credited to Don & Elberling 1994 (JASA 96:2746) and Stuerzebecher, Cebulla & Wernecke 2001 (secondary). ``multi_point_df1``
    matches mean and variance of the numerator (Satterthwaite); ``multi_point_tail_df`` = tr(S^2)^3 / tr(S^3)^2 also matches its
    skewness, which matters far out in the tail (Buckley & Eagleson 1988, Austral J Stat 30A:150).
    """
    noise = centred(sums.points())
    inside = window.of(average.average_uv())
    with np.errstate(divide="ignore", invalid="ignore"):
        signal = ((inside - inside.mean(axis=-1, keepdims=True)) ** 2).sum(axis=-1)
        value = signal * average.weight * weight_loss(average, freedom) / np.trace(noise, axis1=-2, axis2=-1)
    _, first_squared, second, third = traces(noise, sums.freedom)
    with np.errstate(divide="ignore", invalid="ignore"):
        df1 = np.where(second > 0, first_squared / second, np.nan)
        tail = np.where(third > 0, second**3 / third**2, np.nan)
    return {
        "multi_point_f": value,
        "multi_point_df1": df1,
        "multi_point_df2": freedom * sums.freedom,
        "multi_point_tail_df": np.fmin(tail, df1),
    }


def hotelling(average: WeightedAverage, window: Window, sums: ResidualSums, freedom: Floats) -> dict[str, Floats]:
    """T2 = N m' S^-1 m on q mean voltages as F = T2 (nu - q + 1) / (q nu), nu = sweeps less units (Hotelling 1931).

    With weights N S^-1 becomes (sum of weights) x (covariance at variance 1)^-1.
    """
    count = len(sums.features)
    covariance = sums.binned()
    df2 = sums.freedom - count + 1.0
    known = (df2 >= 1) & (average.weight > 0)
    usable = np.where(known[..., np.newaxis, np.newaxis], covariance, np.eye(count))
    # a ridge far below any noise: data of less than full rank give a huge T2, not an error in the middle of a run
    usable = usable + 1e-9 * np.trace(usable, axis1=-2, axis2=-1)[..., np.newaxis, np.newaxis] / count * np.eye(count)
    mean = window.of(average.average_uv()) @ sums.features.T
    mean = np.where(known[..., np.newaxis], mean, 0.0)
    distance = (mean * np.linalg.solve(usable, mean[..., np.newaxis])[..., 0]).sum(axis=-1)
    t2 = distance * average.weight * weight_loss(average, freedom)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(known, t2 * df2 / (count * sums.freedom), np.nan)
    df1 = np.where(known, float(count), np.nan)
    return {"hotelling_f": value, "hotelling_df1": df1, "hotelling_df2": np.where(known, df2, np.nan)}


def half_correlation(average: WeightedAverage, window: Window, sums: ResidualSums) -> dict[str, Floats]:
    """Pearson correlation (...,) of the odd and the even half over the window, and its effective number of independent points.

    Without a response its variance is tr(S^2) / tr(S)^2 for the centred noise covariance S, as for 1 + df independent points.
    """
    a, b = (window.of(average.half_uv(half)) for half in (0, 1))
    a, b = (half - half.mean(axis=-1, keepdims=True) for half in (a, b))
    with np.errstate(divide="ignore", invalid="ignore"):
        r = (a * b).sum(axis=-1) / np.sqrt((a**2).sum(axis=-1) * (b**2).sum(axis=-1))
    return {"half_correlation": r, "half_correlation_points": 1.0 + satterthwaite(centred(sums.points()), sums.freedom)}


def replicates(average: WeightedAverage, window: Window) -> dict[str, Floats]:
    """The measures of published guidance in nV (...,): gap between halves, peak to trough of the average, and their ratio.

    The gap is the mean of |odd - even half|: for Gaussian noise 2 sqrt(2 / pi) = 1.596 x residual noise. Peak to trough is the
    largest fall from a point to a later one.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = 1e3 * np.abs(window.of(average.half_uv(0)) - window.of(average.half_uv(1))).mean(axis=-1)
        inside = window.of(average.average_uv())
        lowest_after = np.minimum.accumulate(inside[..., ::-1], axis=-1)[..., ::-1]
        fall = 1e3 * (inside - lowest_after).max(axis=-1)
        return {"gap_nv": gap, "peak_to_trough_nv": fall, "snr": fall / gap}
