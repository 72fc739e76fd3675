"""Model of the cochlea: excitation of each place by a sound, and the time at which its energy arrives there.

A place is a gammatone filter of order 4 (Patterson et al. 1992, from memory). Its excitation is the largest value of the filter's
envelope. It is expressed as the level of the tone burst of 2-1-2 cycles at the frequency of the place that causes the same
excitation. On this scale any sound can be compared with published levels of tone bursts.

Arrival is the rise of the envelope, relative to the rise that a click causes at the same place, because published delays along
the cochlea are those of clicks and tone bursts, and include the build-up time of the filter. A click therefore arrives at time 0
everywhere, a chirp early at low places, a burst while its envelope rises. Only the rise evokes a response: what follows the
greatest excitation at a place adds nothing there.

Limits: a linear cochlea in one direction (no compression, no suppression, filters of one width at all levels), a flat earphone,
and whole sounds of up to `WINDOW_S`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.waveforms import click, tone_burst

Floats = NDArray[np.float64]

PLACES_HZ: Floats = 250.0 * 2.0 ** (np.arange(31) / 6.0)  # 250 to 8000 Hz, six in an octave
PLACES_HZ.setflags(write=False)

# Equivalent rectangular bandwidth of the human filter, 24.7 (4.37 f / kHz + 1) Hz, and 1.019 of it as the parameter of a
# gammatone: Glasberg & Moore 1990, Hear Res 47:103; Patterson et al. 1992. Status: from memory. Times a width, own choice: the
# one with which the published zeros of clicks and of tone bursts (ISO 389-6) fit each other, so that a click of L dB nHL moves
# the best of the places exactly as much as a burst of L dB nHL moves its own. At width 1 a click misses 2.6 dB.
ERB_WIDTH = 2.1

WINDOW_S = 20e-3  # that a sound is listened to: whole chirps, the rise of a burst of 250 Hz and more
RINGING_S = 25e-3  # of the lowest filter, 60 dB down by then
LOWEST_RATE_HZ = 10_000.0
_REFERENCE_RATE_HZ = 96_000.0


@dataclass(frozen=True, eq=False)
class Excitation:
    """Excitation by one sound: `level_db` (p,), dB p-p.e. of an equal burst if a peak-to-peak value of 1.0 is 0 dB; -inf for
    none.

    Arrival: shares `shares` (p, n), which sum to 1 at each place, at `times_s` (n,) after the first sample of the sound, minus
    `built_up_s` (p,), the build-up time of a click there.
    """

    level_db: Floats
    times_s: Floats
    shares: Floats
    built_up_s: Floats


class Cochlea:
    """The places of a cochlea, for sounds at one sampling rate."""

    def __init__(self, rate_hz: float) -> None:
        if not rate_hz >= LOWEST_RATE_HZ:
            raise ValueError(f"audio at {rate_hz:g} Hz: the virtual ear needs {LOWEST_RATE_HZ:g} Hz or more for a click")
        self.rate_hz = rate_hz
        self.window = round(WINDOW_S * rate_hz)
        self._filters = _Filters(rate_hz)
        self._built_up_s = np.zeros(PLACES_HZ.size)
        of_click = self.excitation(click(rate_hz).samples)
        self._built_up_s = of_click.shares @ of_click.times_s
        self.click = self.excitation(click(rate_hz).samples)  # of peak-to-peak 1.0

    def excitation(self, samples: Floats) -> Excitation:
        """Excitation by samples (n,) in full-scale units; only the first `WINDOW_S` are used."""
        envelopes = self._filters.envelopes(np.asarray(samples, dtype=np.float64)[: self.window])
        reached = np.maximum.accumulate(envelopes, axis=1)
        highest = reached[:, -1:]
        heard = highest[:, 0] > 1e-12 * max(float(highest.max()), 1e-12)
        shares = np.diff(reached, axis=1, prepend=0.0) / np.where(heard[:, None], highest, 1.0)
        with np.errstate(divide="ignore"):
            level_db = np.where(heard, 20.0 * np.log10(highest[:, 0]) - _reference_db(), -np.inf)
        used = int(np.flatnonzero(shares.max(axis=0))[-1]) + 1 if shares.any() else 1
        return Excitation(level_db, np.arange(used) / self.rate_hz, shares[:, :used], self._built_up_s)


class _Filters:
    """Envelopes of sounds up to WINDOW_S behind the filters of all places."""

    def __init__(self, rate_hz: float) -> None:
        self._long = 1 << int(np.ceil(np.log2((WINDOW_S + RINGING_S) * rate_hz)))
        self._frequencies = self._long // 2
        frequency_hz = np.arange(self._frequencies) * rate_hz / self._long
        widths_hz = 1.019 * ERB_WIDTH * 24.7 * (4.37e-3 * PLACES_HZ + 1.0)
        self._response = 2.0 * (1.0 + 1j * (frequency_hz - PLACES_HZ[:, None]) / widths_hz[:, None]) ** -4

    def envelopes(self, samples: Floats, places: slice = slice(None)) -> Floats:
        """(p, n) of samples (m,), n beyond m by the ringing."""
        spectrum = np.fft.fft(samples, self._long)[: self._frequencies]
        response = self._response[places]
        one_sided = np.zeros((response.shape[0], self._long), dtype=np.complex128)
        one_sided[:, : self._frequencies] = response * spectrum
        return np.abs(np.fft.ifft(one_sided, axis=1))


@lru_cache(maxsize=1)
def _reference_db() -> Floats:
    """Envelope, in dB, of a 2-1-2 burst of peak-to-peak 1.0 at its own place, (p,)."""
    filters = _Filters(_REFERENCE_RATE_HZ)
    out = np.empty(PLACES_HZ.size)
    for place, frequency_hz in enumerate(PLACES_HZ):
        burst = tone_burst(_REFERENCE_RATE_HZ, float(frequency_hz))
        samples = burst.samples[: round(WINDOW_S * _REFERENCE_RATE_HZ)] / burst.peak_to_peak
        out[place] = filters.envelopes(samples, slice(place, place + 1)).max()
    return np.asarray(20.0 * np.log10(out))
