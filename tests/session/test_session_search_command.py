"""What `quietfloor session` makes of a plan that searches, with recordings that are written instead of made; beside the rig:
tests/live."""

from __future__ import annotations

import argparse
import json
import math
import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE
from quietfloor.monitor.commands.session_search import plan_of
from quietfloor.monitor.plan.cell_table import written_out
from quietfloor.monitor.plan.run_plan import PlanError
from quietfloor.monitor.session.conditions import Condition
from quietfloor.monitor.session.searching import Ahead, SearchAhead
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import make_session_plan
from tests.session.searches import PLAN, answer, write_search

CALIBRATION = Path(__file__).parents[2] / "bench" / "virtual-earphone.toml"
Do = Callable[..., tuple[int, dict[str, Any]]]


class Searcher:
    """Takes the place of whatever makes a recording: every condition has its threshold, found 3 dB above."""

    def __init__(self, write_run: Callable[..., int]) -> None:
        self.write_run = write_run
        self.thresholds = {("right", 2000.0): 32.0, ("right", 500.0): 42.0, ("left", 2000.0): 22.0}
        self.plans: list[Any] = []
        self.ends_after = 99  # conditions; the rest is left open
        self.seconds = 120.0
        self.stopped_by = "search"

    def __call__(self, plan: Any, folder: Path, *_: object) -> dict[str, Any]:
        self.plans.append(plan)
        if plan.search is None:
            heard = plan.sound.level_db_nhl >= self.thresholds[plan.sound.ear, plan.sound.frequency_hz]
            number = self.write_run(
                folder, f"{plan.sound.level_db_nhl:g}{'+' if heard else '-'}", ear=plan.sound.ear, kind=plan.sound.stimulus,
                frequency_hz=plan.sound.frequency_hz, muted=plan.sound.muted,
            )  # fmt: skip
            return self._record(folder, number, "response")
        found, noise = {}, {}
        for number, one in enumerate(plan.search.condition):
            true = self.thresholds[one.ear, one.frequency_hz]
            top = one.levels_db_nhl[-1]
            condition = Condition(one.ear, plan.sound.route, one.stimulus, one.frequency_hz)
            above = true > top
            said = answer(math.inf if above else true, found_db=math.nan if above else 5 * math.ceil(true / 5), top_db=top)
            open_ = number >= self.ends_after
            found[condition] = answer(true, width_db=30.0, top_db=top, finished=False) if open_ else said
            noise[condition] = dict(zip(reversed(one.levels_db_nhl), reversed(one.masking_db_em), strict=False))
        number = write_search(folder, found, seconds=min(self.seconds, 60 * plan.search.minutes), noise_of=noise)
        return self._record(folder, number, self.stopped_by)

    def _record(self, folder: Path, number: int, stopped_by: str) -> dict[str, Any]:
        record = {"fault": None, "stopped_by": stopped_by, "stream": {"uv_per_unit": 1.0}}
        return record | {"folder": str(folder / f"run-{number:03d}")}

    def searched(self) -> list[list[tuple[str, float]]]:
        return [[(one.ear, one.frequency_hz) for one in plan.search.condition] for plan in self.plans if plan.search is not None]


@pytest.fixture
def searcher(add_run: Callable[..., int], monkeypatch: pytest.MonkeyPatch) -> Searcher:
    made = Searcher(add_run)
    for module in ("session_search", "session"):
        monkeypatch.setattr(f"quietfloor.monitor.commands.{module}.carry_through", made)
    return made


@pytest.fixture
def do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Do:
    def run(*words: str, plan: str = PLAN) -> tuple[int, dict[str, Any]]:
        (tmp_path / "plan.toml").write_text(plan.replace("CALIBRATION", str(CALIBRATION)), encoding="utf-8")
        status = main(["session", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "s"), "--no-window", "--json", *words])
        out, err = capsys.readouterr()
        return status, (json.loads(out) if out else {}) | {"err": err}

    return run


def test_auto_searches_all_conditions_in_one_recording(searcher: Searcher, do: Do) -> None:
    status, found = do("--auto")
    assert status == DONE
    assert searcher.searched() == [[("right", 2000.0), ("left", 2000.0), ("right", 500.0)]]
    assert [(one["method"], one["level_db_nhl"], one["settled"]) for one in found["thresholds"]] == [
        ("search", 32.0, True), ("search", 42.0, True), ("search", 22.0, True),
    ]  # fmt: skip
    (plan,) = searcher.plans
    assert (plan.sound.ear, plan.sound.frequency_hz, plan.sound.level_db_nhl) == ("right", 2000.0, 80.0)
    assert (plan.search.width_db, plan.search.widest_db) == (10.0, 14.0)
    assert [one.rank for one in plan.search.condition] == [0, 0, 1]
    assert (found["next"], found["search"], found["method"]) == (None, None, "search")
    assert "Every condition has its answer." in found["err"]


def test_the_width_of_the_plan_is_that_of_the_search(searcher: Searcher, do: Do) -> None:
    do("--auto", plan=PLAN.replace("[limits]", "[search]\nwidth_db = 15\nwidest_db = 20\n[limits]"))
    assert (searcher.plans[0].search.width_db, searcher.plans[0].search.widest_db) == (15.0, 20.0)


def test_minutes_are_those_of_all_recordings_together(searcher: Searcher, do: Do) -> None:
    searcher.ends_after, searcher.seconds = 1, 120.0
    _, found = do("--yes", "--minutes", "5")
    assert searcher.plans[0].search.minutes == pytest.approx(5.0)
    assert found["search"]["minutes"] == pytest.approx(3.0)
    assert [one["index"] for one in found["search"]["conditions"]] == [2, 1], "the one that was answered is left out"
    limited = PLAN.replace("[limits]", "[limits]\nminutes = 5")
    do("--yes", plan=limited)
    assert searcher.plans[1].search.minutes == pytest.approx(3.0)
    assert searcher.plans[1].search.condition[0].expected_db_nhl == 22.0, "by its own search that was not finished"
    searcher.ends_after, searcher.seconds = 0, 300.0
    _, last = do("--auto", plan=limited)
    assert sum(run["seconds"] for run in last["runs"]) <= 300.0 + 1.0
    assert "0 s are left: too little for another search." in last["err"]


def test_auto_does_not_search_for_ever_what_gives_no_answer(searcher: Searcher, do: Do) -> None:
    searcher.ends_after = 1
    _, found = do("--auto")
    assert searcher.searched() == [[("right", 2000.0), ("left", 2000.0), ("right", 500.0)]]
    assert "Searched without an answer, not again by itself: right ear, 500 Hz" in found["err"]
    searcher.ends_after = 99
    do("--auto", "--condition", "3")
    assert searcher.searched()[1] == [("left", 2000.0)]
    do("--condition", "3", "--yes", "--level", "20")
    assert searcher.searched()[2] == [("left", 2000.0)], "asked for, it is searched again"
    assert searcher.plans[2].search.condition[0].start_db_nhl == 20.0


def test_stopped_by_hand_auto_ends(searcher: Searcher, do: Do) -> None:
    searcher.ends_after, searcher.stopped_by = 1, "operator"
    _, found = do("--auto")
    assert len(searcher.plans) == 1
    assert "stopped: the same line goes on from here" in found["err"]


def test_noise_is_in_the_recording_at_levels_for_which_it_is_due(searcher: Searcher, do: Do) -> None:
    searcher.thresholds["right", 2000.0] = 68.0
    _, found = do("--auto", plan=PLAN.replace("[limits]", "[masking]\nauto = true\n[limits]"))
    (plan,) = searcher.plans
    assert len(plan.search.condition) == 3
    for one in plan.search.condition:
        assert 0 < len(one.masking_db_em) < len(one.levels_db_nhl)
        assert one.masking == "octave-band"
        assert one.levels_db_nhl[-1] == 80.0
    assert plan.sound.masking_level_db_em == plan.search.condition[0].masking_db_em[-1]
    assert (found["thresholds"][0]["level_db_nhl"], found["thresholds"][0]["whose"]) == (68.0, "this ear's")


def test_a_single_run_stays_possible(searcher: Searcher, do: Do) -> None:
    do("--single", "--condition", "3", "--level", "35", "--yes")
    assert searcher.plans[0].search is None
    assert (searcher.plans[0].sound.ear, searcher.plans[0].sound.level_db_nhl) == ("left", 35.0)
    do("--auto", "--condition", "1")
    do("--growth", "--condition", "1", "--yes")
    assert searcher.plans[2].search is None
    assert searcher.plans[2].sound.level_db_nhl == 40.0, "5 dB above the softest level with a response"
    _, found = do("--status")
    assert [run["purpose"] for run in found["runs"]] == ["threshold", "threshold", "growth"]


def test_guidance_confirms_that_there_is_none_below(searcher: Searcher, do: Do) -> None:
    _, found = do("--auto", plan='confirm = "guidance"\n' + PLAN)
    assert found["thresholds"][0]["lowest_present_db_nhl"] == 35.0
    assert [one["highest_absent_db_nhl"] for one in found["thresholds"]] == [30.0, 40.0, 20.0]
    assert [one["method"] for one in found["thresholds"]] == ["search"] * 3
    assert [plan.search is None for plan in searcher.plans] == [False] + [True] * (len(searcher.plans) - 1)
    sounds = [plan.sound for plan in searcher.plans[1:]]
    right = [sound.level_db_nhl for sound in sounds if (sound.ear, sound.frequency_hz) == ("right", 2000)]
    assert right == [25.0, 30.0, 30.0], "10 dB down, 5 dB up, and once more, as a ladder does"
    assert found["next"] is None


def test_status_says_what_is_known_and_what_is_next(searcher: Searcher, do: Do) -> None:
    _, found = do("--status")
    assert "error rate, every search: where nothing is heard, at most 1 % of searches find a response" in found["err"]
    assert found["search"]["sentence"] == (
        "Right ear, 2000 Hz octave chirp by air and 2 more conditions: next a search from 0 to 80 dB nHL, beginning at 40."
    )
    assert found["search"]["sentence"] in found["err"]
    do("--auto")
    assert "Every condition has its answer." in do("--status")[1]["err"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--condition", "4", "--auto"), "--condition 4: the plan has 3, counted from 1"),
        (("--level", "33", "--yes"), "--level 33: 33 dB nHL is no level of right ear, .* it has 0, 5, "),
        (("--repeat", "1", "--level", "3"), "leave out --condition, --level and --growth"),
    ],
)
def test_what_cannot_be_done_is_said(searcher: Searcher, do: Do, words: tuple[str, ...], said: str) -> None:
    status, found = do(*words)
    assert status == BAD_ARGUMENTS
    assert not searcher.plans
    assert re.search(said, found["err"])


def test_both_ears_at_once_where_a_recording_allows_it(tmp_path: Path) -> None:
    """Both ears by air without noise; else singly. Of the channels, those of the ears' own sides decide."""
    wanted = "[search]\ntogether = true\ndeciding = [\"Cz-M1\", \"Cz-M2\"]\n[limits]"
    text = PLAN.replace("[limits]", wanted)
    tight = Session.begin(tmp_path / "tight", make_session_plan(tomllib.loads(text)))
    with pytest.raises(PlanError, match=r"the next sound comes after 20.8 ms: lower sound.rate_per_s to 38.5"):
        written_out(tight.next_search())  # type: ignore[arg-type]
    plan = make_session_plan(tomllib.loads(text.replace("rate_per_s = 39.1", "rate_per_s = 38.5")))
    session = Session.begin(tmp_path / "both", plan)
    both = session.next_search()
    assert both is not None
    assert both.sound is not None
    assert both.search is not None
    assert both.sound.together
    assert {one.ear for one in both.search.condition} == {"left", "right"}
    assert both.search.deciding == ("Cz-M1", "Cz-M2")
    one_ear = session.search_ahead(only=0)
    alone = session.next_search(ahead=one_ear)
    assert alone is not None
    assert alone.sound is not None
    assert not alone.sound.together
    by_default = Session.begin(tmp_path / "default", make_session_plan(tomllib.loads(PLAN))).next_search()
    assert by_default is not None
    assert by_default.sound is not None
    assert (by_default.sound.together, by_default.sound.rate_per_s) == (True, 38.5), "as fast as windows and mains allow"
    written_out(by_default)
    for keys in ("[search]\ntogether = false\n[limits]", "[search]\nwidth_db = 10\n[limits]"):
        one = Session.begin(tmp_path / f"singly-{len(keys)}", make_session_plan(tomllib.loads(PLAN.replace("[limits]", keys))))
        off = one.next_search(most=0 if "false" not in keys else 2)
        assert off is not None
        assert off.sound is not None
        assert (off.sound.together, off.sound.rate_per_s) == (False, 39.1)
    other = PLAN.replace("[limits]", '[hearing]\nnoise_transducer = "circumaural"\n[limits]')
    moved = Session.begin(tmp_path / "moved", make_session_plan(tomllib.loads(other))).next_search()
    assert moved is not None
    assert moved.sound is not None
    assert moved.sound.together, "another earphone for noise does not matter where none is given"
    content = tomllib.loads(PLAN)
    content["run"]["sound"]["together"] = True
    with pytest.raises(PlanError, match="together = True, which comes from the session itself"):
        make_session_plan(content)


FOUR = PLAN.replace("[limits]", '[[condition]]\near = "left"\nstimulus = "octave-chirp"\nfrequency_hz = 500\n\n[limits]')


def at_once(tmp_path: Path, text: str, capsys: pytest.CaptureFixture[str]) -> tuple[Any, str]:
    """The sound of the next recording, with the sound of each condition, and what was said of it."""
    text = text.replace("CALIBRATION", str(CALIBRATION))
    session = Session.begin(tmp_path / f"s-{len(list(tmp_path.iterdir()))}", make_session_plan(tomllib.loads(text)))
    plan = plan_of(session, session.search_ahead(), None, None, argparse.Namespace(json=False))
    assert plan.sound is not None
    assert plan.search is not None
    written_out(plan)
    said = capsys.readouterr()
    return (plan.sound, {(one.ear, one.frequency_hz): one.sound for one in plan.search.condition}), said.out + said.err


def test_two_frequencies_in_each_ear_where_a_recording_allows_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (sound, sounds), said = at_once(tmp_path, FOUR, capsys)
    assert (sound.at_once, sound.rate_per_s) == (2, 36.1), "as fast as windows and mains allow"
    assert sounds == {(ear, hz): number for ear in ("left", "right") for hz, number in ((500.0, 1), (2000.0, 2))}
    assert "Both ears at once, two frequencies in each, at 36.1/s: each has levels of its own." in said
    for keys, rate_per_s, expected in (
        ("sounds_per_ear = 1", 39.1, (1, 38.5)), ("together = true", 38.5, (1, 38.5)), ("together = true", 36.1, (2, 36.1)),
        ("together = false", 39.1, (0, 39.1)),
    ):  # fmt: skip
        text = FOUR.replace("[limits]", f"[search]\n{keys}\n[limits]").replace("39.1", f"{rate_per_s:g}")
        (sound, sounds), _ = at_once(tmp_path, text, capsys)
        assert (sound.at_once, sound.rate_per_s) == expected, keys
        assert set(sounds.values()) == ({1, 2} if expected[0] == 2 else {1})
    of_one_ear, _ = at_once(tmp_path, PLAN, capsys)  # the left ear has one frequency
    assert of_one_ear[0].at_once == 1
    (sound, sounds), said = at_once(tmp_path, FOUR.replace("= 80", "= 95"), capsys)  # two sounds share the ceiling
    assert sound.at_once == 1
    assert set(sounds.values()) == {1}
    assert "One frequency at a time in each ear: sound: the level on the right ear is 1.02 dB above the output ceiling" in said


def test_the_lower_half_of_an_ears_frequencies_has_its_first_sound_and_the_rest_its_second() -> None:
    plan = make_session_plan(tomllib.loads(FOUR))
    session_conditions = plan.conditions
    more = [Ahead(number, one, (20.0, 30.0), 20.0, number) for number, one in enumerate(session_conditions)]
    middle = [replace(one, condition=replace(one.condition, frequency_hz=1000.0)) for one in more[1::2]]
    ahead = SearchAhead((*more, *middle))
    assert ahead.sounds_of_each_ear == 2
    found = {(one["ear"], one["frequency_hz"]): one["sound"] for one in ahead.tables(2)}
    assert found == {(ear, hz): number for ear, hz, number in (
        ("right", 500.0, 1), ("right", 1000.0, 2), ("right", 2000.0, 2), ("left", 500.0, 1), ("left", 1000.0, 2),
        ("left", 2000.0, 2),
    )}  # fmt: skip
    assert all("sound" not in one for one in ahead.tables(1))
    clicks = SearchAhead(tuple(replace(one, condition=replace(one.condition, frequency_hz=None)) for one in more))
    assert clicks.sounds_of_each_ear == 1
    assert SearchAhead(tuple(one for one in more if one.condition.ear == "left")).sounds_of_each_ear == 0
