"""Streaming band-pass with exactly linear phase, so that an average needs no latency correction.

There are two finite filters: a decimator down to a few kHz, and a band-pass at that rate. A finite filter has finite memory, so
an output exists only where all its inputs were received. Samples before a gap have no influence after it, and the filter needs no
settling time.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.signal import firwin, kaiser_beta, kaiserord

from .dots import correlate
from .samples import Floats

ANALYSIS_RATE_HZ = 4000.0  # evidence works on points at about this spacing; the analysis rate is never below it
OVERSAMPLING = 3.2  # analysis rate over the upper band edge: leaves room for a short decimator and for interpolation
STOP_DB = 60.0


@dataclass(frozen=True)
class Band:
    """Band-pass from ``low_hz`` to ``high_hz`` (-6 dB points) for a stream at ``rate_hz``.

    The delay is exactly zero after compensation: output k of a segment belongs to raw sample ``first_output + k * step``. The
    gain is -1 dB or better at 1.5 x ``low_hz``, -60 dB at 0.5 x ``low_hz``, and exactly zero at DC.

    Raises ValueError for edges that the rate cannot carry.
    """

    rate_hz: float
    low_hz: float = 100.0
    high_hz: float = 1500.0

    def __post_init__(self) -> None:
        top = 0.45 * self.rate_hz
        if not 5.0 <= self.low_hz < self.high_hz:
            raise ValueError(f"band {self.low_hz:g}-{self.high_hz:g} Hz: the lower edge must be 5 Hz or more and below the upper")
        if self.high_hz > top:
            raise ValueError(
                f"band upper edge {self.high_hz:g} Hz is above {top:g} Hz, the most a {self.rate_hz:g} Hz stream carries: "
                f"lower it, or record at {np.ceil(self.high_hz / 0.45 / 1000) * 1000:g} Hz or more"
            )

    @cached_property
    def step(self) -> int:
        """Raw samples per analysis sample."""
        return max(1, int(self.rate_hz / max(ANALYSIS_RATE_HZ, OVERSAMPLING * self.high_hz)))

    @property
    def analysis_rate_hz(self) -> float:
        return self.rate_hz / self.step

    @cached_property
    def decimator(self) -> Floats:
        """Symmetric low-pass taps (odd count) at the stream's rate; a single 1 where no decimation is needed."""
        if self.step == 1:
            return np.ones(1)
        keep = self.high_hz + 0.5 * self.low_hz
        stop = self.analysis_rate_hz - keep  # what lies above folds outside the band that is kept
        count, beta = kaiserord(STOP_DB + 20.0, (stop - keep) / (self.rate_hz / 2))
        return np.asarray(firwin(count | 1, (stop + keep) / 2, window=("kaiser", beta), fs=self.rate_hz), dtype=np.float64)

    @cached_property
    def bandpass(self) -> Floats:
        """Symmetric band-pass taps (odd count) at the analysis rate, summing to zero."""
        nyquist = self.analysis_rate_hz / 2
        width = min(self.low_hz, 2 * (nyquist - self.high_hz))
        count, _ = kaiserord(STOP_DB, width / nyquist)
        count |= 1
        window = ("kaiser", kaiser_beta(STOP_DB))
        taps = firwin(count, [self.low_hz, self.high_hz], pass_zero=False, window=window, fs=self.analysis_rate_hz)
        smooth = np.kaiser(count, kaiser_beta(STOP_DB))
        taps = taps - taps.sum() * smooth / smooth.sum()  # gain exactly 0 at DC: electrode offsets reach 100 mV
        return np.asarray((taps + taps[::-1]) / 2, dtype=np.float64)

    @cached_property
    def first_output(self) -> int:
        """Raw sample of a segment to which its first output belongs."""
        return len(self.decimator) // 2 + (len(self.bandpass) // 2) * self.step

    @property
    def reach(self) -> int:
        """Raw samples on either side that one output depends on; an output is available only after this many further samples."""
        return self.first_output

    def response(self, frequencies_hz: Floats) -> Floats:
        """Real (zero-phase) gain at the given frequencies in Hz, after delay compensation. The array is cached, so it is
        read-only."""
        asked = np.asarray(frequencies_hz, dtype=np.float64)
        return _response(self, asked.tobytes(), asked.shape)


@lru_cache(maxsize=32)  # every analysis needs the same thousands of frequencies, which takes most of its start
def _response(band: Band, frequencies_hz: bytes, shape: tuple[int, ...]) -> Floats:
    frequencies = np.frombuffer(frequencies_hz).reshape(shape)

    def gain(taps: Floats, rate_hz: float) -> Floats:
        lags = np.arange(len(taps)) - len(taps) // 2
        return np.asarray(np.cos(2 * np.pi * np.multiply.outer(frequencies, lags) / rate_hz) @ taps)

    found = np.asarray(gain(band.decimator, band.rate_hz) * gain(band.bandpass, band.analysis_rate_hz))
    found.flags.writeable = False
    return found


class RunningBand:
    """Filter state for one unbroken segment; begin a new one after every gap."""

    def __init__(self, band: Band, n_channels: int) -> None:
        self.band = band
        self._raw = np.empty((n_channels, 0))
        self._mid = np.empty((n_channels, 0))

    def feed(self, raw_uv: Floats) -> Floats:
        """Filter raw samples (n_channels, n) in uV; return the new outputs (n_channels, m) in uV that they complete."""
        band = self.band
        self._raw, low = _valid(self._raw, raw_uv, band.decimator, band.step)
        self._mid, out = _valid(self._mid, low, band.bandpass, 1)
        return out


def _valid(history: Floats, new: Floats, taps: Floats, step: int) -> tuple[Floats, Floats]:
    """Every ``step``-th correlation with the taps that has all its data, and the history that the next ones need.

    An output is one dot product of fixed length over its own inputs, so cutting the stream cannot change it.
    """
    both = np.concatenate([history, new], axis=1)
    out = correlate(both, taps, step)
    return both[:, out.shape[1] * step :], out
