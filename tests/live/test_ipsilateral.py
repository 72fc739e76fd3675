"""Noise in the tested ear in whole runs over the rig: what is kept of it, and what the patient answers."""

from __future__ import annotations

import json
import uuid
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.commands.demo import TUBE_DELAY_MS, rig, virtual_calibration
from quietfloor.monitor.display.ladder import read_ladder
from quietfloor.monitor.plan.run_plan import load_run_plan
from quietfloor.monitor.session.conditions import summary_of
from tests.live.harness import call

NOTCHED = 'ipsilateral_noise = "notched"\nipsilateral_noise_notch_hz = [1414, 2828]\nipsilateral_noise_level_db_spl = 75'
BROADBAND = 'ipsilateral_noise = "broadband"\nipsilateral_noise_level_db_spl = 75'
PATIENT = """
name = "quiet"
left = { threshold_db_nhl = 0 }
right = { threshold_db_nhl = 0 }
background = { in_band_rms_uv = 0.3 }
"""


@pytest.mark.lsl
@pytest.mark.few
@pytest.mark.long
def test_a_click_in_noise(tmp_path: Path) -> None:
    """Wave V is smaller in broadband noise than in notched noise, and there smaller than in quiet; replays are identical."""
    tag = uuid.uuid4().hex[:8]
    (tmp_path / "patient.toml").write_text(PATIENT, encoding="utf-8")
    session, records, sizes = tmp_path / "session", list[dict[str, Any]](), list[float]()
    for number, noise in enumerate(("", NOTCHED, BROADBAND), 1):
        plan = tmp_path / "plan.toml"
        plan.write_text(
            f'[stream]\nsource_id = "eeg-{tag}"\neeg = ["1"]\ntrigger = "trigger"\n'
            f'[sound]\nlevel_db_nhl = 60\ncalibration = "{virtual_calibration()}"\nspeed = 8\n'
            f'device_source_id = "audio-{tag}"\n'
            f"{noise}\n[analysis]\nacoustic_delay_ms = {TUBE_DELAY_MS}\nwindow_ms = [5, 17]\n"
            "[decision]\nmax_sweeps = 384\nfloor_nv = 10\nalpha = 1e-6\n",
            encoding="utf-8",
        )
        # a patient of its own: one that is still late with the noise of the run before would owe this run its silence
        with rig(str(tmp_path / "patient.toml"), f"audio-{tag}", f"eeg-{tag}", 5):
            done = call("run", str(plan), "--out", str(session), "--json", "--no-window", timeout_s=120)
        assert done.status == 0, done.err
        folder = session / f"run-{number:03d}"
        records.append(json.loads((folder / "run.json").read_text(encoding="utf-8")))
        rows = np.genfromtxt(folder / "average.csv", delimiter=",", names=True)
        inside = (rows["time_ms"] >= 4.5) & (rows["time_ms"] <= 12)
        sizes.append(np.ptp(rows["average_uv"][inside]))
        assert call("replay", str(folder), "--json").json["identical"]
        if noise == NOTCHED:
            assert "in the same ear" in done.err
    quiet, notched, _ = records
    assert all(record["fault"] is None and record["stimulus"]["limited_samples"] == 0 for record in records)
    assert sizes[2] < sizes[1] < sizes[0]
    assert "ipsilateral_noise" not in quiet["stimulus"]
    kept = notched["stimulus"]["ipsilateral_noise"]
    assert (kept["noise"], kept["level_db_spl"], kept["bands_hz"]) == ("notched", 75.0, [100.0, 1414.0, 2828.0, 10000.0])
    assert kept["density_db"] == pytest.approx(75.0 - 10 * np.log10(9900), abs=0.01)
    assert kept["re_stimulus_db"] == pytest.approx(75.0 - notched["stimulus"]["level_db_ppe"])
    doses = [record["stimulus"]["dose"]["right_pa2s"] / record["sweeps_presented"] for record in records]
    assert doses[0] < doses[1] < doses[2]
    assert [summary_of(number, record) is None for number, record in enumerate(records, 1)] == [False, True, True]
    ladder = read_ladder(session, load_run_plan(session / "run-001/plan.toml").sound, None, False)
    assert [replicate.masking for replicate in ladder.rungs[0].replicates] == [
        "broadband noise, 75 dB SPL, in the same ear",
        "notched noise, none from 1414 to 2828 Hz, 75 dB SPL before the cut, in the same ear", "",
    ]  # fmt: skip
    assert call("report", str(session)).status == 0
    page = (session / "report.html").read_text(encoding="utf-8")
    assert "noise with the stimulus: notched noise, none from 1414 to 2828 Hz, 75 dB SPL before the cut, in the same ear" in page
    assert "60 dB nHL, in broadband noise, 75 dB SPL, in the same ear" in page
    told = call("waves", str(session / "run-002"))
    assert told.status == 0, told.err
