"""One average for marking: its values, its noise, and smoothed curves with their slopes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy import ndimage

from quietfloor.monitor.core.samples import Floats
from quietfloor.monitor.waves.curve_noise import WaveNoise, noise_of

TOO_LOW_SD = 2.5  # own choice: a true top is so far below another point in 6 of 1000 cases
FAR_MS = 6.0  # noise of points farther apart is taken as that of points this far apart


@dataclass(frozen=True)
class Averages:
    """Averages of a run: the columns of ``average.csv`` (n_times,) on an even grid, residual noise and pass band."""

    times_ms: Floats
    average_uv: Floats
    a_uv: Floats
    b_uv: Floats
    plus_minus_uv: Floats
    residual_noise_nv: float
    band_hz: tuple[float, float]

    @classmethod
    def of_run(cls, columns: Mapping[str, Floats], record: Mapping[str, Any]) -> Averages:
        """Read from ``RunFolder.read_average`` and ``run.json``. Raises ValueError for a run that has no average."""
        noise, band = record.get("residual_noise_nv"), record.get("filter")
        if noise is None or band is None:
            raise ValueError("this run has no residual noise or no filter in its run.json: it ended before there was an average")
        low_hz, high_hz = band.get("low_hz"), band.get("high_hz")
        if low_hz is None or high_hz is None or not low_hz < high_hz:
            raise ValueError(f"filter.low_hz = {low_hz}, filter.high_hz = {high_hz} in its run.json are no band")
        return cls(
            columns["time_ms"], columns["average_uv"], columns["a_uv"], columns["b_uv"], columns["plus_minus_uv"],
            float(noise), (float(low_hz), float(high_hz)),
        )  # fmt: skip

    @cached_property
    def noise(self) -> WaveNoise:
        return noise_of(self.times_ms, self.a_uv, self.b_uv, self.plus_minus_uv, self.residual_noise_nv, self.band_hz)


@dataclass(frozen=True)
class Trace:
    """One average in nV on an even grid of times (n,) of at least 8 kHz, and the noise in it. Raises ValueError."""

    times_ms: Floats
    average_nv: Floats
    noise: WaveNoise

    def __post_init__(self) -> None:
        if self.times_ms.ndim != 1 or self.times_ms.shape != self.average_nv.shape or len(self.times_ms) < 16:
            raise ValueError(f"times {self.times_ms.shape}, average {self.average_nv.shape}: give rows of one length, 16 or more")
        if not 0 < self.step_ms <= 0.126:
            raise ValueError(f"times are {self.step_ms:g} ms apart: marks need an average at 8 kHz or more")
        if not (np.isfinite(self.average_nv).all() and self.noise.rms_nv > 0):
            raise ValueError("the average, or the noise left in it, is not known: there is nothing to mark")

    @classmethod
    def of(cls, averages: Averages) -> Trace:
        return cls(averages.times_ms, 1e3 * averages.average_uv, averages.noise)

    @property
    def step_ms(self) -> float:
        return float(self.times_ms[1] - self.times_ms[0])

    def at(self, ms: float) -> float:
        """Value of the average in nV at a time in ms."""
        return float(np.interp(ms, self.times_ms, self.average_nv))

    def place(self, ms: float) -> int:
        """Index of the sample nearest to a time in ms."""
        return int(np.clip(round((ms - float(self.times_ms[0])) / self.step_ms), 0, len(self.times_ms) - 1))


class Curve:
    """A trace smoothed by a Gaussian of SD ``smooth_ms``, with its slope; upside down (``sign`` -1) to find troughs."""

    def __init__(self, trace: Trace, smooth_ms: float, sign: float = 1.0) -> None:
        self.trace, self.smooth_ms, self.sign = trace, smooth_ms, sign
        points, raw = smooth_ms / trace.step_ms, sign * trace.average_nv
        self.values = np.asarray(ndimage.gaussian_filter1d(raw, points, mode="nearest", truncate=5.0), dtype=np.float64)
        slopes = ndimage.gaussian_filter1d(raw, points, order=1, mode="nearest", truncate=5.0)
        self.slopes = np.asarray(slopes / trace.step_ms, dtype=np.float64)  # nV/ms
        self.slope_sd = trace.noise.sd(smooth_ms, 1)

    def tops(self, low_ms: float, high_ms: float) -> list[int]:
        """Indices of the local maxima between two times in ms."""
        t, y = self.trace.times_ms, self.values
        found = np.flatnonzero((y[1:-1] > y[:-2]) & (y[1:-1] >= y[2:])) + 1
        return [int(k) for k in found if low_ms <= t[k] <= high_ms]

    def top_ms(self, k: int) -> float:
        """Time in ms at which the slope is 0, interpolated beside the maximum at index ``k``."""
        left = k if self.slopes[k] > 0 else k - 1
        return self._crossing(left, 0.0)

    def span_ms(self, k: int, sds: float) -> tuple[float, float]:
        """Interval in ms around the maximum ``k`` in which the slope differs from 0 by less than ``sds`` SDs of its noise.

        It ends at the latest where the curve is below the maximum by more than ``TOO_LOW_SD`` SDs of such a difference. It does
        not extend before 0 ms unless the maximum does, because no wave comes before its stimulus.
        """
        limit, count, top = sds * self.slope_sd, len(self.values), self.values[k]
        far = np.abs(np.arange(count) - k)
        low = self.values < top - TOO_LOW_SD * self._difference_sd[np.minimum(far, len(self._difference_sd) - 1)]
        before = np.flatnonzero((self.slopes[:k] >= limit) | low[:k])
        after = np.flatnonzero((self.slopes[k + 1 :] <= -limit) | low[k + 1 :])
        first = self._end(int(before[-1]), int(before[-1]), limit) if len(before) else float(self.trace.times_ms[0])
        last = self._end(k + int(after[0]), k + 1 + int(after[0]), -limit) if len(after) else float(self.trace.times_ms[-1])
        return min(max(first, 0.0), self.top_ms(k)), max(last, self.top_ms(k))

    @cached_property
    def _difference_sd(self) -> Floats:
        """SD in nV of the difference of two points, by their distance in samples, up to ``FAR_MS``."""
        lags = np.arange(0.0, FAR_MS, self.trace.step_ms)
        return self.trace.noise.difference_sd(lags, self.smooth_ms)

    def _end(self, k: int, outside: int, level: float) -> float:
        """Time in ms at which an interval ends: where the slope crosses its limit, else at the sample that is too low."""
        one, other = self.slopes[k], self.slopes[k + 1]
        return self._crossing(k, level) if min(one, other) <= level <= max(one, other) else float(self.trace.times_ms[outside])

    def _crossing(self, k: int, level: float) -> float:
        """Time in ms at which the slope passes ``level`` between samples k and k + 1."""
        one, other = self.slopes[k], self.slopes[k + 1]
        part = (one - level) / (one - other) if one != other else 0.5
        return float(self.trace.times_ms[k] + self.trace.step_ms * np.clip(part, 0.0, 1.0))
