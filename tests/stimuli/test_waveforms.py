import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietfloor.stimuli.stimulus import PARAMETERS
from quietfloor.stimuli.waveforms import WAVEFORMS, Waveform, click, is_registered, standard_form


def test_click_at_48_khz_is_4_8_samples():
    wave = click(48_000)
    np.testing.assert_allclose(wave.samples, [1, 1, 1, 1, 0.8], atol=1e-12)
    assert wave.peak_to_peak == 1.0
    assert wave.time_zero_s == 0.0


@given(rate_hz=st.floats(11_000, 400_000), duration_us=st.floats(91, 1000))
def test_area_is_exact_at_any_rate(rate_hz, duration_us):
    wave = click(rate_hz, duration_us)
    assert wave.samples.sum() / rate_hz == pytest.approx(duration_us * 1e-6, rel=1e-9)
    assert wave.samples.max() == 1.0
    assert wave.samples.min() >= 0.0


def spectrum_db(wave, frequency_hz):
    """Fourier transform of the samples at one frequency, re DC: the sum written out."""
    n = np.arange(wave.samples.size)
    value = np.sum(wave.samples * np.exp(-2j * np.pi * frequency_hz * n / wave.rate_hz))
    return 20 * np.log10(abs(value) / wave.samples.sum() + 1e-20)


# Ideal rectangular pulse of 100 us, |sin(pi f T) / (pi f T)|: standard Fourier transform, worked out.
@pytest.mark.parametrize(("frequency_hz", "db"), [(1000, -0.14), (2000, -0.58), (4000, -2.42), (5000, -3.92), (8000, -12.6)])
def test_spectrum_of_the_ideal_pulse(frequency_hz, db):
    assert spectrum_db(click(10e6), frequency_hz) == pytest.approx(db, abs=0.05 if frequency_hz == 8000 else 0.006)


def test_spectrum_has_its_first_null_at_10_khz():
    assert spectrum_db(click(10e6), 10_000) < -200
    assert spectrum_db(click(10e6), 9_000) > -25


def test_spectrum_at_48_khz_follows_the_ideal_pulse_to_4_khz():
    for frequency_hz in (250, 500, 1000, 2000, 4000):
        assert spectrum_db(click(48_000), frequency_hz) == pytest.approx(spectrum_db(click(10e6), frequency_hz), abs=0.2)


@pytest.mark.parametrize("name", WAVEFORMS)
def test_every_registered_waveform(name):
    wave = standard_form(name, 48_000.0, 500.0 if "frequency_hz" in PARAMETERS[name] else None)
    assert wave.name == name
    assert 0.7 < np.abs(wave.samples).max() <= 1.0
    assert 1.0 <= wave.peak_to_peak <= 2.0
    assert 0.0 <= wave.time_zero_s <= wave.samples.size / wave.rate_hz
    assert is_registered(wave)
    with pytest.raises(ValueError, match="read-only"):
        wave.samples[0] = 2.0


def test_a_name_alone_is_not_a_registered_waveform():
    assert not is_registered(Waveform("click", np.sin(np.arange(100)), 48_000))
    assert not is_registered(Waveform("song", click(48_000).samples, 48_000))


@pytest.mark.parametrize("samples", [[], [[1.0]], [np.nan], [np.inf], [0.0, 0.0], [1.1]])
def test_refuses_bad_samples(samples):
    with pytest.raises(ValueError, match="waveform 'x'"):
        Waveform("x", np.array(samples), 48_000)


@pytest.mark.parametrize(("rate_hz", "duration_us"), [(48_000, 0), (48_000, -5), (48_000, float("nan")), (1000, 100)])
def test_refuses_bad_click(rate_hz, duration_us):
    with pytest.raises(ValueError, match="us"):
        click(rate_hz, duration_us)
