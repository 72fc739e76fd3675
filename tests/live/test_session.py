"""A session as a user makes it, beside the virtual patient: followed to its end, taken up again, corrected."""

from __future__ import annotations

import io
import json
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.commands.common import BAD_ARGUMENTS, DONE
from quietfloor.monitor.commands.demo import rig, virtual_calibration
from tests.live.harness import Outcome, call

PLAN = """
method = "ladder"

[subject]
pseudonym = "S07 / a"
age_group = "adult"

[[condition]]
ear = "right"
stimulus = "click"

[replicates]
present = 1

[limits]
start_db_nhl = 50
lowest_db_nhl = 40
highest_db_nhl = 60

[run.stream]
source_id = "EEG"
eeg = ["1"]
trigger = "trigger"

[run.sound]
calibration = "CALIBRATION"
device_source_id = "AUDIO"
speed = 20
lead_in_s = 1.0

[run.analysis]
acoustic_delay_ms = 0.9
"""


def write_plan(folder: Path, audio: str = "no-audio", eeg: str = "no-eeg") -> Path:
    path = folder / "plan.toml"
    text = PLAN.replace("CALIBRATION", str(virtual_calibration())).replace("AUDIO", audio).replace("EEG", eeg)
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def followed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Outcome, Path, Path]]:
    """An easy patient, two levels; the rig stays for what follows."""
    folder = tmp_path_factory.mktemp("session")
    tag = uuid.uuid4().hex[:8]
    audio, eeg = f"audio-{tag}", f"eeg-{tag}"
    plan = write_plan(folder, audio, eeg)
    with rig("quiet-sleeper", audio, eeg, 3):
        outcome = call("run", str(plan), "--auto", "--out", str(folder / "s"), "--no-window", "--json", timeout_s=150)
        yield outcome, plan, folder / "s"


@pytest.mark.lsl
@pytest.mark.long
def test_auto_goes_from_the_first_level_to_a_threshold(followed: tuple[Outcome, Path, Path]) -> None:
    outcome, _, folder = followed
    assert outcome.status == DONE, outcome.err
    found = outcome.json
    assert [(run["level_db_nhl"], run["verdict"]) for run in found["runs"]] == [
        (50.0, "response_present"), (40.0, "response_present"),
    ]  # fmt: skip
    assert found["next"] is None
    assert found["done"][0]["reason"] == "limit"
    (threshold,) = found["thresholds"]
    assert (threshold["finding"], threshold["level_db_nhl"], threshold["settled"]) == ("at most", 40.0, True)
    assert len(found["made"]) == 2
    assert all(run["seconds"] > 1 for run in found["runs"])
    assert "next 40 dB nHL, a response at 50 dB nHL, nothing decided below: 10 dB down." in outcome.err
    seeds = {json.loads((Path(path) / "run.json").read_text(encoding="utf-8"))["seed"] for path in found["made"]}
    assert len(seeds) == 2
    assert {path.name for path in folder.iterdir()} == {
        "run-001", "run-002", "session.json", "session-plan.toml", "dose.jsonl",
    }  # fmt: skip


@pytest.mark.lsl
@pytest.mark.long
def test_it_goes_on_in_another_process_after_a_run_is_discarded(followed: tuple[Outcome, Path, Path]) -> None:
    outcome, plan, folder = followed
    assert outcome.status == DONE, outcome.err
    out = call("session", str(folder), "--discard", "2", "--why", "cable moved", "--json")
    assert out.json["next"]["level_db_nhl"] == 40
    again = call("session", str(plan), "--out", str(folder), "--yes", "--no-window", "--json", timeout_s=90)
    assert again.status == DONE, again.err
    assert [run["discarded"] for run in again.json["runs"]] == [None, "cable moved", None]
    assert again.json["next"] is None
    noted = call("session", str(folder), "--note", "3", "quiet now")
    assert "quiet now" in noted.out
    nothing = call("session", str(folder), "--auto", "--no-window")
    assert nothing.status == DONE
    assert "with no lower level left to try" in nothing.out
    assert len(list(folder.glob("run-*"))) == 3


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("session", "PLAN", "--discard", "1", "--why", "x"), "there is no run 1"),
        (("session", "PLAN", "--note", "one", "x"), "give the number of a run"),
        (("session", "PLAN", "--why", "x"), "--why is the reason for --discard N"),
        (("session", "PLAN", "--condition", "4", "--yes"), "the plan has 1, counted from 1"),
        (("session", "PLAN", "--level", "75", "--yes"), "at most 60 dB nHL"),
        (("session", "PLAN", "--growth", "--yes"), "no response yet, so no level above it"),
        (("session", "PLAN", "--repeat", "1", "--level", "3"), "leave out --condition, --level and --growth"),
        (("session", "missing.toml"), "missing.toml cannot be read"),
        (("run", "PLAN", "--auto", "--rule", "fsp", "--seed", "2"), "write rule, seed under [run] there"),
        (("run", "--auto"), "--auto needs the plan of a session"),
    ],
)
def test_what_cannot_be_done_is_said(
    words: tuple[str, ...], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = str(write_plan(tmp_path))
    arguments = [plan if word == "PLAN" else word for word in words]
    assert main([*arguments, "--out", str(tmp_path / "s"), "--no-window"]) == BAD_ARGUMENTS
    assert said in capsys.readouterr().err
    assert not list(tmp_path.glob("s/run-*"))


def test_without_anybody_to_ask_nothing_is_played(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["session", str(write_plan(tmp_path)), "--no-window"]) == DONE
    said = capsys.readouterr().out
    assert "Right ear, click by air: next 50 dB nHL, where the plan begins." in said
    assert "--yes makes this run" in said
    assert (tmp_path / "sessions" / "S07---a" / "session.json").is_file()
    assert main(["session", str(tmp_path / "sessions" / "S07---a"), "--status", "--json"]) == DONE
    status: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert (status["runs"], status["next"]["reason"]) == ([], "start")


def test_answers_in_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A level of one's own is taken as it is given; what is louder than the plan allows is not."""
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    asked: list[float] = []

    def play(plan: Any, *_: object) -> dict[str, Any]:
        asked.append(plan.sound.level_db_nhl)
        return {"fault": "stop here", "stream": {"uv_per_unit": 1}, "folder": ""}

    monkeypatch.setattr("quietfloor.monitor.commands.session.carry_through", play)
    for answer, levels in (("what\n45\n", [45.0]), ("\n", [50.0]), ("q\n", []), ("", []), ("75\nq\n", [])):
        asked.clear()
        monkeypatch.setattr("sys.stdin", Terminal(answer))
        main(["session", str(write_plan(tmp_path)), "--out", str(tmp_path / "s"), "--no-window"])
        assert asked == levels
    said = capsys.readouterr()
    assert "'what' is no answer" in said.out
    assert "the plan allows at most 60 dB nHL" in said.out
