"""Runs that earlier programs recorded replay to the looks that they had, for as long as there are later programs."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from monitor.folder import RunFolder
from monitor.plan import FORMAT, load_run_plan
from monitor.replay import OTHERWISE_SINCE, replay

RUNS = Path(__file__).parents[1] / "data" / "runs"
STORED = sorted(path for path in RUNS.iterdir() if path.is_dir())
TOLERANCE = 1e-9  # of a figure: processors add in different orders, by 2e-15 of a sum


def looks(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [event for event in events if event["type"] == "look"]


def same(now: Any, then: Any) -> bool:
    """Equal, numbers that are no counts within TOLERANCE; what is undefined is null on disk."""
    if isinstance(then, float) and isinstance(now, float):
        return math.isclose(now, then, rel_tol=TOLERANCE, abs_tol=TOLERANCE)
    return bool(now == then)


@pytest.mark.parametrize("folder", STORED, ids=lambda path: path.name)
def test_a_stored_run_replays_to_its_looks(folder: Path) -> None:
    run_format = load_run_plan(folder / "plan.toml").format
    assert folder.name == f"format-{run_format}"
    done = replay(RunFolder.open(folder))
    then = looks([json.loads(line) for line in (folder / "events.jsonl").read_text(encoding="utf-8").splitlines()])
    now = looks([json.loads(json.dumps(event.record())) for event in done.events])
    otherwise = tuple(key for since, keys in OTHERWISE_SINCE.items() if run_format < since for key in keys)
    assert len(now) == len(then) > 20
    for new, old in zip(now, then, strict=True):
        compared = {key: value for key, value in old.items() if not key.startswith(otherwise)}
        assert [(key, new[key], value) for key, value in compared.items() if not same(new[key], value)] == []
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    verdict = done.verdict
    assert (verdict.verdict, verdict.stopped_by) == (record["verdict"], record["stopped_by"]) == ("response_present", "response")


def test_there_is_a_stored_run_of_every_format_that_is_over() -> None:
    assert {path.name for path in STORED} >= {f"format-{number}" for number in range(1, FORMAT)}
