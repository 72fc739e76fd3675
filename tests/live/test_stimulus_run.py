"""Time zero in a whole run: player, rig, LSL, engine. Where it lies inside a sound must not move the response."""

from __future__ import annotations

import contextlib
import json
import uuid
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.io import wavfile

from quietfloor.monitor.commands.demo import TUBE_DELAY_MS, rig
from tests.live.harness import call

SILENCE_MS = 3.0


def carried_out(folder: Path, sound: str) -> tuple[dict[str, Any], float]:
    """run.json, and when wave V comes in the average, ms."""
    tag = uuid.uuid4().hex[:8]
    audio, eeg = f"zero-audio-{tag}", f"zero-eeg-{tag}"
    folder.mkdir()
    plan = folder / "plan.toml"
    plan.write_text(
        f'[stream]\nsource_id = "{eeg}"\neeg = ["1"]\ntrigger = "trigger"\n'
        f'[sound]\nlevel_db_fs = -26\nspeed = 6\nlead_in_s = 1\ndevice_source_id = "{audio}"\n{sound}\n'
        f"[analysis]\nacoustic_delay_ms = {TUBE_DELAY_MS}\n"
        "[decision]\nmax_sweeps = 1536\nfloor_nv = 10\nalpha = 1e-5\n",
        encoding="utf-8",
    )
    with contextlib.ExitStack() as stack:
        stack.enter_context(rig("quiet-sleeper", audio, eeg, 5))
        done = call("run", str(plan), "--out", str(folder / "session"), "--json", "--no-window")
    assert done.status == 0, done.err
    record = json.loads((folder / "session/run-001/run.json").read_text(encoding="utf-8"))
    assert record["fault"] is None
    rows = np.genfromtxt(folder / "session/run-001/average.csv", delimiter=",", names=True)
    inside = (rows["time_ms"] >= 4.5) & (rows["time_ms"] <= 10)
    again = call("replay", str(folder / "session/run-001"), "--json")
    assert again.json["identical"], "a replay adds the same time zero"
    return record, float(rows["time_ms"][inside][rows["average_uv"][inside].argmax()])


@pytest.mark.lsl
def test_the_same_click_later_in_its_sound_gives_the_same_latency(tmp_path: Path) -> None:
    """A click, a file of the same click after 3 ms of silence, with its time zero there, and the click at random intervals."""
    samples = np.zeros(round(SILENCE_MS * 48) + 5)
    samples[-5:] = [1, 1, 1, 1, 0.8]
    wavfile.write(tmp_path / "late.wav", 48_000, samples.astype(np.float32))
    sounds = {"click": 'stimulus = "click"', "random": 'stimulus = "click"\nrandom_interval_ms = 4'}
    sounds |= {"late": f'stimulus = "custom"\nwav = "../late.wav"\nwav_zero_ms = {SILENCE_MS}'}
    with ThreadPoolExecutor(3) as pool:
        runs = {name: pool.submit(carried_out, tmp_path / name, sound) for name, sound in sounds.items()}
    (click, at_click), (late, at_late) = runs["click"].result(), runs["late"].result()
    assert (click["stimulus"]["time_zero_ms"], late["stimulus"]["time_zero_ms"]) == (0.0, SILENCE_MS)
    assert late["timing"]["delay_ms"] == pytest.approx(click["timing"]["delay_ms"] + SILENCE_MS)
    assert late["stimulus"]["stimulus"] == "custom late.wav"
    assert at_late == pytest.approx(at_click, abs=0.5)
    random, at_random = runs["random"].result()
    assert (random["stimulus"]["random_interval_ms"], click["stimulus"]["random_interval_ms"]) == (4.0, None)
    assert (random["foreign_sweeps"], random["verdict"]) == (click["foreign_sweeps"], click["verdict"])
    assert at_random == pytest.approx(at_click, abs=0.5)


@pytest.mark.lsl
@pytest.mark.real_time
@pytest.mark.long
def test_one_sound_in_both_ears_through_the_rig(tmp_path: Path) -> None:
    record, at_ms = carried_out(tmp_path / "both", 'stimulus = "click"\near = "both"')
    assert (record["stimulus"]["ear"], record["verdict"], record["foreign_sweeps"]) == ("both", "response_present", 0)
    assert 5.0 < at_ms < 7.0, "a wave V, not the edge of what was searched"
