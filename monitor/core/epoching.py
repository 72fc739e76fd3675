"""Cut sweeps out of the filtered stream, aligned to a fraction of a sample."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from .dots import correlate
from .filtering import Band
from .interpolation import interpolators
from .samples import Floats

PHASES = 256  # fractions of an analysis sample; the rounding error is below 0.5 us at 4 kHz
HALF = 16  # taps on either side of the interpolator
SHAPE = 6.0  # Kaiser beta


@dataclass(frozen=True)
class Epoch:
    """The part of the stream, around each onset, that makes a sweep.

    Times count from the moment the sound reaches the ear: ``delay_ms`` after the trigger (delay of the tube, plus the delay of
    the EEG after the trigger channel in the amplifier).
    """

    band: Band
    start_ms: float = -2.0
    stop_ms: float = 20.0
    delay_ms: float = 0.0

    def __post_init__(self) -> None:
        if not -200 <= self.start_ms < self.stop_ms <= 200:
            raise ValueError(f"epoch {self.start_ms:g} to {self.stop_ms:g} ms: begin before the end, both within -200 to 200 ms")
        if not 0 <= self.delay_ms <= 150:
            raise ValueError(f"delay_ms = {self.delay_ms:g} is outside 0 to 150: sound and amplifier delays only")

    @property
    def margin(self) -> int:
        """Points cut beyond either end of the epoch, so that an average can be interpolated up to its very ends."""
        return HALF

    @cached_property
    def n_times(self) -> int:
        """Points from ``start_ms`` to ``stop_ms`` plus a margin on either side."""
        return int(np.floor((self.stop_ms - self.start_ms) * 1e-3 * self.band.analysis_rate_hz + 1e-9)) + 1 + 2 * self.margin

    @cached_property
    def first_ms(self) -> float:
        """Time of the first point, margin included."""
        return self.start_ms - self.margin * 1e3 / self.band.analysis_rate_hz

    @cached_property
    def first_after(self) -> float:
        """Raw samples from the trigger to the first point."""
        return (self.first_ms + self.delay_ms) * 1e-3 * self.band.rate_hz

    @cached_property
    def kernels(self) -> Floats:
        """Interpolators (PHASES + 1, 2 HALF): row p gives the value at p / PHASES of a sample after the middle."""
        return interpolators(HALF, PHASES, SHAPE)

    def plan(self, position: float, origin: int) -> Cut:
        """The cut of the sweep whose onset is at raw ``position``; ``origin`` is the raw sample of filtered output 0."""
        step = self.band.step
        at = (position + self.first_after - origin) / step
        whole = math.floor(at)
        phase = round((at - whole) * PHASES)
        first = whole - HALF + 1
        last = whole + self.n_times - 1 + HALF
        reach = self.band.reach
        return Cut(first, last + 1, phase, origin + first * step - reach, origin + last * step + reach)

    def read(self, outputs: Floats, phase: int) -> Floats:
        """Interpolate filtered samples (n_channels, stop - first) of a cut to the sweep (n_channels, n_times)."""
        return correlate(outputs, self.kernels[phase])

    def later(self, signal: Floats, after_points: float) -> Floats:
        """The sweep (n_channels, n_times) that begins ``after_points`` (a fraction too) after the first point of a longer one
        (n_channels, n).

        ``signal`` has at least HALF points before and after the sweep.
        """
        whole = math.floor(after_points)
        phase = round((after_points - whole) * PHASES)
        first = whole - HALF + 1
        return self.read(signal[:, first : first + self.n_times + 2 * HALF - 1], phase)


class Cut(NamedTuple):
    """Filtered outputs ``first`` to ``stop`` (counted since the segment began), and the first and last raw sample from which they
    are computed."""

    first: int
    stop: int
    phase: int
    raw_first: int
    ready: int
