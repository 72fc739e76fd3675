"""Measures of a waveform against sums that can be done by hand."""

import numpy as np
import pytest

from quietfloor.stimuli.base import Waveform
from quietfloor.stimuli.spectra import envelope, figures, spectrum
from quietfloor.stimuli.stimulus import StimulusSpec


def test_click_of_100_us():
    """|sinc(f T)|: -10 dB at 7.38 kHz, -20 dB at 9.08 kHz, null at 10 kHz (worked out); 100 us: IEC 60645-3 (from memory)."""
    measured = figures(StimulusSpec().waveform(1e6))
    assert measured.duration_s == pytest.approx(1e-4)
    assert (measured.peak_to_peak, measured.rms, measured.crest_db) == (1.0, 1.0, 0.0)
    assert measured.strongest_hz == 0.0
    (_, (low, high)), (_, (low20, high20)) = measured.band_db_hz
    assert (low, low20) == (0.0, 0.0)
    assert high == pytest.approx(7382, abs=5)
    assert high20 == pytest.approx(9080, abs=5)
    frequency_hz, level_db = spectrum(StimulusSpec().waveform(1e6))
    assert level_db[frequency_hz.searchsorted(5000)] == pytest.approx(-3.92, abs=0.01)
    assert level_db[frequency_hz.searchsorted(10_000)] < -60


def test_a_long_sine():
    """RMS 1 / sqrt 2, crest 3.01 dB, one line as wide as 1 / its length."""
    n = np.arange(48_000)
    sine = Waveform("custom", np.sin(2 * np.pi * 1000 * n / 48_000), 48_000, smooth=True)
    measured = figures(sine)
    assert measured.rms == pytest.approx(2**-0.5, rel=1e-3)
    assert measured.crest_db == pytest.approx(3.01, abs=0.05)
    assert measured.peak_to_peak == pytest.approx(2.0, abs=0.01)
    assert measured.strongest_hz == pytest.approx(1000, abs=1)
    low, high = measured.band_db_hz[0][1]
    assert high - low < 3


def test_2_1_2_burst():
    """RMS of a sine under rise 2, plateau 1, fall 2: sqrt((2/3 + 1 + 2/3) / 5 / 2) = 0.4830 (worked out, its phase left out)."""
    measured = figures(StimulusSpec("tone-burst", 1000).waveform(48_000))
    assert measured.rms == pytest.approx(0.483, abs=0.002)
    assert measured.crest_db == pytest.approx(-20 * np.log10(0.483), abs=0.04)
    low, high = measured.band_db_hz[0][1]
    assert (low + high) / 2 == pytest.approx(1000, rel=0.01)


def test_envelope_follows_the_trapezoid_and_time_zero():
    wave = StimulusSpec("tone-burst", 2000).waveform(96_000)
    times_s, values, around = envelope(wave, margin_s=1e-3)
    assert times_s[0] == pytest.approx(-1e-3, abs=2e-5)
    wanted = np.clip(np.minimum(times_s / 1e-3, (2.5e-3 - times_s) / 1e-3), 0, 1)
    assert np.abs(around - wanted).max() < 0.09  # corners are rounded
    assert np.all(around >= np.abs(values) - 1e-9)
    chirp = StimulusSpec("chirp").waveform(48_000)
    times_s, _, around = envelope(chirp)
    assert abs(times_s[around.argmax()]) < 0.2e-3  # loudest where the fast frequencies are, close to time zero
    assert times_s[0] == pytest.approx(-chirp.time_zero_s)


def test_a_band_without_ends():
    """One sample is flat: both bands reach from 0 to half the rate."""
    measured = figures(Waveform("custom", np.array([1.0]), 48_000))
    assert [band for _, band in measured.band_db_hz] == [(0.0, 24_000.0)] * 2
