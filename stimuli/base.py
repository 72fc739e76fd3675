"""The waveform of one stimulus: samples in condensation form, and the time zero from which latencies count."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

SILENCE = 64  # samples on either side, over which a band-limited curve dies away
OVERSAMPLING = 8  # a sine read at 8 times 2.5 points a period is at most 0.2 % below its peak


@dataclass(frozen=True, eq=False)
class Waveform:
    """One stimulus in its condensation form, largest magnitude 1.

    name: the kind (click, tone-burst, chirp, octave-chirp), or "custom" with the SHA-256 of the file.
    samples (n,) float64, no unit: multiplied by a gain from `levels` before it is played.
    time_zero_s: the moment, counted from the first sample, that latencies refer to; `time_zero_is` says it in words.
    frequency_hz: of a tone burst, or the centre of an octave chirp; None for a sound without one (click, chirp).
    smooth: the sound is the band-limited curve through its samples (tone bursts, chirps), and its largest magnitude is that of
    the curve, which may lie between two samples. A click is what its samples say.
    Raises ValueError when samples are empty, not finite, silent, or larger than 1.
    """

    name: str
    samples: NDArray[np.float64]
    rate_hz: float
    time_zero_s: float = 0.0
    frequency_hz: float | None = None
    smooth: bool = False
    time_zero_is: str = "its start"

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

    @property
    def duration_s(self) -> float:
        return self.samples.size / self.rate_hz

    @cached_property
    def overshoot_db(self) -> float:
        """How much more peak to peak the band-limited curve through the samples has, as a converter makes it, than `peak_to_peak`
        says: 0 for a smooth sound, about 2 dB for a click. What was measured acoustically has it in it."""
        if self.smooth:
            return 0.0
        curve = between_samples(np.pad(self.samples, SILENCE))
        return max(0.0, 20.0 * float(np.log10((max(curve.max(), 0.0) - min(curve.min(), 0.0)) / self.peak_to_peak)))

    @cached_property
    def peak_to_peak(self) -> float:
        """Largest minus smallest value, counting the silence (0) before and after: 1 for a click, up to 2 for a tone burst."""
        values = between_samples(self.samples) if self.smooth else self.samples
        return float(max(values.max(), 0.0) - min(values.min(), 0.0))


def between_samples(samples: NDArray[np.float64], factor: int = OVERSAMPLING) -> NDArray[np.float64]:
    """The band-limited curve through samples (n,), read at `factor` times their rate: (factor n,). The sound is silent before and
    after."""
    from scipy.signal import resample  # takes longer to load than the rest of the program

    margin = SILENCE + samples.size // 8
    long = 1 << int(np.ceil(np.log2(samples.size + 2 * margin)))
    padded = np.pad(samples, (margin, long - margin - samples.size))
    curve: NDArray[np.float64] = resample(padded, factor * long)
    return curve[factor * margin : factor * (margin + samples.size)]


def scaled(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a smooth sound, scaled so that the curve through its samples has the largest magnitude 1."""
    largest = max(float(np.abs(between_samples(samples)).max()), float(np.abs(samples).max()))
    return samples / largest if largest > 0 else samples
