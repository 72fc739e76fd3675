"""The response of a virtual patient as an average without noise would show it: filtered, with or without jitter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.patient.earphone import Earphone
from quietfloor.bench.patient.patient import truth_uv
from quietfloor.bench.patient.profiles import Patient, Side
from quietfloor.monitor.core.filtering import Band

Floats = NDArray[np.float64]
FINE_HZ, LONG_S = 48_000.0, 0.2  # far longer than the filter


class Truth:
    """The response of an ear to the sound `samples` (n,) at `rate_per_s`, filtered to `band`."""

    def __init__(
        self, patient: Patient, earphone: Earphone, side: Side, samples: Floats, audio_rate_hz: float, band: Band,
        rate_per_s: float,
    ) -> None:  # fmt: skip
        t_s = np.arange(round(LONG_S * FINE_HZ)) / FINE_HZ - LONG_S / 2
        response = truth_uv(patient, earphone, side, samples, t_s + earphone.tube_delay_s, audio_rate_hz, rate_per_s=rate_per_s)
        self._hz = np.fft.rfftfreq(len(t_s), 1 / FINE_HZ).astype(np.float64)
        passed = np.where(self._hz <= band.analysis_rate_hz / 2, band.response(self._hz), 0.0)
        self._spectrum = 1e3 * np.fft.rfft(response) * passed
        self._times_ms = 1e3 * t_s

    def at(self, times_ms: Floats, jitter_ms: float = 0.0) -> Floats:
        """nV at times after the sound reaches the ear.

        Where each sweep is shifted by chance, with a normal distribution of SD s, every frequency f is left with
        exp(-(2 pi f s)^2 / 2) of its size (the characteristic function of the shift).
        """
        left = left_of(self._hz, jitter_ms)
        return np.asarray(np.interp(times_ms, self._times_ms, np.fft.irfft(self._spectrum * left, len(self._times_ms))))


def left_of(hz: Floats | float, jitter_ms: float) -> Floats:
    """The part of frequencies that a jitter of this SD leaves in an average of many sweeps."""
    return np.asarray(np.exp(-((2 * np.pi * np.asarray(hz) * 1e-3 * jitter_ms) ** 2) / 2))
