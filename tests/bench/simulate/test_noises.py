"""Named noises: the size and spectrum they declare, what is really in step with the stimulus, and runs that do not mix."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from quietfloor.bench.simulate.noise_parts import Artefact, Gain, Pops, Rhythm, Tones
from quietfloor.bench.simulate.noises import MAINS_UV, NOISES, Grid, Noise, NoiseSource, Presentation, run_seeds

GRID = Grid()
WIDE = Grid(start_ms=0.0, n_times=512)  # long sweeps, for spectra
FIXED = Presentation(pauses_s=())
QUIET = 1e-6  # uV: a background that is not there


def source(noise: Noise, runs: int = 20, grid: Grid = GRID, how: Presentation | None = None, seed: int = 1) -> NoiseSource:
    return NoiseSource(noise, grid, how or Presentation(), run_seeds(seed, "test", range(runs)))


def units(noise: Noise, count: int, runs: int = 20, grid: Grid = GRID, how: Presentation | None = None) -> NDArray[np.float64]:
    """(count, runs, 16, n_times)"""
    found = source(noise, runs, grid, how)
    return np.array([found.unit() for _ in range(count)], dtype=np.float64)


@pytest.mark.parametrize("name", [name for name, noise in NOISES.items() if noise.gaussian])
def test_background_has_its_declared_size(name: str) -> None:
    """Gain kinds change slowly, so that fewer of their sweeps count: their size is tested further in the next test."""
    tolerance = 0.02 if NOISES[name].gain == Gain() else 0.12
    assert np.sqrt((units(NOISES[name], 30, 80) ** 2).mean()) == pytest.approx(NOISES[name].rms_uv, rel=tolerance)


@pytest.mark.parametrize("name", ["gain-steps", "bursts", "heavy-tails", "drift", "muscle"])
def test_gain_has_mean_power_one(name: str) -> None:
    gain = NOISES[name].muscle or NOISES[name].gain
    running = gain.begin(400, 47.1)
    rng = np.random.default_rng(3)
    size = np.array([running.next(rng.random((400, running.draws))) for _ in range(400)])
    limit = 0.15 if gain.tails_df else 0.04  # the square of a t with 4 degrees of freedom has no variance
    assert (size**2).mean() == pytest.approx(1.0, abs=limit)
    assert (size > 0).all()


def test_gain_steps_stay_within_their_range_and_bursts_last_as_long_as_said() -> None:
    rng = np.random.default_rng(4)
    steps = NOISES["gain-steps"].gain.begin(200, 47.1)
    size = np.concatenate([steps.next(rng.random((200, steps.draws))) for _ in range(100)], axis=1)
    assert size.max() / size.min() <= 4.0 + 1e-9
    assert (np.diff(size) != 0).mean() == pytest.approx(1 / 200, rel=0.15)
    bursts = NOISES["bursts"].gain.begin(200, 47.1)
    size = np.concatenate([bursts.next(rng.random((200, bursts.draws))) for _ in range(200)], axis=1)
    loud = size > size.min()
    assert size.max() / size.min() == pytest.approx(4.0)
    begins = (loud[:, 1:] & ~loud[:, :-1]).sum()
    assert loud.sum() / begins == pytest.approx(24.0, rel=0.1)


def spectrum(noise: Noise) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    sweeps = units(noise, 4, 10, WIDE).reshape(-1, WIDE.n_times)
    f, power = signal.welch(sweeps, WIDE.rate_hz, nperseg=512, axis=-1)
    return f, power.mean(axis=0)


def band_power(noise: Noise, low: float, high: float) -> float:
    f, power = spectrum(noise)
    return float(power[(f >= low) & (f < high)].mean())


def test_spectra() -> None:
    white, eeg, slow = NOISES["white"], NOISES["gaussian"], NOISES["gaussian-30"]
    assert band_power(white, 200, 400) == pytest.approx(band_power(white, 1000, 1300), rel=0.1)
    falls = (1 / (1 + 1) + 0.01) / (1 / (1 + 16) + 0.01)  # 300 against 1200 Hz for a corner at 300 Hz
    assert band_power(eeg, 280, 320) / band_power(eeg, 1150, 1250) == pytest.approx(falls, rel=0.15)
    assert band_power(eeg, 10, 40) < 1e-2 * band_power(eeg, 200, 300)
    assert band_power(slow, 40, 80) > 0.5 * band_power(slow, 200, 300)
    assert band_power(white, 1700, 2000) < 1e-2 * band_power(white, 1000, 1300)


@pytest.mark.parametrize("name", ["gaussian", "white", "gaussian-30"])
def test_covariance_is_that_of_the_sweeps(name: str) -> None:
    sweeps = units(NOISES[name], 60)[..., :30].reshape(-1, 30)
    true = NOISES[name].covariance_uv2(GRID, 30)
    np.testing.assert_allclose(sweeps.T @ sweeps / len(sweeps), true, atol=0.05 * true[0, 0])
    assert np.linalg.eigvalsh(NOISES[name].covariance_uv2(GRID, 49)).min() > 0


def test_background_is_one_unbroken_process() -> None:
    """At 62.5/s sweeps lie 64 samples apart and overlap by 25: what they share is the same, across the edge of a unit too."""
    found = units(NOISES["gaussian"], 3, 4, how=Presentation(62.5, ()))
    flat = found.transpose(1, 0, 2, 3).reshape(4, 48, 89)
    np.testing.assert_allclose(flat[:, 1:, :25], flat[:, :-1, 64:], atol=1e-5)


@pytest.mark.parametrize(("name", "mains_hz", "rate_per_s"), [("mains-locked", 50.0, 50.0), ("mains-60-locked", 60.0, 30.0)])
def test_mains_locked_is_really_locked_and_the_pause_unlocks_it(name: str, mains_hz: float, rate_per_s: float) -> None:
    hum = Noise("", rms_uv=QUIET, added=(Tones(MAINS_UV, hz=mains_hz),), rate_per_s=rate_per_s)
    assert NOISES[name].added == hum.added
    assert NOISES[name].rate_per_s == rate_per_s
    fixed = units(hum, 4, 5, how=FIXED)
    assert np.sqrt((fixed**2).mean()) > 1.0
    np.testing.assert_allclose(fixed, np.broadcast_to(fixed[:1, :, :1], fixed.shape), atol=2e-3)
    paused = units(hum, 400, 5)
    np.testing.assert_allclose(paused, np.broadcast_to(paused[:, :, :1], paused.shape), atol=2e-3)  # inside a unit it stays
    within, across = np.sqrt((paused**2).mean()), np.sqrt((paused.mean(axis=(0, 2)) ** 2).mean())
    assert across == pytest.approx(within / np.sqrt(400), rel=0.5)  # units meet it at independent phases
    one, next_one = paused[:-1].reshape(-1), paused[1:].reshape(-1)
    assert abs(np.corrcoef(one, next_one)[0, 1]) < 0.05


def test_an_artefact_that_alternates_is_that_of_a_filtered_exponential_train() -> None:
    """Against a direct convolution of exponentials with the interpolated band-pass, at 64 kHz."""
    noise = Noise("", rms_uv=QUIET, added=(Artefact(),))
    how = Presentation(47.1, (), random_polarity=False)
    found = units(noise, 3, 1, how=how)[1, 0]
    hz, onset_s = 64_000, np.arange(48) / 47.1
    raw = np.zeros(round(1.2 * hz))
    for number, at_s in enumerate(0.05 + onset_s):
        at = round(at_s * hz)
        raw[at:] += (-1) ** (number % 16) * 40.0 * np.exp(-np.arange(len(raw) - at) / (2e-3 * hz))
    taps = GRID.band.bandpass
    fine = signal.resample_poly(np.concatenate([np.zeros(1000), taps, np.zeros(1000)]), 16, 1) / 16
    filtered = signal.fftconvolve(raw, fine)[16 * (1000 + len(taps) // 2) :]
    times_s = 0.05 + onset_s[16:32, np.newaxis] + GRID.times_ms / 1e3
    expected = np.interp(times_s, np.arange(len(filtered)) / hz, filtered)
    np.testing.assert_allclose(found, expected, atol=0.02 * np.abs(expected).max())


@pytest.mark.parametrize(("coin", "share"), [(False, 1.0), (True, 0.0)])
def test_an_artefact_that_alternates_adds_up_unless_a_coin_says_how_units_begin(coin: bool, share: float) -> None:
    noise = Noise("", rms_uv=QUIET, added=(Artefact(),))
    means = units(noise, 400, 5, how=Presentation(random_polarity=coin)).mean(axis=2)  # of units
    within, across = np.sqrt((means[1:] ** 2).mean()), np.sqrt((means[1:].mean(axis=0) ** 2).mean())
    assert across / within == pytest.approx(share, abs=0.15)


def test_a_pause_is_the_sum_of_its_draws() -> None:
    uniform = np.array([[0.0, 0.0], [1.0, 0.0], [0.5, 0.5], [1.0, 1.0]])
    np.testing.assert_allclose(Presentation(pauses_s=(0.02, 0.01)).pause_s(uniform), [0, 0.02, 0.015, 0.03])
    np.testing.assert_array_equal(FIXED.pause_s(uniform[:, :0]), np.zeros(4))


def test_mains_at_the_usual_rate_is_not_locked() -> None:
    hum = Noise("", rms_uv=QUIET, added=(Tones(MAINS_UV, hz=50.0),))
    found = units(hum, 40, 5, how=FIXED)
    assert np.sqrt((found.mean(axis=(0, 2)) ** 2).mean()) < 0.02 * np.sqrt((found**2).mean())


def test_tones_have_the_size_the_filter_leaves_of_them() -> None:
    tone = Noise("", rms_uv=QUIET, added=(Tones(((1, 3.0), (10, 1.0)), hz=50.0),))
    left = np.array([3.0, 1.0]) * GRID.band.response(np.array([50.0, 500.0]))
    assert np.sqrt((units(tone, 40) ** 2).mean()) == pytest.approx(np.sqrt((left**2).sum() / 2), rel=0.02)


def test_rhythm_is_near_the_rate_and_has_its_size() -> None:
    rhythm = Rhythm(wander=0.0)
    found = source(Noise("", rms_uv=QUIET, added=(rhythm,)), runs=60, how=FIXED, grid=Grid(start_ms=0.0, n_times=84))
    sweeps = np.array([found.unit() for _ in range(20)], dtype=np.float64).transpose(1, 0, 2, 3).reshape(60, 320, 84)
    left = rhythm.peak_uv * GRID.band.response(47.1 * np.array(rhythm.harmonics))
    assert np.sqrt((sweeps**2).mean()) == pytest.approx(np.sqrt((left**2).sum() / 2), rel=0.05)
    # one point a sweep samples the rhythm at the stimulus rate: harmonic h lies h x (its distance from the rate) away from 0 Hz
    power = np.abs(np.fft.fft(sweeps[:, :, 40], axis=1)).mean(axis=0) ** 2
    hz = np.abs(np.fft.fftfreq(320, 1 / 47.1))
    assert power[hz > 8.5].mean() < 0.02 * power[hz < 8.0].mean()


def test_pops_are_rare_brief_and_of_both_signs() -> None:
    found = units(Noise("", rms_uv=QUIET, added=(Pops(),)), 100, 20)
    hit = np.abs(found).max(axis=-1) > 0.1
    assert 0.01 < hit.any(axis=-1).mean() < 0.06  # 6 a minute, a unit lasts 0.34 s
    assert hit.sum(axis=-1).max() <= 3  # the filter leaves the edge, not the slow return
    peaks = found.reshape(-1, 89)[np.arange(hit.size), np.abs(found.reshape(-1, 89)).argmax(axis=-1)]
    assert (peaks > 1).any()
    assert (peaks < -1).any()


@pytest.mark.parametrize("name", NOISES)
def test_a_run_is_the_same_in_any_company(name: str) -> None:
    noise = NOISES[name]
    together = NoiseSource(noise, GRID, Presentation(), run_seeds(5, name, range(7)))
    alone = NoiseSource(noise, GRID, Presentation(), run_seeds(5, name, range(3, 4)))
    for _ in range(4):
        np.testing.assert_array_equal(together.unit()[3], alone.unit()[0])
        np.testing.assert_array_equal(together.gain[3], alone.gain[0])


def test_seeds_names_and_runs_all_make_a_difference() -> None:
    def first(seed: int, name: str, run: int) -> NDArray[np.float32]:
        return NoiseSource(NOISES["white"], GRID, FIXED, run_seeds(seed, name, range(run, run + 1))).unit()

    assert (first(1, "a", 0) == first(1, "a", 0)).all()
    for other in (first(2, "a", 0), first(1, "b", 0), first(1, "a", 1)):
        assert np.abs(np.corrcoef(first(1, "a", 0).ravel(), other.ravel())[0, 1]) < 0.1


def test_every_name_says_what_it_is_and_is_in_one_band() -> None:
    for name, noise in NOISES.items():
        assert noise.what, name
        assert replace(noise) == noise
    with pytest.raises(ValueError, match="rate_per_s = 0"):
        Presentation(0.0)
    for wrong in (-1.0, 0.0, 1.1, float("nan")):
        with pytest.raises(ValueError, match="pauses_s"):
            Presentation(47.1, (0.02, wrong))
