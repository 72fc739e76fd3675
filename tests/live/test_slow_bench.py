"""A virtual patient on a machine that is busy, or stands still: late, but whole; and one that has gone is not waited for."""

from __future__ import annotations

import datetime
import json
import os
import signal
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.formats.xdf import read_xdf
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.run.receiver import GONE_S
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.sound_output import make_stimulus, open_sound
from quietfloor.monitor.sources.lsl import LslSource, find_stream
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.lsl import has_closed, is_here, load_pylsl
from tests import warm
from tests.live.harness import ROOT, Program
from tests.slow import patience

pytestmark = [pytest.mark.lsl, pytest.mark.skipif(sys.platform == "win32", reason="uses POSIX signals")]
PLAN = """
[stream]
source_id = "{eeg}"
eeg = [1]
trigger = "trigger"

[sound]
level_db_fs = -30
device_source_id = "{audio}"
lead_in_s = 0.5

[decision]
floor_nv = 5
alpha = 1e-6
max_sweeps = 192
"""


LATE_S = 6.0
LATE_RIG = f"import sys; from quietfloor.bench.patient import rig; rig.LAG_S = {LATE_S}; sys.exit(rig.main())"


class Rig:
    def __init__(self, folder: Path, program: tuple[str, str] = ("-m", "quietfloor.bench.patient.rig")) -> None:
        self.audio, self.eeg = (f"{what}-{uuid.uuid4().hex[:8]}" for what in ("audio", "eeg"))
        options = ["--audio-source-id", self.audio, "--eeg-source-id", self.eeg, "--eeg-rate", "8000", "--channels", "1"]
        self.log = (folder / "rig.log").open("w+")
        self.process = warm.Popen(
            [sys.executable, *program, "--patient", "quiet-deaf", *options], cwd=ROOT, env=os.environ,
            text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self.log,
        )  # fmt: skip
        assert self.process.stdout is not None
        assert json.loads(self.process.stdout.readline())["event"] == "ready"
        self.session, self.plan = folder, folder / "plan.toml"
        self.plan.write_text(PLAN.format(eeg=self.eeg, audio=self.audio))

    def run(self) -> Program:
        return Program("run", str(self.plan), "--no-window", "--json", "--out", str(self.session))

    def close(self) -> None:
        self.process.kill()
        self.process.communicate()
        self.log.close()


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.close()


def test_a_bench_that_stands_still_is_waited_for_and_loses_nothing(rig: Rig) -> None:
    program = rig.run()
    program.until("Undecided: ", give_up_s=60)
    rig.process.send_signal(signal.SIGSTOP)
    time.sleep(GONE_S + 1.0)
    rig.process.send_signal(signal.SIGCONT)
    outcome = program.wait(120)
    assert outcome.status == 0, outcome.err
    record = outcome.json
    assert (record["stopped_by"], record["lost_samples"], record["sweeps_presented"]) == ("sweep_limit", 0, 192)
    folder = rig.session / "run-001"
    events = [json.loads(line) for line in (folder / "events.jsonl").read_text().splitlines()]
    said = [event["what"] for event in events if event["type"] == "notice"]
    assert {"stream_silent", "stream_back"} <= set(said) <= {"stream_silent", "stream_back", "slow_bench"}
    assert "the virtual amplifier is slow; the run waits" in outcome.err
    rig.log.seek(0)
    assert "rig: this machine is too slow for real time: the EEG is" in rig.log.read()
    assert {event["type"] for event in events}.isdisjoint({"gap", "trigger_missing", "trigger_silent"})
    stamps_s = read_xdf(folder / "raw.xdf").streams[1].stamps_s
    np.testing.assert_allclose(np.diff(stamps_s), 1 / 8000.0, rtol=1e-6, atol=2 * np.spacing(stamps_s[-1]))


def test_silence_that_a_late_bench_still_owes_is_no_silent_trigger(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("-c", LATE_RIG))
    try:
        time.sleep(LATE_S + 1.0)  # its EEG begins so late
        checked = Program("check", str(rig.plan), "--json", "--seconds", "3", "--out", str(tmp_path)).wait(120)
        trigger = next(finding for finding in checked.json["findings"] if finding["about"] == "trigger")
        assert trigger["severity"] == "ok", trigger
        outcome = rig.run().wait(120)
    finally:
        rig.close()
    assert outcome.status == 0, outcome.err
    assert (outcome.json["stopped_by"], outcome.json["sweeps_presented"]) == ("sweep_limit", 192)
    events = [json.loads(line) for line in (tmp_path / "run-001" / "events.jsonl").read_text().splitlines()]
    assert {event["type"] for event in events}.isdisjoint({"gap", "trigger_missing", "trigger_silent"})
    recording = read_xdf(tmp_path / "run-001" / "raw.xdf").streams[1]
    first = int(np.flatnonzero(np.abs(recording.samples[-1]) > 0.5 * np.abs(recording.samples[-1]).max())[0])
    assert 0.3 < first / 8000.0 < 0.7  # the lead-in of the plan, nothing of the silence before


def test_a_bench_that_has_gone_ends_the_run(rig: Rig) -> None:
    program = rig.run()
    program.until("Undecided: ", give_up_s=60)
    rig.process.kill()
    outcome = program.wait(60)
    assert outcome.status == 3, outcome.err
    assert "went away" in outcome.json["fault"] or f"for {GONE_S:g} s" in outcome.json["fault"]


def test_silence_before_the_patient_listens_is_no_part_of_a_run(tmp_path: Path) -> None:
    """Else a bench that is slow to connect would look like a trigger channel that is silent."""
    pylsl = load_pylsl()
    eeg, audio = (f"{what}-{uuid.uuid4().hex[:8]}" for what in ("eeg", "audio"))
    info = pylsl.StreamInfo("Slow", "EEG", 2, 4000.0, "float32", eeg)
    info.desc().append_child("acquisition").append_child_value("clock", "samples")
    outlet, over = pylsl.StreamOutlet(info), threading.Event()
    noise = np.random.default_rng(1).normal(0.0, 5.0, (400, 2)).astype(np.float32)

    def send() -> None:
        while not over.wait(0.1):
            outlet.push_chunk(noise)

    sender = threading.Thread(target=send)
    sender.start()
    text = {"stream": {"source_id": eeg, "eeg": [1], "trigger": "2", "unit": "microvolts"}}
    plan = make_plan(text | {"sound": {"level_db_fs": -30, "device_source_id": audio, "lead_in_s": 0.5}})
    assert plan.sound is not None
    try:
        source = LslSource(find_stream(source_id=eeg))
        sound = open_sound(make_stimulus(plan.sound, datetime.date.today()))
        run = Run(resolve(plan, source.description), source, RunFolder.create(tmp_path), sound=sound)
        run.start()
        time.sleep(1.5)
        (found,) = pylsl.resolve_byprop("source_id", audio, 1, 10)
        listens_s = pylsl.local_clock()
        receiver = pylsl.StreamInlet(found)
        receiver.open_stream(10)
        while run.engine is None:
            assert not run.wait(0.05), run.failure
        run.stop()
        assert run.wait(patience(30))
    finally:
        over.set()
        sender.join()
    assert read_xdf(run.folder.raw).streams[1].stamps_s[0] > listens_s - 0.2  # a chunk of 0.1 s, and its way


CHILD = """
import sys, pylsl
info = pylsl.StreamInfo("one", "EEG", 1, 100.0, "float32", sys.argv[1])
outlet = pylsl.StreamOutlet(info)
print("open", flush=True)
sys.stdin.readline()
del outlet
import gc; gc.collect()
print("closed", flush=True)
sys.stdin.readline()
"""


def test_a_sender_that_closed_is_told_from_one_that_stands_still() -> None:
    pylsl, name = load_pylsl(), f"closing-{uuid.uuid4().hex[:8]}"
    child = warm.Popen(
        [sys.executable, "-c", CHILD, name], env=os.environ, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert child.stdin is not None
    assert child.stdout is not None
    try:
        assert child.stdout.readline() == "open\n"
        (info,) = pylsl.resolve_byprop("source_id", name, 1, 20)
        assert is_here(info)
        assert not has_closed(info)
        child.send_signal(signal.SIGSTOP)
        assert not has_closed(info)
        child.send_signal(signal.SIGCONT)
        child.stdin.write("\n")
        child.stdin.flush()
        assert child.stdout.readline() == "closed\n"
        assert has_closed(info)
        others = [pylsl.StreamOutlet(pylsl.StreamInfo("x", "EEG", 1, 100.0, "float32", f"{name}-{k}")) for k in range(3)]
        assert has_closed(info)  # whoever has its port now
        del others
    finally:
        child.kill()
        child.communicate()
