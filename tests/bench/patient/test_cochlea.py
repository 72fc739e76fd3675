"""Places: how much of a sound each gets, and when."""

import numpy as np
import pytest

from quietfloor.bench.patient.cochlea import PLACES_HZ, Cochlea
from quietfloor.bench.patient.earphone import virtual_earphone
from quietfloor.stimuli.chirps import ZERO_HZ, DelayModel
from quietfloor.stimuli.waveforms import chirp, click, tone_burst

RATE_HZ = 48_000.0


@pytest.fixture(scope="module")
def cochlea() -> Cochlea:
    return Cochlea(RATE_HZ)


def arrivals_s(cochlea: Cochlea, samples: np.ndarray) -> np.ndarray:
    excitation = cochlea.excitation(samples)
    return excitation.shares @ excitation.times_s - excitation.built_up_s


@pytest.mark.parametrize("rate_hz", [16_000.0, 44_100.0, 96_000.0])
def test_a_click_arrives_everywhere_at_once(rate_hz: float) -> None:
    cochlea = Cochlea(rate_hz)
    np.testing.assert_allclose(arrivals_s(cochlea, click(rate_hz).samples), 0.0, atol=1e-12)
    assert np.all(np.diff(cochlea.click.built_up_s) < 0)  # lower filters are slower


@pytest.mark.parametrize("place", [6, 12, 18, 24])  # 500, 1000, 2000, 4000 Hz
def test_a_burst_is_the_measure_of_its_own_place(cochlea: Cochlea, place: int) -> None:
    burst = tone_burst(RATE_HZ, float(PLACES_HZ[place]))
    level_db = cochlea.excitation(burst.samples / burst.peak_to_peak).level_db
    assert level_db[place] == pytest.approx(0.0, abs=0.1)
    assert level_db[place] > level_db[place - 6] + 10
    assert level_db[place] > level_db[min(place + 6, PLACES_HZ.size - 1)] + 10


def test_levels_follow_the_samples(cochlea: Cochlea) -> None:
    samples = tone_burst(RATE_HZ, 1000.0).samples
    once, twice = (cochlea.excitation(factor * samples) for factor in (1.0, 2.0))
    np.testing.assert_allclose(twice.level_db - once.level_db, 20 * np.log10(2))
    np.testing.assert_array_equal(twice.shares, once.shares)
    np.testing.assert_array_equal(cochlea.excitation(-samples).level_db, once.level_db)


def test_silence_moves_nothing(cochlea: Cochlea) -> None:
    nothing = cochlea.excitation(np.zeros(100))
    assert np.all(nothing.level_db == -np.inf)
    assert not nothing.shares.any()


def test_published_zeros_of_clicks_and_bursts_fit_each_other(cochlea: Cochlea) -> None:
    # ISO 389-6, insert earphone, occluded-ear simulator (from memory; stimuli/references.toml). One width of filters reconciles
    # them.
    earphone = virtual_earphone()
    assert earphone.click_reference_db_ppe_spl == 35.5
    assert earphone.burst_references == ((500, 23.5), (1000, 21.5), (2000, 28.5), (4000, 32.5))
    of_click = cochlea.click.level_db + earphone.click_reference_db_ppe_spl - earphone.burst_zero_db(PLACES_HZ)
    assert of_click.max() == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("model", [DelayModel(), DelayModel.of_span(5.04), DelayModel.of_span(1.86)])
def test_a_chirp_reaches_low_places_as_much_earlier_as_it_was_made_to(cochlea: Cochlea, model: DelayModel) -> None:
    waveform = chirp(RATE_HZ, model)
    inside = (PLACES_HZ > 450) & (PLACES_HZ < 7000)
    wanted_s = -np.array([model.between_s(float(hz), ZERO_HZ) for hz in PLACES_HZ])
    found_s = arrivals_s(cochlea, waveform.samples) - waveform.time_zero_s
    # Envelopes of filters rise before their centre frequency comes by: up to 10 % of the sweep earlier.
    np.testing.assert_allclose(found_s[inside], wanted_s[inside], rtol=0.1, atol=0.2e-3)
    assert np.polyfit(wanted_s[inside], found_s[inside], 1)[0] == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("frequency_hz", [500.0, 1000.0, 2000.0, 4000.0])
def test_a_burst_arrives_about_the_end_of_its_rise(cochlea: Cochlea, frequency_hz: float) -> None:
    place = int(np.argmin(np.abs(PLACES_HZ - frequency_hz)))
    arrival_s = arrivals_s(cochlea, tone_burst(RATE_HZ, frequency_hz).samples)[place]
    assert arrival_s * frequency_hz == pytest.approx(2.0, abs=0.2)  # cycles, of a rise of two, later than a click


def test_a_rate_without_clicks_is_refused() -> None:
    with pytest.raises(ValueError, match=r"audio at 8000 Hz: the virtual ear needs 10000 Hz or more"):
        Cochlea(8000.0)
