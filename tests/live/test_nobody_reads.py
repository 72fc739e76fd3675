"""Nobody reads what a run prints, or the terminal goes: the run, what it keeps and its exit status are those of any other."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import uuid
from dataclasses import dataclass
from pathlib import Path

import pytest

from quietfloor.monitor.commands.common import printing
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.live.harness import ROOT, foreign
from tests.slow import patience

pytestmark = [pytest.mark.lsl, pytest.mark.skipif(sys.platform == "win32", reason="POSIX shell, pipes and signals")]

COMMAND = f"'{sys.executable}' -m quietfloor.monitor.cli"
# How each is started; $@ is what is wanted of it. The number of a closed output must not pass to the recording.
STARTED = {
    "one line is read": 'set -o pipefail; $COMMAND "$@" | head -1',
    "closed": '$COMMAND "$@" >&-',
    "all closed": '$COMMAND "$@" <&- >&- 2>&-',
    "full": '$COMMAND "$@" --json > /dev/full',
    "both full": '$COMMAND "$@" --json > /dev/full 2>&1',
    "nohup": 'trap "" HUP INT; exec $COMMAND "$@"',
}
SAID = {"one line is read": "Broken pipe", "closed": "it is closed", "full": "No space left on device"}


@dataclass
class Ended:
    status: int
    err: str
    folder: Path


@pytest.fixture(scope="module")
def ended(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ended]:
    """All at once on one amplifier. The one under nohup is told to hang up, and to stop, once a second from its start."""
    session = tmp_path_factory.mktemp("session")
    name = f"foreign-{uuid.uuid4().hex[:8]}"
    wanted = ["run", "--listen", "--stream", name, "--eeg", "E1", "--trigger", "TRIG", "--max-sweeps", "128", "--no-window"]
    environment = os.environ
    with foreign(name, ["--nv", "0"]):
        running = {
            case: subprocess.Popen(
                ["bash", "-c", script.replace("$COMMAND", COMMAND), "bash", *wanted, "--out", str(session / case)],
                stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
            )
            for case, script in STARTED.items()
        }  # fmt: skip
        hung_up = running["nohup"]
        for _ in range(round(patience(60))):
            try:
                hung_up.wait(1.0)
                break
            except subprocess.TimeoutExpired:
                if (session / "nohup" / "run-001").exists():  # Python itself stands
                    hung_up.send_signal(signal.SIGHUP)
                    hung_up.send_signal(signal.SIGINT)
        found = {}
        for case, process in running.items():
            _, err = process.communicate(timeout=patience(60))
            found[case] = Ended(process.returncode, err, session / case / "run-001")
    return found


@pytest.mark.parametrize("case", STARTED)
def test_a_complete_run_is_reported_as_complete(case: str, ended: dict[str, Ended]) -> None:
    run = ended[case]
    assert run.status == 0, run.err
    assert "Traceback" not in run.err
    record = json.loads((run.folder / "run.json").read_text())
    assert (record["stopped_by"], record["sweeps_presented"], record["fault"]) == ("sweep_limit", 128, None)
    assert replay(RunFolder.open(run.folder)).identical
    if case in SAID:
        assert f"quietfloor: cannot print to standard output ({SAID[case]})" in run.err
        assert run.err.count("cannot print") == 1


def test_a_command_that_only_prints_failed_when_it_could_not() -> None:
    process = subprocess.run(
        ["bash", "-c", f"{COMMAND} stimulus --json > /dev/full"], capture_output=True, text=True, cwd=ROOT, timeout=patience(60),
    )  # fmt: skip
    assert process.returncode == 1
    assert "quietfloor: cannot print to standard output (No space left on device)" in process.stderr


def test_letters_that_an_output_has_not_are_written_as_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    inside = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(inside, encoding="ascii"))
    with printing() as something_lost:
        print("7 µV")
        assert not something_lost()
    assert inside.getvalue() == b"7 \\xb5V\n"
