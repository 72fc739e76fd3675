"""Tone bursts: a few cycles of a sine under an envelope."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.base import Waveform

Floats = NDArray[np.float64]

# Rise 2, plateau 1, fall 2 cycles, linear, beginning at zero phase: IEC 60645-3, Davis et al. 1984 (both from memory). Durations
# here are from zero to zero of the envelope; editions of the standard differ in how they measure them (from memory).
CYCLES = (2.0, 1.0, 2.0)

# How far up the rise is (0 to 1) -> the envelope there. Blackman: first half of the window 0.42 - 0.5 cos + 0.08 cos.
ENVELOPES: Mapping[str, Callable[[Floats], Floats]] = MappingProxyType(
    {
        "linear": lambda x: x,
        "cosine": lambda x: 0.5 - 0.5 * np.cos(np.pi * x),
        "blackman": lambda x: 0.42 - 0.5 * np.cos(np.pi * x) + 0.08 * np.cos(2 * np.pi * x),
    }
)
LONGEST_S = 0.2  # own choice: more than the slowest rate of stimulation in use leaves room for
_POINTS_A_CYCLE = 96  # at which the peak is looked for; a multiple of 4, so that the crests of the plateau are hit


def tone_burst(
    rate_hz: float,
    frequency_hz: float,
    cycles: tuple[float, float, float] = CYCLES,
    envelope: str = "linear",
) -> Waveform:
    """A sine of `frequency_hz` that begins at zero phase with a positive half-wave, under rise, plateau and fall in cycles.

    The burst is defined in continuous time and evaluated at the sample times, so that frequency and durations are exact at any
    rate (2-1-2 cycles last 5 / frequency: 10 ms at 500 Hz). Time zero is the start of the burst, as in published latencies of
    tone bursts. The rise ends `cycles[0]` cycles later, and the middle is half of all cycles later.
    Raises ValueError for a frequency above 0.4 of the rate, impossible cycles, or an envelope that is not in `ENVELOPES`.
    """
    if not 0 < frequency_hz <= 0.4 * rate_hz:
        highest = 0.4 * rate_hz
        raise ValueError(f"frequency_hz = {frequency_hz:g} at {rate_hz:g} Hz; allowed is up to {highest:g} Hz: raise the rate")
    check_burst(frequency_hz, cycles, envelope)
    rise, plateau, fall = cycles
    total = rise + plateau + fall

    def burst(at: NDArray[np.floating]) -> Floats:
        """Value at times given in cycles after the start."""
        up = np.clip(at / rise, 0.0, 1.0) if rise > 0 else np.ones(at.shape)
        down = np.clip((total - at) / fall, 0.0, 1.0) if fall > 0 else np.ones(at.shape)
        shape = ENVELOPES[envelope]
        return np.asarray(shape(up) * shape(down) * np.sin(2 * np.pi * at), dtype=np.float64)

    longest = int(np.ceil(total * _POINTS_A_CYCLE))
    largest = float(np.abs(burst(np.arange(longest) / _POINTS_A_CYCLE)).max())
    n_samples = int(np.ceil(total / frequency_hz * rate_hz - 1e-9))
    samples = burst(np.arange(n_samples) * frequency_hz / rate_hz) / largest
    return Waveform("tone-burst", np.clip(samples, -1.0, 1.0), rate_hz, frequency_hz=frequency_hz, smooth=True)


def check_burst(frequency_hz: float, cycles: tuple[float, float, float], envelope: str) -> None:
    """Raise ValueError for parameters that make no tone burst at any rate."""
    if not (min(cycles) >= 0 and 1 <= sum(cycles) <= LONGEST_S * frequency_hz):
        raise ValueError(
            f"cycles = {', '.join(f'{n:g}' for n in cycles)} at {frequency_hz:g} Hz; each must be 0 or more, all together at "
            f"least 1 and at most {LONGEST_S * frequency_hz:g} ({1e3 * LONGEST_S:g} ms)"
        )
    if envelope not in ENVELOPES:
        raise ValueError(f"envelope = {envelope!r}; allowed are {', '.join(ENVELOPES)}")
