"""A stream under observation: found late, silent, lost, back; in a thread whose report anyone may read."""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import Plan
from quietfloor.monitor.readiness import listener
from quietfloor.monitor.readiness.listener import Check, Listener, Report
from quietfloor.monitor.sources.base import ChannelError, NoStream, SourceError, StreamDescription, StreamLost
from quietfloor.stimuli.devices import DeviceError
from tests.readiness.streams import described, made, plan_of
from tests.slow import patience

STREAM = {"name": "Amp", "eeg": ["E1"], "trigger": "TRIG"}
TODAY = datetime.date(2026, 3, 10)


class Amp:
    """A source that gives what it was told to: chunks, None (nothing came), or an error."""

    def __init__(self, seconds: float = 5.0, then: SourceError | None = None) -> None:
        stream = made(seconds=seconds)
        self.description: StreamDescription = described(stream)
        pieces = np.array_split(np.arange(stream.samples.shape[1]), 40)
        self._chunks: Iterator[Chunk] = iter([Chunk(stream.samples[:, piece], stream.stamps_s[piece]) for piece in pieces])
        self._then = then
        self.closed = False
        self.backlog_samples = 0

    def pull(self, timeout_s: float) -> Chunk | None:
        chunk = next(self._chunks, None)
        if chunk is None and self._then is not None:
            raise self._then
        if chunk is None:
            time.sleep(0.005)
        return chunk

    def close(self) -> None:
        self.closed = True


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def check(opens: Callable[[Plan, float], Amp], plan: Plan | None = None, clock: Callable[[], float] = time.monotonic) -> Check:
    return Check(plan or plan_of(stream=STREAM), Path("nowhere"), opens=opens, today=lambda: TODAY, clock=clock)


def seen_by(amp: Amp, steps: int = 60) -> Report:
    one = check(lambda plan, wait_s: amp)
    one.open(1.0)
    for _ in range(steps):
        one.step()
    report = one.report()
    one.close()
    assert amp.closed
    return report


def test_a_stream_is_looked_at() -> None:
    report = seen_by(Amp())
    assert [group.name for group in report.groups] == ["stream", "electrodes", "trigger", "sound", "timing"]
    assert report.seconds == pytest.approx(5.0, abs=0.3)
    assert report.ready
    assert report.stops == ()
    assert not report.unknown
    assert "'Amp'" in report.stream
    assert report.placement


def test_before_the_stream_is_found_nothing_is_claimed() -> None:
    report = check(lambda plan, wait_s: Amp()).report()
    assert not report.ready
    assert not report.listening
    assert report.unknown
    assert report.group("stream").severity == "wait"
    assert report.group("timing").severity == "wait"
    assert len(report.stops) == 3


def test_a_stream_that_falls_silent_is_told_then_given_up() -> None:
    clock = Clock()
    one = check(lambda plan, wait_s: Amp(2.0), clock=clock)
    one.open(1.0)
    for _ in range(45):
        one.step()
    for clock.now_s in (1.0, 2.0, 3.0):
        one.step()
    report = one.report()
    assert not report.listening
    assert report.group("stream").findings[0].said == "no samples for 3 s"
    assert not report.ready
    clock.now_s = 60.0  # this program stood still: the stream was not silent, it was not listened to
    one.step()
    assert one.report().group("stream").findings[0].said == "no samples for 3 s"
    for clock.now_s in (61.0, 62.0):
        one.step()
    clock.now_s = 63.0
    with pytest.raises(StreamLost, match="no samples from 'Amp'"):
        one.step()
    one.close()


def test_a_wrong_channel_is_named_and_the_stream_let_go() -> None:
    amp = Amp()
    one = check(lambda plan, wait_s: amp, plan_of(stream=STREAM | {"eeg": ["Cz"]}))
    with pytest.raises(ChannelError, match="no channel 'Cz'"):
        one.open(1.0)
    assert amp.closed


def wait_for(listening: Listener, true: Callable[[Report], bool]) -> Report:
    end_s = time.monotonic() + patience(20)
    while not true(listening.report):
        assert time.monotonic() < end_s, listening.report
        time.sleep(0.01)
    return listening.report


def test_a_thread_looks_for_the_stream_until_it_comes_and_again_when_it_goes() -> None:
    amps = [NoStream("no stream named 'Amp': start it"), Amp(then=StreamLost("stream 'Amp' is lost: start it again")), Amp(6.0)]
    tried: list[float] = []

    def opens(plan: Plan, wait_s: float) -> Amp:
        tried.append(wait_s)
        found = amps.pop(0)
        if isinstance(found, SourceError):
            raise found
        return found

    listening = Listener(check(opens), every_s=0.0)
    troubled = wait_for(listening, lambda report: report.group("stream").severity == "stop")
    assert troubled.group("stream").findings[0].said == "no stream named 'Amp'"
    assert troubled.group("stream").findings[0].remedy == "start it"
    wait_for(listening, lambda report: report.ready)
    wait_for(listening, lambda report: "lost" in report.group("stream").findings[0].said)
    wait_for(listening, lambda report: report.ready and report.seconds > 4)
    listening.close()
    assert len(tried) == 3
    assert listening.failure == ""


def test_a_fault_of_the_check_is_kept_apart() -> None:
    def opens(plan: Plan, wait_s: float) -> Amp:
        raise ZeroDivisionError("a fault")

    listening = Listener(check(opens))
    end_s = time.monotonic() + patience(10)
    while not listening.failure:
        assert time.monotonic() < end_s
        time.sleep(0.01)
    listening.close()
    assert listening.failure == "ZeroDivisionError: a fault"


def test_an_output_that_cannot_be_had_is_a_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(plan: object) -> None:
        raise DeviceError("no output named 'Card': choose one of `quietfloor outputs`")

    monkeypatch.setattr("quietfloor.monitor.readiness.sound_check.open_device", none)
    one = check(lambda plan, wait_s: Amp(), plan_of(stream=STREAM, sound={"level_db_fs": -40}))
    one.open(1.0)
    one.step()
    finding = one.report().group("trigger").findings[0]
    one.close()
    assert (finding.severity, finding.said) == ("stop", "cannot be sent: no output named 'Card'")
    assert finding.remedy == "choose one of `quietfloor outputs`"


def test_without_triggers_the_output_stays_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listener, "SilentTriggers", None)
    one = Check(
        plan_of(stream=STREAM, sound={"level_db_fs": -40}), Path("nowhere"), triggers=False, opens=lambda plan, wait_s: Amp(),
        today=lambda: TODAY,
    )  # fmt: skip
    one.open(1.0)
    for _ in range(60):
        one.step()
    assert one.listened_s == one.seconds > 4
    one.close()
