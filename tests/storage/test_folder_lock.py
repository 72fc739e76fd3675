"""One writer at a time: refused with the process named, taken over when that one is gone, asked for twice by one process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from quietfloor.monitor.storage.folder_lock import NAME, InUse, hold, is_held, sole_writer
from tests.slow import patience

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
ROOT = Path(__file__).resolve().parents[2]
OTHER = """
import sys, time
from quietfloor.monitor.storage.folder_lock import sole_writer
with sole_writer(sys.argv[1]):
    print("mine", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def other(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """Another program at work in tmp_path / "s"."""
    process = subprocess.Popen(
        [sys.executable, "-c", OTHER, str(tmp_path / "s")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    assert process.stdout is not None
    assert process.stdin is not None
    assert process.stdout.readline() == "mine\n"
    yield process
    process.stdin.close()
    process.wait(patience(10))
    process.stdout.close()


def test_a_second_program_is_refused_by_name_until_the_first_is_done(other: subprocess.Popen[str], tmp_path: Path) -> None:
    with pytest.raises(InUse, match=rf"process {other.pid} since 20\d\d-.*choose another --out"), sole_writer(tmp_path / "s"):
        pass
    with sole_writer(tmp_path / "t"):
        assert (tmp_path / "t" / NAME).is_file()
    assert other.stdin is not None
    other.stdin.close()
    other.wait(patience(10))
    assert not (tmp_path / "s").exists()  # nothing came of it
    with sole_writer(tmp_path / "s"):
        pass


def test_a_killed_program_holds_nothing(other: subprocess.Popen[str], tmp_path: Path) -> None:
    other.send_signal(signal.SIGKILL)
    other.wait(patience(10))
    assert (tmp_path / "s" / NAME).is_file()
    with sole_writer(tmp_path / "s"):
        assert str(os.getpid()) in (tmp_path / "s" / NAME).read_text()
    assert not (tmp_path / "s" / NAME).exists()


def test_one_process_may_ask_again_and_files_stay(tmp_path: Path) -> None:
    with sole_writer(tmp_path / "s"):
        with sole_writer(tmp_path / "x" / ".." / "s"):
            (tmp_path / "s" / "kept").write_text("")
        assert (tmp_path / "s" / NAME).is_file()
    assert [path.name for path in (tmp_path / "s").iterdir()] == ["kept"]


def test_a_file_is_held_while_it_is_open(tmp_path: Path) -> None:
    path = tmp_path / "raw"
    assert not is_held(path)
    fd = os.open(path, os.O_RDWR | os.O_CREAT)
    assert not is_held(path)
    assert hold(fd)
    assert is_held(path)
    assert path.read_bytes() == b""  # advisory: readers are let in
    os.close(fd)
    assert not is_held(path)
