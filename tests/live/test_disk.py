"""A recording that cannot be written ends the run on a fault."""

from __future__ import annotations

import json
import subprocess
import sys
import uuid
from pathlib import Path

import pytest

from quietfloor.monitor.formats.xdf import read_xdf
from tests.live.harness import call_here, foreign
from tests.slow import patience

pytestmark = [pytest.mark.lsl, pytest.mark.skipif(sys.platform == "win32", reason="POSIX file size limit")]

LIMITED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (1_200_000, 1_200_000))
from quietfloor.monitor.cli import main
sys.exit(main(sys.argv[1:]))
"""


def test_a_full_disk_ends_the_run_in_good_order(tmp_path: Path) -> None:
    """1.2 MB of disk are full after 9 s: the check of a stream that a busy machine delivers unevenly takes up to 6 s."""
    name = f"foreign-{uuid.uuid4().hex[:8]}"
    wanted = ["run", "--listen", "--stream", name, "--eeg", "E1", "--trigger", "TRIG", "--max-sweeps", "1920", "--json"]
    with foreign(name, ["--nv", "0"]):
        full = subprocess.Popen(
            [sys.executable, "-c", LIMITED, *wanted, "--out", str(tmp_path)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        out, err = full.communicate(timeout=patience(60))

    assert full.returncode == 3, err
    record = json.loads(out)
    folder = Path(record["folder"])
    assert (record["verdict"], record["stopped_by"]) == ("inconclusive", "fault")
    for words in ("cannot record to", "raw.xdf", "What was written before is kept", "begin a new run"):
        assert words in record["fault"]
    assert json.loads((folder / "run.json").read_text())["fault"] == record["fault"]
    recorded = read_xdf(folder / "raw.xdf").streams[1]
    # Two float32, a stamp and its mark a sample. A busy machine writes large pieces, and the last one did not fit.
    assert recorded.samples.shape[1] > 1_200_000 / 17 * 0.4
    again = call_here("replay", str(folder), "--json")
    assert (again.status, again.json["identical"]) == (0, True)
