"""Sweeps are cut to a fraction of a sample: against analytic signals, and against the loss that rounding would cause."""

import numpy as np
import pytest

from quietfloor.monitor.core.epoching import HALF, PHASES, Epoch
from quietfloor.monitor.core.filtering import Band, RunningBand


def cut(epoch: Epoch, x: np.ndarray, position: float) -> np.ndarray:
    """The sweep of one onset out of a whole raw signal (1, n)."""
    out = RunningBand(epoch.band, 1).feed(x)
    plan = epoch.plan(position, epoch.band.first_output)
    assert plan.ready < x.shape[1]
    return epoch.read(out[:, plan.first : plan.stop], plan.phase)[0]


def times_ms(epoch: Epoch) -> np.ndarray:
    return epoch.first_ms + np.arange(epoch.n_times) * 1e3 / epoch.band.analysis_rate_hz


@pytest.mark.parametrize("rate_hz", [4000.0, 8000.0, 16000.0, 44100.0])
@pytest.mark.parametrize("fraction", [0.0, 0.123, 0.5, 0.77, 0.9999])
def test_a_tone_is_read_where_the_onset_is(rate_hz: float, fraction: float) -> None:
    """Every point of the sweep has the value of the tone at its own time after the onset, delay included."""
    epoch = Epoch(Band(rate_hz), delay_ms=0.9)
    position = 0.1 * rate_hz + fraction
    for hz in (300.0, 1000.0, 1300.0):
        t = np.arange(int(0.3 * rate_hz)) / rate_hz
        sweep = cut(epoch, np.sin(2 * np.pi * hz * t)[np.newaxis], position)
        expected = np.sin(2 * np.pi * hz * (position / rate_hz + (times_ms(epoch) + 0.9) * 1e-3))
        np.testing.assert_allclose(sweep, expected, atol=6e-3)  # of which 2e-3 are the filter's ripple


@pytest.mark.parametrize("fraction", [0.25, 0.61])
def test_a_band_limited_pulse_is_aligned(fraction: float) -> None:
    """A smooth pulse with its peak 7 ms after onsets at any phase: the sweeps are the same to a thousandth of the peak."""
    rate_hz = 8000.0
    epoch = Epoch(Band(rate_hz))
    sweeps = []
    for position in (1000.0, 1000.0 + fraction):
        t_ms = (np.arange(4000) - position) * 1e3 / rate_hz
        sweeps.append(cut(epoch, np.exp(-0.5 * ((t_ms - 7.0) / 0.4) ** 2)[np.newaxis], position))
    np.testing.assert_allclose(sweeps[1], sweeps[0], atol=1e-3 * np.abs(sweeps[0]).max())
    assert abs(times_ms(epoch)[np.argmax(sweeps[0])] - 7.0) <= 0.0626


def test_alignment_recovers_what_rounding_to_samples_loses() -> None:
    """At 1 kHz and 4 kHz, rounding onsets averages to sinc(1/4) = 0.900 of the amplitude; sub-sample cutting keeps it."""
    rate_hz, hz = 4000.0, 1000.0
    epoch = Epoch(Band(rate_hz))
    positions = 400.0 + np.arange(200) * 85.0 + np.random.default_rng(1).uniform(0, 1, 200)
    aligned, rounded = [], []
    for position in positions:
        t = np.arange(int(position) - 350, int(position) + 350)
        tone = np.cos(2 * np.pi * hz * (t - position) / rate_hz)[np.newaxis]
        aligned.append(cut(epoch, tone, position - t[0]))
        rounded.append(cut(epoch, tone, float(np.round(position)) - t[0]))
    whole = epoch.n_times // 4 * 4  # periods of the tone
    wave = np.exp(-2j * np.pi * hz * times_ms(epoch) * 1e-3)[:whole]
    amplitude = [2 * abs(np.mean(np.mean(sweeps, axis=0)[:whole] * wave)) for sweeps in (aligned, rounded)]
    np.testing.assert_allclose(amplitude[1], np.sinc(hz / rate_hz), atol=0.01)
    np.testing.assert_allclose(amplitude[0], 1.0, atol=0.003)


def test_interpolators_are_exact_at_whole_samples_and_for_constants() -> None:
    kernels = Epoch(Band(4000.0)).kernels
    assert kernels.shape == (PHASES + 1, 2 * HALF)
    np.testing.assert_allclose(kernels.sum(axis=1), 1.0)
    np.testing.assert_allclose(kernels[0], np.eye(2 * HALF)[HALF - 1], atol=1e-12)
    np.testing.assert_allclose(kernels[-1], np.eye(2 * HALF)[HALF], atol=1e-12)
    np.testing.assert_allclose(kernels[PHASES // 4], kernels[3 * PHASES // 4][::-1], atol=1e-15)


def test_the_cut_says_which_raw_samples_it_needs() -> None:
    epoch = Epoch(Band(16000.0), start_ms=-1.0, stop_ms=15.0, delay_ms=2.0)
    plan = epoch.plan(8000.4, epoch.band.first_output)
    x = np.random.default_rng(2).standard_normal((1, plan.ready + 500))
    sweep = cut(epoch, x, 8000.4)
    later = x.copy()
    later[:, plan.ready + 1 :] = 1e6
    later[:, : plan.raw_first] = -1e6
    np.testing.assert_array_equal(cut(epoch, later, 8000.4), sweep)
    inner = HALF * epoch.band.step  # the outermost of an interpolator may be 0
    for needed in (plan.raw_first + inner, plan.ready - inner):
        other = x.copy()
        other[:, needed] += 1e6
        assert not np.array_equal(cut(epoch, other, 8000.4), sweep)
    assert RunningBand(epoch.band, 1).feed(x[:, : plan.ready]).shape[1] == plan.stop - 1


@pytest.mark.parametrize(
    "arguments", [{"start_ms": 5.0, "stop_ms": 5.0}, {"stop_ms": 300.0}, {"start_ms": -500.0}, {"delay_ms": -1.0}]
)
def test_impossible_epochs_are_refused(arguments: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"epoch|delay_ms"):
        Epoch(Band(16000.0), **arguments)
