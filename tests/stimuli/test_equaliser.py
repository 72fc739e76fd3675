"""The equaliser against earphones that are made here, known in spectrum and time, and against scipy's filters."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import freqz, lfilter

from quietfloor.bench.patient.earphone import VIRTUAL_EARPHONE
from quietfloor.bench.patient.offline import NAME, carry_through
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.plan.run_plan import PlanError, make_plan
from quietfloor.monitor.readiness.sound_check import sound_group
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.run.sound_output import make_stimulus
from quietfloor.monitor.session.conditions import published_kind, summary_of
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.base import between_samples
from quietfloor.stimuli.calibration import Calibration, LevelError
from quietfloor.stimuli.calibration_file import load_calibration, save_calibration
from quietfloor.stimuli.ceiling import Ceiling
from quietfloor.stimuli.clicks import click
from quietfloor.stimuli.equaliser import MOST_BOOST_DB, basis_of, equalised, minimum_phase
from quietfloor.stimuli.levels import gain_on
from quietfloor.stimuli.tones import tone_burst
from tests.live.harness import call_here as call

RATE_HZ = 48_000.0
THIRDS_HZ = 250.0 * 2.0 ** (np.arange(16) / 3.0)
TODAY = date(2026, 12, 1)


def peak(hz: float, gain_db: float, q: float) -> tuple[np.ndarray, np.ndarray]:
    """A second-order peak: cookbook formulae of R. Bristow-Johnson (from memory)."""
    size, w = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * hz / RATE_HZ
    alpha = math.sin(w) / (2.0 * q)
    b = np.array([1.0 + alpha * size, -2.0 * math.cos(w), 1.0 - alpha * size])
    a = np.array([1.0 + alpha / size, -2.0 * math.cos(w), 1.0 - alpha / size])
    return b / a[0], a / a[0]


def earphone() -> tuple[np.ndarray, np.ndarray]:
    """8 dB more at 2.7 kHz, 6 dB less at 5 kHz, falling below 200 Hz; minimum phase, 0 dB at 1 kHz."""
    pole = math.exp(-2.0 * math.pi * 200.0 / RATE_HZ)
    parts = [peak(2700.0, 8.0, 1.5), peak(5000.0, -6.0, 1.5), (np.array([1.0, -0.999]), np.array([1.0, -pole]))]
    b, a = np.array([1.0]), np.array([1.0])
    for numerator, denominator in parts:
        b, a = np.convolve(b, numerator), np.convolve(a, denominator)
    at_1000 = abs(freqz(b, a, [1000.0], fs=RATE_HZ)[1][0])
    return b / at_1000, a


B, A = earphone()


def response_db(hz: np.ndarray) -> np.ndarray:
    return np.asarray(20.0 * np.log10(np.abs(freqz(B, A, hz, fs=RATE_HZ)[1])))


def calibration(rows: Any = None, **other: Any) -> Calibration:
    rows = [(hz, db, db) for hz, db in zip(THIRDS_HZ, response_db(THIRDS_HZ), strict=True)] if rows is None else rows
    measured = tuple((float(hz), float(left), float(right)) for hz, left, right in rows)
    known = {"measured_with": "tone 1000 Hz", "response": measured} | other
    return Calibration("c", "box", "hw", RATE_HZ, "insert", "occluded-ear-simulator", 125.0, 125.0, date(2026, 1, 1), 365, "me",
                       **known)  # fmt: skip


def off_db(samples: np.ndarray, ideal: np.ndarray) -> float:
    """The largest deviation of what comes out of the earphone from the ideal spectrum, 250 to 8000 Hz, re that at 1 kHz."""
    hz = np.geomspace(250.0, 8000.0, 500)
    out = lfilter(B, A, np.concatenate([samples, np.zeros(8192)]))
    grid = np.fft.rfftfreq(1 << 16, 1.0 / RATE_HZ)
    db = [np.interp(hz, grid, 20.0 * np.log10(np.abs(np.fft.rfft(one, 1 << 16)))) for one in (out, ideal)]
    apart = db[0] - db[1]
    return float(np.abs(apart - np.interp(1000.0, hz, apart)).max())


def test_a_click_at_the_coupler_has_the_spectrum_of_the_ideal_click() -> None:
    ideal = click(RATE_HZ)
    made = equalised(ideal, calibration(), "left")
    with_it, without = off_db(made.waveform.samples, ideal.samples), off_db(ideal.samples, ideal.samples)
    print(f"worst from 250 to 8000 Hz: {with_it:.2f} dB, without {without:.2f} dB; costs {made.costs_db:.2f} dB")
    assert with_it < 1.0
    assert without > 6.0
    assert made.band_hz == (250.0, 8000.0)
    assert made.boost_db == pytest.approx(-response_db(THIRDS_HZ).min())


def test_the_closer_the_rows_the_closer_the_spectrum() -> None:
    """Rows wherever they fall, a third of an octave apart, and rows farther apart."""
    ideal, apart = click(RATE_HZ), {}
    for name, parts, shift in [("a third", 3, k / 12) for k in range(4)] + [("half", 2, 0.0), ("one", 1, 0.0)]:
        own = 250.0 * 2.0 ** (np.arange(5 * parts + 1) / parts + shift)
        own = np.unique(np.concatenate([[250.0], own[own < 7999.0], [8000.0]]))
        rows = [(hz, db, db) for hz, db in zip(own, response_db(own), strict=True)]
        apart.setdefault(name, []).append(off_db(equalised(ideal, calibration(rows), "left").waveform.samples, ideal.samples))
    print("; ".join(f"{name} of an octave apart: {max(off):.1f} dB" for name, off in apart.items()))
    assert max(apart["a third"]) < 1.0
    assert max(apart["a third"]) < apart["half"][0] < apart["one"][0] < off_db(ideal.samples, ideal.samples)


def test_what_arrives_is_the_ideal_click_in_time_too() -> None:
    ideal = click(RATE_HZ)
    made = equalised(ideal, calibration(), "right").waveform
    assert made.time_zero_s == ideal.time_zero_s
    out = lfilter(B, A, np.concatenate([made.samples, np.zeros(512)]))
    plain = lfilter(B, A, np.concatenate([ideal.samples, np.zeros(512)]))

    def likeness(arrived: np.ndarray) -> tuple[int, float]:
        products = np.correlate(arrived, ideal.samples, "full")
        best = int(np.argmax(products))
        return best - len(ideal.samples) + 1, float(products[best] / np.linalg.norm(arrived) / np.linalg.norm(ideal.samples))

    lag, like = likeness(out)
    print(f"lag {lag} samples, likeness {like:.4f}; without the equaliser {likeness(plain)[1]:.4f}")
    assert lag == 0
    assert like > 0.95 > likeness(plain)[1]


@pytest.mark.parametrize("sound", ["click", "burst"])
def test_the_level_is_that_at_the_coupler(sound: str) -> None:
    ideal = click(RATE_HZ) if sound == "click" else tone_burst(RATE_HZ, 2000.0)
    cal = calibration()
    made = equalised(ideal, cal, "left")
    factor = gain_on(basis_of(made, cal, "left"), 80.0, made.waveform, "left", cal)
    out = lfilter(B, A, np.concatenate([factor * made.waveform.samples, np.zeros(4096)]))
    out = between_samples(out) if ideal.smooth else out
    level_db = 125.0 + 20.0 * math.log10(np.ptp(out))
    print(f"{sound}: {level_db:.2f} dB p-p.e. SPL for 80")
    # what a click has above the last row, at 8 kHz, counts in its peak, and nothing is known of the earphone there
    assert level_db == pytest.approx(80.0, abs=2.0 if sound == "click" else 0.2)


def test_the_level_of_its_train_is_that_at_the_coupler(file: Path) -> None:
    """L_Zeq of run.json against the sound behind the earphone: what is sent has 3.1 dB less for its peaks."""
    made = make_stimulus(plan_of(file, level_db_ppe_spl=80).sound, TODAY)
    frames, rate_per_s = made.frames, made.record["rate_per_s"]
    out = lfilter(B, A, np.concatenate([frames.gain * frames.waveform.samples, np.zeros(4096)]))
    level_db = 130.0 + 10.0 * math.log10(8.0 * rate_per_s / RATE_HZ * float(np.sum(out**2)))
    print(f"{level_db:.2f} dB behind the earphone, {made.record['level_db_zeq']:.2f} dB in run.json")
    assert made.record["level_db_zeq"] == pytest.approx(level_db, abs=0.5)
    plain = make_stimulus(plan_of(file, level_db_ppe_spl=80, equalise=False).sound, TODAY)
    assert made.record["level_db_zeq"] == pytest.approx(plain.record["level_db_zeq"], abs=1e-9)
    done = call("stimulus", str(written(file, 80)), "--json")
    assert json.loads(done.out)["level_db_zeq"] == pytest.approx(made.record["level_db_zeq"], abs=1e-6)


def test_a_flat_earphone_changes_nothing() -> None:
    flat = calibration([(hz, 0.0, 0.0) for hz in THIRDS_HZ])
    for ideal in (click(RATE_HZ), tone_burst(RATE_HZ, 500.0)):
        made = equalised(ideal, flat, "left")
        np.testing.assert_allclose(made.waveform.samples, ideal.samples, rtol=0.0, atol=1e-12)
        assert made.costs_db == pytest.approx(0.0, abs=1e-9)


def test_each_ear_has_its_own_filter() -> None:
    cal = calibration([(hz, db, 0.0) for hz, db in zip(THIRDS_HZ, response_db(THIRDS_HZ), strict=True)])
    left, right = (equalised(click(RATE_HZ), cal, ear).waveform.samples for ear in ("left", "right"))
    assert len(left) > len(right) == len(click(RATE_HZ).samples)


def test_the_filter_of_a_known_earphone_is_its_inverse_in_time() -> None:
    """Against scipy: the impulse response of the inverse of a filter of minimum phase, whose zeros are all inside the circle."""
    grid_hz = np.fft.rfftfreq(1 << 15, 1.0 / RATE_HZ)
    gain_db = -response_db(grid_hz)
    taps = minimum_phase(gain_db)
    inverse = lfilter(A, B, np.concatenate([[1.0], np.zeros(len(taps) - 1)]))
    assert np.all(np.abs(np.roots(B)) < 1.0)
    np.testing.assert_allclose(taps[:2000], inverse[:2000], atol=1e-4)
    np.testing.assert_allclose(20 * np.log10(np.abs(np.fft.rfft(taps))), gain_db, atol=1e-6)
    assert np.array_equal(minimum_phase(np.zeros(9)), np.eye(1, 16)[0])


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([], "has a response nowhere; it must reach from 500 Hz or lower to 4000 Hz or higher"),
        ([(1000.0, 0.0, 0.0), (2000.0, 0.0, 0.0), (4000.0, 0.0, 0.0)], "has a response from 1000 to 4000 Hz"),
        ([(500.0, 0.0, 0.0), (1500.0, 0.0, 0.0), (3000.0, 0.0, 0.0), (4000.0, 0.0, 0.0)], "no response between 500 and 1500 Hz"),
        ([(500.0, 0.0, 0.0), (1000.0, 0.0, 0.0), (2000.0, 0.0, 0.0), (4000.0, -20.5, 0.0)], "has -20.5 dB at 4000 Hz"),
    ],
)
def test_a_response_that_says_too_little_is_refused(rows: Any, said: str) -> None:
    with pytest.raises(LevelError, match=said):
        equalised(click(RATE_HZ), calibration(rows), "left")
    assert MOST_BOOST_DB == 20.0


def test_a_burst_outside_the_response_and_a_full_scale_with_the_response_in_it_are_refused() -> None:
    some = calibration([(hz, 0.0, 0.0) for hz in (500.0, 1000.0, 2000.0, 4000.0)])
    with pytest.raises(LevelError, match="tone-burst of 6000 Hz, and calibration 'c' has a response from 500 to 4000 Hz"):
        equalised(tone_burst(RATE_HZ, 6000.0), some, "left")
    for name in ("click", "click 200 us", "tone burst 1000 Hz", "chirp", "octave chirp 1000 Hz", "custom word.wav"):
        other = calibration(measured_with=name)
        with pytest.raises(LevelError, match=f"was measured with {name}, whose level has the response of the earphone in it"):
            basis_of(equalised(click(RATE_HZ), other, "left"), other, "left")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "measured.toml"
    save_calibration(path, replace(load_calibration(VIRTUAL_EARPHONE), response=calibration().response))
    return path


def plan_of(file: Path, **sound: Any) -> Any:
    return make_plan({"sound": {"calibration": str(file), "equalise": True} | sound})


def test_a_run_says_what_is_undone_and_stays_below_the_ceiling(file: Path, tmp_path: Path) -> None:
    plan = plan_of(file, level_db_ppe_spl=80)
    made = make_stimulus(plan.sound, TODAY)
    assert made.record["stimulus"] == "click equalised"
    assert made.record["equalised"]["band_hz"] == [250.0, 8000.0]
    assert made.record["level_db_ppe"] == 80.0
    assert "for an earphone of minimum phase" in made.record["level_rests_on"]
    told = {one.about: one for one in sound_group(plan, tmp_path, TODAY).findings}
    assert "undone from 250 to 8000 Hz" in told["equalised"].said
    assert told["sound"].said.startswith("click equalised, right ear, 80 dB p-p.e. SPL")
    assert summary_of(1, {"stimulus": made.record}) is None
    # the loudest that is let out: the ceiling takes the earphone at its best for all of the sound, so what arrives is below
    loudest = max(db for db in np.arange(60.0, 130.0, 0.5).tolist() if allowed(file, db))
    frames = make_stimulus(plan_of(file, level_db_ppe_spl=loudest).sound, TODAY).frames
    limit_db = Ceiling("insert", "adult", load_calibration(file)).limit_db_ppe(frames.waveform, frames.schedule.rate_per_s)
    out = lfilter(B, A, np.concatenate([frames.gain * frames.waveform.samples, np.zeros(4096)]))
    arrives_db = 130.0 + 20.0 * math.log10(np.ptp(between_samples(out)))
    print(f"loudest {loudest:g} dB p-p.e. SPL, arrives with {arrives_db:.1f}; ceiling {limit_db:.1f}")
    assert arrives_db <= limit_db


def test_an_earphone_that_is_loud_in_places_gains_level(file: Path, tmp_path: Path) -> None:
    louder = [(float(hz), 2.0, 2.0) for hz in THIRDS_HZ]
    save_calibration(file, replace(load_calibration(file), response=tuple(louder)))
    told = sound_group(plan_of(file, level_db_ppe_spl=60), tmp_path, TODAY).findings
    assert next(one.said for one in told if one.about == "equalised").endswith("can be reached is 2.0 dB higher")


def test_a_run_is_replayed_and_compared_with_no_other_sound(file: Path, tmp_path: Path) -> None:
    patient = load_patient("hearing-adult")
    patient = replace(patient, background=replace(patient.background, in_band_rms_uv=0.7))
    records = []
    for number, equalise in enumerate((True, False), 1):
        plan = make_plan(
            {
                "stream": {"name": NAME, "eeg": ["1"], "trigger": "trigger"},
                "sound": {"calibration": str(file), "equalise": equalise, "level_db_ppe_spl": 95, "lead_in_s": 0.5},
                "analysis": {"acoustic_delay_ms": 0.9},
                "decision": {"floor_nv": 60, "max_sweeps": 640},
            }
        )
        records.append(carry_through(plan, patient, tmp_path / "runs", number))
    assert [record["verdict"] for record in records] == ["response_present"] * 2
    assert [record["stimulus"]["stimulus"] for record in records] == ["click equalised", "click"]
    assert [published_kind(record["stimulus"]) for record in records] == [None, "click"]
    assert replay(RunFolder.open(Path(records[0]["folder"]))).identical
    done = call("waves", *(record["folder"] for record in records))
    assert done.status != 0
    assert "these runs are of different ears or stimuli" in done.err
    done = call("report", str(tmp_path / "runs"), "--out", str(tmp_path / "report"))
    assert done.status == 0, done.err
    text = next((tmp_path / "report").glob("*.json")).read_text(encoding="utf-8")
    assert "undone from 250 to 8000 Hz by a filter of minimum phase, by its response to tones (run 1)" in text


def written(file: Path, level_db: float) -> Path:
    plan = file.with_name("plan.toml")
    plan.write_text(f'[sound]\ncalibration = "{file}"\nequalise = true\nlevel_db_ppe_spl = {level_db}\n', encoding="utf-8")
    return plan


def allowed(file: Path, level_db: float) -> bool:
    try:
        make_stimulus(plan_of(file, level_db_ppe_spl=level_db).sound, TODAY)
    except PlanError:
        return False
    return True


@pytest.mark.parametrize(
    ("sound", "said"),
    [
        (
            {"level_db_nhl": 60},
            "sounds with the response of their earphone; give level_db_ppe_spl or level_db_fs in a run of one level, or leave",
        ),
        ({"level_db_fs": -40, "calibration": None}, "equalise = true needs a calibration with the response of the earphone"),
        ({"level_db_fs": -40, "ear": "both"}, "each earphone needs a filter of its own"),
        ({"level_db_fs": -40, "route": "bone", "transducer": "bone-vibrator"}, "only the response of an earphone can be undone"),
    ],
)
def test_plans_that_cannot_be_equalised_are_refused(file: Path, sound: dict[str, Any], said: str) -> None:
    kept = {key: value for key, value in ({"calibration": str(file)} | sound).items() if value is not None}
    with pytest.raises(PlanError, match=said):
        make_plan({"sound": {"equalise": True} | kept})
