"""Clicks: the rows that the sums are fitted to come out, in continuous time; in between the sums are smooth."""

import numpy as np
import pytest

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.brainstem import (
    FITTED,
    LATENCIES_80_DB_MS,
    LONGEST_RESPONSE_S,
    PUBLISHED_WAVE_V,
    RAMP_DB,
    Response,
    wave_v,
)
from quietfloor.bench.patient.earphone import virtual_earphone
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.listening import Listener
from quietfloor.bench.patient.profiles import Patient
from quietfloor.stimuli.waveforms import click

NORMAL = Ear(0.0)
FINE_S = np.arange(0.0, 0.03, 1e-6)


def evoked(ear: Ear, level_db_nhl: float, rate_hz: float = 48_000.0, age_months: float | None = None) -> Response:
    earphone = virtual_earphone()
    patient = Patient("P", ear, ear, Background(0.0), age_months=age_months)
    height = 10 ** ((level_db_nhl + earphone.click_reference_db_ppe_spl - earphone.full_scale_db_ppe_spl_left) / 20)
    return Listener(patient, earphone, rate_hz).answer("left", height * click(rate_hz).samples)


@pytest.mark.parametrize("rate_hz", [16_000.0, 44_100.0, 48_000.0, 96_000.0])
@pytest.mark.parametrize(("level", "latency_ms", "amplitude_uv"), [(20, 7.60, 0.256), (40, 6.59, 0.368), (60, 5.88, 0.407)])
def test_published_rows_are_read_off_the_waveform(level: float, latency_ms: float, amplitude_uv: float, rate_hz: float) -> None:
    # Elberling, Callo & Don 2010, J Acoust Soc Am 128:215, click, N = 20 (secondary).
    assert (level, latency_ms, amplitude_uv) in PUBLISHED_WAVE_V
    wave = evoked(NORMAL, level, rate_hz).at(FINE_S)
    peak = int(np.argmax(wave))
    assert FINE_S[peak] * 1e3 == pytest.approx(latency_ms, abs=0.005)
    assert wave[peak] - wave[peak:].min() == pytest.approx(amplitude_uv, rel=1e-3)


def test_waves_of_80_db_lie_in_the_stated_places() -> None:
    # 1.5-1.7, 3.6-3.9, 5.5-5.8 ms; V/I above 0.5 (clinical ranges, from memory).
    response = evoked(NORMAL, 80.0)
    for wave, latency_ms in LATENCIES_80_DB_MS.items():
        near_s = FINE_S[np.abs(FINE_S - latency_ms * 1e-3) < 0.4e-3]
        assert near_s[np.argmax(response.at(near_s))] * 1e3 == pytest.approx(latency_ms, abs=0.06), wave
    assert 0.5 < wave_v(response)[1] / response.at(LATENCIES_80_DB_MS["I"] * 1e-3) < 2.0


def test_early_waves_disappear_first() -> None:
    soft = evoked(NORMAL, 20.0)
    before_v_s = FINE_S[FINE_S < 5e-3]
    assert not soft.at(before_v_s).any()
    assert evoked(NORMAL, 50.0).at(before_v_s).max() > 0.05


def test_latency_and_amplitude_between_the_rows() -> None:
    levels = np.arange(5.0, 61.0, 1.0)
    latencies, amplitudes = np.array([wave_v(evoked(NORMAL, level)) for level in levels]).T
    assert np.all(np.diff(latencies) < 0)
    assert np.all(np.diff(amplitudes) > 0)
    between_ms = np.interp(levels, [20, 40, 60], [7.60, 6.59, 5.88])
    np.testing.assert_allclose(latencies[levels >= 20] * 1e3, between_ms[levels >= 20], atol=0.1)
    # Below the published rows the slope of 50 us/dB goes on, by the sum itself.
    np.testing.assert_allclose(latencies[levels < 20] * 1e3, 7.60 + 0.0505 * (20 - levels[levels < 20]), atol=0.15)
    assert amplitudes[0] < 0.05


def test_amplitude_stays_above_60_db() -> None:
    for level in (70.0, 80.0, 90.0):
        latency_s, amplitude_uv = wave_v(evoked(NORMAL, level))
        assert amplitude_uv == pytest.approx(FITTED[-1][2], rel=0.05)
        assert latency_s * 1e3 == pytest.approx(5.65, abs=0.03)


@pytest.mark.parametrize("level", [-30.0, -0.1])
def test_nothing_at_or_below_threshold(level: float) -> None:
    response = evoked(NORMAL, level)
    assert not response.at(FINE_S).any()
    assert np.isnan(wave_v(response)[0])


def test_exactly_nothing_before_and_after_the_response() -> None:
    for level in (5.0, 30.0, 60.0, 90.0):
        response = evoked(NORMAL, level)
        assert not response.at(np.linspace(-0.01, 0.0004, 50)).any()
        assert not response.at(LONGEST_RESPONSE_S + np.linspace(0, 0.1, 50)).any()
        assert response.start_s + response.uv.size * 5e-6 < LONGEST_RESPONSE_S


def test_conductive_loss_is_a_normal_ear_behind_an_attenuator() -> None:
    conductive = evoked(Ear(40.0, "conductive"), 80.0).at(FINE_S)
    np.testing.assert_allclose(conductive, evoked(NORMAL, 40.0).at(FINE_S), atol=1e-9)


def test_sensory_loss_catches_up_with_the_level() -> None:
    def growth(above_db: float) -> float:
        return wave_v(evoked(Ear(40.0), 40.0 + above_db))[1] / wave_v(evoked(NORMAL, 40.0 + above_db))[1]

    assert evoked(Ear(40.0), 39.9).uv.size == 0
    assert growth(RAMP_DB / 2) == pytest.approx(0.38, abs=0.1)
    assert growth(RAMP_DB) > 0.8  # places that a click moves less have not reached their whole response yet
    assert growth(2 * RAMP_DB) == pytest.approx(1.0, abs=1e-9)


def test_loss_of_high_frequencies_makes_a_click_late() -> None:
    # The base does not answer, and lower places are reached later (tau falls with frequency: Neely et al. 1988).
    sloping = Ear(air_db_nhl={1000: 10, 2000: 40, 4000: 70})
    assert wave_v(evoked(sloping, 50.0))[0] > wave_v(evoked(NORMAL, 50.0))[0] + 0.4e-3


def test_no_hearing_at_all() -> None:
    assert not evoked(Ear(np.inf), 94.0).at(FINE_S).any()


def test_newborn_waves_come_later() -> None:
    # 47 term newborns, 80 dB HL: I 1.79 (SD 0.20), III 4.54 (0.31), V 6.75 (0.38) ms (Arq Neuropsiquiatr 2003, abstract,
    # verified).
    response = evoked(NORMAL, 80.0, age_months=0.0)
    for latency_ms in (1.79, 4.54, 6.75):
        near_s = FINE_S[np.abs(FINE_S - latency_ms * 1e-3) < 0.4e-3]
        assert near_s[np.argmax(response.at(near_s))] * 1e3 == pytest.approx(latency_ms, abs=0.1)
    # 420 infants up to 6 months: group means of V 6.36 to 6.81 ms (Chhajed et al. 2021, abstract, verified).
    assert 6.3e-3 < wave_v(evoked(NORMAL, 80.0, age_months=6.0))[0] < 6.81e-3
    # Adult at 18 months or later (Gorga et al. 1989, abstract, verified).
    np.testing.assert_array_equal(evoked(NORMAL, 60.0, age_months=18.0).uv, evoked(NORMAL, 60.0).uv)


def test_shape_follows_the_times() -> None:
    assert evoked(NORMAL, 60.0).at(np.zeros((3, 4))).shape == (3, 4)
    assert evoked(NORMAL, -20.0).at(np.zeros((3, 4))).shape == (3, 4)


def test_wave_v_has_no_area_so_a_high_pass_takes_little() -> None:
    response = evoked(NORMAL, 20.0)  # wave V alone
    assert abs(response.uv.mean()) < 1e-3 * wave_v(response)[1]
