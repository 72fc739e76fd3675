"""The calibration file: sealed, bound to one output, and damage found."""

import contextlib
import math
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from quietfloor.stimuli.calibration import COUPLERS, TRANSDUCERS, Calibration, CalibrationError, Loop, Measured
from quietfloor.stimuli.calibration_file import load_calibration, read_unsealed, save_calibration, seal_of

CALIBRATION = Calibration(
    "bench-1", "box", "hw", 48_000.0, "insert", "occluded-ear-simulator", 125.0, 128.0, date(2026, 1, 31), 365, "me"
)
FULL = replace(
    CALIBRATION,
    condensation_sign=-1,
    measured_with="tone 1000 Hz",
    measured=(Measured("click", None, "ppe", 121.25, 124.5), Measured("tone-burst", 500.0, "zeq", math.nan, 110.0)),
    response=((250.0, -3.0, -2.5), (1000.0, 0.0, 0.0)),
    loop=Loop("EEG: loop", 1000.0, -40.0, -12.5, math.nan),
    channels=(3, 7),
)
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
    path.write_text(CALIBRATION_FILE + f'seal = "{seal_of(CALIBRATION)}"')
    assert load_calibration(path) == CALIBRATION


@pytest.mark.parametrize("calibration", [CALIBRATION, FULL, replace(FULL, left_db_ppe=math.nan)])
def test_what_is_saved_is_what_is_loaded(tmp_path, calibration):
    save_calibration(tmp_path / "new" / "c.toml", calibration)
    # nan is not equal to itself; the text of all fields is
    assert repr(load_calibration(tmp_path / "new" / "c.toml")) == repr(calibration)
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["c.toml"]


def test_a_bone_vibrator_is_saved_as_a_force(tmp_path):
    vibrator = replace(CALIBRATION, transducer="bone-vibrator", coupler="artificial-mastoid")
    save_calibration(tmp_path / "c.toml", vibrator)
    text = (tmp_path / "c.toml").read_text()
    assert "full_scale_db_ppe_force" in text
    assert load_calibration(tmp_path / "c.toml") == vibrator
    (tmp_path / "c.toml").write_text(text.replace("bone-vibrator", "insert"))
    with pytest.raises(CalibrationError, match="full_scale_db_ppe_force does not fit"):
        load_calibration(tmp_path / "c.toml")


ON_CARD = replace(CALIBRATION, channels=(3, 4))
USE = ("box", "hw", 48_000.0, date(2026, 2, 1))


def test_it_holds_for_its_own_outputs_of_a_card_only(tmp_path):
    save_calibration(tmp_path / "c.toml", ON_CARD)
    assert "channels = [3, 4]" in (tmp_path / "c.toml").read_text()
    known = load_calibration(tmp_path / "c.toml")
    known.check(*USE, (3, 4, 1))
    with pytest.raises(CalibrationError, match="left earphone is on output 3, in use is 1; its right earphone is on output 4"):
        known.check(*USE, (1, 2, 5))
    one_ear = replace(known, left_db_ppe=math.nan)
    one_ear.check(*USE, (1, 4, 3))  # what was not measured has no earphone that is known of


@pytest.mark.parametrize("channels", [(2, 1, 3), (5, 4, 3), (1, 2, 4)])
def test_a_trigger_on_the_output_of_an_earphone_is_refused(channels):
    if channels[2] in (3, 4):
        with pytest.raises(CalibrationError, match=rf"trigger would leave by output {channels[2]}, where .* earphone"):
            ON_CARD.check(*USE, channels)
    else:
        with pytest.raises(CalibrationError, match="does not fit"):
            ON_CARD.check(*USE, channels)


def test_an_older_one_keeps_its_seal_and_says_how_to_renew_it(tmp_path):
    assert seal_of(CALIBRATION) == "c27cc99a35492a81"  # as written before calibrations knew their outputs
    CALIBRATION.check(*USE)  # audio over LSL has no outputs
    with pytest.raises(CalibrationError, match=r"say which outputs .* `channels = \[1, 2\]`, then `quietfloor calibrate"):
        CALIBRATION.check(*USE, (1, 2, 3))


@pytest.mark.parametrize("channels", [(1, 1), (0, 2), (1,), (1, 2, 3), (1.0, 2.0), (True, 2)])
def test_outputs_that_cannot_be_are_refused(channels):
    with pytest.raises(CalibrationError, match="channels = "):
        replace(CALIBRATION, channels=channels)


def test_without_a_seal_it_is_refused(tmp_path):
    path = tmp_path / "c.toml"
    path.write_text(CALIBRATION_FILE)
    with pytest.raises(CalibrationError, match=r"carries no seal.*calibrate --seal"):
        load_calibration(path)
    assert read_unsealed(path) == (CALIBRATION, None)


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.integers(0, 2000), digit=st.sampled_from("0123456789-. aeinf"))
def test_one_changed_character_is_found(tmp_path, at, digit):
    """Any single character of a sealed file replaced by any other: refused, or the numbers are still the same."""
    path = tmp_path / "c.toml"
    save_calibration(path, FULL)
    text = path.read_text()
    at %= len(text)
    assume(text[at] != digit)
    path.write_text(text[:at] + digit + text[at + 1 :])
    with contextlib.suppress(CalibrationError):
        assert repr(load_calibration(path)) == repr(FULL)


def test_the_seal_does_not_depend_on_how_a_number_is_written():
    assert seal_of(replace(CALIBRATION, rate_hz=48_000)) == seal_of(CALIBRATION)
    assert seal_of(replace(CALIBRATION, left_db_ppe=125.01)) != seal_of(CALIBRATION)


def test_a_file_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(CalibrationError, match="cannot be written"):
        save_calibration(tmp_path / "file" / "c.toml", CALIBRATION)


def test_each_transducer_has_its_couplers():
    for transducer in TRANSDUCERS:
        for coupler in {coupler for fitting in COUPLERS.values() for coupler in fitting}:
            if coupler in COUPLERS[transducer]:
                replace(CALIBRATION, transducer=transducer, coupler=coupler)
            else:
                with pytest.raises(CalibrationError, match="coupler"):
                    replace(CALIBRATION, transducer=transducer, coupler=coupler)


anything = st.one_of(st.floats(), st.integers(-(10**6), 10**6))


@settings(max_examples=200)
@given(left=anything, right=anything, measured=anything, response=anything, hz=anything)
def test_whatever_the_numbers_are_what_passes_is_plausible(left, right, measured, response, hz):
    try:
        made = replace(
            CALIBRATION,
            left_db_ppe=left,
            right_db_ppe=right,
            measured=(Measured("click", None, "ppe", measured, measured),),
            response=((hz, response, response),),
        )
    except CalibrationError:
        return
    known = [db for db in (made.left_db_ppe, made.right_db_ppe) if not math.isnan(db)]
    assert known
    assert all(90 <= db <= 150 for db in known)
    for ear, db in zip(("left", "right"), (left, right), strict=True):
        if not math.isnan(db):
            assert abs(made.measured_db("click", None, ear)[0] - db) <= 40
            assert abs(made.full_scale_db_ppe(ear, 1000.0) - db) <= 40


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('id = "bench-1"\n', "", "id is missing"),
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
        ("full_scale_db_ppe_spl = { left = 125, right = 128.0 }", "full_scale_db_ppe_spl = {}", "full_scale_db_ppe_spl"),
        ('issued_by = "me"', 'issued_by = ""', "issued_by"),
        ('issued_by = "me"', 'issued_by = "me"\nresponse_db = [[1000, inf]]', "response_db"),
        ('issued_by = "me"', 'issued_by = "me"\nresponse_db = [[1000, 0], [500, 0]]', "rising"),
        ('issued_by = "me"', 'issued_by = "me"\nresponse_db = [[1000, 90]]', "within 40 dB"),
        ('issued_by = "me"', 'issued_by = "me"\n[[measured]]\nstimulus = "click"\nleft = 60', "measured"),
        ('issued_by = "me"', 'issued_by = "me"\n[[measured]]\nstimulus = "click"', "measured"),
        ('issued_by = "me"', 'issued_by = "me"\n[[measured]]\nstimulus = "click"\nleft = 120\nscale = "rms"', "ppe, zeq"),
        ('issued_by = "me"', 'issued_by = "me"\nmeasured = [3]', "measured"),
        ('issued_by = "me"', 'issued_by = "me"\n[loop]\ninput = "x"', "loop.frequency_hz is missing"),
        ("issued_by", 'seal = "0123456789abcdef"\nissued_by', "was changed since it was sealed"),
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
