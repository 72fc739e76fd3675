"""An ear without hearing beside a good one, over the rig: what it answers is the other ear's, and noise as advised shows it."""

from __future__ import annotations

import uuid
from pathlib import Path

import pytest

from quietfloor.monitor.commands.common import DONE
from quietfloor.monitor.commands.demo import rig, virtual_calibration
from quietfloor.monitor.session.conditions import ABSENT, OWN, PRESENT, UNKNOWN
from tests.live.harness import call

pytestmark = [pytest.mark.lsl, pytest.mark.long, pytest.mark.timeout(240)]
PATIENT = """
name = "one deaf ear"
left = { threshold_db_nhl = inf }
right = { threshold_db_nhl = 0 }
crossing_air_db = 60
background = { in_band_rms_uv = 0.3 }
"""
PLAN = f"""
method = "ladder"

[subject]
pseudonym = "one deaf ear"
age_group = "adult"

[[condition]]
ear = "left"
stimulus = "octave-chirp"
frequency_hz = 2000
start_db_nhl = 90

[replicates]
present = 1
absent = 1

[limits]
highest_db_nhl = 90

[masking]
auto = true

[run.stream]
source_id = "EEG"
eeg = ["1"]
trigger = "trigger"

[run.sound]
calibration = "{virtual_calibration()}"
device_source_id = "AUDIO"
rate_per_s = 39.1
speed = 10

[run.analysis]
acoustic_delay_ms = 0.9
band_hz = [30, 1500]

[run.decision]
floor_nv = 15
max_sweeps = 4096
"""


def test_the_noise_that_is_advised_tells_the_ears_apart(tmp_path: Path) -> None:
    patient, plan, session = tmp_path / "patient.toml", tmp_path / "plan.toml", str(tmp_path / "s")
    patient.write_text(PATIENT, encoding="utf-8")
    tag = uuid.uuid4().hex[:8]
    plan.write_text(PLAN.replace("AUDIO", f"audio-{tag}").replace("EEG", f"eeg-{tag}"), encoding="utf-8")
    with rig(str(patient), f"audio-{tag}", f"eeg-{tag}", 3):
        plain = call("session", str(plan), "--out", session, "--yes", "--no-window", "--json", timeout_s=100)
        assert plain.status == DONE, plain.err
        masked = call("session", session, "--repeat", "1", "--masking", "--yes", "--no-window", "--json", timeout_s=100)
        assert masked.status == DONE, masked.err
    assert [(run["verdict"], run["whose"]) for run in plain.json["runs"]] == [(PRESENT, UNKNOWN)]
    assert plain.json["thresholds"][0]["words"].endswith("not known to be this ear's")
    assert "Octave-band noise of 50 dB EM in the right ear" in masked.err
    assert [(run["verdict"], run["whose"]) for run in masked.json["runs"]] == [(PRESENT, UNKNOWN), (ABSENT, OWN)]
    (threshold,) = masked.json["thresholds"]
    assert (threshold["finding"], threshold["level_db_nhl"], threshold["whose"]) == ("no response", 90.0, OWN)
