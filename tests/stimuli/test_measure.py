"""Levels read from recordings whose truth is known: another clock, an offset, noise, a start anywhere."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.stimuli.calibration import LevelError
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.dose import limit_pa2s
from quietfloor.stimuli.levels import peak_to_peak_pa, zeq_minus_ppe_db
from quietfloor.stimuli.measure import MeasureError, steady_part, tone_rms, train_peak_to_peak, train_rms
from quietfloor.stimuli.probe import ToneFrames, train_frames
from quietfloor.stimuli.stimulus import StimulusSpec
from quietfloor.stimuli.waveforms import click

RATE_HZ = 48_000.0


@settings(max_examples=40)
@given(
    ppm=st.floats(-200, 200), seconds=st.floats(1, 4), phase=st.floats(0, 7), peak=st.floats(1e-6, 1e3),
    rate=st.sampled_from([4000.0, 16_000.0, 44_100.0, 48_000.0]),
)  # fmt: skip
def test_a_tone_is_read_within_a_hundredth_of_a_decibel(ppm, seconds, phase, peak, rate):
    t = np.arange(round(seconds * rate)) / rate * (1 + ppm * 1e-6)
    tone = peak * np.sin(2 * np.pi * 1000 * t + phase) + 0.3 * peak  # an offset, as amplifiers have
    assert 20 * math.log10(tone_rms(tone, rate, 1000.0) / (peak / math.sqrt(2))) == pytest.approx(0, abs=0.02)


def test_noise_is_taken_off():
    random = np.random.default_rng(3)
    t = np.arange(32_000) / 16_000
    for _ in range(20):
        noisy = np.sin(2 * np.pi * 1000 * t + random.uniform(0, 7)) + random.standard_normal(t.size)
        assert 20 * math.log10(tone_rms(noisy, 16_000.0, 1000.0) * math.sqrt(2)) == pytest.approx(0, abs=0.25)


def test_no_tone_is_no_level():
    noise = np.random.default_rng(1).standard_normal(32_000)
    for samples in (noise, np.zeros(32_000), noise + 0.02 * np.sin(2 * np.pi * 1000 * np.arange(32_000) / 16_000)):
        with pytest.raises(MeasureError, match="connected"):
            tone_rms(samples, 16_000.0, 1000.0)
    with pytest.raises(MeasureError, match=r"at least 0\.2 s"):
        tone_rms(noise[:100], 16_000.0, 1000.0)
    with pytest.raises(MeasureError, match="not in a recording"):
        tone_rms(noise, 2000.0, 1000.0)


def test_the_steady_part_of_a_tone():
    """Silence, rise, 1.2 s of tone, a hole, 0.6 s of tone, silence: the longer one is taken."""
    t = np.arange(16_000 * 4) / 16_000
    size = np.interp(t, [0.5, 0.8, 2.0, 2.01, 2.4, 2.41, 3.0, 3.01], [0, 1, 1, 0, 0, 1, 1, 0])
    noise = 0.001 * np.random.default_rng(4).standard_normal(t.size)
    part = steady_part(size * np.sin(2 * np.pi * 1000 * t) + noise, 16_000.0, 1000.0)
    assert 1.05 < part.size / 16_000 < 1.3
    assert 20 * math.log10(tone_rms(part, 16_000.0, 1000.0) * math.sqrt(2)) == pytest.approx(0, abs=0.03)
    with pytest.raises(MeasureError, match=r"0\.2 s"):
        steady_part(t[:1000], 16_000.0, 1000.0)


def train(waveform, rate_hz, seconds=4.0, ppm=0.0, start=0.0123, noise=0.0, rate_per_s=20.0):
    """A recording of a train on another clock: each sound placed by its spectrum, to a fraction of a sample."""
    n = round(seconds * rate_hz)
    assert waveform.rate_hz == rate_hz
    spectrum = np.zeros(n // 2 + 1, dtype=complex)
    hz = np.fft.rfftfreq(n, 1 / rate_hz)
    one = np.fft.rfft(waveform.samples, n)
    for k in range(int(seconds * rate_per_s) - 1):
        spectrum += one * np.exp(-2j * np.pi * hz * (start + k / rate_per_s * (1 + ppm * 1e-6)))
    return np.fft.irfft(spectrum, n) + noise * np.random.default_rng(5).standard_normal(n)


@pytest.mark.parametrize("ppm", [0.0, 90.0])
@pytest.mark.parametrize(("kind", "hz"), [("tone-burst", 1000.0), ("octave-chirp", 2000.0), ("chirp", None)])
def test_the_peak_to_peak_value_of_a_train(kind, hz, ppm):
    waveform = StimulusSpec(kind, frequency_hz=hz).waveform(RATE_HZ)
    recorded = train(waveform, RATE_HZ, ppm=ppm, noise=0.002)
    measured = 20 * math.log10(train_peak_to_peak(recorded, RATE_HZ) / waveform.peak_to_peak)
    assert measured == pytest.approx(0, abs=0.15)  # peaks between samples are higher than samples


@pytest.mark.parametrize("kind", ["click", "chirp"])
def test_the_rms_of_a_train_is_its_energy(kind):
    waveform = StimulusSpec(kind).waveform(RATE_HZ)
    recorded = train(waveform, RATE_HZ, noise=0.001)
    expected = math.sqrt(20 * np.sum(waveform.samples**2) / RATE_HZ)
    assert 20 * math.log10(train_rms(recorded, RATE_HZ) / expected) == pytest.approx(0, abs=0.1)
    ppe = waveform.peak_to_peak / (2 * math.sqrt(2))
    assert 20 * math.log10(train_rms(recorded, RATE_HZ) / ppe) == pytest.approx(zeq_minus_ppe_db(waveform), abs=0.1)


def test_no_train_is_no_level():
    noise = np.random.default_rng(2).standard_normal(200_000)
    with pytest.raises(MeasureError, match="no train"):
        train_peak_to_peak(noise, RATE_HZ)
    with pytest.raises(MeasureError, match="5 periods"):
        train_peak_to_peak(noise[:5000], RATE_HZ)
    with pytest.raises(MeasureError, match="finite"):
        train_rms(np.full(200_000, math.nan), RATE_HZ)


# -- what is played for it -------------------------------------------------------------------------------------------


def test_a_measuring_tone_is_a_tone_of_its_level_in_one_ear():
    frames = ToneFrames(1000.0, -40.0, "left", 3.0, Ceiling("insert", "adult"), RATE_HZ)
    x = frames.read(frames.total_samples)
    assert not x[1:].any()
    assert frames.finished
    assert x[0, 0] == 0
    assert x[0, -1] == 0
    middle = x[0, 48_000:96_000].astype(float)
    assert middle.max() - middle.min() == pytest.approx(0.01, rel=1e-4)
    assert tone_rms(middle, RATE_HZ, 1000.0) == pytest.approx(0.005 / math.sqrt(2), rel=1e-3)
    assert frames.limited_samples == 0


def test_a_measuring_train_is_20_per_second_of_one_polarity():
    frames = train_frames(click(RATE_HZ), -30.0, "right", 2.0, Ceiling("insert", "adult"))
    x = frames.read(frames.total_samples)
    assert np.diff([sweep.onset_sample for sweep in frames.sweeps]).tolist() == [2400] * 39
    assert x[1].min() == 0
    assert 20 * math.log10(x[1].max()) == pytest.approx(-30, abs=1e-4)


@pytest.mark.parametrize(("level", "seconds", "hz"), [(-19.9, 3, 1000), (-40, 0.5, 1000), (-40, 61, 1000), (-40, 3, 10)])
def test_measuring_tones_have_limits_too(level, seconds, hz):
    with pytest.raises(LevelError, match=r"ceiling|allowed"):
        ToneFrames(hz, level, "left", seconds, Ceiling("insert", "adult"), RATE_HZ)


@pytest.mark.parametrize(("level", "seconds"), [(-19.9, 3), (-40, 0.05), (-40, 61)])
def test_measuring_trains_have_limits_too(level, seconds):
    with pytest.raises(LevelError, match=r"ceiling|allowed"):
        train_frames(click(RATE_HZ), level, "left", seconds, Ceiling("insert", "adult"))


def test_a_measuring_tone_counts_as_a_sound_that_lasts():
    with pytest.raises(LevelError, match=r"allows -34\.0 dB"):
        ToneFrames(1000.0, -33.9, "left", 20.0, Ceiling("insert", "adult"), RATE_HZ)


def test_a_measuring_tone_ends_at_the_dose_of_an_unknown_output():
    """-35 dB re the loudest full scale that is plausible is 115 dB SPL: half a minute of it is a day's sum."""
    frames = ToneFrames(1000.0, -35.0, "left", 40.0, Ceiling("insert", "adult"), RATE_HZ)
    x = frames.read(frames.total_samples)[0].astype(float)
    assert frames.dose_exhausted
    assert np.sum(x**2) / RATE_HZ * peak_to_peak_pa(150.0) ** 2 == pytest.approx(limit_pa2s("adult"), rel=1e-3)
