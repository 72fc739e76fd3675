"""Both ears at once: when their sounds come, what that leaves of one ear's answer in the average of the other, and the frames."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import islice

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfiltfilt
from scipy.stats import kstest

from quietfloor.stimuli.calibration import LevelError
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.cell_code import CellCode
from quietfloor.stimuli.cell_frames import CellSound
from quietfloor.stimuli.dose import Dose
from quietfloor.stimuli.frames import TRIGGER_S, UNIT_TRIGGER_S, trigger_pulse
from quietfloor.stimuli.masking import Masking
from quietfloor.stimuli.schedule import Schedule, ScheduleError
from quietfloor.stimuli.together import REST, Together, shortest_interval_s
from quietfloor.stimuli.together_frames import TogetherFrames
from tests.stimuli.test_cell_frames import CALIBRATION, CEILING, HIGH, LOW, noise_beside_sounds

RATE_HZ = 48_000.0
UNITS = 1500


def together(seed=4, rate_per_s=47.1, n_sweeps=None, lead_in_s=0.6, sounds=1, **schedule):
    return Together.of(
        Schedule(rate_per_s, RATE_HZ, seed=seed, n_sweeps=n_sweeps, lead_in_s=lead_in_s, **schedule), sounds
    )  # fmt: skip


# -- times -------------------------------------------------------------------------------------------------------------


@given(seed=st.integers(0, 10**6), rate_per_s=st.floats(10.0, 100.0), sounds=st.integers(1, 2))
@settings(max_examples=40, deadline=None)
def test_each_ear_hears_regular_sounds_and_never_two_close_together(seed: int, rate_per_s: float, sounds: int) -> None:
    both = together(seed, rate_per_s, sounds=sounds)
    interval = both.frames.interval_samples
    frames = both.frames.onsets(160)
    for stream in range(2 * sounds):
        sound, column = divmod(stream, 2)
        own = both.ear(("left", "right")[column], sound)
        sweeps = list(islice(own.sweeps(), 160))
        onsets = np.array([sweep.onset_sample for sweep in sweeps])
        slower = interval * (31, 33, 29, 35)[stream] / 32
        within = np.diff(onsets.reshape(10, 16), axis=1)
        assert np.abs(within - slower).max() <= 2.0  # frame and offset are whole samples
        assert np.diff(onsets).min() >= 0.999 * min(slower, interval) - 2
        assert shortest_interval_s(rate_per_s) * RATE_HZ == pytest.approx(interval * 31 / 32)
        assert own.rate_per_s == pytest.approx(RATE_HZ / slower)
        assert [(one.index, one.unit, one.polarity) for one in sweeps] == [
            (one.index, one.unit, one.polarity) for one in islice(both.frames.sweeps(), 160)
        ]
        after = onsets - frames
        assert 0 <= after.min() <= after.max() <= both.longest_s * RATE_HZ + 1
        np.testing.assert_array_equal(after.reshape(10, 16), [both.offsets(unit)[stream] for unit in range(10)])
        np.testing.assert_array_equal(both.offsets_s(3), both.offsets(3) / RATE_HZ)


def test_phases_are_uniform_and_independent_of_what_was_before() -> None:
    both = together(11)
    interval = both.frames.interval_samples
    phases = np.array([[both.offsets(unit)[0, -1], both.offsets(unit)[1, 0]] for unit in range(4000)]) / interval
    for ear in phases.T:
        assert kstest(ear, "uniform").pvalue > 1e-3
    between = (phases[:, 1] - phases[:, 0]) % 1.0
    assert kstest(between, "uniform").pvalue > 1e-3
    circle = np.exp(2j * np.pi * np.column_stack([phases, between]))
    for one in circle.T:  # three phases, each against that of the unit before and that of the other ear
        assert abs(np.mean(one[1:] * np.conj(one[:-1]))) < 4 / np.sqrt(4000)
    assert abs(np.mean(circle[:, 0] * np.conj(circle[:, 1]))) < 4 / np.sqrt(4000)


def response() -> np.ndarray:
    """500 nV peak to peak, (2000,) at 48 kHz, its stimulus at sample 480: waves I, III and V of a click at a high level, 100 to
    1500 Hz. Latencies of adults: common practice, no source."""
    times_ms = np.arange(2000) / 48.0 - 10.0
    wave = np.zeros(2000)
    for latency_ms, size, width_ms in ((1.6, 0.25, 0.3), (3.8, 0.4, 0.35), (5.7, 1.0, 0.5)):
        wave += size * np.exp(-(((times_ms - latency_ms) / width_ms) ** 2))
        wave -= 0.8 * size * np.exp(-(((times_ms - latency_ms - 1.2 * width_ms - 0.4) / (1.5 * width_ms)) ** 2))
    wave = sosfiltfilt(butter(2, (100, 1500), "bandpass", fs=RATE_HZ, output="sos"), wave)
    return np.asarray(500.0 * wave / np.ptp(wave))


def unit_means(own: np.ndarray, other: np.ndarray, length_ms: int = 17) -> np.ndarray:
    """Means of units (n, times) of what the sounds at ``other`` evoke, about the sounds (16 n,) at ``own``; nV."""
    wave = response()
    evoked = np.zeros(480 + int(max(own.max(), other.max())) + 4000)  # from 480 samples before time 0
    for onset in other.tolist():
        evoked[onset : onset + len(wave)] += wave
    evoked = evoked[480:]
    times = np.arange(48 * length_ms)
    return np.array([evoked[unit[:, np.newaxis] + times].mean(axis=0) for unit in own.reshape(-1, 16)])


@cache
def onsets_of(sounds: int, stream: tuple[str, int]) -> np.ndarray:
    return together(3, sounds=sounds).ear(*stream).onsets(16 * UNITS)


LEFT, RIGHT, LEFT_2, RIGHT_2 = (("left", 0), ("right", 0), ("left", 1), ("right", 1))


@pytest.mark.parametrize(
    ("here", "there", "sounds", "most_nv"),
    [
        (LEFT, RIGHT, 1, 10.0), (RIGHT, LEFT, 1, 10.0),
        (LEFT, RIGHT, 2, 10.0), (LEFT, LEFT_2, 2, 10.0), (RIGHT_2, RIGHT, 2, 10.0),
        (LEFT_2, RIGHT_2, 2, 20.0), (LEFT, RIGHT_2, 2, 20.0), (RIGHT, LEFT_2, 2, 20.0),  # over 3 intervals, and at 8 times
    ],
)  # fmt: skip
def test_nothing_that_another_sound_evokes_is_locked_in_the_average(
    here: tuple[str, int], there: tuple[str, int], sounds: int, most_nv: float
) -> None:  # fmt: skip
    means = unit_means(onsets_of(sounds, here), onsets_of(sounds, there))
    print(f"{means.std():.1f} nV RMS in the mean of a unit, {np.ptp(means.mean(axis=0)):.2f} nV in that of {UNITS} units")
    assert means.std() < most_nv  # a unit of 16 sweeps has 300 to 500 nV of noise
    assert np.ptp(means.mean(axis=0)) < 2.0
    # No preferred sign either: what a unit holds of the other ear does not follow from the units before it.
    followed = np.mean(means[1:] * means[:-1], axis=0) / means.var(axis=0)
    assert np.abs(followed).max() < 6 / np.sqrt(UNITS)


def test_a_schedule_that_keeps_the_sounds_apart_would_lock_it_in() -> None:
    """The trap that the schedule avoids: phases within 4 ms of each other left out leave 17 nV."""
    interval, rng = RATE_HZ / 39.1, np.random.default_rng(8)
    own = np.concatenate([40 * interval * unit + interval * np.arange(16) for unit in range(UNITS)]).round().astype(np.int64)
    phases = rng.uniform(4 * 48, interval - 4 * 48, (UNITS, 1))
    other = (own.reshape(-1, 16)[:, :1] + phases + interval * np.arange(-1, 17)).round().astype(np.int64)
    locked_nv = np.ptp(unit_means(own, other[other >= 0].ravel()).mean(axis=0))
    print(f"kept apart: {locked_nv:.0f} nV")
    assert locked_nv > 10.0


def test_what_cannot_be_together_is_refused() -> None:
    with pytest.raises(ScheduleError, match="units of 16 sweeps at 4/s; allowed are units of 16, from 10/s on"):
        together(rate_per_s=4.0)
    with pytest.raises(ScheduleError, match=r"it needs 1.5 intervals: use Together.of"):
        Together(Schedule(40.0, RATE_HZ))
    with pytest.raises(ScheduleError, match="ear = 'both'; allowed are left, right"):
        together().ear("both")
    with pytest.raises(ScheduleError, match=r"rest_s = 2.0; allowed is 0 to 1 s"):
        Schedule(40.0, RATE_HZ, rest_s=2.0)
    assert together(rate_per_s=40.0).frames.rest_s == REST[0] / 40.0
    assert together(rate_per_s=40.0, sounds=2).frames.rest_s == REST[1] / 40.0
    with pytest.raises(ScheduleError, match=r"3 sounds in each ear; allowed are 1 and 2"):
        together(sounds=3)
    with pytest.raises(ScheduleError, match="sound = 1 of the left ear; allowed are 0 to 0"):
        together().ear("left", 1)


# -- frames ------------------------------------------------------------------------------------------------------------

LEVELS = (20.0, 40.0, 60.0)
SILENCE = 2 * len(LEVELS)


def cells(gain: float = 0.1) -> list[CellSound]:
    """Left: low tones, cells 0 to 2; right: high tones, cells 3 to 5; silence, cell 6."""
    each = [
        CellSound(waveform, gain * 10 ** (level / 20 - 3), ear, level, ear)
        for ear, waveform in (("left", LOW), ("right", HIGH))
        for level in LEVELS
    ]
    return [*each, replace(each[0], gain=0.0)]


def source(choices, n_sweeps=None, seed=4, made=None, ceiling=CEILING, first=0, sounds=1, **schedule):
    made = made or cells(0.1 / sounds)

    def choose(unit):
        return choices[unit] if unit < len(choices) else None

    both = together(seed, n_sweeps=n_sweeps, sounds=sounds, **schedule)
    return TogetherFrames(made, both, ceiling, CellCode(seed, len(made)), choose, SILENCE, first)


def heard_in(choices, units, sounds=1):
    """Cell of each stream in each unit, slowly: the last choice in one of its turns."""
    now, out = [0, *[SILENCE] * (2 * sounds - 1)], []
    for unit in range(units):
        if unit < len(choices) and choices[unit] is not None:
            now[unit % (2 * sounds)] = choices[unit]
        out.append(tuple(now))
    return out


def slow_frames(frames, heard, n):
    """Sample by sample, from schedule and table alone; time zeros on one sample, 2 ms after the sound's own onset."""
    out = np.zeros((3, n + 4000), dtype=np.float32)
    for sweep in frames.schedule.sweeps():
        if sweep.onset_sample >= n or sweep.unit >= len(heard):
            break
        offsets = frames.together.offsets(sweep.unit)[:, sweep.index_in_unit]
        for stream, offset in enumerate(offsets):
            cell = frames.cells[heard[sweep.unit][stream]]
            at = sweep.onset_sample + offset + 96 - round(cell.waveform.time_zero_s * RATE_HZ)
            sound = sweep.sign * cell.gain * cell.waveform.samples
            out[stream % 2, at : at + sound.size] += sound.astype(np.float32)
        wide = CellCode(4, 7).wide(sweep.unit, heard[sweep.unit][sweep.unit % len(offsets)])[sweep.index_in_unit]
        pulse = trigger_pulse(UNIT_TRIGGER_S if wide else TRIGGER_S, RATE_HZ)
        out[2, sweep.onset_sample : sweep.onset_sample + pulse.size] += pulse.astype(np.float32)
    return out[:, :n]


CHOICES = (1, 3, 0, None, 1, 4, 2, 5, SILENCE, 5)
OF_FOUR = (1, 3, 0, 4, None, 4, 1, 5, 2, SILENCE)


@given(st.lists(st.integers(0, 6000), max_size=12), st.integers(1, 2))
@settings(max_examples=20, deadline=None)
def test_frames_are_those_of_a_slow_renderer_for_any_blocks(sizes: list[int], sounds: int) -> None:
    choices = (CHOICES, OF_FOUR)[sounds - 1]
    frames, n = source(choices, sounds=sounds), (60_000, 160_000)[sounds - 1]
    blocks = [frames.read(size) for size in sizes]
    rest = n - frames.position
    out = np.concatenate([*blocks, frames.read(rest)], axis=1) if rest > 0 else np.concatenate(blocks, axis=1)[:, :n]
    np.testing.assert_array_equal(out, slow_frames(frames, heard_in(choices, 10, sounds), n))
    assert frames.limited_samples == 0


def test_four_streams_take_turns() -> None:
    frames, code, heard = source(OF_FOUR, sounds=2), CellCode(4, 7), heard_in(OF_FOUR, 10, 2)
    frames.read(350_000)
    assert [frames.cells_of(unit) for unit in range(10)] == heard
    assert heard[4] == (1, 3, 0, 4)
    for unit in range(10):
        told = heard[unit][unit % 4]
        assert frames.sweeps[16 * unit].cell == told
        assert code.read(unit, np.where(code.wide(unit, told), 1.0, 0.5)) == told
    one = frames.exposure_of(2, 10, 1.0)
    assert frames.exposure(10, 1.0).left_pa2s == pytest.approx(2 * one.left_pa2s)  # both sounds of an ear may be the loudest


def loudest(sounds: int) -> float:
    """The largest gain of both tones that is not refused, within 0.1 %."""
    low, high = 0.01, 1.0
    while high > 1.001 * low:
        middle = math.sqrt(low * high)
        try:
            source((2,), made=cells(middle), sounds=sounds)
            low = middle
        except LevelError:
            high = middle
    return low


def test_two_sounds_in_an_ear_stay_below_its_ceiling_however_they_meet() -> None:
    gain = loudest(2)
    assert gain == pytest.approx(loudest(1) / 2, rel=0.15)  # not quite: the second sounds come faster
    frames = source((0, 3, 0, 3, 1, 4, 1, 4, *[2, 5] * 12), made=cells(gain), sounds=2)
    out = frames.read(700_000)[:2].astype(np.float64)
    waveforms, shares = (LOW, HIGH), []
    for column, sound in enumerate(out):
        limit = CEILING.peak_to_peak(waveforms[column], 50.0)[column]
        rms_limit = CEILING.rms(waveforms[column], 50.0)[column]
        peaks = np.ptp(np.lib.stride_tricks.sliding_window_view(sound, 240)[::12], axis=1)
        rms = np.sqrt(np.convolve(sound**2, np.ones(6000) / 6000, "valid").max())
        assert peaks.max() <= limit
        shares.append(rms / rms_limit)
        assert peaks.max() > 1.2 * np.ptp(gain * waveforms[column].samples), "they did meet"
    assert 0.4 < max(shares) <= 1.0
    assert frames.limited_samples == 0


def test_the_frames_end_with_the_last_sound() -> None:
    frames = source(CHOICES, n_sweeps=48)
    out = frames.read(frames.total_samples + 1000)
    assert frames.finished
    last = max(np.flatnonzero(np.abs(out[:2]).max(axis=0)))
    latest = max(frames.together.ear(ear).onsets(48)[-1] for ear in ("left", "right"))
    assert latest < last < latest + 400 < frames.total_samples
    assert not frames.read(100).any()


def test_the_dose_of_one_ear_ends_both() -> None:
    whole = source((1, 4)).read(200_000)
    frames = source((1, 4))
    assert frames.exposure(10, 1.0).left_pa2s == frames.exposure_of(2, 10, 1.0).left_pa2s > 0.0
    assert frames.exposure_of(2, 10, 1.0).right_pa2s == 0.0
    few = frames.exposure_of(4, 40.5, 1.0).right_pa2s
    frames.allow(Dose(1.0, few))
    out = np.concatenate([frames.read(size) for size in (50_000, 777, 149_223)], axis=1)
    end = frames.ended_at
    assert frames.dose_exhausted
    assert frames.finished
    assert end is not None
    np.testing.assert_array_equal(out[:, :end], whole[:, :end])
    assert not out[:, end:].any()
    assert frames.dose.right_pa2s <= few
    assert all(sweep.onset_sample < end for sweep in frames.sweeps)
    again = source((1, 4))
    again.allow(Dose(1.0, few))
    np.testing.assert_array_equal(again.read(200_000), out)  # the same for any blocks
    more = source((1, 4))
    more.allow(Dose(1.0, few))
    more.extend(Dose(0.0, few))
    more.read(200_000)
    assert more.ended_at is None or more.ended_at > end


def test_a_sound_that_begins_louder_comes_step_by_step() -> None:
    frames = source((2, 5, 2, 5, 2, 5))
    frames.read(120_000)
    assert [frames.cells_of(unit) for unit in range(4)] == [(1, SILENCE), (1, 4), (2, 4), (2, 5)]  # no more than 20 dB a step


def masked(gain: float = 0.1) -> list[CellSound]:
    """The same cells; the loudest of each ear needs noise in the other one."""
    noise = Masking("white", 0.01, "right", RATE_HZ, CEILING, seed=3)
    made = cells(gain)
    made[2] = replace(made[2], masking=noise)
    made[5] = replace(made[5], masking=replace(noise, ear="left"))
    return made


ALONE = (1, 4, 2, SILENCE, 2, SILENCE, 2, SILENCE, 2, SILENCE, 2, SILENCE, 2, 4, 1, 4, 1, 4, 1, 4, 1, 5, 1, 5)


@pytest.mark.parametrize("sizes", [(), (50_000, 777, 100_000), (1, 123_456, 40_000, 40_000)])
def test_while_one_ear_hears_noise_only_the_other_one_hears_sounds(sizes: tuple[int, ...]) -> None:
    frames, made = source(ALONE, made=masked()), masked()
    n = int(frames.together.frames.onsets(16 * 25)[-1])
    blocks = [frames.read(size) for size in sizes]
    out = np.concatenate([*blocks, frames.read(n - frames.position)], axis=1)
    np.testing.assert_array_equal(out, source(ALONE, made=masked()).read(n))
    sounds = []
    for sweep in frames.sweeps:
        offsets = frames.together.offsets(sweep.unit)[:, sweep.index_in_unit]
        for column in range(2):
            cell = made[frames.cells_of(sweep.unit)[column]]
            sound = np.float32(sweep.sign * cell.gain * cell.waveform.samples)
            at = sweep.onset_sample + int(offsets[column]) + 96 - round(cell.waveform.time_zero_s * RATE_HZ)
            sounds += [(column, at, sound)] if sound.any() else []
    noise = noise_beside_sounds(frames, out, sounds)
    assert noise[1].sum() > 48_000  # in the right ear, while the left one hears cell 2
    assert not noise[0].any()  # the right ear's loud cell never had its turn: the left ear went on
    left, right = zip(*(frames.cells_of(unit) for unit in range(24)), strict=True)
    assert 2 in left
    assert all(other == SILENCE for own, other in zip(left, right, strict=True) if own == 2)
    assert right[-1] in (4, SILENCE)
    assert frames.limited_samples == 0
    assert frames.dose.right_pa2s > source((1, 4)).exposure_of(4, 16 * 12, 0.0).right_pa2s  # the noise counts


def test_two_sounds_that_need_noise_have_noises_of_their_own_and_the_other_ear_no_sounds() -> None:
    choices = (1, 4, 0, 4, *[2, SILENCE, 2, SILENCE] * 4, *[1, 4] * 8)
    frames = source(choices, made=masked(0.05), sounds=2)
    n = int(frames.together.frames.onsets(16 * 34)[-1])
    out = np.concatenate([frames.read(size) for size in (100_000, n - 100_000)], axis=1)
    np.testing.assert_array_equal(out, source(choices, made=masked(0.05), sounds=2).read(n))
    units = [frames.cells_of(unit) for unit in range(34)]
    for played in units:
        if 2 in played:
            assert played[1] == played[3] == SILENCE, "an ear with noise hears no sounds"
    onsets = frames.together.frames.onsets(16 * 34)[::16]
    both = [onsets[unit] for unit in range(1, 34) if units[unit][::2] == units[unit - 1][::2] == (2, 2)]
    assert both
    noise = np.concatenate([out[1, onset : onset + 12_000] for onset in both])
    assert noise.std() == pytest.approx(0.01 * np.sqrt(2), rel=0.05)  # not twice: they are not the same noise
    assert units[-1][1] in (4, SILENCE)
    assert frames.dose.right_pa2s > 0.0


def test_the_dose_of_noise_in_an_ear_ends_both() -> None:
    """Sounds and noise of an ear have one account: its limit is reached by noise that the other ear's sounds need."""
    whole = source(ALONE, made=masked())
    n = int(whole.together.frames.onsets(16 * 12)[-1])
    played = whole.read(n)
    sounds = source(ALONE).read(n)  # the same without noise
    assert not np.array_equal(played, sounds)
    few = 0.5 * whole.dose.right_pa2s
    frames = source(ALONE, made=masked())
    frames.allow(Dose(1e6, few))
    out = np.concatenate([frames.read(size) for size in (100_001, n - 100_001)], axis=1)
    end = frames.ended_at
    assert end is not None
    assert frames.cells_of(frames.sweeps[-1].unit) == (2, SILENCE)
    np.testing.assert_array_equal(out[:, :end], played[:, :end])
    assert not out[:, end:].any()
    assert 0.99 * few < frames.dose.right_pa2s <= few


def test_what_cannot_be_played_together_is_refused() -> None:
    bone = replace(CALIBRATION, transducer="bone-vibrator", coupler="artificial-mastoid", response=())
    with pytest.raises(LevelError, match="a bone vibrator moves both ears"):
        source((), ceiling=Ceiling("bone-vibrator", "adult", bone))
    with pytest.raises(LevelError, match="silence = 6 is no silent cell"):
        source((), made=cells()[:-1] + cells()[:1])
    for choices, words in (((4,), "cell 4 of the right ear was chosen for the left ear"), ((9,), "cells 0 to 6")):
        with pytest.raises(LevelError, match=words):
            source(choices).read(30_000)
