"""Named null sources: sweeps without a response, as the analysis gets them, in units and for many runs at once.

A kind of noise is a frozen value: a coloured background in the pass band, changes of its size from sweep to sweep, and added
disturbances. Each run has its own generator, so its noise depends neither on other runs nor on the division of the work. The
background is one unbroken process: successive sweeps are correlated as in a real recording.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from quietfloor.bench.simulate.noise_parts import Artefact, Gain, Part, Pops, Rhythm, Tones
from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.core.filtering import Band
from quietfloor.stimuli.schedule import PAUSES_S

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

FLOOR = 0.01  # white part of the amplitude spectrum: what a converter adds; it also keeps the covariance well away from singular
COLOUR_TAPS = 65
MAINS_UV = ((1, 20.0), (2, 1.0), (3, 1.0), (4, 0.3), (5, 1.0), (7, 1.0), (9, 1.0), (11, 0.5))  # peaks before the filter; own


@dataclass(frozen=True)
class Grid:
    """Points of a sweep: (n_times,) at ``rate_hz`` from ``start_ms`` after the onset, filtered to ``band_hz``."""

    rate_hz: float = 4000.0
    start_ms: float = -2.0
    n_times: int = 89
    band_hz: tuple[float, float] = (100.0, 1500.0)

    @cached_property
    def band(self) -> Band:
        return Band(self.rate_hz, *self.band_hz)

    @cached_property
    def times_ms(self) -> Floats:
        return np.asarray(self.start_ms + np.arange(self.n_times) * 1e3 / self.rate_hz)


@dataclass(frozen=True)
class Presentation:
    """Onsets: ``rate_per_s`` inside units of 16, and after each unit a pause, the sum of one random number for each of
    ``pauses_s``.

    The numbers are independent and uniform from 0 up to each value of ``pauses_s``; without values the rate is fixed. Polarity
    alternates; with ``random_polarity`` a coin decides the first polarity of each unit.
    """

    rate_per_s: float = 47.1
    pauses_s: tuple[float, ...] = PAUSES_S
    random_polarity: bool = True

    def __post_init__(self) -> None:
        if not 1.0 <= self.rate_per_s <= 200.0:
            raise ValueError(f"rate_per_s = {self.rate_per_s} is outside 1 to 200 stimuli per second")
        if not all(0.0 < pause_s <= 1.0 for pause_s in self.pauses_s):
            raise ValueError(f"pauses_s = {self.pauses_s}: each must be above 0 and at most 1 s; give none for a fixed rate")

    def pause_s(self, uniform: Floats) -> Floats:
        """Pauses (...) from uniform numbers (..., len(pauses_s)) between 0 and 1."""
        total = np.zeros(uniform.shape[:-1])
        for i, longest_s in enumerate(self.pauses_s):
            total += longest_s * uniform[..., i]
        return total


@dataclass(frozen=True)
class Noise:
    """One kind. ``rms_uv``: long-term RMS of the background in the pass band, gain changes included, additions not.

    Power falls by 6 dB an octave above ``corner_hz`` towards a level 20 dB lower (own choice, the shape of scalp EEG); flat for
    an infinite corner. ``low_hz`` replaces the lower edge of the pass band, ``rate_per_s`` the stimulus rate (a kind that is
    about being in step with something needs its own). ``gaussian``: background and gain alone, so that an oracle is exact.
    """

    what: str
    rms_uv: float = 2.0
    corner_hz: float = 300.0
    low_hz: float | None = None
    gain: Gain = field(default_factory=Gain)
    added: tuple[Part, ...] = ()
    muscle: Gain | None = None  # size over time of a second background, 300 Hz and above
    muscle_rms_uv: float = 2.0
    rate_per_s: float | None = None

    @property
    def gaussian(self) -> bool:
        return not self.added and self.muscle is None

    def band(self, grid: Grid) -> Band:
        return grid.band if self.low_hz is None else Band(grid.rate_hz, self.low_hz, grid.band_hz[1])

    def taps(self, grid: Grid) -> Floats:
        """Finite filter that makes this background, RMS 1, out of white noise."""
        return _taps(self.band(grid), self.corner_hz)

    def covariance_uv2(self, grid: Grid, points: int) -> Floats:
        """True covariance (points, points) of neighbouring points of a sweep at mean gain."""
        taps = self.taps(grid)
        lags = np.correlate(taps, taps, mode="full")[len(taps) - 1 :]
        lags = np.pad(lags, (0, max(0, points - len(lags))))[:points]
        index = np.abs(np.subtract.outer(np.arange(points), np.arange(points)))
        return np.asarray(self.rms_uv**2 * lags[index])


def _taps(band: Band, corner_hz: float) -> Floats:
    taps = band.bandpass
    if np.isfinite(corner_hz):
        f = np.linspace(0.0, band.analysis_rate_hz / 2, 257)
        amplitude = np.sqrt(1.0 / (1.0 + (f / corner_hz) ** 2) + 0.01)
        taps = np.convolve(taps, signal.firwin2(COLOUR_TAPS, f, amplitude, fs=band.analysis_rate_hz))
    taps = taps / np.sqrt((taps**2).sum())
    taps[len(taps) // 2] += FLOOR
    return np.asarray(taps / np.sqrt((taps**2).sum()))


NOISES: dict[str, Noise] = {
    "gaussian": Noise("Gaussian, coloured like EEG, in the pass band"),
    "quiet": Noise("the same, 0.7 uV: the noise floor is within reach", rms_uv=0.7),
    "white": Noise("Gaussian, flat over the pass band", corner_hz=np.inf),
    "gaussian-30": Noise("Gaussian from 30 Hz on: slower noise than the default band lets through", low_hz=30.0),
    "gain-steps": Noise("size jumps by up to 4 x, about every 4 s", gain=Gain(step_per_sweep=1 / 200, step_range=4.0)),
    "bursts": Noise("bursts of 4 x the size, 0.5 s long, 12 % of the time",
                    gain=Gain(burst_per_sweep=1 / 180, burst_sweeps=24.0)),
    "heavy-tails": Noise("size of each sweep drawn anew: Student's t with 4 degrees of freedom", gain=Gain(tails_df=4)),
    "muscle": Noise("trains of muscle activity above 300 Hz, 1 s long", muscle=Gain(burst_per_sweep=1 / 200, burst_sweeps=48.0,
                    quiet=0.05)),
    "drift": Noise("size swings by 3 x within a minute or two, with electrode wander of 500 uV before the filter",
                   gain=Gain(swing_s=(40.0, 120.0)), added=(Tones(((1, 500.0),), hz=0.3),)),
    "pops": Noise("electrode pops of up to 100 uV, about 6 a minute, as the filter passes them", added=(Pops(),)),
    "rhythm": Noise("a rhythm of the subject with harmonics, within 1 Hz of the stimulus rate", added=(Rhythm(),)),
    "mains": Noise("mains 50 Hz with harmonics of 1 uV, stimulus rate as chosen", added=(Tones(MAINS_UV, hz=50.0),)),
    "mains-near": Noise("the same with 49.9 stimuli/s", added=(Tones(MAINS_UV, hz=50.0),), rate_per_s=49.9),
    "mains-locked": Noise("the same with exactly 50 stimuli/s", added=(Tones(MAINS_UV, hz=50.0),), rate_per_s=50.0),
    "mains-60-locked": Noise("mains 60 Hz with exactly 30 stimuli/s", added=(Tones(MAINS_UV, hz=60.0),), rate_per_s=30.0),
    "alternating-artefact": Noise("stimulus artefact of 40 uV that decays over 2 ms, its sign that of the sound",
                                  added=(Artefact(),)),
}  # fmt: skip


def run_seeds(seed: int, name: str, runs: range) -> list[np.random.SeedSequence]:
    """The seed of each run of a source: the same whichever runs are asked for together."""
    return [np.random.SeedSequence(seed, spawn_key=(zlib.crc32(name.encode()), run)) for run in runs]


class Source(Protocol):
    """Sweeps of a batch of runs, unit by unit. The following are for the latest unit, (R, 16) each: ``gain``, the true size of
    each sweep, which only an oracle may use; ``usable``, sweeps without a fault; ``presented``, places with a stimulus."""

    gain: Floats
    usable: Bools
    presented: Bools

    def unit(self) -> Singles:
        """The next unit (R, 16, n_times) in uV."""
        ...


class _Stream:
    """One unbroken coloured Gaussian process per run, cut where the unit's sweeps lie."""

    def __init__(self, taps: Floats, runs: int, length: int) -> None:
        self._history = len(taps) - 1
        self._size = self._history + length
        self._n_fft = fft.next_fast_len(self._size, real=True)
        self._spectrum = fft.rfft(taps.astype(np.float32), n=self._n_fft)
        self._white = np.zeros((runs, self._n_fft), dtype=np.float32)  # the end stays 0

    def advance(self, run: int, rng: np.random.Generator, samples: int | None) -> None:
        """Move one run on by ``samples``, or fill it for the first time."""
        row = self._white[run, : self._size]
        if samples is None or samples >= self._size:
            rng.standard_normal(out=row, dtype=np.float32)
            return
        row[:-samples] = row[samples:]
        rng.standard_normal(out=row[-samples:], dtype=np.float32)

    def sweeps(self, starts: NDArray[np.intp], n_times: int) -> Singles:
        """Pieces (runs, sweeps, n_times) that begin at ``starts`` (sweeps,)."""
        spectrum = fft.rfft(self._white, axis=-1)
        spectrum *= self._spectrum
        filtered = fft.irfft(spectrum, n=self._n_fft, axis=-1, overwrite_x=True)
        out = np.empty((len(filtered), len(starts), n_times), dtype=np.float32)
        for place, start in enumerate(starts + self._history):  # a good deal faster than one large index
            out[:, place] = filtered[:, start : start + n_times]
        return out


class NoiseSource:
    """Synthetic noise for one run per seed; see ``Source``. State is of fixed size: a run may go on for ever."""

    def __init__(
        self, noise: Noise, grid: Grid, presentation: Presentation, seeds: Sequence[np.random.SeedSequence]
    ) -> None:
        self.noise, self.grid = noise, grid
        rate = noise.rate_per_s or presentation.rate_per_s
        self._presentation = presentation
        self._unit_s = UNIT_SWEEPS / rate
        self._rngs = [np.random.Generator(np.random.SFC64(seed)) for seed in seeds]
        runs = len(seeds)
        starts = np.arange(UNIT_SWEEPS) / rate
        self._starts = np.rint(starts * grid.rate_hz).astype(np.intp)
        self._offsets_s = starts[:, np.newaxis] + grid.times_ms / 1e3  # exact: rounding is for the background alone
        length = int(self._starts[-1]) + grid.n_times
        self._background = _Stream(noise.rms_uv * noise.taps(grid), runs, length)
        self._muscle = None
        if noise.muscle is not None:
            band = Band(grid.rate_hz, max(300.0, grid.band_hz[0]), grid.band_hz[1])
            self._muscle = _Stream(noise.muscle_rms_uv * _taps(band, np.inf), runs, length)
            self._muscle_gain = noise.muscle.begin(runs, rate)
        self._gain = noise.gain.begin(runs, rate)
        swaps = presentation.random_polarity
        self._parts = [part.begin(grid.band, rate, self._offsets_s, runs, swaps) for part in noise.added]
        self._draws = len(presentation.pauses_s) + self._gain.draws + (self._muscle_gain.draws if self._muscle else 0)
        self._draws += sum(part.draws for part in self._parts)
        self._start_s = np.zeros(runs)
        self._steps: list[int | None] = [None] * runs
        self.gain: Floats = np.ones((runs, UNIT_SWEEPS))
        self.usable = self.presented = np.ones((runs, UNIT_SWEEPS), dtype=bool)

    def unit(self) -> Singles:
        draws = np.empty((len(self._rngs), self._draws))
        for run, rng in enumerate(self._rngs):
            self._background.advance(run, rng, self._steps[run])
            if self._muscle is not None:
                self._muscle.advance(run, rng, self._steps[run])
            rng.random(out=draws[run])
        used = len(self._presentation.pauses_s)
        pause_s = self._presentation.pause_s(draws[:, :used])
        self.gain = self._gain.next(draws[:, used : used + self._gain.draws])
        used += self._gain.draws
        sweeps = self._background.sweeps(self._starts, self.grid.n_times)
        if self.noise.gain != Gain():
            sweeps *= self.gain.astype(np.float32)[..., np.newaxis]
        if self._muscle is not None:
            size = self._muscle_gain.next(draws[:, used : used + self._muscle_gain.draws])
            used += self._muscle_gain.draws
            muscle = self._muscle.sweeps(self._starts, self.grid.n_times)
            sweeps += muscle * size.astype(np.float32)[..., np.newaxis]
        for part in self._parts:
            part.add(sweeps, self._start_s, draws[:, used : used + part.draws], pause_s)
            used += part.draws
        self._start_s = self._start_s + self._unit_s + pause_s
        self._steps = [int(step) for step in np.rint((self._unit_s + pause_s) * self.grid.rate_hz)]
        return sweeps
