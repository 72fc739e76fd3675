"""Masking noise for the ear that is not tested: white or an octave wide, seeded, bounded, ramped, the same for any block size.

Effective masking: noise of L dB EM raises the threshold of a tone in that ear to L dB HL. ISO 389-4 states effective masking for
noise one third of an octave wide, in dB above the pure-tone threshold. Of wider noise, only the part within that third of an
octave masks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import signal, special

from quietfloor.stimuli.calibration import BONE, EARS, Calibration, LevelError
from quietfloor.stimuli.ceiling import CREST, RMS_WINDOW_S, Ceiling
from quietfloor.stimuli.references import References, load_references

NOISES = ("white", "octave-band")
LOWEST_DB_EM, HIGHEST_DB_EM = -20.0, 100.0  # own choice: what a plan may ask for
LOWEST_DB_FS = -120.0
RAMP_S = 0.5  # own choice: from silence, so that nothing starts with a click
WHITE_HZ = (200.0, 8000.0)  # own choice: what an ABR answers to, without loading the ear with the rest
WHITE_MASKS_HZ = (500.0, 1000.0, 2000.0, 4000.0)  # where white noise has at least its stated level, for clicks and chirps
_THIRD = 2.0 ** (1.0 / 6.0) - 2.0 ** (-1.0 / 6.0)  # width of a third of an octave, of its centre
_BLOCK = 16384


@dataclass(frozen=True)
class Masking:
    """Noise in the ear `ear`. rms: RMS of the samples, 1.0 is the top of the converter; frequency_hz: centre of the octave.

    ceiling: that of the earphone that plays the noise; for a stimulus by bone this is not the transducer of the stimulus. The
    noise never exceeds plus or minus 4 rms. Raises LevelError.
    """

    noise: str
    rms: float
    ear: str
    rate_hz: float
    ceiling: Ceiling
    frequency_hz: float | None = None
    seed: int = 0

    stream: ClassVar[int] = 0x6E6F697365  # apart from the pauses of the schedule, which use the same seed

    def __post_init__(self) -> None:
        if self.noise not in NOISES:
            raise LevelError(f"masking = {self.noise!r}; allowed are {', '.join(NOISES)}")
        if self.ear not in EARS:
            raise LevelError(f"masking ear = {self.ear!r}; allowed are {', '.join(EARS)}")
        if self.ceiling.transducer == BONE:
            raise LevelError("masking by a bone vibrator reaches both ears: give the noise by an earphone")
        if (self.frequency_hz is None) != (self.noise == "white"):
            raise LevelError(f"masking = {self.noise!r} with frequency {self.frequency_hz}; octave-band has one, white none")
        highest_hz = min(8000.0, self.rate_hz / 3.0)
        if self.frequency_hz is not None and not 125.0 <= self.frequency_hz <= highest_hz:
            raise LevelError(f"masking frequency = {self.frequency_hz:g} Hz; allowed is 125 to {highest_hz:g} Hz")
        if not 0.0 <= self.rms <= 1.0 / CREST:
            raise LevelError(
                f"masking noise of {self.rms:g} RMS would clip; allowed is 0 to {1 / CREST:g}: lower its level by "
                f"{20 * math.log10(self.rms * CREST) if self.rms > 0 else math.nan:.1f} dB"
            )
        column = EARS.index(self.ear)
        limit = min(self.ceiling.peak_to_peak(None)[column] / (2.0 * CREST), self.ceiling.rms(None, 0.0)[column] / self.swing)
        if self.rms > limit:
            over_db = 20.0 * math.log10(self.rms / limit)
            calibration = self.ceiling.calibration
            where = "uncalibrated" if calibration is None else f"calibration {calibration.id!r}"
            raise LevelError(
                f"the masking noise on the {self.ear} ear is {over_db:.2f} dB above the output ceiling for "
                f"{self.ceiling.transducer}, {self.ceiling.age_group}, {where}: lower it by that much"
            )

    @cached_property
    def filter(self) -> NDArray[np.float64]:
        return band_filter(self.band_hz, self.rate_hz)

    @property
    def swing(self) -> float:
        """Factor by which the RMS of 125 ms may exceed the RMS of the noise; see `rms_swing`."""
        return rms_swing(self.filter, self.rate_hz)

    @property
    def band_hz(self) -> tuple[float, float]:
        return noise_band_hz(self.frequency_hz)


def noise_band_hz(frequency_hz: float | None) -> tuple[float, float]:
    """Edges of the noise in Hz: one octave about a frequency, or the whole band of white noise (None)."""
    if frequency_hz is None:
        return WHITE_HZ
    return frequency_hz / math.sqrt(2.0), frequency_hz * math.sqrt(2.0)


def band_filter(band_hz: tuple[float, float], rate_hz: float) -> NDArray[np.float64]:
    """Taps of a linear-phase filter: gain 1 inside the band, -6 dB at the edges; each edge is a fifth as wide as the lower edge
    frequency."""
    taps = math.ceil(3.3 * rate_hz / (0.2 * band_hz[0])) | 1
    return np.asarray(signal.firwin(taps, band_hz, pass_zero=False, fs=rate_hz), dtype=np.float64)


def bandwidth_hz(taps: NDArray[np.float64], rate_hz: float) -> float:
    """Equivalent bandwidth of noise after a filter with gain 1 inside its band: the width of the rectangle that passes as much
    power."""
    return float(np.sum(taps**2) * rate_hz / 2.0)


def rms_swing(taps: NDArray[np.float64], rate_hz: float) -> float:
    """Factor by which the RMS of 125 ms may exceed the RMS of noise after this filter; at most one of 1e9 stretches of 125 ms
    exceeds it.

    The factor is from chi squared with twice as many degrees of freedom as bandwidth times duration (for Gaussian noise in a
    flat band).
    """
    degrees = 2.0 * RMS_WINDOW_S * bandwidth_hz(taps, rate_hz)
    return math.sqrt(float(special.chdtri(degrees, 1e-9)) / degrees)


def rms_of_em(
    level_db_em: float,
    frequency_hz: float | None,
    ear: str,
    calibration: Calibration,
    rate_hz: float,
    references: References | None = None,
    masks_hz: tuple[float, ...] | None = None,
) -> float:
    """RMS of the samples for a level of effective masking. Raises LevelError.

    Octave-band noise masks at its own frequency. White noise (frequency None) masks at all of `masks_hz` (by default 500 Hz to 4
    kHz): the frequency that needs the highest level decides.
    """
    _require(level_db_em, "masking_level_db_em", LOWEST_DB_EM, HIGHEST_DB_EM)
    table = load_references() if references is None else references
    places = masks_hz or (WHITE_MASKS_HZ if frequency_hz is None else (frequency_hz,))
    low, high = noise_band_hz(frequency_hz)
    if not all(low < hz < high for hz in places):
        raise LevelError(f"noise from {low:g} to {high:g} Hz does not mask at {', '.join(f'{hz:g}' for hz in places)} Hz")
    density_db = level_db_em + max(
        table.pure_tone_db(calibration.transducer, calibration.coupler, hz)
        + table.narrow_band_db(hz)
        - 10.0 * math.log10(_THIRD * hz)
        - (calibration.response_db(ear, hz) - (0.0 if frequency_hz is None else calibration.response_db(ear, frequency_hz)))
        for hz in places
    )
    level_db_spl = density_db + 10.0 * math.log10(bandwidth_hz(band_filter((low, high), rate_hz), rate_hz))
    return _rms(level_db_spl - calibration.full_scale_db_ppe(ear, frequency_hz))


def rms_of_fs(level_db_fs: float) -> float:
    """RMS of the samples for a level in dB re full scale: re the RMS of a sine whose peak-to-peak value is 1.0, as for all levels
    here."""
    _require(level_db_fs, "masking_level_db_fs", LOWEST_DB_FS, 0.0)
    return _rms(level_db_fs)


def _rms(level_db_fs: float) -> float:
    return float(10.0 ** (level_db_fs / 20.0) / (2.0 * math.sqrt(2.0)))


def _require(level_db: float, name: str, low: float, high: float) -> None:
    if not low <= level_db <= high:
        raise LevelError(f"{name} = {level_db:.6g}; allowed is {low:g} to {high:g} dB")


class Steady:
    """A continuous sound. It is made in blocks of fixed size, so that it is the same for any reading, and rises from silence over
    `RAMP_S`.

    stop: sample at which it is silent again; None for a sound without end.
    """

    def __init__(self, rate_hz: float, stop: int | None = None) -> None:
        self._ramp = max(1, round(RAMP_S * rate_hz))
        self._stop = stop
        self._position = 0
        self._ready = np.zeros(0)

    def read(self, n: int) -> NDArray[np.float64]:
        """The next n samples, (n,)."""
        while self._ready.size < n:
            self._ready = np.concatenate([self._ready, self._next_block()])
        out, self._ready = self._ready[:n], self._ready[n:]
        at = np.arange(self._position, self._position + n, dtype=np.float64)
        rise = np.clip(at / self._ramp, 0.0, 1.0)
        if self._stop is not None:
            rise = np.minimum(rise, np.clip((self._stop - at) / self._ramp, 0.0, 1.0))
        self._position += n
        return np.asarray(out * np.sin(0.5 * math.pi * rise) ** 2)

    def _next_block(self) -> NDArray[np.float64]:
        raise NotImplementedError


class Shaped(Protocol):
    """What `Noise` needs to know: `filter` (taps), `rms` of the samples, and `seed` and `stream` of its random numbers."""

    stream: ClassVar[int]

    @property
    def filter(self) -> NDArray[np.float64]: ...
    @property
    def rms(self) -> float: ...
    @property
    def rate_hz(self) -> float: ...
    @property
    def seed(self) -> int: ...


class Noise(Steady):
    """The samples of a `Masking`, or of noise in the ear that is tested."""

    def __init__(self, masking: Shaped, stop: int | None = None) -> None:
        super().__init__(masking.rate_hz, stop)
        self._random = np.random.default_rng([masking.seed, masking.stream])
        self._filter, self._rms = masking.filter, masking.rms
        self._tail = self._random.standard_normal(self._filter.size - 1)  # so that it has its full size from the start

    def _next_block(self) -> NDArray[np.float64]:
        white = np.concatenate([self._tail, self._random.standard_normal(_BLOCK)])
        self._tail = white[-self._tail.size :]
        noise = signal.oaconvolve(white, self._filter, mode="valid")
        noise *= self._rms / math.sqrt(float(np.sum(self._filter**2)))
        return np.asarray(np.clip(noise, -CREST * self._rms, CREST * self._rms))


class Tone(Steady):
    """A sine, for measurements."""

    def __init__(self, frequency_hz: float, peak: float, rate_hz: float, stop: int | None = None) -> None:
        super().__init__(rate_hz, stop)
        self._frequency_hz, self._peak, self._rate_hz, self._made = frequency_hz, peak, rate_hz, 0

    def _next_block(self) -> NDArray[np.float64]:
        at = np.arange(self._made, self._made + _BLOCK)
        self._made += _BLOCK
        return np.asarray(self._peak * np.sin(2.0 * math.pi * self._frequency_hz / self._rate_hz * at))
