"""``quietfloor calibrate`` on a sound card whose first output is wired to its first input: a microphone that hears exactly."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from quietfloor.stimuli.calibration_file import load_calibration
from tests.live.harness import Outcome, Program
from tests.sound_loop import SoundLoop

pytestmark = [pytest.mark.timeout(300)]
MICROPHONE_DB = 120.0  # dB SPL of a sine of full scale: peak-to-peak 2, so that peak-to-peak 1 is 6.02 dB less
TRUE_DB = MICROPHONE_DB - 20 * math.log10(2)


@pytest.fixture
def card(sound_loop: SoundLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name, value in sound_loop.environment.items():
        monkeypatch.setenv(name, value)
    plan = tmp_path / "card.toml"
    plan.write_text('[sound]\ndevice = "sound-card"\noutput = "system"\nlevel_db_fs = -40\n')
    return plan


def calibrate(sound_loop: SoundLoop, plan: Path, *options: str) -> Outcome:
    program = Program("calibrate", *options, "--plan", str(plan), "--json")
    sound_loop.wire(1)
    return program.wait(120)


@pytest.mark.long
def test_a_microphone_on_the_output_itself(sound_loop: SoundLoop, card: Path, tmp_path: Path) -> None:
    path = tmp_path / "earphone.toml"
    microphone = ["--microphone", sound_loop.card, "--microphone-db", str(MICROPHONE_DB), "--ear", "left"]
    outcome = calibrate(sound_loop, card, str(path), "--coupler", "2cc", "--by", "me", *microphone)
    assert outcome.status == 0, outcome.err
    found = load_calibration(path)
    assert found.left_db_ppe == pytest.approx(TRUE_DB, abs=0.02)
    assert (found.device, found.host_interface, found.channels) == ("system", "JACK Audio Connection Kit", (1, 2))
    burst = ["--add", "--signal", "tone-burst", "--frequency-hz", "2000", *microphone]
    outcome = calibrate(sound_loop, card, str(path), *burst)
    assert outcome.status == 0, outcome.err
    (measured,) = load_calibration(path).measured
    assert measured.left_db == pytest.approx(TRUE_DB, abs=0.1)  # peaks between samples
    assert math.isnan(measured.right_db)
    loop = ["--loop-input", sound_loop.card]
    assert calibrate(sound_loop, card, str(path), "--add-loop", *loop).status == 0
    outcome = calibrate(sound_loop, card, str(path), "--check", *loop)
    assert outcome.status == 0, outcome.err
    assert abs(outcome.json["left_db"]) < 0.01
    assert outcome.json["channels"] == [1, 2]
