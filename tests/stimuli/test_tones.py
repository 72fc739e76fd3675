"""Tone bursts against what the signal standard and plain arithmetic say of them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietfloor.stimuli.tones import ENVELOPES, LONGEST_S, tone_burst

RATES = (44_100.0, 48_000.0, 96_000.0)


# 5 / f for 2-1-2 cycles (IEC 60645-3, from memory; worked out): 10, 5, 2.5, 1.25 ms at 0.5, 1, 2, 4 kHz, and so many samples.
@pytest.mark.parametrize(
    ("frequency_hz", "ms", "samples"), [(500, 10, 480), (1000, 5, 240), (2000, 2.5, 120), (4000, 1.25, 60), (250, 20, 960)]
)
def test_durations_of_2_1_2_bursts(frequency_hz, ms, samples):
    burst = tone_burst(48_000, frequency_hz)
    assert burst.samples.size == samples
    assert burst.duration_s == pytest.approx(1e-3 * ms)
    assert burst.frequency_hz == frequency_hz
    assert burst.time_zero_s == 0.0
    # At a rate that does not divide the burst (27.56 samples a cycle at 44.1 kHz, worked out) it ends within its last sample.
    assert 0 <= tone_burst(44_100, frequency_hz).duration_s - 1e-3 * ms < 1 / 44_100


def test_rise_plateau_fall_of_the_linear_envelope():
    """Crests of the sine under a line: at 0.25, 0.75, ... cycles the burst is the envelope itself, (n + 1/4) / 2 on the rise."""
    burst = tone_burst(48_000, 1000).samples
    crests = burst[12::24]  # 48 samples a cycle, a quarter cycle in, then every half
    envelope = np.array([0.125, 0.375, 0.625, 0.875, 1, 1, 0.875, 0.625, 0.375, 0.125])
    np.testing.assert_allclose(crests, envelope * np.array([1, -1] * 5), atol=1e-12)


@pytest.mark.parametrize(("envelope", "half_way"), [("linear", 0.5), ("cosine", 0.5), ("blackman", 0.34)])
def test_envelopes_half_way_up(envelope, half_way):
    """Half a Blackman window half way: 0.42 - 0.5 cos(pi / 2) + 0.08 cos(pi) = 0.34 (definition of the window)."""
    shape = ENVELOPES[envelope]
    np.testing.assert_allclose(shape(np.array([0.0, 0.5, 1.0])), [0, half_way, 1], atol=1e-12)
    rise = shape(np.linspace(0, 1, 100))
    assert np.all(np.diff(rise) > 0)


@given(
    frequency_hz=st.floats(250, 8000),
    rate_hz=st.floats(32_000, 192_000),
    cycles=st.tuples(st.floats(0.5, 6), st.floats(0, 10), st.floats(0.5, 6)),
    envelope=st.sampled_from(sorted(ENVELOPES)),
)
def test_every_burst(frequency_hz, rate_hz, cycles, envelope):
    burst = tone_burst(rate_hz, frequency_hz, cycles, envelope)
    assert burst.samples[0] == 0.0
    assert np.abs(burst.samples).max() <= 1.0
    assert burst.samples[1] > 0.0  # condensation: the first half-wave is positive
    assert burst.duration_s == pytest.approx(sum(cycles) / frequency_hz, abs=1 / rate_hz)
    assert burst.peak_to_peak <= 2.0 * 1.05


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("frequency_hz", [250, 500, 1000, 2000, 4000, 6000, 8000])
def test_peak_to_peak_is_that_of_the_curve_between_the_samples(rate_hz, frequency_hz):
    """2-1-2 cycles reach +1 and -1 on the plateau, wherever the samples fall: 8 kHz at 48 kHz has none above 0.87."""
    assert tone_burst(rate_hz, frequency_hz).peak_to_peak == pytest.approx(2.0, rel=0.003)


@pytest.mark.parametrize("envelope", ENVELOPES)
def test_spectrum_peaks_at_its_frequency(envelope):
    burst = tone_burst(48_000, 2000, envelope=envelope)
    n = 1 << 16
    size = np.abs(np.fft.rfft(burst.samples, n))
    assert np.fft.rfftfreq(n, 1 / 48_000)[size.argmax()] == pytest.approx(2000, rel=0.01)


def test_trapezoid_spectrum():
    """Transform of a trapezoid: sinc(3 x) sinc(2 x), x = (f - fc) / fc (rise of 2 cycles, width of 3 at half its height).

    First null at fc / 3 from the centre: sinc(3 x) = 0 at x = 1/3. Read at a high frequency, where the mirror image is far away.
    """
    rate_hz, fc = 192_000.0, 8000.0
    burst = tone_burst(rate_hz, fc, (8.0, 4.0, 8.0))  # four times longer: x counts four times
    t = np.arange(burst.samples.size) / rate_hz

    def at(frequency_hz):
        return abs(np.sum(burst.samples * np.exp(-2j * np.pi * frequency_hz * t)))

    for part in (0.2, 0.5, 0.7, 1.5):
        x = part / 3 / 4
        expected = abs(np.sinc(12 * x) * np.sinc(8 * x))
        assert at(fc * (1 + x)) / at(fc) == pytest.approx(expected, abs=0.02)
    assert at(fc * (1 + 1 / 12)) / at(fc) < 0.02


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"frequency_hz": 0}, "allowed is up to"),
        ({"frequency_hz": 20_000}, "19200 Hz: raise the rate"),
        ({"frequency_hz": float("nan")}, "allowed is up to"),
        ({"cycles": (-1, 1, 2)}, "0 or more"),
        ({"cycles": (0.1, 0, 0.1)}, "at least 1"),
        ({"cycles": (500, 0, 500)}, f"{1e3 * LONGEST_S:g} ms"),
        ({"cycles": (2, float("nan"), 2)}, "cycles"),
        ({"envelope": "round"}, "linear, cosine, blackman"),
    ],
)
def test_refuses_what_is_no_burst(change, words):
    with pytest.raises(ValueError, match=words):
        tone_burst(48_000, **({"frequency_hz": 1000} | change))
