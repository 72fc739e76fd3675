"""Measures of a waveform: duration, size, spectrum, envelope. They describe the electric signal; an earphone changes them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import hilbert

from quietfloor.stimuli.base import Waveform, between_samples

Floats = NDArray[np.float64]

SPACING_HZ = 2.0  # at most, of the spectrum's points
BANDS_DB = (10.0, 20.0)


@dataclass(frozen=True)
class WaveformMeasures:
    """Measures of one waveform.

    `rms` is over its duration, without silence; `crest_db` is the peak re that RMS. `band_db_hz`: for each level of `BANDS_DB`
    the lowest and highest frequency around the strongest frequency between which the spectrum stays within that many dB of its
    maximum. The lowest is 0 and the highest half the rate if the spectrum does not fall so far.
    """

    duration_s: float
    peak_to_peak: float
    rms: float
    crest_db: float
    strongest_hz: float
    band_db_hz: tuple[tuple[float, tuple[float, float]], ...]


def figures(waveform: Waveform) -> WaveformMeasures:
    """Return the measures of a waveform."""
    values = between_samples(waveform.samples) if waveform.smooth else waveform.samples
    rms = math.sqrt(float(np.mean(np.square(waveform.samples))))
    frequency_hz, level_db = spectrum(waveform)
    return WaveformMeasures(
        duration_s=waveform.duration_s,
        peak_to_peak=waveform.peak_to_peak,
        rms=rms,
        crest_db=20 * math.log10(float(np.abs(values).max()) / rms),
        strongest_hz=float(frequency_hz[np.argmax(level_db)]),
        band_db_hz=tuple((down_db, band_hz(frequency_hz, level_db, down_db)) for down_db in BANDS_DB),
    )


def spectrum(waveform: Waveform, spacing_hz: float = SPACING_HZ) -> tuple[Floats, Floats]:
    """Frequencies in Hz from 0 to half the rate, `spacing_hz` or less apart, and levels in dB re the strongest; both (n,)."""
    wanted = max(waveform.samples.size, waveform.rate_hz / spacing_hz)
    long = 1 << math.ceil(math.log2(wanted))
    size = np.abs(np.fft.rfft(waveform.samples, long))
    level_db = 20 * np.log10(np.maximum(size / size.max(), 1e-10))
    return np.fft.rfftfreq(long, 1 / waveform.rate_hz).astype(np.float64), level_db.astype(np.float64)


def band_hz(frequency_hz: Floats, level_db: Floats, down_db: float) -> tuple[float, float]:
    """Lowest and highest frequency around the strongest one between which the level stays within `down_db` of it; interpolated.
    """
    top = int(np.argmax(level_db))
    limit = float(level_db[top]) - down_db
    below = np.flatnonzero(level_db[:top] < limit)
    above = np.flatnonzero(level_db[top:] < limit) + top
    low = _crossing(frequency_hz, level_db, int(below[-1]), limit) if below.size else 0.0
    high = _crossing(frequency_hz, level_db, int(above[0]) - 1, limit) if above.size else float(frequency_hz[-1])
    return low, high


def _crossing(frequency_hz: Floats, level_db: Floats, index: int, limit: float) -> float:
    """Frequency at which the straight line from point `index` to the next crosses `limit`."""
    share = (limit - level_db[index]) / (level_db[index + 1] - level_db[index])
    return float(frequency_hz[index] + share * (frequency_hz[index + 1] - frequency_hz[index]))


def envelope(waveform: Waveform, margin_s: float = 0.0) -> tuple[Floats, Floats, Floats]:
    """Times in s after time zero, the curve, and its envelope (magnitude of the analytic signal); all (n,).

    Smooth sounds are evaluated between samples. `margin_s` of silence is added on either side, because the envelope of a sound
    with hard edges extends beyond it.
    """
    margin = math.ceil(margin_s * waveform.rate_hz)
    samples = np.pad(waveform.samples, margin)
    values = between_samples(samples) if waveform.smooth else samples
    rate_hz = waveform.rate_hz * values.size / samples.size
    times_s = np.arange(values.size) / rate_hz - margin / waveform.rate_hz - waveform.time_zero_s
    analytic = hilbert(values, 1 << math.ceil(math.log2(4 * values.size)))
    return times_s, values, np.abs(analytic)[: values.size].astype(np.float64)
