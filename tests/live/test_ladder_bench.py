"""Ladders of the bulk bench beside those that a session climbs itself: sound, streams and clocks of the rig between.

Noise differs, so single runs near threshold may: what is found may not, by more than a step.
"""

from __future__ import annotations

import math
import uuid
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from quietfloor.bench.patient.background import Background
from quietfloor.bench.patient.hearing import Ear
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.bench.simulate.ears import VirtualEar
from quietfloor.bench.simulate.simulated_staircases import Sessions, own_alone, visible_db_nhl
from quietfloor.bench.simulate.staircase_runner import climb
from quietfloor.monitor.commands.common import DONE
from quietfloor.monitor.commands.demo import rig, virtual_calibration
from quietfloor.monitor.session.conditions import ABSENT, PRESENT, Condition
from tests.live.harness import call

pytestmark = [pytest.mark.lsl, pytest.mark.long, pytest.mark.timeout(300)]
HIDDEN_DB = {"left": 35.0, "right": 18.0}
BULK = Sessions(rules=("evidence",), minutes=60.0)
PATIENT = """
name = "two ears"
left = { threshold_db_nhl = 35 }
right = { threshold_db_nhl = 18 }
background = { in_band_rms_uv = 0.3 }
"""
PLAN = """
method = "ladder"

[subject]
pseudonym = "two ears"
age_group = "adult"

[[condition]]
ear = "left"
stimulus = "octave-chirp"
frequency_hz = 2000

[[condition]]
ear = "right"
stimulus = "octave-chirp"
frequency_hz = 2000

[limits]
highest_db_nhl = 90

[run.stream]
source_id = "EEG"
eeg = ["1"]
trigger = "trigger"

[run.sound]
calibration = "CALIBRATION"
device_source_id = "AUDIO"
rate_per_s = 39.1
speed = 40
lead_in_s = 1.0

[run.analysis]
acoustic_delay_ms = 0.9
band_hz = [30, 1500]

[run.decision]
alpha = 0.01
floor_nv = 15
max_sweeps = 16384
"""


def test_a_session_over_the_rig_finds_what_the_bulk_bench_finds(tmp_path: Path) -> None:
    patient_path, plan_path = tmp_path / "patient.toml", tmp_path / "plan.toml"
    patient_path.write_text(PATIENT, encoding="utf-8")
    tag = uuid.uuid4().hex[:8]
    text = PLAN.replace("CALIBRATION", str(virtual_calibration())).replace("AUDIO", f"audio-{tag}")
    plan_path.write_text(text.replace("EEG", f"eeg-{tag}"), encoding="utf-8")
    patient = load_patient(patient_path)
    assert patient.background == Background(0.3)
    ears = [
        VirtualEar(number, "flat", patient, Condition(side, "air", "octave-chirp", 2000.0), HIDDEN_DB[side])
        for number, side in enumerate(("left", "right"))
    ]
    assert [one.patient.ear(one.side) for one in ears] == [Ear(35.0), Ear(18.0)]
    with ThreadPoolExecutor(1) as workers:
        bulk = [ladder.course for ladder in climb(ears, BULK, workers)]
    with rig(str(patient_path), f"audio-{tag}", f"eeg-{tag}", 3):
        outcome = call("run", str(plan_path), "--auto", "--out", str(tmp_path / "s"), "--no-window", "--json", timeout_s=280)
    assert outcome.status == DONE, outcome.err
    live = outcome.json
    assert [each["finding"] for each in live["thresholds"]] == ["threshold", "threshold"]
    for one, course, found in zip(ears, bulk, live["thresholds"], strict=True):
        assert course.threshold.finding == "threshold"
        assert abs(found["level_db_nhl"] - course.threshold.level_db_nhl) <= 5.0
        where = (own_alone(one), one.side, one.route, one.frequency_hz, one.age_group, BULK, one.true_db_nhl)
        visible_db = visible_db_nhl(*where)
        assert not math.isnan(visible_db)
        runs = [run for run in live["runs"] if run["condition"]["ear"] == one.side]
        assert len(runs) >= 4
        assert {run["verdict"] for run in runs if run["level_db_nhl"] >= visible_db + 5.0} == {PRESENT}
        assert {run["verdict"] for run in runs if run["level_db_nhl"] <= one.true_db_nhl} <= {ABSENT}
        assert 0.0 <= found["level_db_nhl"] - one.true_db_nhl <= 15.0
