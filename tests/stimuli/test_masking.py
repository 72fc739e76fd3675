"""Masking noise measured on its samples: level by the definition of effective masking, band, bounds, ramps."""

import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietfloor.stimuli.calibration import Calibration, LevelError
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.levels import db_ppe_spl, peak_to_peak_pa
from quietfloor.stimuli.masking import RAMP_S, WHITE_MASKS_HZ, Masking, Noise, Tone, rms_of_em, rms_of_fs
from quietfloor.stimuli.references import load_references

RATE_HZ = 48_000.0


def calibration(left=125.0, right=125.0, response=()):
    return Calibration(
        "c", "box", "hw", RATE_HZ, "insert", "occluded-ear-simulator", left, right, date(2026, 1, 1), 365, "me", response=response
    )


def masking(noise="octave-band", frequency_hz=1000.0, rms=0.001, ear="left", seed=3, cal=None, age_group="adult"):
    ceiling = Ceiling("insert", age_group, cal or calibration())
    return Masking(noise, rms, ear, RATE_HZ, ceiling, frequency_hz if noise == "octave-band" else None, seed)


def steady(noise, seconds=20.0):
    """What it is after its rise."""
    n = round(seconds * RATE_HZ)
    return noise.read(n + round(RAMP_S * RATE_HZ))[-n:]


def third_octave_db_spl(samples, hz, full_scale_db):
    """Level of the third of an octave about `hz`, from the spectrum of all samples."""
    energy = np.abs(np.fft.rfft(samples)) ** 2
    f = np.fft.rfftfreq(samples.size, 1 / RATE_HZ)
    inside = (f >= hz * 2 ** (-1 / 6)) & (f < hz * 2 ** (1 / 6))
    mean_square = 2 * energy[inside].sum() / samples.size**2
    sine = (peak_to_peak_pa(full_scale_db) / 20e-6) ** 2  # a sample of 1.0, squared, re (20 uPa)2
    return 10 * math.log10(mean_square * sine)


@pytest.mark.parametrize("hz", [250.0, 500.0, 1000.0, 2000.0, 4000.0])
def test_octave_band_noise_masks_by_its_level(hz):
    """Effective masking by its definition: the third of an octave has pure-tone zero (ISO 389-2) + ISO 389-4 + 50 dB."""
    cal = calibration()
    noise = steady(Noise(masking(frequency_hz=hz, rms=rms_of_em(50.0, hz, "left", cal, RATE_HZ))))
    zero = {250: 17.5, 500: 9.5, 1000: 5.5, 2000: 11.5, 4000: 15.0}[hz]  # ISO 389-2, occluded-ear simulator
    above = {250: 4, 500: 4, 1000: 6, 2000: 6, 4000: 5}[hz]  # ISO 389-4, one third of an octave (from memory)
    assert third_octave_db_spl(noise, hz, 125.0) - zero - above == pytest.approx(50.0, abs=0.25)


def test_white_noise_masks_at_least_by_its_level_where_clicks_are():
    cal = calibration()
    noise = steady(Noise(masking("white", rms=rms_of_em(50.0, None, "left", cal, RATE_HZ))))
    tables = load_references()
    masks = [
        third_octave_db_spl(noise, hz, 125.0) - tables.pure_tone_db("insert", cal.coupler, hz) - tables.narrow_band_db(hz)
        for hz in WHITE_MASKS_HZ
    ]
    assert min(masks) == pytest.approx(50.0, abs=0.25)


def test_the_response_of_the_earphone_is_counted_in():
    bent = calibration(response=((500.0, -6.0, 0.0), (1000.0, 0.0, 0.0), (4000.0, 5.0, 5.0)))
    plain = calibration()
    assert rms_of_em(50, 500.0, "left", bent, RATE_HZ) / rms_of_em(50, 500.0, "left", plain, RATE_HZ) == pytest.approx(10**0.3)
    assert rms_of_em(50, 500.0, "right", bent, RATE_HZ) == pytest.approx(rms_of_em(50, 500.0, "right", plain, RATE_HZ))
    # white noise follows the place that then needs most: 500 Hz, by the same 6 dB here
    assert rms_of_em(50, None, "left", bent, RATE_HZ) / rms_of_em(50, None, "left", plain, RATE_HZ) == pytest.approx(10**0.3)


def test_level_of_noise_re_full_scale_is_its_rms():
    noise = steady(Noise(masking(rms=rms_of_fs(-40.0))))
    sine = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(48_000) / RATE_HZ)  # peak-to-peak 1.0
    assert 10 * np.log10(np.mean(noise**2) / np.mean(sine**2)) == pytest.approx(-40.0, abs=0.1)


@pytest.mark.parametrize(("noise", "low", "high"), [("octave-band", 1000 / 2**0.5, 1000 * 2**0.5), ("white", 200.0, 8000.0)])
def test_band(noise, low, high):
    samples = steady(Noise(masking(noise)))
    density = np.abs(np.fft.rfft(samples)) ** 2
    f = np.fft.rfftfreq(samples.size, 1 / RATE_HZ)
    inside = density[(f > 1.15 * low) & (f < 0.9 * high)].mean()
    parts = np.array([part.mean() for part in np.array_split(density[(f > 1.15 * low) & (f < 0.9 * high)], 6)])
    assert np.abs(10 * np.log10(parts / inside)).max() < 0.3
    for outside in (density[f < 0.8 * low], density[f > 1.2 * high]):
        assert 10 * np.log10(outside.mean() / inside) < -35


@pytest.mark.parametrize("noise", ["octave-band", "white"])
def test_noise_never_leaves_four_times_its_rms(noise):
    samples = steady(Noise(masking(noise)), 60.0)
    assert np.abs(samples).max() <= 4 * 0.001
    assert np.sqrt(np.mean(samples**2)) == pytest.approx(0.001, rel=0.01)
    assert np.mean(samples) == pytest.approx(0, abs=1e-5)


@settings(max_examples=25)
@given(blocks=st.lists(st.integers(0, 30_000), min_size=1, max_size=12), seed=st.integers(0, 99), white=st.booleans())
def test_any_block_size_gives_the_same_noise(blocks, seed, white):
    def make():
        return Noise(masking("white" if white else "octave-band", seed=seed), stop=60_000)

    pieces = make()
    got = np.concatenate([pieces.read(n) for n in blocks])
    np.testing.assert_array_equal(got, make().read(sum(blocks)))


def test_it_rises_from_silence_and_falls_back():
    stop = round(4 * RATE_HZ)
    noise = Noise(masking(), stop=stop).read(stop + 1000)
    assert noise[0] == 0
    assert not noise[stop:].any()
    rms = np.sqrt(np.mean(noise[:stop].reshape(40, -1) ** 2, axis=1))  # by tenths of a second
    assert np.all(np.diff(rms[:5]) > 0)
    assert np.all(np.diff(rms[-5:]) < 0)
    assert rms[0] < 0.1 * 0.001
    assert rms[8:32] == pytest.approx(0.001, rel=0.2)


def test_seeds_differ_and_do_not_repeat():
    a, b = (steady(Noise(masking(seed=seed)), 5.0) for seed in (1, 2))
    assert abs(np.corrcoef(a, b)[0, 1]) < 0.05
    whole = steady(Noise(masking(seed=1)), 40.0)
    part = whole[:48_000]
    spectrum = np.fft.rfft(whole) * np.conj(np.fft.rfft(part, whole.size))
    match = np.fft.irfft(spectrum)
    assert np.abs(match[48_000:-48_000]).max() < 0.3 * match[0]  # never comes back


def test_a_tone_for_measurements():
    tone = steady(Tone(1000.0, 0.25, RATE_HZ), 1.0)
    assert np.abs(tone).max() == pytest.approx(0.25)
    assert db_ppe_spl((tone.max() - tone.min()) * peak_to_peak_pa(100.0)) == pytest.approx(100 - 6.02, abs=0.01)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"noise": "pink"}, "masking = 'pink'"),
        ({"ear": "both"}, "masking ear"),
        ({"frequency_hz": 100.0}, "125 to 8000 Hz"),
        ({"frequency_hz": None}, "octave-band has one"),
        ({"rms": 0.26}, "would clip"),
        ({"rms": math.nan}, "would clip"),
        ({"rms": -0.1}, "would clip"),
        ({"rms": 0.24}, r"masking noise on the left ear is .* dB above the output ceiling for insert, adult"),
    ],
)
def test_refuses(change, message):
    with pytest.raises(LevelError, match=message):
        masking(**change)


def test_a_bone_vibrator_does_not_mask_one_ear():
    vibrator = Calibration(
        "b", "box", "hw", RATE_HZ, "bone-vibrator", "artificial-mastoid", 120.0, 120.0, date(2026, 1, 1), 365, "me"
    )
    with pytest.raises(LevelError, match="both ears"):
        Masking("white", 0.001, "left", RATE_HZ, Ceiling("bone-vibrator", "adult", vibrator))


@pytest.mark.parametrize("level", [math.nan, math.inf, -21, 101])
def test_levels_that_nobody_means(level):
    with pytest.raises(LevelError, match="masking_level_db_em"):
        rms_of_em(level, None, "left", calibration(), RATE_HZ)


def test_noise_that_does_not_mask_there():
    with pytest.raises(LevelError, match="does not mask at 4000 Hz"):
        rms_of_em(40, 1000.0, "left", calibration(), RATE_HZ, masks_hz=(4000.0,))


def test_infants_noise_stays_below_85_db_of_effective_masking():
    """Whatever is asked for: the ceiling for babies with insert earphones holds for noise, too."""
    cal = calibration()
    for noise, hz in (("white", None), *(("octave-band", hz) for hz in (500.0, 1000.0, 2000.0, 4000.0))):
        masking(noise, hz, rms_of_em(60.0 if hz is None else 65.0, hz, "left", cal, RATE_HZ), age_group="infant")
        with pytest.raises(LevelError, match="above the output ceiling for insert, infant"):
            masking(noise, hz, rms_of_em(85.0, hz, "left", cal, RATE_HZ), age_group="infant")
