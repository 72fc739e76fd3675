"""The journal: exact, readable elsewhere, alive after a kill, loud when the disk fails."""

from __future__ import annotations

import dataclasses
import datetime
import errno
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import pyxdf

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.formats.xdf import read_xdf
from quietfloor.monitor.sources.base import (
    AmbiguousStream,
    EndOfRecording,
    NoStream,
    StreamDescription,
    marker_description,
)
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.raw_writer import Journal, JournalError
from tests.slow import patience

AMPLIFIER = StreamDescription(
    "amp <1> & µ", "EEG", "sn", "host", "uid", 3.5, 2, 16000.0, "float32", ("Cz-M2", "trigger"), ("microvolts", "V")
)


def chunks(sizes: list[int], seed: int = 1) -> list[Chunk]:
    rng = np.random.default_rng(seed)
    at = np.cumsum([0, *sizes])
    return [
        Chunk(rng.normal(size=(2, size)).astype(np.float32), 5e4 + (begin + np.arange(size)) / 16000.0)
        for begin, size in zip(at, sizes, strict=False)
    ]


def test_a_journal_loads_elsewhere_without_warning_and_replays_exactly(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "raw.xdf"
    pieces = chunks([80, 160, 1, 16000, 79])
    started = datetime.datetime(2026, 1, 2, 3, 4, 5, tzinfo=datetime.UTC)
    with Journal(path, [AMPLIFIER, marker_description()], started) as journal:
        journal.clock_offset(5e4, 0.25)
        journal.clock_offset(5e4, 0.25)
        for piece in pieces:
            journal.samples(piece)
        journal.clock_offset(5e4 + 1.0, 0.25)
        journal.marker(5e4 + 0.01, '{"sweep":0}')
    with caplog.at_level(logging.WARNING):
        pyxdf.load_xdf(str(path))
        streams, header = pyxdf.load_xdf(str(path), synchronize_clocks=False, dejitter_timestamps=False)
    assert caplog.records == []
    assert header["info"]["datetime"] == ["2026-01-02T03:04:05+00:00"]
    samples = np.concatenate([piece.samples for piece in pieces], axis=1)
    stamps_s = np.concatenate([piece.stamps_s for piece in pieces])
    np.testing.assert_array_equal(streams[0]["time_series"], samples.T)
    np.testing.assert_array_equal(streams[0]["time_stamps"], stamps_s)
    assert streams[0]["clock_times"] == [5e4, 5e4 + 1.0]
    assert streams[0]["info"]["desc"][0]["channels"][0]["channel"][1]["label"] == ["trigger"]

    source = RecordingSource(path)
    assert dataclasses.replace(source.description, xml="") == AMPLIFIER
    assert source.markers == [(5e4 + 0.01, '{"sweep":0}')]
    assert source.clock_offsets == [(5e4, 0.25), (5e4 + 1.0, 0.25)]
    for piece in pieces:
        replayed = source.pull(0.0)
        assert replayed is not None
        assert replayed.samples.dtype == np.float32
        assert replayed.samples.tobytes() == piece.samples.tobytes()
        assert replayed.stamps_s.tobytes() == piece.stamps_s.tobytes()
    with pytest.raises(EndOfRecording, match="16320 samples"):
        source.pull(0.0)


@pytest.mark.parametrize("size", [1, 7, 1000, 99999])
def test_replay_in_other_pieces_gives_the_same_samples(size: int, tmp_path: Path) -> None:
    pieces = chunks([300, 1, 1700])
    with Journal(tmp_path / "raw.xdf", [AMPLIFIER]) as journal:
        for piece in pieces:
            journal.samples(piece)
    source = RecordingSource(tmp_path / "raw.xdf", chunk_samples=size)
    got = []
    while True:
        try:
            chunk = source.pull()
        except EndOfRecording:
            break
        assert chunk is not None
        assert chunk.samples.shape[1] <= size
        got.append(chunk.samples)
    np.testing.assert_array_equal(np.concatenate(got, axis=1), np.concatenate([p.samples for p in pieces], axis=1))


def test_replay_keeps_the_pace_it_was_given(tmp_path: Path) -> None:
    with Journal(tmp_path / "raw.xdf", [AMPLIFIER]) as journal:
        for piece in chunks([1600] * 10):
            journal.samples(piece)
    now = [100.0]

    def sleep(seconds: float) -> None:
        now[0] += seconds

    source = RecordingSource(tmp_path / "raw.xdf", pace=2.0, clock=lambda: now[0], sleep=sleep)
    assert source.pull(0.01) is None  # 0.1 s of samples is due after 0.05 s
    assert now[0] == pytest.approx(100.01)
    assert source.pull(1.0) is not None
    assert now[0] == pytest.approx(100.05)
    now[0] += 0.1
    assert source.backlog_samples == 3200
    for _ in range(9):
        assert source.pull(1.0) is not None
    assert now[0] == pytest.approx(100.5)
    with pytest.raises(EndOfRecording):
        source.pull(1.0)


def test_a_recording_with_none_or_two_sampled_streams_is_not_guessed_at(tmp_path: Path) -> None:
    other = dataclasses.replace(AMPLIFIER, name="other")
    Journal(tmp_path / "two.xdf", [AMPLIFIER, other]).close()
    Journal(tmp_path / "none.xdf", [marker_description("labels")]).close()
    with pytest.raises(AmbiguousStream, match="2 sampled streams") as caught:
        RecordingSource(tmp_path / "two.xdf")
    assert [candidate.name for candidate in caught.value.candidates] == [AMPLIFIER.name, "other"]
    assert RecordingSource(tmp_path / "two.xdf", name="other").description.name == "other"
    with pytest.raises(NoStream, match="'labels'"):
        RecordingSource(tmp_path / "none.xdf")


def test_streams_without_a_measured_offset_still_load_without_a_warning(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "raw.xdf"
    with Journal(path, [AMPLIFIER, marker_description(), marker_description("silent")]) as journal:
        for piece in chunks([1600] * 5):
            journal.samples(piece)
        journal.marker(5e4, "x")
    with caplog.at_level(logging.WARNING):
        streams, _ = pyxdf.load_xdf(str(path), dejitter_timestamps=True)
    assert caplog.records == []
    assert len(streams[2]["time_stamps"]) == 0


def test_an_existing_recording_is_never_touched(tmp_path: Path) -> None:
    path = tmp_path / "raw.xdf"
    path.write_bytes(b"precious")
    with pytest.raises(JournalError, match="exists"):
        Journal(path, [AMPLIFIER])
    assert path.read_bytes() == b"precious"
    with pytest.raises(JournalError, match="absent"):
        Journal(tmp_path / "absent" / "raw.xdf", [AMPLIFIER])


def test_an_unusable_description_leaves_no_file(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="float16"):
        Journal(tmp_path / "raw.xdf", [dataclasses.replace(AMPLIFIER, channel_format="float16")])
    assert not (tmp_path / "raw.xdf").exists()


def test_a_fault_of_the_syncing_thread_stops_the_recording(tmp_path: Path) -> None:
    failed = threading.Event()

    def full(fd: int) -> None:
        failed.set()
        raise OSError(errno.ENOSPC, "No space left on device")

    journal = Journal(tmp_path / "raw.xdf", [AMPLIFIER], sync_every_s=0.01, sync=full)
    first, second = chunks([100, 100])
    journal.samples(first)
    assert failed.wait(patience(5))

    def record_on() -> None:
        end_s = time.monotonic() + patience(5)
        while time.monotonic() < end_s:
            journal.samples(second)
            time.sleep(0.01)

    with pytest.raises(JournalError, match="No space left") as caught:
        record_on()
    assert "kept" in str(caught.value)
    with pytest.raises(JournalError):
        journal.close()
    journal.close()
    read = read_xdf(tmp_path / "raw.xdf")
    np.testing.assert_array_equal(read.streams[1].samples[:, :100], first.samples)
    assert not read.closed


def test_a_closed_journal_and_a_missing_text_stream_refuse(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "raw.xdf", [AMPLIFIER])
    with pytest.raises(ValueError, match="marker_description"):
        journal.marker(1.0, "x")
    journal.close()
    with pytest.raises(JournalError, match="closed"):
        journal.samples(chunks([1])[0])


def test_chunks_and_markers_from_two_threads_do_not_mix(tmp_path: Path) -> None:
    path = tmp_path / "raw.xdf"
    pieces = chunks([50] * 400)
    with Journal(path, [AMPLIFIER, marker_description()], sync_every_s=0.01) as journal:
        thread = threading.Thread(target=lambda: [journal.marker(float(i), f"m{i}") for i in range(400)])
        thread.start()
        for piece in pieces:
            journal.samples(piece)
        thread.join()
    read = read_xdf(path)
    assert read.closed
    assert read.problems == ()
    assert list(read.streams[2].samples[0]) == [f"m{i}" for i in range(400)]
    np.testing.assert_array_equal(read.streams[1].samples, np.concatenate([p.samples for p in pieces], axis=1))


def test_long_files_carry_boundaries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("quietfloor.monitor.storage.raw_writer.BOUNDARY_EVERY_BYTES", 1000)
    with Journal(tmp_path / "raw.xdf", [AMPLIFIER]) as journal:
        for piece in chunks([100] * 20):
            journal.samples(piece)
    whole = bytearray((tmp_path / "raw.xdf").read_bytes())
    whole[6000:6010] = bytes(10)
    whole[6010:8000] = bytes(1990)
    (tmp_path / "damaged.xdf").write_bytes(whole)
    read = read_xdf(tmp_path / "damaged.xdf")
    assert read.problems
    assert 1200 <= read.streams[1].samples.shape[1] < 2000
    assert read.streams[1].stamps_s[-1] == 5e4 + 1999 / 16000.0


RECORDING_PROGRAM = """
import sys
import numpy as np
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.storage.raw_writer import Journal
from tests_amplifier import AMPLIFIER
journal = Journal(sys.argv[1], [AMPLIFIER])
n = 0
while True:
    index = n + np.arange(160)
    journal.samples(Chunk(np.stack([index, -index]).astype(np.float32), index / 16000.0))
    n += 160
    print(n, flush=True)
"""


def test_a_killed_program_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    shared = f"from quietfloor.monitor.sources.base import StreamDescription\nAMPLIFIER = {AMPLIFIER!r}\n"
    (tmp_path / "tests_amplifier.py").write_text(shared)
    path = tmp_path / "raw.xdf"
    environment = os.environ | {"PYTHONPATH": str(tmp_path)}
    with subprocess.Popen(
        [sys.executable, "-c", RECORDING_PROGRAM, str(path)], stdout=subprocess.PIPE, text=True, env=environment
    ) as program:
        assert program.stdout is not None
        lines = [program.stdout.readline() for _ in range(500)]
        program.send_signal(signal.SIGKILL)
        lines += program.stdout.readlines()
    acknowledged = int([line for line in lines if line.endswith("\n")][-1])
    read = read_xdf(path)
    samples = read.streams[1].samples
    assert samples.shape[1] >= acknowledged >= 80000
    np.testing.assert_array_equal(samples[0], np.arange(samples.shape[1], dtype=np.float32))
    assert not read.closed
    assert RecordingSource(path).total_samples == samples.shape[1]
