"""The stage between a command and its window, and what the keys do, without Qt."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from quietfloor.monitor.display.conductor import SAID_S, TWICE_S, Conductor
from quietfloor.monitor.display.ladder import Level, Overlay, Replicate
from quietfloor.monitor.display.stage import Remark, Scene, Stage, moments_of
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.display.conftest import live_scene, replay_scene
from tests.slow import patience


def soon(true: Callable[[], object], timeout_s: float = 20.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not true():
        assert time.monotonic() < end_s, "it never happened"
        time.sleep(0.005)


class Asked(threading.Thread):
    """The command's side of an offer, on a thread of its own."""

    def __init__(self, stage: Stage, patience_s: float | None) -> None:
        super().__init__(daemon=True)
        self.stage, self.patience_s, self.answer = stage, patience_s, None
        self.start()

    def run(self) -> None:
        self.answer = self.stage.offer("the next one", self.patience_s)  # type: ignore[assignment]


# -- offers -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("deed", "answer"), [(Stage.go_on, True), (Stage.interrupt, False), (Stage.leave, False)], ids=["next", "Ctrl-C", "closed"]
)
def test_an_offer_waits_for_its_answer(deed: Callable[[Stage], object], answer: bool) -> None:
    stage = Stage()
    assert not stage.go_on()  # nothing is offered yet
    asked = Asked(stage, None)
    soon(lambda: stage.offered)
    assert stage.offered is not None
    assert (stage.offered.text, stage.offered.until) == ("the next one", None)
    assert asked.is_alive()
    deed(stage)
    asked.join(5)
    assert asked.answer is answer
    assert stage.offered is None


def test_one_of_several_offers_is_picked_and_picking_begins_nothing() -> None:
    stage = Stage()
    assert not stage.pick(1)  # nothing is offered yet
    answers: list[int | None] = []
    asking = threading.Thread(target=lambda: answers.append(stage.offer_one_of(["30", "35", "40"], 1)), daemon=True)
    asking.start()
    soon(lambda: stage.offered)
    for steps, text in ((1, "40"), (1, "40"), (-1, "35"), (-5, "30")):
        assert stage.pick(steps)
        assert stage.offered is not None
        assert stage.offered.text == text
    assert asking.is_alive()
    stage.go_on()
    asking.join(5)
    assert answers == [0]
    assert (stage.choice, stage.offered) == (None, None)


def test_a_remark_on_the_run_before_comes_before_the_next_one() -> None:
    stage = Stage()
    assert not stage.remark(Remark("note", "nobody waits for it"))
    answers: list[object] = []

    def ask() -> None:
        answers.append(stage.offer_one_of(["30", "35"], 1))

    for _ in range(2):
        asking = threading.Thread(target=ask, daemon=True)
        asking.start()
        soon(lambda: stage.offered)
        if not answers:
            assert stage.remark(Remark("discard", "she moved"))
        else:
            stage.go_on()
        asking.join(5)
    assert answers == [Remark("discard", "she moved"), 1]
    assert not stage.remark(Remark("restore"))


def test_nobody_there_picks_nothing() -> None:
    assert Stage(unattended=True).offer_one_of(["30", "35"], 0) is None


def test_an_offer_with_patience_comes_by_itself_unless_it_is_held() -> None:
    stage = Stage()
    asked = Asked(stage, 0.05)
    asked.join(5)
    assert asked.answer is True
    held = Asked(stage, 0.3)
    soon(lambda: stage.offered)
    stage.hold()
    time.sleep(0.6)
    assert held.is_alive()
    stage.leave()
    held.join(5)
    assert held.answer is False


def test_where_nobody_can_answer_nothing_waits() -> None:
    stage = Stage(unattended=True)
    assert stage.offer("once more") is False
    assert stage.offer("the next scene", 1000.0) is True
    stage.linger()
    stage.interrupt()
    assert stage.offer("the next scene", 1000.0) is False


def test_a_window_that_nobody_touches_is_not_kept_for_ever() -> None:
    stage = Stage()
    stage._touched_s = time.monotonic() - 100
    stage.linger(50.0)
    stage.touch()
    waiting = threading.Thread(target=stage.linger, args=(50.0,), daemon=True)
    waiting.start()
    time.sleep(0.3)
    assert waiting.is_alive()
    stage.leave()
    waiting.join(5)
    assert not waiting.is_alive()


def test_following_ends_with_the_run_or_with_the_window(recordings: dict[str, Path], tmp_path: Path) -> None:
    stage = Stage()
    scene = live_scene(recordings["nothing"], tmp_path, max_sweeps=64)
    stage.show(scene)
    scene.run.start()  # type: ignore[union-attr]
    assert stage.follow(scene.run)
    other = live_scene(recordings["nothing"], tmp_path, pace=1.0)
    stage.show(other)
    other.run.start()
    assert other.on
    stage.leave()
    assert not stage.follow(other.run)
    stage.stop()
    assert other.run.wait(patience(20))
    assert not other.on


def test_an_average_is_fetched_aside(finished: dict[str, Path], tmp_path: Path) -> None:
    stage = Stage()
    assert stage.fetched() is None
    level = Level(True, True, 60.0)
    stage.fetch(Replicate(finished["present"], "response_present", "response", 600, 30.0), level)
    soon(lambda: stage._overlays)
    found = stage.fetched()
    assert isinstance(found, Overlay)
    stage.fetch(Replicate(tmp_path / "run-009", "response_present", "response", 600, 30.0), level)
    soon(lambda: stage._overlays)
    said = stage.fetched()
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


def conduct(scene: Scene, clock: Clock) -> Conductor:
    stage = Stage()
    stage.show(scene)
    conductor = Conductor(stage, clock)
    conductor.adopt(scene)
    return conductor


def test_before_a_scene_nothing_can_be_done(clock: Clock) -> None:
    conductor = Conductor(Stage(), clock)
    for name in ("stop", "pause", "play", "back", "next"):
        assert conductor.do(name)
        assert not conductor.possible(name)
    assert not conductor.do("theme")
    assert (conductor.badge, conductor.message, conductor.total_s) == ("", "", 0.0)
    conductor.move_to(3.0)
    conductor.tick()


def test_a_single_press_does_not_stop_a_run(recordings: dict[str, Path], tmp_path: Path, clock: Clock) -> None:
    scene = live_scene(recordings["nothing"], tmp_path, pace=2.0)
    conductor = conduct(scene, clock)
    scene.run.start()
    soon(lambda: scene.run.status.state == "running")
    conductor.do("stop")
    clock.s += TWICE_S + 0.1
    conductor.do("stop")
    assert "Once more" in conductor.message
    assert scene.run.status.state == "running"
    clock.s += SAID_S
    assert conductor.message == ""
    conductor.do("stop")
    clock.s += TWICE_S - 0.1
    conductor.do("stop")
    assert scene.run.wait(patience(20))
    assert not conductor.possible("stop")


def test_a_recorded_run_is_played_through_its_past_and_beyond(finished: dict[str, Path], clock: Clock) -> None:
    scene = replay_scene(finished["present"], speed=2.0)
    play, model = scene.playback, scene.model
    assert play is not None
    play.paused = True
    conductor = conduct(scene, clock)
    assert conductor.badge == "REPLAY, PAUSED"
    play.start()

    def seen() -> None:
        if model.settings is None and play.engine is not None:
            model.begin(play.engine.settings)
        model.advance(play.status)

    conductor.move_to(6.0)  # not played yet: on to it as fast as it goes
    soon(lambda: (seen(), play.status.seconds >= 6.0)[1])
    seen()
    assert model.live
    here_s = play.status.seconds
    conductor.move_to(2.0)
    assert (model.live, model.moment_s) == (False, pytest.approx(2.0))
    conductor.do("play")
    clock.s += 0.5
    conductor.tick()
    assert model.moment_s == pytest.approx(3.0)  # twice real time
    assert play.paused
    assert play.status.seconds == here_s
    clock.s += 10.0
    conductor.tick()
    assert model.live
    assert not play.paused
    conductor.do("faster")
    assert play.speed == 4.0
    conductor.do("slower")
    conductor.do("slower")
    assert play.speed == 1.0
    assert conductor.total_s == scene.moments_s[-1]
    play.stop()
    assert play.wait(patience(20))


def test_at_its_end_a_recorded_run_can_be_played_once_more(finished: dict[str, Path], clock: Clock) -> None:
    scene = replay_scene(finished["undecided"], speed=1000.0)
    conductor = conduct(scene, clock)
    scene.run.start()  # type: ignore[union-attr]
    assert scene.run.wait(patience(30))
    assert scene.run.engine is not None
    scene.model.begin(scene.run.engine.settings)
    scene.model.advance(scene.run.status)
    assert conductor.badge == "REPLAY, AT ITS END"
    conductor.do("play")
    assert not conductor.playing
    conductor.do("newest")
    conductor.do("play")
    assert scene.model.moment_s == 0.0
    conductor.do("forward")
    assert scene.model.shown == 1
    conductor.do("forward_ten")
    assert scene.model.shown == 11
    conductor.move_to(1e9)
    assert scene.model.live
