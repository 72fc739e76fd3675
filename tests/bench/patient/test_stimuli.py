"""What chirps and bursts evoke follows from when they arrive. Nothing here is fitted; published values stand beside it."""

from collections.abc import Callable

import numpy as np
import pytest

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.brainstem import wave_v
from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE, virtual_earphone
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.listening import Listener
from quietfloor.bench.patient.profiles import Patient
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.chirps import BEST_MS, FAMILY_MS, DelayModel
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.waveforms import Waveform, chirp, click, octave_chirp, tone_burst

RATE_HZ = 48_000.0
Measure = Callable[[Waveform, float], tuple[float, float]]


@pytest.fixture(scope="module")
def listener() -> Listener:
    return Listener(Patient("N", Ear(0.0), Ear(0.0), Background(0.0)), virtual_earphone(), RATE_HZ)


@pytest.fixture(scope="module")
def evoked(listener: Listener) -> Measure:
    """Latency of wave V in ms after time zero of the stimulus, and its amplitude in uV, at a level in dB nHL as it is played."""
    calibration = load_calibration(VIRTUAL_EARPHONE)

    def measure(waveform: Waveform, level_db_nhl: float) -> tuple[float, float]:
        samples = gain(level_db_nhl, waveform, "right", calibration) * waveform.samples
        latency_s, amplitude_uv = wave_v(listener.answer("right", samples))
        return 1e3 * (latency_s - waveform.time_zero_s), amplitude_uv

    return measure


# Elberling, Callo & Don 2010, J Acoust Soc Am 128:215 (secondary): wave V in nV of 20 adults, click and chirps of FAMILY_MS.
PUBLISHED_NV = {
    20.0: (256, 311, 339, 349, 382, 391),
    40.0: (368, 560, 613, 645, 631, 581),
    60.0: (407, 624, 654, 596, 516, 389),
}
PUBLISHED_MS = {20.0: (7.23, 7.12, 6.97, 6.86, 6.66), 40.0: (6.15, 5.96, 5.76, 5.48, 4.98), 60.0: (4.97, 4.57, 4.12, 3.50, 2.87)}


def ratios(evoked: Measure, level: float) -> np.ndarray:
    of_click = evoked(click(RATE_HZ), level)[1]
    return np.array([evoked(chirp(RATE_HZ, DelayModel.of_span(span_ms)), level)[1] / of_click for span_ms in FAMILY_MS])


@pytest.mark.parametrize(("level", "span_ms"), BEST_MS)
def test_the_chirp_for_a_level_evokes_one_and_a_half_to_two_times_a_click(evoked: Measure, level: float, span_ms: float) -> None:
    # 1.5 to 2 times: Elberling & Don 2008, as quoted in a thesis (secondary). The 2010 table: 1.53, 1.75, 1.61.
    found = ratios(evoked, level)[FAMILY_MS.index(span_ms)]
    assert 1.5 <= found <= 2.0
    published = PUBLISHED_NV[level][1 + FAMILY_MS.index(span_ms)] / PUBLISHED_NV[level][0]
    assert found == pytest.approx(published, rel=0.25)


@pytest.mark.parametrize("level", [40.0, 60.0])
def test_the_family_of_chirps_against_its_table(evoked: Measure, level: float) -> None:
    published = np.array(PUBLISHED_NV[level][1:]) / PUBLISHED_NV[level][0]
    np.testing.assert_allclose(np.log(ratios(evoked, level) / published), 0.0, atol=np.log(1.5))


def test_long_chirps_are_for_soft_sounds(evoked: Measure) -> None:
    """Abstract of Elberling & Don 2010 (verified): shorter chirps are best at high levels. Best of the table: 5, 3, 2."""
    best = [int(np.argmax(ratios(evoked, level))) for level in (20.0, 40.0, 60.0)]
    assert best == sorted(best, reverse=True)
    assert best[0] == FAMILY_MS.index(5.04)
    assert all(abs(found - published) <= 1 for found, published in zip(best, (4, 2, 1), strict=True))


@pytest.mark.parametrize(("level", "within_ms"), [(20.0, 0.3), (40.0, 0.7), (60.0, 1.5)])
def test_latencies_of_chirps(evoked: Measure, level: float, within_ms: float) -> None:
    # Time zero of the published chirps is not certain (their end, or when 10 kHz arrives: 0.1 ms apart in ours).
    found = [evoked(chirp(RATE_HZ, DelayModel.of_span(span_ms)), level)[0] for span_ms in FAMILY_MS]
    assert found == sorted(found, reverse=True)
    np.testing.assert_allclose(found, PUBLISHED_MS[level], atol=within_ms)


@pytest.mark.parametrize("level", [20.0, 40.0, 60.0])
def test_it_is_the_alignment_and_not_the_sound(evoked: Measure, level: float) -> None:
    """Backwards a chirp has the same spectrum and level but widens the delays that it should make up for."""
    forward = chirp(RATE_HZ)
    backward = Waveform("chirp", forward.samples[::-1], RATE_HZ)
    assert evoked(backward, level)[1] < 0.6 * evoked(click(RATE_HZ), level)[1]
    assert evoked(forward, level)[1] > 2.0 * evoked(backward, level)[1]


def test_no_chirp_helps_an_ear_that_hears_at_one_place_only(evoked: Measure) -> None:
    """With one place left, there is nothing to align: a chirp evokes what a click does that moves that place as much."""
    one_place = {500: 90.0, 1000: 90.0, 2000: 0.0, 4000: 90.0}
    listener = Listener(Patient("P", Ear(air_db_nhl=one_place), Ear(0.0), Background(0.0)), virtual_earphone(), RATE_HZ)
    calibration = load_calibration(VIRTUAL_EARPHONE)

    def amplitude(waveform: Waveform) -> float:
        return wave_v(listener.answer("left", gain(40.0, waveform, "left", calibration) * waveform.samples))[1]

    assert amplitude(chirp(RATE_HZ)) / amplitude(click(RATE_HZ)) < 1.3


# Neely et al. 1988, eq. 1 (secondary, in published code): tau_V = 5 + 12.9 * 5^(-L / 100) * (f / kHz)^-0.413 ms, L in dB SPL.
@pytest.mark.parametrize(("level", "within_ms"), [(30.0, 1.1), (40.0, 0.4), (50.0, 0.3), (60.0, 0.4), (80.0, 0.8)])
@pytest.mark.parametrize(("frequency_hz", "zero_db"), [(500.0, 23.5), (1000.0, 21.5), (2000.0, 28.5), (4000.0, 32.5)])
def test_latency_of_tone_bursts(evoked: Measure, frequency_hz: float, zero_db: float, level: float, within_ms: float) -> None:
    published_ms = 5.0 + 12.9 * 5.0 ** (-(level + zero_db) / 100.0) * (frequency_hz / 1000.0) ** -0.413
    assert evoked(tone_burst(RATE_HZ, frequency_hz), level)[0] == pytest.approx(published_ms, abs=within_ms)


@pytest.mark.parametrize("frequency_hz", [500.0, 1000.0, 2000.0, 4000.0])
def test_octave_chirps_evoke_more_than_bursts_and_earlier(evoked: Measure, frequency_hz: float) -> None:
    # Newborns: 1.64 times (1 and 4 kHz pooled), 1.31 (500 Hz), 1.52 (2 kHz): Ferm et al. 2013, Ferm & Lightfoot 2015 (abstracts,
    # verified). No alignment is needed for that: a burst loses most by its slow rise.
    burst, octave = (evoked(make(RATE_HZ, frequency_hz), 40.0) for make in (tone_burst, octave_chirp))
    assert 1.0 < octave[1] / burst[1] < 2.0
    assert octave[0] < burst[0]


@pytest.mark.parametrize(
    ("make", "frequency_hz"), [(tone_burst, 500.0), (tone_burst, 2000.0), (octave_chirp, 1000.0), (octave_chirp, 4000.0)]
)
def test_sounds_with_a_frequency_are_heard_where_they_belong(make, frequency_hz: float) -> None:
    """The threshold per frequency: a burst of so many dB nHL is heard from there on, an octave chirp within 5 dB."""
    calibration = load_calibration(VIRTUAL_EARPHONE)
    table = {250: 80.0, 500: 80.0, 1000: 80.0, 2000: 80.0, 4000: 80.0, 8000: 80.0} | {frequency_hz: 30.0}
    listener = Listener(Patient("P", Ear(air_db_nhl=table), Ear(0.0), Background(0.0)), virtual_earphone(), RATE_HZ)
    waveform = make(RATE_HZ, frequency_hz)

    def heard(level: float) -> bool:
        return listener.answer("left", gain(level, waveform, "left", calibration) * waveform.samples).uv.size > 0

    within_db = 0.5 if make is tone_burst else 5.0
    assert heard(30.0 + within_db)
    assert not heard(30.0 - within_db)


def test_polarity_changes_nothing(listener: Listener) -> None:
    samples = 0.01 * tone_burst(RATE_HZ, 1000.0).samples
    assert listener.answer("left", samples) is listener.answer("left", -samples)
