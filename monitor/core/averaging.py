"""The inverse-variance weighted average in units of sweeps, for any batch of runs at once.

Weighting by the noise of small groups of sweeps: Elberling & Wahlgreen 1985 (Scand Audiol 14:89). Weights from the power of
single sweeps bias the response: Luetkenhoener, Hoke & Pantev 1985.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np

from .samples import Bools, Floats

UNIT_SWEEPS = 16


@dataclass(frozen=True)
class Window:
    """Points of a sweep: the response window (a slice with stride, about 4 kHz) and one single point inside it."""

    points: slice
    single_point: int

    def of(self, sweeps: Floats) -> Floats:
        return sweeps[..., self.points]


@dataclass(frozen=True)
class Unit:
    """Summary of one unit of presented sweeps. Shapes: batch ``...``, points of a whole sweep ``n_times``.

    Means and residuals have the precision of the sweeps; everything that is summed over units is double.
    """

    sweeps_uv: Floats  # (..., n_sweeps, n_times), rejected sweeps included
    accepted: Bools  # (..., n_sweeps)
    count: Floats  # (...,) accepted sweeps
    mean_uv: Floats  # (..., n_times)
    plus_minus_uv: Floats  # (..., n_times) mean with alternating signs
    variance_uv2: Floats  # (...,) of single sweeps about the unit mean, over the window; nan below two sweeps
    point_variance_uv2: Floats  # (...,) the same at the single point
    window_residuals_uv: Floats  # (..., n_sweeps, window points) about the unit mean, 0 where rejected

    @cached_property
    def weight(self) -> Floats:
        """Weight of the unit mean (...,) in 1/uV2: accepted sweeps over their variance; 0 where that is undefined."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.variance_uv2 > 0, self.count / self.variance_uv2, 0.0)

    @property
    def residuals_uv(self) -> Floats:
        """Residuals (..., n_sweeps, n_times) about the unit mean, 0 for rejected sweeps."""
        return _residuals(self.sweeps_uv, self.mean_uv, self.accepted)


def reduce_unit(sweeps_uv: Floats, accepted: Bools, window: Window) -> Unit:
    """Summarise sweeps (..., n_sweeps, n_times), all finite, of which ``accepted`` (..., n_sweeps) count, as a Unit."""
    count = accepted.sum(axis=-1).astype(np.float64)
    weights = _all_weights(accepted.shape[-1]) if accepted.all() else _weights(accepted)
    sums = weights.astype(sweeps_uv.dtype, copy=False) @ sweeps_uv
    mean = sums[..., 0, :] / np.maximum(count, 1.0).astype(sweeps_uv.dtype)[..., np.newaxis]
    residuals = _residuals(window.of(sweeps_uv), window.of(mean), accepted)
    single = (sweeps_uv[..., window.single_point] - mean[..., window.single_point, np.newaxis]) * accepted
    freedom = np.where(count >= 2, count - 1.0, np.nan)
    return Unit(
        sweeps_uv=sweeps_uv,
        accepted=accepted,
        count=count,
        mean_uv=mean,
        plus_minus_uv=sums[..., 1, :],
        variance_uv2=_energy(residuals).sum(axis=-1) / (freedom * residuals.shape[-1]),
        point_variance_uv2=_energy(single[..., np.newaxis]).sum(axis=-1) / freedom,
        window_residuals_uv=residuals,
    )


def _weights(accepted: Bools) -> Floats:
    """Weights (..., 2, n_sweeps) of the sum of the accepted sweeps and of their mean with alternating signs."""
    return np.stack([accepted, alternating(accepted)], axis=-2)


@cache
def _all_weights(n_sweeps: int) -> Floats:
    """Weights as in ``_weights``, (2, n_sweeps), for a unit whose sweeps are all accepted, as in most units of a single run."""
    return _weights(np.ones(n_sweeps, dtype=bool))


def _residuals(sweeps: Floats, mean: Floats, accepted: Bools) -> Floats:
    out = sweeps - mean[..., np.newaxis, :]
    if not accepted.all():
        out[~accepted] = 0.0
    return np.asarray(out)


def _energy(sweeps: Floats) -> Floats:
    """Sum of squares of each sweep (..., n_sweeps), in double precision."""
    return np.asarray(np.einsum("...t,...t->...", sweeps, sweeps), dtype=np.float64)


def alternating(accepted: Bools) -> Floats:
    """Weights (..., n_sweeps) +1, -1, +1 ... over the accepted sweeps, scaled so that noise keeps the RMS of the mean.

    They sum to zero: with an odd number the last sweep is not used.
    """
    order = accepted.cumsum(axis=-1)
    count = accepted.sum(axis=-1)[..., np.newaxis]
    pairs = count - count % 2
    signs = np.where(accepted & (order <= pairs), np.where(order % 2 == 1, 1.0, -1.0), 0.0)
    scale = np.sqrt(np.maximum(count, 1.0) * np.maximum(pairs, 1.0))
    return np.asarray(signs / scale)


class WeightedAverage:
    """Running weighted average of unit means, its halves from alternate units, and its plus-minus reference.

    All sums start at zero and are updated unit by unit in order, for the whole batch.
    """

    def __init__(self, batch: tuple[int, ...], n_times: int) -> None:
        self.units = 0
        self.weight = np.zeros(batch)  # sum of unit weights, 1/uV2
        self.accepted = np.zeros(batch)
        self._sum = np.zeros((2, *batch, n_times))  # odd and even half
        self._half_weight = np.zeros((2, *batch))
        self._square = np.zeros((*batch, n_times))  # sum of weight x mean^2, for the spread between units
        self._plus_minus = np.zeros((*batch, n_times))
        self._point = np.zeros(batch)
        self.weighted_units = np.zeros(batch)

    def update(self, unit: Unit) -> None:
        weight = unit.weight
        half = self.units % 2
        self._sum[half] += weight[..., np.newaxis] * unit.mean_uv
        self._half_weight[half] += weight
        with np.errstate(over="ignore"):  # outside the judged part a sweep may have any size
            self._square += weight[..., np.newaxis] * unit.mean_uv**2
        self._plus_minus += weight[..., np.newaxis] * unit.plus_minus_uv
        known = weight > 0
        per_sweep = np.divide(unit.point_variance_uv2, unit.count, out=np.zeros_like(weight), where=known)
        self._point += weight**2 * per_sweep
        self.weight = self.weight + weight
        self.accepted = self.accepted + unit.count
        self.weighted_units = self.weighted_units + known
        self.units += 1

    def average_uv(self) -> Floats:
        """The average (..., n_times), nan before any unit has weight."""
        return _over(self._sum[0] + self._sum[1], self.weight)

    def half_uv(self, half: int) -> Floats:
        """Average of every other unit (..., n_times): 0 gives half A (first, third, ... unit), 1 gives half B."""
        return _over(self._sum[half], self._half_weight[half])

    def plus_minus_uv(self) -> Floats:
        return _over(self._plus_minus, self.weight)

    def point_variance_uv2(self) -> Floats:
        """Variance of the average at the single point (...,), from the spread inside units."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(self._point / self.weight**2)

    def dispersion(self, window: Window) -> Floats:
        """Spread between unit means divided by the spread that the sweeps inside units predict (...,); 1 on average for noise.

        ``sum w_j (M_j - A)^2 / (J - 1)``, averaged over the window; nan with fewer than two units.
        """
        with np.errstate(invalid="ignore", divide="ignore"):
            total = window.of(self._sum[0] + self._sum[1])
            spread = window.of(self._square) - total**2 / self.weight[..., np.newaxis]
            freedom = np.where(self.weighted_units >= 2, self.weighted_units - 1, np.nan)
            return np.asarray(spread.mean(axis=-1) / freedom)


def _over(total: Floats, weight: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(total / weight[..., np.newaxis])
