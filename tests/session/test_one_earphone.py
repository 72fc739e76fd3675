"""Sessions of both ears with one earphone, on a card with two outputs: one ear after the other, and the words that move it."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE
from quietfloor.monitor.commands.session_steps import earphone_moved
from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.plan.run_plan import PlanError, make_plan
from quietfloor.monitor.session.conditions import Condition
from quietfloor.monitor.session.one_earphone import move_words
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import SessionPlan, make_session_plan
from tests.session import conftest
from tests.session.searches import PLAN, answer, write_search
from tests.session.test_session_search_command import Searcher, searcher  # noqa: F401  a fixture
from tests.slow import patience

CALIBRATION = Path(__file__).parents[2] / "bench" / "virtual-earphone.toml"
STEREO = 'device = "sound-card"\nchannels = [1, 1, 2]\ntrigger_on_earphone_jack = true\n'
ON_CARD = PLAN.replace('device_source_id = "session-audio"\n', STEREO).replace("CALIBRATION", str(CALIBRATION))
LADDER = conftest.PLAN.replace('device_source_id = "session-audio"\n', STEREO)


def plan_of(text: str = ON_CARD) -> SessionPlan:
    return make_session_plan(tomllib.loads(text))


def ears(session: Session) -> tuple[list[str], str]:
    found = session.search_ahead()
    assert found is not None
    return [one.condition.ear for one in found.conditions], found.move


def test_a_search_is_of_one_ear_and_then_says_to_move_the_earphone(tmp_path: Path) -> None:
    session = Session.begin(tmp_path / "s", plan_of())
    right, low, left = session.plan.conditions
    assert ears(session) == (["right", "right"], "Put the earphone on the right ear")
    plan = session.next_search()
    assert plan is not None
    assert plan.sound is not None
    assert plan.search is not None
    assert (plan.sound.together, {one.ear for one in plan.search.condition}) == (False, {"right"})
    write_search(session.folder, {right: answer(31.6, width_db=30.0, finished=False)})
    assert ears(session) == (["right", "right"], ""), "it is there already"
    write_search(session.folder, {right: answer(31.6, found_db=35.0), low: answer(31.6, found_db=35.0)})
    assert ears(session) == (["left"], "Move the earphone to the left ear")
    (words,) = session.next_words()
    assert words.startswith("Move the earphone to the left ear. Left ear, 2000 Hz octave chirp by air: next a search from 0 to")
    write_search(session.folder, {left: answer(31.6, found_db=35.0)})
    assert session.search_ahead() is None


def test_after_a_recording_without_a_result_nobody_knows_where_the_earphone_is(tmp_path: Path) -> None:
    session = Session.begin(tmp_path / "s", plan_of())
    right = session.plan.conditions[0]
    write_search(session.folder, {right: answer(31.6, width_db=30.0, finished=False)})
    assert ears(session) == (["right", "right"], "")
    (session.folder / "run-002").mkdir()
    assert ears(session) == (["right", "right"], "Put the earphone on the right ear")


def test_ladders_stay_on_an_ear_while_something_is_open_there(tmp_path: Path, add_run: Callable[..., int]) -> None:
    text = LADDER.replace("[limits]", '[[condition]]\near = "right"\nstimulus = "tone-burst"\nfrequency_hz = 1000\n\n[limits]')
    session = Session.begin(tmp_path / "s", plan_of(text))
    first = session.next()
    assert first is not None
    assert (first.condition.ear, first.move) == ("right", "Put the earphone on the right ear")
    assert first.sentence.startswith("Put the earphone on the right ear. Right ear, click by air: next")
    for word in ("40+", "30+", "20+", "10+", "0+", "0+"):
        add_run(session.folder, word, ear="right", kind="click")
    then = session.next()
    assert then is not None
    assert (str(then.condition), then.move) == ("right ear, 1000 Hz tone burst by air", ""), "before the left ear of the plan"
    add_run(session.folder, "50+", ear="left", kind="tone-burst", frequency_hz=2000)
    moved = session.suggestions()
    assert [one.move for one in moved if not one.done] == ["", "Move the earphone to the right ear"]


def test_a_vibrator_is_named_and_a_change_of_transducer_too() -> None:
    bone, air = Condition("left", "bone", "click"), Condition("left", "air", "click")
    assert move_words(bone, None) == "Put the bone vibrator on the left ear"
    assert move_words(air, run_of(bone)) == "Change to the earphone on the left ear"
    assert move_words(air, run_of(air)) == ""


def run_of(condition: Condition) -> Any:
    from quietfloor.monitor.session.conditions import PRESENT, RunSummary

    return RunSummary(1, condition, 40.0, PRESENT, "response")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[limits]", "[search]\ntogether = true\n\n[limits]", "one earphone cannot be on both ears"),
        ("[limits]", "[masking]\nauto = true\n\n[limits]", "masking = .* with channels = .*use a card with three outputs"),
        ("trigger_on_earphone_jack = true\n", "", "which usually feeds an ear. If nothing that somebody can wear"),
    ],
)
def test_what_needs_two_earphones_is_refused_when_the_plan_is_read(old: str, new: str, said: str) -> None:
    with pytest.raises(PlanError, match=said):
        plan_of(ON_CARD.replace(old, new))


@pytest.mark.parametrize(
    ("condition", "said"),
    [
        ([{"ear": "left"}, {"ear": "right"}], "a recording is of the ear that it is on: search one ear, then the other"),
        ([{"ear": "left", "masking_db_em": [40.0]}], "masking_db_em would need a second earphone"),
    ],
)
def test_one_recording_has_one_ear_and_no_noise(condition: list[dict[str, Any]], said: str) -> None:
    sound = {"level_db_nhl": 40, "calibration": str(CALIBRATION), "device": "sound-card", "channels": [1, 1, 2]}
    table = [one | {"levels_db_nhl": [20, 40]} for one in condition]
    with pytest.raises(PlanError, match=said):
        make_plan({"sound": sound | {"trigger_on_earphone_jack": True}, "search": {"condition": table}})


@pytest.fixture
def do(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    monkeypatch.setattr("quietfloor.monitor.commands.session_search.given", lambda sound: True)  # no card is there

    def run(*words: str, plan: str = ON_CARD) -> tuple[int, dict[str, Any], str]:
        (tmp_path / "plan.toml").write_text(plan, encoding="utf-8")
        status = main(["session", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "s"), "--no-window", "--json", *words])
        out, err = capsys.readouterr()
        return status, json.loads(out) if out else {}, err

    return run


def test_auto_waits_for_the_earphone_before_the_other_ear_sounds(
    searcher: Searcher, do: Callable[..., Any]  # noqa: F811
) -> None:
    status, found, said = do("--auto")
    assert status == DONE
    assert searcher.searched() == [[("right", 2000.0), ("right", 500.0)]]
    assert "Move the earphone to the left ear, then give the same line again: it goes on from here" in said
    assert found["search"]["move"] == "Move the earphone to the left ear"
    status, found, _ = do("--auto")
    assert status == DONE
    assert searcher.searched()[1:] == [[("left", 2000.0)]]
    assert all(one["settled"] for one in found["thresholds"])


def test_noise_is_refused_before_anything_is_played(searcher: Searcher, do: Callable[..., Any]) -> None:  # noqa: F811
    status, _, said = do("--auto", "--masking")
    assert status == BAD_ARGUMENTS
    assert "--masking: the noise would need a second earphone" in said
    assert searcher.plans == []


def test_in_the_window_the_move_is_offered() -> None:
    """The window's side answers: what it was offered, and that nothing begins without an answer."""
    import argparse
    import threading
    import time

    link = WindowLink()
    link.view = object()  # type: ignore[assignment]  something is shown
    offered: list[str] = []

    def answers() -> None:
        end_s = time.monotonic() + patience(10)
        while link.offered is None:
            assert time.monotonic() < end_s, "nothing is offered"
            time.sleep(0.01)
        offered.append(link.offered.text)
        link.go_on()

    thread = threading.Thread(target=answers, daemon=True)
    thread.start()
    assert earphone_moved("Move the earphone to the left ear", argparse.Namespace(json=True), link)
    thread.join(patience(10))
    assert offered == ["Move the earphone to the left ear, then go on"]
    link.interrupted = True
    assert not earphone_moved("Move the earphone to the left ear", argparse.Namespace(json=True), link)
