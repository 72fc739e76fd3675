"""Use of an earlier run of the same ear for the first bets of the next run.

Bets may depend on anything that happened before, so they stay valid. Only the time until a response is found depends on how
similar it is to the earlier one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, logsumexp

from .samples import Floats
from .spread import Spread

# Own choice, all of it; what it is worth is measured by `python -m quietfloor.bench.validate.after_earlier`.
SIZE_SD = 0.25  # prior of a response's size, score per square root of weight in 1/uV: 0.2 is about 300 nV in EEG
CHANGE = 0.25  # SD of the size now, as a part of what it was: the level may be another
LOG_SHARES = np.log([0.2, 0.1, 0.7])  # of the capital: all responses, the learned direction, those that are expected
_NODES, _LOG_NODE = np.array([-math.sqrt(3.0), 0.0, math.sqrt(3.0)]), np.log([1 / 6, 2 / 3, 1 / 6])  # Gauss-Hermite, three points


@dataclass(frozen=True)
class Earlier:
    """Average of an earlier run in uV, from ``begin_ms`` after the stimulus in steps of ``step_ms``, and its residual noise
    (RMS).

    ``later_ms``: expected shift of the response in this run, in ms. Raises ValueError.
    """

    average_uv: tuple[float, ...]
    begin_ms: float
    step_ms: float
    noise_uv: float
    later_ms: float = 0.0

    def __post_init__(self) -> None:
        if not all(math.isfinite(value) for value in self.average_uv) or len(self.average_uv) < 2:
            raise ValueError("average_uv: give at least two finite values in uV")
        if not (0 < self.step_ms < math.inf and 0 < self.noise_uv < math.inf):
            raise ValueError(f"step_ms = {self.step_ms:g}, noise_uv = {self.noise_uv:g}: both must be above 0 and finite")

    @property
    def weight(self) -> float:
        """Weight of the average, 1/uV2."""
        return self.noise_uv**-2

    def at(self, times_ms: Floats) -> Floats:
        """The average (n,) in uV, shifted to the expected latency; 0 outside of what was recorded."""
        own_ms = self.begin_ms + self.later_ms + self.step_ms * np.arange(len(self.average_uv))
        return np.asarray(np.interp(times_ms, own_ms, self.average_uv, left=0.0, right=0.0))


class ExpectedBets:
    """Capital on the responses of a bank, each with a probability and three sizes from the earlier run."""

    def __init__(self, bank: Floats, inverse: Floats, average_uv: Floats, weight: Floats) -> None:
        """``bank`` (n_directions, n_points), ``inverse`` (..., n_points, n_points) of the noise shape; the earlier average (...,
        n_points) in uV and its weight (...,) in 1/uV2."""
        filters = bank @ inverse
        self._filters = filters / np.sqrt((filters * bank).sum(axis=-1))[..., np.newaxis]
        scale = np.sqrt(weight)[..., np.newaxis]
        scores = scale * (self._filters @ average_uv[..., np.newaxis])[..., 0]
        variance = 1.0 / (scale**2 + SIZE_SD**-2)  # a normal prior of responses that are not upside down
        mean = variance * scale * scores
        logs = 0.5 * mean**2 / variance + log_ndtr(mean / np.sqrt(variance))
        spread = np.sqrt(variance + (CHANGE * mean) ** 2)
        self._sizes = np.maximum(mean[..., np.newaxis] + spread[..., np.newaxis] * _NODES, 0.0)
        self._logs = (logs - logsumexp(logs, axis=-1, keepdims=True))[..., np.newaxis] + _LOG_NODE
        self._spread = Spread(scores.shape)

    def update(self, mean_uv: Floats, scale: Floats) -> None:
        """Take the next block: its mean over the window points (..., n_points) in uV, and the square root of its weight
        (...,)."""
        scores = scale[..., np.newaxis] * (self._filters @ mean_uv[..., np.newaxis])[..., 0]
        calm = self._spread.standardise(scores)
        likely = self._sizes * (scale[..., np.newaxis] * calm)[..., np.newaxis]
        self._logs = self._logs + (math.log(2.0) - np.logaddexp(0.0, -2.0 * likely))  # log(1 + tanh)

    def log_capital(self) -> Floats:
        """Natural logarithm of the capital (...,)."""
        return np.asarray(logsumexp(self._logs, axis=(-2, -1)))
