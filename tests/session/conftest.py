"""A session plan on the virtual earphone, and finished runs as a session finds them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.session.conditions import ABSENT, PRESENT, UNDECIDED
from quietfloor.monitor.storage.run_folder import RunFolder

ROOT = Path(__file__).parents[2]
PLAN = f"""
title = "Thresholds"
method = "ladder"

[subject]
pseudonym = "S07"
age_group = "adult"

[[condition]]
ear = "right"
stimulus = "click"

[[condition]]
ear = "left"
stimulus = "tone-burst"
frequency_hz = 2000
start_db_nhl = 50
sound = {{ rate_per_s = 37.1 }}

[limits]
highest_db_nhl = 80

[run.stream]
source_id = "session-eeg"
eeg = ["1"]
trigger = "trigger"

[run.sound]
calibration = "{ROOT / 'bench' / 'virtual-earphone.toml'}"
device_source_id = "session-audio"
"""
LETTERS = {"+": (PRESENT, "response"), "-": (ABSENT, "noise_floor"), "?": (UNDECIDED, "sweep_limit")}


@pytest.fixture
def plan_text() -> str:
    return PLAN


def write_run(
    session: Path, word: str, *, seconds: float = 60.0, rate_hz: float = 16000.0, alpha: float = 0.01, nv: float = 14.0,
    sweeps: int = 640, presented: int | None = None, **stimulus: Any,
) -> int:
    """``40+``, ``30-``, ``30?``: one finished run, with the parts of its record that a session reads; its number."""
    verdict, stopped_by = LETTERS[word[-1]]
    played = {
        "stimulus": "click", "kind": "click", "frequency_hz": None, "ear": "right", "route": "air", "muted": False,
        "level_db_nhl": float(word[:-1]), "level_db_fs": None, "masking": None, "transducer": "insert", "age_group": "adult",
    }  # fmt: skip
    record = {
        "started": "2026-01-15T10:00:00+00:00", "verdict": verdict, "stopped_by": stopped_by, "residual_noise_nv": nv,
        "upper_limit_nv": 40.0, "evidence": 1.0, "alpha": alpha, "rule": {"name": "evidence"}, "sweeps_accepted": sweeps,
        "sweeps_presented": presented or sweeps, "stream": {"rate_hz": rate_hz}, "stimulus": played | stimulus,
    }  # fmt: skip
    folder = RunFolder.create(session)
    folder.append_event({"type": "verdict", "sample": int(seconds * rate_hz)})
    folder.append_event({"type": "note", "text": "after it"})
    folder.close()
    folder.write_json("run.json", record)
    return int(folder.path.name.removeprefix("run-"))


@pytest.fixture
def add_run() -> Callable[..., int]:
    return write_run
