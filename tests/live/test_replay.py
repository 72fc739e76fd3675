"""Deciding again from disk: the same looks byte for byte, other settings when asked, and clear words when it cannot be done."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.core.samples import Chunk
from quietfloor.monitor.plan.run_plan import FORMAT, load_plan, make_plan
from quietfloor.monitor.review.replay import ReplayError, looks_of, replay
from quietfloor.monitor.run.resolved_plan import resolve
from quietfloor.monitor.run.run import Run
from quietfloor.monitor.sources.base import StreamDescription
from quietfloor.monitor.sources.channels import Channels
from quietfloor.monitor.sources.recording import RecordingSource
from quietfloor.monitor.storage.raw_writer import Journal
from quietfloor.monitor.storage.run_folder import RunFolder, event_line
from tests.slow import patience
from tests.synthetic import stream

LABELS = ("2", "1", "Cz")  # numbers that are not their places: names must be resolved as they were live
LOOKS = 320 // 32  # one every block of two units


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run folder with 400 sweeps without a response: undecided when the recording ends."""
    session = tmp_path_factory.mktemp("session")
    made = stream(np.random.default_rng(11), 4000.0, 400, nv=0.0, noise_uv=1.0, channels=2)
    units = ("microvolts", "microvolts", "")
    description = StreamDescription("amplifier", "EEG", "sn-3", "here", "uid", 1.0, 3, 4000.0, "float32", LABELS, units)
    path = session / "source.xdf"
    with Journal(path, [description]) as journal:
        for at in range(0, len(made.stamps_s), 70):
            journal.samples(Chunk(made.samples[:, at : at + 70].astype(np.float32), made.stamps_s[at : at + 70]))
    plan = make_plan({"stream": {"name": "amplifier", "eeg": ["2", "1"], "trigger": "Cz"}, "decision": {"max_sweeps": 320}})
    source = RecordingSource(path)
    run = Run(resolve(plan, source.description, channels=Channels((0, 1), 2)), source, RunFolder.create(session))
    run.start()
    assert run.wait(patience(30))
    assert run.verdict is not None
    assert run.verdict.stopped_by == "sweep_limit"
    return run.folder.path


@pytest.fixture
def folder(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / "run-001"))


def told(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    found = json.loads(capsys.readouterr().out)
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize("chunk_samples", [None, 1, 37, 4000, 10**6])
def test_the_same_looks_however_the_samples_come(finished: Path, chunk_samples: int | None) -> None:
    done = replay(RunFolder.open(finished), chunk_samples=chunk_samples)
    assert (done.identical, done.looks, done.live_looks) == (True, LOOKS, LOOKS)
    assert (done.verdict.verdict, done.verdict.stopped_by) == ("inconclusive", "sweep_limit")


def test_the_looks_are_the_same_bytes(finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(finished), "--out", str(tmp_path), "--json"]) == 0
    found = told(capsys)
    assert found["identical"] is True
    assert found["folder"] == str(tmp_path / "run-001")
    assert looks_of(tmp_path / "run-001" / "events.jsonl") == looks_of(finished / "events.jsonl")
    assert (tmp_path / "run-001" / "average.csv").read_bytes() != b""
    assert load_plan(tmp_path / "run-001" / "plan.toml") == load_plan(finished / "plan.toml")
    assert json.loads((tmp_path / "run-001" / "run.json").read_text())["replay_of"] == str(finished)


def test_a_run_of_an_earlier_format_is_held_against_what_it_knew(folder: Path) -> None:
    """Its looks were decided the same and foretold in another way; in a run of this format that is a difference."""
    run = RunFolder.open(folder)
    lines = [json.loads(line) for line in run.events.read_text(encoding="utf-8").splitlines()]
    for line in lines:
        if line["type"] == "look":
            line["forecast_low_sweeps"] = 1.0
            del line["forecast_limit"]
    run.events.write_text("".join(event_line(line) for line in lines), encoding="utf-8")
    assert not replay(run).identical
    text = run.plan.read_text(encoding="utf-8")
    run.plan.write_text(text.replace(f"format = {FORMAT}\n", ""), encoding="utf-8")
    done = replay(run)
    assert (done.identical, done.looks) == (True, LOOKS)
    next(line for line in lines if line["type"] == "look")["evidence"] = 1.0
    run.events.write_text("".join(event_line(line) for line in lines), encoding="utf-8")
    assert replay(run).first_difference == 0


def test_other_settings_make_a_new_result_that_is_not_compared(
    finished: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["replay", str(finished), "--max-sweeps", "96", "--band", "150,1400", "--window", "6,15", "--alpha", "0.05"]
    assert main([*arguments, "--out", str(tmp_path), "--json"]) == 0
    found = told(capsys)
    assert found["identical"] is None
    assert (found["looks"], found["sweeps_presented"], found["alpha"]) == (96 // 32, 96, 0.05)
    assert (found["filter"]["low_hz"], found["filter"]["high_hz"]) == (150, 1400)
    plan = load_plan(tmp_path / "run-001" / "plan.toml")
    assert (plan.analysis.window_ms, plan.decision.max_sweeps) == ((6.0, 15.0), 96)
    assert len(looks_of(finished / "events.jsonl")) == LOOKS  # the run itself stays as it was


def test_a_quieter_floor_than_needed_gives_an_absent_response(finished: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(finished), "--floor-nv", "58"]) == 0
    said = capsys.readouterr().out
    assert "No response at this noise floor: no response larger than" in said
    assert "not compared: settings were changed" in said


def test_more_sweeps_than_were_recorded_end_with_the_recording(finished: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(finished), "--max-sweeps", "5000", "--json"]) == 0
    found = told(capsys)
    assert (found["stopped_by"], found["fault"]) == ("fault", "the recording ends here")


def test_a_look_that_differs_is_named(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = (folder / "events.jsonl").read_text().splitlines(keepends=True)
    third = [number for number, line in enumerate(lines) if '"type":"look"' in line][2]
    lines[third] = lines[third].replace('"sweeps_accepted":9', '"sweeps_accepted":8')
    (folder / "events.jsonl").write_text("".join(lines))
    assert main(["replay", str(folder)]) == 1
    assert f"{LOOKS} looks against {LOOKS} live ones, the first difference is in look 3" in capsys.readouterr().out


def test_other_versions_are_named_when_looks_differ(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = (folder / "events.jsonl").read_text().splitlines(keepends=True)
    (folder / "events.jsonl").write_text("".join(line for line in lines if '"sweeps_presented":64' not in line))
    kept = {"versions": {"numpy": "0.9"}}
    (folder / "run.json").write_text(json.dumps(kept))
    assert main(["replay", str(folder)]) == 1
    said = capsys.readouterr().out
    assert f"{LOOKS} looks against {LOOKS - 1} live ones" in said
    assert "versions differ: numpy 0.9 then, " in said


def test_without_events_there_is_nothing_to_compare(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "events.jsonl").unlink()
    assert main(["replay", str(folder)]) == 0
    assert "not compared: the run kept no looks" in capsys.readouterr().out


def test_a_recording_that_was_cut_is_replayed_as_far_as_it_goes(folder: Path) -> None:
    raw = (folder / "raw.xdf").read_bytes()
    (folder / "raw.xdf").write_bytes(raw[: len(raw) // 2])
    lines = [line for line in (folder / "events.jsonl").read_text().splitlines(keepends=True) if '"type":"verdict"' not in line]
    (folder / "events.jsonl").write_text("".join(lines[:3]) + lines[3][:20])  # killed in the middle of a line
    done = replay(RunFolder.open(folder))
    assert done.identical
    assert (done.verdict.stopped_by, done.verdict.reason) == ("fault", "the recording ends here")


def test_pace_holds_samples_back(finished: Path) -> None:
    times = iter(np.arange(0.0, 1e3, 0.005))
    source = RecordingSource(finished / "raw.xdf", pace=1.0, clock=lambda: float(next(times)), sleep=lambda s: None)
    got, waited = 0, 0
    while got < 4000:
        chunk = source.pull(0.0)
        waited += chunk is None
        got += 0 if chunk is None else len(chunk.stamps_s)
    assert waited > 0


@pytest.mark.parametrize(
    ("spoil", "status", "words"),
    [
        (lambda path: (path / "raw.xdf").unlink(), 1, "is no run folder: it holds no raw.xdf"),
        (lambda path: (path / "raw.xdf").write_bytes(b"something else"), 1, "is no XDF file"),
        (lambda path: (path / "plan.toml").unlink(), 1, "has no plan.toml"),
        (lambda path: (path / "plan.toml").write_text("[stream]\nnam = 3"), 2, "unknown key stream.nam"),
        (
            lambda path: (path / "plan.toml").write_text('[stream]\neeg = ["Fz"]\ntrigger = "Cz"\nunit = "uV"'),
            1,
            "no channel 'Fz'",
        ),
        (lambda path: (path / "plan.toml").write_text('[stream]\neeg = ["1"]\ntrigger = "Cz"'), 1, "names no unit"),
        *[
            (lambda path, text=text: (path / "events.jsonl").write_text(text + "\n"), 1, "is damaged")
            for text in ("{broken", "[1]", "3", '{"type":3}', '{"type":"look"}', '{"type":"verdict"}', "[" * 100_000)
        ],
    ],
)
def test_a_folder_that_cannot_be_replayed_says_why(
    spoil: Any, status: int, words: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil(folder)
    assert main(["replay", str(folder), "--json"]) == status
    said = capsys.readouterr()
    assert words in said.err
    last = said.err.split("quietfloor: ")[-1].rstrip("\n")  # it may say before that there is no screen for a window
    assert json.loads(said.out) == {"error": last, "exit_status": status}


@pytest.mark.parametrize(("arguments", "words"), [(["--alpha", "2"], "decision.alpha = 2.0"), (["--speed", "0"], "--speed 0")])
def test_settings_that_cannot_be_are_refused(
    arguments: list[str], words: str, finished: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", str(finished), *arguments]) == 2
    assert words in capsys.readouterr().err


def test_a_missing_plan_is_said_by_the_function_too(folder: Path) -> None:
    (folder / "plan.toml").unlink()
    with pytest.raises(ReplayError, match=r"has no plan\.toml"):
        replay(RunFolder.open(folder))
