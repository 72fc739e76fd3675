"""When will the run decide? A range, from what is known at a look.

The evidence behaves like ``z^2 / 2 - cost``, where z is the signal-to-noise ratio of the best-fitting expected response in
the average and the cost (of not knowing which response, and how large) is read off the present look. In the future the
score ``z sqrt(W)`` drifts by the amplitude and diffuses by the noise as weight W comes in; the amplitude is known up to its
own uncertainty, shrunk towards 0 because the best of many candidates looks larger than it is. A second branch, weighted by
what the evidence leaves to it, has no response at all. A run ends at the first of evidence, noise floor and sweep limit;
a response may wait for a quieter average.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from scipy.special import ndtri

from .samples import Bools, Floats

PATHS, STEPS = 400, 40
PASSED = (np.arange(1, STEPS + 1) / STEPS) ** 2  # part of the sweeps that are left, at the end of each step
TIMES = np.append(PASSED, 1.0)  # the last of them stands for never
MIDDLE = np.append((PASSED + np.append(0.0, PASSED[:-1])) / 2, 1.0)  # passed somewhere inside a step, or never
SELECTION = 1.7  # squared score that noise alone adds by choosing the best candidate; set so that the range covers 80 %
AMPLITUDE_SD = 0.25  # prior of the amplitude, score per square root of weight in 1/uV: 0.2 is 300 nV in EEG-like noise
RANGE = np.array([0.1, 0.5, 0.9])


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
    floor_weight: Floats  # weight at which a missing response is believed
    log_needed: float  # natural logarithm of 1 / alpha
    max_sweeps: float
    quiet_weight: float = 0.0  # weight for which a response that was found waits; not above that of the noise floor
    found: Bools = field(default_factory=lambda: np.zeros((), dtype=bool))  # where it was found already

    def of(self, run: int) -> Outlook:
        """One run of the batch."""
        own = {name: getattr(self, name)[run] for name in ("log_evidence", "score", "weight", "presented", "floor_weight")}
        return replace(self, **own, found=self.found[run] if self.found.ndim else self.found)


@cache
def _paths() -> tuple[Floats, Floats]:
    """Standard normal numbers (PATHS,) and Brownian paths (PATHS, STEPS + 1) at the times TIMES; antithetic, a fixed table.

    Hashed counters (the finaliser of splitmix64: Steele, Lea & Flood 2014) through the inverse of the normal distribution.
    """
    x = np.arange(1, PATHS // 2 * (STEPS + 1) + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    uniform = ((x ^ (x >> np.uint64(31))) >> np.uint64(11)).astype(np.float64) + 0.5
    half = ndtri(uniform / 2.0**53).reshape(PATHS // 2, STEPS + 1)
    normals = np.concatenate([half, -half])
    walks = np.cumsum(np.sqrt(np.diff(PASSED, prepend=0.0)) * normals[:, 1:], axis=-1)
    return normals[:, 0], np.append(walks, walks[:, -1:], axis=-1)


def forecast(now: Outlook, block_sweeps: int) -> Forecast:
    """Propagate ``now`` along fixed paths; decisions fall on multiples of ``block_sweeps``."""
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = now.weight / now.presented
        left = np.maximum(now.max_sweeps - now.presented, 0.0)
        end = np.minimum(np.maximum((now.floor_weight - now.weight) / gain, 0.0), left)
        quiet = np.minimum(np.maximum((now.quiet_weight - now.weight) / gain, 0.0), left)
    more = left * gain  # weight that is still to come
    cost = now.score**2 / 2 - now.log_evidence - SELECTION / 2
    start = np.sqrt(now.weight * np.maximum(now.score**2 - SELECTION, 0.0))
    needed = (now.log_needed + cost)[..., np.newaxis]
    weight = now.weight[..., np.newaxis] + more[..., np.newaxis] * TIMES
    bound = np.where(needed > 0, np.sqrt(2 * weight * np.maximum(needed, 0.0)), -np.inf)  # evidence as a score
    diffusion = np.sqrt(more)[..., np.newaxis]
    with np.errstate(divide="ignore", invalid="ignore"):
        missing = (bound - start[..., np.newaxis]) / diffusion
    missing[..., -1] = -np.inf
    normals, walks = _paths()
    variance = 1.0 / (now.weight + 1.0 / AMPLITUDE_SD**2)
    mean, sd = (variance * start)[..., np.newaxis], np.sqrt(variance)[..., np.newaxis]
    drift = np.maximum(mean + sd * normals, 0.0) * diffusion
    response = 1.0 / (1.0 + np.exp(-np.clip(now.log_evidence, -500, 500)))
    driven = drift[..., np.newaxis] * TIMES
    driven += walks
    chance = response[..., np.newaxis] * _passed(driven, missing)
    chance += (1.0 - response)[..., np.newaxis] * _passed(walks, missing)
    later = np.maximum(_quantiles(chance, left, end), quiet[..., np.newaxis])
    later = np.where(now.found[..., np.newaxis], quiet[..., np.newaxis], later)
    unknown = ~np.isfinite(now.log_evidence + now.score + gain)
    later[unknown] = np.nan
    low, high = np.floor(later[..., 0] / block_sweeps) * block_sweeps, np.ceil(later[..., 2] / block_sweeps) * block_sweeps
    return Forecast(low, later[..., 1], high, np.where(unknown, np.nan, np.where(now.found, 1.0, response)))


def _passed(paths: Floats, missing: Floats) -> Floats:
    """Share (..., STEPS) of the paths (..., PATHS, STEPS + 1) that were beyond their bound ``missing`` (..., STEPS + 1), up to
    each step. Every path is beyond the last bound."""
    first = (paths >= missing[..., np.newaxis, :]).argmax(axis=-1).reshape(-1, PATHS)
    places = first + (STEPS + 1) * np.arange(len(first))[:, np.newaxis]
    counts = np.bincount(places.ravel(), minlength=len(first) * (STEPS + 1)).reshape(missing.shape)
    return np.asarray(np.cumsum(counts[..., :-1], axis=-1) / PATHS)


def _quantiles(chance: Floats, left: Floats, end: Floats) -> Floats:
    """Sweeps (..., 3) until the chance (..., STEPS) of a decision reaches each of RANGE: middle of a step, ``end`` at most."""
    step = (chance[..., np.newaxis, :] < RANGE[:, np.newaxis]).sum(axis=-1)
    return np.asarray(np.minimum(left[..., np.newaxis] * MIDDLE[step], end[..., np.newaxis]))
