"""Background EEG: coloured noise of a stated in-band size, slow gain changes, bursts, mains, electrode offset. Pure and seeded.

Noise is made in fixed blocks from separate generators, so that it is the same for any block size of the reader.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import integrate, signal

from quietfloor.bench.patient.session_course import State, bursts_per_min_at, noise_at

BAND_HZ = (100.0, 1500.0)  # the band in which the size is stated; the default filter of a brainstem recording
BLOCK = 2048  # samples made at a time

# Power falls as about 1/f from 1 to 128 Hz (a pole and a zero by turns, one pair in two octaves) and is flat above: the shape
# of scalp EEG with muscle and amplifier noise. Own choice; published single-sweep values only give the in-band size.
_POLES_HZ = (1.0, 4.0, 16.0, 64.0)
_ZEROS_HZ = (2.0, 8.0, 32.0, 128.0)
_SHARED = 0.5  # part of the noise power that all channels have in common (the vertex electrode is common to them). Own choice.
_GAIN_PERIODS_S = (11.0, 23.0, 47.0)
_MAINS_HARMONICS = ((1, 1.0), (3, 0.4), (5, 0.2))  # odd harmonics of rectifier loads; own choice
_WARM_UP_S = 1.0  # six time constants of the slowest pole


@dataclass(frozen=True)
class Background:
    """Settings of the background.

    `in_band_rms_uv`: RMS in 100-1500 Hz, long-term, without bursts and mains. `gain_depth`: share (0..0.9) by which the power
    varies over tens of seconds. Bursts: `bursts_per_min` at random times, `burst_s` long, noise up to `burst_factor` times
    larger. `mains_uv`: peak of the fundamental. `offset_uv`: electrode offsets are drawn from +- this value.
    """

    in_band_rms_uv: float
    gain_depth: float = 0.0
    bursts_per_min: float = 0.0
    burst_s: float = 0.6
    burst_factor: float = 6.0
    mains_uv: float = 0.0
    mains_hz: float = 50.0
    offset_uv: float = 0.0

    def __post_init__(self) -> None:
        for name, low, high in (
            ("in_band_rms_uv", 0.0, 1000.0),
            ("gain_depth", 0.0, 0.9),
            ("bursts_per_min", 0.0, 120.0),
            ("burst_s", 0.01, 60.0),
            ("burst_factor", 1.0, 100.0),
            ("mains_uv", 0.0, 10_000.0),
            ("mains_hz", 10.0, 1000.0),
            ("offset_uv", 0.0, 200_000.0),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise ValueError(f"{name} = {value} is outside {low:g}..{high:g}")


class BackgroundSource:
    """Source of background EEG: `read(n)` returns the next (channels, n) in uV. `rate_hz`: true samples per second, so that a
    clock drift does not change the mains frequency.

    `course`: states over a session; `session_s`: time since the session began, at the first sample.
    """

    def __init__(
        self,
        background: Background,
        channels: int,
        rate_hz: float,
        seed: np.random.SeedSequence,
        course: Sequence[State] = (),
        session_s: float = 0.0,
    ) -> None:
        self._what, self._channels, self._rate_hz = background, channels, rate_hz
        self._course, self._session_s = course, session_s
        # with a course bursts are drawn as often as they ever come, and left out by chance where they come less often
        self._most_bursts = max([background.bursts_per_min, *(state.bursts_per_min for state in course)])
        white, bursts, fixed = seed.spawn(3)
        self._white = np.random.Generator(np.random.PCG64(white))
        self._burst_draws = np.random.Generator(np.random.PCG64(bursts))
        constants = np.random.Generator(np.random.PCG64(fixed))
        self._offsets_uv = constants.uniform(-1.0, 1.0, (channels, 1)) * background.offset_uv
        self._gain_phases = constants.uniform(0.0, 2 * np.pi, len(_GAIN_PERIODS_S))
        self._mains_phases = constants.uniform(0.0, 2 * np.pi, len(_MAINS_HARMONICS))
        self._sos, unit_rms = _colour(rate_hz)
        self._scale = background.in_band_rms_uv / unit_rms
        self._state = np.zeros((self._sos.shape[0], channels, 2))
        self._bursts: list[float] = []
        self._next_burst_s = self._burst_gap_s()
        self._made = 0
        self._ready = np.zeros((channels, 0))
        if background.in_band_rms_uv > 0:
            for _ in range(int(np.ceil(_WARM_UP_S * rate_hz / BLOCK))):
                self._coloured()

    def read(self, n: int) -> NDArray[np.float64]:
        while self._ready.shape[1] < n:
            self._ready = np.concatenate([self._ready, self._block()], axis=1)
        out, self._ready = self._ready[:, :n], self._ready[:, n:]
        return out

    def _block(self) -> NDArray[np.float64]:
        t_s = (self._made + np.arange(BLOCK)) / self._rate_hz
        self._made += BLOCK
        out = np.repeat(self._offsets_uv, BLOCK, axis=1)
        if self._what.in_band_rms_uv > 0:
            gain = self._gain(t_s)
            if self._course:
                gain = gain * noise_at(self._course, self._session_s + t_s)
            out += self._coloured() * (self._scale * gain)
        if self._what.mains_uv > 0:
            for (harmonic, share), phase in zip(_MAINS_HARMONICS, self._mains_phases, strict=True):
                out += self._what.mains_uv * share * np.sin(2 * np.pi * self._what.mains_hz * harmonic * t_s + phase)
        return out

    def _coloured(self) -> NDArray[np.float64]:
        """(channels, BLOCK) of the unscaled coloured noise."""
        white = self._white.standard_normal((self._channels + 1, BLOCK))
        mixed = np.sqrt(1.0 - _SHARED) * white[1:] + np.sqrt(_SHARED) * white[0]
        noise, self._state = signal.sosfilt(self._sos, mixed, axis=-1, zi=self._state)
        coloured: NDArray[np.float64] = noise
        return coloured

    def _gain(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        power = np.ones(t_s.shape)  # its long-term mean stays 1, so the stated size stays true
        for period_s, phase in zip(_GAIN_PERIODS_S, self._gain_phases, strict=True):
            power += self._what.gain_depth / len(_GAIN_PERIODS_S) * np.sin(2 * np.pi * t_s / period_s + phase)
        gain: NDArray[np.float64] = np.sqrt(power)
        while self._next_burst_s <= t_s[-1]:
            if not self._course or self._comes(self._next_burst_s):
                self._bursts.append(self._next_burst_s)
            self._next_burst_s += self._burst_gap_s()
        self._bursts = [start for start in self._bursts if start + self._what.burst_s > t_s[0]]
        hump = np.zeros(t_s.shape)  # of the largest burst where several overlap
        for start in self._bursts:
            inside = (t_s - start) / self._what.burst_s
            hump = np.maximum(hump, np.where((inside > 0) & (inside < 1), np.sin(np.pi * inside) ** 2, 0.0))
        return gain * (1.0 + (self._what.burst_factor - 1.0) * hump)

    def _burst_gap_s(self) -> float:
        if self._most_bursts == 0:
            return float("inf")
        return float(self._burst_draws.exponential(60.0 / self._most_bursts))

    def _comes(self, at_s: float) -> bool:
        wanted = float(bursts_per_min_at(self._course, self._what.bursts_per_min, self._session_s + at_s))
        return bool(self._burst_draws.uniform() * self._most_bursts < wanted)


def _colour(rate_hz: float) -> tuple[NDArray[np.float64], float]:
    """Filter sections (s, 6) for white noise of variance 1, and the RMS in BAND_HZ of what they give (by their response)."""
    zeros, poles = (np.exp(-2 * np.pi * np.array(edges) / rate_hz) for edges in (_ZEROS_HZ, _POLES_HZ))
    sos = signal.zpk2sos(zeros, poles, 1.0)
    grid_hz = np.linspace(BAND_HZ[0], min(BAND_HZ[1], rate_hz / 2), 4001)
    power = np.abs(signal.freqz_zpk(zeros, poles, 1.0, grid_hz, fs=rate_hz)[1]) ** 2 * 2.0 / rate_hz
    return sos, float(np.sqrt(integrate.trapezoid(power, grid_hz)))
