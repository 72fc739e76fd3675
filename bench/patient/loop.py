"""A wire from the sound output into an EEG channel, for a timing check: both sound columns through an attenuator."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Full scale of the sound columns through the attenuator, as for the trigger line. Own choice; an EEG input takes some tens of mV.
LOOP_UV_PER_FULL_SCALE = 10_000.0
LOOP_NOISE_UV = 0.5  # RMS, white: of the amplifier's own input, shorted by the attenuator. Own choice.
_WANDER_HZ = (3.1, 7.3)
LARGEST_JITTER_S = 0.01


@dataclass(frozen=True)
class Loop:
    """`channel`: EEG channel, from 0, that records the sound instead of EEG; None for none.

    `jitter_s`: SD of a simulated wander of the sound against the trigger, which a timing check must find. It is the sum of two
    slow sines, so that no sound is interrupted.
    """

    channel: int | None = None
    jitter_s: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.jitter_s <= LARGEST_JITTER_S:
            raise ValueError(f"jitter of {1e6 * self.jitter_s:g} us in the loop is outside 0..{1e6 * LARGEST_JITTER_S:g} us")

    @property
    def reach_s(self) -> float:
        """Largest shift of a sound by the wander in either direction, in s."""
        return len(_WANDER_HZ) * self.jitter_s

    def late_s(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Delay of the sound in s at times (n,)."""
        late = np.zeros(times_s.shape)
        for place, hz in enumerate(_WANDER_HZ):
            late += self.jitter_s * np.sin(2 * np.pi * hz * times_s + place)
        return late
