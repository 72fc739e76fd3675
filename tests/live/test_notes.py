"""Remarks on a moment of a run: kept among the events, whoever makes them and whenever."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import make_plan
from quietfloor.monitor.review.replay import replay
from quietfloor.monitor.run.publisher import LONGEST_NOTE
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.status import Notice, Status
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.slow import patience
from tests.synthetic import stream


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """On a recording of some seconds without a response, at four times its pace."""
    made = stream(np.random.default_rng(3), 4000.0, 160, nv=0.0, noise_uv=0.5)
    description = StreamDescription(
        "amplifier", "EEG", "sn-3", "here", "uid", 1.0, 2, 4000.0, "float32", ("Cz", "TRIG"), ("microvolts", "")
    )
    path = tmp_path / "recorded.xdf"
    with Journal(path, [description]) as journal:
        for at in range(0, len(made.stamps_s), 80):
            journal.samples(Chunk(made.samples[:, at : at + 80].astype(np.float32), made.stamps_s[at : at + 80]))
    plan = make_plan({"stream": {"name": "amplifier", "eeg": ["Cz"], "trigger": "TRIG"}, "decision": {"max_sweeps": 128}})
    source = RecordingSource(path, pace=4.0)
    return Run(resolve(plan, source.description), source, RunFolder.create(tmp_path))


def notes(run: Run) -> list[dict[str, object]]:
    return [event for event in run.folder.read_events() if event["type"] == "notice" and event["what"] == "note"]


def test_notes_of_any_thread_are_kept_with_their_moment_and_replay_is_the_same(run: Run) -> None:
    assert run.note("before the start")
    run.start()
    begun = time.monotonic()
    while run.status.state != "running":
        assert time.monotonic() < begun + patience(20)
        time.sleep(0.01)
    writers = [threading.Thread(target=run.note, args=(f"note {number}",)) for number in range(20)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert run.note("  a moment\nago " + "x" * 1000, ago_s=0.25)
    now_s = time.monotonic() - run._publisher.began_s
    assert run.wait(patience(30))
    assert not run.note("too late")
    kept = notes(run)
    assert {note["text"] for note in kept[1:-1]} == {f"note {number}" for number in range(20)}
    assert kept[0]["text"] == "before the start"
    assert str(kept[-1]["text"]).startswith("a moment ago x")
    assert len(str(kept[-1]["text"])) == LONGEST_NOTE
    assert kept[-1]["at_s"] == pytest.approx(now_s - 0.25, abs=0.2)
    assert replay(run.folder).identical


def test_averages_are_offered_look_by_look_and_a_display_that_fails_there_is_dropped(
    run: Run, caplog: pytest.LogCaptureFixture
) -> None:
    seen: list[Status] = []

    def on_status(status: Status) -> None:
        seen.append(status)
        if len(seen) == 3:
            raise RuntimeError("no more paint")

    run._publisher._on_status = on_status
    told: list[object] = []
    run._publisher._optional.append(told.append)
    run.start()
    assert run.wait(patience(30))
    assert run.failure is None
    assert len(seen) == 3
    assert all(status.look is not None and status.average is not None for status in seen)
    assert "the display of the averages failed" in caplog.text
    assert not any(isinstance(event, Notice) and event.what == "fault" for event in told)
