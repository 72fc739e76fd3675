"""``quietfloor timing`` on the virtual bench over real LSL: the check, its certificate, and a run that refers to it."""

from __future__ import annotations

import json
import re
import shlex
import tomllib
import uuid
from pathlib import Path

import pytest

from quietfloor.bench.patient.rig_options import parser as rig_parser
from quietfloor.bench.timing_check.options import EXAMPLES, NOT_OF_THE_OUTPUT, order
from quietfloor.bench.timing_check.options import parser as timing_parser
from quietfloor.bench.timing_check.program import main
from quietfloor.monitor.cli import parser
from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE, FAILED
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.plan.sound_plan import SoundPlan
from tests.live.timing_bench import bench

EXAMPLE_LINES = re.findall(r"^  (quietfloor .*?)(?:   .*)?$", EXAMPLES, flags=re.MULTILINE)
pytestmark = pytest.mark.timeout(180)


@pytest.mark.lsl
def test_the_check_its_certificate_and_a_run_that_refers_to_it(tmp_path: Path) -> None:
    ids = uuid.uuid4().hex[:8]
    with bench(tmp_path, "--eeg-rate", "8000", "--eeg-delay-ms", "6.25", ids=ids) as slower:
        content, _ = slower.timing("--count", "64")
        assert content.get("passed"), content
        assert content["offset_ms"] == pytest.approx(6.25, abs=0.002)
    with bench(tmp_path, "--eeg-delay-ms", "3.13", "--drift-ppm", "30", ids=ids) as equipment:
        check = ("timing", str(equipment.plan()), "--sound-channel", "2", "--plot", "t.png", "--csv", "t.csv", "--json")
        status, out, err = equipment.call(*check)
        content = json.loads(out)
        assert content.get("passed"), content
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
        ("--stream A --trigger t --sound-channel 2 --ear both", "--ear both: the wire of the loop comes from one side"),
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
