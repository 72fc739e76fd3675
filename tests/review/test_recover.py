"""A run that was cut short is finished from its recording; one that is going on is left alone; a disk that fails is said."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.bench.devtools.crash_tests import Kills
from quietfloor.bench.devtools.delay import PER_S
from quietfloor.bench.devtools.soak import MadeStream, soak_plan
from quietfloor.monitor.cli import main
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.formats.xdf import read_xdf
from quietfloor.monitor.review.recover import FinishError, NothingRecorded, finish, is_unfinished
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.run.disk_space import RESERVE_BYTES, DiskFull, check_room, free_bytes, longest_s, predicted_bytes
from quietfloor.monitor.run.opening import write_results
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.run_record import run_record
from quietfloor.monitor.storage.folder_lock import InUse
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import ROOM_BYTES, RunFolder
from tests.slow import patience

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX processes and mounts")


@pytest.fixture(scope="module")
def kills() -> Iterator[Kills]:
    made = Kills(seed=3)
    yield made
    made.close()


@pytest.mark.parametrize("count", [10, pytest.param(24, marks=pytest.mark.long)])
def test_killed_anywhere_a_run_loses_less_than_a_second_and_can_be_finished(count: int, kills: Kills) -> None:
    """`python -m quietfloor.bench.devtools.faults` does the same at many more places."""
    tried = list(kills.tries(count))
    assert [one for one in tried if one.wrong] == []
    assert max(one.lost_s for one in tried) < 1.0
    assert sum(one.finished for one in tried) >= count // 2
    assert {one.place for one in tried} == {"time", "byte", "sync", "power", "full"}


class Paced:
    """Noise with triggers at four times real time, for as long as it is asked."""

    SPEED_HZ = 4 * 4000.0

    def __init__(self) -> None:
        self._stream = MadeStream(240.0, 4000.0, 1, 3)
        self.description = self._stream.description
        self.backlog_samples = 0
        self._began_s = time.monotonic()
        self.given: list[np.ndarray] = []

    def pull(self, timeout_s: float) -> Chunk:
        time.sleep(max(0.0, self._began_s + self._stream.sent / self.SPEED_HZ - time.monotonic()))
        chunk = self._stream.pull()
        self.given.append(chunk.samples)
        return chunk

    def close(self) -> None:
        pass


def going(session: Path, **how: Any) -> tuple[Run, Paced]:
    """A run that has begun."""
    source, plan = Paced(), soak_plan("soak", 1, 240.0)
    run = Run(resolve(plan, source.description), source, RunFolder.create(session), **how)
    run.start()
    end_s = time.monotonic() + patience(30)
    while run.status.look is None:
        assert time.monotonic() < end_s
        time.sleep(0.02)
    return run, source


def recorded(path: Path) -> np.ndarray:
    return np.asarray(read_xdf(path / "raw.xdf").streams[1].samples)


def says(folder: Path) -> list[str]:
    return [event.get("what", event["type"]) for event in RunFolder(folder).read_events()]


def test_a_run_that_is_going_on_is_left_alone(tmp_path: Path) -> None:
    run, _ = going(tmp_path)
    folder = run.folder
    assert not is_unfinished(folder.path)
    assert folder.why_no_result == "it is going on"
    with pytest.raises(FinishError, match="is being recorded: wait until the run is over"):
        finish(folder.path)
    run.stop()
    assert run.wait(patience(30))
    assert is_unfinished(folder.path)
    assert "was killed; `quietfloor finish" in folder.why_no_result
    done = finish(folder.path)
    assert done.made == ("average.csv", "run.json")
    assert (done.record["stopped_by"], done.record["from_recording"]) == ("operator", True)
    assert finish(folder.path).made == ()


def test_a_folder_that_is_deleted_during_a_run_is_written_again(tmp_path: Path) -> None:
    run, source = going(tmp_path)
    shutil.rmtree(run.folder.path)
    assert run.wait(patience(30))
    assert run.failure is not None
    assert "was deleted during the run: what was recorded is written there again" in run.failure
    path = run.folder.path
    np.testing.assert_array_equal(recorded(path), np.concatenate(source.given, axis=1))
    assert says(path)[-2:] == ["folder_gone", "verdict"]
    assert "look" in says(path)
    done = finish(path)
    assert (done.record["stopped_by"], done.record["fault"]) == ("fault", run.failure)
    assert replay(RunFolder.open(path)).identical


def test_files_that_are_deleted_during_a_run_are_written_again(tmp_path: Path) -> None:
    run, source = going(tmp_path)
    folder = run.folder
    folder.write_begun({"format": "quietfloor begun run 1"})
    before = {path: path.read_text() for path in (folder.plan, folder.begun)}
    said = folder.events.read_text()
    for path in (folder.plan, folder.begun, folder.events):
        path.unlink()
    end_s = time.monotonic() + patience(30)
    while not any("deleted during the run" in notice for notice in run.status.notices):
        assert time.monotonic() < end_s
        time.sleep(0.02)
    folder.plan.unlink()  # and at the very end
    run.stop()
    assert run.wait(patience(30))
    assert run.failure is None
    assert {path: path.read_text() for path in before} == before
    assert folder.events.read_text().startswith(said)
    assert says(folder.path).count("file_gone") == 2
    np.testing.assert_array_equal(recorded(folder.path), np.concatenate(source.given, axis=1))
    assert finish(folder.path).record["stopped_by"] == "operator"


def test_a_recording_that_is_cut_during_a_run_ends_it_and_stays_readable(tmp_path: Path) -> None:
    run, source = going(tmp_path)
    raw = run.folder.raw
    os.truncate(raw, raw.stat().st_size // 2)
    assert run.wait(patience(30))
    assert run.failure is not None
    assert f"{raw} was cut from" in run.failure
    assert "by another program" in run.failure
    assert b"\x00" * 1000 not in raw.read_bytes()[-2000:]
    kept = recorded(run.folder.path)
    assert kept.shape[1] > 1000
    np.testing.assert_array_equal(kept, np.concatenate(source.given, axis=1)[:, : kept.shape[1]])
    assert says(run.folder.path)[-1] == "verdict"


def filled(disk: Path) -> Path:
    """Another file that takes all the room. Not beside a run: it would take the room too that the run frees for its end."""
    other = nearly_filled(disk)
    with contextlib.suppress(OSError), open(other, "ab", buffering=0) as file:
        while True:
            file.write(bytes(512))
    return other


def nearly_filled(disk: Path) -> Path:
    """Another file that leaves less room than a run frees for its end; the rest the run fills with its recording."""
    other = disk / "other"
    with open(other, "wb", buffering=0) as file:
        while (room := os.statvfs(disk)).f_bavail * room.f_frsize > ROOM_BYTES - 65536:
            file.write(bytes(65536))
    return other


def test_a_disk_that_is_full_at_once_keeps_the_result_and_its_cause(tmp_path: Path) -> None:
    """Nobody could warn: the room behind begun.json is what the end is written into."""
    with mounted(tmp_path / "disk", "size=8m") as disk:
        run, source = going(disk, full=lambda _: None)
        folder = run.folder
        folder.write_begun({"format": "quietfloor begun run 1"})
        nearly_filled(disk)
        assert run.wait(patience(30))
        assert run.failure is not None
        assert run.engine is not None
        record = run_record(
            run.plan, run.verdict, run.engine, stream=source.description, unit=run.unit, sound=None, calibration=None,
            failure=run.failure,
        )  # fmt: skip
        write_results(folder, record, run.engine)
        kept = json.loads(folder.run.read_text())
        assert "No space left on device" in kept["fault"]
        assert kept["stopped_by"] == "fault"
        assert "No space left on device" in list(folder.read_events())[-1]["reason"]
        assert len(folder.read_average()["time_ms"]) > 100
        assert not folder.begun.exists()


def test_a_disk_that_is_full_at_the_end_of_a_run_has_room_for_its_result(tmp_path: Path) -> None:
    with mounted(tmp_path / "disk", "size=8m") as disk:
        run, source = going(disk, full=lambda _: None)
        run.folder.write_begun({"format": "quietfloor begun run 1"})
        run.stop()
        assert run.wait(patience(30))
        assert run.engine is not None
        filled(disk)
        record = run_record(
            run.plan, run.verdict, run.engine, stream=source.description, unit=run.unit, sound=None, calibration=None
        )
        write_results(run.folder, record, run.engine)
        kept = json.loads(run.folder.run.read_text())
        assert (kept["fault"], kept["stopped_by"]) == (None, "operator")
        assert len(run.folder.read_average()["time_ms"]) > 100
        assert not run.folder.begun.exists()
        assert not list(run.folder.path.glob(".*"))


def test_finishing_on_a_full_disk_names_file_and_cause(tmp_path: Path) -> None:
    with mounted(tmp_path / "disk", "size=8m") as disk:
        run, _ = going(disk, full=lambda _: None)
        run.stop()
        assert run.wait(patience(30))
        other = filled(disk)
        with pytest.raises(FinishError, match=r"cannot write .*average.csv \(No space left on device\): .* is whole"):
            finish(run.folder.path)
        other.unlink()
        assert finish(run.folder.path).made == ("average.csv", "run.json")


def test_a_folder_that_is_moved_during_a_run_is_whole_where_it_is(tmp_path: Path) -> None:
    run, source = going(tmp_path / "a")
    (tmp_path / "a").rename(tmp_path / "b")
    assert run.wait(patience(30))
    assert run.failure is not None
    assert "was moved during the run, or its disk was taken away" in run.failure
    assert not (tmp_path / "a").exists()
    path = tmp_path / "b" / "run-001"
    np.testing.assert_array_equal(recorded(path), np.concatenate(source.given, axis=1))
    assert says(path)[-2:] == ["folder_gone", "verdict"]
    assert finish(path).record["stopped_by"] == "fault"


@contextlib.contextmanager
def mounted(place: Path, options: str) -> Iterator[Path]:
    """A disk of its own, where this machine lets us have one."""
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("no disk can be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], capture_output=True)


def test_a_disk_that_fills_up_ends_the_run_while_all_can_be_kept(tmp_path: Path) -> None:
    with mounted(tmp_path / "disk", "size=64m") as disk:
        run, source = going(disk)
        with open(disk / "other", "wb") as file:
            file.write(bytes(free_bytes(disk) - RESERVE_BYTES + 100_000))
        assert run.wait(patience(30))
        assert run.failure is not None
        assert "is nearly full" in run.failure
        path = run.folder.path
        np.testing.assert_array_equal(recorded(path), np.concatenate(source.given, axis=1))
        assert says(path)[-2:] == ["disk_full", "verdict"]
        assert finish(path).record["fault"] == run.failure


def test_a_disk_that_is_taken_away_keeps_what_it_has(tmp_path: Path) -> None:
    with mounted(tmp_path / "disk", "size=64m") as disk:
        (tmp_path / "other").mkdir()
        subprocess.run(["mount", "--bind", str(disk), str(tmp_path / "other")], check=True)
        try:
            run, source = going(disk)
            subprocess.run(["umount", "-l", str(disk)], check=True)
            assert run.wait(patience(30))
            assert run.failure is not None
            assert "its disk was taken away" in run.failure
            path = tmp_path / "other" / "run-001"
            np.testing.assert_array_equal(recorded(path), np.concatenate(source.given, axis=1))
            assert finish(path).record["stopped_by"] == "fault"
        finally:
            subprocess.run(["umount", "-l", str(tmp_path / "other")], check=True)


def test_a_disk_that_cannot_be_written_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    with mounted(tmp_path / "disk", "size=1m,ro") as disk:
        plan = tmp_path / "plan.toml"
        plan.write_text('[stream]\nname = "nobody"\neeg = [1]\ntrigger = "2"\nwait_s = 0.5\n')
        said = subprocess.run(
            [sys.executable, "-m", "quietfloor.monitor.cli", "run", str(plan), "--listen", "--no-window", "--no-setup",
             "--out", str(disk)],
            capture_output=True, text=True, cwd=Path(__file__).resolve().parents[2],
        )  # fmt: skip
        assert said.returncode == 1
        assert f"cannot make a run in {disk} (Read-only file system): choose another --out" in said.stderr


def test_room_is_asked_for_before_a_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = MadeStream(1.0, 4000.0, 2, 1).description
    plan = soak_plan("soak", 2, 1.0)  # 1024 sweeps, by other equipment
    assert longest_s(plan) == pytest.approx(102.4)
    assert predicted_bytes(plan, stream) == pytest.approx(1.1 * 102.4 * 4000 * (3 * 4 + 9), rel=1e-6)
    free = "quietfloor.monitor.run.disk_space.free_bytes"
    monkeypatch.setattr(free, lambda folder: RESERVE_BYTES + predicted_bytes(plan, stream))
    check_room(tmp_path, plan, stream)
    monkeypatch.setattr(free, lambda folder: RESERVE_BYTES + predicted_bytes(plan, stream) - 1)
    with pytest.raises(DiskFull, match=r"43 MB free, and a run of up to 1\.7 min on this stream needs 43 MB: free the disk"):
        check_room(tmp_path, plan, stream)
    assert free_bytes(tmp_path / "not" / "there") > 0


def test_a_longest_run_that_is_carried_out_fits_what_was_predicted(kills: Kills) -> None:
    """1024 sweeps at the rate of this stream instead of the 10/s that are assumed of other equipment."""
    plan, stream = soak_plan("soak", 2, 1.0), MadeStream(1.0, 4000.0, 2, 1).description
    ratio = kills.bytes_in_peace / (predicted_bytes(plan, stream) * 10.0 / PER_S)
    assert 0.85 < ratio < 1.0


def test_the_command_finishes_all_runs_of_a_session(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run, _ = going(tmp_path)
    run.stop()
    assert run.wait(patience(30))
    RunFolder.create(tmp_path)  # made and nothing more
    begun = RunFolder.create(tmp_path)
    begun.raw.write_bytes(b"XDF:")
    assert begun.why_no_result == "it was ended before anything was recorded"
    with pytest.raises(NothingRecorded, match="before anything was recorded"):
        finish(begun.path)
    assert main(["finish", str(tmp_path), "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert [Path(one["folder"]).name for one in content["runs"]] == ["run-001", "run-003"]
    assert content["runs"][0]["made"] == ["average.csv", "run.json"]
    assert main(["finish", str(tmp_path / "run-001")]) == 0
    assert "nothing was missing; inconclusive, stopped by the operator" in capsys.readouterr().out
    assert main(["finish", str(tmp_path / "none")]) == 1


def test_a_run_killed_in_its_first_second_says_so(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path)
    stream = MadeStream(1.0, 4000.0, 1, 1)
    with Journal(folder.raw, [stream.description]) as journal:
        journal.samples(stream.pull())
    done = finish(folder.path)
    assert done.made == ("events.jsonl", "run.json")
    assert (done.record["verdict"], done.record["stopped_by"]) == ("inconclusive", "fault")
    assert "before the first sweep" in done.record["reason"]


def test_a_log_that_says_otherwise_is_left_alone(tmp_path: Path) -> None:
    run, _ = going(tmp_path)
    run.stop()
    assert run.wait(patience(30))
    log = run.folder.events
    log.write_text(log.read_text().replace('"sweeps_presented":32', '"sweeps_presented":31'))
    with pytest.raises(FinishError, match="comes out otherwise than it was said live, so nothing was written"):
        finish(run.folder.path)
    assert not run.folder.run.exists()


def test_a_line_that_was_cut_is_completed_or_kept_as_text(tmp_path: Path) -> None:
    run, _ = going(tmp_path)
    run.stop()
    assert run.wait(patience(30))
    log = run.folder.events
    whole = log.read_bytes()
    log.write_bytes(whole[:-20])  # within the verdict of the operator, of which the recording does not know
    done = finish(run.folder.path)
    assert done.record["reason"] == "the program was ended before the run was over"
    events = list(run.folder.read_events())
    cut = next(event for event in events if event.get("what") == "cut_line")
    assert whole.decode()[:-20].endswith(cut["text"])
    run.folder.run.unlink()
    lines = whole.decode().splitlines(keepends=True)
    look = next(number for number, line in enumerate(lines) if line.startswith('{"type":"look"'))
    log.write_text("".join(lines[:look]) + lines[look][:100])
    finish(run.folder.path)
    assert log.read_text().startswith("".join(lines[: look + 1]))


def test_two_programs_and_one_session(tmp_path: Path) -> None:
    run, _ = going(tmp_path)
    run.stop()
    assert run.wait(patience(30))
    script = "import sys; from quietfloor.monitor.storage.folder_lock import sole_writer as a\n"
    script += "with a(sys.argv[1]): print(1, flush=True); sys.stdin.read()"
    other = subprocess.Popen([sys.executable, "-c", script, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert other.stdout is not None
    other.stdout.readline()
    with pytest.raises(InUse, match=f"process {other.pid}"):
        finish(run.folder.path)
    other.send_signal(signal.SIGKILL)
    other.wait(patience(10))
    for pipe in (other.stdin, other.stdout):
        assert pipe is not None
        pipe.close()
    assert finish(run.folder.path).made
