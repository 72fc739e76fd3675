"""Noise in the ear that is tested, for responses of one place of the cochlea: broadband, high-passed, or with a notch.

The level is that of the whole band, before the notch or the high-pass is cut, so that the density of what is left is the same for
every edge. Methods: notched noise about a tone burst (Picton et al. 1979, from memory); high-pass noise of falling edge, whose
responses are subtracted from each other (Don & Eggermont 1978, from memory), with 96 dB per octave and edges from 8000 to 500 Hz
in "Derived-band auditory brainstem responses: cochlear contributions determined by narrowband maskers" (abstract, verified).
High-pass noise for bursts of 500 Hz and notched noise for 1 to 4 kHz at a signal-to-noise ratio of -5 dB, the noise in dB SPL
before it is filtered: "Frequency-specific auditory brainstem responses: effective masking levels" (Greville; abstract, verified).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from quietfloor.stimuli.calibration import BONE, EARS, LevelError
from quietfloor.stimuli.ceiling import CREST, Ceiling
from quietfloor.stimuli.masking import rms_of_fs, rms_swing

IpsilateralKind = Literal["broadband", "high-pass", "notched"]
KINDS: tuple[IpsilateralKind, ...] = ("broadband", "high-pass", "notched")
BAND_HZ = (100.0, 10_000.0)  # own choice: one octave beyond the lowest and a third beyond the highest edge in use, at every rate
EDGES_HZ = (125.0, 9000.0)  # of a notch or high-pass; own choice: noise must be left beyond it
LEAST_NOTCH = 1.25  # upper edge of a notch, of the lower one: own choice, about a third of an octave
LEVELS_DB_SPL = (0.0, 120.0)  # own choice: what a plan may ask for
_EDGE_WIDTH_HZ = 20.0  # of every edge: about 50 dB in 0.23 octaves at 125 Hz, and in less above
_PIECES = 200  # of the band, over which the response of an earphone is averaged


@dataclass(frozen=True)
class IpsilateralNoise:
    """Noise in the ear `ear`, where the stimulus goes too. Raises LevelError.

    `level_db`: RMS of the whole `BAND_HZ` before it is cut: dB SPL as the calibration of `ceiling` has it, with the response of
    the earphone; with `in_fs` dB re full scale (of a sine whose peak-to-peak value is 1.0). `edges_hz`: () for broadband, (edge,)
    for high-pass, (lower, upper) of a notch; the gain is -6 dB there. `ceiling`: that of the stimulus.

    The noise never exceeds plus or minus 4 `rms`, its own RMS re 1.0.
    """

    noise: IpsilateralKind
    level_db: float
    ear: str
    rate_hz: float
    ceiling: Ceiling
    edges_hz: tuple[float, ...] = ()
    in_fs: bool = False
    seed: int = 0

    stream: ClassVar[int] = 0x706C616365  # apart from the pauses of the schedule and the noise in the other ear

    def __post_init__(self) -> None:
        if self.noise not in KINDS:
            raise LevelError(f"ipsilateral_noise = {self.noise!r}; allowed are {', '.join(KINDS)}")
        if self.ear not in EARS:
            raise LevelError(f"ear of the ipsilateral noise = {self.ear!r}; allowed are {', '.join(EARS)}")
        if self.ceiling.transducer == BONE:
            raise LevelError(
                "ipsilateral noise by a bone vibrator: it gives no noise of a known level over a wide band: use an earphone, or "
                "leave ipsilateral_noise out"
            )
        require_edges(self.noise, self.edges_hz)
        if not self.rate_hz >= 3.0 * BAND_HZ[1]:
            raise LevelError(f"ipsilateral noise at {self.rate_hz:g} Hz; allowed are {3.0 * BAND_HZ[1]:g} Hz and more")
        if not self.in_fs:
            if self.ceiling.calibration is None:
                raise LevelError(
                    f"ipsilateral noise of {self.level_db:g} dB SPL without a calibration: name one, or give the level in dB re "
                    "full scale"
                )
            low, high = LEVELS_DB_SPL
            if not low <= self.level_db <= high:  # nan ends here too
                raise LevelError(f"ipsilateral_noise_level_db_spl = {self.level_db:g}; allowed is {low:g} to {high:g} dB SPL")
        _ = self.rms

    @property
    def level(self) -> tuple[float, str]:
        """The level and its unit, as it was given."""
        return self.level_db, "dB re full scale" if self.in_fs else "dB SPL"

    @property
    def bands_hz(self) -> tuple[float, ...]:
        """Edges of what is left of the band, in pairs: from, to."""
        if self.noise == "notched":
            return (BAND_HZ[0], *self.edges_hz, BAND_HZ[1])
        return (*(self.edges_hz or BAND_HZ[:1]), BAND_HZ[1])

    @cached_property
    def filter(self) -> NDArray[np.float64]:
        """Taps of a linear-phase filter with gain 1 in `bands_hz`, the same number for all kinds."""
        return _taps(self.bands_hz, self.rate_hz)

    @cached_property
    def rms(self) -> float:
        """RMS of the samples re 1.0, after the cut."""
        whole = float(np.sum(_taps(BAND_HZ, self.rate_hz) ** 2))
        return rms_of_fs(self._level_db_fs) * math.sqrt(float(np.sum(self.filter**2)) / whole)

    @property
    def swing(self) -> float:
        """Factor by which the RMS of 125 ms may exceed `rms`; at most one of 1e9 stretches of 125 ms exceeds it."""
        return rms_swing(self.filter, self.rate_hz)

    @property
    def density_db(self) -> float:
        """Level in 1 Hz where nothing is cut, in the unit of `level`."""
        whole = float(np.sum(_taps(BAND_HZ, self.rate_hz) ** 2)) * self.rate_hz / 2.0
        return self.level_db - 10.0 * math.log10(whole)

    @property
    def _level_db_fs(self) -> float:
        calibration = self.ceiling.calibration
        if self.in_fs or calibration is None:
            return self.level_db
        edges = np.linspace(*BAND_HZ, _PIECES + 1)
        powers = [10.0 ** (calibration.response_db(self.ear, float(hz)) / 10.0) for hz in (edges[1:] + edges[:-1]) / 2.0]
        return self.level_db - calibration.full_scale_db_ppe_spl(self.ear) - 10.0 * math.log10(sum(powers) / _PIECES)


def usual_edges_hz(noise: IpsilateralKind, frequency_hz: float | None) -> tuple[float, ...]:
    """Edges about a tone burst: a notch one octave wide, half an octave to either side; a high-pass half an octave above it. ()
    for broadband noise, and without a frequency."""
    if frequency_hz is None or noise == "broadband":
        return ()
    low, high = frequency_hz / math.sqrt(2.0), frequency_hz * math.sqrt(2.0)
    return (low, high) if noise == "notched" else (high,)


def require_edges(noise: IpsilateralKind, edges_hz: tuple[float, ...]) -> None:
    """Raise LevelError for edges that this noise does not have, or that leave none of it."""
    number = KINDS.index(noise)
    if len(edges_hz) != number:
        raise LevelError(
            f"ipsilateral_noise = {noise!r} with {len(edges_hz)} edges; it has {number}: give them, or the frequency of a burst"
        )
    for hz in edges_hz:
        if not EDGES_HZ[0] <= hz <= EDGES_HZ[1]:  # nan ends here too
            raise LevelError(
                f"ipsilateral_noise = {noise!r} with an edge at {hz:.6g} Hz; allowed is {EDGES_HZ[0]:g} to {EDGES_HZ[1]:g} Hz: "
                f"the noise goes from {BAND_HZ[0]:g} to {BAND_HZ[1]:g} Hz. Move the edge"
            )
    if number == 2 and not edges_hz[1] >= LEAST_NOTCH * edges_hz[0]:
        raise LevelError(
            f"notch from {edges_hz[0]:.6g} to {edges_hz[1]:.6g} Hz; the upper edge is at least {LEAST_NOTCH:g} times the lower "
            "one: widen it"
        )


def _taps(bands_hz: tuple[float, ...], rate_hz: float) -> NDArray[np.float64]:
    taps = math.ceil(3.3 * rate_hz / _EDGE_WIDTH_HZ) | 1
    return np.asarray(signal.firwin(taps, bands_hz, pass_zero=False, fs=rate_hz, scale=False), dtype=np.float64)


def most_rms(peak_to_peak: float, rms: float, swing: float) -> float:
    """Largest RMS of noise whose peaks fill a peak-to-peak value, and whose 125 ms an RMS, that are left beside a stimulus."""
    return min(peak_to_peak / (2.0 * CREST), rms / swing)
