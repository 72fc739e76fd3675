"""When will the run decide? A range, from what is known at a look.

The evidence behaves like ``z^2 / 2 - cost``, where z is the signal-to-noise ratio of the best-fitting expected response in
the average and the cost (of not knowing which response, and how large) is read off the present look. In the future the
score ``z sqrt(W)`` drifts by the amplitude and diffuses by the noise as weight W comes in; the amplitude is known up to its
own uncertainty, shrunk towards 0 because the best of many candidates looks larger than it is. A second branch, weighted by
what the evidence leaves to it, has no response at all. A run ends at the first of evidence, noise floor and sweep limit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.special import ndtri

from .samples import Bools, Floats

PATHS, STEPS = 400, 40
PASSED = (np.arange(1, STEPS + 1) / STEPS) ** 2  # part of the sweeps that are left, at the end of each step
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

    def of(self, run: int) -> Outlook:
        """One run of the batch."""
        own = {name: getattr(self, name)[run] for name in ("log_evidence", "score", "weight", "presented")}
        return replace(self, **own)


@cache
def _paths() -> tuple[Floats, Floats]:
    """Standard normal numbers (PATHS,) and Brownian paths (PATHS, STEPS) at the times PASSED; antithetic, a fixed table.

    Hashed counters (the finaliser of splitmix64: Steele, Lea & Flood 2014) through the inverse of the normal distribution.
    """
    x = np.arange(1, PATHS // 2 * (STEPS + 1) + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    uniform = ((x ^ (x >> np.uint64(31))) >> np.uint64(11)).astype(np.float64) + 0.5
    half = ndtri(uniform / 2.0**53).reshape(PATHS // 2, STEPS + 1)
    normals = np.concatenate([half, -half])
    return normals[:, 0], np.cumsum(np.sqrt(np.diff(PASSED, prepend=0.0)) * normals[:, 1:], axis=-1)


def forecast(now: Outlook, block_sweeps: int) -> Forecast:
    """Propagate ``now`` along fixed paths; decisions fall on multiples of ``block_sweeps``."""
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = now.weight / now.presented
        left = np.maximum(now.max_sweeps - now.presented, 0.0)
        end = np.minimum(np.maximum((now.floor_weight - now.weight) / gain, 0.0), left)[..., np.newaxis]
    more = left * gain  # weight that is still to come
    cost = now.score**2 / 2 - now.log_evidence - SELECTION / 2
    start = np.sqrt(now.weight * np.maximum(now.score**2 - SELECTION, 0.0))
    needed = (now.log_needed + cost)[..., np.newaxis]
    weight = now.weight[..., np.newaxis] + more[..., np.newaxis] * PASSED
    bound = np.where(needed > 0, np.sqrt(2 * weight * np.maximum(needed, 0.0)), -np.inf)  # evidence as a score
    missing = (bound - start[..., np.newaxis])[..., np.newaxis, :]
    normals, walks = _paths()
    noise = np.sqrt(more)[..., np.newaxis, np.newaxis] * walks
    variance = 1.0 / (now.weight + 1.0 / AMPLITUDE_SD**2)
    mean, sd = (variance * start)[..., np.newaxis], np.sqrt(variance)[..., np.newaxis]
    amplitude = np.maximum(mean + sd * normals, 0.0)
    drift = (amplitude * more[..., np.newaxis])[..., np.newaxis] * PASSED
    middle = left[..., np.newaxis] * np.append((PASSED + np.append(0.0, PASSED[:-1])) / 2, 1.0)  # passed inside a step, or never
    times = np.concatenate([_first(noise + drift >= missing, middle), _first(noise >= missing, middle)], axis=-1)
    response = 1.0 / (1.0 + np.exp(-np.clip(now.log_evidence, -500, 500)))
    weights = np.repeat(np.stack([response, 1.0 - response], axis=-1) / PATHS, PATHS, axis=-1)
    low, median, high = _quantiles(np.minimum(times, end), weights)
    unknown = ~np.isfinite(now.log_evidence + now.score + gain)
    low, high = np.floor(low / block_sweeps) * block_sweeps, np.ceil(high / block_sweeps) * block_sweeps
    low, median, high, response = (np.where(unknown, np.nan, value) for value in (low, median, high, response))
    return Forecast(low, median, high, response)


def _first(reached: Bools, times: Floats) -> Floats:
    """Of each path (..., PATHS, STEPS) the time (..., STEPS + 1) of the first step at which it is there, else the last time."""
    at = reached.argmax(axis=-1)
    there = np.take_along_axis(reached, at[..., np.newaxis], axis=-1)[..., 0]
    return np.take_along_axis(times, np.where(there, at, reached.shape[-1]), axis=-1)


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
