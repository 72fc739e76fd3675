"""The loop of the virtual bench: the sound by wire in one EEG channel, EEG behind its trigger, and a fault to be found."""

from dataclasses import replace

import numpy as np
import pytest

from quietfloor.bench.patient.loop import LOOP_NOISE_UV, LOOP_UV_PER_FULL_SCALE, Loop
from quietfloor.bench.patient.patient import Amplifier, VirtualPatient
from tests.bench.conftest import clicks, peak_for

ONSETS = np.arange(3000, 90_000, 1019)


def looped(delay_s=0.0, jitter_s=0.0, channel=1, rate_hz=16_000.0):
    return replace(Amplifier.with_channels(2, rate_hz), eeg_delay_s=delay_s, loop=Loop(channel, jitter_s))


def test_the_channel_has_the_sound_and_the_amplifiers_own_noise(noisy_head, earphone):
    frames = clicks(ONSETS, 96_000, 0.01)
    eeg = VirtualPatient(noisy_head, earphone, looped(rate_hz=48_000.0), 3).feed(frames)
    n = eeg.shape[1]
    quiet = np.abs(frames[1, :n]) + np.abs(np.roll(frames[1], 2)[:n]) + np.abs(np.roll(frames[1], -2)[:n]) == 0
    assert eeg[1][quiet].std() == pytest.approx(LOOP_NOISE_UV, rel=0.02)
    # the middle of a click of 100 us lasts longer than this converter's kernel of 62.5 us
    middles = [eeg[1][onset + 2] * (-1) ** i for i, onset in enumerate(ONSETS) if onset + 2 < n]
    assert np.mean(middles) == pytest.approx(0.01 * LOOP_UV_PER_FULL_SCALE, rel=0.01)


def test_a_loop_changes_no_other_channel(noisy_head, earphone):
    frames = clicks(ONSETS, 96_000, peak_for(earphone, 60.0))
    without = VirtualPatient(noisy_head, earphone, Amplifier(), 3).feed(frames)
    for jitter_s in (0.0, 2e-4):
        eeg = VirtualPatient(noisy_head, earphone, looped(jitter_s=jitter_s), 3).feed(frames)
        np.testing.assert_array_equal(eeg[[0, 2]], without[[0, 2], : eeg.shape[1]])


def test_eeg_comes_late_and_its_trigger_does_not(silent_head, earphone):
    frames = clicks(ONSETS, 96_000, peak_for(earphone, 60.0))
    at_once = VirtualPatient(silent_head, earphone, Amplifier(), 3).feed(frames)
    late = VirtualPatient(silent_head, earphone, replace(Amplifier(), eeg_delay_s=50 / 16_000), 3).feed(frames)
    assert at_once[:2].any()
    np.testing.assert_allclose(late[:2, 50:], at_once[:2, :-50], atol=1e-9)
    np.testing.assert_array_equal(late[2], at_once[2])


@pytest.mark.parametrize(("delay_s", "jitter_s"), [(0.0, 0.0), (0.0031, 0.0), (0.1, 1e-3)])
def test_the_same_however_the_audio_is_cut(noisy_head, earphone, delay_s, jitter_s):
    frames = clicks(ONSETS, 96_000, 0.01)
    amplifier = looped(delay_s, jitter_s)
    whole = VirtualPatient(noisy_head, earphone, amplifier, 3).feed(frames)
    head, random, parts, start = VirtualPatient(noisy_head, earphone, amplifier, 3), np.random.default_rng(1), [], 0
    while start < frames.shape[1]:
        n = int(random.integers(1, 3000))
        parts.append(head.feed(frames[:, start : start + n]))
        start += n
    np.testing.assert_array_equal(np.concatenate(parts, axis=1), whole)


def test_the_wander_has_the_sd_that_was_asked_for():
    late_s = Loop(0, 2e-4).late_s(np.arange(0, 100, 1e-3))
    assert late_s.std() == pytest.approx(2e-4, rel=1e-3)
    assert abs(late_s.mean()) < 1e-6
    assert np.abs(late_s).max() <= Loop(0, 2e-4).reach_s


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: looped(channel=2), r"loop channel 3 is outside 1\.\.2"),
        (lambda: looped(channel=-1), r"loop channel 0 is outside 1\.\.2"),
        (lambda: looped(jitter_s=0.02), "jitter of 20000 us"),
        (lambda: looped(jitter_s=-1e-6), "outside"),
        (lambda: looped(delay_s=0.2), "delay of 200 ms"),
        (lambda: looped(delay_s=float("nan")), "outside"),
    ],
)
def test_refuses_what_cannot_be(make, message):
    with pytest.raises(ValueError, match=message):
        make()
