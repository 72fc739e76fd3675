"""Running noise in one column of audio frames: its power around each place of the cochlea."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.patient.cochlea import PLACES_HZ

Floats = NDArray[np.float64]
BLOCK_S = 0.04  # of noise, measured at a time: bins 25 Hz apart, three in the third of an octave about 250 Hz
NEWEST = 0.3  # part of the newest block in the running mean; after a change it is right within 1 dB after 0.2 s
_THIRD = 2.0 ** (1.0 / 6.0)  # to either edge of a third of an octave


class RunningNoise:
    """Feed the noise in pieces of any length, without the sounds; `mean_squares` is the result after the last whole block."""

    def __init__(self, rate_hz: float) -> None:
        self._block = round(BLOCK_S * rate_hz)
        self._taper = np.hanning(self._block + 2)[1:-1]
        frequency_hz = np.fft.rfftfreq(self._block, 1.0 / rate_hz)
        # Part of each bin that lies inside each third of an octave.
        half_hz = 0.5 * rate_hz / self._block
        low = np.maximum(PLACES_HZ[:, None] / _THIRD, frequency_hz - half_hz)
        high = np.minimum(PLACES_HZ[:, None] * _THIRD, frequency_hz + half_hz)
        power = 2.0 / (self._block * float(np.sum(self._taper**2)))
        self._bands = power * np.clip((high - low) / (2.0 * half_hz), 0.0, 1.0)
        self.forget()

    def forget(self) -> None:
        """Start again, because there is silence."""
        self._waiting = np.zeros(0)
        self.mean_squares: Floats | None = None  # (p,) of full scale squared, in a third of an octave about each place

    def feed(self, samples: NDArray[np.floating]) -> None:
        self._waiting = np.concatenate([self._waiting, samples])
        while self._waiting.size >= self._block:
            spectrum = np.fft.rfft(self._waiting[: self._block] * self._taper)
            newest = self._bands @ (spectrum.real**2 + spectrum.imag**2)
            self._waiting = self._waiting[self._block :]
            before = self.mean_squares
            self.mean_squares = newest if before is None else before + NEWEST * (newest - before)
