"""Sound in, EEG out: the response is there if and only if the sound is, at the right time, whatever the chunks."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.bench.patient.adaptation import at_rate
from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE, Earphone, virtual_earphone
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.patient import TRIGGER_UV_PER_FULL_SCALE, Amplifier, VirtualPatient, truth_uv
from quietfloor.bench.patient.profiles import Patient, load_patient
from quietfloor.stimuli.calibration_file import load_calibration
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.chirps import DelayModel, span_for_level
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.masking import Masking, rms_of_em
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.waveforms import Waveform, chirp, click
from tests.bench.conftest import AUDIO_HZ, clicks, peak_for

ONSETS = np.arange(500, 96_000 - 3000, 1019)


def average(samples: np.ndarray, amplifier: Amplifier, onsets: np.ndarray, length_s: float = 0.02) -> np.ndarray:
    """Mean of the sweeps cut at the sample nearest each onset, (channels + 1, n)."""
    starts = np.rint(onsets / AUDIO_HZ * amplifier.true_rate_hz).astype(int)
    return np.mean([samples[:, s : s + int(length_s * amplifier.rate_hz)] for s in starts], axis=0)


def test_response_equals_the_truth_at_the_sample_instants(silent_head: Patient, earphone: Earphone) -> None:
    amplifier = Amplifier.with_channels(3, 7000.0, drift_ppm=83.0)
    eeg = VirtualPatient(silent_head, earphone, amplifier, 1).feed(clicks([1003], 12_000, peak_for(earphone, 47.0)))
    t_s = np.arange(eeg.shape[1]) / (7000.0 * (1 + 83e-6)) - 1003 / AUDIO_HZ
    sound = (peak_for(earphone, 47.0) * np.array([1, 1, 1, 1, 0.8])).astype(np.float32)
    alone = at_rate(0.0)  # nothing came before
    truth = alone.size * truth_uv(silent_head, earphone, "right", sound, t_s - alone.later_s)
    assert truth.max() > 0.2
    for row, channel_gain in zip(eeg[:-1], amplifier.gains, strict=True):
        np.testing.assert_allclose(row, channel_gain * truth, atol=1e-6)
    assert amplifier.gains[0] == 1.0


def test_level_of_the_player_is_the_level_at_the_ear(earphone: Earphone) -> None:
    calibration = load_calibration(VIRTUAL_EARPHONE)
    waveform = click(AUDIO_HZ)
    for ear in ("left", "right"):
        for level in (-5.0, 20.0, 60.0, 90.0):
            samples = (waveform.samples * gain(level, waveform, ear, calibration)).astype(np.float32)
            assert earphone.level_db_nhl(float(samples.max()), ear) == pytest.approx(level, abs=1e-5)


def test_muted_sound_gives_exactly_no_response(silent_head: Patient, earphone: Earphone) -> None:
    amplifier = Amplifier()
    loud, muted = (clicks(ONSETS, 96_000, peak) for peak in (peak_for(earphone, 60.0), 0.0))
    with_sound = VirtualPatient(silent_head, earphone, amplifier, 1).feed(loud)
    without = VirtualPatient(silent_head, earphone, amplifier, 1).feed(muted)
    assert np.abs(average(with_sound, amplifier, ONSETS)[0]).max() > 0.2
    assert not average(without, amplifier, ONSETS)[:-1].any()
    np.testing.assert_array_equal(with_sound[-1], without[-1])  # the trigger goes on


def test_muting_leaves_the_background_untouched(noisy_head: Patient, earphone: Earphone) -> None:
    loud, muted = (
        VirtualPatient(noisy_head, earphone, Amplifier(), 4).feed(clicks(ONSETS, 96_000, peak))
        for peak in (peak_for(earphone, 60.0), 0.0)
    )
    difference = loud[0] - muted[0]
    quiet = VirtualPatient(replace(noisy_head, background=Background(0.0)), earphone, Amplifier(), 4)
    np.testing.assert_allclose(difference, quiet.feed(clicks(ONSETS, 96_000, peak_for(earphone, 60.0)))[0], atol=1e-10)


def test_below_threshold_gives_exactly_no_response(earphone: Earphone) -> None:
    head = Patient("Loss", Ear(0.0), Ear(45.0), Background(0.0))
    for level, heard in ((44.99, False), (45.01, True)):
        eeg = VirtualPatient(head, earphone, Amplifier(), 1).feed(clicks(ONSETS, 96_000, peak_for(earphone, level)))
        assert eeg[:-1].any() == heard


def test_wrong_ear_gives_exactly_no_response(earphone: Earphone) -> None:
    head = replace(load_patient("left-ear-loss"), background=Background(0.0))
    for ear, heard in (("left", False), ("right", True)):
        eeg = VirtualPatient(head, earphone, Amplifier(), 1).feed(clicks(ONSETS, 96_000, peak_for(earphone, 40.0), ear))
        assert eeg[:-1].any() == heard


def test_deaf_at_60_gives_exactly_no_response_at_60(earphone: Earphone) -> None:
    head = replace(load_patient("deaf-at-60"), background=Background(0.0))
    for ear in ("left", "right"):
        eeg = VirtualPatient(head, earphone, Amplifier(), 1).feed(clicks(ONSETS, 96_000, peak_for(earphone, 60.0), ear))
        assert not eeg[:-1].any()


@pytest.mark.parametrize("level", [20.0, 40.0, 60.0])
def test_average_out_of_noise_shows_the_published_wave_v(level: float, earphone: Earphone) -> None:
    published = {20.0: (7.60, 0.256), 40.0: (6.59, 0.368), 60.0: (5.88, 0.407)}
    head = replace(load_patient("hearing-adult"), background=Background(0.3))
    amplifier = Amplifier(rate_hz=16_000.0)
    onsets = np.arange(500, 1_400_000, 1019)
    eeg = VirtualPatient(head, earphone, amplifier, 9).feed(clicks(onsets, 1_410_000, peak_for(earphone, level)))
    mean = average(eeg, amplifier, onsets)[0]
    noise = eeg[0].std() / np.sqrt(onsets.size)
    t_ms = np.arange(mean.size) / 16.0
    latency_ms, amplitude_uv = published[level]
    peak, trough = (int(np.argmin(np.abs(t_ms - latency_ms - 0.9 - shift))) for shift in (0.0, 2.4))
    assert mean[peak] - mean[trough] == pytest.approx(amplitude_uv, abs=4 * np.sqrt(2) * noise + 0.01)


@pytest.mark.parametrize("rate_hz", [4000.0, 16_000.0, 44_100.0, 48_000.0])
@pytest.mark.parametrize("drift_ppm", [0.0, -50.0, 250.0])
def test_trigger_edges_lie_where_the_audio_frames_say(
    rate_hz: float, drift_ppm: float, silent_head: Patient, earphone: Earphone
) -> None:
    amplifier = Amplifier.with_channels(1, rate_hz, drift_ppm)
    onsets = np.arange(700, 480_000 - 3000, 1019)
    eeg = VirtualPatient(silent_head, earphone, amplifier, 1).feed(clicks(onsets, 480_000, 0.0))
    full = 0.5 * TRIGGER_UV_PER_FULL_SCALE
    expected = onsets / AUDIO_HZ * rate_hz * (1 + drift_ppm * 1e-6)
    for position in expected:
        # The part of the step still missing, summed, says where the edge is: independent of the shape of the filter.
        first, last = int(position) - 3, int(position) + 3  # the pulse of 2 ms is at least 8 samples long
        found = last + 0.5 - (eeg[-1, first : last + 1] / full).sum()
        assert found == pytest.approx(position, abs=1 / 50)
        assert found == pytest.approx(position, abs=1e-6)


def test_drift_counts_samples_exactly(silent_head: Patient, earphone: Earphone) -> None:
    counts = []
    for drift in (0.0, 1000.0):
        head = VirtualPatient(silent_head, earphone, Amplifier.with_channels(1, 16_000.0, drift), 1)
        counts.append(sum(head.feed(np.zeros((3, 48_000), dtype=np.float32)).shape[1] for _ in range(20)))
    assert abs((counts[1] - counts[0]) - 20 * 16) <= Amplifier().block  # output comes in whole blocks


def test_short_bipolar_trigger_keeps_its_first_edge_at_the_lowest_rate(silent_head: Patient, earphone: Earphone) -> None:
    frames = np.zeros((3, 9600), dtype=np.float32)
    frames[2, 4001:4025], frames[2, 4025:4049] = 0.5, -0.5
    trigger = VirtualPatient(silent_head, earphone, Amplifier.with_channels(1, 4000.0), 1).feed(frames)[-1]
    edge = 4001 / 12
    assert not trigger[: int(np.ceil(edge - 1.5))].any()
    assert trigger.sum() == pytest.approx(0.0, abs=1e-6 * TRIGGER_UV_PER_FULL_SCALE)  # no net charge
    assert trigger.max() > 0.3 * TRIGGER_UV_PER_FULL_SCALE


FRAMES = clicks(np.arange(300, 19_000, 701), 20_000, 0.02) + clicks(np.arange(650, 19_000, 977), 20_000, 0.004, "left")
CUTS = st.lists(st.integers(0, 20_000), max_size=40).map(sorted)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(cuts=CUTS, setup=st.sampled_from([(1, 4000.0, 0.0), (2, 16_000.0, 120.0), (4, 11_025.0, -30.0), (2, 48_000.0, 0.0)]))
def test_any_cutting_of_the_audio_gives_identical_eeg_and_trigger(cuts: list[int], setup: tuple[int, float, float]) -> None:
    patient = Patient("N", Ear(0.0), Ear(0.0), Background(2.0, 0.3, bursts_per_min=60.0, mains_uv=3.0, offset_uv=100.0))
    amplifier, earphone = Amplifier.with_channels(*setup), virtual_earphone()
    whole = VirtualPatient(patient, earphone, amplifier, 3).feed(FRAMES)
    head = VirtualPatient(patient, earphone, amplifier, 3)
    pieces = [head.feed(FRAMES[:, a:b]) for a, b in zip([0, *cuts], [*cuts, 20_000], strict=True)]
    np.testing.assert_array_equal(np.concatenate(pieces, axis=1), whole)


def played(
    waveform: Waveform, level_db_nhl: float, n_sweeps: int, masking_db_em: float | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Frames as a player sends them, for the right ear, and the onsets."""
    calibration = load_calibration(VIRTUAL_EARPHONE)
    ceiling = Ceiling("insert", "adult", calibration)
    masking = None
    if masking_db_em is not None:
        rms = rms_of_em(masking_db_em, None, "left", calibration, AUDIO_HZ)
        masking = Masking("white", rms, "left", AUDIO_HZ, ceiling)
    schedule = Schedule(47.1, AUDIO_HZ, n_sweeps=n_sweeps, lead_in_s=0.2)
    factor = gain(level_db_nhl, waveform, "right", calibration)
    source = FrameSource(waveform, factor, "right", schedule, ceiling, masking)
    frames = source.read(source.total_samples or 0)
    return frames, np.array([sweep.onset_sample for sweep in source.sweeps])


@settings(max_examples=10, deadline=None, derandomize=True)
@given(cuts=CUTS)
def test_any_cutting_of_a_chirp_beside_masking_noise_gives_identical_eeg(cuts: list[int]) -> None:
    patient = Patient("N", Ear(0.0), Ear(0.0), Background(2.0))
    frames = played(chirp(AUDIO_HZ), 50.0, 8, masking_db_em=40.0)[0][:, :20_000]
    whole = VirtualPatient(patient, virtual_earphone(), Amplifier(), 3).feed(frames)
    head = VirtualPatient(patient, virtual_earphone(), Amplifier(), 3)
    pieces = [head.feed(frames[:, a:b]) for a, b in zip([0, *cuts], [*cuts, 20_000], strict=True)]
    np.testing.assert_array_equal(np.concatenate(pieces, axis=1), whole)


@pytest.mark.parametrize("level", [30.0, 40.0, 50.0, 60.0])
def test_a_chirp_evokes_more_than_a_click_in_the_recorded_eeg(level: float, silent_head: Patient, earphone: Earphone) -> None:
    """Elberling & Don 2008, as quoted in a thesis (secondary): 1.5 to 2 times, for the chirp that suits the level."""
    sizes = []
    for waveform in (click(AUDIO_HZ), chirp(AUDIO_HZ, DelayModel.of_span(span_for_level(level)))):
        frames, onsets = played(waveform, level, 32)
        mean = average(VirtualPatient(silent_head, earphone, Amplifier(), 1).feed(frames), Amplifier(), onsets)[0]
        sizes.append(mean.max() - mean[np.argmax(mean) :].min())
    assert 1.5 <= sizes[1] / sizes[0] <= 2.3


def test_frame_by_frame_is_identical_too(noisy_head: Patient, earphone: Earphone) -> None:
    frames = FRAMES[:, :3000]
    whole = VirtualPatient(noisy_head, earphone, Amplifier(), 3).feed(frames)
    head = VirtualPatient(noisy_head, earphone, Amplifier(), 3)
    np.testing.assert_array_equal(np.concatenate([head.feed(frames[:, [i]]) for i in range(3000)], axis=1), whole)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Amplifier.with_channels(33, 16_000.0), r"channels = 33 is outside 1\.\.32"),
        (lambda: Amplifier(rate_hz=2000.0), r"2000 Hz is outside 4000\.\.48000"),
        (lambda: Amplifier(labels=("a",), gains=(1.0, 2.0)), "1 labels and 2 gains"),
    ],
)
def test_impossible_amplifier_is_refused(make, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        make()


def test_frames_of_wrong_shape_are_refused(silent_head: Patient, earphone: Earphone) -> None:
    with pytest.raises(ValueError, match=r"\(2, 5\): give \(3, n\)"):
        VirtualPatient(silent_head, earphone, Amplifier(), 1).feed(np.zeros((2, 5)))
