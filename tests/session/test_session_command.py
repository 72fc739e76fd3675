"""What `quietfloor session` makes of its options, with runs that are written instead of made; beside the rig: tests/live."""

from __future__ import annotations

import argparse
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.common import DONE, FAULT
from quietfloor.monitor.commands.session_steps import remarked, with_noise
from quietfloor.monitor.commands.setup import Walked
from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.display.session_talk import Wish
from quietfloor.monitor.session.session import Session
from quietfloor.monitor.session.session_plan import load_session_plan
from quietfloor.monitor.session.session_store import keep_noise
from quietfloor.monitor.storage.dose_ledger import SessionDose
from quietfloor.stimuli.dose import Dose, limit_pa2s


class Ears:
    """Takes the place of whatever makes a run: a response from ``threshold`` on."""

    def __init__(self, write: Callable[..., int], threshold: float) -> None:
        self.write, self.threshold = write, threshold
        self.made: list[tuple[str, float, bool]] = []
        self.limits: list[int] = []
        self.noise_db_em: list[float | None] = []
        self.ends_with: dict[str, Any] = {}
        self.walked: list[tuple[object, object]] = []  # acknowledgement and check that a run gets

    def __call__(self, plan: Any, folder: Path, *more: object) -> dict[str, Any]:
        sound = plan.sound
        self.walked.append((more[1], more[3]))
        self.limits.append(plan.decision.max_sweeps)
        self.made.append((sound.ear, sound.level_db_nhl, sound.muted))
        self.noise_db_em.append(sound.masking_level_db_em)
        masking = {"noise": sound.masking, "level_db_em": sound.masking_level_db_em, "transducer": sound.masking_output[0]}
        heard = sound.level_db_nhl >= self.threshold and not sound.muted
        number = self.write(
            folder, f"{sound.level_db_nhl:g}{'+' if heard else '-'}", ear=sound.ear, kind=sound.stimulus,
            frequency_hz=sound.frequency_hz, muted=sound.muted, masking=None if sound.masking == "none" else masking,
        )  # fmt: skip
        record = {"fault": None, "stopped_by": "response", "stream": {"uv_per_unit": 1.0}}
        return record | {"folder": str(folder / f"run-{number:03d}")} | self.ends_with


@pytest.fixture
def ears(add_run: Callable[..., int], monkeypatch: pytest.MonkeyPatch) -> Ears:
    made = Ears(add_run, 30.0)
    monkeypatch.setattr("quietfloor.monitor.commands.session.carry_through", made)
    return made


@pytest.fixture
def do(plan_text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, dict[str, Any]]]:
    (tmp_path / "plan.toml").write_text(plan_text, encoding="utf-8")

    def run(*words: str) -> tuple[int, dict[str, Any]]:
        status = main(["session", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "s"), "--no-window", "--json", *words])
        return status, json.loads(capsys.readouterr().out)

    return run


def test_a_pseudonym_of_two_lines_is_one_on_the_terminal(
    plan_text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plan.toml").write_text(re.sub('pseudonym = "[^"]*"', r'pseudonym = "E1\\nquietfloor: all is well"', plan_text))
    assert main(["session", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "s"), "--status"]) == DONE
    assert "E1\\nquietfloor: all is well, adult" in capsys.readouterr().out


def test_a_session_that_was_moved_finds_the_files_within_it(plan_text: str, tmp_path: Path) -> None:
    """Those elsewhere stay where they are."""
    here, there = tmp_path / "here", tmp_path / "there" / "s"
    (here / "files").mkdir(parents=True)
    (earphone,) = re.findall('calibration = "(.*)"', plan_text)
    (here / "plan.toml").write_text(plan_text.replace(earphone, "files/virtual-earphone.toml"))
    shutil.copy(earphone, here / "files")
    assert main(["session", str(here / "plan.toml"), "--out", str(here), "--status"]) == DONE
    there.parent.mkdir()
    here.rename(there)
    sound = Session.open(there).plan.run_plan(0, 40.0).sound
    assert sound is not None
    assert sound.calibration == str((there / "files/virtual-earphone.toml").resolve())
    (tmp_path / "plan.toml").write_text(plan_text)
    assert main(["session", str(tmp_path / "plan.toml"), "--out", str(tmp_path / "other"), "--status"]) == DONE
    (tmp_path / "other").rename(tmp_path / "moved")
    sound = Session.open(tmp_path / "moved").plan.run_plan(0, 40.0).sound
    assert sound is not None
    assert sound.calibration == earphone


def test_auto_does_both_ladders(ears: Ears, do: Callable[..., tuple[int, dict[str, Any]]]) -> None:
    status, found = do("--auto")
    assert status == DONE
    assert [(one["level_db_nhl"], one["highest_absent_db_nhl"], one["settled"]) for one in found["thresholds"]] == [
        (30, 25, True), (30, 25, True),
    ]  # fmt: skip
    assert [level for ear, level, _ in ears.made if ear == "right"] == [40, 30, 20, 25, 30, 25]
    assert found["errors"][0]["false_settled"] < 0.002 < 0.05 < found["errors"][0]["any_false"]
    assert next(level for ear, level, _ in ears.made if ear == "left") == 45, "not 25 dB above the last sound"


def with_plan(tmp_path: Path, plan_text: str, old: str, new: str) -> None:
    assert old in plan_text
    (tmp_path / "plan.toml").write_text(plan_text.replace(old, new), encoding="utf-8")


def test_auto_gives_the_noise_that_is_advised_where_the_plan_allows(
    ears: Ears, do: Callable[..., Any], plan_text: str, tmp_path: Path
) -> None:
    """50 dB or more between the ears with inserts, 10 dB margin (as taught in courses): at 70 dB nHL 30 dB EM, at 40 none."""
    ears.threshold = 65.0
    with_plan(tmp_path, plan_text, "[limits]", "[masking]\nauto = true\n\n[limits]")
    _, found = do("--auto")
    given = dict(zip(((ear, level) for ear, level, _ in ears.made), ears.noise_db_em, strict=True))
    assert given["right", 40.0] is None
    assert (given["right", 60.0], given["right", 70.0]) == (20.0, 30.0)
    assert [run["noise"] for run in found["runs"] if run["level_db_nhl"] == 70.0][:1] == ["white 30 dB EM"]
    right = found["thresholds"][0]
    assert (right["level_db_nhl"], right["whose"]) == (65.0, "this ear's")
    same = {(run["condition"]["ear"], run["level_db_nhl"], run["noise"]) for run in found["runs"]}
    assert len(same) == len({pair[:2] for pair in same}), "runs of one level have the same noise, so that they count together"


def test_auto_looks_again_with_noise_for_what_was_found_without(
    ears: Ears, do: Callable[..., Any], plan_text: str, tmp_path: Path
) -> None:
    """The ladder was climbed unmasked; with the plan's leave the lowest response is run again, and found to be this ear's."""
    ears.threshold = 65.0
    _, found = do("--auto")
    assert [one["whose"] for one in found["thresholds"]] == ["not known to be this ear's"] * 2
    before = len(ears.made)
    with_plan(tmp_path, plan_text, "[limits]", "[masking]\nauto = true\n\n[limits]")
    _, found = do("--auto")
    assert [one["whose"] for one in found["thresholds"]] == ["this ear's"] * 2
    assert [one["level_db_nhl"] for one in found["thresholds"]] == [65.0, 65.0]
    assert set(ears.noise_db_em[before:]) == {25.0}
    assert found["next"] is None


def test_without_the_plans_leave_noise_has_to_be_asked_for(ears: Ears, do: Callable[..., Any]) -> None:
    ears.threshold = 65.0
    do("--auto")
    assert set(ears.noise_db_em) == {None}
    do("--condition", "1", "--level", "70", "--yes", "--masking")
    assert ears.noise_db_em[-1] == 30.0
    do("--condition", "1", "--level", "70", "--yes", "--masking", "--growth")
    assert ears.noise_db_em[-1] is None


def test_noise_that_the_ceiling_or_the_dose_forbids_is_not_given(
    do: Callable[..., Any], plan_text: str, tmp_path: Path
) -> None:
    """The run is made without it, and says so; its response is not known to be this ear's."""
    with_plan(tmp_path, plan_text, 'age_group = "adult"', 'age_group = "infant"')
    do("--status")
    session = Session.open(tmp_path / "s")
    condition = session.plan.conditions[0]
    args = argparse.Namespace(muted=False, masking=True, auto=False)
    plan, told = with_noise(session, condition, 60.0, "threshold", args)
    assert plan.sound is not None
    assert (plan.sound.masking, told) == ("white", "White noise of 20 dB EM in the left ear")
    session.noise_db_em = lambda *_: 95.0  # type: ignore[method-assign]
    plan, told = with_noise(session, condition, 60.0, "threshold", args)
    assert plan.sound is not None
    assert plan.sound.masking == "none"
    assert "is advised and cannot be given: sound: the masking noise on the left ear is" in told
    assert "above the output ceiling" in told


def test_growth_and_controls_leave_the_threshold_alone(ears: Ears, do: Callable[..., Any], tmp_path: Path) -> None:
    do("--auto")
    before = Session.open(tmp_path / "s").thresholds()
    do("--growth", "--condition", "1", "--yes")
    do("--muted", "--condition", "2", "--level", "60", "--yes")
    assert ears.made[-2:] == [("right", 35, False), ("left", 60, True)]
    session = Session.open(tmp_path / "s")
    assert [run.purpose for run in session.runs()[-2:]] == ["growth", "control"]
    assert session.thresholds() == before
    kept = json.loads((tmp_path / "s" / "session.json").read_text(encoding="utf-8"))
    assert [said["purpose"] for said in kept["runs"].values()][-1] == "growth"
    assert kept["coming"]["purpose"] == "control"


def test_a_run_is_repeated_and_the_repeat_counts(ears: Ears, do: Callable[..., Any]) -> None:
    do("--yes")
    status, found = do("--repeat", "1", "--yes")
    assert (status, ears.made) == (DONE, [("right", 40, False)] * 2)
    assert [run["replicate_of"] for run in found["runs"]] == [None, 1]


def test_auto_ends_at_a_fault_and_at_ctrl_c(ears: Ears, do: Callable[..., Any]) -> None:
    ears.ends_with = {"fault": "no samples", "stopped_by": "fault"}
    status, found = do("--auto")
    assert (status, len(found["made"])) == (FAULT, 1)
    ears.ends_with = {"stopped_by": "operator"}
    status, found = do("--auto")
    assert (status, len(found["made"])) == (DONE, 1)
    ears.ends_with = {}
    assert do("--auto", "--level", "50")[1]["next"] is None, "a first level of one's own, then as suggested"


@pytest.mark.parametrize(("word", "muted"), [("--muted", True), ("--growth", False)])
def test_auto_goes_on_with_the_ladder_after_a_control_or_a_run_for_growth(
    ears: Ears, do: Callable[..., Any], word: str, muted: bool
) -> None:
    """They count for no threshold: repeated for ever they would find none."""
    ears.ends_with = {"stopped_by": "operator"}
    do("--auto")
    ears.ends_with = {}
    status, found = do("--auto", word, "--condition", "1")
    assert (status, found["next"]) == (DONE, None)
    assert [run["muted"] for run in found["runs"]][:3] == [False, muted, False]
    assert [one["settled"] for one in found["thresholds"]] == [True, True]


def test_the_setup_looks_at_the_run_as_the_dose_allows_it(
    ears: Ears, do: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Long runs are made shorter by the session itself: no reason to stop at the set-up."""
    do("--status")
    keep_noise(tmp_path / "s", 2.0)
    SessionDose(tmp_path / "s").settle("run-001", Dose(right_pa2s=0.6 * limit_pa2s("adult")))
    seen: list[int] = []

    def walk(link: object, plan: Any, *_: object) -> Walked:
        seen.append(plan.decision.max_sweeps)
        return Walked(begins=True)

    monkeypatch.setattr("quietfloor.monitor.commands.session.walk_first", walk)
    do("--yes", "--level", "80")
    assert seen == ears.limits
    assert 6144 <= seen[0] < 27_136


def test_what_the_setup_found_belongs_to_the_run_right_after_it(
    ears: Ears, do: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The electrodes of a later run were not looked at; the cautions hold for the whole session."""
    walked = Walked(True, {"how": "set-up panel"}, {"ready": True})
    monkeypatch.setattr("quietfloor.monitor.commands.session.walk_first", lambda *_: walked)
    do("--auto")
    assert ears.walked[0] == (walked.acknowledged, walked.check)
    assert set(map(str, ears.walked[1:])) == {str((walked.acknowledged, None))}


def test_no_run_is_much_longer_than_the_time_that_is_left(ears: Ears, do: Callable[..., Any], tmp_path: Path) -> None:
    do("--status")
    session = Session.open(tmp_path / "s")
    condition, usual = session.plan.conditions[0], session.run_plan(session.plan.conditions[0], 40.0)
    assert usual.sound is not None
    lasts = [
        session.run_plan(condition, 40.0, minutes_left=minutes).decision.max_sweeps * usual.sound.sweep_s
        for minutes in (1.5, 0.5, 0.01)
    ]
    assert lasts == pytest.approx([90.0, 60.0, 60.0], abs=0.1)
    assert session.run_plan(condition, 40.0, minutes_left=0.0) == usual, "somebody asks for one all the same"


def test_minutes_end_it(ears: Ears, do: Callable[..., Any]) -> None:
    status, found = do("--auto", "--minutes", "3.5")
    assert status == DONE
    assert len(found["made"]) == 3, "of a minute each"
    assert {one["reason"] for one in found["done"]} == {"time"}
    assert found["thresholds"][0]["settled"] is False


def test_what_is_said_in_the_window_about_a_run_is_kept_and_changes_what_comes_next(
    tmp_path: Path, plan_text: str, add_run: Callable[..., int], capsys: pytest.CaptureFixture[str]
) -> None:
    """The window between two runs: discard with a reason, count again, note; and what is refused is told there."""
    plan = tmp_path / "plan.toml"
    plan.write_text(plan_text, encoding="utf-8")
    session = Session.begin(tmp_path / "s", load_session_plan(plan))
    add_run(session.folder, "40+")
    first = session.next()
    link, args = WindowLink(), argparse.Namespace(json=False)
    assert remarked(session, Wish("discard", "electrode came off"), args, link) == (True, "Run 1: discarded: electrode came off")
    assert session.runs()[0].discarded == "electrode came off"
    assert session.next() != first
    assert remarked(session, Wish("restore"), args, link) == (True, "Run 1: counts")
    assert session.next() == first
    assert remarked(session, Wish("note", "asleep"), args, link) == (True, "Run 1: note kept: asleep")
    assert session.runs()[0].notes == ("asleep",)
    assert remarked(session, Wish("note", "  "), args, link) == (False, "run 1: the note is empty")
    assert "electrode came off" in capsys.readouterr().out


def test_a_session_says_how_long_a_run_takes_and_gives_it_the_sweeps_that_the_noise_asks_for(
    ears: Ears, do: Callable[..., tuple[int, dict[str, Any]]], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    do("--status")
    keep_noise(tmp_path / "s", 2.0)
    do("--yes")
    assert ears.limits == [27_136]
    main(["session", str(tmp_path / "s"), "--status"])
    assert "  Length: in " in capsys.readouterr().out
    status, found = do("--status")
    assert (status, found["sweeps"][0]["limit"]) == (DONE, 6144), "of the quiet runs that were made since"
