"""Averages of known waves in known noise, made by written-out sums and the engine's own filter, without sweeps."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from quietfloor.monitor.core.filtering import Band
from quietfloor.monitor.waves.trace import Averages

Floats = NDArray[np.float64]
TIMES_MS: Floats = np.arange(-2.0, 22.0, 1 / 16)
BAND = Band(16_000.0)  # 100 to 1500 Hz


def bell(at_ms: float, height_nv: float, sd_ms: float) -> Floats:
    return height_nv * np.exp(-0.5 * ((TIMES_MS - at_ms) / sd_ms) ** 2)


def filtered_noise(rng: np.random.Generator, rows: int, rms_nv: float = 1.0) -> Floats:
    """(rows, n_times): white noise through the engine's band-pass at 5.3 kHz and between its samples."""
    taps = BAND.bandpass
    step = round(16_000 / BAND.analysis_rate_hz)
    count = len(TIMES_MS) // step + 40
    white = rng.standard_normal((rows, count + len(taps) - 1))
    coarse = np.array([np.correlate(row, taps, mode="valid") for row in white])
    coarse /= np.sqrt((taps**2).sum())
    whole = np.fft.rfft(coarse, axis=1)
    fine = np.fft.irfft(np.pad(whole, ((0, 0), (0, (step - 1) * count // 2))), step * (count - count % 2), axis=1) * step
    return rms_nv * fine[:, 16 : 16 + len(TIMES_MS)]


def averages(wave_nv: Floats, noise_nv: Floats, pictures_nv: Floats, rms_nv: float) -> Averages:
    """An average with this noise; ``pictures_nv`` (2, n_times): plus-minus average, half the difference of the halves."""
    average = wave_nv + noise_nv
    return Averages(
        TIMES_MS, 1e-3 * average, 1e-3 * (average + pictures_nv[1]), 1e-3 * (average - pictures_nv[1]), 1e-3 * pictures_nv[0],
        rms_nv, (100.0, 1500.0),
    )  # fmt: skip


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(606)
