"""Runs on the virtual patient without a network: real runs, and the same every time."""

from __future__ import annotations

import json
from pathlib import Path

from quietfloor.bench.patient.offline import carry_through, plan_for
from quietfloor.bench.patient.profiles import load_patient
from quietfloor.monitor.display.ladder import read_ladder
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.storage.run_folder import RunFolder


def test_the_same_seed_gives_the_same_run_which_replays_and_stands_on_a_ladder(tmp_path: Path) -> None:
    plan, patient = plan_for(60.0, 2, floor_nv=60.0, max_sweeps=320), load_patient("hearing-adult")
    first, second, other = (carry_through(plan, patient, tmp_path, seed) for seed in (1, 1, 2))
    folders = [RunFolder(Path(record["folder"])) for record in (first, second, other)]
    events = [folder.events.read_bytes() for folder in folders]
    assert events[0] == events[1] != events[2]
    assert first["fault"] is None
    assert first["sweeps_presented"] >= 256
    assert replay(folders[0]).identical
    assert json.loads(folders[0].run.read_text(encoding="utf-8"))["stimulus"]["level_db_nhl"] == 60.0
    (rung,) = read_ladder(tmp_path, plan.sound, None, running=False).rungs
    assert [one.folder.name for one in rung.replicates] == ["run-003", "run-002", "run-001"]
