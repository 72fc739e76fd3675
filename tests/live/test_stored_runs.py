"""Runs that earlier programs recorded replay to the looks that they had, for as long as there are later programs."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from quietfloor.monitor.plan.run_plan import FORMAT, load_run_plan
from quietfloor.monitor.review.recover import FinishError, finish
from quietfloor.monitor.review.replay import looks_of, replay
from quietfloor.monitor.storage.run_folder import RunFolder

RUNS = Path(__file__).parents[1] / "data" / "runs"
STORED = sorted(path for path in RUNS.iterdir() if path.is_dir())


@pytest.mark.parametrize("folder", STORED, ids=lambda path: path.name)
def test_a_stored_run_replays_to_its_looks(folder: Path) -> None:
    run_format = load_run_plan(folder / "plan.toml").format
    assert folder.name == f"format-{run_format}"
    done = replay(RunFolder.open(folder))
    assert done.identical, f"look {done.first_difference} comes out otherwise"
    assert done.looks == len(looks_of(folder / "events.jsonl")) > 20
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    verdict = done.verdict
    assert (verdict.verdict, verdict.stopped_by) == (record["verdict"], record["stopped_by"]) == ("response_present", "response")


def test_there_is_a_stored_run_of_every_format_that_is_over() -> None:
    assert {path.name for path in STORED} >= {f"format-{number}" for number in range(1, FORMAT)}


@pytest.mark.parametrize("folder", STORED, ids=lambda path: path.name)
def test_a_stored_run_that_was_killed_is_finished(folder: Path, tmp_path: Path) -> None:
    killed = RunFolder(Path(shutil.copytree(folder, tmp_path / "run-001")))
    live = killed.read_record()
    killed.run.unlink()
    said = killed.events.read_text(encoding="utf-8").splitlines(keepends=True)[:-2]
    killed.events.write_text("".join(said), encoding="utf-8")
    record = finish(killed.path).record
    assert record["identical_by"] in ("bytes", "decisions")
    for key in ("verdict", "stopped_by", "reason"):
        assert record[key] == live[key]
    assert killed.events.read_text(encoding="utf-8").startswith("".join(said))
    assert replay(killed).identical


def test_a_verdict_of_an_earlier_format_may_give_its_reason_in_other_words_and_be_no_other(tmp_path: Path) -> None:
    """Format 1 said "no response larger than about" where a limit is stated today."""
    for number, (old, new) in enumerate((('"reason":"', '"reason":"about '), ("response_present", "response_absent"))):
        folder = RunFolder(Path(shutil.copytree(RUNS / "format-1", tmp_path / f"run-{number:03d}")))
        folder.run.unlink()
        *said, verdict = folder.events.read_text(encoding="utf-8").splitlines(keepends=True)
        assert verdict.startswith('{"type":"verdict"')
        assert old in verdict
        folder.events.write_text("".join(said) + verdict.replace(old, new), encoding="utf-8")
        if number == 0:
            assert finish(folder.path).record["verdict"] == "response_present"
        else:
            with pytest.raises(FinishError):
                finish(folder.path)
