"""A small session: its runs are decided by the real engine on synthetic recordings, as if its sounds had been played."""

from __future__ import annotations

import datetime
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.run.opening import write_results
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.run_record import run_record
from quietfloor.monitor.run.sound_output import make_stimulus
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import load_session_plan
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.searched import searched
from tests.slow import patience
from tests.synthetic import stream

ROOT = Path(__file__).parents[2]
HOSTILE = "<script>alert('a')</script> & \"b\" $\\frac{x$ <img src=x onerror=y> \x07 漢"
PLAN = f"""
title = "Check <b>one</b>"
method = "ladder"

[subject]
pseudonym = "S07 <script>alert(1)</script>"
age_group = "adult"

[[condition]]
ear = "right"
stimulus = "tone-burst"
frequency_hz = 2000
sound = {{ rate_per_s = 37.1 }}

[[condition]]
ear = "left"
stimulus = "click"

[limits]
highest_db_nhl = 80

[run.stream]
source_id = "eeg"
eeg = ["Cz"]
trigger = "trigger"

[run.sound]
calibration = "{ROOT / 'bench' / 'virtual-earphone.toml'}"
device_source_id = "audio"
"""
TODAY = datetime.date(2026, 1, 15)


def recorded(
    folder: Path, sound: Any, *, nv: float = 0.0, seed: int, latency_ms: float = 8.0, started: str = "", sweeps: int = 700,
    noise_uv: float = 0.6, wave: Callable[..., Any] | None = None, plan: dict[str, Any] | None = None,
) -> Path:  # fmt: skip
    """One run, decided on a recording with such a response; ``sound`` is the table [sound] of its plan, None: not ours."""
    made = stream(np.random.default_rng(seed), 8000.0, sweeps, nv=nv, latency_ms=latency_ms, noise_uv=noise_uv, wave=wave)
    labels = ("Cz", "trigger")
    description = StreamDescription("amplifier", "EEG", "eeg", "here", "uid", 1.0, 2, 8000.0, "float32", labels, ("uV", ""))
    source = folder.parent / f"source-{folder.name}-{seed}.xdf"
    with Journal(source, [description]) as journal:
        for at in range(0, len(made.stamps_s), 800):
            journal.samples(Chunk(made.samples[:, at : at + 800].astype(np.float32), made.stamps_s[at : at + 800]))
    made_plan = make_plan(
        {
            "title": HOSTILE, "stream": {"name": "amplifier", "eeg": ["Cz"], "trigger": "trigger"},
            "decision": {"floor_nv": 30.0, "max_sweeps": 640}, "analysis": {"window_ms": [5.0, 17.0], "latency_ms": [6.0, 10.0]},
        } | (plan or {})
    )  # fmt: skip
    run = Run(resolve(made_plan, description), RecordingSource(source), RunFolder.create(folder))
    run.start()
    assert run.wait(patience(60))
    assert run.verdict is not None
    stimulus = None if sound is None else make_stimulus(sound, TODAY)
    record = run_record(
        made_plan, run.verdict, run.engine, stream=description, unit=run.unit,
        sound=None if stimulus is None else stimulus.record,
        calibration=None if stimulus is None or stimulus.calibration is None else stimulus.calibration.id,
        started=started or f"2026-01-15T10:{seed:02d}:00+00:00",
    )  # fmt: skip
    write_results(run.folder, record, run.engine)
    return run.folder.path


@pytest.fixture(scope="session")
def made_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ladder of the right ear by 2 kHz tone bursts: 50 twice, 40 twice without; 60 was discarded; one muted; left ear 40."""
    return build(tmp_path_factory.mktemp("report") / "s07")


def build(folder: Path) -> Path:
    folder.parent.mkdir(parents=True, exist_ok=True)
    path = folder.parent / "session.toml"
    path.write_text(PLAN, encoding="utf-8")
    session = Session.begin(folder, load_session_plan(path))
    right, left = session.plan.conditions
    runs = ((60.0, 500.0), (50.0, 350.0), (50.0, 350.0), (40.0, 0.0), (40.0, 0.0))
    for number, (level, nv) in enumerate(runs, 1):
        recorded(folder, session.run_plan(right, level).sound, nv=nv, seed=number)
    recorded(folder, session.run_plan(left, 40.0).sound, nv=300.0, seed=6, latency_ms=7.0)
    recorded(folder, session.run_plan(left, 40.0, muted=True).sound, nv=0.0, seed=7)
    session.discard(1, "she woke up " + HOSTILE.replace("\x07", ""))
    session.note(3, "electrode replaced " + HOSTILE.replace("\x07", ""))
    return folder


@pytest.fixture
def session(made_session: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made_session, tmp_path / "s07"))


@pytest.fixture
def make_run() -> Callable[..., Path]:
    return recorded


@pytest.fixture(scope="session")
def search_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A search of both ears that the operator ended after a minute."""
    return searched(tmp_path_factory.mktemp("report") / "searches")
