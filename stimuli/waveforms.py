"""The sounds themselves: pure arrays, one table. A new stimulus is one function and one line in `WAVEFORMS`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Waveform:
    """One stimulus in its condensation form, largest magnitude 1.

    samples (n,) float64, no unit: multiplied by a gain from `levels` before it is played.
    time_zero_s: the moment, counted from the first sample, that latencies refer to (a click: its start).
    frequency_hz: of a tone burst, or the centre of an octave chirp; None for a sound without one (click, chirp).
    Raises ValueError when samples are empty, not finite, silent, or larger than 1.
    """

    name: str
    samples: NDArray[np.float64]
    rate_hz: float
    time_zero_s: float = 0.0
    frequency_hz: float | None = None

    def __post_init__(self) -> None:
        samples = np.array(self.samples, dtype=np.float64)
        if samples.ndim != 1 or samples.size == 0 or not np.all(np.isfinite(samples)):
            raise ValueError(f"waveform {self.name!r}: samples have shape {samples.shape}; give a finite, non-empty 1-D array")
        if not 0.0 < np.abs(samples).max() <= 1.0:
            raise ValueError(f"waveform {self.name!r}: largest magnitude {np.abs(samples).max():g}; scale it to 1")
        if not (np.isfinite(self.rate_hz) and self.rate_hz > 0):
            raise ValueError(f"waveform {self.name!r}: rate_hz = {self.rate_hz}; it must be above 0")
        if self.frequency_hz is not None and not 0 < self.frequency_hz < self.rate_hz / 2:
            raise ValueError(
                f"waveform {self.name!r}: frequency_hz = {self.frequency_hz}; allowed is above 0, below half the rate "
                f"({self.rate_hz / 2:g} Hz)"
            )
        samples.setflags(write=False)
        object.__setattr__(self, "samples", samples)

    @cached_property
    def peak_to_peak(self) -> float:
        """Largest minus smallest value, the silence before and after included: 1 for a click, up to 2 for a tone burst."""
        return float(max(self.samples.max(), 0.0) - min(self.samples.min(), 0.0))


def click(rate_hz: float, duration_us: float = 100.0) -> Waveform:
    """One rectangular pulse of `duration_us` (100 us: IEC 60645-3, from memory).

    The duration is seldom a whole number of samples (4.8 at 48 kHz). The last sample then carries the remainder, so that the
    area is exact: 48 kHz gives 1, 1, 1, 1, 0.8. The spectrum follows the ideal pulse within 0.2 dB up to 4 kHz at that rate.
    What leaves the converter is this pulse after the converter's own low-pass filter: levels are measured at the earphone, not
    computed from samples.
    """
    length = rate_hz * duration_us * 1e-6
    if not (np.isfinite(length) and length >= 1.0):
        raise ValueError(
            f"a click of {duration_us} us is {length:g} samples at {rate_hz} Hz; it needs at least one: "
            f"raise the rate to {1e6 / duration_us:g} Hz or more"
            if duration_us > 0
            else f"duration_us = {duration_us}; it must be above 0"
        )
    whole = int(np.floor(length + 1e-9))
    remainder = length - whole
    samples = np.ones(whole + (remainder > 1e-9))
    if remainder > 1e-9:
        samples[-1] = remainder
    return Waveform("click", samples, rate_hz)


WAVEFORMS: dict[str, Callable[[float], Waveform]] = {"click": click}


def is_registered(waveform: Waveform) -> bool:
    """Whether the samples are those that `WAVEFORMS` makes under this name: a name alone proves nothing."""
    make = WAVEFORMS.get(waveform.name)
    return make is not None and np.array_equal(make(waveform.rate_hz).samples, waveform.samples)
