"""The timing check on recordings whose truth is known: delay, drift, jitter, what is missing and what is double."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from quietfloor.bench.patient.earphone import virtual_earphone
from quietfloor.bench.patient.loop import Loop
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.bench.timing_check.match import match
from quietfloor.bench.timing_check.measure import Played, TimingError, measure
from quietfloor.bench.timing_check.sounds import find_sounds
from quietfloor.monitor.core.triggers import TriggerSettings
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.frames import FrameSource, break_mark
from quietfloor.stimuli.levels import gain_db_fs
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.waveforms import click

AUDIO_HZ = 48_000.0
COUNT = 500
SETTINGS = TriggerSettings(unit_mark_ms=0.75, break_mark_ms=1.25, device_break_mark_ms=1.75)  # as for our own sound


@cache
def sound(count=COUNT, level_db_fs=-40.0):
    waveform = click(AUDIO_HZ)
    schedule = Schedule(47.1, AUDIO_HZ, n_sweeps=count, lead_in_s=0.5, seed=3)
    frames = FrameSource(waveform, gain_db_fs(level_db_fs, waveform), "right", schedule, Ceiling("insert", "adult"))
    return frames.read(frames.total_samples), Played(tuple(schedule.sweeps()), AUDIO_HZ, waveform.samples)


@cache
def recorded(rate_hz=16_000.0, delay_s=0.0, drift_ppm=0.0, jitter_s=0.0, count=COUNT):
    """Trigger and sound channel as the amplifier sends them, and what was played."""
    frames, played = sound(count)
    amplifier = replace(Amplifier.with_channels(2, rate_hz, drift_ppm), eeg_delay_s=delay_s, loop=Loop(1, jitter_s))
    eeg = VirtualPatient(load_patient("hearing-adult"), virtual_earphone(), amplifier, 5).feed(frames).astype(np.float32)
    return eeg[-1], eeg[1], played


def measured(trigger, sound, played, rate_hz=16_000.0, settings=SETTINGS):
    return measure(trigger, sound, rate_hz, played, settings)


# -- what the check is for --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate_hz", "offset_us", "sd_us"), [(4000.0, 4.0, 12.0), (8000.0, 2.0, 4.0), (16_000.0, 0.5, 2.0), (48_000.0, 0.1, 0.5)]
)
def test_a_constant_delay_is_recovered_far_below_a_sample(rate_hz, offset_us, sd_us):
    found = measured(*recorded(rate_hz, 0.00313), rate_hz)
    assert found.offset_ms == pytest.approx(3.13, abs=1e-3 * offset_us)
    assert 1e3 * found.sd_ms < sd_us
    assert found.range_ms[0] < found.offset_ms < found.range_ms[1]
    assert found.problems == ()
    assert not found.inverted


@pytest.mark.parametrize(("rate_hz", "drift_ppm"), [(16_000.0, 30.0), (4000.0, -200.0)])
def test_drift_is_found(rate_hz, drift_ppm):
    found = measured(*recorded(rate_hz, 0.0, drift_ppm), rate_hz)
    assert found.drift_ppm == pytest.approx(drift_ppm, abs=5 * found.drift_se_ppm + 0.02)
    assert found.drift_se_ppm < 0.2
    assert found.problems == ()


@pytest.mark.parametrize("delay_ms", [31.0, 99.9])
def test_a_delay_longer_than_the_interval_is_told_by_the_random_pauses(delay_ms):
    assert measured(*recorded(delay_s=1e-3 * delay_ms)).offset_ms == pytest.approx(delay_ms, abs=1e-3)


@pytest.mark.parametrize(("jitter_us", "passes"), [(90, True), (130, False), (1000, False)])
def test_jitter_beyond_a_tenth_of_a_millisecond_fails(jitter_us, passes):
    found = measured(*recorded(jitter_s=1e-6 * jitter_us))
    assert 1e3 * found.sd_ms == pytest.approx(jitter_us, rel=0.02)
    assert 1e3 * found.sound_sd_ms == pytest.approx(jitter_us, rel=0.02)
    assert found.trigger_sd_ms < 0.002
    assert found.offset_ms == pytest.approx(0.0, abs=0.005)
    assert list(found.problems) == [] if passes else "scatters" in found.problems[0]
    assert len(found.problems) == (not passes)


def test_missing_and_double_triggers_are_counted():
    trigger, sound_channel, played = recorded(delay_s=0.002)
    clean = measured(trigger, sound_channel, played)
    at = clean.trigger_positions.round().astype(int)
    pulse = trigger[at[20] - 20 : at[20] + 40]
    for missing in ([], [0], [5, 99, 100, 350]):
        for double in ([], [7, 203, 498]):
            changed = trigger.copy()
            for k in missing:
                changed[at[k] - 20 : at[k] + 60] = 0.0
            for k in double:
                changed[at[k] + 130 : at[k] + 190] += pulse
            found = measured(changed, sound_channel, played)
            assert (found.counts["missing_triggers"], found.counts["double_triggers"]) == (len(missing), len(double))
            assert np.flatnonzero(np.isnan(found.offsets_ms)).tolist() == missing
            assert found.offset_ms == pytest.approx(2.0, abs=0.001)
            assert len(found.problems) == bool(missing) + bool(double)
            assert found.counts["missing_sounds"] == found.counts["double_sounds"] == 0


def test_missing_double_and_turned_sounds_are_counted():
    trigger, sound_channel, played = recorded(delay_s=0.002)
    at = measured(trigger, sound_channel, played).sound_positions.round().astype(int)
    changed = sound_channel.copy()
    for k in (9, 10, 250):
        changed[at[k] - 20 : at[k] + 40] = 0.0
    for k in (17, 90):
        changed[at[k] + 130 : at[k] + 190] += sound_channel[at[20] - 20 : at[20] + 40]
    changed[at[300] - 20 : at[300] + 40] *= -1
    found = measured(trigger, changed, played)
    counts = found.counts
    assert (counts["missing_sounds"], counts["double_sounds"], counts["wrong_polarity"]) == (3, 2, 1)
    assert found.problems == ("3 sounds are missing", "2 sounds are too many", "1 sound has the wrong polarity")
    assert found.sd_ms < 0.002


# -- what equipment does -----------------------------------------------------------------------------------------------


def test_signs_of_cables_do_not_matter():
    trigger, sound_channel, played = recorded(delay_s=0.002)
    for turn_trigger in (1, -1):
        for turn_sound in (1, -1):
            found = measured(turn_trigger * trigger, turn_sound * sound_channel, played)
            assert found.offset_ms == pytest.approx(2.0, abs=0.001)
            assert found.inverted == (turn_sound < 0)
            assert found.problems == ()


def test_an_event_port_costs_half_a_sample_and_its_scatter():
    """Its onset is the first sample at the new level: on average half a sample after the edge, SD 1 / sqrt(12) of a sample."""
    trigger, sound_channel, played = recorded(delay_s=0.002, drift_ppm=30.0)
    found = measured(255.0 * (trigger > 0.5 * trigger.max()), sound_channel, played)
    assert found.trigger_edges == "digital"
    assert found.offset_ms == pytest.approx(2.0 - 0.5 / 16, abs=0.003)
    assert found.sd_ms == pytest.approx(1 / 16 / np.sqrt(12), rel=0.05)
    assert found.drift_ppm == pytest.approx(30.0, abs=0.1)
    assert found.problems == ()


def test_hum_moves_nothing():
    trigger, sound_channel, played = recorded(delay_s=0.002)
    t_s = np.arange(len(trigger)) / 16_000.0
    hum = 100.0 * np.sin(2 * np.pi * 50 * t_s) + 30.0 * np.sin(2 * np.pi * 150 * t_s + 1.0)
    found = measured(trigger, sound_channel + hum, played)
    assert found.offset_ms == pytest.approx(2.0, abs=0.001)
    assert found.sd_ms < 0.002


def test_the_scatter_by_noise_is_predicted():
    trigger, sound_channel, played = recorded(delay_s=0.002)
    noisy = sound_channel + 5.0 * np.random.default_rng(2).standard_normal(len(sound_channel))
    found = measured(trigger, noisy, played)
    assert found.noise_sd_ms == pytest.approx(found.sound_sd_ms, rel=0.15)
    assert 0.003 < found.noise_sd_ms < 0.006


def test_an_input_that_blocks_direct_current_moves_nothing():
    trigger, sound_channel, played = recorded(delay_s=0.002)
    for edge_hz, within_ms in ((1.0, 0.001), (100.0, 0.005)):
        b, a = butter(1, edge_hz, "high", fs=16_000.0)
        assert measured(trigger, lfilter(b, a, sound_channel), played).offset_ms == pytest.approx(2.0, abs=within_ms)


def test_the_mark_of_a_broken_sound_is_told():
    trigger, sound_channel, played = recorded(rate_hz=48_000.0)
    at = round(measured(trigger, sound_channel, played, 48_000.0).trigger_positions[40]) + 500
    mark = break_mark(0.0015, 48_000.0)
    changed = trigger.copy()
    changed[at : at + len(mark)] += mark * 10_000.0
    changed[6000 : 6000 + len(mark)] += mark * 10_000.0  # long before the first click: it touches none
    found = measured(changed, sound_channel, played, 48_000.0)
    assert found.problems == ("1 break of the sound: end other programs",)


# -- what cannot be measured -------------------------------------------------------------------------------------------


def test_says_what_is_missing():
    trigger, sound_channel, played = recorded()
    noise = np.random.default_rng(1).standard_normal(len(trigger))
    strange = np.zeros(len(trigger))
    strange[::700] = 5.0
    for channels, words in (
        ((noise, sound_channel), "no trigger stands out"),
        ((trigger, noise), "no sound keeps step with the trigger"),
        ((strange, sound_channel), "not as the 500 sounds were played"),
        ((trigger, sound_channel + 20.0 * noise), "hardly larger than the noise"),
        ((trigger[:150_000], sound_channel[:150_000]), r"ends before \d+ of 500 sounds"),
    ):
        with pytest.raises(TimingError, match=words):
            measured(*channels, played)


def test_trigger_and_sound_in_one_channel_fail():
    """The trigger has one sign, the sounds alternate."""
    trigger, _, played = recorded()
    assert any("wrong polarity" in problem for problem in measured(trigger, trigger, played).problems)


# -- parts, against truth made without the project's converter ----------------------------------------------------------


def test_places_between_samples_of_pulses_of_another_make():
    """Gaussian pulses of 1.4 samples' SD about the middle of a sound of one audio sample; places at random."""
    random = np.random.default_rng(7)
    rate_hz, n = 10_000.0, 100
    expected = 3000.0 + 230.0 * np.arange(n) + 80.0 * (np.arange(n) // 16)
    late = 37.0 + random.uniform(-8, 8, n)
    middles = expected + late + 0.5 * rate_hz / AUDIO_HZ
    signs = np.where(np.arange(n) % 2, -1.0, 1.0)
    samples = np.arange(round(expected[-1]) + 3000)
    channel = sum(sign * np.exp(-0.5 * ((samples - middle) / 1.4) ** 2) for sign, middle in zip(signs, middles, strict=True))
    found = find_sounds(channel + 1e-4 * random.standard_normal(len(samples)), rate_hz, expected, signs, np.ones(1), AUDIO_HZ)
    np.testing.assert_allclose(found.positions - expected, late, atol=0.005)
    assert (found.extra, found.wrong_polarity, found.inverted) == (0, 0, False)


@pytest.mark.parametrize("seed", range(20))
def test_triggers_are_matched_whatever_is_missing_or_too_much(seed):
    random = np.random.default_rng(seed)
    rate_hz = 16_000.0
    expected = Schedule(47.1, rate_hz, n_sweeps=320, lead_in_s=0.5, seed=seed).onsets(320).astype(float)
    true = 5000.0 + expected * (1.0 + random.uniform(-1e-3, 1e-3)) + random.normal(0, 0.2, 320)
    kept = random.random(320) > random.choice([0.0, 0.05, 0.2])
    kept[[0, -1]] = True, random.random() > 0.5
    places = random.choice(319, 6, replace=False)
    extra = true[places] + 0.5 * (true[places + 1] - true[places])
    later = true[-1] + np.array([340.0, 680.0])  # sounds that go on after those that count
    found = match(np.sort(np.concatenate([true[kept], extra, later])), expected, rate_hz)
    assert found is not None
    np.testing.assert_array_equal(found.positions, np.where(kept, true, np.nan))
    assert found.extra == 6
