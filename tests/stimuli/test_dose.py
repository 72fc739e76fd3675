"""The sound dose against sums written out, and how each way around it ends."""

import dataclasses
import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.stimuli.calibration import Calibration, Measured
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.dose import DAY_DB, Dose, DoseError, DoseGuard, check, exposure_db, limit_pa2s, steps_for, weights
from quietfloor.stimuli.ear_steps import counted_db
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.levels import gain, gain_db_fs, peak_to_peak_pa, zeq_minus_ppe_db
from quietfloor.stimuli.masking import Masking, rms_of_em
from quietfloor.stimuli.schedule import Schedule
from quietfloor.stimuli.waveforms import Waveform, click

RATE_HZ = 48_000.0
CLICK = click(RATE_HZ)


def calibration(left=130.0, right=130.0, transducer="insert", coupler="occluded-ear-simulator"):
    return Calibration("c", "box", "hw", RATE_HZ, transducer, coupler, left, right, date(2026, 1, 1), 365, "me")


def source(
    level=60.0, age_group="adult", n_sweeps=50, spent=None, masking=None, ear="right", cal=None, waveform=CLICK, **schedule
):
    cal = cal or calibration()
    plan = Schedule(**{"rate_per_s": 47.1, "sample_rate_hz": RATE_HZ, "lead_in_s": 0.1, "n_sweeps": n_sweeps, **schedule})
    factor = gain_db_fs(level, waveform) if level < 0 else gain(level, CLICK, "right", cal)
    return FrameSource(waveform, factor, ear, plan, Ceiling(cal.transducer, age_group, cal), masking, spent)


def exposure(frames, full_scale_db=130.0, more_db=None):
    """Pa2 s of the sound columns, summed sample by sample: a sample of 1.0 is as many Pa as full scale has from peak to peak, and
    the steps of this ear (by default of an adult's with the click) are added."""
    more_db = steps_db() if more_db is None else more_db
    pa = frames[:2].astype(float) * peak_to_peak_pa(full_scale_db + more_db)
    return (pa**2).sum(axis=1) / RATE_HZ


def steps_db(waveform=CLICK, age_group="adult", cal=None):
    """What the steps add, whose numbers `test_ear_steps` checks."""
    cal = cal or calibration()
    return counted_db(steps_for(Ceiling(cal.transducer, age_group, cal), waveform), waveform)


def test_the_limit_is_a_working_day():
    # NIOSH: 85 dB(A) for 8 h, 3 dB exchange: 88 dB for 4 h, 94 dB for 1 h, 100 dB for 15 min (verified, CDC)
    for level_db, seconds in ((85, 8 * 3600), (88, 4 * 3600), (94, 3600), (100, 900)):
        assert exposure_db(4e-10 * 10 ** (level_db / 10) * seconds) == pytest.approx(DAY_DB, abs=0.06)
    assert pytest.approx(DAY_DB) == exposure_db(limit_pa2s("adult"))
    # WHO-ITU H.870: children 5 dB less than adults, 75 against 80 dB(A) for 40 h a week (secondary)
    assert exposure_db(limit_pa2s("child")) == pytest.approx(DAY_DB - 5)


def test_the_count_is_the_energy_of_the_frames():
    frames = source(n_sweeps=100)
    x = frames.read(frames.total_samples)
    assert frames.dose.both == pytest.approx(exposure(x), rel=1e-6)
    assert frames.dose.left_pa2s == 0
    assert frames.exposure(100, 0).right_pa2s == pytest.approx(frames.dose.right_pa2s, rel=1e-9)


def test_a_train_is_its_level_and_its_time():
    """60 dB nHL is 95.5 dB p-p.e. SPL; its train at 40/s for 2 s has L_Zeq + 10 lg 2, by the RMS route."""
    frames = source(60.0, n_sweeps=80, rate_per_s=40.0, pauses_s=())
    frames.read(frames.total_samples)
    expected = 95.5 + zeq_minus_ppe_db(CLICK, 40.0) + 10 * math.log10(2.0) + steps_db()
    assert exposure_db(frames.dose.right_pa2s) == pytest.approx(expected, abs=1e-6)


def test_both_ears_and_masking_are_counted_each_on_its_side():
    cal = calibration(130.0, 124.0)
    noise = Masking("white", rms_of_em(40.0, None, "left", cal, RATE_HZ), "left", RATE_HZ, Ceiling("insert", "adult", cal))
    frames = source(cal=cal, masking=noise)
    x = frames.read(frames.total_samples)
    assert frames.dose.left_pa2s == pytest.approx(exposure(x, 130.0, steps_db(None))[0], rel=1e-6)
    assert frames.dose.right_pa2s == pytest.approx(exposure(x, 124.0)[1], rel=1e-6)
    both = source(level=-30.0, ear="both", cal=cal)
    x = both.read(both.total_samples)
    assert both.dose.both == pytest.approx((exposure(x, 130.0)[0], exposure(x, 124.0)[1]), rel=1e-6)


def test_bone_counts_for_both_ears_by_the_smallest_difference():
    # 0 dB HL at 3 kHz: 30.0 dB re 1 uN (ISO 389-3, from memory), 13.0 dB SPL (ISO 389-2, secondary)
    vibrator = Ceiling("bone-vibrator", "adult", calibration(120, 120, "bone-vibrator", "artificial-mastoid"))
    both = weights(vibrator, "right", CLICK, RATE_HZ)
    assert both[0] == both[1] == pytest.approx(peak_to_peak_pa(120 - 17) ** 2 / RATE_HZ)


def test_infants_count_20_db_more_by_cushions_and_21_by_bone():
    for more, transducer, coupler in ((20, "supra-aural", "6cc"), (21, "bone-vibrator", "artificial-mastoid")):
        cal = calibration(120, 120, transducer, coupler)
        adult, infant = (weights(Ceiling(transducer, age, cal), "left", CLICK, RATE_HZ)[0] for age in ("adult", "infant"))
        assert 10 * math.log10(infant / adult) == pytest.approx(more)


def test_without_a_calibration_infants_count_20_db_more():
    adult, infant = (weights(Ceiling("insert", age), "left", CLICK, RATE_HZ)[0] for age in ("adult", "infant"))
    assert 10 * math.log10(infant / adult) == pytest.approx(20)


@pytest.mark.parametrize("less_db", [0.0, 3.3, 5.0, 12.0])
def test_a_measured_energy_counts_down_to_twice_what_an_earphone_was_seen_to_leave_out(less_db):
    """A train at 20/s of full scale 130 dB p-p.e. has 130 - 17.96 dB RMS (JASA 1982, secondary: a real click has 3.3 dB less)."""
    measured_db = 130.0 + zeq_minus_ppe_db(CLICK) - less_db
    row = Measured("click", None, "zeq", measured_db, measured_db)
    cal = dataclasses.replace(calibration(), measured=(row,))
    plain, own = (weights(Ceiling("insert", "adult", one), "left", CLICK, RATE_HZ)[0] for one in (calibration(), cal))
    peak_db = max(0.0, 3.3 - less_db)  # what the row says of peaks, if the earphone leaves out so much of the energy
    assert 10 * math.log10(own / plain) == pytest.approx(max(-less_db, peak_db - 6.6), abs=0.01)


@pytest.mark.parametrize(
    ("transducer", "ear_like", "coupler", "less_db"),
    [("insert", "occluded-ear-simulator", "2cc", 9.0), ("supra-aural", "artificial-ear", "6cc", 2.0)],
)
def test_a_coupler_that_reads_less_allows_no_more(transducer, ear_like, coupler, less_db):
    # For a click: notes 5 and 2 of the British Society of Audiology's ABR calibration values, October 2025 (verified)
    levels = {ear_like: 130.0, coupler: 130.0 - less_db}
    on, off = (
        weights(Ceiling(transducer, "adult", calibration(level, level, transducer, name)), "left", CLICK, RATE_HZ)[0]
        for name, level in levels.items()
    )
    assert -1e-9 <= 10 * math.log10(off / on) <= 0.5 + 1e-9


def test_an_uncalibrated_output_counts_as_the_loudest_there_is():
    assert weights(Ceiling("insert", "adult"), "left", CLICK, RATE_HZ)[0] == pytest.approx(peak_to_peak_pa(150.0) ** 2 / RATE_HZ)
    damaged = Ceiling("insert", "adult", calibration())
    object.__setattr__(damaged.calibration, "left_db_ppe", -math.inf)
    assert weights(damaged, "left", CLICK, RATE_HZ)[0] == pytest.approx(peak_to_peak_pa(150.0) ** 2 / RATE_HZ)


def test_at_the_limit_everything_ends_the_trigger_too():
    limit = limit_pa2s("adult")
    each = source().exposure(1, 0).right_pa2s
    frames = source(n_sweeps=None, spent=Dose(0.0, limit - 10.5 * each))
    x = frames.read(2 * 48_000)
    assert frames.dose_exhausted
    assert frames.finished
    assert len(frames.sweeps) == 11  # in the middle of the eleventh click
    end = frames.sweeps[-1].onset_sample + 5
    assert not x[:, end:].any()
    assert not frames.read(1000).any()
    assert limit - 11 * each < limit - 10.5 * each + exposure(x)[1] - each <= limit


def test_what_was_spent_before_leaves_nothing():
    for spent in (Dose(0, limit_pa2s("adult")), Dose(1e9, 0)):  # either ear
        frames = source(spent=spent)
        assert not frames.read(48_000).any()
        assert frames.dose_exhausted
        assert frames.sweeps == []


@pytest.mark.parametrize("value", [math.nan, math.inf, -1.0, "much", None])
def test_a_dose_that_is_none(value):
    with pytest.raises(DoseError, match="left ear"):
        Dose(value, 0.0)


def test_an_allowance_only_lowers():
    frames = source(n_sweeps=None)
    each = frames.exposure(1, 0).right_pa2s
    frames.allow(Dose(1.0, 3.5 * each))
    frames.allow(Dose(1e9, 1e9))
    frames.read(48_000)
    assert len(frames.sweeps) == 4


def test_what_would_be_too_much_is_refused_with_the_time_left():
    per_s = Dose(0.0, 0.01 * limit_pa2s("adult"))
    with pytest.raises(DoseError, match=r"right ear.*40 % of it is used.*60 s are left, about 2826 sweeps, and 4000 are"):
        check(Dose(0.0, 0.8 * limit_pa2s("adult")), per_s, Dose(0.0, 0.4 * limit_pa2s("adult")), "adult", 4000, 47.1)
    check(Dose(0.0, 0.6 * limit_pa2s("adult")), per_s, Dose(0.0, 0.4 * limit_pa2s("adult")), "adult", 4000, 47.1)


def test_times_that_the_limit_leaves():
    """The scale of it, at 47.1 clicks/s (docs/sound.md): an adult at 90 dB nHL, and an infant at 60."""
    for level, age_group, more_db in ((90, "adult", -0.5), (80, "adult", -0.5), (60, "infant", 17.9), (75, "child", 2.0 + 5)):
        per_s = source(level, age_group).exposure(47.1, 1.0).right_pa2s
        assert limit_pa2s(age_group) / per_s == pytest.approx(70.5 * 10 ** ((90 - level - more_db) / 10), rel=0.02)


@settings(max_examples=60)
@given(
    blocks=st.lists(st.integers(0, 4000), min_size=1, max_size=30),
    share=st.floats(0, 3),
    masked=st.booleans(),
    level=st.floats(20, 88),
)
def test_the_end_does_not_depend_on_the_block_size(blocks, share, masked, level):
    cal = calibration()

    def make():
        noise = Masking("white", 1e-3, "left", RATE_HZ, Ceiling("insert", "adult", cal)) if masked else None
        frames = source(level, n_sweeps=None, masking=noise, cal=cal)
        wanted = frames.exposure(47.1 * 0.3, 0.3)
        frames.allow(Dose(share * wanted.left_pa2s + 1e-30, share * wanted.right_pa2s))
        return frames

    pieces, whole = make(), make()
    got = np.concatenate([pieces.read(n) for n in blocks], axis=1)
    np.testing.assert_array_equal(got, whole.read(sum(blocks)))
    assert pieces.sweeps == whole.sweeps
    assert pieces.dose == whole.dose


@settings(max_examples=80)
@given(
    loud=st.floats(0, 1e6),
    rate=st.floats(5, 100),
    full_scale=st.floats(90, 150),
    age_group=st.sampled_from(["adult", "child", "infant"]),
    ear=st.sampled_from(["left", "right", "both"]),
    masked=st.floats(0, 1e6),
    spent=st.floats(0, 1),
    length=st.integers(1, 2000),
)
def test_no_ear_gets_more_whatever_plays(loud, rate, full_scale, age_group, ear, masked, spent, length):
    """Sound and noise replaced behind every check: the energy of the frames stays inside what was left."""
    cal = calibration(full_scale, full_scale)
    ceiling = Ceiling("insert", age_group, cal)
    limit = limit_pa2s(age_group)
    noise = Masking("white", 0.0, "left", RATE_HZ, ceiling) if ear == "right" else None
    schedule = Schedule(rate, RATE_HZ, lead_in_s=0.1, pauses_s=())
    before = Dose(spent * limit, (1 - spent) * limit)
    frames = FrameSource(CLICK, 0.0, ear, schedule, ceiling, noise, before)
    frames._sound = loud * np.sign(np.sin(np.arange(length)))
    if noise is not None:
        frames._noise.read = lambda n: np.full(n, masked)
    each_db = [steps_db(None if ear == "right" else CLICK, age_group, cal), steps_db(CLICK, age_group, cal)]
    total = np.zeros(2)
    for _ in range(10):
        total += [exposure(x[None].repeat(2, 0), full_scale, db)[0] for x, db in zip(frames.read(4800)[:2], each_db, strict=True)]
    for got, already in zip(total, before.both, strict=True):
        assert got + already <= limit * (1 + 1e-6)


def test_a_guard_with_weights_that_are_none():
    for bad in (math.nan, -1.0, math.inf):
        with pytest.raises(DoseError, match="weights"):
            DoseGuard(((bad, 0.0), (0.0, 1.0)), Dose(), "adult")


@pytest.mark.long
def test_a_long_sound_reaches_the_limit_in_its_first_presentation():
    """A WAV of a second at the ceiling's level: the dose, not the number of sweeps, is what counts."""
    long = Waveform("custom", np.sin(2 * np.pi * 1000 * np.arange(40_000) / RATE_HZ), RATE_HZ)
    frames = source(level=-16.0, waveform=long, rate_per_s=1.0, n_sweeps=None, pauses_s=())
    x = frames.read(200 * 48_000)
    assert frames.dose_exhausted
    assert exposure(x, 130.0, steps_db(long))[1] <= limit_pa2s("adult") * (1 + 1e-6)
    assert exposure(x, 130.0, steps_db(long))[1] == pytest.approx(limit_pa2s("adult"), rel=1e-3)
