"""Noise in the tested ear: level, notch and slopes measured on its samples, beside a brick wall, and its sum with a stimulus."""

import math
import re
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from quietfloor.stimuli.calibration import Calibration, LevelError
from quietfloor.stimuli.ceiling import CREST, RMS_WINDOW_S, Ceiling
from quietfloor.stimuli.dose import weights
from quietfloor.stimuli.frames import FrameSource
from quietfloor.stimuli.ipsilateral import BAND_HZ, IpsilateralNoise, usual_edges_hz
from quietfloor.stimuli.levels import gain_db_fs, peak_to_peak_pa
from quietfloor.stimuli.masking import RAMP_S, Masking, Noise
from quietfloor.stimuli.schedule import Schedule, ScheduleError
from quietfloor.stimuli.waveforms import click, tone_burst

RATE_HZ = 48_000.0
FULL_SCALE_DB = 125.0
CLICK, BURST = click(RATE_HZ), tone_burst(RATE_HZ, 1000.0)
KINDS = [
    ("broadband", ()), ("high-pass", (125.0,)), ("high-pass", (500.0,)), ("high-pass", (8000.0,)),
    ("notched", (353.55, 707.11)), ("notched", (1414.2, 2828.4)), ("notched", (125.0, 156.25)),
]  # fmt: skip
EDGES = [(kind, edges) for kind, edges in KINDS if edges]


def ceiling(response=(), age_group="adult"):
    calibration = Calibration(
        "c", "box", "hw", RATE_HZ, "insert", "occluded-ear-simulator", FULL_SCALE_DB, FULL_SCALE_DB, date(2026, 1, 1), 365, "me",
        response=response,
    )  # fmt: skip
    return Ceiling("insert", age_group, calibration)


def ipsilateral(noise="notched", edges_hz=(707.1, 1414.2), level_db=60.0, ear="right", seed=3, rate_hz=RATE_HZ, **more):
    return IpsilateralNoise(noise, level_db, ear, rate_hz, more.pop("ceiling", ceiling()), edges_hz, seed=seed, **more)


def steady(noise, seconds):
    """What it is after its rise."""
    n = round(seconds * noise._rate)
    return noise.read(n + round(RAMP_S * noise._rate))[-n:]


def made(noise, seconds=60.0):
    out = Noise(noise)
    out._rate = noise.rate_hz
    return steady(out, seconds)


def density(samples, rate_hz=RATE_HZ):
    """Frequencies in steps of 1 Hz, and mean squares in each."""
    return signal.welch(samples, rate_hz, nperseg=round(rate_hz))


def db_spl(mean_square):
    """By the calibration alone: a sample of 1.0 is the peak-to-peak value of `FULL_SCALE_DB`."""
    return 10.0 * math.log10(mean_square * (peak_to_peak_pa(FULL_SCALE_DB) / 20e-6) ** 2)


def beyond(noise):
    """Where the noise is whole, and where it is cut: functions of frequency, 15 Hz from every edge."""
    pairs = list(zip(noise.bands_hz[::2], noise.bands_hz[1::2], strict=True))
    return (
        lambda hz: np.any([(hz > low + 15) & (hz < high - 15) for low, high in pairs], axis=0),
        lambda hz: np.all([(hz < low - 15) | (hz > high + 15) for low, high in pairs], axis=0) & (hz < 12_000),
    )


@pytest.mark.parametrize(("kind", "edges"), KINDS)
def test_the_level_is_that_of_the_whole_band_whatever_is_cut(kind, edges):
    """Density times the width of the band, by Welch's method, on the calibrated output."""
    noise = ipsilateral(kind, edges, 60.0)
    hz, power = density(made(noise))
    whole, _ = beyond(noise)
    inside = power[whole(hz)].mean()
    assert db_spl(inside * (BAND_HZ[1] - BAND_HZ[0])) == pytest.approx(60.0, abs=0.05)
    assert db_spl(inside) == pytest.approx(noise.density_db, abs=0.05)
    assert 10 * math.log10(power.sum() / noise.rms**2) == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(("kind", "edges"), EDGES)
def test_what_is_cut_is_50_db_lower(kind, edges):
    noise = ipsilateral(kind, edges)
    hz, power = density(made(noise))
    whole, cut = beyond(noise)
    inside = power[whole(hz)].mean()
    assert 10 * math.log10(power[cut(hz)].mean() / inside) < -50
    parts = np.array([part.mean() for part in np.array_split(power[whole(hz)], 12)])
    assert np.abs(10 * np.log10(parts / inside)).max() < 0.3  # flat


@pytest.mark.parametrize("rate_hz", [32_000.0, 48_000.0, 192_000.0])
@pytest.mark.parametrize(("kind", "edges"), EDGES)
def test_slopes(kind, edges, rate_hz):
    """From 1 dB to 50 dB below the rest, at every edge: at least 190 dB per octave, asked for are 96."""
    noise = ipsilateral(kind, edges, rate_hz=rate_hz)
    for number, edge in enumerate(edges):
        upward = kind == "high-pass" or number == 1
        hz = np.linspace(edge - 20, edge + 20, 2001)
        gain_db = 20 * np.log10(np.abs(signal.freqz(noise.filter, worN=hz, fs=rate_hz)[1]))
        rising = gain_db if upward else gain_db[::-1]
        last = np.flatnonzero(rising < -50)[-1]
        first = last + np.flatnonzero(rising[last:] > -1)[0]
        low, high = (hz[last], hz[first]) if upward else (hz[::-1][first], hz[::-1][last])
        assert 49 / math.log2(high / low) > 190
        assert gain_db[1000] == pytest.approx(-6.0, abs=0.3)


@pytest.mark.parametrize(("kind", "edges"), KINDS)
def test_it_is_white_noise_behind_a_brick_wall_but_for_20_hz_at_each_edge(kind, edges):
    noise = ipsilateral(kind, edges, seed=9)
    taps, n = noise.filter.size, 16_384 * 20
    random = np.random.default_rng([9, noise.stream])
    white = np.concatenate([random.standard_normal(size) for size in (taps - 1, *[16_384] * 20)])
    spectrum, hz = np.fft.rfft(white), np.fft.rfftfreq(white.size, 1 / RATE_HZ)
    pairs = zip(noise.bands_hz[::2], noise.bands_hz[1::2], strict=True)
    passed = np.any([(hz >= low) & (hz < high) for low, high in pairs], axis=0)
    wall = np.fft.irfft(spectrum * passed, white.size)[(taps - 1) // 2 :][:n]
    out = Noise(noise).read(n)
    rest = slice(round(RAMP_S * RATE_HZ), n - taps)
    scale = noise.rms / math.sqrt(2.0 * passed.mean() * 0.5)
    leftover = out[rest] - scale * wall[rest]
    assert 20 * math.log10(leftover.std() / noise.rms) < -25
    assert 20 * math.log10(scale * wall[rest].std() / out[rest].std()) == pytest.approx(0.0, abs=0.05)


def test_the_response_of_the_earphone_is_counted_in():
    """A meter reads the sum over the band of what the earphone makes of it."""
    rows = ((500.0, 0.0, -6.0), (2000.0, 0.0, 0.0), (8000.0, 0.0, -12.0))
    noise = ipsilateral("broadband", (), 70.0, ceiling=ceiling(rows))
    hz, power = density(made(noise))
    heard = 10 ** (np.interp(np.log(np.maximum(hz, 1)), np.log([row[0] for row in rows]), [row[2] for row in rows]) / 10)
    assert db_spl((power * heard).sum()) == pytest.approx(70.0, abs=0.05)
    assert ipsilateral("broadband", (), 70.0, "left", ceiling=ceiling(rows)).rms == pytest.approx(
        ipsilateral("broadband", (), 70.0, "left").rms
    )


def test_a_level_re_full_scale_is_that_of_a_sine_of_peak_to_peak_1():
    noise = ipsilateral("broadband", (), -40.0, in_fs=True, ceiling=Ceiling("insert", "adult"))
    assert noise.rms == pytest.approx(10**-2 / math.sqrt(8))
    assert noise.level == (-40.0, "dB re full scale")


@pytest.mark.parametrize(("kind", "edges"), KINDS)
def test_it_never_leaves_four_times_its_rms(kind, edges):
    noise = ipsilateral(kind, edges)
    samples = made(noise, 30.0)
    assert np.abs(samples).max() <= CREST * noise.rms
    assert np.sqrt(np.mean(samples**2)) == pytest.approx(noise.rms, rel=0.01)


def test_it_rises_from_silence_and_falls_back():
    stop = round(4 * RATE_HZ)
    noise = ipsilateral()
    samples = Noise(noise, stop).read(stop + 1000)
    assert samples[0] == 0
    assert not samples[stop:].any()
    rms = np.sqrt(np.mean(samples[:stop].reshape(40, -1) ** 2, axis=1))
    assert np.all(np.diff(rms[:5]) > 0)
    assert np.all(np.diff(rms[-5:]) < 0)
    assert rms[8:32] == pytest.approx(noise.rms, rel=0.2)


def test_it_is_not_the_noise_in_the_other_ear_nor_that_of_another_seed():
    one, other = made(ipsilateral("broadband", ()), 5.0), made(ipsilateral("broadband", (), seed=4), 5.0)
    masking = made(Masking("white", 0.001, "left", RATE_HZ, ceiling(), seed=3), 5.0)
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.03
    assert abs(np.corrcoef(one, masking)[0, 1]) < 0.03


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"noise": "pink"}, "ipsilateral_noise = 'pink'; allowed are broadband, high-pass, notched"),
        ({"ear": "both"}, "ear of the ipsilateral noise"),
        ({"edges_hz": ()}, "'notched' with 0 edges; it has 2"),
        ({"noise": "broadband"}, "'broadband' with 2 edges; it has 0"),
        ({"noise": "high-pass", "edges_hz": (124.0,)}, "an edge at 124 Hz; allowed is 125 to 9000 Hz: .* Move the edge"),
        ({"edges_hz": usual_edges_hz("notched", 8000.0)}, "an edge at 11313.7 Hz; allowed is 125 to 9000 Hz"),
        ({"edges_hz": (1000.0, math.nan)}, "an edge at nan Hz"),
        ({"edges_hz": (1000.0, 1249.0)}, "notch from 1000 to 1249 Hz; the upper edge is at least 1.25 times"),
        ({"rate_hz": 22_050.0}, "allowed are 30000 Hz and more"),
        ({"level_db": math.nan}, "ipsilateral_noise_level_db_spl = nan; allowed is 0 to 120"),
        ({"level_db": 120.1}, "ipsilateral_noise_level_db_spl = 120.1; allowed is 0 to 120"),
        ({"ceiling": Ceiling("insert", "adult")}, "60 dB SPL without a calibration: name one, or give the level in dB re"),
        ({"ceiling": Ceiling("bone-vibrator", "adult"), "in_fs": True}, "by a bone vibrator"),
        ({"level_db": 0.1, "in_fs": True}, "level_db_fs = 0.1"),
    ],
)  # fmt: skip
def test_refuses(change, message):
    with pytest.raises(LevelError, match=message):
        ipsilateral(**change)


def source(noise, waveform=BURST, level_db_fs=-50.0, n_sweeps=40, ear="right", own=None, factor=None, **schedule):
    own = own or (ceiling() if noise is None else noise.ceiling)
    factor = gain_db_fs(level_db_fs, waveform) if factor is None else factor
    return FrameSource(
        waveform, factor, ear, Schedule(47.1, RATE_HZ, n_sweeps=n_sweeps, seed=5, **schedule), own, ipsilateral=noise
    )


def whole(frames):
    return frames.read(frames.total_samples).astype(np.float64)


@pytest.mark.parametrize("ear", ["left", "right"])
def test_the_sum_is_the_stimulus_plus_the_noise_and_nothing_else_changes(ear):
    noise = ipsilateral(ear=ear)
    frames, quiet = source(noise, ear=ear), source(None, ear=ear)
    got, without = whole(frames), whole(quiet)
    own = ["left", "right"].index(ear)
    alone = Noise(noise, frames.total_samples).read(frames.total_samples)
    np.testing.assert_allclose(got[own], without[own] + alone, atol=1e-8)
    np.testing.assert_array_equal(got[[1 - own, 2]], without[[1 - own, 2]])
    assert frames.limited_samples == 0
    assert [sweep.onset_sample for sweep in frames.sweeps] == [sweep.onset_sample for sweep in quiet.sweeps]


def test_both_ears_can_have_noise_of_their_own():
    masking = Masking("white", 0.001, "left", RATE_HZ, ceiling(), seed=3)
    noise = ipsilateral()
    schedule = Schedule(47.1, RATE_HZ, n_sweeps=20, seed=5)
    got = whole(FrameSource(BURST, 0.0, "right", schedule, ceiling(), masking, ipsilateral=noise))
    np.testing.assert_allclose(got[1], Noise(noise, got.shape[1]).read(got.shape[1]), atol=1e-8)
    np.testing.assert_allclose(got[0], Noise(masking, got.shape[1]).read(got.shape[1]), atol=1e-8)


@settings(max_examples=25)
@given(blocks=st.lists(st.integers(0, 20_000), min_size=1, max_size=10), seed=st.integers(0, 99), case=st.sampled_from(KINDS))
def test_any_block_size_gives_the_same_frames(blocks, seed, case):
    def make():
        return source(ipsilateral(*case, level_db=85.0, seed=seed), level_db_fs=-30.0, n_sweeps=12)

    pieces = make()
    got = np.concatenate([pieces.read(n) for n in blocks], axis=1)
    one = make()
    np.testing.assert_array_equal(got, one.read(sum(blocks)))
    assert pieces.dose == one.dose


def test_it_averages_out_as_noise_does():
    """Its mean over n sweeps is its RMS over the root of n: it follows no stimulus, and the polarity of none."""
    for polarity in ("alternating", "condensation"):
        frames = source(ipsilateral("broadband", ()), n_sweeps=1024, factor=0.0, polarity=polarity)
        right = whole(frames)[1]
        sweeps = np.array([right[sweep.onset_sample :][:800] for sweep in frames.sweeps])
        for n in (64, 256, 1024):
            mean = sweeps[:n].mean(axis=0)
            assert mean.std() * math.sqrt(n) / frames.ipsilateral.rms == pytest.approx(1.0, abs=0.1)
        signs = np.array([sweep.sign for sweep in frames.sweeps])[:, None]
        assert (signs * sweeps).mean(axis=0).std() * 32 / frames.ipsilateral.rms == pytest.approx(1.0, abs=0.1)


def largest_allowed(message):
    return float(re.search(r"beside this stimulus (-?[\d.]+) dB", str(message))[1])


@pytest.mark.parametrize("age_group", ["adult", "child", "infant"])
@pytest.mark.parametrize(("waveform", "stimulus_db"), [(CLICK, 80.0), (BURST, 85.0), (CLICK, None)])
def test_the_ceiling_holds_for_the_sum_and_the_largest_noise_is_named(waveform, stimulus_db, age_group):
    own = ceiling(age_group=age_group)
    factor = 0.0 if stimulus_db is None else gain_db_fs(stimulus_db - FULL_SCALE_DB, waveform)
    with pytest.raises(LevelError, match=r"together above the output ceiling for insert, .* with noise in the same") as refused:
        source(ipsilateral("broadband", (), 120.0, ceiling=own), waveform, factor=factor)
    most_db = largest_allowed(refused.value)
    with pytest.raises(LevelError, match="together above"):
        source(ipsilateral("broadband", (), most_db + 0.11, ceiling=own), waveform, factor=factor)
    frames = source(ipsilateral("broadband", (), most_db, ceiling=own), waveform, factor=factor, n_sweeps=300)
    assert 0.0 <= frames.below_ceiling_db < 0.2
    right = whole(frames)[1]
    assert frames.limited_samples == 0
    peak = min(own.peak_to_peak(waveform, 47.1)[1], own.peak_to_peak(None)[1])
    assert right.max() - right.min() <= peak
    window = math.ceil(RMS_WINDOW_S * RATE_HZ)
    sums = np.cumsum(np.concatenate([[0.0], right**2]))
    loudest = math.sqrt((sums[window:] - sums[:-window]).max() / window)
    assert loudest <= min(own.rms(waveform, 47.1)[1], own.rms(None, 0.0)[1])


def test_a_stimulus_that_leaves_no_room_says_so():
    own = ceiling()
    most = min(own.peak_to_peak(BURST, 47.1)[1], own.peak_to_peak(None)[1])
    with pytest.raises(LevelError, match="leave it out, or lower the level of the stimulus"):
        source(ipsilateral(), factor=most / BURST.peak_to_peak * (1 + 1e-12))


def test_the_noise_counts_in_the_distance_to_the_ceiling():
    below = [source(ipsilateral(level_db=level)).below_ceiling_db for level in (20.0, 80.0, 95.0)]
    assert below == sorted(below, reverse=True)
    assert below[0] < source(None).below_ceiling_db  # the stricter limit
    assert below[1] - below[2] > 6.0


def test_the_dose_counts_stimulus_and_noise():
    """What was foreseen, what was counted, and the sum of squares of what was rendered; by hand 60 s of noise at 80 dB SPL."""
    noise = ipsilateral("broadband", (), 80.0)
    frames = source(noise, n_sweeps=1400)
    right = whole(frames)[1]
    weight = max(weights(noise.ceiling, "right", each, RATE_HZ)[1] for each in (BURST, None))
    assert frames.dose.right_pa2s == pytest.approx(weight * np.sum(right**2), rel=1e-4)
    foreseen = frames.exposure(1400, frames.total_samples / RATE_HZ)
    assert foreseen.right_pa2s == pytest.approx(frames.dose.right_pa2s, rel=0.03)
    assert foreseen.left_pa2s == frames.dose.left_pa2s == 0.0
    alone = source(noise, factor=0.0).exposure(0, 60.0).right_pa2s
    steps_db = 10 * math.log10(weight * RATE_HZ / peak_to_peak_pa(FULL_SCALE_DB) ** 2)
    assert 10 * math.log10(alone / 20e-6**2) == pytest.approx(80.0 + 10 * math.log10(60.0) + steps_db, abs=1e-6)


@pytest.mark.parametrize(
    ("make", "error", "message"),
    [
        (lambda: source(ipsilateral(ear="left")), LevelError, "noise in the left ear, stimulus in right"),
        (lambda: source(ipsilateral(), ear="both"), LevelError, "noise in the right ear, stimulus in both"),
        (lambda: source(ipsilateral(rate_hz=96_000.0)), ScheduleError, "at 96000.0 Hz, schedule at 48000.0 Hz"),
        (lambda: source(ipsilateral(), own=ceiling(age_group="child")), LevelError, "with different ceilings"),
    ],
)
def test_noise_that_does_not_belong_to_the_stimulus_is_refused(make, error, message):
    with pytest.raises(error, match=message):
        make()


def test_usual_edges_are_half_an_octave_from_the_burst():
    low, high = usual_edges_hz("notched", 1000.0)
    assert (low * high, high / low) == pytest.approx((1e6, 2.0))
    assert usual_edges_hz("high-pass", 500.0) == pytest.approx((500 * 2**0.5,))
    assert usual_edges_hz("broadband", 500.0) == usual_edges_hz("notched", None) == ()
