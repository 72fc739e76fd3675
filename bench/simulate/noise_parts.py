"""Parts of noise that differ from steady Gaussian noise: sizes that change from sweep to sweep, and added disturbances.

Each part states how many uniform random numbers it needs per run and unit (``draws``), and is given them. Parts have no generator
of their own, so the noise of a run does not depend on the other runs. State has one entry per run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special

from quietfloor.monitor.core.averaging import UNIT_SWEEPS
from quietfloor.monitor.core.filtering import Band

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
ARTEFACT_TIMES = 16  # finer than the analysis an artefact is made, so that it may lie between points
BEFORE_S, AFTER_S = 0.03, 0.1  # of an onset: what the filter may spread its artefact over


@dataclass(frozen=True)
class Gain:
    """Size of each sweep, with mean power 1 over a long time. The parts multiply; each is off by default.

    Steps: with probability ``step_per_sweep`` a new size, log-uniform over a range of ``step_range``. Bursts: begin with
    ``burst_per_sweep``, last ``burst_sweeps`` on average, ``burst_factor`` times as large; between them ``quiet`` (of 1). Tails:
    Student's t with ``tails_df`` (even) degrees of freedom. Swing: power 1 +- 0.8, a period drawn from ``swing_s``.
    """

    step_per_sweep: float = 0.0
    step_range: float = 4.0
    burst_per_sweep: float = 0.0
    burst_sweeps: float = 24.0
    burst_factor: float = 4.0
    quiet: float = 1.0
    tails_df: int = 0
    swing_s: tuple[float, float] | None = None

    def begin(self, runs: int, rate_per_s: float) -> RunningGain:
        return RunningGain(self, runs, rate_per_s)


SWING_DEPTH = 0.8


class RunningGain:
    """Sizes (R, 16) of the next unit from uniform numbers (R, draws)."""

    def __init__(self, gain: Gain, runs: int, rate_per_s: float) -> None:
        self._gain, self._rate = gain, rate_per_s
        stepping, bursting = gain.step_per_sweep > 0, gain.burst_per_sweep > 0
        self._half_df = gain.tails_df // 2
        self._counts = (2 * UNIT_SWEEPS * stepping, UNIT_SWEEPS * bursting, self._half_df * UNIT_SWEEPS, 2 * bool(gain.swing_s))
        self.draws = int(sum(self._counts))
        self._size = np.full(runs, np.nan)
        self._burst: NDArray[np.bool_] | None = None
        self._swing: tuple[Floats, Floats] | None = None
        self._sweeps = 0

    def next(self, uniform: Floats) -> Floats:
        gain, runs = self._gain, len(uniform)
        steps, bursts, tails, swing = np.split(uniform, np.cumsum(self._counts)[:-1], axis=1)
        size = np.ones((runs, UNIT_SWEEPS))
        if steps.shape[1]:
            size *= self._stepped(steps.reshape(runs, UNIT_SWEEPS, 2))
        if bursts.shape[1]:
            inside = self._bursting(bursts)
            share = gain.burst_per_sweep / (gain.burst_per_sweep + 1 / gain.burst_sweeps)
            power = share * gain.burst_factor**2 + (1 - share) * gain.quiet**2
            size *= np.where(inside, gain.burst_factor, gain.quiet) / np.sqrt(power)
        if tails.shape[1]:
            chi2 = -2.0 * np.log1p(-tails.reshape(runs, UNIT_SWEEPS, self._half_df)).sum(axis=-1)
            size *= np.sqrt((gain.tails_df - 2) / np.maximum(chi2, 1e-3))
        if swing.shape[1]:
            size *= self._swung(swing)
        self._sweeps += UNIT_SWEEPS
        return size

    def _stepped(self, u: Floats) -> Floats:
        span = self._gain.step_range
        power = (span - 1 / span) / (2 * np.log(span))  # mean square of a log-uniform size from span^-1/2 to span^1/2
        fresh = span ** (u[..., 1] - 0.5) / np.sqrt(power)
        out = np.empty(fresh.shape)
        self._size = np.where(np.isnan(self._size), fresh[:, 0], self._size)
        for k in range(UNIT_SWEEPS):
            self._size = np.where(u[:, k, 0] < self._gain.step_per_sweep, fresh[:, k], self._size)
            out[:, k] = self._size
        return out

    def _bursting(self, u: Floats) -> NDArray[np.bool_]:
        begin, end = self._gain.burst_per_sweep, 1 / self._gain.burst_sweeps
        inside = np.empty(u.shape, dtype=bool)
        now = u[:, 0] < begin / (begin + end) if self._burst is None else self._burst
        for k in range(UNIT_SWEEPS):
            if self._burst is not None or k:
                now = np.where(now, u[:, k] >= end, u[:, k] < begin)
            inside[:, k] = now
        self._burst = now
        return inside

    def _swung(self, u: Floats) -> Floats:
        assert self._gain.swing_s is not None
        if self._swing is None:
            low, high = self._gain.swing_s
            self._swing = low + (high - low) * u[:, 0], 2 * np.pi * u[:, 1]
        period_s, phase = self._swing
        time_s = (self._sweeps + np.arange(UNIT_SWEEPS)) / self._rate
        return np.asarray(np.sqrt(1 + SWING_DEPTH * np.sin(2 * np.pi * time_s / period_s[:, np.newaxis] + phase[:, np.newaxis])))


class Part(Protocol):
    """A disturbance that is added to the background before the filter; it computes its own filtered form."""

    def begin(self, band: Band, rate_per_s: float, offsets_s: Floats, runs: int, swaps: bool) -> RunningPart:
        """``offsets_s`` (16, n_times): time of each point after the first onset of the unit. ``swaps``: units begin with either
        polarity, by a coin, and not all with the same."""
        ...


class RunningPart(Protocol):
    @property
    def draws(self) -> int: ...
    def add(self, sweeps: Singles, start_s: Floats, uniform: Floats, pause_s: Floats) -> None:
        """Add to sweeps (R, 16, n_times) of a unit whose first onset is at ``start_s`` (R,); ``pause_s`` (R,) follows it."""
        ...


@dataclass(frozen=True)
class Tones:
    """Harmonics (order, peak uV before the filter) of a constant frequency, each at a random phase per run."""

    harmonics: tuple[tuple[int, float], ...]
    hz: float

    def begin(self, band: Band, rate_per_s: float, offsets_s: Floats, runs: int, swaps: bool) -> RunningTones:
        return RunningTones(self, band, offsets_s)


class RunningTones:
    def __init__(self, tones: Tones, band: Band, offsets_s: Floats) -> None:
        order = np.array([n for n, _ in tones.harmonics], dtype=float)
        self._hz = order * tones.hz
        self._peak_uv = np.array([uv for _, uv in tones.harmonics]) * band.response(self._hz)
        phase = 2 * np.pi * np.multiply.outer(self._hz, offsets_s).reshape(len(order), -1)
        self._basis = np.concatenate([np.cos(phase), -np.sin(phase)]).astype(np.float32)
        self._phase: Floats | None = None
        self.draws = len(order)

    def add(self, sweeps: Singles, start_s: Floats, uniform: Floats, pause_s: Floats) -> None:
        if self._phase is None:
            self._phase = 2 * np.pi * uniform
        at = 2 * np.pi * np.multiply.outer(start_s, self._hz) % (2 * np.pi) + self._phase
        weights = np.concatenate([self._peak_uv * np.cos(at), self._peak_uv * np.sin(at)], axis=1).astype(np.float32)
        for run in range(len(sweeps)):  # one product a run: what comes out must not depend on how many there are
            sweeps[run] += (weights[run] @ self._basis).reshape(sweeps.shape[1:])


@dataclass(frozen=True)
class Rhythm:
    """A rhythm within +-``within_hz`` of the stimulus rate whose harmonics reach the pass band; its phase drifts randomly.

    ``peak_uv``: peak of each harmonic before the filter. ``wander``: drift of the fundamental in rad per square root of a sweep;
    it stays coherent over some hundred sweeps. Own choice: the worst case of a subject who moves in time with the sound.
    """

    within_hz: float = 1.0
    harmonics: tuple[int, ...] = (2, 3, 4, 5, 6, 7, 8)
    peak_uv: float = 0.5
    wander: float = 0.02

    def begin(self, band: Band, rate_per_s: float, offsets_s: Floats, runs: int, swaps: bool) -> RunningRhythm:
        return RunningRhythm(self, band, rate_per_s, offsets_s, runs)


class RunningRhythm:
    draws = 2 + UNIT_SWEEPS

    def __init__(self, rhythm: Rhythm, band: Band, rate_per_s: float, offsets_s: Floats, runs: int) -> None:
        self._rhythm, self._rate, self._offsets_s = rhythm, rate_per_s, offsets_s
        self._size_uv = rhythm.peak_uv * band.response(np.array(rhythm.harmonics) * rate_per_s)
        self._hz: Floats | None = None
        self._phase = np.zeros(runs)
        self._walk = np.zeros(runs)

    def add(self, sweeps: Singles, start_s: Floats, uniform: Floats, pause_s: Floats) -> None:
        if self._hz is None:
            self._hz = self._rate + self._rhythm.within_hz * (2 * uniform[:, 0] - 1)
            self._phase = 2 * np.pi * uniform[:, 1]
        steps = self._rhythm.wander * special.ndtri(np.clip(uniform[:, 2:], 1e-9, 1 - 1e-9))
        walk = self._walk[:, np.newaxis] + np.cumsum(steps, axis=1)
        self._walk = walk[:, -1]
        begin_s = start_s[:, np.newaxis] + (self._offsets_s[:, 0] - self._offsets_s[0, 0])
        hz = self._hz[:, np.newaxis]
        begin = 2 * np.pi * ((hz * begin_s) % 1.0) + self._phase[:, np.newaxis] + walk  # (R, 16)
        within = 2 * np.pi * hz * self._offsets_s[0]  # (R, n_times)
        order = np.array(self._rhythm.harmonics, dtype=float)
        a, b = begin[..., np.newaxis] * order, within[:, np.newaxis, :] * order[:, np.newaxis]
        left = np.concatenate([self._size_uv * np.sin(a), self._size_uv * np.cos(a)], axis=-1).astype(np.float32)
        sweeps += left @ np.concatenate([np.cos(b), np.sin(b)], axis=-2).astype(np.float32)  # sin(a + b) of every harmonic


@dataclass(frozen=True)
class Pops:
    """Jumps of the electrode potential that decay: at random times, of either sign, log-uniform in size, as filtered."""

    per_min: float = 6.0
    size_uv: tuple[float, float] = (3.0, 100.0)
    decay_s: float = 0.05

    def begin(self, band: Band, rate_per_s: float, offsets_s: Floats, runs: int, swaps: bool) -> RunningPops:
        return RunningPops(self, band, rate_per_s, offsets_s)


class RunningPops:
    draws = 4

    def __init__(self, pops: Pops, band: Band, rate_per_s: float, offsets_s: Floats) -> None:
        rate = band.analysis_rate_hz
        jump = np.exp(-np.arange(round(6 * pops.decay_s * rate)) / (pops.decay_s * rate))
        self._wave = np.convolve(jump, band.bandpass)
        self._lag_s = len(band.bandpass) // 2 / rate
        self._times_s = np.arange(len(self._wave)) / rate
        self._offsets_s = offsets_s
        self._unit_s = UNIT_SWEEPS / rate_per_s
        self._chance = pops.per_min / 60 * self._unit_s
        self._low, self._high = np.log(pops.size_uv)

    def add(self, sweeps: Singles, start_s: Floats, uniform: Floats, pause_s: Floats) -> None:
        """At most one a unit."""
        for run in np.flatnonzero(uniform[:, 0] < self._chance):
            when, sign, size = uniform[run, 1:]
            at_s = self._offsets_s - when * self._unit_s + self._lag_s
            wave = np.interp(at_s, self._times_s, self._wave, left=0.0, right=0.0)
            sweeps[run] += (np.sign(sign - 0.5) * np.exp(self._low + size * (self._high - self._low)) * wave).astype(np.float32)


@dataclass(frozen=True)
class Artefact:
    """Electrical artefact of the transducer in the leads: an exponential from each onset on, with the sign of the sound, as
    filtered.

    Polarity alternates. If all units begin with the same polarity, the part that extends over a pause is not cancelled by a next
    sweep and adds up like a response: the share of the linear-phase filter before an onset, and the end of the exponential.
    """

    size_uv: float = 40.0
    decay_ms: float = 2.0

    def begin(self, band: Band, rate_per_s: float, offsets_s: Floats, runs: int, swaps: bool) -> RunningArtefact:
        return RunningArtefact(self, band, rate_per_s, offsets_s, swaps)


class RunningArtefact:
    """The artefacts of a unit form one wave. Each unit contains its own wave, the end of the previous one, and the beginning of
    the next one."""

    draws = 2  # of the first unit, and at every unit of the next one

    def __init__(self, artefact: Artefact, band: Band, rate_per_s: float, offsets_s: Floats, swaps: bool) -> None:
        hz = ARTEFACT_TIMES * band.analysis_rate_hz
        onsets = np.rint((BEFORE_S + np.arange(UNIT_SWEEPS) / rate_per_s) * hz).astype(int)
        train = np.zeros(onsets[-1] + round(AFTER_S * hz))
        train[onsets] = np.where(np.arange(UNIT_SWEEPS) % 2, -1.0, 1.0)
        n_fft = fft.next_fast_len(len(train), real=True)
        hertz = np.fft.rfftfreq(n_fft, 1 / hz).astype(np.float64)
        gain = band.response(hertz) * (hertz <= band.analysis_rate_hz / 2)  # above, the decimator lets nothing through
        decay = np.exp(-1e3 * np.arange(n_fft) / (artefact.decay_ms * hz))
        train = fft.irfft(fft.rfft(train, n_fft) * fft.rfft(decay) * gain, n_fft)
        self._wave, self._times_s = artefact.size_uv * train, np.arange(n_fft) / hz - BEFORE_S
        self._offsets_s, self._unit_s, self._swaps = offsets_s, UNIT_SWEEPS / rate_per_s, swaps
        self._own = self._at(0.0)
        self._sign = self._last_sign = self._last_pause_s = np.zeros(0)

    def _at(self, begins_s: float) -> Floats:
        """Contribution (16, n_times) in uV to the sweeps of this unit by a unit that begins `begins_s` after it."""
        return np.asarray(np.interp(self._offsets_s - begins_s, self._times_s, self._wave, left=0.0, right=0.0))

    def add(self, sweeps: Singles, start_s: Floats, uniform: Floats, pause_s: Floats) -> None:
        first, following = (np.where(coin < 0.5, -1.0, 1.0) if self._swaps else np.ones(len(coin)) for coin in uniform.T)
        if not len(self._sign):
            self._sign, self._last_sign, self._last_pause_s = first, np.zeros(len(first)), np.zeros(len(first))
        for run, sign in enumerate(self._sign):
            around = sign * self._own + following[run] * self._at(self._unit_s + pause_s[run])
            if self._last_sign[run]:
                around += self._last_sign[run] * self._at(-self._unit_s - self._last_pause_s[run])
            sweeps[run] += around.astype(np.float32)
        self._last_sign, self._last_pause_s, self._sign = self._sign, pause_s, following
