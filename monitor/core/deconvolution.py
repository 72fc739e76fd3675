"""Deconvolution of an average whose responses overlap, because the sounds came faster than a response lasts. Pure.

Point i of an average of sweeps holds the response to its own sound at i, and parts of the responses to the sounds before and
after. With y the recording, x the response, o_l the onsets of all sounds and w_k the weight of sweep k, W their sum:

    y(t) = sum_l x(t - o_l)
    z(i) = 1/W sum_k w_k y(o_k + i) = sum_j C(i - j) x(j),    C(d) = 1/W sum_k w_k (number of l with o_l - o_k = d)

C follows from the onsets alone, and x = C^-1 z. Sounds of rejected sweeps count among the l, with weight 0 among the k, so that
they leave no error. With equal weights, C is the normal matrix and W z the right side of the least-squares fit of x to the
recording: the two agree to rounding (tests/core/test_deconvolution.py). Least squares for overlapping responses is published,
and that the condition number of the matrix limits the noise: Bardy, Dillon & Van Dun 2014, doi 10.1016/j.clinph.2013.09.030
(abstract, verified). Weights, rejected sweeps and the bound of the noise: own derivation.

An even train has no useful inverse: random intervals are needed, the wider the better.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import toeplitz

from .samples import Floats

MOST_NOISE_GAIN = 4.0  # own choice: the noise in the worst shape is then that of 1/16 of the sweeps
LEAST_EIGENVALUE = 1e-9  # relative; below it the matrix counts as singular


@dataclass(frozen=True, eq=False)
class Deconvolved:
    """``response_uv``: the response to one sound, shape and times of the average that was given.

    ``noise_gain``: bound for white noise. No shape within the epoch (a vector of n_times) has more than this many times the noise
    (SD) that it has in an average of the same sweeps, equally weighted alike, that share no samples.
    """

    response_uv: Floats
    noise_gain: float


def deconvolve(
    average_uv: ArrayLike, onsets: ArrayLike, weights: ArrayLike | None = None, most_noise_gain: float = MOST_NOISE_GAIN
) -> Deconvolved:
    """The response to a single sound, from an average (..., n_times) in uV of sweeps whose responses overlap.

    ``onsets`` (n,): all sounds that were presented, also those of rejected sweeps; rising whole samples at the average's rate.
    ``weights`` (n,): weight of each sweep in the average, 0 where it is not part of it; None: all the same. Epochs may begin
    before the onset.

    It is assumed that every sound evokes the same response, that it is 0 outside the epoch, and that a filter was applied to
    the whole recording before it was cut.

    Raises ValueError for onsets or weights of another form, and where the onsets leave more than ``most_noise_gain``.
    """
    average, at = np.asarray(average_uv, dtype=np.float64), np.asarray(onsets, dtype=np.float64)
    if average.ndim < 1 or average.shape[-1] < 2 or not np.isfinite(average).all():
        raise ValueError(f"an average of shape {average.shape}: give finite values (..., n_times), time as the last axis")
    if at.ndim != 1 or not len(at) or not (at == np.floor(at)).all() or (np.diff(at) <= 0).any():
        raise ValueError(f"onsets of shape {at.shape}: give whole samples (n,), each later than the one before; round them")
    weight = np.ones(len(at)) if weights is None else np.asarray(weights, dtype=np.float64)
    if weight.shape != at.shape or not np.isfinite(weight).all() or (weight < 0).any() or not weight.any():
        raise ValueError(
            f"weights of shape {weight.shape} for {len(at)} onsets: give one for each, 0 or more, with 0 for a rejected sweep, "
            "and at least one above 0"
        )
    overlap, shared = _matrices(at.astype(np.int64), weight, average.shape[-1])
    noise_gain = _noise_gain(overlap, shared)
    if not noise_gain <= most_noise_gain:
        raise ValueError(
            f"these onsets do not separate the responses: noise could grow by a factor of {noise_gain:.3g}; allowed is "
            f"{most_noise_gain:g}. Record with wider random intervals or a lower rate, or cut shorter epochs"
        )
    response = np.linalg.solve(overlap, average[..., np.newaxis])[..., 0]
    return Deconvolved(np.asarray(response, dtype=np.float64), noise_gain)


def _matrices(onsets: np.ndarray, weight: Floats, n_times: int) -> tuple[Floats, Floats]:
    """C of the module's text, and the covariance of white noise in the average relative to that of sweeps which share no samples;
    both (n_times, n_times)."""
    later, earlier, both = np.zeros((3, n_times))  # by lag: other onsets after a sweep's, before it; products of weights
    later[0], both[0] = weight.sum(), np.square(weight).sum()
    for step in range(1, len(onsets)):
        lags = onsets[step:] - onsets[:-step]
        near = lags < n_times
        if not near.any():
            break
        first, second, lags = weight[:-step][near], weight[step:][near], lags[near]
        later += np.bincount(lags, first, n_times)
        earlier += np.bincount(lags, second, n_times)
        both += np.bincount(lags, first * second, n_times)
    earlier[0] = later[0]
    return np.asarray(toeplitz(later, earlier)) / weight.sum(), np.asarray(toeplitz(both)) / np.square(weight).sum()


def _noise_gain(overlap: Floats, shared: Floats) -> float:
    """The largest SD of any shape after deconvolution, relative to sweeps that share no samples; infinite without an inverse."""
    singular = np.linalg.svd(overlap, compute_uv=False)
    if singular[-1] < LEAST_EIGENVALUE * singular[0]:
        return np.inf
    half = np.linalg.solve(overlap, shared)
    covariance = np.linalg.solve(overlap, half.T)
    return float(np.sqrt(np.linalg.eigvalsh((covariance + covariance.T) / 2)[-1]))


__all__ = ["MOST_NOISE_GAIN", "Deconvolved", "deconvolve"]
