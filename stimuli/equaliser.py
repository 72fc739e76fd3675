"""Equalisation of an earphone: a stimulus passes the inverse of the response that the calibration measured, so that it has the
spectrum of the ideal stimulus at the coupler.

Tones give the magnitude of a response, not its phase. The filter has minimum phase: an earphone that has it too, apart from the
delay of its tube, is undone in time as well as in spectrum (textbooks, from memory: the inverse of a minimum-phase system is one
too). Nothing is delayed, so time zero stays. Between the rows the response follows a monotone cubic over the logarithm of
frequency, which overshoots nowhere; beyond the first and last row the gain of that row holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from quietfloor.stimuli.base import Waveform, scaled
from quietfloor.stimuli.calibration import EARS, Calibration, LevelError
from quietfloor.stimuli.levels import Basis
from quietfloor.stimuli.waveforms import WAVEFORMS

Floats = NDArray[np.float64]

# Own choices: what a response must say before it is inverted, and how much.
COVERED_HZ = (500.0, 4000.0)
WIDEST_OCTAVES = 1.0  # from one row to the next
MOST_BOOST_DB = 20.0
END_DB = -60.0  # the sound ends where nothing larger follows, re its largest value
FADE_S = 0.5e-3
_POINTS = 1 << 15


@dataclass(frozen=True)
class Equalised:
    """A stimulus as it is sent to the earphone. ``band_hz``: in which it is equalised. ``boost_db``: the largest gain.

    ``costs_db``: how much more peak to peak is sent than arrives at the coupler, re full scale of the calibration; the highest
    level that can be reached is lower by so much (below 0: higher).
    """

    waveform: Waveform
    band_hz: tuple[float, float]
    boost_db: float
    costs_db: float


def equalised(waveform: Waveform, calibration: Calibration, ear: str) -> Equalised:
    """The stimulus through the inverse of the response of ``calibration`` at ``ear``. Raises LevelError for a response that says
    too little, or needs too large a gain."""
    rows = [(row[0], row[1 + EARS.index(ear)]) for row in calibration.response]
    _require_enough(rows, waveform, calibration.id)
    hz, db = np.array(rows).T
    ideal = waveform.samples
    made = np.convolve(ideal, minimum_phase(-_between(hz, db, waveform.rate_hz)))
    made = _ended(made, ideal.size, waveform.rate_hz)
    largest = scaled(made) if waveform.smooth else made / np.abs(made).max()
    sent = replace(waveform, name=f"{waveform.name} equalised", samples=largest, frequency_hz=None)
    times = float(np.abs(made).max() / np.abs(largest).max())
    costs_db = 20.0 * math.log10(times * sent.peak_to_peak / waveform.peak_to_peak)
    return Equalised(sent, (rows[0][0], rows[-1][0]), max(0.0, float(-db.min())), costs_db)


def basis_of(made: Equalised, calibration: Calibration, ear: str) -> Basis:
    """On what a level in dB p-p.e. SPL of an equalised sound rests: the full scale of the calibration, as of an earphone without
    response of its own. What the earphone does beyond the rows counts in the peaks of a click, and is not known: on an earphone
    made for the tests a burst is within 0.1 dB of its level, a click 1.5 dB louder. What arrives has the shape of the ideal
    stimulus: `Basis.record` takes that one. Raises LevelError."""
    if calibration.measured_with.replace(" ", "-").startswith((*WAVEFORMS, "custom")):  # such as "tone burst 1000 Hz"
        raise LevelError(
            f"equalise: full scale of calibration {calibration.id!r} was measured with {calibration.measured_with}, whose "
            "level has the response of the earphone in it: calibrate with a tone (`quietfloor calibrate FILE`), or give "
            "level_db_fs"
        )
    full_scale_db = calibration.full_scale_db_ppe(ear) - made.costs_db
    text = f"measured with {calibration.measured_with}; of the equalised sound computed, for an earphone of minimum phase"
    return Basis(full_scale_db, 0.0, "ppe", text, None)


def minimum_phase(gain_db: Floats) -> Floats:
    """The impulse response (2 (n - 1),) with this gain (n,) at even steps from 0 to half the sampling rate, by the real cepstrum;
    exactly 1, 0, 0, ... for a gain of 0 dB."""
    cepstrum = np.fft.irfft(gain_db / 20.0 * math.log(10.0))
    half = len(cepstrum) // 2
    folded = np.concatenate([cepstrum[:1], 2.0 * cepstrum[1:half], cepstrum[half : half + 1], np.zeros(half - 1)])
    return np.fft.irfft(np.exp(np.fft.rfft(folded)))


def _between(hz: Floats, db: Floats, rate_hz: float) -> Floats:
    """The response in dB at `_POINTS` / 2 + 1 even steps from 0 to half the sampling rate."""
    from scipy.interpolate import PchipInterpolator  # takes longer to load than the rest of the program

    grid = np.clip(np.fft.rfftfreq(_POINTS, 1.0 / rate_hz), hz[0], hz[-1])
    return np.asarray(PchipInterpolator(np.log(hz), db)(np.log(grid)), dtype=np.float64)


def _ended(samples: Floats, least: int, rate_hz: float) -> Floats:
    """Without the end that is smaller than `END_DB`, faded out, but at least so many samples."""
    last = int(np.flatnonzero(np.abs(samples) > 10.0 ** (END_DB / 20.0) * np.abs(samples).max())[-1])
    last = max(last, least - 1)
    fade = round(FADE_S * rate_hz)
    kept = samples[: last + 1 + fade].copy()
    rest = kept[last + 1 :]
    rest *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, len(rest) + 1) / (len(rest) + 1))
    return kept if np.any(rest) else kept[: last + 1]


def _require_enough(rows: list[tuple[float, float]], waveform: Waveform, name: str) -> None:
    remedy = "add rows with `quietfloor calibrate FILE --add --frequency-hz HZ`, or leave equalise out"
    if not rows or rows[0][0] > COVERED_HZ[0] or rows[-1][0] < COVERED_HZ[1]:
        has = f"from {rows[0][0]:g} to {rows[-1][0]:g} Hz" if rows else "nowhere"
        raise LevelError(
            f"equalise: calibration {name!r} has a response {has}; it must reach from {COVERED_HZ[0]:g} Hz or lower to "
            f"{COVERED_HZ[1]:g} Hz or higher: {remedy}"
        )
    for (low_hz, _), (high_hz, _) in pairwise(rows):
        if math.log2(high_hz / low_hz) > WIDEST_OCTAVES + 0.01:
            raise LevelError(
                f"equalise: calibration {name!r} has no response between {low_hz:g} and {high_hz:g} Hz; allowed is an octave "
                f"from one row to the next: {remedy}"
            )
    low_db, at_hz = min((db, hz) for hz, db in rows)
    if not -low_db <= MOST_BOOST_DB:
        raise LevelError(
            f"equalise: calibration {name!r} has {low_db:g} dB at {at_hz:g} Hz; allowed is down to {-MOST_BOOST_DB:g} dB, as "
            "much as is made up for: leave that row out, or leave equalise out"
        )
    hz = waveform.frequency_hz
    if hz is not None and not rows[0][0] <= hz <= rows[-1][0]:
        raise LevelError(
            f"equalise: {waveform.name} of {hz:g} Hz, and calibration {name!r} has a response from {rows[0][0]:g} to "
            f"{rows[-1][0]:g} Hz: {remedy}"
        )
