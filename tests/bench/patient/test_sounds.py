"""Sounds are found in silence and in running noise, whatever the chunking; noise is measured, not taken for a sound."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.cochlea import PLACES_HZ, WINDOW_S
from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE, Earphone, virtual_earphone
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.masker import RunningNoise
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import Patient
from quietfloor.bench.patient.sounds import SoundFinder
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.masking import Masking, Noise, rms_of_em
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.waveforms import chirp, click, octave_chirp, tone_burst
from tests.bench.conftest import AUDIO_HZ, clicks, peak_for

RATE_HZ = float(AUDIO_HZ)
CALIBRATION = load_calibration(VIRTUAL_EARPHONE)
CEILING = Ceiling("insert", "adult", CALIBRATION)


def found(column: np.ndarray, cuts: list[int] | None = None) -> SoundFinder:
    finder = SoundFinder(RATE_HZ)
    for part in np.split(np.concatenate([column, np.zeros(2400)]), cuts or []):
        finder.feed(part)
    return finder


def column_with(sound: np.ndarray, onsets: np.ndarray, n: int) -> np.ndarray:
    out = np.zeros(n)
    for i, onset in enumerate(onsets):
        out[onset : onset + sound.size] += (-1) ** i * sound
    return out


def noise(masking_db_em: float, seconds: float, frequency_hz: float | None = None, stop: bool = False) -> np.ndarray:
    rms = rms_of_em(masking_db_em, frequency_hz, "left", CALIBRATION, RATE_HZ)
    name = "white" if frequency_hz is None else "octave-band"
    masking = Masking(name, rms, "left", RATE_HZ, CEILING, frequency_hz, seed=3)
    n = round(seconds * RATE_HZ)
    return Noise(masking, n if stop else None).read(n)


@pytest.mark.parametrize("make", [lambda: click(RATE_HZ), lambda: tone_burst(RATE_HZ, 500.0), lambda: chirp(RATE_HZ)])
def test_every_sound_is_found_whole_and_once(make) -> None:
    sound = 0.01 * make().samples
    onsets = np.arange(701, 90_000, 1019)
    finder = found(column_with(sound, onsets, 96_000))
    assert len(finder.sounds) == onsets.size
    for each, onset in zip(finder.sounds, onsets, strict=True):
        assert each.noise is None
        skipped = each.frame - onset  # a soft beginning, below -140 dB
        assert 0 <= skipped <= 5
        np.testing.assert_array_equal(np.abs(each.samples), np.abs(sound[skipped : skipped + each.samples.size]))
        assert np.abs(sound[skipped + each.samples.size :]).max(initial=0.0) < 1e-7


@pytest.mark.parametrize("rate_per_s", [90.0, 250.0])
def test_fast_sounds_with_hardly_a_pause(rate_per_s: float) -> None:
    interval = int(RATE_HZ / rate_per_s)
    sound = 0.01 * np.sin(2 * np.pi * 2000 / RATE_HZ * np.arange(interval - 6) + 1.0)
    onsets = np.arange(500, 90_000, interval)
    assert len(found(column_with(sound, onsets, 96_000)).sounds) == onsets.size


def test_a_long_sound_is_one_and_cut_to_its_beginning() -> None:
    sound = 0.01 * np.sin(2 * np.pi * 1000 / RATE_HZ * np.arange(9600))  # 200 ms
    finder = found(column_with(sound, np.array([700, 24_000]), 48_000))
    assert len(finder.sounds) == 2
    assert all(0.98 < each.samples.size / round(WINDOW_S * RATE_HZ) <= 1.0 for each in finder.sounds)


@pytest.mark.parametrize("frequency_hz", [None, 250.0, 500.0, 4000.0])
def test_noise_is_not_one_endless_sound_nor_many(frequency_hz: float | None) -> None:
    column = noise(60.0, 8.0, frequency_hz, stop=True)
    finder = found(column)
    assert len(finder.sounds) <= 12  # at its beginning and end, where it is all but silence
    for each in finder.sounds:
        assert each.frame < 0.1 * RATE_HZ or each.frame > 7.9 * RATE_HZ
        assert np.abs(each.samples).max() < 0.03 * np.abs(column).max()
    assert finder.noise is None  # silence again


@pytest.mark.parametrize(("frequency_hz", "within_db"), [(None, 1.0), (1000.0, 1.0), (4000.0, 1.0)])
def test_noise_is_measured_as_effective_masking(frequency_hz: float | None, within_db: float) -> None:
    # ISO 389-4 (from memory): 0 dB EM is the pure-tone zero and 4 to 6 dB, of noise a third of an octave wide.
    finder = SoundFinder(RATE_HZ)
    finder.feed(noise(50.0, 3.0, frequency_hz))
    assert finder.noise is not None
    masking_db = virtual_earphone().masking_db_em(finder.noise, PLACES_HZ, "left")
    if frequency_hz is None:  # white noise masks 500 to 4000 Hz by at least what is asked for
        inside = (PLACES_HZ > 490) & (PLACES_HZ < 4100)
        assert masking_db[inside].min() == pytest.approx(50.0, abs=2.0)
    else:
        place = int(np.argmin(np.abs(PLACES_HZ - frequency_hz)))
        assert masking_db[place] == pytest.approx(50.0, abs=2.0)
        assert masking_db[place - 12] < 25.0


def test_known_noise_is_measured_right() -> None:
    white = np.random.default_rng(5).standard_normal(480_000)
    meter = RunningNoise(RATE_HZ)
    meter.feed(white)
    widths_hz = PLACES_HZ * (2 ** (1 / 6) - 2 ** (-1 / 6))
    assert meter.mean_squares is not None
    np.testing.assert_allclose(10 * np.log10(meter.mean_squares / (widths_hz / 24_000)), 0.0, atol=4.0)  # few bins at low places
    np.testing.assert_allclose(10 * np.log10(meter.mean_squares / (widths_hz / 24_000))[12:].mean(), 0.0, atol=0.5)


@pytest.mark.parametrize("rate_per_s", [20.0, 47.1, 90.0])
@pytest.mark.parametrize("make", [lambda: click(RATE_HZ), lambda: octave_chirp(RATE_HZ, 2000.0)])
def test_sounds_are_found_in_noise(make, rate_per_s: float) -> None:
    waveform = make()
    onsets = (48_000 + np.arange(100) * RATE_HZ / rate_per_s).astype(int)
    running = noise(30.0, (onsets[-1] + 9600) / RATE_HZ)
    sound = gain(70.0, waveform, "left", CALIBRATION) * waveform.samples
    finder = found(running + column_with(sound, onsets, running.size))
    frames = np.array([each.frame for each in finder.sounds if each.noise is not None])
    assert frames.size == onsets.size
    assert np.all((frames - onsets >= -48) & (frames - onsets <= sound.size))


@settings(max_examples=25, deadline=None, derandomize=True)
@given(cuts=st.lists(st.integers(0, 96_000), max_size=30).map(sorted))
def test_any_cutting_finds_the_same(cuts: list[int]) -> None:
    whole, cut = found(MIXED), found(MIXED, cuts)
    assert [each.frame for each in cut.sounds] == [each.frame for each in whole.sounds]
    for one, other in zip(cut.sounds, whole.sounds, strict=True):
        np.testing.assert_array_equal(one.samples, other.samples)
        assert (one.noise is None) == (other.noise is None)
        if one.noise is not None:
            np.testing.assert_array_equal(one.noise, other.noise)
    assert cut.settled == whole.settled


def mixed() -> np.ndarray:
    """Sounds in silence, noise that comes and goes, sounds in it, sounds after it."""
    out = column_with(0.02 * click(RATE_HZ).samples, np.arange(300, 95_000, 977), 96_000)
    running = noise(30.0, 1.2, stop=True)
    out[20_000 : 20_000 + running.size] += running
    return out


MIXED = mixed()


# The masked ear
# ------------------------------------------------------------------------------------------------------------------


def frames_of(level_db_nhl: float, masking: Masking | None, n_sweeps: int = 60) -> tuple[np.ndarray, np.ndarray]:
    waveform = click(RATE_HZ)
    schedule = Schedule(47.1, RATE_HZ, n_sweeps=n_sweeps, lead_in_s=1.0)
    source = FrameSource(waveform, gain(level_db_nhl, waveform, "right", CALIBRATION), "right", schedule, CEILING, masking)
    frames = source.read(source.total_samples or 0)
    return frames, np.array([sweep.onset_sample for sweep in source.sweeps])


def average(eeg: np.ndarray, onsets: np.ndarray) -> np.ndarray:
    amplifier = Amplifier()
    starts = np.rint(onsets / RATE_HZ * amplifier.rate_hz).astype(int)
    return np.mean([eeg[0, s : s + 320] for s in starts], axis=0)


@pytest.mark.parametrize(("noise_name", "frequency_hz"), [("white", None), ("octave-band", 1000.0)])
def test_masking_the_other_ear_leaves_the_response_of_this_one(
    silent_head: Patient, earphone: Earphone, noise_name: str, frequency_hz: float | None
) -> None:
    rms = rms_of_em(50.0, frequency_hz, "left", CALIBRATION, RATE_HZ)
    masking = Masking(noise_name, rms, "left", RATE_HZ, CEILING, frequency_hz)
    masked, onsets = frames_of(40.0, masking)
    plain, _ = frames_of(40.0, None)
    with_noise, without = (VirtualPatient(silent_head, earphone, Amplifier(), 1).feed(frames) for frames in (masked, plain))
    np.testing.assert_allclose(average(with_noise, onsets), average(without, onsets), atol=1e-9)
    assert average(without, onsets).max() > 0.2


def test_noise_in_the_same_ear_lifts_its_threshold(silent_head: Patient, earphone: Earphone) -> None:
    onsets = np.arange(60_000, 190_000, 1019)
    running = noise(40.0, 4.2)

    def response(level: float) -> float:
        frames = clicks(onsets, running.size, peak_for(earphone, level), "left").astype(np.float64)
        frames[0] += running
        return float(average(VirtualPatient(silent_head, earphone, Amplifier(), 1).feed(frames), onsets).max())

    quiet = clicks(onsets, running.size, peak_for(earphone, 55.0), "left")
    unmasked = float(average(VirtualPatient(silent_head, earphone, Amplifier(), 1).feed(quiet), onsets).max())
    assert response(35.0) == 0.0
    assert 0.1 * unmasked < response(55.0) < 0.8 * unmasked
    assert response(80.0) > 0.8 * unmasked


def test_noise_alone_evokes_nothing_once_it_runs(silent_head: Patient, earphone: Earphone) -> None:
    frames = np.zeros((3, 3 * AUDIO_HZ))
    frames[0] = noise(60.0, 3.0)
    eeg = VirtualPatient(silent_head, earphone, Amplifier(), 1).feed(frames)
    assert not eeg[:-1, 4000:].any()


def test_ear_without_hearing_for_the_band_of_a_burst(earphone: Earphone) -> None:
    """A loss of high frequencies answers a burst of 500 Hz and not one of 4000 Hz of the same dB nHL."""
    head = Patient("S", Ear(air_db_nhl={500: 10, 1000: 20, 2000: 60, 4000: 90, 8000: 90}), Ear(0.0), Background(0.0))
    for frequency_hz, heard in ((500.0, True), (4000.0, False)):
        waveform = tone_burst(RATE_HZ, frequency_hz)
        frames = np.zeros((3, 12_000))
        frames[0] = column_with(gain(50.0, waveform, "left", CALIBRATION) * waveform.samples, np.array([1003]), 12_000)
        assert VirtualPatient(head, earphone, Amplifier(), 1).feed(frames)[:-1].any() == heard
