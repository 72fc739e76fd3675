"""Patient files: the shipped ones are right, wrong ones are named."""

import math
from pathlib import Path

import numpy as np
import pytest

from quietfloor.bench.patient.profiles import PatientError, load_patient, parse_patient, shipped_patients

GOOD = """
name = "A"
left = {threshold_db_nhl = 0}
right = {threshold_db_nhl = 10, loss = "conductive"}
[background]
in_band_rms_uv = 1
"""


def test_every_shipped_patient_loads() -> None:
    patients = {name: load_patient(name) for name in shipped_patients()}
    assert {"hearing-adult", "deaf-at-60", "left-ear-loss", "noisy-adult", "quiet-sleeper"} <= set(patients)
    assert min(patients["deaf-at-60"].left.threshold_db_nhl, patients["deaf-at-60"].right.threshold_db_nhl) > 60
    assert patients["left-ear-loss"].left.threshold_db_nhl > patients["left-ear-loss"].right.threshold_db_nhl
    assert math.isinf(patients["quiet-deaf"].right.threshold_db_nhl)
    assert patients["newborn"].age_months == 0
    sloping = patients["sloping-loss"]
    np.testing.assert_allclose(sloping.left.air_db([1000, 4000]), [20, 65])
    np.testing.assert_allclose(sloping.right.conductive_db([1000, 4000]), 25)
    assert all(patient.description for patient in patients.values())


def test_own_file_by_path(tmp_path: Path) -> None:
    (tmp_path / "me.toml").write_text(GOOD)
    patient = load_patient(tmp_path / "me.toml")
    assert (patient.name, patient.ear("right").loss, patient.ear("left").loss) == ("A", "conductive", "sensory")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (GOOD.replace("threshold_db_nhl = 0}", "threshold_db_nhl = -90}"), r"left.*threshold_db_nhl = -90\.0 is not modelled"),
        (GOOD.replace("threshold_db_nhl = 0}", "treshold = 0}"), "treshold"),
        (GOOD.replace("in_band_rms_uv = 1", 'in_band_rms_uv = "loud"'), r"background\.in_band_rms_uv"),
        (GOOD.replace("in_band_rms_uv = 1", "in_band_rms_uv = -1"), r"background.*in_band_rms_uv = -1\.0 is outside 0\.\.1000"),
        (GOOD.replace("conductive", "odd"), r"right\.loss"),
        (GOOD.replace('name = "A"\n', ""), "name is missing"),
        (GOOD.replace("left = {threshold_db_nhl = 0}", "left = {air_db_nhl = {fast = 3}}"), r"left\.air_db_nhl"),
        (GOOD.replace("left = {threshold_db_nhl = 0}", "left = {air_db_nhl = {500 = -30}}"), r"left.*air_db_nhl at 500 Hz = -30"),
        (GOOD.replace("left = {threshold_db_nhl = 0}", "left = {}"), r"left.*one threshold"),
        ("age_months = -1\n" + GOOD, r"age_months = -1\.0 is outside 0\.\.1200"),
        ("name = ", "not TOML"),
    ],
)
def test_error_names_the_field(text: str, message: str) -> None:
    with pytest.raises(PatientError, match=message):
        parse_patient(text)


def test_unknown_name_lists_the_known() -> None:
    with pytest.raises(PatientError, match="hearing-adult"):
        load_patient("nobody")
