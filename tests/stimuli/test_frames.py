"""Frames against a slow renderer that writes the whole run into one array; and the ceiling on the frames themselves."""

import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.stimuli.calibration import Calibration, LevelError
from quietfloor.stimuli.ceiling import AGE_GROUPS, Ceiling
from quietfloor.stimuli.frames import BREAK_LOBE_S, DEVICE_BREAK_LOBE_S, FrameSource, break_mark, trigger_pulse
from quietfloor.stimuli.levels import db_ppe_spl, gain, gain_db_fs, peak_to_peak_pa
from quietfloor.stimuli.masking import Masking, rms_of_em
from quietfloor.stimuli.schedule import Schedule, ScheduleError
from quietfloor.stimuli.waveforms import Waveform, click

RATE_HZ = 48_000.0
TRIGGER = 0.5 * 10 ** (-30 / 20)  # -30 dB re a peak-to-peak value of 1.0, the default
CLICK = click(RATE_HZ)
TONE = Waveform("tone", np.sin(2 * np.pi * 1000 * np.arange(240) / RATE_HZ), RATE_HZ)


def calibration(left=125.0, right=125.0, sign=1, transducer="insert"):
    issued = date(2026, 1, 1)
    return Calibration("c", "box", "hw", RATE_HZ, transducer, "occluded-ear-simulator", left, right, issued, 365, "me", sign)


def source(n_sweeps=20, ear="right", level=60.0, polarity="alternating", waveform=CLICK, cal=None, **schedule):
    cal = cal or calibration()
    schedule = Schedule(**{"rate_per_s": 47.1, "sample_rate_hz": RATE_HZ, "lead_in_s": 0.1, "seed": 4, **schedule},
                        polarity=polarity, n_sweeps=n_sweeps)  # fmt: skip
    factor = gain(level, CLICK, "right", cal)
    return FrameSource(waveform, factor, ear, schedule, Ceiling(cal.transducer, "adult", cal))


def slow_frames(frames, n):
    """Sample by sample: silence, then each sound and each trigger where the schedule puts it."""
    out = np.zeros((3, n), dtype=np.float32)
    for sweep in frames.schedule.sweeps():
        for i, value in enumerate(frames.waveform.samples):
            at = sweep.onset_sample + i
            if at < n:
                for column, ear in enumerate(("left", "right")):
                    if frames.ear in (ear, "both"):
                        out[column, at] = np.float32(sweep.sign * (frames.gain * value))
        half = 48 if sweep.index_in_unit == 0 else 24
        for i in range(2 * half):
            at = sweep.onset_sample + i
            if at < n:
                out[2, at] = TRIGGER if i < half else -TRIGGER
    return out


@pytest.mark.parametrize("ear", ["left", "right", "both"])
def test_frames_are_what_the_schedule_says(ear):
    frames = source(ear=ear)
    n = frames.total_samples + 1000
    got = frames.read(n)
    assert got.dtype == np.float32
    np.testing.assert_array_equal(got, slow_frames(frames, n))
    assert frames.finished
    assert frames.sweeps == list(frames.schedule.sweeps())
    assert frames.limited_samples == 0


@settings(max_examples=60)
@given(
    blocks=st.lists(st.integers(0, 5000), min_size=1, max_size=40),
    seed=st.integers(0, 1000),
    level=st.floats(0, 88),
    polarity=st.sampled_from(["condensation", "rarefaction", "alternating"]),
    waveform=st.sampled_from([CLICK, TONE]),
)
def test_any_block_size_gives_identical_frames(blocks, seed, level, polarity, waveform):
    def make():
        return source(seed=seed, level=level, polarity=polarity, waveform=waveform, n_sweeps=None)

    pieces, whole = make(), make()
    got = np.concatenate([pieces.read(n) for n in blocks], axis=1)
    np.testing.assert_array_equal(got, whole.read(sum(blocks)))
    assert pieces.sweeps == whole.sweeps
    assert pieces.position == whole.position == sum(blocks)
    assert not pieces.finished


def test_every_sample_alone():
    pieces, whole = source(n_sweeps=3), source(n_sweeps=3)
    n = 9000
    np.testing.assert_array_equal(np.concatenate([pieces.read(1) for _ in range(n)], axis=1), whole.read(n))


def test_starts_and_ends_in_silence():
    frames = source(n_sweeps=2)
    x = frames.read(frames.total_samples)
    assert not x[:, :4800].any()
    assert not x[:, -24_000:].any()
    assert not frames.read(10_000).any()


def test_trigger_pulses_have_zero_net_charge_and_tell_units_apart():
    frames = source(n_sweeps=40)
    trigger = frames.read(frames.total_samples)[2]
    assert trigger.sum() == pytest.approx(0.0, abs=1e-6)
    for sweep in frames.sweeps:
        length = 96 if sweep.index % 16 == 0 else 48
        pulse = trigger[sweep.onset_sample : sweep.onset_sample + length]
        assert pulse.sum() == pytest.approx(0.0, abs=1e-7)
        assert pulse[0] == np.float32(TRIGGER)
        assert trigger[sweep.onset_sample - 1] == 0.0
        assert trigger[sweep.onset_sample + length] == 0.0
    assert trigger_pulse(0.001, 44_100.0).sum() == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("db_fs", [-60.0, -12.0, 0.0])
def test_the_size_of_the_trigger_is_what_is_asked_for(db_fs):
    frames = FrameSource(CLICK, 0.0, "left", Schedule(47.1, RATE_HZ, n_sweeps=3), Ceiling("insert", "adult"), trigger_db_fs=db_fs)
    column = frames.read(frames.total_samples)[2]
    assert column.max() - column.min() == pytest.approx(10 ** (db_fs / 20), rel=1e-6)


@pytest.mark.parametrize("db_fs", [0.1, math.nan, math.inf])
def test_a_trigger_above_full_scale_is_refused(db_fs):
    with pytest.raises(LevelError, match="trigger_db_fs"):
        FrameSource(CLICK, 0.0, "left", Schedule(47.1, RATE_HZ), Ceiling("insert", "adult"), trigger_db_fs=db_fs)


def test_sound_begins_in_the_sample_where_the_trigger_begins():
    frames = source(n_sweeps=40)
    x = frames.read(frames.total_samples)
    for sweep in frames.sweeps:
        assert x[1, sweep.onset_sample] != 0.0
        assert x[2, sweep.onset_sample] == np.float32(TRIGGER)
        assert not x[:2, sweep.onset_sample - 1].any()
        assert np.sign(x[1, sweep.onset_sample]) == sweep.sign


def test_condensation_follows_the_measured_sign():
    plain, inverted = source(cal=calibration()), source(cal=calibration(sign=-1))
    n = plain.total_samples
    a, b = plain.read(n), inverted.read(n)
    np.testing.assert_array_equal(a[:2], -b[:2])
    np.testing.assert_array_equal(a[2], b[2])


def test_muted_run_keeps_its_triggers():
    sounding = source()
    muted = FrameSource(CLICK, 0.0, "right", sounding.schedule, sounding.ceiling)
    a, b = sounding.read(sounding.total_samples), muted.read(sounding.total_samples)
    assert not b[:2].any()
    np.testing.assert_array_equal(a[2], b[2])


def test_no_sweeps_at_all():
    frames = source(n_sweeps=0)
    assert not frames.read(frames.total_samples).any()
    assert frames.finished
    assert frames.sweeps == []


def test_refuses_a_stimulus_longer_than_the_interval():
    long = Waveform("long", np.ones(1200), RATE_HZ)
    with pytest.raises(ScheduleError, match=r"25\.00 ms, longer than the 21\.23 ms"):
        source(waveform=long)


def test_refuses_rates_that_differ_and_unknown_ears():
    with pytest.raises(ScheduleError, match="44100"):
        source(waveform=click(44_100.0))
    with pytest.raises(LevelError, match="ear = 'top'"):
        source(ear="top")
    with pytest.raises(ValueError, match="n = -1"):
        source().read(-1)


@pytest.mark.parametrize("factor", [math.nan, math.inf, -0.1, 1.1])
def test_refuses_a_gain_out_of_range(factor):
    good = source()
    with pytest.raises(LevelError, match="gain"):
        FrameSource(CLICK, factor, "right", good.schedule, good.ceiling)


def test_a_level_above_the_ceiling_is_refused_with_the_excess():
    cal = calibration(130.0, 130.0)
    schedule = source().schedule
    infant = Ceiling("insert", "infant", cal)
    FrameSource(CLICK, gain(85.0, CLICK, "left", cal), "left", schedule, infant)
    with pytest.raises(LevelError, match=r"left ear is 3\.00 dB above .* insert, infant, calibration 'c'"):
        FrameSource(CLICK, gain(88.0, CLICK, "left", cal), "left", schedule, infant)
    with pytest.raises(LevelError, match=r"10\.00 dB above .* uncalibrated"):
        FrameSource(CLICK, gain_db_fs(-10.0, CLICK), "left", schedule, Ceiling("insert", "adult"))


def most_within_5_ms(column):
    """Largest peak-to-peak value, silence included, in any 240 consecutive samples: looked up around each that is not silent."""
    column = column.astype(float)
    most = 0.0
    for start in {max(0, i - k) for i in np.flatnonzero(column) for k in (0, 239)}:
        window = column[start : start + 240]
        most = max(most, max(window.max(), 0.0) - min(window.min(), 0.0))
    return most


anything = st.one_of(st.floats(), st.floats(0, 1), st.floats(-1e6, 1e6), st.integers(-(10**6), 10**6))


@settings(max_examples=120)
@given(
    factor=anything,
    level=st.floats(-40, 120),
    age_group=st.sampled_from(AGE_GROUPS),
    ear=st.sampled_from(["left", "right", "both"]),
    full_scale=st.floats(90, 150),
    calibrated=st.booleans(),
    rate=st.floats(5, 100),
    waveform=st.sampled_from([CLICK, TONE]),
    damage=st.sampled_from(["nothing", "gain", "sound", "sign", "full scale"]),
    value=anything,
)
def test_nothing_passes_the_ceiling(factor, level, age_group, ear, full_scale, calibrated, rate, waveform, damage, value):
    cal = calibration(full_scale, full_scale)
    ceiling = Ceiling("insert", age_group, cal if calibrated else None)
    schedule = Schedule(rate, RATE_HZ, n_sweeps=6, lead_in_s=0.1)
    truth_db = full_scale
    if damage == "sign":
        object.__setattr__(cal, "condensation_sign", value)
    if damage == "full scale":
        object.__setattr__(cal, "left_db_ppe", value)
        object.__setattr__(cal, "right_db_ppe", value)
        plausible = 90 <= value <= 150  # a lie that looks like the truth is found only by measuring again
        truth_db = float(value) if plausible else full_scale
    try:
        frames = FrameSource(waveform, factor, ear, schedule, ceiling)
    except LevelError:
        frames = FrameSource(waveform, 0.0, ear, schedule, ceiling)
    if damage == "gain":
        frames.gain = value
    if damage == "sound":
        frames._sound = np.full(300, float(value))
        frames._sound[::2] *= -1
    x = frames.read(min(frames.total_samples, 30_000))
    assert np.isfinite(x).all()
    assert np.abs(x).max() <= 1.0
    limit_db = {"adult": 130.0, "child": 125.0, "infant": 85.0 + (35.5 if waveform is CLICK else 21.5)}[age_group]
    for column in x[:2]:
        most = most_within_5_ms(column)
        if not calibrated or (damage == "full scale" and not 90 <= value <= 150):
            assert most <= 10 ** ({"adult": -20, "child": -30, "infant": -40}[age_group] / 20)
        elif most > 0:
            assert db_ppe_spl(most * peak_to_peak_pa(truth_db)) <= limit_db + 1e-9


def test_the_ceiling_really_holds_down_what_got_past_the_first_check():
    cal = calibration(130.0, 130.0)
    schedule = Schedule(47.1, RATE_HZ, n_sweeps=4, lead_in_s=0.1)
    frames = FrameSource(CLICK, 0.01, "left", schedule, Ceiling("insert", "infant", cal))
    frames._sound = 50.0 * CLICK.samples
    x = frames.read(frames.total_samples)
    assert db_ppe_spl(most_within_5_ms(x[0]) * peak_to_peak_pa(130.0)) == pytest.approx(85 + 35.5, abs=1e-4)
    assert frames.limited_samples == 4 * 5
    assert x[2].max() == np.float32(TRIGGER)  # the trigger is no sound


# -- masking ---------------------------------------------------------------------------------------------------------


def noise(ear="left", level_db_em=50.0, cal=None, age_group="adult", seed=4):
    cal = cal or calibration()
    rms = rms_of_em(level_db_em, None, ear, cal, RATE_HZ)
    return Masking("white", rms, ear, RATE_HZ, Ceiling("insert", age_group, cal), None, seed)


def masked_source(masking, n_sweeps=60, ear="right"):
    plain = source(n_sweeps=n_sweeps, ear=ear)
    return FrameSource(CLICK, plain.gain, ear, plain.schedule, plain.ceiling, masking)


def test_masking_touches_neither_stimulus_nor_trigger():
    for ear, other in (("right", "left"), ("left", "right")):
        plain, masked = source(n_sweeps=60, ear=ear), masked_source(noise(other), ear=ear)
        a, b = plain.read(plain.total_samples), masked.read(plain.total_samples)
        tested = int(ear == "right")
        np.testing.assert_array_equal(a[tested], b[tested])
        np.testing.assert_array_equal(a[2], b[2])
        assert b[1 - tested].any()
        assert masked.limited_samples == 0
        assert plain.sweeps == masked.sweeps


def test_masking_lasts_through_the_run_and_falls_to_silence_at_its_end():
    frames = masked_source(noise())
    x = frames.read(frames.total_samples + 5000)[0].astype(float)
    assert x[0] == 0
    assert not x[frames.total_samples :].any()
    last = frames.sweeps[-1].onset_sample
    middle = x[24_000 : last + 5]  # from the end of the rise to the last stimulus
    tenths = np.sqrt(np.mean(middle[: middle.size // 4800 * 4800].reshape(-1, 4800) ** 2, axis=1))
    assert tenths == pytest.approx(frames.masking.rms, rel=0.1)
    assert np.abs(x).max() <= 4 * frames.masking.rms


def test_masking_is_refused_where_the_stimulus_is():
    with pytest.raises(LevelError, match="mask the other ear"):
        masked_source(noise("right"))
    with pytest.raises(LevelError, match="mask the other ear"):
        masked_source(noise("left"), ear="both")
    with pytest.raises(LevelError, match="one person"):
        masked_source(noise("left", 30.0, age_group="infant"))


@settings(max_examples=30)
@given(blocks=st.lists(st.integers(0, 9000), min_size=1, max_size=20), seed=st.integers(0, 99))
def test_masked_frames_are_the_same_for_any_block_size(blocks, seed):
    def make():
        return masked_source(noise(seed=seed), n_sweeps=None)

    pieces, whole = make(), make()
    got = np.concatenate([pieces.read(n) for n in blocks], axis=1)
    np.testing.assert_array_equal(got, whole.read(sum(blocks)))


@settings(max_examples=40)
@given(
    fault=st.floats(0, 1e6),
    em=st.floats(-20, 70),
    level=st.floats(-40, 80),
    full_scale=st.floats(110, 150),
    age_group=st.sampled_from(AGE_GROUPS),
)
def test_noise_passes_no_ceiling_either(fault, em, level, full_scale, age_group):
    """Noise made louder behind every check is held to the ceiling of its own column."""
    cal = calibration(full_scale, full_scale)
    ceiling = Ceiling("insert", age_group, cal)
    try:
        frames = FrameSource(
            CLICK, gain(level, CLICK, "right", cal), "right", Schedule(47.1, RATE_HZ, n_sweeps=8, lead_in_s=0.1), ceiling,
            noise("left", em, cal, age_group),
        )  # fmt: skip
    except LevelError:
        return
    read = frames._noise.read
    frames._noise.read = lambda n: fault * read(n)
    x = frames.read(9600)
    limit_db = {"adult": 124.03, "child": 119.03, "infant": 106.5}[age_group]  # 115 and 110 dB RMS; infants 85 dB HL
    for start in range(0, 9600 - 240, 60):
        window = x[0, start : start + 240].astype(float)
        most = max(window.max(), 0.0) - min(window.min(), 0.0)
        assert most == 0 or db_ppe_spl(most * peak_to_peak_pa(full_scale)) <= limit_db + 0.01
    assert np.abs(x).max() <= 1


def test_a_bone_vibrator_and_an_earphone_have_each_their_own_ceiling():
    vibrator = Calibration(
        "b", "box", "hw", RATE_HZ, "bone-vibrator", "artificial-mastoid", math.nan, 120.0, date(2026, 1, 1), 365, "me"
    )
    earphone = calibration(130.0, 130.0)
    plan = Schedule(47.1, RATE_HZ, n_sweeps=8, lead_in_s=0.1)
    frames = FrameSource(
        CLICK, gain_db_fs(-10.0, CLICK), "right", plan, Ceiling("bone-vibrator", "adult", vibrator), noise("left", 40.0, earphone)
    )
    limits = [limiter.limit for limiter in frames._limiters]
    assert limits == pytest.approx([10 ** ((124.03 - 130) / 20), 2.0], rel=1e-3)  # 130 dB re 1 uN is 10 dB above full scale
    x = frames.read(frames.total_samples)
    assert frames.limited_samples == 0
    by_bone = (x[1].astype(float) ** 2).sum() * peak_to_peak_pa(103.0) ** 2 / RATE_HZ  # counts for both ears
    assert frames.dose.right_pa2s == pytest.approx(by_bone, rel=1e-5)
    assert frames.dose.left_pa2s > frames.dose.right_pa2s


# -- marks of a broken sound ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("lobe_s", "samples"), [(BREAK_LOBE_S, 72), (DEVICE_BREAK_LOBE_S, 96)])
def test_break_marks(lobe_s, samples):
    mark = break_mark(lobe_s, RATE_HZ, 0.0)
    np.testing.assert_array_equal(mark, [0.5] * samples + [-0.5] * samples)
    assert mark.sum() == 0
