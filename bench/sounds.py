"""Finds the sounds in one column of audio frames: where each begins and how large it is, whatever the chunking."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FLOOR = 1e-7  # of full scale, -140 dB: below what any modelled ear hears through a loud earphone
QUIET_S = 1e-3  # so much silence ends a sound; longer than the zero crossings of the lowest tone in use
WINDOW_S = 12e-3  # the size of a sound is measured this long; covers five cycles at 500 Hz


@dataclass
class Sound:
    """One sound: frame where it begins, highest and lowest sample (rest, 0, included) of its first 12 ms."""

    frame: int
    highest: float = 0.0
    lowest: float = 0.0

    @property
    def peak_to_peak(self) -> float:
        return self.highest - self.lowest


class SoundFinder:
    """Feed consecutive samples of one column; `sounds` holds what has begun so far.

    A sound is final once `position >= sound.frame + window_frames`. A sound that never pauses (masking noise) is one sound
    with one beginning: nothing on top of it is heard, which is a limit of this model.
    """

    def __init__(self, rate_hz: float) -> None:
        self.window_frames = round(WINDOW_S * rate_hz)
        self._quiet_frames = round(QUIET_S * rate_hz)
        self.position = 0
        self.sounds: list[Sound] = []
        self._last_active = -self._quiet_frames - 1
        self._open: Sound | None = None

    def feed(self, samples: NDArray[np.floating]) -> None:
        """`samples` (n,) in full-scale units; nan counts as silence."""
        active = np.flatnonzero(np.abs(samples) > FLOOR)
        if active.size:
            frames = active + self.position
            fresh = np.diff(frames, prepend=self._last_active) > self._quiet_frames
            for group in np.split(np.arange(active.size), np.flatnonzero(fresh)):
                if group.size:
                    self._take(frames[group], samples[active[group]], bool(fresh[group[0]]))
            self._last_active = int(frames[-1])
        self.position += samples.size

    def forget_before(self, frame: int) -> None:
        """Drop sounds that began before `frame`."""
        self.sounds = [sound for sound in self.sounds if sound.frame >= frame]

    def _take(self, frames: NDArray[np.int_], values: NDArray[np.floating], fresh: bool) -> None:
        if fresh or self._open is None:
            self._open = Sound(int(frames[0]))
            self.sounds.append(self._open)
        inside = values[frames < self._open.frame + self.window_frames]
        if inside.size:
            self._open.highest = max(self._open.highest, float(inside.max()))
            self._open.lowest = min(self._open.lowest, float(inside.min()))
