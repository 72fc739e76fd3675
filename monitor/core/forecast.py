"""Forecast of the time at which a run will decide, as a range, from the present look.

The evidence behaves like ``z^2 / 2 - cost``. Here z is the signal-to-noise ratio of the expected response that fits the average
best, and the cost is the price of not knowing shape and size of the response; it is taken from the present look. As weight W is
added, the score ``z sqrt(W)`` drifts with the amplitude and diffuses with the noise. The amplitude is uncertain; it is shrunk
towards 0, because the best of many candidates looks larger than it is. A second branch has no response at all; the evidence gives
the weights of the two branches. A run ends at the first of evidence, noise floor and sweep limit; after a response it may go on
to a quieter average. The time at which the noise is low enough is as uncertain as the weights of the units so far vary.
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
    """Presented sweeps from now until the decision, 10 %, 50 % and 90 % points, each (...,) over a batch; nan if unknown."""

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
    """How steady the noise is: the uncertainty of future weights, from the weights of a batch of runs, fed unit by unit."""

    def __init__(self, batch: tuple[int, ...]) -> None:
        self._units = 0
        self._before = np.zeros(batch)
        self._sum, self._square, self._product = np.zeros(batch), np.zeros(batch), np.zeros(batch)

    def update(self, weight: Floats) -> None:
        """Add the weight (...,) of the next unit."""
        self._units += 1
        self._sum = self._sum + weight
        self._square = self._square + weight**2
        self._product = self._product + weight * self._before
        self._before = weight

    def spread(self) -> Floats:
        """SD of unit weights relative to their mean (...,); the relative SD of the mean of n units is this value over sqrt(n).

        Correlated neighbours count as fewer units: by the factor (1 + r) / (1 - r), where r is their correlation (first-order
        autoregressive process; from memory).
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = self._sum / self._units
            variance = np.maximum(self._square / self._units / mean**2 - 1.0, 0.0)
            alike = np.clip((self._product / max(self._units - 1, 1) / mean**2 - 1.0) / variance, 0.0, MOST_ALIKE)
            return np.asarray(np.where(variance > 0, np.sqrt(variance * (1.0 + alike) / (1.0 - alike)), 0.0))


@cache
def _paths() -> tuple[Floats, Floats]:
    """Standard normal numbers (PATHS,) and Brownian paths (PATHS, STEPS + 1) at the times TIMES: antithetic, a fixed table.

    They are hashed counters (the finaliser of splitmix64: Steele, Lea & Flood 2014), transformed by the inverse normal
    distribution.
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
    """The time at which the average has the weight ``weight``: sweeps (...,) from now, and the SD of their logarithm.

    Future sweeps are assumed to weigh as much as those before; the spread of the unit weights gives the uncertainty of both
    means.
    """

    sweeps: Floats
    sd: Floats

    @classmethod
    def of(cls, now: ForecastInput, weight: Floats, gain: Floats) -> _Reached:
        sweeps = np.maximum((weight - now.weight) / gain, 0.0)
        sd = now.spread * np.sqrt(UNIT_SWEEPS * (1.0 / now.presented + 1.0 / np.maximum(sweeps, UNIT_SWEEPS)))
        return cls(sweeps, np.maximum(sd, LEAST_SD))

    def around(self, left: Floats) -> Floats:
        """Times (..., k) near which ``chance`` changes, none after ``left``."""
        return np.minimum(self.sweeps[..., np.newaxis] * np.exp(self.sd[..., np.newaxis] * AROUND), left[..., np.newaxis])

    def chance(self, times: Floats) -> Floats:
        """Probability (..., n) that the weight is reached within ``times`` (..., n) sweeps."""
        with np.errstate(divide="ignore", invalid="ignore"):
            late = (np.log(times) - np.log(self.sweeps[..., np.newaxis])) / self.sd[..., np.newaxis]
        return np.where(self.sweeps[..., np.newaxis] > 0, ndtr(late), 1.0)


def _found(now: ForecastInput, left: Floats, gain: Floats) -> Floats:
    """Probability (..., STEPS) that a response is found by the end of each step; the steps divide the ``left`` (...,) remaining
    sweeps."""
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
    """Share (..., STEPS) of the paths (..., PATHS, STEPS + 1) that exceeded their bound ``missing`` (..., STEPS + 1) by the end
    of each step. Every path exceeds the last bound."""
    first = (paths >= missing[..., np.newaxis, :]).argmax(axis=-1).reshape(-1, PATHS)
    places = first + (STEPS + 1) * np.arange(len(first))[:, np.newaxis]
    counts = np.bincount(places.ravel(), minlength=len(first) * (STEPS + 1)).reshape(missing.shape)
    return np.asarray(np.cumsum(counts[..., :-1], axis=-1) / PATHS)


def _blocks(low: Floats, high: Floats, sweeps: int) -> tuple[Floats, Floats]:
    """Round a range of times to ends of blocks, because runs end there; a range longer than one block keeps its mean length."""
    near = np.where(high - low < sweeps, np.ceil(low / sweeps), np.round(low / sweeps) + 1.0)
    far = np.maximum(np.where(high - low < sweeps, np.ceil(high / sweeps), np.round(high / sweeps)), 1.0)
    return np.minimum(near, far) * sweeps, far * sweeps


def _interpolated(chance: Floats, times: Floats, left: Floats) -> Floats:
    """``chance`` (..., STEPS) at the ends of the steps, interpolated at the times ``times`` (..., n)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        place = STEPS * np.sqrt(np.nan_to_num(times / left[..., np.newaxis], nan=1.0))
    known = np.concatenate([np.zeros_like(chance[..., :1]), chance], axis=-1)
    before = np.clip(np.floor(place), 0, STEPS - 1).astype(np.int_)
    one, other = (np.take_along_axis(known, before + after, axis=-1) for after in (0, 1))
    return np.asarray(one + (other - one) * (place - before))


def _quantiles(chance: Floats, times: Floats, left: Floats) -> Floats:
    """Sweeps (..., 3) until the probability ``chance`` (..., n) of an end reaches each value of RANGE, at most ``left``."""
    chance = np.concatenate([np.zeros_like(chance[..., :1]), chance], axis=-1)
    times = np.concatenate([np.zeros_like(times[..., :1]), times], axis=-1)
    after = (chance[..., np.newaxis, :] < RANGE[:, np.newaxis]).sum(axis=-1)
    ends = np.clip(after, 1, times.shape[-1] - 1)
    (p, q), (t, u) = ([np.take_along_axis(values, ends - back, axis=-1) for back in (1, 0)] for values in (chance, times))
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.nan_to_num((RANGE - p) / (q - p), nan=1.0)
    return np.where(after < times.shape[-1], t + (u - t) * np.clip(part, 0.0, 1.0), left[..., np.newaxis])
