"""Noise of one average: standard deviations of its value, its slope and the difference of two points.

Its size is the residual noise of the run. The shape of its spectrum (two numbers) is fitted to the two estimates of pure noise in
a run: the plus-minus average, and half the difference of the odd and the even half. Pure functions.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import ndimage

from quietfloor.monitor.core.filtering import Band
from quietfloor.monitor.core.samples import Floats

FROM_MS = 1.0  # before it the electrical artefact of the stimulus may differ between the halves
STEP_HZ, TOP = 2.5, 1.35  # grid of frequencies, up to this many times the upper band edge
# Power of noise before the filter: f^-fall at MIDDLE_HZ, falling faster above it and slower below by ``bend`` (natural
# logarithms). Own choice of what is expected before anything is known, mean and SD.
MIDDLE_HZ = 400.0
FALLS, BENDS = np.linspace(-0.5, 3.5, 33), np.linspace(-0.4, 0.8, 13)
USUAL_FALL, FALL_SD, USUAL_BEND, BEND_SD = 1.0, 1.0, 0.2, 0.3


@dataclass(frozen=True)
class WaveNoise:
    """Noise of an average: ``rms_nv`` in the band, and the shape of its spectrum before the filter (``fall`` and ``bend``)."""

    rms_nv: float
    band_hz: tuple[float, float]
    fall: float = USUAL_FALL
    bend: float = USUAL_BEND

    def sd(self, smooth_ms: float = 0.0, order: int = 0) -> float:
        """SD of the value (order 0, nV) or the slope (order 1, nV/ms), after smoothing by a Gaussian of SD ``smooth_ms``."""
        hz, power = _spectrum(self.band_hz, self.fall, self.bend)
        per_ms = 2e-3 * np.pi * hz
        return self.rms_nv * float(np.sqrt((power * np.exp(-((per_ms * smooth_ms) ** 2)) * per_ms ** (2 * order)).sum()))

    def correlation(self, lags_ms: ArrayLike) -> Floats:
        """Of two points that lie ``lags_ms`` (any shape) apart."""
        hz, power = _spectrum(self.band_hz, self.fall, self.bend)
        return np.asarray(np.cos(2e-3 * np.pi * np.multiply.outer(np.asarray(lags_ms, dtype=np.float64), hz)) @ power)

    def difference_sd(self, lags_ms: ArrayLike, smooth_ms: float = 0.0) -> Floats:
        """SD in nV of the difference of two points of the smoothed average, ``lags_ms`` (any shape) apart.

        Each lag is computed only once: on an even grid there are few different lags among millions of pairs of points.
        """
        hz, power = _spectrum(self.band_hz, self.fall, self.bend)
        per_ms = 2e-3 * np.pi * hz
        power = power * np.exp(-((per_ms * smooth_ms) ** 2))
        lags = np.asarray(lags_ms, dtype=np.float64)
        known, which = np.unique(np.abs(lags).ravel().round(9), return_inverse=True)
        swing = 1.0 - np.cos(known[:, np.newaxis] * per_ms)
        sds = self.rms_nv * np.sqrt(2.0 * np.maximum(swing @ power, 0.0))
        return np.asarray(sds[which].reshape(lags.shape), dtype=np.float64)


def noise_of(
    times_ms: Floats, a_uv: Floats, b_uv: Floats, plus_minus_uv: Floats, residual_noise_nv: float, band_hz: tuple[float, float]
) -> WaveNoise:
    """Noise of an average from what ``average.csv`` holds, (n_times,) each on an even grid.

    The most likely colour by the spectra (Whittle 1953) of both pictures of noise, taken as independent, as far as they are
    finite; else the usual colour. On noise of the bench's kinds the SD of slopes comes out right within 6 % on average, +-6 % a
    run.
    """
    inside = times_ms >= FROM_MS
    pictures = np.array([plus_minus_uv, (a_uv - b_uv) / 2])[:, inside]
    pictures = pictures[np.isfinite(pictures).all(axis=-1)]
    count = pictures.shape[-1]
    if count < 64 or not pictures.any():
        return WaveNoise(residual_noise_nv, band_hz)
    taper = np.hanning(count)
    spacing_s = 1e-3 * float(times_ms[1] - times_ms[0])
    hz = np.fft.rfftfreq(count, spacing_s).astype(np.float64)
    used = (hz >= band_hz[0]) & (hz <= band_hz[1])
    if not used.any():  # of a run whose files contradict each other
        return WaveNoise(residual_noise_nv, band_hz)
    seen = (np.abs(np.fft.rfft(pictures * taper)) ** 2).mean(axis=0)
    leak = np.convolve([0.25, 0.5, 0.25], [0.25, 0.5, 0.25]) ** 2  # of power into neighbours by the taper, roughly
    falls, bends = (np.ravel(grid)[:, np.newaxis] for grid in np.meshgrid(FALLS, BENDS))
    shapes = ndimage.convolve1d(_gain(band_hz, hz) ** 2 * _colour(hz, falls, bends, band_hz), leak, axis=-1)[:, used]
    shapes *= (seen[used] / shapes).mean(axis=-1, keepdims=True)
    # neighbours under the taper are worth two thirds of independent ones
    likely = -len(pictures) / 1.5 * (np.log(shapes) + seen[used] / shapes).sum(axis=-1)
    likely -= 0.5 * (((falls - USUAL_FALL) / FALL_SD) ** 2 + ((bends - USUAL_BEND) / BEND_SD) ** 2)[:, 0]
    best = int(likely.argmax())
    return WaveNoise(residual_noise_nv, band_hz, float(falls[best, 0]), float(bends[best, 0]))


def _colour(hz: Floats, fall: Floats | float, bend: Floats | float, band_hz: tuple[float, float]) -> Floats:
    octaves = np.log(np.maximum(hz, 0.5 * band_hz[0]) / MIDDLE_HZ)
    return np.asarray(np.exp(-fall * octaves - bend * octaves**2))


@lru_cache(maxsize=256)
def _spectrum(band_hz: tuple[float, float], fall: float, bend: float) -> tuple[Floats, Floats]:
    """Frequencies (n,) in Hz and their shares (n,) of the noise power, which add up to 1."""
    hz = np.arange(STEP_HZ, TOP * band_hz[1], STEP_HZ)
    power = _gain(band_hz, hz) ** 2 * _colour(hz, fall, bend, band_hz)
    return hz, np.asarray(power / power.sum())


def _gain(band_hz: tuple[float, float], hz: Floats) -> Floats:
    """Gain of the engine's filter at frequencies (n,) in Hz; at a rate with little decimation (the edges are the same)."""
    band = _band(band_hz)
    return np.asarray(np.where(hz < band.analysis_rate_hz / 2, band.response(hz), 0.0))


@lru_cache(maxsize=32)
def _band(band_hz: tuple[float, float]) -> Band:
    return Band(4.0 * band_hz[1], *band_hz)
