"""The limiter against its definition, sample by sample, and the limits against their published numbers."""

import math
from dataclasses import replace
from datetime import date
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from quietfloor.stimuli.calibration import COUPLERS, Calibration, LevelError, Measured
from quietfloor.stimuli.ceiling import AGE_GROUPS, Ceiling, Limiter, RmsLimiter
from quietfloor.stimuli.levels import gain
from quietfloor.stimuli.waveforms import Waveform, click

RATE_HZ = 48_000.0
CLICK = click(RATE_HZ)
TONE = Waveform("tone", np.sin(2 * np.pi * 1000 * np.arange(240) / RATE_HZ), RATE_HZ)


def calibration(left=125.0, right=125.0, transducer="insert", coupler="occluded-ear-simulator"):
    return Calibration("c", "box", "hw", RATE_HZ, transducer, coupler, left, right, date(2026, 1, 1), 365, "me")


def slow_limiter(column, limit, window):
    """The definition: no two values within the window (silence included) may differ by more than the limit."""
    out = []
    for value in column:
        value = float(value) if math.isfinite(value) else 0.0
        past = [*out[max(0, len(out) - window + 1) :], 0.0]
        out.append(min(max(value, max(past) - limit, -1.0), min(past) + limit, 1.0))
    return np.array(out)


values = st.one_of(st.just(0.0), st.floats(-3, 3), st.sampled_from([math.nan, math.inf, -math.inf, 1e300, -1e-300]))


@settings(max_examples=150)
@example(column=[0.0, 0.0, 0.0, 1.0, -1.6e-108], limit=1.0, cuts=[4])  # passes or not by how a difference rounds
@given(column=st.lists(values, max_size=60), limit=st.floats(0.01, 2.0), cuts=st.lists(st.integers(0, 60), max_size=5))
def test_limiter_is_its_definition_for_any_block_size(column, limit, cuts):
    column = np.array(column, dtype=float)
    limiter = Limiter(limit, 2000.0)  # 5 ms are 10 samples
    edges = [0, *sorted(min(cut, column.size) for cut in cuts), column.size]
    got = np.concatenate([limiter.apply(column[a:b]) for a, b in pairwise(edges)])
    np.testing.assert_array_equal(got, slow_limiter(column, limiter.limit, 10))
    single = got.astype(np.float32).astype(float)
    for start in range(max(0, single.size - 9)):
        window = single[start : start + 10]
        assert max(window.max(), 0) - min(window.min(), 0) <= limit


@given(level=st.floats(0.01, 0.99))
def test_sound_below_the_limit_passes_bit_by_bit(level):
    limiter = Limiter(1.0, RATE_HZ)
    sound = np.concatenate([level * CLICK.samples, np.zeros(500), -level * CLICK.samples])
    np.testing.assert_array_equal(limiter.apply(sound), sound)
    assert limiter.limited_samples == 0


@pytest.mark.parametrize(("over", "counted"), [(0.0, 0), (1e-4, 480)])
def test_rounding_is_held_down_and_not_counted(over, counted):
    """At the limit itself a sample becomes smaller by 2^-21 of it, for float32: no fault. 0.01 % more is one."""
    limiter = Limiter(1.0, RATE_HZ)
    out = limiter.apply(np.tile([0.5 * (1.0 + over)] * 5 + [-0.5 * (1.0 + over)] * 5, 96))
    assert out.max() - out.min() < 1.0
    assert limiter.limited_samples == counted
    lasting = RmsLimiter(0.5, RATE_HZ)
    out = lasting.apply(np.full(9000, 0.5))
    assert math.sqrt(np.mean(out[:6000] ** 2)) < 0.5
    assert lasting.limited_samples < 30  # what is left over at the end of each 125 ms


def test_the_rms_limiter_holds_a_block_of_any_length():
    """More than 2^15 samples of full scale at once: sums of their squares pass what 64 bits hold."""
    out = RmsLimiter(0.5, RATE_HZ).apply(np.full(60_000, 0.98))
    assert max(np.mean(out[start : start + 6000] ** 2) for start in range(0, 54_000, 500)) <= 0.25


@settings(max_examples=60)
@given(
    column=st.lists(st.floats(-1, 1), min_size=1, max_size=200),
    limit=st.floats(0.01, 0.9),
    cuts=st.lists(st.integers(0, 200), max_size=5),
)
def test_the_rms_limiter_holds_every_stretch_for_any_block_size(column, limit, cuts):
    column = np.array(column)
    whole, parts = RmsLimiter(limit, 160.0), RmsLimiter(limit, 160.0)  # 125 ms are 20 samples
    out = whole.apply(column)
    edges = [0, *sorted(min(cut, column.size) for cut in cuts), column.size]
    np.testing.assert_array_equal(np.concatenate([parts.apply(column[a:b]) for a, b in pairwise(edges)]), out)
    single = out.astype(np.float32).astype(float)
    for stop in range(1, column.size + 1):
        assert math.sqrt(np.sum(single[max(0, stop - 20) : stop] ** 2) / 20) <= limit
    assert (np.abs(out) <= np.abs(column)).all()
    assert (out * column >= 0).all()
    quiet = math.sqrt(max(np.sum(column[max(0, stop - 20) : stop] ** 2) for stop in range(1, column.size + 1)) / 20)
    if quiet <= limit * (1 - 1e-5):
        np.testing.assert_array_equal(out, column)


def test_alternating_clicks_more_than_5_ms_apart_are_judged_one_by_one():
    near, far = np.zeros(100), np.zeros(240)
    for gap, expected in ((far, 0), (near, 5)):
        limiter = Limiter(1.0, RATE_HZ)
        limiter.apply(np.concatenate([0.9 * CLICK.samples, gap, -0.9 * CLICK.samples]))
        assert limiter.limited_samples == expected


def test_a_tone_is_held_to_the_same_peak_to_peak_as_a_click():
    out = Limiter(0.5, RATE_HZ).apply(np.tile(TONE.samples, 10))
    assert out.max() - out.min() <= 0.5
    assert out.max() - out.min() > 0.49


@pytest.mark.parametrize("limit", [math.nan, -0.1, 2.1, math.inf])
def test_limiter_refuses_a_limit_that_is_none(limit):
    with pytest.raises(LevelError, match="limit"):
        Limiter(limit, RATE_HZ)


@pytest.mark.parametrize(("coupler", "zero"), [("occluded-ear-simulator", 35.5), ("2cc", 26.5)])
def test_infants_with_insert_earphones_stop_at_85_db_hl(coupler, zero):
    # BSA ABR stimulus calibration reference values, October 2025, note 4; zeros as in references.toml
    cal = calibration(coupler=coupler)
    ceiling = Ceiling("insert", "infant", cal)
    assert ceiling.limit_db_ppe(CLICK) == pytest.approx(85 + zero)
    assert ceiling.peak_to_peak(CLICK)[0] == pytest.approx(gain(85, CLICK, "left", cal), rel=1e-9)


def test_unknown_sounds_for_infants_count_as_the_burst_with_the_lowest_zero():
    named_click = Waveform("click", TONE.samples, RATE_HZ)
    for wave in (TONE, named_click):
        assert Ceiling("insert", "infant", calibration()).limit_db_ppe(wave) == pytest.approx(85 + 21.5)


def test_no_peak_reaches_140_db():
    # one-sided pulse: its peak is its peak-to-peak value, 9.03 dB above the p-p.e. level
    for transducer in ("insert", "supra-aural", "circumaural"):
        for age_group in AGE_GROUPS:
            for coupler in COUPLERS[transducer]:
                ceiling = Ceiling(transducer, age_group, calibration(transducer=transducer, coupler=coupler))
                assert ceiling.limit_db_ppe(CLICK) + 20 * math.log10(2 * math.sqrt(2)) < 140


def test_limits_follow_each_ear_and_never_exceed_the_converter():
    left, right = Ceiling("insert", "adult", calibration(140, 134)).peak_to_peak(CLICK)
    assert left == pytest.approx(10 ** (-10 / 20))
    assert right == pytest.approx(10 ** (-4 / 20))
    assert Ceiling("insert", "adult", calibration(95, 95)).peak_to_peak(CLICK) == (2.0, 2.0)


def test_uncalibrated_limits_are_low_and_lower_for_the_young():
    limits = [Ceiling("insert", age_group).peak_to_peak(CLICK)[0] for age_group in ("adult", "child", "infant")]
    np.testing.assert_allclose(20 * np.log10(limits), [-20, -30, -40])
    assert math.isnan(Ceiling("insert", "adult").limit_db_ppe(CLICK))


@settings(max_examples=200)
@given(
    name=st.sampled_from(["left_db_ppe", "right_db_ppe", "coupler", "transducer", "rate_hz"]),
    value=st.one_of(st.floats(), st.text(max_size=3), st.none(), st.integers()),
    age_group=st.sampled_from(AGE_GROUPS),
)
def test_a_calibration_damaged_in_memory_never_raises_the_limit_above_what_it_could_truly_say(name, value, age_group):
    cal = calibration()
    ceiling = Ceiling("insert", age_group, cal)
    object.__setattr__(cal, name, value)
    for limit in ceiling.peak_to_peak(CLICK):
        assert 0 <= limit <= 2.0
        # what the other ear, 12 dB apart at most, would allow
        assert limit <= max(10 ** ((130 - 125 + 12) / 20), 10 ** (-20 / 20))


def burst(hz, cycles=5.0):
    """Tone burst with straight ramps of two cycles, sample by sample."""
    n = round(cycles * RATE_HZ / hz)
    ramp = 2 * RATE_HZ / hz
    samples = [min(1.0, (i + 0.5) / ramp, (n - i - 0.5) / ramp) * math.sin(2 * math.pi * hz * i / RATE_HZ) for i in range(n)]
    return Waveform("tone-burst", np.array(samples) / np.abs(samples).max(), RATE_HZ, frequency_hz=hz)


@pytest.mark.parametrize(("hz", "zero"), [(500.0, 23.5), (1000.0, 21.5), (2000.0, 28.5), (4000.0, 32.5)])
def test_bursts_for_infants_stop_at_85_db_hl_of_their_own_frequency(hz, zero):
    # zeros of 2-1-2 bursts: ISO 389-6 (from memory), as in references.toml
    ceiling = Ceiling("insert", "infant", calibration())
    assert ceiling.limit_db_ppe(burst(hz)) == pytest.approx(85 + zero, abs=0.01)
    assert ceiling.peak_to_peak(burst(hz))[0] == pytest.approx(2 * gain(85, burst(hz), "left", calibration()), rel=2e-3)


def test_the_name_and_the_stated_frequency_of_a_sound_do_not_raise_its_limit():
    """A tone of 1 kHz that says it is a burst of 4 kHz, or a click."""
    ceiling = Ceiling("insert", "infant", calibration())
    true = burst(1000.0)
    for lie in (
        Waveform("tone-burst", true.samples, RATE_HZ, frequency_hz=4000.0),
        Waveform("click", true.samples, RATE_HZ),
        Waveform("custom", np.concatenate([true.samples, np.zeros(4000)]), RATE_HZ),
    ):
        assert ceiling.limit_db_ppe(lie) <= 85 + 21.5 + 0.01


def test_a_mixture_counts_as_its_most_audible_part():
    low, high = burst(1000.0).samples, np.zeros(240)
    high[: burst(4000.0).samples.size] = burst(4000.0).samples
    mixed = low + high
    limit = Ceiling("insert", "infant", calibration()).limit_db_ppe(Waveform("custom", mixed / np.abs(mixed).max(), RATE_HZ))
    assert 85 + 21.5 <= limit < 85 + 24


def test_long_sounds_have_less():
    # infants: 0 dB HL of a long tone of 1 kHz, ISO 389-2: 5.5 dB SPL on the ear simulator (secondary)
    assert Ceiling("insert", "infant", calibration()).limit_db_ppe(burst(1000.0, 100)) == pytest.approx(85 + 5.5)
    assert Ceiling("insert", "adult", calibration()).limit_db_ppe(burst(1000.0, 100)) == pytest.approx(115)
    assert Ceiling("insert", "adult", calibration()).limit_db_ppe(burst(500.0)) == pytest.approx(130)  # 10 ms are short
    # noise: 115 dB RMS, and 4 times the RMS is 9.03 dB more than p-p.e.
    assert Ceiling("insert", "adult", calibration()).limit_db_ppe(None) == pytest.approx(115 + 9.03, abs=0.01)


def test_bone_has_a_limit_of_force():
    for age_group, limit in (("adult", 130), ("child", 125), ("infant", 109)):
        ceiling = Ceiling("bone-vibrator", age_group, calibration(120, math.nan, "bone-vibrator", "artificial-mastoid"))
        assert ceiling.route == "bone"
        assert ceiling.limit_db_ppe(CLICK) == limit
        left, right = ceiling.peak_to_peak(CLICK)
        assert left == pytest.approx(min(10 ** ((limit - 120) / 20), 2.0))
        assert right == pytest.approx(10 ** ({"adult": -20, "child": -30, "infant": -40}[age_group] / 20))  # not measured


rows = st.tuples(st.floats(90, 150), st.floats(-40, 40), st.floats(-40, 40))


@settings(max_examples=150)
@given(row=rows, waveform=st.sampled_from([CLICK, burst(500.0), TONE, None]), age_group=st.sampled_from(AGE_GROUPS))
def test_no_row_of_a_calibration_raises_the_limit(row, waveform, age_group):
    """One wrong row, whichever: the limit is that of the main number, or lower."""
    main, measured, response = row
    plain = Calibration(
        "c", "box", "hw", RATE_HZ, "insert", "occluded-ear-simulator", main, main, date(2026, 1, 1), 365, "me"
    )
    stimulus, hz = ("click", None) if waveform is None else (waveform.name, waveform.frequency_hz)
    for scale in ("ppe", "zeq"):
        try:
            bent = replace(
                plain,
                measured=(Measured(stimulus, hz, scale, main + measured, main + measured),),
                response=((500.0, response, response), (1000.0, 0.0, -response)),
            )
        except LevelError:
            continue
        for low, high in zip(
            Ceiling("insert", age_group, bent).peak_to_peak(waveform),
            Ceiling("insert", age_group, plain).peak_to_peak(waveform),
            strict=True,
        ):
            assert low <= high * (1 + 1e-9)


def test_noise_near_its_limit_passes_bit_by_bit():
    """The quick way through and the slow one agree where windows differ: loud at two places more than 5 ms apart."""
    x = np.random.default_rng(5).uniform(-0.2, 0.2, 4000)
    x[1000], x[1500] = 0.7, -0.7
    limiter = Limiter(0.95, RATE_HZ)
    out = np.concatenate([limiter.apply(part) for part in np.array_split(x, 7)])
    np.testing.assert_array_equal(out, x)
    assert limiter.limited_samples == 0
    x[1100] = -0.7
    out = np.concatenate([limiter.apply(part) for part in np.array_split(x, 7)])
    np.testing.assert_array_equal(out, slow_limiter(x, limiter.limit, 240))


def test_refuses_what_it_does_not_know():
    with pytest.raises(LevelError, match="transducer = 'loudspeaker'"):
        Ceiling("loudspeaker", "adult")
    with pytest.raises(LevelError, match="age_group = 'baby'"):
        Ceiling("insert", "baby")
    with pytest.raises(LevelError, match="supra-aural"):
        Ceiling("insert", "adult", calibration(transducer="supra-aural"))


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 96_000.0])
@pytest.mark.parametrize("age_group", ["adult", "infant"])
def test_the_limit_holds_for_the_curve_that_a_converter_makes(rate_hz, age_group):
    """A click has about 2 dB more peak to peak between its samples than on them (Whittaker-Shannon: a sum of sincs)."""
    cal = replace(calibration(), rate_hz=rate_hz, measured_with="tone 1000 Hz")
    ceiling, wave = Ceiling("insert", age_group, cal), click(rate_hz)
    allowed = ceiling.peak_to_peak(wave)[0]
    at = np.arange(-40.0, wave.samples.size + 40.0, 1 / 64)
    curve = allowed * np.sinc(at[:, None] - np.arange(wave.samples.size)) @ wave.samples
    played_db_ppe = 125.0 + 20 * np.log10(np.ptp(curve))
    assert played_db_ppe == pytest.approx(ceiling.limit_db_ppe(wave), abs=0.03)
    assert 20 * np.log10(np.ptp(curve) / allowed) == pytest.approx(2.15, abs=0.06)
    measured = replace(cal, measured_with="click")  # acoustically: what a converter makes is in the number
    assert Ceiling("insert", age_group, measured).peak_to_peak(wave)[0] == pytest.approx(allowed * 10 ** (wave.overshoot_db / 20))
    tone = Waveform("tone", TONE.samples, RATE_HZ, smooth=True)
    assert tone.overshoot_db == 0.0  # its peak-to-peak value is that of the curve
