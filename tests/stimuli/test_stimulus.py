"""Which sound, with its parameters: what belongs to which kind, and what a waveform of each is."""

import hashlib
from typing import get_args

import numpy as np
import pytest
from scipy.io import wavfile

from quietfloor.monitor.commands.calibrate import SIGNALS
from quietfloor.monitor.commands.stimulus import SHAPE_KEYS
from quietfloor.monitor.plan.cell_table import OF_KIND
from quietfloor.stimuli.base import Waveform, between_samples
from quietfloor.stimuli.chirps import DelayModel
from quietfloor.stimuli.custom import fingerprint
from quietfloor.stimuli.stimulus import KINDS, PARAMETERS, Standard, StimulusSpec
from quietfloor.stimuli.waveforms import WAVEFORMS, is_registered, standard_form

RATE_HZ = 48_000
# One value of each parameter, other than its default.
VALUES = {
    "duration_us": 200.0,
    "frequency_hz": 500.0,
    "cycles": (3.0, 0.0, 3.0),
    "envelope": "cosine",
    "chirp_k": 0.08,
    "chirp_d": 0.5,
    "chirp_span_ms": 2.56,
    "wav": "song.wav",
    "wav_zero_ms": 1.0,
}


@pytest.fixture
def song(tmp_path):
    """A WAV file (name, samples) of a decaying tone."""
    samples = np.sin(np.arange(480) * 0.3) * np.exp(-np.arange(480) / 100)
    path = tmp_path / "song.wav"
    wavfile.write(path, RATE_HZ, (samples / np.abs(samples).max() * 32767).astype(np.int16))
    return path, samples


def made(kind, **values):
    needed = {"frequency_hz": 1000.0} if "frequency_hz" in PARAMETERS[kind] else {}
    needed |= {"wav": "song.wav"} if kind == "custom" else {}
    return StimulusSpec(kind, **(needed | values))


def test_every_list_of_stimuli_is_the_same_list():
    """A stimulus that one of them lacks could be planned and not made, or made and not calibrated."""
    assert tuple(PARAMETERS) == KINDS
    assert tuple(WAVEFORMS) == get_args(Standard)
    assert ("tone", *KINDS) == SIGNALS
    assert set(OF_KIND) == set(SHAPE_KEYS) - {"frequency_hz"} == {
        "chirp_by_level", *(name for names in PARAMETERS.values() for name in names if name != "frequency_hz"),
    }  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", VALUES)
def test_a_parameter_of_another_kind_is_refused(kind, name):
    if name in PARAMETERS[kind]:
        spec = made(kind, **{name: VALUES[name]})
        assert getattr(spec, name) == VALUES[name]
        if kind != "custom":
            assert spec.record()[name] == (pytest.approx(VALUES[name]) if isinstance(VALUES[name], float) else VALUES[name])
    else:
        with pytest.raises(ValueError, match=rf"{name} = .* belongs to .*{kind!r}: leave it out"):
            made(kind, **{name: VALUES[name]})


def test_what_is_not_given_takes_the_published_form():
    assert made("tone-burst").parameters == {"frequency_hz": 1000.0, "cycles": (2.0, 1.0, 2.0), "envelope": "linear"}
    assert made("chirp").parameters == {"chirp_k": 0.0920, "chirp_d": 0.4356, "chirp_span_ms": None}
    assert made("chirp", chirp_span_ms=5.04).delay_model == DelayModel.of_span(5.04)
    assert made("octave-chirp").delay_model == DelayModel()
    assert made("custom").wav_zero_ms == 0.0


@pytest.mark.parametrize(
    ("spec", "name", "shape"),
    [
        (StimulusSpec(), "click", "100 us"),
        (StimulusSpec("tone-burst", 500), "tone burst 500 Hz", "2-1-2 cycles, linear"),
        (StimulusSpec("tone-burst", 2000, (2.5, 0, 2.5), "blackman"), "tone burst 2000 Hz", "2.5-0-2.5 cycles, blackman"),
        (StimulusSpec("chirp"), "chirp", "0.0920 f^-0.4356 s, 3.143 ms"),
        (StimulusSpec("chirp", chirp_span_ms=5.04), "chirp 5.04 ms", "5.040 ms between 710 and 5700 Hz"),
        (StimulusSpec("octave-chirp", 4000), "octave chirp 4000 Hz", "3.143 ms"),
        (StimulusSpec("custom", wav="/a/b/song.wav"), "custom song.wav", ""),
    ],
)
def test_names(spec, name, shape):
    assert spec.name == name
    assert shape in spec.shape


@pytest.mark.parametrize(
    ("kind", "values", "words"),
    [
        ("ring", {}, "allowed are click, tone-burst"),
        ("tone-burst", {"frequency_hz": None}, "needs frequency_hz"),
        ("tone-burst", {"frequency_hz": 249.0}, "allowed is 250 to 8000"),
        ("octave-chirp", {"frequency_hz": 8001.0}, "allowed is 250 to 8000"),
        ("octave-chirp", {"frequency_hz": float("nan")}, "allowed is 250 to 8000"),
        ("tone-burst", {"frequency_hz": 1000.0, "envelope": "round"}, "envelope"),
        ("tone-burst", {"frequency_hz": 1000.0, "cycles": (0, 0, 0)}, "cycles"),
        ("chirp", {"chirp_k": 0.09, "chirp_span_ms": 3.0}, "give one of them"),
        ("chirp", {"chirp_span_ms": 20.0}, "chirp_span_ms"),
        ("custom", {}, "give wav"),
        ("custom", {"wav": "a.wav", "wav_zero_ms": -1.0}, "wav_zero_ms"),
    ],
)
def test_refuses(kind, values, words):
    with pytest.raises(ValueError, match=words):
        StimulusSpec(kind, **values)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "custom"])
def test_waveforms_of_every_kind(kind):
    spec = made(kind)
    wave = spec.waveform(RATE_HZ)
    assert (wave.name, wave.frequency_hz) == (kind, spec.frequency_hz)
    assert wave.time_zero_s == spec.time_zero_s(RATE_HZ)
    assert is_registered(wave)
    np.testing.assert_array_equal(wave.samples, standard_form(kind, RATE_HZ, spec.frequency_hz).samples)
    curve = between_samples(wave.samples) if wave.smooth else wave.samples
    assert 0.98 <= np.abs(curve).max() <= 1.02
    assert wave.samples[-1] == pytest.approx(0.0, abs=0.11) or kind == "click"  # nothing is cut off


@pytest.mark.parametrize(
    "spec",
    [
        StimulusSpec("tone-burst", 1000, envelope="cosine"),
        StimulusSpec("tone-burst", 1000, cycles=(2, 2, 2)),
        StimulusSpec("chirp", chirp_span_ms=2.56),
        StimulusSpec("octave-chirp", 1000, chirp_d=0.5),
    ],
)
def test_another_form_is_not_the_one_that_a_reference_is_for(spec):
    assert not is_registered(spec.waveform(RATE_HZ))


def test_time_zero_is_that_of_the_waveform_which_is_made_once_for_it(monkeypatch):
    spec, rate_hz = made("octave-chirp", frequency_hz=750.0), 47_999.0
    expected_s = spec.waveform(rate_hz).time_zero_s
    assert spec.time_zero_s(rate_hz) == expected_s > 0.0
    monkeypatch.delattr(StimulusSpec, "waveform")
    assert made("octave-chirp", frequency_hz=750.0).time_zero_s(rate_hz) == expected_s


def test_registered_needs_its_frequency():
    burst = standard_form("tone-burst", RATE_HZ, 1000.0)
    assert not is_registered(Waveform("tone-burst", burst.samples, RATE_HZ, frequency_hz=2000.0))
    assert not is_registered(Waveform("tone-burst", burst.samples, RATE_HZ))


def test_custom_sound(song):
    path, samples = song
    wave = StimulusSpec("custom", wav=str(path)).waveform(RATE_HZ)
    np.testing.assert_allclose(wave.samples / wave.samples.max(), samples / samples.max(), atol=1e-3)
    name = f"custom {hashlib.sha256(path.read_bytes()).hexdigest()}"
    assert (wave.name, wave.time_zero_s, wave.smooth) == (name, 0.0, True)
    assert wave.peak_to_peak == pytest.approx(between_samples(wave.samples).max() - between_samples(wave.samples).min())
    later = StimulusSpec("custom", wav=str(path), wav_zero_ms=2.5)
    assert later.waveform(RATE_HZ).time_zero_s == pytest.approx(2.5e-3)
    assert later.time_zero_s(RATE_HZ) == pytest.approx(2.5e-3)
    assert later.record()["wav_sha256"] == fingerprint(path)
    with pytest.raises(ValueError, match=r"allowed is 0 to 10.00 ms"):
        StimulusSpec("custom", wav=str(path), wav_zero_ms=11.0).waveform(RATE_HZ)


@pytest.mark.parametrize("rate_hz", [44_100.0, 96_000.0, 192_000.0])
def test_a_file_at_another_rate_is_resampled(tmp_path, rate_hz):
    """A burst written at 48 kHz comes back as the burst made at the other rate."""
    path = tmp_path / "burst.wav"
    burst = standard_form("tone-burst", RATE_HZ, 2000.0)
    wavfile.write(path, RATE_HZ, (0.5 * burst.samples).astype(np.float32))
    wave = StimulusSpec("custom", wav=str(path)).waveform(rate_hz)
    wanted = standard_form("tone-burst", rate_hz, 2000.0).samples
    assert abs(wave.samples.size - wanted.size) <= 1
    n = min(wave.samples.size, wanted.size)
    np.testing.assert_allclose(wave.samples[:n], wanted[:n], atol=0.01)


@pytest.mark.parametrize("dtype", ["uint8", "int16", "int32", "float32", "float64"])
def test_every_common_form_of_sample(tmp_path, dtype):
    burst = standard_form("tone-burst", RATE_HZ, 1000.0).samples
    scale = {"uint8": 127, "int16": 32767, "int32": 2**31 - 1}.get(dtype, 0.25)
    path = tmp_path / "burst.wav"
    wavfile.write(path, RATE_HZ, (burst * scale + (128 if dtype == "uint8" else 0)).astype(dtype))
    wave = StimulusSpec("custom", wav=str(path)).waveform(RATE_HZ)
    np.testing.assert_allclose(wave.samples, burst, atol=0.02)


def test_files_that_are_no_stimulus(tmp_path):
    def write(name, data, rate_hz=RATE_HZ):
        wavfile.write(tmp_path / name, rate_hz, data)
        return tmp_path / name

    tone = np.sin(np.arange(480) * 0.1).astype(np.float32)
    nothing = tmp_path / "text.wav"
    nothing.write_text("this is no sound", encoding="utf-8")
    cut = tmp_path / "cut.wav"
    cut.write_bytes(write("whole.wav", tone).read_bytes()[:30])
    huge = tmp_path / "huge.wav"
    huge.write_bytes(bytes(8_000_001))
    for path, words in (
        (write("two.wav", np.stack([tone, tone], axis=1)), "has 2 channels: save the one that is meant as mono"),
        (write("silent.wav", np.zeros(100, dtype=np.int16)), "silent"),
        (write("empty.wav", np.zeros(0, dtype=np.int16)), "silent or empty|no WAV file"),
        (write("nan.wav", np.full(100, np.nan, dtype=np.float32)), "no numbers"),
        (write("long.wav", np.ones(30_000, dtype=np.int16)), "allowed is up to 0.5 s"),
        (write("odd.wav", tone, 47_999), "save it at 48000 Hz"),
        (nothing, "no WAV file that can be read"),
        (cut, "no WAV file that can be read"),
        (huge, "larger than 8 MB"),
        (tmp_path / "none.wav", "cannot be read"),
        (tmp_path, "cannot be read"),
    ):
        with pytest.raises(ValueError, match=words):
            StimulusSpec("custom", wav=str(path)).waveform(RATE_HZ)


def test_between_samples_is_the_curve_of_a_sine():
    n = np.arange(400)
    sine = np.sin(2 * np.pi * 0.17 * n) * np.hanning(400)
    curve = between_samples(sine, 8)
    t = np.arange(3200) / 8
    wanted = np.sin(2 * np.pi * 0.17 * t) * (0.5 - 0.5 * np.cos(2 * np.pi * t / 399))
    np.testing.assert_allclose(curve[200:-200], wanted[200:-200], atol=1e-4)
    np.testing.assert_allclose(curve[::8], sine, atol=1e-12)


def test_a_click_of_another_duration_is_a_stimulus_of_its_own():
    """A rectangular pulse of 200 us has the area of two of 100 us, and its first zero at 5 kHz, 1 / duration (the transform of a
    rectangle, textbooks)."""
    usual, longer = StimulusSpec("click"), StimulusSpec("click", duration_us=200.0)
    assert (usual.name, usual.shape, usual.waveform(RATE_HZ).name) == ("click", "100 us, rectangular", "click")
    assert (longer.name, longer.shape, longer.waveform(RATE_HZ).name) == ("click 200 us", "200 us, rectangular", "click 200 us")
    assert longer.waveform(RATE_HZ).samples.sum() == pytest.approx(2.0 * usual.waveform(RATE_HZ).samples.sum())
    fine = longer.waveform(10e6).samples
    at_zero = np.abs(np.sum(fine * np.exp(-2j * np.pi * 5_000.0 * np.arange(fine.size) / 10e6))) / fine.sum()
    assert at_zero < 1e-9
    assert not is_registered(longer.waveform(RATE_HZ))
    assert is_registered(StimulusSpec("click", duration_us=100.0).waveform(RATE_HZ))


@pytest.mark.parametrize("duration_us", [0.0, -100.0, 39.0, 1000.5, float("nan"), float("inf")])
def test_a_duration_that_no_click_has_is_refused(duration_us):
    with pytest.raises(ValueError, match=r"duration_us = .*; allowed is 40 to 1000"):
        StimulusSpec("click", duration_us=duration_us)
