"""The life of a run, in process, on a recording: lifecycle table, subscribers, a journal that fails, sound and markers."""

from __future__ import annotations

import errno
import functools
import json
import math
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import quietfloor.monitor.run.run
from quietfloor.monitor.core.events import Event, LookDone, Verdict
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.formats.xdf import read_xdf
from quietfloor.monitor.plan.run_plan import Plan, make_plan
from quietfloor.monitor.run.resolved_plan import layout_of, resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.run.status import STOPPABLE, TRANSITIONS, Notice, State
from quietfloor.monitor.sources.base import SourceError, StreamDescription, StreamLost, marker_description
from quietfloor.monitor.sources.channels import Channels
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.slow import patience
from tests.synthetic import stream

RATE_HZ = 4000.0
UNITS = ("microvolts", "microvolts", "")


def described(units: tuple[str, ...] = UNITS, rate_hz: float = RATE_HZ) -> StreamDescription:
    return StreamDescription("amplifier", "EEG", "sn-3", "here", "uid", 1.0, 3, rate_hz, "float32", ("Cz", "Pz", "TRIG"), units)


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """An XDF file with 320 sweeps and a large response, or none."""

    @functools.cache
    def make(nv: float = 4000.0, units: tuple[str, ...] = UNITS) -> Path:
        made = stream(np.random.default_rng(3), RATE_HZ, 320, nv=nv, noise_uv=0.5, channels=2)
        path = tmp_path_factory.mktemp("recorded") / "raw.xdf"
        with Journal(path, [described(units)]) as journal:
            for at in range(0, len(made.stamps_s), 80):
                journal.samples(Chunk(made.samples[:, at : at + 80].astype(np.float32), made.stamps_s[at : at + 80]))
        return path

    return make


@pytest.fixture
def make_run(recording: Callable[..., Path], tmp_path: Path) -> Callable[..., Run]:
    def make(
        nv: float = 4000.0, units: tuple[str, ...] = UNITS, pace: float | None = None, plan: Plan | None = None, **more: Any
    ) -> Run:
        source = RecordingSource(recording(nv, units), pace=pace)
        plan = plan or make_plan({"stream": {"name": "amplifier", "eeg": ["Cz", "Pz"], "trigger": "TRIG"}})
        return Run(resolve(plan, source.description), source, RunFolder.create(tmp_path), **more)

    return make


def carry_through(run: Run) -> Run:
    run.start()
    assert run.wait(patience(30.0))
    return run


def kept(run: Run) -> list[dict[str, Any]]:
    return list(run.folder.read_events())


# -- lifecycle ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("here", TRANSITIONS)
@pytest.mark.parametrize("there", TRANSITIONS)
def test_only_what_the_table_allows(here: State, there: State, make_run: Callable[..., Run]) -> None:
    run = make_run()
    run._publisher.status = quietfloor.monitor.run.status.Status(state=here)
    if there in TRANSITIONS[here]:
        run._publisher.set_state(there)
        assert run.status.state == there
    else:
        with pytest.raises(RuntimeError, match=f"a run that is {here} cannot become {there}"):
            run._publisher.set_state(there)
        assert run.status.state == here


def test_every_state_is_reached_and_left_as_the_table_says() -> None:
    reached = {"ready"}.union(*TRANSITIONS.values())
    assert reached == set(TRANSITIONS)
    assert [state for state, after in TRANSITIONS.items() if not after] == ["done", "failed"]
    assert set(STOPPABLE) <= set(TRANSITIONS)


def test_a_run_from_start_to_end(make_run: Callable[..., Run]) -> None:
    states: list[State] = []
    events: list[Event | Notice] = []
    run = make_run(optional=[lambda event: states.append(run.status.state)], critical=[events.append])
    assert run.status.state == "ready"
    carry_through(run)
    assert run.status.state == "done"
    assert (run.failure, run.verdict and run.verdict.verdict) == (None, "response_present")
    assert set(states) <= {"checking", "running"}
    assert isinstance(events[-1], Verdict)
    assert [json.dumps(event.record()) for event in events if isinstance(event, LookDone)] == [
        json.dumps(event) for event in kept(run) if event["type"] == "look"
    ]
    assert run.status.look is not None
    assert run.status.average is not None


def test_a_run_starts_once(make_run: Callable[..., Run]) -> None:
    run = carry_through(make_run())
    with pytest.raises(RuntimeError, match="a run that is done cannot become checking"):
        run.start()


def test_stop_before_start_ends_it_before_the_first_sweep(make_run: Callable[..., Run]) -> None:
    run = make_run()
    run.stop()
    assert not run.wait(0.0)
    carry_through(run)
    assert run.status.state == "done"
    assert run.verdict == Verdict(0, "inconclusive", "operator", "stopped before the first sweep")
    assert [event["type"] for event in kept(run)] == ["verdict"]
    assert run.folder.plan.is_file()


def test_stop_twice_and_after_the_end(make_run: Callable[..., Run]) -> None:
    run = make_run(nv=0.0, pace=2.0)
    run.start()
    assert not run.wait(1.0)
    run.stop()
    run.stop()
    assert run.wait(patience(10.0))
    assert run.verdict is not None
    assert (run.verdict.stopped_by, run.status.state, run.failure) == ("operator", "done", None)
    run.stop()
    assert [event["type"] for event in kept(run)].count("verdict") == 1


# -- who listens ----------------------------------------------------------------------------------------------------


def test_a_display_that_fails_is_left_out_and_the_run_goes_on(
    make_run: Callable[..., Run], caplog: pytest.LogCaptureFixture
) -> None:
    calls: list[Event | Notice] = []

    def broken(event: Event | Notice) -> None:
        calls.append(event)
        raise ZeroDivisionError("drawing")

    run = carry_through(make_run(optional=[broken]))
    assert run.failure is None
    assert run.verdict is not None
    assert run.verdict.verdict == "response_present"
    assert len(calls) == 1
    assert "a display failed and is left out from now on; recording goes on" in caplog.text


@pytest.mark.parametrize("kind", ["look", "verdict"])
def test_a_keeper_that_fails_ends_the_run_on_a_fault(
    kind: str, make_run: Callable[..., Run], caplog: pytest.LogCaptureFixture
) -> None:
    def broken(event: Event | Notice) -> None:
        if not isinstance(event, Notice) and event.kind == kind:
            raise OSError(errno.ENOSPC, "No space left on device")

    run = carry_through(make_run(critical=[broken]))
    assert run.status.state == "failed"
    assert run.failure is not None
    assert "No space left on device" in run.failure
    assert run.verdict is not None
    decided = "fault" if kind == "look" else "response"  # what was decided before the fault stays decided
    assert run.verdict.stopped_by == decided
    assert [event["stopped_by"] for event in kept(run) if event["type"] == "verdict"] == [decided]
    if kind == "verdict":
        assert kept(run)[-1]["what"] == "fault"
    recorded = read_xdf(run.folder.raw)
    assert recorded.cut is None
    assert recorded.streams[1].samples.shape[1] >= RATE_HZ


def test_events_that_cannot_be_written_end_the_run(make_run: Callable[..., Run], monkeypatch: pytest.MonkeyPatch) -> None:
    run = make_run()
    monkeypatch.setattr(run.folder, "append_event", _no_space)
    carry_through(run)
    assert run.failure is not None
    for words in ("cannot write", "events.jsonl", "No space left on device", "begin a new run"):
        assert words in run.failure
    assert run.verdict is not None
    assert run.verdict.stopped_by == "fault"
    assert read_xdf(run.folder.raw).streams[1].samples.shape[1] >= RATE_HZ


def test_a_journal_whose_disk_fails_ends_the_run_with_what_it_has(
    make_run: Callable[..., Run], monkeypatch: pytest.MonkeyPatch
) -> None:
    failing = threading.Event()

    def sync(fd: int) -> None:
        if failing.is_set():
            raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(quietfloor.monitor.run.run, "Journal", functools.partial(Journal, sync=sync, sync_every_s=0.05))
    run = make_run(nv=0.0, pace=2.0)
    run.start()
    assert not run.wait(1.0)
    failing.set()
    assert run.wait(patience(10.0))
    assert run.status.state == "failed"
    assert run.failure is not None
    for words in ("cannot record to", "raw.xdf", "Input/output error", "free or change the disk"):
        assert words in run.failure
    assert [event["stopped_by"] for event in kept(run) if event["type"] == "verdict"] == ["fault"]
    assert read_xdf(run.folder.raw).streams[1].samples.shape[1] >= RATE_HZ


def test_a_disk_that_fails_at_the_very_end_is_a_fault_too(make_run: Callable[..., Run], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quietfloor.monitor.run.run, "Journal", functools.partial(Journal, sync=_no_space, sync_every_s=1000.0))
    run = carry_through(make_run())
    assert run.verdict is not None
    assert run.verdict.stopped_by == "response"
    assert run.failure is not None
    assert "No space left on device" in run.failure
    assert run.status.state == "failed"


def _no_space(*_: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


# -- the stream -----------------------------------------------------------------------------------------------------


def test_a_stream_that_ends_leaves_a_fault_with_its_reason(make_run: Callable[..., Run]) -> None:
    run = carry_through(make_run(nv=0.0))
    assert run.verdict is not None
    assert run.verdict.stopped_by == "fault"
    assert "read to its end" in str(run.failure)
    assert read_xdf(run.folder.raw).streams[1].samples.shape == read_xdf(run._source.path).streams[1].samples.shape  # type: ignore[attr-defined]


def test_channels_with_different_units_are_not_scaled_alike(make_run: Callable[..., Run]) -> None:
    run = carry_through(make_run(units=("microvolts", "V", "")))
    assert "state different units (V, microvolts)" in str(run.failure)
    assert "--unit" in str(run.failure)
    plan = make_plan({"stream": {"name": "amplifier", "eeg": ["Cz", "Pz"], "trigger": "TRIG", "unit": "uV"}})
    run = carry_through(make_run(units=("microvolts", "V", ""), plan=plan))
    assert run.failure is None
    assert run.unit is not None
    assert run.unit.origin == "given"


def test_a_stream_without_a_rate_is_refused() -> None:
    with pytest.raises(SourceError, match="stream 'amplifier': rate_hz = 0"):
        layout_of(described(rate_hz=0.0), Channels((0,), 2))


class Silent:
    """A source that goes silent after so many chunks, and a clock that jumps then."""

    def __init__(self, path: Path, chunks: int) -> None:
        self._source, self._left = RecordingSource(path), chunks
        self.description = self._source.description
        self.backlog_samples = 0
        self.now_s = 0.0

    def pull(self, timeout_s: float) -> Chunk | None:
        self.now_s += timeout_s
        self._left -= 1
        return self._source.pull(timeout_s) if self._left >= 0 else None

    def close(self) -> None:
        pass


def test_silence_is_said_after_half_a_second_and_ends_the_run_after_ten(recording: Callable[..., Path], tmp_path: Path) -> None:
    source = Silent(recording(0.0), chunks=150)
    plan = make_plan({"stream": {"name": "amplifier", "eeg": ["Cz"], "trigger": "TRIG"}})
    run = carry_through(Run(resolve(plan, source.description), source, RunFolder.create(tmp_path), clock=lambda: source.now_s))
    assert "no samples from 'amplifier' for 10 s" in str(run.failure)
    told = [event for event in kept(run) if event["type"] == "notice"]
    assert [event["what"] for event in told] == ["stream_silent"]
    assert told[0]["at_s"] == pytest.approx(150 * 0.1 + 0.6, abs=0.11)
    assert source.now_s == pytest.approx(150 * 0.1 + 10.1, abs=0.21)
    assert read_xdf(run.folder.raw).streams[1].samples.shape[1] == 150 * 80


# -- sound and markers ----------------------------------------------------------------------------------------------


class Sound:
    """Something that plays: notes what is asked of it, and may fail."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.failure: str | None = None
        self.begins_s = -math.inf
        self.underruns = self.sweeps_played = 0
        self.limited_samples = 0

    def wait_for_receiver(self, stopped: Callable[[], bool]) -> None:
        raise AssertionError("only a virtual patient is waited for")

    def returned(self, seconds: float) -> None:
        raise AssertionError("only a virtual patient is waited for")

    def reserve(self, session: Path, name: str, sweeps: int) -> None:
        assert (session / name).is_dir()

    def reserve_more(self, cell: int | None, sweeps: int) -> None:
        assert cell is None

    def start(self) -> None:
        self.asked.append("start")

    def stop(self) -> None:
        self.asked.append("stop")

    def close(self) -> None:
        self.asked.append("close")


class Marks:
    """A marker stream that sends one more when the sound has stopped, and loses its clock now and then."""

    def __init__(self, sound: Sound) -> None:
        self._sound = sound
        self.waiting = [(101.0, '{"sweep":0}')]
        self.closed = False

    def pull(self, timeout_s: float = 0.0) -> list[tuple[float, str]]:
        if "stop" in self._sound.asked and "late" not in self._sound.asked:
            self._sound.asked.append("late")
            self.waiting.append((107.0, "the last one"))
        given, self.waiting = self.waiting, []
        return given

    def clock_offset(self) -> tuple[float, float]:
        raise StreamLost("no answer")

    def close(self) -> None:
        self.closed = True


def test_sound_starts_after_the_check_and_the_last_marker_is_kept(
    make_run: Callable[..., Run], caplog: pytest.LogCaptureFixture
) -> None:
    sound = Sound()
    marks = Marks(sound)
    run = carry_through(make_run(sound=sound, markers=marks, marker_stream=marker_description(), pace=20.0))
    assert run.failure is None
    assert sound.asked == ["start", "stop", "late", "close"]
    assert marks.closed
    recorded = read_xdf(run.folder.raw).streams[2]
    assert recorded.samples[0].tolist() == ['{"sweep":0}', "the last one"]
    assert recorded.stamps_s.tolist() == [101.0, 107.0]
    assert caplog.text.count("clock of the marker stream: no answer") == 1  # said once, and the markers go on


def test_a_sound_that_fails_ends_the_run(make_run: Callable[..., Run]) -> None:
    sound = Sound()
    sound.failure = "the device was unplugged"
    run = carry_through(make_run(sound=sound))
    assert run.failure == "the sound stopped: the device was unplugged"
    assert sound.asked == ["start", "stop", "close"]


def test_a_sound_that_the_ceiling_held_down_is_said_once(make_run: Callable[..., Run]) -> None:
    sound = Sound()
    sound.limited_samples = 3
    run = carry_through(make_run(sound=sound))
    said = [event["text"] for event in kept(run) if event["type"] == "notice"]
    assert len(said) == 1
    assert "the output ceiling held down 3 samples of the sound" in said[0]


def test_a_sound_that_breaks_up_is_said(make_run: Callable[..., Run]) -> None:
    sound = Sound()
    sound.underruns, sound.sweeps_played = 2, 400
    run = carry_through(make_run(sound=sound))
    assert [event["text"] for event in kept(run) if event["type"] == "notice"] == [
        "the sound broke up 2 times in 400 sweeps; sweeps that it touched are rejected: close other programs"
    ]
