"""Background EEG: as large as stated, coloured as stated, the same however it is asked for."""

import numpy as np
import pytest
from scipy import signal

from quietfloor.bench.patient.background import BAND_HZ, Background, BackgroundSource


def source(background: Background, channels: int = 2, rate_hz: float = 8000.0, seed: int = 5) -> BackgroundSource:
    return BackgroundSource(background, channels, rate_hz, np.random.SeedSequence(seed))


def band_rms(x: np.ndarray, rate_hz: float) -> np.ndarray:
    """RMS in BAND_HZ by the spectrum of the whole record."""
    spectrum = np.abs(np.fft.rfft(x, axis=-1)) ** 2
    hz = np.fft.rfftfreq(x.shape[-1], 1 / rate_hz)
    inside = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    return np.sqrt(2 * spectrum[..., inside].sum(axis=-1)) / x.shape[-1]


@pytest.mark.parametrize("rate_hz", [4000.0, 16_000.0, 48_000.0])
def test_size_in_the_band_is_as_stated(rate_hz: float) -> None:
    noise = source(Background(2.0, offset_uv=1000.0), rate_hz=rate_hz).read(int(20 * rate_hz))
    np.testing.assert_allclose(band_rms(noise, rate_hz), 2.0, rtol=0.03)


def test_slow_gain_changes_leave_the_long_term_size() -> None:
    noise = source(Background(2.0, gain_depth=0.6), channels=1, rate_hz=4000.0).read(4000 * 517)  # many of the longest period
    assert band_rms(noise, 4000.0)[0] == pytest.approx(2.0, rel=0.03)
    seconds = noise[0, : 4000 * 500].reshape(-1, 20_000)
    sizes = np.array([band_rms(part, 4000.0) for part in seconds])
    assert sizes.max() / sizes.min() > 1.5


def test_power_falls_with_frequency_and_then_stays() -> None:
    noise = source(Background(2.0), channels=1, rate_hz=4000.0).read(400_000)[0]
    hz, power = signal.welch(noise, 4000.0, nperseg=8192)
    at = {f: power[(hz > f / 1.15) & (hz < f * 1.15)].mean() for f in (4, 16, 64, 400, 1200)}
    assert at[4] / at[16] == pytest.approx(4.0, rel=0.35)  # 1/f
    assert at[16] / at[64] == pytest.approx(4.0, rel=0.35)
    assert at[400] / at[1200] == pytest.approx(1.0, rel=0.15)


def test_same_noise_however_it_is_asked_for() -> None:
    restless = Background(3.0, 0.5, bursts_per_min=60.0, mains_uv=4.0, offset_uv=500.0)
    whole = source(restless).read(20_000)
    pieces, at = source(restless), 0
    rng = np.random.default_rng(0)
    while at < 20_000:
        n = min(int(rng.integers(1, 4000)), 20_000 - at)
        np.testing.assert_array_equal(pieces.read(n), whole[:, at : at + n])
        at += n


def test_seeds_differ_and_repeat() -> None:
    a, b, c = (source(Background(1.0), seed=seed).read(500) for seed in (1, 1, 2))
    np.testing.assert_array_equal(a, b)
    assert np.abs(a - c).min(axis=1).max() > 0


def test_bursts_are_larger_than_the_rest() -> None:
    calm = source(Background(1.0), channels=1).read(160_000)[0]
    burst = source(Background(1.0, bursts_per_min=12.0, burst_factor=10.0), channels=1).read(160_000)[0]
    ratio = np.abs(burst) / np.abs(calm)  # same generator for the noise, so sample by sample the gain
    assert ratio.min() > 1 - 1e-9
    assert 5.0 < ratio.max() <= 10.0 + 1e-9
    assert np.mean(ratio < 1 + 1e-9) > 0.5


def test_mains_has_the_stated_peak_at_the_stated_frequency() -> None:
    hum = source(Background(0.0, mains_uv=7.0, mains_hz=60.0), channels=1, rate_hz=8000.0).read(8000)[0]
    spectrum = np.abs(np.fft.rfft(hum)) / 4000
    assert spectrum[60] == pytest.approx(7.0, rel=1e-9)
    assert np.flatnonzero(spectrum > 1e-6).tolist() == [60, 180, 300]


def test_no_noise_is_exactly_none() -> None:
    assert not source(Background(0.0)).read(5000).any()


def test_value_out_of_range_is_named() -> None:
    with pytest.raises(ValueError, match=r"gain_depth = 2\.0 is outside 0\.\.0\.9"):
        Background(1.0, gain_depth=2.0)
