"""Marks on the levels of a search, by the command, from known waves in known noise."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.display.waves import RunMarks
from quietfloor.monitor.storage.run_folder import FolderError, RunFolder
from tests.waves.conftest import TIMES_MS, bell, filtered_noise

LEVELS = (20.0, 40.0, 60.0)
NOISE_NV = 8.0


def wave(at_ms: float, times: float) -> np.ndarray:
    return times * (bell(at_ms, 240, 0.35) - bell(at_ms + 2.1, 160, 0.7))


@pytest.fixture
def search(tmp_path: Path, rng: np.random.Generator) -> Path:
    """Clicks to both ears; wave V at 7.7, 6.7, 5.9 ms, of the left ear 0.3 ms later. The softest level of the left ear was not
    played."""
    folder = RunFolder.create(tmp_path)
    folder.raw.write_bytes(b"XDF:")
    rows = ["cell,time_ms,average_uv,a_uv,b_uv"]
    conditions = []
    for place, ear in enumerate(("right", "left")):
        cells = []
        for number, (level, at_ms, times) in enumerate(zip(LEVELS, (7.7, 6.7, 5.9), (0.6, 0.9, 1.2), strict=True)):
            played = not (ear == "left" and level == 20.0)
            cells.append({
                "cell": 3 * place + number, "level_db_nhl": level, "presented": 1600 * played, "accepted": 1600 * played,
                "evidence": 3.0, "residual_noise_nv": NOISE_NV if played else None, "upper_limit_nv": 90.0, "masking_db_em": None,
            })  # fmt: skip
            noise = filtered_noise(rng, 2, NOISE_NV)
            average = 1e-3 * (wave(at_ms + 0.3 * place, times) + noise[0])
            curves = np.column_stack([TIMES_MS, average, average + 1e-3 * noise[1], average - 1e-3 * noise[1]])
            if played:
                rows += [f"{3 * place + number}," + ",".join(map(repr, row)) for row in curves.tolist()]
        conditions.append({
            "ear": ear, "stimulus": "click", "frequency_hz": None, "levels_db_nhl": LEVELS,
            "threshold_db_nhl": 12.0, "low_db_nhl": 8.0, "high_db_nhl": 16.0, "beyond": None, "found_db_nhl": 20.0,
            "finished": True, "seconds": 100.0, "words": "", "hidden": "", "cells": cells,
        })  # fmt: skip
    (folder.path / "cells.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    stimulus = {"ear": "right", "route": "air", "kind": "click", "frequency_hz": None, "level_db_nhl": 60.0, "age_group": "adult",
                "muted": False, "masking": None}  # fmt: skip
    folder.write_json("run.json", {
        "title": "Two ears", "verdict": "searched", "stopped_by": "search", "alpha": 0.01, "stimulus": stimulus,
        "filter": {"low_hz": 100.0, "high_hz": 1500.0}, "stream": {"rate_hz": 16000.0},
        "search": {"alpha": 0.01, "width_db": 10.0, "conditions": conditions, "orders": []},
    })  # fmt: skip
    return folder.path


def asked(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    status = main(["waves", *map(str, words)])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_every_level_is_told_and_how_wave_v_changes(search: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = asked(capsys, search)
    assert status == 0
    titles = re.findall(r"run-001, (\w+) ear, click by air at (\d+) dB nHL: 8.0 nV of noise", out)
    assert titles == [("right", "60"), ("right", "40"), ("right", "20"), ("left", "60"), ("left", "40")]
    found = [float(ms) for ms in re.findall(r"^  V +(\d+\.\d+)", out, flags=re.MULTILINE)]
    np.testing.assert_allclose(found, [5.9, 6.7, 7.7, 6.2, 7.0], atol=0.15)
    assert re.search(r"right ear, click by air, from 20 to 40 dB nHL: at \+20 dB wave V is 1\.0 ms earlier and \d+ % larger", out)
    assert re.search(r"left ear, click by air, from 40 to 60 dB nHL: at \+20 dB wave V is 0\.8 ms earlier", out)
    assert "Elberling" in out  # published for a click at these levels
    assert not list(search.glob("marks*"))


def test_a_mark_by_hand_is_kept_for_its_level_alone(search: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = asked(capsys, search, "--level", 40, "--ear", "left", "--mark", "V=7.05", "--json")
    assert status == 0
    (one,) = json.loads(out)["runs"]
    assert (one["cell"], one["ear"], one["level_db_nhl"]) == (4, "left", 40.0)
    assert (search / "marks-cell-4.json").exists()
    again = json.loads(asked(capsys, search, "--json")[1])["runs"]
    by = {run["cell"]: {mark["by"] for mark in run["marks"]} for run in again}
    assert by[4] == {"operator", "suggested"}
    assert all(value == {"suggested"} for cell, value in by.items() if cell != 4)
    (v,) = (mark for run in again if run["cell"] == 4 for mark in run["marks"] if mark["wave"] == "V")
    assert v["latency_ms"] == pytest.approx(7.05, abs=0.07)
    anew = json.loads(asked(capsys, search, "--level", 40, "--ear", "left", "--again", "--json")[1])["runs"][0]["marks"]
    assert {mark["by"] for mark in anew} == {"suggested"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--level", "40", "--mark", "V=7"], "--ear or --frequency if several have it"),
        (["--mark", "V=7"], "at one level of a search at a time"),
        (["--level", "45"], "no such level was played: there are 20, 40, 60 dB nHL of right ear, click by air; left ear"),
        (["--level", "20", "--ear", "left"], "no such level was played"),
        (["--frequency", "500"], "no such level was played"),
    ],
)
def test_levels_that_cannot_be_marked(
    search: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    status, _, err = asked(capsys, search, *words)
    assert status == 2
    assert said in err
    assert not list(search.glob("marks*"))


def test_a_level_without_noise_is_named_and_the_others_told(search: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record: Any = json.loads((search / "run.json").read_text(encoding="utf-8"))
    record["search"]["conditions"][0]["cells"][1]["residual_noise_nv"] = None
    (search / "run.json").write_text(json.dumps(record), encoding="utf-8")
    status, out, _ = asked(capsys, search)
    assert status == 0
    assert "right ear, click by air at 40 dB nHL: this run has no residual noise" in out
    assert "right ear, click by air, from 20 to 60 dB nHL" in out
    (search / "cells.csv").unlink()
    status, _, err = asked(capsys, search)
    assert status == 2
    assert "has no averages to mark: averages of its levels are not known: it holds no cells.csv" in err


def test_where_one_average_is_wanted_the_way_to_a_level_is_told(search: Path) -> None:
    with pytest.raises(FolderError, match=r"is a search, with an average for each level: .*--level DB"):
        RunMarks(search)


def test_levels_of_no_search_are_refused(search: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record: Any = json.loads((search / "run.json").read_text(encoding="utf-8"))
    del record["search"]
    (search / "run.json").write_text(json.dumps(record), encoding="utf-8")
    status, _, err = asked(capsys, search, "--level", "40")
    assert status == 2
    assert "is no search: --level, --ear and --frequency choose among the levels of one" in err
