"""A recording that somebody cuts short while it is read: its reader says so, or gives what was there.
Each in a process of its own, which a map of the file would end."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from quietfloor.bench.devtools.fuzz_binary import plain_run
from quietfloor.monitor.untrusted.bounded_io import FileBytes, open_file

SCRIPT = """
import os, sys
from pathlib import Path
from quietfloor.monitor.formats import xdf_read
from quietfloor.monitor.sources import edf
from quietfloor.monitor.sources.recording import read_file

path, left, places = Path(sys.argv[1]), int(sys.argv[2]), [(xdf_read, "_assemble"), (edf, "_head"), (edf, "_streams")]
for module, name in places:
    def first_cut(*given, before=getattr(module, name), **named):
        os.truncate(path, left)
        return before(*given, **named)
    setattr(module, name, first_cut)
try:
    found = read_file(path)
except OSError as error:
    print("refused:", error.strerror)
else:
    print("read:", sum(stream.samples.size for stream in found.streams.values()))
"""


def _read_while_cut(path: Path, left: int) -> str:
    done = subprocess.run([sys.executable, "-c", SCRIPT, str(path), str(left)], capture_output=True, text=True, timeout=100)
    assert done.returncode == 0, (signal.Signals(-done.returncode) if done.returncode < 0 else "", done.stderr)
    return done.stdout


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    return plain_run(tmp_path / "made", unfinished=False) / "raw.xdf"


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_an_xdf_file_is_cut_between_its_walk_and_its_samples(recording: Path, share: float) -> None:
    left = int(share * recording.stat().st_size)
    assert "refused: it was cut short" in _read_while_cut(recording, left)


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_a_bdf_file_is_cut_once_its_size_is_known(tmp_path: Path, share: float) -> None:
    path = tmp_path / "cut.bdf"
    path.write_bytes((Path(__file__).parents[1] / "data" / "bdf" / "third-party.bdf").read_bytes())
    assert "refused: it was cut short" in _read_while_cut(path, int(share * path.stat().st_size))


def test_the_bytes_of_a_file_are_those_of_its_content(tmp_path: Path) -> None:
    content = bytes(range(256)) * 700 + b"boundary" + bytes(70_000)
    (tmp_path / "file").write_bytes(content)
    with open_file(tmp_path / "file") as file:
        found = FileBytes(file, tmp_path / "file")
        assert len(found) == len(content)
        places = [(0, 4), (9, 2), (40_000, 40_010), (32_760, 32_800), (5, 100_000), (len(content) - 3, 10**9), (10**9, 2**70)]
        for start, stop in places:
            assert found[start:stop] == content[start:stop]
        sought = [(b"boundary", 0), (b"boundary", 179_200), (b"boundary", 179_201), (b"\xff\x00", 255), (b"\xff\x01", 7)]
        for wanted, start in sought:
            assert found.find(wanted, start) == content.find(wanted, start)
