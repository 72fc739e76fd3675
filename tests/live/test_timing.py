"""``quietfloor timing`` on the virtual bench over real LSL: the check, its certificate, and runs that refer to it."""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import re
import shlex
import signal
import subprocess
import sys
import time
import tomllib
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from quietfloor.bench.patient.rig_options import parser as rig_parser
from quietfloor.bench.timing_check.options import EXAMPLES, NOT_OF_THE_OUTPUT, order
from quietfloor.bench.timing_check.options import parser as timing_parser
from quietfloor.bench.timing_check.program import main
from quietfloor.monitor.cli import parser
from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, FAILED, FAULT
from quietfloor.monitor.plan.run_plan import Plan, load_plan
from quietfloor.monitor.plan.sound_plan import SoundPlan
from quietfloor.monitor.readiness.listener import Check
from quietfloor.monitor.sources.base import SourceError
from quietfloor.stimuli.devices import AHEAD_S, LslAudioDevice
from tests import warm
from tests.slow import patience

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE_LINES = re.findall(r"^  (quietfloor .*?)(?:   .*)?$", EXAMPLES, flags=re.MULTILINE)


class Bench:
    """A rig with a loop in its second channel, and the program beside it, in a folder of its own."""

    def __init__(self, folder: Path, ids: str, *options: str) -> None:
        self.folder, self.audio, self.eeg = folder, f"audio-{ids}", f"eeg-{ids}"
        command = [
            sys.executable,
            "-m",
            "quietfloor.bench.patient.rig",
            "--audio-source-id",
            self.audio,
            "--eeg-source-id",
            self.eeg,
        ]
        self.rig = warm.Popen(
            [*command, "--eeg-name", f"Bench {ids}", "--loop-channel", "2", *options],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        assert self.rig.stdout is not None
        json.loads(self.rig.stdout.readline())

    def close(self) -> None:
        assert self.rig.stdin is not None
        assert self.rig.stdout is not None
        self.rig.stdin.close()
        self.rig.wait(patience(10))
        self.rig.stdout.close()

    def plan(self, extra: str = "", analysis: str = "") -> Path:
        path = self.folder / "plan.toml"
        calibration = ROOT / "bench" / "virtual-earphone.toml"
        path.write_text(
            f'[stream]\nsource_id = "{self.eeg}"\neeg = ["Cz-M2"]\ntrigger = "trigger"\n'
            f'[sound]\nlevel_db_nhl = 70\ncalibration = "{calibration.as_posix()}"\ndevice_source_id = "{self.audio}"\n'
            f"speed = 16\nlead_in_s = 1\n[analysis]\nacoustic_delay_ms = 0.9\n{analysis}\n{extra}\n"
        )
        return path

    def start(self, *arguments: str) -> subprocess.Popen[str]:
        return warm.Popen(
            [sys.executable, "-m", "quietfloor.monitor.cli", *arguments], cwd=self.folder, text=True, encoding="utf-8",
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )  # fmt: skip

    def call(self, *arguments: str) -> tuple[int, str, str]:
        process = self.start(*arguments)
        out, err = process.communicate(timeout=patience(90))
        return process.returncode, out, err

    def timing(self, *arguments: str) -> tuple[dict[str, Any], str]:
        """With the plan, in this process; what it prints as JSON, and the rest."""
        out, err = io.StringIO(), io.StringIO()
        with contextlib.chdir(self.folder), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = main([str(self.plan()), "--sound-channel", "2", "--json", *arguments])
        return self._understood(status, out.getvalue(), err.getvalue())

    @staticmethod
    def _understood(status: int, out: str, err: str) -> tuple[dict[str, Any], str]:
        assert out.count("\n") == 1, out + err
        content = json.loads(out)
        assert status == (DONE if content.get("passed") else content.get("exit_status", FAILED)), err
        return content, err


@contextlib.contextmanager
def bench(folder: Path, *options: str, ids: str | None = None) -> Iterator[Bench]:
    made = Bench(folder, ids or uuid.uuid4().hex[:8], *options)
    try:
        yield made
    finally:
        made.close()


pytestmark = pytest.mark.timeout(180)


@pytest.mark.lsl
def test_the_check_its_certificate_and_a_run_that_refers_to_it(tmp_path: Path) -> None:
    ids = uuid.uuid4().hex[:8]
    with bench(tmp_path, "--eeg-rate", "8000", "--eeg-delay-ms", "6.25", ids=ids) as slower:
        content, _ = slower.timing("--count", "64")
        assert content["passed"]
        assert content["offset_ms"] == pytest.approx(6.25, abs=0.002)
    with bench(tmp_path, "--eeg-delay-ms", "3.13", "--drift-ppm", "30", ids=ids) as equipment:
        check = ("timing", str(equipment.plan()), "--sound-channel", "2", "--plot", "t.png", "--csv", "t.csv", "--json")
        status, out, err = equipment.call(*check)
        content = json.loads(out)
        assert content["passed"]
        assert content["sounds"] == 500
        assert content["offset_ms"] == pytest.approx(3.13, abs=0.001)
        assert content["sd_ms"] < 0.01  # "SD < 10 us with 16 kHz EEG"; measured: 0.0011
        assert content["drift_ppm"] == pytest.approx(30.0, abs=2.0)  # measured: within 0.05
        assert content["max_ms"] - content["min_ms"] < 0.02
        assert sum(content["histogram"]["counts"]) == 500
        assert "EEG rate" in err
        assert re.search(r"8000 Hz +6\.2\d+ ms", err)
        assert re.search(r"16000 Hz +3\.1\d+ ms", err)
        assert "█" in err
        assert (tmp_path / "t.png").read_bytes().startswith(b"\x89PNG")
        rows = (tmp_path / "t.csv").read_text().splitlines()
        assert len(rows) == 501
        assert float(rows[1].split(",")[-1]) == pytest.approx(3.13, abs=0.01)
        kept = tomllib.loads((tmp_path / "timing.toml").read_text())
        assert [entry["rate_hz"] for entry in kept["measured"]] == [8000.0, 16_000.0]
        assert kept["measured"][1]["id"] == content["id"]

        extra, delay = '[decision]\nmax_sweeps = 320\n[timing]\ncertificate = "timing.toml"', 'amplifier_delay_ms = "certificate"'
        status, out, err = equipment.call("run", str(equipment.plan(extra, delay)), "--json", "--out", "s")
        assert status == DONE, err
        record = json.loads(out)
        timing = record["timing"]
        assert (timing["verified"], timing["reason"], timing["certificate"]) == (True, None, content["id"])
        assert timing["sd_ms"] == content["sd_ms"]
        assert timing["delay_ms"] == pytest.approx(0.9 + content["offset_ms"])
        assert "timing verified, SD 1.1 us" in err or re.search(r"timing verified, SD \d\.\d us", err)
        used = tomllib.loads((tmp_path / "s/run-001/plan.toml").read_text())
        assert used["analysis"]["amplifier_delay_ms"] == content["offset_ms"]

        (tmp_path / "timing.toml").unlink()  # a run is complete by itself
        status, out, err = equipment.call("replay", "s/run-001", "--json", "--out", "again")
        assert status == DONE, err
        again = json.loads(out)
        assert again["identical"]
        assert again["timing"] == timing


@pytest.mark.lsl
def test_a_check_leaves_little_to_a_slow_patient_and_what_comes_next_is_measured(tmp_path: Path) -> None:
    """The patient stands still while the check sends triggers: they wait for it, and the check can end all the same."""
    with bench(tmp_path) as on:
        check = Check(load_plan(on.plan()), tmp_path)
        check.open(10.0)
        while check.listened_s < 1.0:
            check.step()
        on.rig.send_signal(signal.SIGSTOP)
        try:
            before_s = math.nan
            while check.seconds != before_s:  # 4 s by the clock, 64 s of sound at this speed
                before_s = check.seconds
                for _ in range(40):
                    check.step()
            silent = check._silent
            assert silent is not None
            assert silent.sent_s <= check.seconds + AHEAD_S + 0.1
        finally:
            on.rig.send_signal(signal.SIGCONT)
        check.lose(SourceError("gone"))  # opened again, the stream counts from its beginning
        check.open(10.0)
        check.step()
        assert isinstance(silent._device, LslAudioDevice)
        assert silent._device.limit_s >= silent.sent_s + 0.9 * AHEAD_S
        check.close()
        content, _ = on.timing("--count", "64")
        assert content["passed"]


@pytest.fixture(scope="module")
def jittering(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with bench(tmp_path_factory.mktemp("jitter"), "--loop-jitter-us", "200") as made:
        yield made


@pytest.mark.lsl
def test_a_loop_that_jitters_fails_and_verifies_no_run(jittering: Bench) -> None:
    content, err = jittering.timing("--count", "128")
    assert not content["passed"]
    assert content["sd_ms"] == pytest.approx(0.2, rel=0.2)
    assert "FAILED: the sound scatters by 0." in err
    extra = '[decision]\nmax_sweeps = 64\n[timing]\ncertificate = "timing.toml"'
    status, out, err = jittering.call("run", str(jittering.plan(extra)), "--json", "--out", "s")
    assert status == DONE, err
    timing = json.loads(out)["timing"]
    assert (timing["verified"], timing["sd_ms"], timing["certificate"]) == (False, None, None)
    assert re.search(r"timing\.toml: the timing check of \S+ failed: the sound scatters", timing["reason"])
    assert "timing not verified" in err
    plan = jittering.plan(extra, 'amplifier_delay_ms = "certificate"')
    status, _, err = jittering.call("run", str(plan), "--out", "s")
    assert status == BAD_ARGUMENTS
    assert 'amplifier_delay_ms = "certificate": timing.toml' in err
    assert not (jittering.folder / "s" / "run-002").exists()

    content, _ = jittering.timing("--set", "sample_rate_hz=44100")
    assert content["exit_status"] == BAD_ARGUMENTS
    assert "certificate of other equipment (output rate_hz is 44100.0, it was 48000.0)" in content["error"]


@pytest.mark.lsl
def test_what_goes_wrong_is_said(jittering: Bench) -> None:
    content, _ = jittering.timing("--sound-channel", "1", "--count", "64", "--out", "none.toml")
    assert content["exit_status"] == FAILED
    assert "no sound keeps step with the trigger" in content["error"]
    content, _ = jittering.timing("--trigger", "Cz-M2", "--count", "64", "--out", "none.toml")
    assert "no trigger stands out" in content["error"]
    content, _ = jittering.timing("--trigger", "2", "--out", "none.toml")
    assert content["exit_status"] == FAILED
    assert "also named as" in content["error"]
    assert not (jittering.folder / "none.toml").exists()


@pytest.mark.lsl
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="finds the child by /proc")
def test_an_amplifier_that_goes_away_is_a_fault_and_ctrl_c_ends_it(tmp_path: Path) -> None:
    with bench(tmp_path) as equipment:
        slow = ("timing", str(equipment.plan()), "--sound-channel", "2", "--speed", "1")
        process = equipment.start(*slow)
        assert process.stderr is not None
        _until(process, "of 500 clicks")
        process.send_signal(signal.SIGINT)  # to the parent alone; a terminal tells the child too
        _child_of(process, signal.SIGINT)
        out, err = process.communicate(timeout=patience(30))
        assert process.returncode == FAILED, err
        assert "interrupted: nothing was kept" in err
        assert "Traceback" not in err + out
    with bench(tmp_path) as equipment:  # another one: the first may take longer to let go of the sound than a new sound waits
        process = equipment.start("timing", str(equipment.plan()), *slow[2:])
        _until(process, "of 500 clicks", times=2)  # an amplifier that went before the first click is another case: nothing began
        equipment.close()
        out, err = process.communicate(timeout=patience(60))
        assert process.returncode == FAULT, err
        assert not (tmp_path / "timing.toml").exists()


def _until(process: subprocess.Popen[str], words: str, times: int = 1) -> None:
    assert process.stderr is not None
    end_s = time.monotonic() + patience(40)
    said = ""
    while said.count(words) < times:
        assert time.monotonic() < end_s, said
        line = process.stderr.readline()
        assert line, said
        said += line


def _child_of(process: subprocess.Popen[str], number: int) -> None:
    (child,) = (Path(f"/proc/{process.pid}/task/{process.pid}/children")).read_text().split()
    os.kill(int(child), number)


# -- without equipment -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ("", "not named: the stream (--stream NAME, --source-id ID, or a PLAN.toml); the trigger channel"),
        ("--stream A --trigger t", "the channel that hears the sound (--sound-channel)"),
        ("none.toml --sound-channel 2", "plan none.toml cannot be read"),
        ("--stream A --trigger t --sound-channel 2 --count 63", "--count 63: allowed is 64 to 2000"),
        ("--stream A --trigger t --sound-channel 2 --valid-days 0", "--valid-days 0: allowed is 1 to 3660"),
        ("--stream A --trigger t --sound-channel 2 --plot a.pdf", "the name must end in .png or .svg"),
        ("--stream A --trigger t --sound-channel 2 --level-db-fs -10", "above the output ceiling"),
        ("--stream A --trigger t --sound-channel 2 --ear both", "sound.ear = 'both'"),
        ("--stream A --trigger t --sound-channel 2 --set colour=red", "unknown key sound.colour"),
        ("--stream A --trigger t --sound-channel 2 --set colour", "write KEY=VALUE"),
        ("--stream A --trigger t --sound-channel 2 --set muted=true", "muted belongs to what is played"),
        ("--show none.toml", "timing certificate none.toml cannot be read"),
    ],
)
def test_bad_arguments(
    arguments: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(shlex.split(arguments)) == BAD_ARGUMENTS
    printed = capsys.readouterr()
    assert words in printed.err
    assert printed.out == ""
    assert main([*shlex.split(arguments), "--json"]) == BAD_ARGUMENTS
    assert words in json.loads(capsys.readouterr().out)["error"]


@pytest.mark.lsl
def test_a_stream_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--stream", "nobody", "--trigger", "t", "--sound-channel", "2", "--wait", "0.5"]
    assert main(arguments) == FAILED
    assert "no stream named 'nobody' within 0.5 s" in capsys.readouterr().err


def test_the_examples_of_the_help_are_understood() -> None:
    assert len(EXAMPLE_LINES) == 6
    for line in EXAMPLE_LINES:
        words = shlex.split(line)[1:]
        assert parser().parse_args(words).rest == words[1:]
        {"timing": timing_parser, "rig": rig_parser}[words[0]]().parse_args(words[1:])


def test_another_device_than_the_plans_leaves_out_what_belongs_to_that_one(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(
        '[stream]\nname = "A"\ntrigger = "t"\n[sound]\nlevel_db_fs = -20\nspeed = 4\ndevice_source_id = "x"\near = "left"\n'
    )
    arguments = [str(plan), "--sound-channel", "2"]
    same = order(timing_parser().parse_args(arguments)).plan.sound
    card = order(timing_parser().parse_args([*arguments, "--device", "sound-card", "--set", "block=2048"])).plan.sound
    assert same is not None
    assert card is not None
    assert (same.device, same.speed, same.device_source_id, same.ear) == ("lsl", 4, "x", "left")
    assert (card.device, card.speed, card.block, card.ear) == ("sound-card", 1, 2048, "left")
    assert (same.stimulus, same.level_db_fs, same.polarity, same.rate_per_s) == ("click", -40, "alternating", 47.1)


def test_every_key_of_the_output_is_taken_from_a_plan() -> None:
    """A new key of [sound] belongs either to what is played or to the output: one of the two must be said."""
    of_the_output = {
        "ear", "lead_in_s", "mains_hz", "route", "transducer", "age_group", "device", "device_source_id", "sample_rate_hz",
        "speed", "seed", "output", "channels", "trigger_db_fs", "trigger_on_earphone_jack", "block", "allow_shared", "bits",
    }  # fmt: skip
    assert set(SoundPlan.model_fields) - set(NOT_OF_THE_OUTPUT) <= of_the_output
    assert set(NOT_OF_THE_OUTPUT) <= set(SoundPlan.model_fields)
    assert Plan().sound is None
