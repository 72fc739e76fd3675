"""Responses of a chosen size for simulated runs, and the best that any test could do with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietfloor.bench.patient.brainstem import V_PEAK_HALF_MS, V_TROUGH_DEPTH, V_TROUGH_HALF_MS
from quietfloor.bench.simulate.noises import Grid
from quietfloor.monitor.core.filtering import Band

Floats = NDArray[np.float64]
FINE_HZ = 32_000.0
LONG_MS = 200.0  # far longer than the filter


def lobe(x: Floats, half: float) -> Floats:
    return np.where(np.abs(x) < half, 0.5 + 0.5 * np.cos(np.pi * x / half), 0.0)


def wave_v(t_ms: Floats) -> Floats:
    """The bench's wave V: raised-cosine peak at 0 and a trough after it."""
    late = V_PEAK_HALF_MS + V_TROUGH_HALF_MS
    return lobe(t_ms, V_PEAK_HALF_MS) - V_TROUGH_DEPTH * lobe(t_ms - late, V_TROUGH_HALF_MS)


def odd(t_ms: Floats) -> Floats:
    """A waveform that the evidence does not expect: three lobes of alternating sign, the first one down."""
    return -lobe(t_ms, 0.7) + 0.8 * lobe(t_ms - 1.3, 0.7) - 0.6 * lobe(t_ms - 3.4, 1.2)


SHAPES = {"wave_v": wave_v, "odd": odd}


@dataclass(frozen=True)
class Response:
    """``size_nv`` peak to trough after the filter; the latency of each run is drawn from ``latency_ms``. Size 0: no response.

    The waveform is the virtual patient's, made of raised cosines; it is not one of the bank that the evidence looks for.
    """

    size_nv: float = 0.0
    latency_ms: tuple[float, float] = (6.0, 8.5)
    shape: str = "wave_v"

    def __post_init__(self) -> None:
        if not 0 <= self.size_nv <= 100_000:
            raise ValueError(f"size_nv = {self.size_nv} is outside 0 to 100000 nV peak to trough")
        if self.shape not in SHAPES:
            raise ValueError(f"shape = {self.shape!r} is unknown: choose one of {', '.join(SHAPES)}")

    def waves_uv(self, grid: Grid, seeds: Sequence[np.random.SeedSequence]) -> Floats:
        """(R, n_times) in uV, one per seed."""
        low, high = self.latency_ms
        latencies = np.array([np.random.Generator(np.random.PCG64(seed)).uniform(low, high) for seed in seeds])
        if self.size_nv == 0:
            return np.zeros((len(seeds), grid.n_times))
        t, wave = unit_wave(grid.band, self.shape)
        return self.size_nv * 1e-3 * np.array([np.interp(grid.times_ms - at, t, wave) for at in latencies])


def unit_wave(band: Band, shape: str) -> tuple[Floats, Floats]:
    """Fine times in ms about the latency, and the filtered waveform there, 1 between its highest and its lowest value."""
    t = np.arange(-LONG_MS / 2, LONG_MS / 2, 1e3 / FINE_HZ)
    hz = np.fft.rfftfreq(len(t), 1 / FINE_HZ).astype(np.float64)
    gain = np.where(hz <= band.analysis_rate_hz / 2, band.response(hz), 0.0)
    wave = np.fft.irfft(np.fft.rfft(SHAPES[shape](t)) * gain, len(t))
    return t, np.asarray(wave / (wave.max() - wave.min()))


class Oracle:
    """Sequential likelihood-ratio test that knows the response of each run, the covariance of the noise and the size of every
    sweep.

    No test with the same false-alarm rate (alpha, at every look; Ville's inequality) needs fewer sweeps on average, to a good
    approximation (Wald). It looks after every unit and has no warm-up. It is a reference, not a rule, because these values are
    unknown in practice.
    """

    def __init__(self, waves_uv: Floats, covariance_uv2: Floats) -> None:
        self._filter = np.linalg.solve(covariance_uv2, waves_uv.T).T  # (R, P)
        self._energy = (self._filter * waves_uv).sum(axis=-1)
        self.log_ratio = np.zeros(len(waves_uv))

    def update(self, window_uv: NDArray[np.float32], gain: Floats) -> None:
        """Sweeps (R, 16, P) over the window and the size of each (R, 16)."""
        weight = 1.0 / gain**2
        weighted = (window_uv * weight[..., np.newaxis]).sum(axis=1, dtype=np.float64)
        self.log_ratio += (self._filter * weighted).sum(axis=-1) - 0.5 * self._energy * weight.sum(axis=-1)
