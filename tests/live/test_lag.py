"""Equipment that lags: a run hears the run before, and is not judged on it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import uuid
from pathlib import Path
from typing import Any

import pytest

from quietfloor.bench.devtools.lag import is_wrong, sessions
from quietfloor.monitor.cli import main
from quietfloor.monitor.sources.lsl import LslSource, find_stream
from tests import warm
from tests.live.harness import ROOT, Program
from tests.slow import patience

PLAN = """
[stream]
source_id = "{stream}"
eeg = [1]
trigger = "trigger"

[sound]
level_db_fs = -30
device_source_id = "{audio}"
lead_in_s = 0.5
{sound}

[decision]
floor_nv = 5
max_sweeps = {sweeps}
"""


def of_run(folder: Path, plan: str) -> dict[str, Any]:
    path = folder / "plan.toml"
    path.write_text(plan)
    main(["run", str(path), "--no-window", "--out", str(folder)])  # in this process: the next one begins at once
    record = json.loads((max(folder.glob("run-*")) / "run.json").read_text(encoding="utf-8"))
    assert isinstance(record, dict)
    return record


@pytest.mark.lsl
@pytest.mark.long
@pytest.mark.few  # a run gives up after 10 s without a trigger, and 6 of them are the lag and the opening of the next run
@pytest.mark.skipif(sys.platform == "win32", reason="uses POSIX signals")
def test_a_muted_run_behind_a_loud_one_on_a_rig_that_lags_finds_nothing(tmp_path: Path) -> None:
    names = {"stream": f"eeg-{uuid.uuid4().hex[:8]}", "audio": f"audio-{uuid.uuid4().hex[:8]}"}
    rig = warm.Popen(
        [
            sys.executable, "-m", "quietfloor.bench.patient.rig", "--patient", "hearing-adult", "--audio-source-id",
            names["audio"], "--eeg-source-id", names["stream"], "--eeg-rate", "8000", "--noise-uv", "0.5", "--fault", "lag@6",
        ],
        cwd=ROOT, env=os.environ, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    assert rig.stdout is not None
    assert rig.stdin is not None
    try:
        assert json.loads(rig.stdout.readline())["fault"] == "lag@6"
        source = LslSource(find_stream(None, names["stream"], 10.0))
        while source.pull(1.0) is None:  # the first samples come late too
            pass
        source.close()
        loud = of_run(tmp_path, PLAN.format(**names, sound="", sweeps=1024))
        muted = of_run(tmp_path, PLAN.format(**names, sound="muted = true", sweeps=320))
    finally:
        rig.stdin.close()
        rig.wait(patience(10))
        rig.stdout.close()
    assert loud["verdict"] == "response_present", loud["reason"]
    assert loud["foreign_sweeps"] == 0
    assert muted["verdict"] == "inconclusive", muted["reason"]
    assert muted["stopped_by"] == "sweep_limit", muted["reason"]
    assert muted["foreign_sweeps"] > 20  # a busy machine takes its time between the runs
    assert loud["seed"] != muted["seed"]
    events = [json.loads(line) for line in (tmp_path / "run-002" / "events.jsonl").read_text().splitlines()]
    (said,) = (event for event in events if event["type"] == "foreign_sound")
    assert (said["sweeps"], said["refused"]) == (muted["foreign_sweeps"], False)
    again = Program("replay", str(tmp_path / "run-002"), "--json").wait(60)
    assert again.json["identical"] is True


@pytest.mark.long
def test_sessions_that_lag_have_no_wrong_verdict_unless_they_are_not_held_to_their_sound() -> None:
    held, free = (sessions(range(5, 9), held) for held in (True, False))
    assert held.wrong == 0
    assert held.dropped > 500
    assert free.wrong > 0


def test_what_is_wrong() -> None:
    said = [("response_present", 0.0), ("response_present", 1.0), ("response_absent", 1.0), ("inconclusive", 0.0)]
    assert [is_wrong(*one) for one in said] == [True, False, True, False]
