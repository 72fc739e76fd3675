"""When will the run decide? A range, from what is known at a look.

The evidence behaves like ``z^2 / 2 - cost``, where z is the signal-to-noise ratio of the best-fitting expected response in
the average and the cost (of not knowing which response, and how large) is read off the present look. In the future the
score ``z sqrt(W)`` drifts by the amplitude and diffuses by the noise as weight W comes in; the amplitude is known up to its
own uncertainty, shrunk towards 0 because the best of many candidates looks larger than it is. A second branch, weighted by
what the evidence leaves to it, has no response at all. A run ends at the first of evidence, noise floor and sweep limit;
a response may wait for a quieter average. When an average is so quiet is known as far as the units so far weigh the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from scipy.special import ndtr, ndtri

from .averaging import UNIT_SWEEPS
from .samples import Bools, Floats

PATHS, STEPS = 400, 40
PASSED = (np.arange(1, STEPS + 1) / STEPS) ** 2  # part of the sweeps that are left, at the end of each step
TIMES = np.append(PASSED, 1.0)  # the last of them stands for never
LEAST_SD = 1e-4  # of the logarithm of a time: so that no jump falls between two points of a curve
# Logarithm of the time until the upper limit is small enough, over what its fall with the noise says: mean and SD. It wanders and
# ends the run at its lowest. From 80 runs without and 80 with 40 nV, limits of 60 to 150 nV, at 512 to 1,536 sweeps.
LIMIT_SOONER, LIMIT_SD = -0.2, 0.45
MOST_ALIKE = 0.95  # correlation of neighbouring units: noise that lasts longer is not learned within a run
AROUND = np.linspace(-3.0, 3.0, 25)  # SDs
SELECTION = 1.7  # squared score that noise alone adds by choosing the best candidate; set so that the range covers 80 %
BEHIND = 1.0  # natural logarithm: odds of a response over the evidence, a bet that grows more slowly; set in the same way
AMPLITUDE_SD = 0.25  # prior of the amplitude, score per square root of weight in 1/uV: 0.2 is 300 nV in EEG-like noise
RANGE = np.array([0.1, 0.5, 0.9])


@dataclass(frozen=True)
class Forecast:
    """All (...,) over a batch: presented sweeps from now until the decision, 10 %, 50 % and 90 % points; nan if unknown."""

    sweeps_low: Floats
    sweeps_median: Floats
    sweeps_high: Floats
    response_probability: Floats  # that the run will end with a response, given a half-and-half expectation before it
    limit_probability: Floats  # that the sweeps run out first


@dataclass(frozen=True)
class ForecastInput:
    """The state of a run that a forecast starts from, each field (...,) over a batch."""

    log_evidence: Floats  # natural logarithm
    score: Floats  # z of the best-fitting expected response
    weight: Floats  # of the average, 1/uV2
    presented: Floats  # sweeps
    spread: Floats  # SD of the weight of a unit, as a part of its mean, see ``Steadiness``
    absent_weight: Floats  # at which the noise floor ends the run without a response; infinite where it cannot
    log_needed: float  # natural logarithm of 1 / alpha
    max_sweeps: float
    quiet_weight: Floats = field(default_factory=lambda: np.zeros(()))  # for which a response that was found waits
    limit_weight: Floats = field(default_factory=lambda: np.full((), np.inf))  # as absent_weight, by the upper limit as it is now
    found: Bools = field(default_factory=lambda: np.zeros((), dtype=bool))  # where it was found already

    def of(self, run: int) -> ForecastInput:
        """One run of the batch."""
        return replace(self, **{name: value[run] for name, value in vars(self).items() if np.ndim(value)})


class Steadiness:
    """How steady the noise is: what the weights of a batch of runs, fed unit by unit, tell about the sum of those to come."""

    def __init__(self, batch: tuple[int, ...]) -> None:
        self._units = 0
        self._before = np.zeros(batch)
        self._sum, self._square, self._product = np.zeros(batch), np.zeros(batch), np.zeros(batch)

    def update(self, weight: Floats) -> None:
        """The weight (...,) of the next unit."""
        self._units += 1
        self._sum = self._sum + weight
        self._square = self._square + weight**2
        self._product = self._product + weight * self._before
        self._before = weight

    def spread(self) -> Floats:
        """SD of unit weights as a part of their mean (...,), such that that of the mean of n is this over sqrt(n).

        Neighbours that are alike count as fewer: by (1 + r) / (1 - r) where r is their correlation (of a process that forgets at
        a constant rate; from memory).
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = self._sum / self._units
            variance = np.maximum(self._square / self._units / mean**2 - 1.0, 0.0)
            alike = np.clip((self._product / max(self._units - 1, 1) / mean**2 - 1.0) / variance, 0.0, MOST_ALIKE)
            return np.asarray(np.where(variance > 0, np.sqrt(variance * (1.0 + alike) / (1.0 - alike)), 0.0))


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


def forecast(now: ForecastInput, block_sweeps: int) -> Forecast:
    """Propagate ``now`` along fixed paths; decisions fall on multiples of ``block_sweeps``."""
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = now.weight / now.presented
        left = np.maximum(np.floor((now.max_sweeps - now.presented) / block_sweeps), 0.0) * block_sweeps
        weights = (now.absent_weight, now.quiet_weight, now.limit_weight)
        absent, quiet, small = (_Reached.of(now, weight, gain) for weight in weights)
        small = _Reached(small.sweeps * np.exp(LIMIT_SOONER), np.hypot(small.sd, LIMIT_SD))
    found = _found(now, left, gain)
    steps = (left[..., np.newaxis] * PASSED, *(each.around(left) for each in (absent, quiet, small)))
    times = np.sort(np.concatenate(steps, axis=-1), axis=-1)
    by_then = np.where(now.found[..., np.newaxis], 1.0, _interpolated(found, times, left))
    lasts = (1.0 - absent.chance(times)) * (1.0 - small.chance(times))
    ended = by_then * quiet.chance(times) + (1.0 - by_then) * (1.0 - lasts)
    low, median, high = np.moveaxis(_quantiles(ended, times, left), -1, 0)
    low, high = _blocks(low, high, block_sweeps)
    response = np.where(now.found, 1.0, _sigmoid(now.log_evidence))
    unknown = ~np.isfinite(now.log_evidence + now.score + gain)
    return Forecast(*(np.where(unknown, np.nan, value) for value in (low, median, high, response, 1.0 - ended[..., -1])))


@dataclass(frozen=True)
class _Reached:
    """When the average is as quiet as ``weight`` says: sweeps (...,) from now, and the SD of their logarithm.

    Sweeps to come weigh as much as those before; how far both means may be off is told by how much the weights of units differ.
    """

    sweeps: Floats
    sd: Floats

    @classmethod
    def of(cls, now: ForecastInput, weight: Floats, gain: Floats) -> _Reached:
        sweeps = np.maximum((weight - now.weight) / gain, 0.0)
        sd = now.spread * np.sqrt(UNIT_SWEEPS * (1.0 / now.presented + 1.0 / np.maximum(sweeps, UNIT_SWEEPS)))
        return cls(sweeps, np.maximum(sd, LEAST_SD))

    def around(self, left: Floats) -> Floats:
        """Times (..., k) at which ``chance`` changes, none after ``left``."""
        return np.minimum(self.sweeps[..., np.newaxis] * np.exp(self.sd[..., np.newaxis] * AROUND), left[..., np.newaxis])

    def chance(self, times: Floats) -> Floats:
        """Probability (..., n) that it is so quiet after ``times`` (..., n) sweeps."""
        with np.errstate(divide="ignore", invalid="ignore"):
            late = (np.log(times) - np.log(self.sweeps[..., np.newaxis])) / self.sd[..., np.newaxis]
        return np.where(self.sweeps[..., np.newaxis] > 0, ndtr(late), 1.0)


def _found(now: ForecastInput, left: Floats, gain: Floats) -> Floats:
    """Probability (..., STEPS) that a response is found within each step of the sweeps that are ``left`` (...,), or before."""
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
    response = _sigmoid(now.log_evidence + BEHIND)[..., np.newaxis]
    driven = drift[..., np.newaxis] * TIMES
    driven += walks
    return np.asarray(response * _passed(driven, missing) + (1.0 - response) * _passed(walks, missing))


def _sigmoid(log_odds: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(log_odds, -500, 500))))


def _passed(paths: Floats, missing: Floats) -> Floats:
    """Share (..., STEPS) of the paths (..., PATHS, STEPS + 1) that were beyond their bound ``missing`` (..., STEPS + 1), up to
    each step. Every path is beyond the last bound."""
    first = (paths >= missing[..., np.newaxis, :]).argmax(axis=-1).reshape(-1, PATHS)
    places = first + (STEPS + 1) * np.arange(len(first))[:, np.newaxis]
    counts = np.bincount(places.ravel(), minlength=len(first) * (STEPS + 1)).reshape(missing.shape)
    return np.asarray(np.cumsum(counts[..., :-1], axis=-1) / PATHS)


def _blocks(low: Floats, high: Floats, sweeps: int) -> tuple[Floats, Floats]:
    """A range of times as one of blocks, at whose ends runs end; if it is longer than one, as long on average as before."""
    near = np.where(high - low < sweeps, np.ceil(low / sweeps), np.round(low / sweeps) + 1.0)
    far = np.maximum(np.where(high - low < sweeps, np.ceil(high / sweeps), np.round(high / sweeps)), 1.0)
    return np.minimum(near, far) * sweeps, far * sweeps


def _interpolated(chance: Floats, times: Floats, left: Floats) -> Floats:
    """``chance`` (..., STEPS) by the ends of the steps, at any ``times`` (..., n)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        place = STEPS * np.sqrt(np.nan_to_num(times / left[..., np.newaxis], nan=1.0))
    known = np.concatenate([np.zeros_like(chance[..., :1]), chance], axis=-1)
    before = np.clip(np.floor(place), 0, STEPS - 1).astype(np.int_)
    one, other = (np.take_along_axis(known, before + after, axis=-1) for after in (0, 1))
    return np.asarray(one + (other - one) * (place - before))


def _quantiles(chance: Floats, times: Floats, left: Floats) -> Floats:
    """Sweeps (..., 3) until the chance (..., n) of an end reaches each of RANGE, ``left`` at most."""
    chance = np.concatenate([np.zeros_like(chance[..., :1]), chance], axis=-1)
    times = np.concatenate([np.zeros_like(times[..., :1]), times], axis=-1)
    after = (chance[..., np.newaxis, :] < RANGE[:, np.newaxis]).sum(axis=-1)
    ends = np.clip(after, 1, times.shape[-1] - 1)
    (p, q), (t, u) = ([np.take_along_axis(values, ends - back, axis=-1) for back in (1, 0)] for values in (chance, times))
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.nan_to_num((RANGE - p) / (q - p), nan=1.0)
    return np.where(after < times.shape[-1], t + (u - t) * np.clip(part, 0.0, 1.0), left[..., np.newaxis])
