"""The whole chain with a sound card in it: player, PortAudio, JACK, rig, LSL, monitor; every part a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import uuid
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.core.engine import Engine
from monitor.core.events import SoundBroken, UnitDone
from monitor.plan import make_plan
from monitor.run import layout_of
from monitor.sources.lsl import LslSource, find_stream, resolve_channels
from stimuli.calibration import load_calibration
from stimuli.calibration_file import save_calibration
from tests import card_player
from tests.live.harness import Program, call
from tests.sound_loop import SoundLoop
from tests.stimuli.test_portaudio import Played

pytestmark = [pytest.mark.lsl, pytest.mark.timeout(300)]
ROOT = Path(__file__).resolve().parents[2]
PLAN = """
[stream]
source_id = "{stream}"
eeg = [1]
trigger = "trigger"

[sound]
device = "sound-card"
output = "system"
level_db_nhl = 60
calibration = "card.toml"
seed = 3

[analysis]
acoustic_delay_ms = 0.9
"""


@pytest.fixture
def rig(sound_loop: SoundLoop) -> Iterator[Callable[..., str]]:
    """A quiet patient who hears by the card; the source id of the EEG."""
    processes = []

    def start(*options: str) -> str:
        stream = f"eeg-{uuid.uuid4().hex[:8]}"
        process = subprocess.Popen(
            [
                sys.executable, "-m", "monitor.cli", "rig", "--sound-card", sound_loop.card, "--eeg-source-id", stream,
                "--noise-uv", "0.7", *options,
            ],
            cwd=ROOT, env=os.environ | sound_loop.environment, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        processes.append(process)
        assert process.stdout is not None
        ready = json.loads(process.stdout.readline())
        assert (ready["event"], ready["sound_card"], ready["audio_source_id"]) == ("ready", sound_loop.card, None)
        return stream

    yield start
    for process in processes:
        process.stdin.close()
        process.wait(10)
        process.stdout.close()


def calibration_of_the_card(folder: Path) -> None:
    """The virtual earphone, plugged into this card."""
    of_rig = load_calibration(ROOT / "bench" / "virtual-earphone.toml")
    mine = replace(of_rig, id="card", device="system", host_interface="JACK Audio Connection Kit")
    save_calibration(folder / "card.toml", mine)


def test_a_run_over_a_sound_card_finds_the_response_and_replays(
    rig: Callable[..., str], sound_loop: SoundLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stream = rig()
    calibration_of_the_card(tmp_path)
    (tmp_path / "plan.toml").write_text(PLAN.format(stream=stream))
    for name, value in sound_loop.environment.items():
        monkeypatch.setenv(name, value)
    program = Program("run", str(tmp_path / "plan.toml"), "--no-window", "--json", "--out", str(tmp_path / "session"))
    sound_loop.wire()
    outcome = program.wait(120)
    assert outcome.status == 0, outcome.err
    record = outcome.json
    assert (record["verdict"], record["stopped_by"], record["fault"]) == ("response_present", "response", None)
    assert record["calibration"] == "card"
    output = record["stimulus"]["output"]
    assert output["bits_left"] == pytest.approx(23 - (130.0 - 60.0 - 35.5) / 6.0206, abs=1e-3)
    assert {key: output[key] for key in output if key != "bits_left"} == {
        "device": "system",
        "host_interface": "JACK Audio Connection Kit",
        "rate_hz": 48_000.0,
        "channels": [1, 2, 3],
        "block": 1024,
        "allow_shared": False,
        "bits": 24,
    }
    assert call("replay", record["folder"], "--json").json["identical"] is True


def test_a_broken_sound_costs_exactly_the_sweeps_that_it_touched(
    rig: Callable[..., str], sound_loop: SoundLoop, tmp_path: Path
) -> None:
    """Frames come late once; what the engine leaves out is what the player's own list says was touched, and nothing else."""
    stream = rig()
    plan = make_plan({"stream": {"source_id": stream, "eeg": ["1"], "trigger": "trigger"}, "sound": {"level_db_fs": -34.5}})
    source = LslSource(find_stream(source_id=stream, wait_s=10.0))
    channels = resolve_channels(source.description, plan.stream.eeg, plan.stream.trigger)
    engine = Engine(plan.engine_settings(layout_of(source.description, channels, 1.0)))
    played = Played(sound_loop, None, sweeps=240, hold_at_s=3.0, hold_s=1.0)
    sound_loop.wire()
    played.begin()
    events: list[Any] = []
    while played.process.poll() is None:
        chunk = source.pull(0.1)
        if chunk is not None:
            events += engine.feed(chunk)
    for _ in range(20):
        chunk = source.pull(0.1)
        if chunk is not None:
            events += engine.feed(chunk)
    source.close()
    said = played.end()
    assert said["error"] == ""
    if len(said["underruns"]) != 1:
        pytest.skip(f"this machine is too busy for JACK: {said['underruns']}")
    (broken,) = said["underruns"]
    (told,) = [event for event in events if isinstance(event, SoundBroken)]
    assert not told.by_device

    frames = card_player.frames(played.options)
    frames.read(frames.total_samples)
    onsets = np.array([sweep.onset_sample for sweep in frames.sweeps])
    seen = [pair for event in events if isinstance(event, UnitDone) for pair in zip(event.positions, event.left_out, strict=True)]
    per_sample = card_player.RATE_HZ / source.description.rate_hz
    played_at = onsets[0] + per_sample * (np.array([position for position, _ in seen]) - seen[0][0])  # samples of the card
    which = [int(np.argmin(np.abs(onsets - at))) for at in np.where(played_at < broken.sample, played_at, played_at - broken.n)]
    assert which == sorted(set(which))
    window = 1e-3 * card_player.RATE_HZ * plan.analysis.window_ms[1]
    touched = {k for k in which if onsets[k] < broken.sample < onsets[k] + window}
    assert {k for k, (_, why) in zip(which, seen, strict=True) if why == "sound_broken"} == touched
    assert told.sweeps == len(touched)
    assert len(which) >= 224 - 1  # whole units of 240 sweeps, without one whose trigger was torn
