"""Upper limit of a response: the largest size that is still possible, true at every look and at the stop.

Suppose the response is ``a`` times a known direction. An unbiased filter gives its size ``x_b`` in each block, and ``x_b - a`` is
as likely to be positive as negative. For numbers with such signs, whatever their distribution,

    2 Phi(z) sqrt(r / (V + r)) exp(z^2 / 2),   z = -S / sqrt(V + r),   S = sum W_b (x_b - a),   V = sum (W_b (x_b - a))^2

with the weight ``W_b`` of each block is a supermartingale that starts at 1: it is the mean of ``exp(lambda S - lambda^2 V / 2)``
over half a normal distribution of lambda (de la Pena, Lai & Shao 2009, Self-Normalized Processes; Howard, Ramdas, McAuliffe &
Sekhon 2021, Annals of Statistics 49:1055; both from memory). It reaches ``1 / ERROR`` with a probability of at most ``ERROR``
(Ville's inequality). The sizes that are not refuted therefore contain the true size, at all looks together. The limit is the
largest of them over many directions: the bank of expected responses, ``UNEXPECTED`` shapes, and, once there is evidence of some
response, every pair of points, which covers a response of any shape. The signs of few blocks refute little: with 16 blocks the
limit can be unknown. Sizes of some tens of uV and more, which no brainstem response has, are left out.
"""

from __future__ import annotations

import numpy as np
from scipy.special import log_ndtr

from .samples import Floats

ERROR = 0.04  # for a known shape; the rest, up to 5 %, allows for shapes that are not among the directions
TUNED_WEIGHT = 0.15 * (1e3 / 30.0) ** 2  # 1/uV2: tightest at 30 nV of noise, 4 % wider than could be at 15, 8 % at 60
ROUNDS = 4  # iterations of a fixed point, which converges fast
ANY_SHAPE_FROM = 0.3  # log10 of the evidence from which pairs of points join; own choice, coverage is measured
PAIR_MS = (0.5, 6.0)  # between a peak and its trough


class RunningUpperLimit:
    """Sums over the blocks of a batch of runs, and the limit that follows from them."""

    def __init__(self, directions: Floats, spacing_ms: float, batch: tuple[int, ...]) -> None:
        """``directions`` (n_directions, n_points): responses of 1 uV peak to trough on points ``spacing_ms`` apart."""
        points = directions.shape[-1]
        self._directions = directions
        nearest, farthest = (round(ms / spacing_ms) for ms in PAIR_MS)
        first, second = np.triu_indices(points, nearest)
        near = second - first <= farthest
        self._first, self._second = first[near], second[near]
        self._sum, self._square_sum = np.zeros((*batch, points)), np.zeros((*batch, points))
        self._products = np.zeros((*batch, points, points))
        self._weight, self._square_weight = np.zeros((*batch, 1)), np.zeros((*batch, 1))
        self._shape: Floats | None = None

    def learn_noise(self, shape: Floats, inverse: Floats) -> None:
        """The noise shape T (..., n_points, n_points) and its inverse. Blocks may come before it."""
        filters = self._directions @ inverse
        energy = (filters * self._directions).sum(axis=-1)  # d' T^-1 d
        self._filters, self._variance = filters / energy[..., np.newaxis], 1.0 / energy
        diagonal = np.diagonal(shape, axis1=-2, axis2=-1)
        self._pair_variance = (
            diagonal[..., self._first] + diagonal[..., self._second] - 2 * shape[..., self._first, self._second]
        )
        self._shape = shape

    def update(self, mean_uv: Floats, weight: Floats) -> None:
        """Add the next block: its weighted mean (..., n_points) in uV, finite where its weight (...,) in 1/uV2 is above 0."""
        weight = weight[..., np.newaxis]
        mean = np.where(weight > 0, mean_uv, 0.0)
        weighted = weight * mean
        self._sum += weighted
        self._square_sum += weight * weighted
        self._products += weighted[..., :, np.newaxis] * weighted[..., np.newaxis, :]
        self._weight = self._weight + weight
        self._square_weight = self._square_weight + weight**2

    def limit_uv(self, log10_evidence: Floats) -> Floats:
        """The limit (...,) in uV, peak to trough; nan before the noise is known, or where there are too few blocks.

        ``log10_evidence`` (...,) is the largest so far.
        """
        if self._shape is None:
            return np.full(self._weight.shape[:-1], np.nan)
        filters = self._filters
        limit = self._largest(
            (filters @ self._sum[..., np.newaxis])[..., 0],
            (filters @ self._square_sum[..., np.newaxis])[..., 0],
            ((filters @ self._products) * filters).sum(axis=-1),
            self._variance,
        ).max(axis=-1)
        any_shape = np.asarray(log10_evidence >= ANY_SHAPE_FROM)
        if any_shape.any():
            limit = np.where(any_shape, np.maximum(limit, self._of_pairs()), limit)
        return np.asarray(np.where(np.isfinite(limit), limit, np.nan))

    def _of_pairs(self) -> Floats:
        first, second = self._first, self._second
        diagonal = np.diagonal(self._products, axis1=-2, axis2=-1)
        squares = diagonal[..., first] + diagonal[..., second] - 2 * self._products[..., first, second]
        high, low = (
            self._largest(
                sign * (self._sum[..., first] - self._sum[..., second]),
                sign * (self._square_sum[..., first] - self._square_sum[..., second]),
                squares,
                self._pair_variance,
            ).max(axis=-1)
            for sign in (1.0, -1.0)
        )
        return np.asarray(np.maximum(high, low))

    def _largest(self, sums: Floats, square_sums: Floats, squares: Floats, variance: Floats) -> Floats:
        """The largest size (..., n) that is not rejected; infinite if every size is accepted.

        With ``k`` fixed, ``S^2 = k (V + r)`` is a quadratic equation in the size; ``k`` itself changes with log V only.
        """
        total, fourth = self._weight, self._square_weight
        r = TUNED_WEIGHT * variance
        with np.errstate(divide="ignore", invalid="ignore"):
            size = sums / total
            k = np.full_like(size, -2.0 * np.log(2.0 * ERROR))
            for _ in range(ROUNDS):
                spread = squares - 2 * size * square_sums + size**2 * fourth
                k = -2.0 * (np.log(2.0 * ERROR) + log_ndtr(np.sqrt(k))) + np.log1p(np.maximum(spread, 0.0) / r)
                a = total**2 - k * fourth
                b = sums * total - k * square_sums
                c = sums**2 - k * (squares + r)
                size = np.where(a > 0, (b + np.sqrt(np.maximum(b**2 - a * c, 0.0))) / np.where(a > 0, a, 1.0), np.inf)
                if not np.isfinite(size).any():
                    break
        return np.asarray(np.where(np.isnan(size), np.inf, size))
