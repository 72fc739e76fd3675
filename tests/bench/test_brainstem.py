"""The truth: published rows come out exactly, in continuous time."""

import numpy as np
import pytest

from bench.brainstem import (
    LATENCIES_80_DB_MS,
    LONGEST_RESPONSE_S,
    PUBLISHED_WAVE_V,
    Ear,
    evoked_uv,
    wave_v_amplitude_uv,
    wave_v_latency_s,
)

NORMAL = Ear(0.0)
FINE_S = np.arange(0.0, 0.02, 1e-7)


@pytest.mark.parametrize(("level", "latency_ms", "amplitude_uv"), [(20, 7.60, 0.256), (40, 6.59, 0.368), (60, 5.88, 0.407)])
def test_published_rows_are_read_off_the_waveform(level: float, latency_ms: float, amplitude_uv: float) -> None:
    assert (level, latency_ms, amplitude_uv) in PUBLISHED_WAVE_V
    wave = evoked_uv(NORMAL, level, FINE_S)
    peak = int(np.argmax(wave))
    assert FINE_S[peak] * 1e3 == pytest.approx(latency_ms, abs=2e-4)
    assert wave[peak] - wave.min() == pytest.approx(amplitude_uv, rel=1e-9)


def test_waves_of_80_db_lie_in_the_stated_places() -> None:
    for wave, latency_ms in LATENCIES_80_DB_MS.items():
        near = np.abs(FINE_S - latency_ms * 1e-3) < 0.4e-3
        response = evoked_uv(NORMAL, 80.0, FINE_S[near])
        assert FINE_S[near][np.argmax(response)] * 1e3 == pytest.approx(latency_ms, abs=1e-3), wave


def test_latency_and_amplitude_are_monotonic_in_level() -> None:
    levels = np.arange(0.5, 100.0, 0.5)
    latencies = [wave_v_latency_s(NORMAL, level) for level in levels]
    amplitudes = [wave_v_amplitude_uv(NORMAL, level) for level in levels]
    assert np.all(np.diff(latencies) <= 0)
    assert np.all(np.diff(amplitudes) >= 0)
    assert amplitudes[0] < 0.01
    assert 8.5e-3 < latencies[0] < 8.62e-3


@pytest.mark.parametrize("level", [-30.0, 0.0, -np.inf, np.nan])
def test_nothing_at_or_below_threshold(level: float) -> None:
    assert not evoked_uv(NORMAL, level, FINE_S).any()
    assert np.isnan(wave_v_latency_s(NORMAL, level))


def test_exactly_nothing_before_and_after_the_response() -> None:
    for level in (1.0, 30.0, 60.0, 100.0):
        assert not evoked_uv(NORMAL, level, np.linspace(-0.01, 0.001, 50)).any()
        assert not evoked_uv(NORMAL, level, LONGEST_RESPONSE_S + np.linspace(0, 0.1, 50)).any()


def test_conductive_loss_is_a_normal_ear_behind_an_attenuator() -> None:
    conductive = evoked_uv(Ear(40.0, "conductive"), 80.0, FINE_S)
    np.testing.assert_array_equal(conductive, evoked_uv(NORMAL, 40.0, FINE_S))


def test_sensory_loss_grows_to_normal_within_20_db() -> None:
    assert wave_v_amplitude_uv(Ear(50.0), 50.0) == 0.0
    assert wave_v_amplitude_uv(Ear(50.0), 60.0) == pytest.approx(0.407 / 2)
    np.testing.assert_array_equal(evoked_uv(Ear(40.0), 60.0, FINE_S), evoked_uv(NORMAL, 60.0, FINE_S))


def test_no_hearing_at_all() -> None:
    assert not evoked_uv(Ear(np.inf), 120.0, FINE_S).any()


def test_shape_follows_the_times() -> None:
    assert evoked_uv(NORMAL, 60.0, np.zeros((3, 4))).shape == (3, 4)


def test_wave_v_has_no_area_so_a_high_pass_takes_little() -> None:
    late = FINE_S[FINE_S > 5.0e-3]  # beyond wave III at 60 dB nHL
    assert abs(evoked_uv(NORMAL, 60.0, late).sum()) * 1e-7 < 1e-8


@pytest.mark.parametrize("threshold", [-40.0, np.nan])
def test_impossible_threshold_is_refused(threshold: float) -> None:
    with pytest.raises(ValueError, match=r"threshold_db_nhl = .* is not modelled"):
        Ear(threshold)
