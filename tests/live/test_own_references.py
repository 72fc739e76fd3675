"""`quietfloor calibrate --references` with a listener who hears the sound that leaves over LSL, and answers by the keyboard."""

from __future__ import annotations

import json
import math
import subprocess
import sys
import time
import uuid
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.demo import virtual_calibration
from quietfloor.stimuli.lsl import load_pylsl
from quietfloor.stimuli.references import load_references
from tests.slow import patience

FULL_SCALE_DB, TRUE_DB, SPEED = 130.0, 33.0, 2.0  # of the virtual earphone; where the listener begins to hear; times real time


def plan_in(folder: Path, source_id: str = "nobody") -> Path:
    path = folder / "plan.toml"
    path.write_text(
        '[sound]\nstimulus = "tone-burst"\nfrequency_hz = 3000\near = "left"\nlevel_db_fs = -60\n'
        f'calibration = "{virtual_calibration()}"\ndevice_source_id = "{source_id}"\nspeed = {SPEED}\n',
        encoding="utf-8",
    )
    return path


@pytest.mark.lsl
@pytest.mark.real_time
@pytest.mark.timeout(300)
@pytest.mark.few
def test_a_listener_at_the_output_gets_a_reference(tmp_path: Path) -> None:
    source_id, pylsl = f"heard-{uuid.uuid4()}", load_pylsl()
    plan = plan_in(tmp_path, source_id)
    command = [sys.executable, "-m", "quietfloor.monitor.cli", "calibrate", "mine.toml", "--references", "--plan", str(plan),
               "--listener", "7", "--step-db", "5", "--json"]  # fmt: skip
    with subprocess.Popen(
        command, cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as program:  # fmt: skip
        try:
            (info,) = pylsl.resolve_byprop("source_id", source_id, timeout=patience(30.0)) or pytest.fail("no sound came")
            inlet: Any = pylsl.StreamInlet(info, max_buflen=5)
            heard_at, position, until = -math.inf, 0, time.monotonic() + patience(200.0)
            while program.poll() is None and time.monotonic() < until:
                samples, _ = inlet.pull_chunk(timeout=0.2, max_samples=480)
                if not samples:
                    continue
                block = np.array(samples)[:, 0]
                position += block.size
                level_db = FULL_SCALE_DB + 20.0 * math.log10(max(float(np.ptp(block)), 1e-9))
                if level_db > TRUE_DB and position - heard_at > 48_000:  # once for each sound
                    heard_at = position
                    assert program.stdin is not None
                    program.stdin.write(" ")
                    program.stdin.flush()
            out, err = program.communicate(timeout=patience(30.0))
        finally:
            program.kill()
    assert program.returncode == 0, err
    found = json.loads(out)
    assert (found["listener"], found["ear"], found["end"], found["n"]) == (7, "left", "found", 1)
    assert found["threshold_db"] == 35.0  # the lowest level of 0, 5, 10 ... that is heard
    row = load_references(tmp_path / "mine.toml").signals["tone-burst", 3000.0, "insert", "occluded-ear-simulator"]
    assert (row.level_db_ppe, row.listeners, row.status) == (35.0, (7,), "lab")
    assert "Not a medical device" in err
    assert (tmp_path / "sessions" / "dose.jsonl").is_file()  # what the ear got is in the account


def test_what_cannot_be_a_reference_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = str(plan_in(tmp_path))
    for options, said in (
        (["--plan", plan, "--listener", "1"], "name the file of references"),
        ([str(tmp_path / "a.toml"), "--plan", plan], "--references needs --listener: a number from 1"),
        ([str(tmp_path / "a.toml"), "--plan", plan, "--listener", "1", "--signal", "tone"], "is of a short stimulus and one ear"),
        ([str(tmp_path / "a.toml"), "--listener", "1", "--signal", "click", "--ear", "left"], "needs a calibration"),
        (
            [str(tmp_path / "a.toml"), "--plan", plan, "--listener", "1", "--start-db", "190", "--highest-db", "200"],
            "the loudest that this output gives",
        ),
    ):
        assert main(["calibrate", "--references", *options]) == 2
        assert said in capsys.readouterr().err
    assert not (tmp_path / "a.toml").exists()
