"""A recorded run for someone who watches: the same decisions whatever is done to its pace."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import pytest

from quietfloor.monitor.core.events import Event
from quietfloor.monitor.plan.run_plan import load_plan
from quietfloor.monitor.review.playback import FASTEST, SLOWEST, Playback
from quietfloor.monitor.run.status import Notice
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.live.test_replay import finished  # noqa: F401  a fixture
from tests.slow import patience


def playback(path: Path, **how: object) -> tuple[Playback, list[Event | Notice]]:
    folder, told = RunFolder.open(path), []
    return Playback(folder, load_plan(folder.plan), optional=(told.append,), **how), told  # type: ignore[arg-type]


def until(true: object, timeout_s: float = 20.0) -> None:
    """Wait for something that another thread does."""
    end_s = time.monotonic() + patience(timeout_s)
    while not true():  # type: ignore[operator]
        assert time.monotonic() < end_s
        time.sleep(0.005)


def test_it_ends_with_the_same_looks_and_shows_them_on_the_way(finished: Path) -> None:  # noqa: F811
    signal: list[int] = []
    play, told = playback(finished, speed=FASTEST, on_signal=lambda _, values: signal.append(values.shape[1]))
    play.start()
    assert play.wait(patience(30))
    assert play.result is not None
    assert play.result.identical
    assert (play.status.state, play.failure) == ("done", None)
    assert play.status.look == play.result.engine.last_look
    looks = [event for event in told if isinstance(event, Event) and event.kind == "look"]
    assert len(looks) == play.result.looks
    assert isinstance(told[-1], Event)
    assert told[-1].kind == "verdict"
    assert sum(signal) > 4000


def test_it_stands_still_while_paused_goes_on_and_jumps_ahead(finished: Path) -> None:  # noqa: F811
    play, _ = playback(finished, speed=1.0)
    play.paused = True
    play.start()
    until(lambda: play.engine is not None)
    time.sleep(0.15)
    here = play.status.seconds
    assert here <= 0.1
    play.go_to(2.0)
    until(lambda: play.status.seconds >= 2.0)
    time.sleep(0.1)
    assert play.status.seconds < 2.1  # paused again where it was asked for
    play.paused = False
    play.speed = FASTEST
    assert play.wait(patience(30))
    assert play.result is not None
    assert play.result.identical


def test_speed_is_kept_inside_what_makes_sense_and_a_stop_ends_it_at_once(finished: Path) -> None:  # noqa: F811
    play, _ = playback(finished, speed=0.0)
    assert play.speed == SLOWEST
    play.speed = 1e9
    assert play.speed == FASTEST
    play.speed = SLOWEST
    play.start()
    until(lambda: play.engine is not None)
    play.stop()
    assert play.wait(patience(5))
    assert play.result is None
    assert play.status.state == "done"


def test_a_display_that_fails_and_a_folder_that_is_damaged_are_said_and_no_more(
    finished: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture  # noqa: F811
) -> None:
    def fail(_: object) -> None:
        raise RuntimeError("no more paint")

    folder = RunFolder.open(finished)
    play = Playback(folder, load_plan(folder.plan), speed=FASTEST, optional=(fail,))
    play.start()
    assert play.wait(patience(30))
    assert play.result is not None
    assert "a display failed" in caplog.text
    broken = Path(shutil.copytree(finished, tmp_path / "run-001"))
    (broken / "raw.xdf").write_bytes(b"XDF:")
    bad, _ = playback(broken, speed=FASTEST)
    bad.start()
    assert bad.wait(patience(10))
    assert bad.status.state == "failed"
    assert bad.failure
