"""The stimulus in a plan: what is written out, where time zero goes, which window follows, what does not fit together."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.io import wavfile

from quietfloor.monitor.commands.demo import virtual_calibration
from quietfloor.monitor.core.samples import Layout
from quietfloor.monitor.plan.run_plan import Plan, PlanError, load_plan, make_plan, override
from quietfloor.monitor.plan.sound_plan import SoundPlan
from quietfloor.monitor.run.sound_output import make_stimulus
from quietfloor.stimuli.levels import STATED

LAYOUT = Layout(8000.0, ("E1", "TRIG"), (0,), 1)
TODAY = datetime.date(2026, 1, 1)
PARAMETERS = ("duration_us", "frequency_hz", "cycles", "envelope", "chirp_k", "chirp_d", "chirp_span_ms", "wav", "wav_zero_ms")
KINDS: dict[str, dict[str, Any]] = {
    "click": {},
    "tone-burst": {"frequency_hz": 1000},
    "chirp": {},
    "octave-chirp": {"frequency_hz": 1000},
}


def plan_of(stimulus: str, **values: Any) -> Plan:
    return make_plan({"sound": {"stimulus": stimulus, "level_db_fs": -40.0} | values})


def test_a_click_of_another_duration_has_no_level_in_db_nhl() -> None:
    """0 dB nHL of a click is that of 100 us (IEC 60645-3); of another duration nothing is known."""
    calibrated = {"level_db_fs": None, "level_db_nhl": 60.0, "calibration": str(virtual_calibration())}
    assert plan_of("click", **calibrated, duration_us=100.0).sound is not None
    with pytest.raises(PlanError, match=r"level_db_nhl = 60 with duration_us = 200: .* give level_db_ppe_spl or level_db_fs"):
        plan_of("click", **calibrated, duration_us=200.0)
    with pytest.raises(PlanError, match="level_db_nhl = 60 with duration_us = 50"):
        make_plan({"stated": {"stimulus": "click", "ear": "left", "level_db_nhl": 60.0, "duration_us": 50.0}})


def sound_of(stimulus: str, **values: Any) -> SoundPlan:
    sound = plan_of(stimulus, **values).sound
    assert sound is not None
    return sound


@pytest.mark.parametrize("kind", KINDS)
def test_a_saved_plan_holds_every_parameter_and_the_window(kind: str) -> None:
    plan = plan_of(kind, **KINDS[kind])
    written = tomllib.loads(plan.to_toml())
    assert make_plan(written) == plan
    shape = {
        "click": {},
        "tone-burst": {"frequency_hz": 1000.0, "cycles": [2.0, 1.0, 2.0], "envelope": "linear"},
        "chirp": {"chirp_k": 0.0920, "chirp_d": 0.4356},
        "octave-chirp": {"frequency_hz": 1000.0, "chirp_k": 0.0920, "chirp_d": 0.4356},
    }[kind]
    assert {name: value for name, value in written["sound"].items() if name in PARAMETERS} == shape
    assert written["analysis"]["window_ms"] == list(plan.analysis.window_ms)


@pytest.mark.parametrize(
    ("kind", "values", "window"),
    [
        ("click", {}, (5, 17)),
        ("tone-burst", {"frequency_hz": 500}, (5, 21)),
        ("tone-burst", {"frequency_hz": 250, "rate_per_s": 37.1}, (5, 25)),
        ("tone-burst", {"frequency_hz": 4000}, (5, 17)),
        ("octave-chirp", {"frequency_hz": 1000, "rate_per_s": 41.1}, (5, 19)),
        ("chirp", {}, (2, 12.4)),
        ("chirp", {"age_group": "infant", "rate_per_s": 41.1}, (2, 13.4)),
    ],
)
def test_the_window_follows_the_stimulus_unless_given(kind: str, values: dict[str, Any], window: tuple[float, float]) -> None:
    assert plan_of(kind, **values).analysis.window_ms == window
    given = make_plan({"sound": {"stimulus": kind, "level_db_fs": -40.0} | values, "analysis": {"window_ms": [6, 12]}})
    assert given.analysis.window_ms == (6, 12)
    assert override(plan_of(kind, **values), {"analysis": {"window_ms": (6, 12)}}).analysis.window_ms == (6, 12)
    assert Plan().analysis.window_ms == (5, 17)  # listening: the click's


def test_time_zero_is_added_to_the_delay() -> None:
    analysis = {"acoustic_delay_ms": 0.9, "amplifier_delay_ms": 4.0}
    for kind, values in KINDS.items():
        sound = {"stimulus": kind, "level_db_fs": -40.0, "rate_per_s": 37.1} | values
        plan = make_plan({"sound": sound, "analysis": analysis})
        assert plan.sound is not None
        waveform = plan.sound.spec.waveform(48_000.0)
        assert plan.engine_settings(LAYOUT).delay_ms == pytest.approx(4.9 + 1e3 * waveform.time_zero_s)
    assert sound_of("tone-burst", frequency_hz=1000).time_zero_ms == 0.0
    assert sound_of("chirp").time_zero_ms == pytest.approx(8.0, abs=0.02)


def test_time_zero_of_a_file_needs_no_file(tmp_path: Path) -> None:
    """A replay needs nothing but the plan."""
    plan = plan_of("custom", wav=str(tmp_path / "gone.wav"), wav_zero_ms=2.5)
    assert plan.engine_settings(LAYOUT).delay_ms == pytest.approx(2.5)
    assert plan.sound is not None
    with pytest.raises(PlanError, match="cannot be read"):
        make_stimulus(plan.sound, TODAY)


def test_a_file_is_found_beside_its_plan(tmp_path: Path) -> None:
    wavfile.write(tmp_path / "ping.wav", 48_000, np.sin(np.arange(200) * 0.5).astype(np.float32))
    path = tmp_path / "plan.toml"
    path.write_text('[sound]\nstimulus = "custom"\nwav = "ping.wav"\nlevel_db_fs = -40\n', encoding="utf-8")
    sound = load_plan(path).sound
    assert sound is not None
    record = make_stimulus(sound, TODAY).record
    assert (record["stimulus"], record["kind"], len(record["wav_sha256"])) == ("custom ping.wav", "custom", 64)


@pytest.mark.parametrize(("level", "span"), [(20, 5.04), (40, 3.32), (60, 2.56)])
def test_the_chirp_by_level(level: float, span: float) -> None:
    sound = {"stimulus": "chirp", "chirp_by_level": True, "level_db_nhl": level, "calibration": "x.toml", "rate_per_s": 41.1}
    plan = make_plan({"sound": sound})
    assert plan.sound is not None
    assert 1e3 * plan.sound.spec.delay_model.span_s == pytest.approx(span)
    assert plan.sound.spec.name == f"chirp {span} ms"
    assert make_plan(tomllib.loads(plan.to_toml())) == plan
    low, high = plan.latency_ms()
    published = {20: 6.66, 40: 5.76, 60: 4.57}[level]  # Elberling, Callo & Don 2010 (secondary)
    assert low < published < high


def test_a_level_in_ppe_needs_no_reference_and_is_held_by_ceiling_and_dose() -> None:
    sound = {
        "stimulus": "tone-burst", "frequency_hz": 750, "level_db_ppe_spl": 80, "calibration": str(virtual_calibration()),
        "rate_per_s": 37.1,
    }  # fmt: skip
    plan = make_plan({"sound": sound})
    assert plan.sound is not None
    assert plan.sound.level == (80.0, "dB p-p.e. SPL")
    assert make_plan(tomllib.loads(plan.to_toml())) == plan
    made = make_stimulus(plan.sound, TODAY)
    assert {key: made.record[key] for key in (*STATED, "level_db_ppe", "reference_db", "reference_source")} == {
        "level_db_nhl": None, "level_db_ppe_spl": 80.0, "level_db_fs": None, "level_db_ppe": 80.0, "reference_db": None,
        "reference_source": None,
    }  # fmt: skip
    with pytest.raises(PlanError, match="no reference threshold for tone-burst 750 Hz"):
        make_stimulus(sound_of("tone-burst", frequency_hz=750).model_copy(
            update={"level_db_fs": None, "level_db_nhl": 40.0, "calibration": str(virtual_calibration())}), TODAY)  # fmt: skip
    loud = plan.sound.model_copy(update={"level_db_ppe_spl": 129.0})
    with pytest.raises(PlanError, match=r"ceiling"):
        make_stimulus(loud, TODAY)
    with pytest.raises(PlanError, match=r"more than the right ear may get in a day"):
        make_stimulus(plan.sound.model_copy(update={"level_db_ppe_spl": 105.0}), TODAY, sweeps=1_000_000)
    # nothing that is published in dB nHL is used: the bracket is that of a burst whose level is not known
    assert plan.latency_ms() == make_plan({"sound": sound_of("tone-burst", frequency_hz=750, rate_per_s=37.1).model_dump(
        exclude_none=True)}).latency_ms()  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_the_record_says_what_was_played_and_where_its_time_zero_is(kind: str) -> None:
    sound = sound_of(kind, **KINDS[kind])
    record = make_stimulus(sound, TODAY).record
    assert record["kind"] == kind
    assert record["stimulus"] == sound.spec.name
    assert record["time_zero_ms"] == pytest.approx(sound.time_zero_ms)
    assert record["time_zero_is"]
    for name in (*PARAMETERS, "wav_sha256"):
        assert name in record  # the same keys for every sound; what does not belong is null
    assert (record["chirp_span_ms"] is not None) == ("chirp" in kind)


@pytest.mark.parametrize(
    ("sound", "words"),
    [
        ({"stimulus": "tone-burst"}, r"\[sound\] stimulus = 'tone-burst' needs frequency_hz"),
        ({"stimulus": "tone-burst", "frequency_hz": 100}, r"\[sound\] frequency_hz = 100; allowed is 250 to 8000"),
        ({"stimulus": "tone-burst", "frequency_hz": 1000, "cycles": [0, 0, 0]}, r"\[sound\] cycles = 0, 0, 0"),
        ({"stimulus": "click", "cycles": [2, 1, 2]}, "belongs to tone-burst, but stimulus = 'click': leave it out"),
        ({"stimulus": "chirp", "frequency_hz": 1000}, "belongs to tone-burst and octave-chirp"),
        ({"stimulus": "chirp", "chirp_k": 0.09, "chirp_span_ms": 3.3}, "give one of them"),
        ({"stimulus": "chirp", "chirp_by_level": True}, "chirp_by_level needs level_db_nhl"),
        ({"stimulus": "chirp", "chirp_by_level": True, "chirp_span_ms": 3.3}, "leave out chirp_span_ms"),
        ({"stimulus": "custom"}, "give wav = the path of a WAV file"),
        ({"stimulus": "chirp", "chirp_k": 5.0}, "chirp_k = 5"),
        ({"stimulus": "tone-burst", "frequency_hz": 1000, "cycles": [2, 1]}, r"such as \[2, 1, 2\]"),
    ],
)
def test_what_does_not_fit_together_is_refused(sound: dict[str, Any], words: str) -> None:
    with pytest.raises(PlanError, match=words):
        make_plan({"sound": {"level_db_fs": -40.0} | sound})


def test_the_window_ends_before_the_next_sound_begins() -> None:
    """Time zero lies inside the sound, so the next one begins sooner after it than the interval."""
    with pytest.raises(PlanError) as caught:
        plan_of("octave-chirp", frequency_hz=500)
    said = str(caught.value)
    assert "analysis.window_ms ends at 21 ms, but at 47.1/s the next stimulus comes after 17.2 ms" in said
    assert "(time zero is 4.0 ms into each)" in said
    assert said.endswith("end the window earlier or lower sound.rate_per_s to 40")
    assert plan_of("octave-chirp", frequency_hz=500, rate_per_s=39.1).analysis.window_ms == (5, 21)
    with pytest.raises(PlanError, match=r"lower sound.rate_per_s to 42.1"):
        plan_of("chirp", chirp_span_ms=5.04)


@pytest.mark.parametrize("kind", KINDS)
def test_any_block_size_gives_the_same_frames(kind: str) -> None:
    """Through the whole chain of a plan: sound and trigger start together, one sound a sweep."""
    frames = make_stimulus(sound_of(kind, **KINDS[kind], lead_in_s=0.1), TODAY).frames
    again = make_stimulus(sound_of(kind, **KINDS[kind], lead_in_s=0.1), TODAY).frames
    whole = frames.read(9600)
    parts = np.concatenate([again.read(n) for n in (1, 479, 4000, 5120)], axis=1)
    np.testing.assert_array_equal(whole, parts)
    onset = frames.sweeps[0].onset_sample
    assert np.flatnonzero(whole[2])[0] == onset
    heard = np.flatnonzero(np.abs(whole[1]) > 0)[0]
    assert 0 <= heard - onset <= 3  # a burst and a chirp begin at zero
    assert frames.limited_samples == 0
