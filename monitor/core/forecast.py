"""When will the run decide? A range, from what is known at a look.

The evidence behaves like ``z^2 / 2 - cost``, where z is the signal-to-noise ratio of the best-fitting expected response in
the average and the cost (of not knowing which response, and how large) is read off the present look. In the future the
score ``z sqrt(W)`` drifts by the amplitude and diffuses by the noise as weight W comes in; the amplitude is known up to its
own uncertainty, shrunk towards 0 because the best of many candidates looks larger than it is. A second branch, weighted by
what the evidence leaves to it, has no response at all. A run ends at the first of evidence, noise floor and sweep limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import ndtri

from .samples import Floats

PATHS, STEPS = 400, 40
SELECTION = 1.7  # squared score that noise alone adds by choosing the best candidate; set so that the range covers 80 %
AMPLITUDE_SD = 0.25  # prior of the amplitude, score per square root of weight in 1/uV: 0.2 is 300 nV in EEG-like noise
RANGE = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class Forecast:
    """All (...,) over a batch: presented sweeps from now until the decision, 10 %, 50 % and 90 % points; nan if unknown."""

    sweeps_low: Floats
    sweeps_median: Floats
    sweeps_high: Floats
    response_probability: Floats  # that the run will end with a response, given a half-and-half expectation before it


@dataclass(frozen=True)
class Outlook:
    """What a forecast starts from, all (...,) over a batch."""

    log_evidence: Floats  # natural logarithm
    score: Floats  # z of the best-fitting expected response
    weight: Floats  # of the average, 1/uV2
    presented: Floats  # sweeps
    floor_weight: float  # weight at which the noise floor is reached
    log_needed: float  # natural logarithm of 1 / alpha
    max_sweeps: float


@cache
def _normals() -> Floats:
    """Fixed standard normal numbers (PATHS, STEPS + 1), antithetic: a table, not a source of chance.

    Hashed counters (the finaliser of splitmix64: Steele, Lea & Flood 2014) through the inverse of the normal distribution.
    """
    x = np.arange(1, PATHS // 2 * (STEPS + 1) + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    uniform = ((x ^ (x >> np.uint64(31))) >> np.uint64(11)).astype(np.float64) + 0.5
    half = ndtri(uniform / 2.0**53).reshape(PATHS // 2, STEPS + 1)
    return np.concatenate([half, -half])


def forecast(now: Outlook, block_sweeps: int) -> Forecast:
    """Propagate ``now`` along fixed paths; decisions fall on multiples of ``block_sweeps``."""
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = now.weight / now.presented
        left = np.maximum(now.max_sweeps - now.presented, 0.0)
        floor = np.maximum((now.floor_weight - now.weight) / gain, 0.0)
    end = np.minimum(floor, left)[..., np.newaxis]
    sweeps = left[..., np.newaxis] * (np.arange(1, STEPS + 1) / STEPS) ** 2
    step = np.diff(sweeps, prepend=0.0, axis=-1)
    middle, more = sweeps - step / 2, step * gain[..., np.newaxis]
    weight = now.weight[..., np.newaxis] + sweeps * gain[..., np.newaxis]
    cost = now.score**2 / 2 - now.log_evidence - SELECTION / 2
    start = np.sqrt(now.weight * np.maximum(now.score**2 - SELECTION, 0.0))
    variance = 1.0 / (now.weight + 1.0 / AMPLITUDE_SD**2)
    response = 1.0 / (1.0 + np.exp(-np.clip(now.log_evidence, -500, 500)))
    normals = _normals()
    noise = np.cumsum(np.sqrt(more)[..., np.newaxis, :] * normals[:, 1:], axis=-1)
    times, weights = [], []
    for present in (True, False):
        if present:
            mean, sd = (variance * start)[..., np.newaxis], np.sqrt(variance)[..., np.newaxis]
            amplitude = np.maximum(mean + sd * normals[:, 0], 0.0)
        else:
            amplitude = np.zeros((*start.shape, PATHS))
        drift = amplitude[..., np.newaxis] * (weight - now.weight[..., np.newaxis])[..., np.newaxis, :]
        score = start[..., np.newaxis, np.newaxis] + drift + noise
        evidence = np.maximum(score, 0.0) ** 2 / (2 * weight[..., np.newaxis, :]) - cost[..., np.newaxis, np.newaxis]
        reached = evidence >= now.log_needed
        every = np.broadcast_to(middle[..., np.newaxis, :], reached.shape)  # it was passed somewhere in the step
        first = np.take_along_axis(every, reached.argmax(axis=-1)[..., np.newaxis], axis=-1)[..., 0]
        times.append(np.minimum(np.where(reached.any(axis=-1), first, np.inf), end))
        share = response if present else 1.0 - response
        weights.append(np.broadcast_to(share[..., np.newaxis] / PATHS, amplitude.shape))
    low, median, high = _quantiles(np.concatenate(times, axis=-1), np.concatenate(weights, axis=-1))
    unknown = ~np.isfinite(now.log_evidence + now.score + gain)
    low, high = np.floor(low / block_sweeps) * block_sweeps, np.ceil(high / block_sweeps) * block_sweeps
    low, median, high, response = (np.where(unknown, np.nan, value) for value in (low, median, high, response))
    return Forecast(low, median, high, response)


def _quantiles(times: Floats, weights: Floats) -> tuple[Floats, Floats, Floats]:
    """Weighted quantiles RANGE over the last axis."""
    order = np.argsort(times, axis=-1, kind="stable")
    ordered = np.take_along_axis(times, order, -1)
    share = np.cumsum(np.take_along_axis(weights, order, -1), axis=-1)
    found = []
    for part in RANGE:
        at = np.minimum((share < part).sum(axis=-1), times.shape[-1] - 1)
        found.append(np.take_along_axis(ordered, at[..., np.newaxis], -1)[..., 0])
    return found[0], found[1], found[2]
