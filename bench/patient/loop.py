"""Sound looped into an EEG channel by wire, as the timing check needs it: both sound columns through an attenuator."""

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
    """`channel`: EEG channel, from 0, that hears the sound by wire instead of seeing the brain; None for none of them.

    `jitter_s`: standard deviation of a wander of the sound against the trigger, a fault to be found: two slow sines, so that no
    sound is torn.
    """

    channel: int | None = None
    jitter_s: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.jitter_s <= LARGEST_JITTER_S:
            raise ValueError(f"jitter of {1e6 * self.jitter_s:g} us in the loop is outside 0..{1e6 * LARGEST_JITTER_S:g} us")

    @property
    def reach_s(self) -> float:
        """The most that the wander moves a sound to either side."""
        return len(_WANDER_HZ) * self.jitter_s

    def late_s(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """How late the sound is at times (n,)."""
        late = np.zeros(times_s.shape)
        for place, hz in enumerate(_WANDER_HZ):
            late += self.jitter_s * np.sin(2 * np.pi * hz * times_s + place)
        return late
