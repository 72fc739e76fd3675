"""A recording that cannot be written ends the run on a fault; a display that fails ends nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import uuid
from pathlib import Path

import pytest

from monitor.xdf import read_xdf
from tests.live.harness import ROOT, call, foreign
from tests.slow import patience

pytestmark = [pytest.mark.lsl, pytest.mark.skipif(sys.platform == "win32", reason="POSIX file size limit and pipes")]

LIMITED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
from monitor.cli import main
sys.exit(main(sys.argv[1:]))
"""


def asked(name: str, session: Path) -> list[str]:
    return ["run", "--listen", "--stream", name, "--eeg", "E1", "--trigger", "TRIG", "--max-sweeps", "192", "--out", str(session)]


def test_a_full_disk_and_a_closed_pipe(tmp_path: Path) -> None:
    """Both at once, on one amplifier: 300 kB of disk are full after about 2 s; `| head -1` closes the pipe after one line."""
    name = f"foreign-{uuid.uuid4().hex[:8]}"
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    with foreign(name, ["--nv", "0"]):
        full = subprocess.Popen(
            [sys.executable, "-c", LIMITED, *asked(name, tmp_path / "full"), "--json"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
        )  # fmt: skip
        piped = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", *asked(name, tmp_path / "piped")],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
        )  # fmt: skip
        assert piped.stdout is not None
        assert piped.stdout.readline()
        piped.stdout.close()
        out, err = full.communicate(timeout=60)
        assert piped.stderr is not None
        piped_err = piped.stderr.read()
        piped.stderr.close()
        piped.wait(patience(60))

    assert full.returncode == 3, err
    record = json.loads(out)
    folder = Path(record["folder"])
    assert (record["verdict"], record["stopped_by"]) == ("inconclusive", "fault")
    for words in ("cannot record to", "raw.xdf", "What was written before is kept", "begin a new run"):
        assert words in record["fault"]
    assert json.loads((folder / "run.json").read_text())["fault"] == record["fault"]
    recorded = read_xdf(folder / "raw.xdf").streams[1]
    assert recorded.samples.shape[1] > 300_000 / 16 * 0.9
    again = call("replay", str(folder), "--json")
    assert (again.status, again.json["identical"]) == (0, True)

    assert "Traceback" not in piped_err
    assert "the display failed" in piped_err
    kept = json.loads((tmp_path / "piped" / "run-001" / "run.json").read_text())
    assert (kept["stopped_by"], kept["sweeps_presented"], kept["fault"]) == ("sweep_limit", 192, None)
