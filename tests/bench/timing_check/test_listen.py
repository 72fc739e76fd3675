"""What a timing check records: from the silence before its clicks to the silence after them, however late they come."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, cast

import numpy as np
import pytest

from quietfloor.bench.timing_check.listen import MORE, Listener, record
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.core.triggers import TriggerSettings
from quietfloor.monitor.run.sound_output import Sound
from tests.readiness.streams import RATE, described, made

SETTINGS = TriggerSettings()
LEAD_IN_S = 1.0


def samples(*parts: tuple[str, float]) -> np.ndarray:
    """EEG and trigger (2, n): ("triggers" or "silence", seconds), one after the other."""
    noise = np.random.default_rng(2)
    out = []
    for what, seconds in parts:
        if what == "triggers":
            out.append(made(seconds=seconds).samples)
        else:
            out.append(noise.standard_normal((2, round(seconds * RATE))) * [[2.0], [0.0]])
    return np.concatenate(out, axis=1)


class Stream:
    """A source that gives its samples in pieces of 0.1 s, with stamps from 0, and then nothing."""

    def __init__(self, values: np.ndarray) -> None:
        self.description = described(made())
        stamps_s = np.arange(values.shape[1]) / RATE
        size = round(0.1 * RATE)
        pieces = range(0, values.shape[1], size)
        self._chunks: Iterator[Chunk] = iter([Chunk(values[:, at : at + size], stamps_s[at : at + size]) for at in pieces])
        self.given_s = 0.0

    def pull(self, timeout_s: float) -> Chunk | None:
        chunk = next(self._chunks, None)
        self.given_s += 0.0 if chunk is None else chunk.samples.shape[1] / RATE
        return chunk


class Played:
    """A sound of `count` clicks that is played at once, and whose first frame has the stamp `begins_s`."""

    failure = None

    def __init__(self, count: int, begins_s: float) -> None:
        self.sweeps_played, self.begins_s, self.stopped = 0, begins_s, False
        self._count = count

    def start(self) -> None:
        self.sweeps_played = self._count

    def stop(self) -> None:
        self.stopped = True


def listener(stream: Stream) -> Listener:
    return Listener(cast(Any, stream), 1, 0, SETTINGS)


def test_triggers_of_an_earlier_command_are_dropped() -> None:
    stream = Stream(samples(("triggers", 7.0), ("silence", 3.0))[:, round(RATE) :])  # from amid them, as a command begins
    one = listener(stream)
    one.wait_for_silence(lambda: False)
    assert 5.8 < stream.given_s < 7.5  # the triggers of `made` end 1.2 s before its end
    assert (one.recording.samples, one.triggers, one.seconds) == (0, 0, 0.0)
    one.pull()
    assert one.seconds == pytest.approx(0.1)


def test_silence_alone_is_waited_for_no_longer_than_needed() -> None:
    stream = Stream(samples(("silence", 5.0)))
    listener(stream).wait_for_silence(lambda: False)
    assert stream.given_s == pytest.approx(1.0, abs=0.11)


def test_who_stops_does_not_wait() -> None:
    stream = Stream(samples(("triggers", 6.0)))
    listener(stream).wait_for_silence(lambda: True)
    assert stream.given_s == 0.0


@pytest.mark.parametrize("late_s", [0.0, 8.0])
def test_clicks_that_come_late_are_waited_for(late_s: float) -> None:
    """The patient has still to make so many seconds of silence when the sound begins."""
    stream = Stream(samples(("silence", late_s + LEAD_IN_S), ("triggers", 6.0), ("silence", 60.0)))
    one, sound = listener(stream), Played(100 + MORE, late_s)
    kept = record(cast(Sound, sound), one, 100, LEAD_IN_S, lambda: False, lambda done: None)
    assert one.triggers > 200
    assert sound.stopped
    assert len(kept.whole()[0]) == one.recording.samples


def test_clicks_that_never_come_are_given_up() -> None:
    stream = Stream(samples(("silence", 60.0)))
    one = listener(stream)
    record(cast(Sound, Played(100 + MORE, 8.0)), one, 100, LEAD_IN_S, lambda: False, lambda done: None)
    assert one.triggers == 0
    assert one.seconds >= 8.0 + LEAD_IN_S
