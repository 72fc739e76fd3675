"""The link between a command and its window, and what the keys do, without Qt."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from quietfloor.monitor.display.ladder import Level, Overlay, Replicate
from quietfloor.monitor.display.run_view import RunView, WindowLink, moments_of
from quietfloor.monitor.display.view_controller import SAID_S, TWICE_S, ViewController
from quietfloor.monitor.storage.run_folder import RunFolder
from quietfloor.stimuli.levels import NHL
from tests.display.conftest import Tape, live_scene, replay_scene
from tests.slow import patience


def soon(true: Callable[[], object], timeout_s: float = 20.0) -> None:
    end_s = time.monotonic() + patience(timeout_s)
    while not true():
        assert time.monotonic() < end_s, "it never happened"
        time.sleep(0.005)


class Asked(threading.Thread):
    """The command's side of an offer, on a thread of its own."""

    def __init__(self, link: WindowLink, patience_s: float | None) -> None:
        super().__init__(daemon=True)
        self.link, self.patience_s, self.answer = link, patience_s, None
        self.start()

    def run(self) -> None:
        self.answer = self.link.offer("the next one", self.patience_s)  # type: ignore[assignment]


# -- offers -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("deed", "answer"), [(WindowLink.go_on, True), (WindowLink.interrupt, False), (WindowLink.leave, False)],
    ids=["next", "Ctrl-C", "closed"],
)
def test_an_offer_waits_for_its_answer(deed: Callable[[WindowLink], object], answer: bool) -> None:
    link = WindowLink()
    assert not link.go_on()  # nothing is offered yet
    asked = Asked(link, None)
    soon(lambda: link.offered)
    assert link.offered is not None
    assert (link.offered.text, link.offered.until) == ("the next one", None)
    assert asked.is_alive()
    deed(link)
    asked.join(patience(5))
    assert asked.answer is answer
    assert link.offered is None


def test_an_offer_with_patience_comes_by_itself_unless_it_is_held() -> None:
    link = WindowLink()
    asked = Asked(link, 0.05)
    asked.join(patience(5))
    assert asked.answer is True
    held = Asked(link, 0.3)
    soon(lambda: link.offered)
    link.hold()
    time.sleep(0.6)
    assert held.is_alive()
    link.leave()
    held.join(patience(5))
    assert held.answer is False


def test_where_nobody_can_answer_nothing_waits() -> None:
    link = WindowLink(unattended=True)
    assert link.offer("once more") is False
    assert link.offer("the next run", 1000.0) is True
    link.linger()
    link.interrupt()
    assert link.offer("the next run", 1000.0) is False


def test_a_window_that_nobody_touches_is_not_kept_for_ever() -> None:
    link = WindowLink()
    link._touched_s = time.monotonic() - 100
    link.linger(50.0)
    link.touch()
    waiting = threading.Thread(target=link.linger, args=(50.0,), daemon=True)
    waiting.start()
    time.sleep(0.3)
    assert waiting.is_alive()
    link.leave()
    waiting.join(patience(5))
    assert not waiting.is_alive()


def test_following_ends_with_the_run_or_with_the_window(recordings: dict[str, Path], tmp_path: Path) -> None:
    link = WindowLink()
    view = live_scene(recordings["nothing"], tmp_path, max_sweeps=64)
    link.show(view)
    view.run.start()  # type: ignore[union-attr]
    assert link.follow(view.run)
    other = live_scene(recordings["nothing"], tmp_path, pace=1.0)
    link.show(other)
    other.run.start()
    assert other.on
    link.leave()
    assert not link.follow(other.run)
    link.stop()
    assert other.run.wait(patience(20))
    assert not other.on


def test_an_average_is_fetched_aside(finished: dict[str, Path], tmp_path: Path) -> None:
    link = WindowLink()
    assert link.fetched() is None
    level = Level(True, NHL, 60.0)
    link.fetch(Replicate(finished["present"], "response_present", "response", 600, 30.0), level)
    soon(lambda: link._overlays)
    found = link.fetched()
    assert isinstance(found, Overlay)
    link.fetch(Replicate(tmp_path / "run-009", "response_present", "response", 600, 30.0), level)
    soon(lambda: link._overlays)
    said = link.fetched()
    assert isinstance(said, str)
    assert "run-009 cannot be read" in said


def test_the_moments_of_a_recorded_run(finished: dict[str, Path], tmp_path: Path) -> None:
    moments = moments_of(RunFolder(finished["present"]))
    assert len(moments) > 10
    assert all(later > earlier for earlier, later in itertools.pairwise(moments))
    assert moments_of(RunFolder(tmp_path)) == ()
    (tmp_path / "run.json").write_text('{"stream": null}')
    assert moments_of(RunFolder(tmp_path)) == ()


# -- keys -------------------------------------------------------------------------------------------------------------


class Clock:
    def __init__(self) -> None:
        self.s = 100.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture
def clock() -> Clock:
    return Clock()


def conduct(view: RunView, clock: Clock) -> ViewController:
    link = WindowLink()
    link.show(view)
    controller = ViewController(link, clock)
    controller.adopt(view)
    return controller


def test_before_a_scene_nothing_can_be_done(clock: Clock) -> None:
    controller = ViewController(WindowLink(), clock)
    for name in ("stop", "pause", "play", "back", "next"):
        assert controller.do(name)
        assert not controller.possible(name)
    assert not controller.do("theme")
    assert (controller.badge, controller.message, controller.total_s) == ("", "", 0.0)
    controller.move_to(3.0)
    controller.tick()


def test_a_single_press_does_not_stop_a_run(recordings: dict[str, Path], tmp_path: Path, clock: Clock) -> None:
    view = live_scene(recordings["nothing"], tmp_path, tape=Tape(2.0, until_s=5.0))
    controller = conduct(view, clock)
    view.run.start()
    soon(lambda: view.run.status.state == "running")
    controller.do("stop")
    clock.s += TWICE_S + 0.1
    controller.do("stop")
    assert "Once more" in controller.message
    assert view.run.status.state == "running"
    clock.s += SAID_S
    assert controller.message == ""
    controller.do("stop")
    clock.s += TWICE_S - 0.1
    controller.do("stop")
    assert view.run.wait(patience(20))
    assert not controller.possible("stop")


def test_a_recorded_run_is_played_through_its_past_and_beyond(finished: dict[str, Path], clock: Clock) -> None:
    view = replay_scene(finished["present"], speed=2.0)
    play, model = view.playback, view.model
    assert play is not None
    play.paused = True
    controller = conduct(view, clock)
    assert controller.badge == "REPLAY, PAUSED"
    play.start()

    def seen() -> None:
        if model.settings is None and play.engine is not None:
            model.begin(play.engine.settings)
        model.advance(play.status)

    controller.move_to(6.0)  # not played yet: on to it as fast as it goes
    soon(lambda: (seen(), play.status.seconds >= 6.0)[1])
    seen()
    assert model.live
    here_s = play.status.seconds
    controller.move_to(2.0)
    assert (model.live, model.moment_s) == (False, pytest.approx(2.0))
    controller.do("play")
    clock.s += 0.5
    controller.tick()
    assert model.moment_s == pytest.approx(3.0)  # twice real time
    assert play.paused
    assert play.status.seconds == here_s
    clock.s += 10.0
    controller.tick()
    assert model.live
    assert not play.paused
    controller.do("faster")
    assert play.speed == 4.0
    controller.do("slower")
    controller.do("slower")
    assert play.speed == 1.0
    assert controller.total_s == view.moments_s[-1]
    play.stop()
    assert play.wait(patience(20))


def test_at_its_end_a_recorded_run_can_be_played_once_more(finished: dict[str, Path], clock: Clock) -> None:
    view = replay_scene(finished["undecided"], speed=1000.0)
    controller = conduct(view, clock)
    view.run.start()  # type: ignore[union-attr]
    assert view.run.wait(patience(30))
    assert view.run.engine is not None
    view.model.begin(view.run.engine.settings)
    view.model.advance(view.run.status)
    assert controller.badge == "REPLAY, AT ITS END"
    controller.do("play")
    assert not controller.playing
    controller.do("newest")
    controller.do("play")
    assert view.model.moment_s == 0.0
    controller.do("forward")
    assert view.model.shown == 1
    controller.do("forward_ten")
    assert view.model.shown == 11
    controller.move_to(1e9)
    assert view.model.live
