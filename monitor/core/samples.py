"""Engine input: channel layout and sample chunks, exactly as the stream delivered them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
PLAUSIBLE_UV = (0.01, 500.0)  # in-band RMS of EEG; own choice: a shorted input lies above, a loose electrode below


@dataclass(frozen=True)
class Layout:
    """Rows of a chunk that are EEG, the row that is the trigger, and the factor from stream units to microvolts.

    The first channel of ``eeg`` decides; the others are averaged as well.
    """

    rate_hz: float
    labels: tuple[str, ...]
    eeg: tuple[int, ...]
    trigger: int
    uv_per_unit: float = 1.0
    limit: float = math.inf  # largest magnitude, in stream units, that the format of the samples can hold

    def __post_init__(self) -> None:
        count = len(self.labels)
        if not (math.isfinite(self.rate_hz) and self.rate_hz > 0):
            raise ValueError(f"rate_hz = {self.rate_hz} is not a sampling rate: an EEG stream needs a regular rate above 0")
        if not self.eeg:
            raise ValueError("eeg names no channel: give at least one")
        for name, index in [*(("eeg", i) for i in self.eeg), ("trigger", self.trigger)]:
            if not 0 <= index < count:
                raise ValueError(f"{name} channel index {index} is outside this stream's {count} channels (0 to {count - 1})")
        if len(set(self.eeg)) < len(self.eeg):
            raise ValueError(f"eeg = {self.eeg} names a channel twice: give each channel once")
        if self.trigger in self.eeg:
            raise ValueError(f"channel {self.labels[self.trigger]!r} cannot be EEG and trigger at once: name two channels")
        if not (math.isfinite(self.uv_per_unit) and self.uv_per_unit > 0):
            raise ValueError(f"uv_per_unit = {self.uv_per_unit} must be a positive number of microvolts per stream unit")


@dataclass(frozen=True)
class Chunk:
    """A piece of the stream: samples (n_channels, n_samples) in the stream's own units and type, stamps (n_samples,) in s.

    Stamps are the sender's, unmodified; the engine counts samples and uses stamps only for rate, gaps and drift.
    """

    samples: NDArray[Any]
    stamps_s: Floats

    def __post_init__(self) -> None:
        if self.samples.ndim != 2 or self.stamps_s.shape != self.samples.shape[1:]:
            raise ValueError(
                f"a chunk holds samples (n_channels, n_samples) and one stamp a sample; got samples {self.samples.shape} "
                f"and stamps {self.stamps_s.shape}"
            )
