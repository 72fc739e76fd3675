"""Streams with faults over the real network: somebody else's amplifier that returns as another one, and the rig's own faults."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from quietfloor.bench.patient.outlet_faults import parsed
from quietfloor.monitor.formats.xdf import read_xdf
from tests import warm
from tests.live.harness import ROOT, Batch, Happened, Program, Scenario, foreign
from tests.slow import patience

pytestmark = [pytest.mark.lsl, pytest.mark.skipif(sys.platform == "win32", reason="uses POSIX signals")]

USUAL = ["--eeg", "E1", "--trigger", "TRIG", "--max-sweeps", "4000"]
LARGE = ["--nv", "4000", "--noise", "0.5"]
FOREIGN = ["--nv", "0", "--seconds", "60", "--source-id", "sn-9"]


def returns(*changes: str) -> Callable[[subprocess.Popen[str], Program], None]:
    """The amplifier dies, and another one takes its place."""

    def act(amplifier: subprocess.Popen[str], program: Program) -> None:
        program.until("Undecided: evidence")
        name = str(amplifier.args[amplifier.args.index("--name") + 1])  # type: ignore[union-attr, index]
        with foreign(name, [*FOREIGN, *changes]):  # first, as a busy machine takes long to start it
            amplifier.kill()
            program.process.wait(patience(90))

    return act


SCENARIOS = {
    "rate": Scenario(FOREIGN, USUAL, act=returns("--rate", "4000")),
    "channels": Scenario(FOREIGN, USUAL, act=returns("--channels", "2")),
    "format": Scenario(FOREIGN, USUAL, act=returns("--format", "double64")),
    "unit": Scenario(FOREIGN, USUAL, act=returns("--stated", "volts")),
    "names": Scenario(FOREIGN, USUAL, act=returns("--labels", "TRIG,E1")),
    "states twice its rate": Scenario([*LARGE, "--rate", "8000", "--states", "16000"], USUAL),
    "states half its rate": Scenario([*LARGE, "--rate", "8000", "--states", "4000"], USUAL),
    "states twice its rate, stamped by the clock": Scenario(
        [*LARGE, "--rate", "8000", "--states", "16000", "--unstamped"], USUAL
    ),
    "half a percent too fast": Scenario(
        ["--nv", "0", "--rate", "8040", "--states", "8000", "--true-stamps"], [*USUAL, "--max-sweeps", "64"]
    ),
}


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("rate", "returned with 4000 Hz instead of 8000 Hz"),
        ("channels", "returned with 3 channels instead of 2"),
        ("format", "returned with samples as double64 instead of float32"),
        ("unit", "returned with other units"),
        ("names", "returned with channels TRIG, E1 instead of E1, TRIG"),
    ],
)
def test_a_stream_that_returns_as_another_one_ends_the_run_by_name(name: str, said: str, batch: Batch) -> None:
    happened = batch[name]
    assert happened.outcome.status == 3, happened.outcome.err
    record = happened.outcome.json
    assert (record["verdict"], record["stopped_by"]) == ("inconclusive", "fault")
    assert said in record["fault"]
    assert "begin a new run" in record["fault"]
    assert "stream_changed" in kinds(happened.folder)
    stamps_s = read_xdf(happened.folder / "raw.xdf").streams[1].stamps_s
    assert np.diff(stamps_s).max() < 0.3  # no sample of the other one, which came later, is in the recording or in an average
    again = happened.replayed()
    assert (again.status, again.json["identical"]) == (0, True)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("states twice its rate", "states 16000 Hz, but by this machine's clock it gives"),
        ("states half its rate", "states 4000 Hz, but by this machine's clock it gives"),
        ("states twice its rate, stamped by the clock", "states 16000 Hz, but "),
    ],
)
def test_a_rate_that_is_wrong_by_a_factor_is_refused_before_any_verdict(name: str, says: str, batch: Batch) -> None:
    happened = batch[name]
    assert happened.outcome.status == 3, happened.outcome.err
    record = happened.outcome.json
    assert (record["verdict"], record["stopped_by"], record["sweeps_presented"]) == ("inconclusive", "fault", None)
    assert says in record["fault"]
    assert "Set the amplifier's program right, then begin a new run" in record["fault"]
    measured_hz = float(record["fault"].partition(" Hz: filters")[0].rpartition(" ")[2])
    assert measured_hz == pytest.approx(8000, rel=0.1)
    assert kinds(happened.folder) == ["wrong_rate", "verdict"]
    again = happened.replayed()
    assert (again.status, again.json["identical"], again.json["fault"]) == (0, True, record["fault"])


def test_half_a_percent_is_said_in_the_first_second_and_ends_nothing(batch: Batch) -> None:
    happened = batch["half a percent too fast"]
    assert happened.outcome.status == 0, happened.outcome.err
    assert happened.outcome.json["stopped_by"] == "sweep_limit"
    said_hz = re.findall(r"quietfloor: the stream states 8000 Hz, but its time stamps say ([\d.]+) Hz", happened.outcome.err)
    assert [float(hz) for hz in said_hz] == [pytest.approx(8040, abs=4)]
    assert "times in ms are 0.5 % too long" in happened.outcome.err
    said = kinds(happened.folder)
    assert said.index("rate") < said.index("trigger_learned")
    assert happened.replayed().json["identical"] is True


def kinds(folder: Path) -> list[str]:
    events = [json.loads(line) for line in (folder / "events.jsonl").read_text().splitlines()]
    return [event.get("what", event.get("reason") if event["type"] == "gap" else event["type"]) for event in events]


PLAN = """
[stream]
source_id = "{stream}"
eeg = [1]
trigger = "trigger"

[sound]
level_db_fs = -30
device_source_id = "{audio}"
lead_in_s = 0.5

[decision]
floor_nv = 5
alpha = 1e-6
max_sweeps = {sweeps}
"""


def ran_on_the_rig(fault: str, session: Path) -> Happened:
    """A run with our sound on the rig with this fault."""
    names = {"stream": f"eeg-{uuid.uuid4().hex[:8]}", "audio": f"audio-{uuid.uuid4().hex[:8]}"}
    rig = warm.Popen(
        [
            sys.executable, "-m", "quietfloor.bench.patient.rig", "--patient", "quiet-deaf", "--audio-source-id", names["audio"],
            "--eeg-source-id", names["stream"], "--eeg-rate", "8000", "--fault", fault,
        ],
        cwd=ROOT, env=os.environ, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    assert rig.stdout is not None
    assert rig.stdin is not None
    try:
        assert json.loads(rig.stdout.readline())["fault"] == fault
        plan = session / "plan.toml"
        plan.write_text(PLAN.format(**names, sweeps=4000 if fault.startswith("away-rate") else 192))
        program = Program("run", str(plan), "--no-window", "--json", "--out", str(session))
        return Happened(program.wait(90), session, fault)
    finally:
        rig.stdin.close()
        rig.wait(patience(10))
        rig.stdout.close()


@pytest.fixture(scope="module")
def on_rigs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[Happened]]]:
    """Runs on rigs with faults, all at once."""
    with ThreadPoolExecutor(3) as pool:
        yield {
            fault: pool.submit(ran_on_the_rig, fault, tmp_path_factory.mktemp("rig"))
            for fault in ("trigger-missing@1", "stall@2", "away-rate@8")  # the last after the check, which may take 6 s
        }


@pytest.mark.parametrize(
    ("fault", "named", "status"),
    [
        ("trigger-missing@1", "trigger_missing", 0),
        ("stall@2", "stream_back", 0),
        ("away-rate@8", "stream_changed", 3),
    ],
)
def test_the_rig_makes_faults_that_are_named(fault: str, named: str, status: int, on_rigs: dict[str, Future[Happened]]) -> None:
    happened = on_rigs[fault].result()
    assert happened.outcome.status == status, happened.outcome.err
    record = happened.outcome.json
    assert named in kinds(happened.folder)
    assert record["verdict"] == "inconclusive"
    assert (record["stopped_by"] == "fault") is (status == 3)
    assert happened.replayed().json["identical"] is True


@pytest.mark.parametrize(("text", "said"), [("melted@3", "no fault is called 'melted'"), ("gap@soon", "such as gap@10")])
def test_a_fault_that_is_not_known_is_refused(text: str, said: str) -> None:
    assert parsed("gap") == ("gap", 10.0)
    assert parsed("away-rate@2.5") == ("away-rate", 2.5)
    with pytest.raises(ValueError, match=said):
        parsed(text)
