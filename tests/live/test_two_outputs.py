"""A card with two outputs: sound on one, trigger on the other, through PortAudio and a JACK server that has no more."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import uuid
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from quietfloor.stimuli.calibration_file import load_calibration, save_calibration
from tests import card_player
from tests.live.harness import Program, call, call_here
from tests.slow import patience
from tests.sound_loop import SoundLoop
from tests.stimuli.breaks import with_breaks
from tests.stimuli.test_portaudio import Played

pytestmark = [pytest.mark.lsl, pytest.mark.timeout(300)]
ROOT = Path(__file__).resolve().parents[2]
MICROPHONE_DB = 136.0  # of a sine of full scale, so that a peak-to-peak value of 1 is about that of the virtual earphone
PLAN = """
[stream]
source_id = "{stream}"
eeg = [1]
trigger = "trigger"

[sound]
device = "sound-card"
output = "system"
channels = [1, 1, 2]
trigger_on_earphone_jack = true
level_db_fs = -60
ear = "{ear}"
seed = 3

[analysis]
acoustic_delay_ms = 0.9
"""


@pytest.fixture
def card(stereo_sound_loop: SoundLoop, monkeypatch: pytest.MonkeyPatch) -> SoundLoop:
    for name, value in stereo_sound_loop.environment.items():
        monkeypatch.setenv(name, value)
    return stereo_sound_loop


def test_sound_leaves_by_one_and_the_trigger_by_the_other_bit_for_bit(card: SoundLoop, tmp_path: Path) -> None:
    played = Played(card, tmp_path / "heard.npz", sweeps=100, lead_in_s=0.3, channels=[1, 1, 2], one_earphone=True)
    try:
        card.wire(2)
        played.begin()
        said = played.end()
    finally:
        if played.process.poll() is None:
            played.process.kill()
            played.process.communicate()
    assert said["error"] == ""
    assert said["sweeps_played"] == 100
    expected = with_breaks(card_player.frames(played.options), said["position"], said["underruns"])
    assert not expected[0].any(), "the right ear is tested"
    heard, wanted = played.heard[:2], expected[1:]
    delay = int(np.flatnonzero(heard[1])[0] - np.flatnonzero(wanted[1])[0])
    reach = min(said["position"], heard.shape[1] - delay)
    assert reach > 0.95 * said["position"]
    np.testing.assert_array_equal(heard[:, delay : delay + reach], wanted[:, :reach])
    assert np.abs(heard[1]).max() == np.float32(0.5e-3), "-60 dB re a peak-to-peak value of 1"
    assert not played.heard[2:].any()


def test_it_is_listed_for_one_ear(card: SoundLoop) -> None:
    listed = call("outputs", "--json")
    assert listed.status == 0, listed.err
    assert "can be used for one ear, with the trigger on the other output" in listed.err + listed.out
    (found,) = [row for row in listed.json["outputs"] if row["host_interface"] == "JACK Audio Connection Kit"]
    assert (found["channels"], found["usable"], found["routing"]) == (2, True, [1, 1, 2])
    said = " ".join(finding["text"] for finding in found["findings"])
    assert "nothing that somebody can wear may be connected to output 2" in said
    assert "channels = [1, 1, 2], trigger_on_earphone_jack = true" in said
    usual = call("outputs", "--channels", "1,2,3")
    assert usual.status == 1
    assert "or test one ear, with the trigger on the other output: channels = [1, 1, 2]" in usual.out
    doctor = call("doctor")
    assert "of which can play a run: 0; one ear, with the trigger on the other output: 1" in doctor.out


def test_calibration_timing_and_a_run_of_each_ear(card: SoundLoop, tmp_path: Path) -> None:
    """As on the bench: the microphone is a wire, the patient hears by the left or the right input of its rig."""
    name = f"stereo-{uuid.uuid4().hex[:8]}"
    plan, path = tmp_path / "plan.toml", tmp_path / "card.toml"
    plan.write_text(PLAN.format(stream=name, ear="left"))

    program = Program(
        "calibrate", str(path), "--plan", str(plan), "--coupler", "occluded-ear-simulator", "--by", "me",
        "--microphone", card.card, "--microphone-db", str(MICROPHONE_DB), "--json",
    )  # fmt: skip
    card.wire(1)
    outcome = program.wait(120)
    assert outcome.status == 0, outcome.err
    assert "nothing that somebody can wear may be connected" in outcome.err
    found = load_calibration(path)
    assert found.channels == (1, 1)
    assert found.left_db_ppe == found.right_db_ppe == pytest.approx(MICROPHONE_DB - 6.0206, abs=0.02)

    of_rig = load_calibration(ROOT / "bench" / "virtual-earphone.toml")
    right_db = of_rig.full_scale_db_ppe("right")
    mine = replace(of_rig, id="stereo", device=found.device, host_interface=found.host_interface, channels=(1, 1),
                   left_db_ppe=right_db, right_db_ppe=right_db, measured=(), response=(), loop=None)  # fmt: skip
    save_calibration(path, mine)
    rig = subprocess.Popen(
        [
            sys.executable, "-m", "quietfloor.bench.patient.rig", "--sound-card", card.card, "--eeg-source-id", name,
            "--eeg-name", name, "--noise-uv", "0.7", "--loop-channel", "2",
        ],
        cwd=ROOT, env=os.environ | card.environment, text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    assert rig.stdin is not None
    assert rig.stdout is not None
    try:
        assert json.loads(rig.stdout.readline())["event"] == "ready"
        for _ in range(5):  # a machine too busy for JACK breaks the sound, for which the check fails
            program = Program("timing", str(plan), "--sound-channel", "2", "--count", "64", "--json", "--out",
                              str(tmp_path / "timing.toml"))  # fmt: skip
            card.wire(2, into=(1, 3))
            timed = program.wait(120)
            if timed.status == 0 or not timed.json.get("breaks"):
                break
        assert timed.status == 0, timed.err
        assert timed.json["output"]["channels"] == [1, 1, 2]
        text = plan.read_text().replace("level_db_fs = -60", 'level_db_nhl = 60\ncalibration = "card.toml"')
        text += '\n[timing]\ncertificate = "timing.toml"\n'
        for ear, into in (("left", 1), ("right", 2)):  # the one earphone was moved
            plan.write_text(text.replace('ear = "left"', f'ear = "{ear}"'))
            program = Program("run", str(plan), "--no-window", "--json", "--out", str(tmp_path / "session"), "--acknowledge")
            card.wire(2, into=(into, 3))
            outcome = program.wait(120)
            assert outcome.status == 0, outcome.err
            assert f"it belongs on the {ear} ear now. The trigger leaves by output 2, a jack that usually feeds" in outcome.err
            record = outcome.json
            assert (record["verdict"], record["fault"], record["stimulus"]["ear"]) == ("response_present", None, ear)
            assert record["timing"]["verified"] is True
            assert record["stimulus"]["trigger_db_fs"] == -60.0
            output = record["stimulus"]["output"]
            assert (output["channels"], output["trigger_on_earphone_jack"]) == ([1, 1, 2], True)
            assert record["cautions_acknowledged"]["also"] == [output["caution"]]
            other = "right" if ear == "left" else "left"
            assert 0.0 < record["stimulus"]["dose"][f"{other}_pa2s"] < record["stimulus"]["dose"][f"{ear}_pa2s"]
            assert call_here("replay", record["folder"], "--json").json["identical"] is True
    finally:
        rig.stdin.close()
        rig.wait(patience(10))
        rig.stdout.close()
