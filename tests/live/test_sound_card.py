"""The whole chain with a sound card in it: player, PortAudio, JACK, rig, LSL, monitor; every part a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.core.engine import Engine
from quietfloor.monitor.core.events import SoundBroken, UnitDone
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.run.resolved_plan import layout_of
from quietfloor.monitor.sources.lsl import LslSource, find_stream, resolve_channels
from quietfloor.stimuli.calibration_file import load_calibration, save_calibration
from tests import card_player
from tests.live.harness import Program, call, call_here, foreign
from tests.slow import patience
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
                sys.executable, "-m", "quietfloor.monitor.cli", "rig", "--sound-card", sound_loop.card, "--eeg-source-id", stream,
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
        process.wait(patience(10))
        process.stdout.close()


def calibration_of_the_card(folder: Path) -> None:
    """The virtual earphone, plugged into this card."""
    of_rig = load_calibration(ROOT / "bench" / "virtual-earphone.toml")
    mine = replace(of_rig, id="card", device="system", host_interface="JACK Audio Connection Kit", channels=(1, 2))
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
    assert call_here("replay", record["folder"], "--json").json["identical"] is True


def test_a_broken_sound_costs_exactly_the_sweeps_that_it_touched(
    rig: Callable[..., str], sound_loop: SoundLoop, tmp_path: Path
) -> None:
    """Frames come late once; what the engine leaves out is what the player's own list says was touched, and nothing else."""
    stream = rig()
    sound = {"level_db_fs": -34.5, "held_to_plan": False}  # the player has a schedule of its own
    plan = make_plan({"stream": {"source_id": stream, "eeg": ["1"], "trigger": "trigger"}, "sound": sound})
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
    late = [broken for broken in said["underruns"] if not broken.by_device]
    dry = [broken for broken in said["underruns"] if broken.by_device]  # this machine was too busy for JACK
    assert len(late) == 1
    assert [event.by_device for event in events if isinstance(event, SoundBroken)] == [b.by_device for b in said["underruns"]]

    frames = card_player.frames(played.options)
    frames.read(frames.total_samples)
    onsets = np.array([sweep.onset_sample for sweep in frames.sweeps])
    starts, silent = onsets.copy(), 0  # in samples of the card, which played silence too
    for broken in said["underruns"]:
        starts[onsets >= broken.sample - silent] += broken.n
        silent += broken.n
    seen = [pair for event in events if isinstance(event, UnitDone) for pair in zip(event.positions, event.left_out, strict=True)]
    per_sample = card_player.RATE_HZ / source.description.rate_hz
    played_at = starts[0] + per_sample * (np.array([position for position, _ in seen]) - seen[0][0])
    which = [int(np.argmin(np.abs(starts - at))) for at in played_at]
    assert which == sorted(set(which))
    np.testing.assert_allclose(played_at, starts[which], rtol=0, atol=1.0)
    assert len(which) >= 224 - len(said["underruns"])  # whole units of 240 sweeps, without those whose trigger was torn

    near_dry = {k for k in which if any(0 < broken.sample - starts[k] < 0.1 * card_player.RATE_HZ for broken in dry)}
    window = 1e-3 * card_player.RATE_HZ * plan.analysis.window_ms[1]
    touched = {k for k in which if starts[k] < late[0].sample < starts[k] + window}
    left_out = {k for k, (_, why) in zip(which, seen, strict=True) if why == "sound_broken"}
    assert left_out - near_dry == touched - near_dry
    assert len(touched) <= 1  # 21 ms between sweeps, a window of 17 ms


def test_the_card_is_listed_and_judged(sound_loop: SoundLoop, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in sound_loop.environment.items():
        monkeypatch.setenv(name, value)
    listed = call("outputs", "--json")
    assert listed.status == 0, listed.err
    found = [row for row in listed.json["outputs"] if row["host_interface"] == "JACK Audio Connection Kit"]
    assert [(row["name"], row["channels"], row["rate_hz"], row["usable"]) for row in found] == [("system", 4, 48_000.0, True)]
    wide = call("outputs", "--channels", "1,2,5")
    assert wide.status == 1
    assert "cannot play a run" in wide.out
    assert "its clock would drift" in wide.out
    fast = call("outputs", "--rate-hz", "96000")
    assert fast.status == 1
    assert "it runs at 48000 Hz" in fast.out


def test_a_calibration_of_another_output_is_refused(
    sound_loop: SoundLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in sound_loop.environment.items():
        monkeypatch.setenv(name, value)
    (tmp_path / "card.toml").write_bytes((ROOT / "bench" / "virtual-earphone.toml").read_bytes())
    (tmp_path / "plan.toml").write_text(PLAN.format(stream="none"))
    refused = call("run", str(tmp_path / "plan.toml"), "--json", "--out", str(tmp_path / "session"))
    assert refused.status == 2
    assert "device is 'virtual-earphone', in use is 'system'" in refused.err
    assert not (tmp_path / "session").exists()


def test_without_portaudio_the_program_starts_and_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    assert main(["outputs"]) == 1
    assert "apt-get install -y libportaudio2" in capsys.readouterr().err
    plan = PLAN.format(stream="none").replace("level_db_nhl = 60", "level_db_fs = -40").replace('calibration = "card.toml"', "")
    (tmp_path / "plan.toml").write_text(plan)
    assert main(["run", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "session")]) == 2
    said = capsys.readouterr().err
    assert "no sound card can be used" in said
    assert "apt-get install -y libportaudio2" in said
    assert not (tmp_path / "session").exists()


@pytest.mark.parametrize(
    ("level", "outputs"), [("level_db_nhl = 60", "[3, 2, 1]"), ("level_db_fs = -40", "[1, 3, 2]")]
)
def test_a_trigger_never_leaves_by_the_output_of_an_earphone(
    level: str, outputs: str, sound_loop: SoundLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in sound_loop.environment.items():
        monkeypatch.setenv(name, value)
    calibration_of_the_card(tmp_path)
    plan = PLAN.format(stream="none").replace("level_db_nhl = 60", f"{level}\nchannels = {outputs}")
    (tmp_path / "plan.toml").write_text(plan.replace("[stream]", "[stream]\nwait_s = 0.5"))
    refused = call("run", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "session"))
    assert refused.status == 2
    assert f"the trigger would leave by output {outputs[-2]}, where calibration 'card' has the" in refused.err
    # not even without sound, as a check sends it; in a process of its own, as PortAudio is
    silent = (
        "import sys, pathlib, quietfloor.monitor.plan.run_plan as plans, quietfloor.monitor.readiness.sound_check as sounding\n"
    )
    silent += "sounding.SilentTriggers(plans.load_plan(pathlib.Path(sys.argv[1])).sound)"
    command = [sys.executable, "-c", silent, str(tmp_path / "plan.toml")]
    tried = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=patience(60))
    assert "DeviceError: the trigger would leave by output" in tried.stderr


def test_few_bits_are_warned_of(sound_loop: SoundLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in sound_loop.environment.items():
        monkeypatch.setenv(name, value)
    plan = PLAN.format(stream="none").replace("level_db_nhl = 60", "level_db_fs = -60\nbits = 16")
    plan = plan.replace('calibration = "card.toml"', "").replace("[stream]", "[stream]\nwait_s = 0.5")
    (tmp_path / "plan.toml").write_text(plan)
    refused = call("run", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "session"))
    assert refused.status == 1  # no such stream
    assert "at this level the sound moves 5.0 of the 16 bits of the converter: put an attenuator behind the output" in refused.err


@pytest.mark.long
def test_a_card_that_is_gone_in_the_middle_of_a_run_ends_it_with_all_data(
    own_sound_loop: SoundLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The EEG comes from elsewhere, so that only the sound fails."""
    for name, value in own_sound_loop.environment.items():
        monkeypatch.setenv(name, value)
    stream = f"sn-{uuid.uuid4().hex[:8]}"
    plan = PLAN.format(stream=stream).replace("level_db_nhl = 60", "level_db_fs = -40").replace('calibration = "card.toml"', "")
    (tmp_path / "plan.toml").write_text(plan.replace('trigger = "trigger"', 'trigger = "TRIG"'))
    with foreign(stream, ["--source-id", stream, "--nv", "0", "--seconds", "90"]):
        program = Program("run", str(tmp_path / "plan.toml"), "--no-window", "--json", "--out", str(tmp_path / "session"))
        program.until("Undecided: ", 60.0)
        time.sleep(4.0)  # triggers here are the EEG's own: the sound begins after its silence, whatever was said of sweeps
        own_sound_loop.end(signal.SIGKILL)
        outcome = program.wait(60)
    assert outcome.status == 3, outcome.err
    record = outcome.json
    assert (record["verdict"], record["stopped_by"]) == ("inconclusive", "fault")
    assert record["fault"].startswith("the sound stopped: ")
    assert "pulled out, or its sound server ended?" in record["fault"]
    assert record["stimulus"]["dose"]["right_pa2s"] > 0  # what was played is accounted for
    said = [json.loads(line) for line in (tmp_path / "session" / "dose.jsonl").read_text().splitlines()]
    assert [line["what"] for line in said] == ["reserved", "played"]
    again = call_here("replay", record["folder"], "--json")
    assert (again.status, again.json["identical"], again.json["fault"]) == (0, True, record["fault"])
