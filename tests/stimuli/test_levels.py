import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stimuli import levels
from stimuli.calibration import Calibration, CalibrationError, LevelError, load_calibration
from stimuli.levels import db_ppe_spl, gain, gain_db_fs, level_db_nhl, load_references, peak_to_peak_pa
from stimuli.waveforms import Waveform, click

CALIBRATION = Calibration(
    id="bench-1",
    device="box",
    host_interface="hw",
    rate_hz=48_000.0,
    transducer="insert",
    coupler="occluded-ear-simulator",
    left_db_ppe_spl=125.0,
    right_db_ppe_spl=128.0,
    issued=date(2026, 1, 31),
    valid_days=365,
    issued_by="me",
)
CLICK = click(48_000)


def test_one_pascal_peak_to_peak_is_84_95_db():
    # 20 lg(1 / (2 sqrt 2) / 20 uPa), the definition of the peak-to-peak equivalent level
    assert db_ppe_spl(1.0) == pytest.approx(84.95, abs=0.005)


def test_ppe_level_is_the_rms_level_of_a_sine_with_equal_peak_to_peak():
    t = np.arange(48_000) / 48_000
    sine_pa = 0.37 * np.sin(2 * np.pi * 1000 * t + np.pi / 4)
    rms_db_spl = 20 * np.log10(np.sqrt(np.mean(sine_pa**2)) / 20e-6)
    assert db_ppe_spl(2 * 0.37) == pytest.approx(rms_db_spl, abs=1e-9)


@given(st.floats(-20, 150))
def test_ppe_inverse(level):
    assert db_ppe_spl(peak_to_peak_pa(level)) == pytest.approx(level, abs=1e-9)


@given(level=st.floats(-20, 85), ear=st.sampled_from(["left", "right"]))
def test_gain_gives_the_pressure_of_the_level(level, ear):
    factor = gain(level, CLICK, ear, CALIBRATION)
    pascal_per_unit = peak_to_peak_pa(CALIBRATION.full_scale_db_ppe_spl(ear))
    pressure = factor * CLICK.samples * pascal_per_unit
    zero_db_nhl = 35.5  # ISO 389-6:2007, from memory
    assert db_ppe_spl(pressure.max() - min(pressure.min(), 0)) == pytest.approx(level + zero_db_nhl, abs=1e-9)
    assert level_db_nhl(factor, CLICK, ear, CALIBRATION) == pytest.approx(level, abs=1e-9)


def test_coupler_decides_the_reference():
    # On a 2 cc coupler the same click reads 9.0 dB less: BSA, October 2025, note 5.
    on_2cc = replace(CALIBRATION, coupler="2cc", left_db_ppe_spl=116.0, right_db_ppe_spl=119.0)
    assert gain(40, CLICK, "left", on_2cc) == pytest.approx(gain(40, CLICK, "left", CALIBRATION), rel=1e-12)


def test_full_scale_level_plus_full_scale_is_ppe_level():
    tone = Waveform("tone", np.sin(np.arange(480) * 2 * np.pi * 1000 / 48_000), 48_000)
    for wave in (CLICK, tone):
        assert gain_db_fs(-20, wave) * wave.peak_to_peak == pytest.approx(0.1)


@pytest.mark.parametrize("level", [math.nan, math.inf, -math.inf, 1e9, 121, -41])
def test_refuses_levels_that_nobody_means(level):
    with pytest.raises(LevelError, match="allowed"):
        gain(level, CLICK, "left", CALIBRATION)
    if not level < 0 or level < -140:
        with pytest.raises(LevelError, match="allowed"):
            gain_db_fs(level, CLICK)


def test_refuses_to_clip_and_names_the_highest_level():
    with pytest.raises(LevelError, match=r"reaches 89\.5 dB nHL"):
        gain(90, CLICK, "left", CALIBRATION)
    assert gain(89.5, CLICK, "left", CALIBRATION) <= 1.0


def test_refuses_unknown_ear_and_stimulus():
    with pytest.raises(LevelError, match="ear = 'both'"):
        gain(40, CLICK, "both", CALIBRATION)
    with pytest.raises(LevelError, match=r"song / insert.*known are"):
        gain(40, Waveform("song", CLICK.samples, 48_000), "left", CALIBRATION)
    with pytest.raises(LevelError, match="supra-aural"):
        gain(40, CLICK, "left", replace(CALIBRATION, transducer="supra-aural"))


def test_silence_is_minus_infinity():
    assert level_db_nhl(0.0, CLICK, "left", CALIBRATION) == -math.inf


def test_shipped_references_carry_source_and_status():
    for key, row in load_references().items():
        assert key == (row.stimulus, row.transducer, row.coupler)
        assert row.source
        assert row.status in ("verified", "secondary", "from memory")


ROW = """[[reference]]
stimulus = "click"
transducer = "insert"
coupler = "occluded-ear-simulator"
level_db_ppe_spl = {level}
source = "{source}"
status = "{status}"
"""


def test_own_references_replace_the_shipped_rows(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text(ROW.format(level=33, source="the standard on my desk", status="verified"))
    references = load_references(own)
    assert gain(50, CLICK, "left", CALIBRATION, references) == pytest.approx(gain(47.5, CLICK, "left", CALIBRATION))
    assert ("click", "insert", "2cc") in references


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (ROW.format(level=33, source=" ", status="verified"), "source"),
        (ROW.format(level=33, source="x", status="sure"), "status = 'sure'"),
        (ROW.format(level=500, source="x", status="verified"), "500"),
        (ROW.format(level="nan", source="x", status="verified"), "nan"),
        ("[[reference]]\nstimulus = 'click'\n", "own.toml"),
        ("nonsense", "own.toml"),
        ("", "own.toml"),
    ],
)
def test_bad_own_references(tmp_path, text, message):
    own = tmp_path / "own.toml"
    own.write_text(text)
    with pytest.raises(LevelError, match=message):
        load_references(own)


CALIBRATION_FILE = """id = "bench-1"
device = "box"
host_interface = "hw"
rate_hz = 48000
transducer = "insert"
coupler = "occluded-ear-simulator"
full_scale_db_ppe_spl = { left = 125, right = 128.0 }
issued = 2026-01-31
valid_days = 365
issued_by = "me"
"""


def test_calibration_file(tmp_path):
    path = tmp_path / "c.toml"
    path.write_text(CALIBRATION_FILE)
    assert load_calibration(path) == CALIBRATION


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('id = "bench-1"\n', "", "id is missing"),
        (", right = 128.0", "", "right is missing"),
        ("valid_days = 365", 'valid_days = "long"', "valid_days = 'long'"),
        ("issued = 2026-01-31", "issued = 2026-01-31T10:00:00", "issued"),
        ("right = 128.0", "right = 128.0, middle = 1.0", "middle"),
        ("left = 125", "left = nan", "full_scale_db_ppe_spl"),
        ("left = 125", "left = 10", "90 to 150"),
        ("left = 125", "left = 100", "within 12 dB"),
        ("left = 125", 'left = "loud"', "loud"),
        ("issued = 2026-01-31", 'issued = "2026-01-31"', "without quotes"),
        ("valid_days = 365", "valid_days = 0", "valid_days = 0"),
        ('transducer = "insert"', 'transducer = "insrt"', "supra-aural"),
        ('coupler = "occluded-ear-simulator"', 'coupler = "cup"', "coupler = 'cup'"),
        ("rate_hz = 48000", "rate_hz = -1", "rate_hz"),
        ('issued_by = "me"', 'issued_by = "me"\ncolour = "red"', "colour"),
        ('issued_by = "me"', 'issued_by = "me"\ncondensation_sign = 0', "condensation_sign"),
        ("full_scale_db_ppe_spl = {", "full_scale_db_ppe_spl = {{", "cannot be read"),
    ],
)
def test_bad_calibration_file_names_the_field(tmp_path, old, new, message):
    path = tmp_path / "c.toml"
    path.write_text(CALIBRATION_FILE.replace(old, new))
    with pytest.raises(CalibrationError, match=message):
        load_calibration(path)


def test_missing_calibration_file(tmp_path):
    with pytest.raises(CalibrationError, match="cannot be read"):
        load_calibration(tmp_path / "none.toml")


def test_calibration_fits_one_output_for_its_time():
    CALIBRATION.check("box", "hw", 48_000.0, date(2027, 1, 31))
    with pytest.raises(CalibrationError, match=r"device.*other.*host_interface.*rate_hz"):
        CALIBRATION.check("other", "mixer", 44_100.0, date(2026, 2, 1))
    for day in (date(2027, 2, 1), date(2026, 1, 30)):
        with pytest.raises(CalibrationError, match="valid for 365 days"):
            CALIBRATION.check("box", "hw", 48_000.0, day)


def test_levels_and_calibration_share_one_error():
    assert issubclass(CalibrationError, levels.LevelError)
