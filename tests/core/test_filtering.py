"""The streaming band-pass against one whole-signal convolution, and its promises about gain and phase."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import upfirdn

from quietfloor.monitor.core.filtering import Band, RunningBand

RATES = (4000.0, 5000.0, 8000.0, 9600.0, 10000.0, 16000.0, 25000.0, 30000.0, 44100.0, 48000.0)


def in_pieces(band: Band, x: np.ndarray, sizes: list[int]) -> np.ndarray:
    running = RunningBand(band, len(x))
    cuts = np.cumsum([0, *sizes])
    cuts = [*cuts[cuts < x.shape[1]], x.shape[1]]
    return np.concatenate([running.feed(x[:, a:b]) for a, b in pairwise(cuts)], axis=1)


@pytest.mark.parametrize("rate_hz", RATES)
def test_streaming_equals_one_convolution_of_the_whole_signal(rate_hz: float) -> None:
    band = Band(rate_hz)
    x = np.random.default_rng(1).standard_normal((2, int(0.3 * rate_hz)))
    out = in_pieces(band, x, [int(0.01 * rate_hz)] * 100)
    low = np.stack([np.convolve(row, band.decimator, mode="valid") for row in x])[:, :: band.step]
    expected = np.stack([np.convolve(row, band.bandpass, mode="valid") for row in low])
    np.testing.assert_allclose(out, expected, atol=1e-13)


@pytest.mark.parametrize("rate_hz", [16000.0, 48000.0])
def test_output_k_belongs_to_raw_sample_first_output_plus_k_steps(rate_hz: float) -> None:
    """One combined filter at the stream's own rate, cut at the promised places, gives the same numbers."""
    band = Band(rate_hz)
    x = np.random.default_rng(2).standard_normal(int(0.25 * rate_hz))
    together = np.convolve(band.decimator, upfirdn([1.0], band.bandpass, up=band.step))
    same = np.convolve(x, together, mode="same")
    out = in_pieces(band, x[np.newaxis], [999])[0]
    np.testing.assert_allclose(out, same[band.first_output : len(x) - band.reach : band.step], atol=1e-12)


@pytest.mark.parametrize("rate_hz", RATES)
def test_gain_is_half_at_the_edges_one_inside_and_zero_at_dc(rate_hz: float) -> None:
    band = Band(rate_hz)
    gain = np.abs(band.response(np.array([0.0, 50.0, 100.0, 150.0, 700.0, 1300.0, 1500.0])))
    assert gain[0] < 1e-13
    assert gain[1] < 2e-3
    np.testing.assert_allclose(20 * np.log10(gain[[2, 6]]), -6.02, atol=0.3)
    np.testing.assert_allclose(20 * np.log10(gain[3:6]), 0.0, atol=0.1)


def test_an_equal_band_is_not_computed_again_and_its_gain_cannot_be_changed() -> None:
    frequencies_hz = np.array([50.0, 500.0])
    gain = Band(8000.0).response(frequencies_hz)
    assert Band(8000.0).response(frequencies_hz.copy()) is gain
    assert Band(8000.0, high_hz=1000.0).response(frequencies_hz) is not gain
    with pytest.raises(ValueError, match="read-only"):
        gain[0] = 1.0


@pytest.mark.parametrize("rate_hz", RATES)
def test_what_lies_above_the_band_does_not_fold_into_it(rate_hz: float) -> None:
    """Every tone that decimation would fold into the band is down by 60 dB or more."""
    band = Band(rate_hz)
    tones = np.arange(1700.0, rate_hz / 2, 25.0)
    folded = np.abs((tones + band.analysis_rate_hz / 2) % band.analysis_rate_hz - band.analysis_rate_hz / 2)
    lags = np.arange(len(band.decimator)) - len(band.decimator) // 2
    decimator = np.cos(2 * np.pi * np.outer(tones, lags) / rate_hz) @ band.decimator
    if band.step > 1:
        assert 20 * np.log10(np.abs(decimator[folded < 1550.0]).max()) < -60
    assert np.abs(band.response(tones)[folded > 1600.0]).max() < 2e-3


@pytest.mark.parametrize("rate_hz", [4000.0, 16000.0, 48000.0])
def test_a_tone_comes_out_in_place_and_a_huge_offset_not_at_all(rate_hz: float) -> None:
    band = Band(rate_hz)
    t = np.arange(int(0.3 * rate_hz)) / rate_hz
    out = in_pieces(band, (1e5 + np.sin(2 * np.pi * 650.0 * t))[np.newaxis], [77])[0]
    where = (band.first_output + np.arange(len(out)) * band.step) / rate_hz
    np.testing.assert_allclose(out, np.sin(2 * np.pi * 650.0 * where), atol=2e-3)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    rate_hz=st.sampled_from(RATES),
    sizes=st.lists(st.one_of(st.integers(0, 4), st.integers(5, 900)), max_size=60),
)
def test_any_cutting_is_identical_bit_for_bit(rate_hz: float, sizes: list[int]) -> None:
    band = Band(rate_hz)
    x = np.random.default_rng(3).standard_normal((2, int(0.15 * rate_hz)))
    np.testing.assert_array_equal(in_pieces(band, x, sizes), in_pieces(band, x, []))


def test_nothing_comes_out_before_every_input_is_there() -> None:
    band = Band(16000.0)
    running = RunningBand(band, 1)
    assert running.feed(np.zeros((1, 2 * band.reach))).shape == (1, 0)
    assert running.feed(np.zeros((1, 1))).shape == (1, 1)


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        ((4000.0, 100.0, 3000.0), "1800 Hz"),
        ((16000.0, 1500.0, 100.0), "below the upper"),
        ((16000.0, 1.0, 1500.0), "5 Hz or more"),
    ],
)
def test_edges_that_cannot_be_carried_are_refused(arguments: tuple[float, float, float], part: str) -> None:
    with pytest.raises(ValueError, match=part):
        Band(*arguments)
