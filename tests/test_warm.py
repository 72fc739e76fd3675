"""A process of tests/warm.py is one of its own, and ends, writes and is signalled as one of subprocess."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests import warm
from tests.slow import patience

SCRIPT = """
import os, sys, time
print(os.getpid(), os.getcwd(), sys.argv[1], os.environ["MADE"], sys.stdin.read(), flush=True)
print("said", file=sys.stderr)
if sys.argv[1] == "wait":
    time.sleep(600)
sys.exit(int(sys.argv[2]))
"""


@pytest.fixture
def script(tmp_path: Path) -> Path:
    path = tmp_path / "script.py"
    path.write_text(SCRIPT, encoding="utf-8")
    return path


def test_it_is_like_one_of_subprocess(script: Path, tmp_path: Path) -> None:
    words, environment = [sys.executable, str(script), "word", "3"], os.environ | {"MADE": "here"}
    options: dict[str, Any] = {"cwd": tmp_path, "env": environment, "input": "heard", "capture_output": True, "text": True}
    forked, usual = (run(words, check=False, **options) for run in (warm.run, subprocess.run))
    assert forked.returncode == usual.returncode == 3
    assert forked.stdout.split()[1:] == usual.stdout.split()[1:] == [str(tmp_path), "word", "here", "heard"]
    assert forked.stderr == usual.stderr == "said\n"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forked on Linux only")
def test_it_is_forked_and_ends_by_the_signal_that_it_gets(script: Path) -> None:
    environment = os.environ | {"MADE": "here"}
    with warm.Popen(
        [sys.executable, str(script), "wait", "0"], env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert int(process.stdout.readline().split()[0]) == process.pid
        parent = Path(f"/proc/{process.pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()[1]
        assert int(parent) != os.getpid()
        assert process.poll() is None
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(0.01)
        process.send_signal(signal.SIGTERM)
        assert process.wait() == -signal.SIGTERM


def test_what_would_begin_otherwise_is_started_as_usual(script: Path) -> None:
    environment = os.environ | {"MADE": "here", "PYTHONHASHSEED": "1"}
    assert warm._understood([sys.executable, str(script)], environment) is None
    assert warm._understood([sys.executable, "-c", "pass"], None) is None
    assert warm._understood(["/bin/true"], None) is None


def test_the_server_begins_wherever_the_first_test_works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(warm, "_servers", {})  # as in a worker that has begun no process yet
    try:
        done = warm.run([sys.executable, "-m", "this"], timeout=patience(60))
        assert done.returncode == 0
    finally:
        (server,) = warm._servers.values()
        server._socket.close()  # which ends it
        server._process.wait(patience(60))
