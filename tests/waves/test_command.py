"""`quietfloor waves` on folders of runs."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietfloor.monitor.cli import main
from quietfloor.monitor.display.waves import RunMarks
from quietfloor.monitor.storage.run_folder import RunFolder
from tests.waves.conftest import TIMES_MS, bell, filtered_noise

WAVE = bell(1.8, 120, 0.22) + bell(4.0, 110, 0.25) + bell(5.9, 240, 0.35) - bell(8.0, 160, 0.7)


@pytest.fixture
def session(tmp_path: Path, rng: np.random.Generator) -> list[Path]:
    """Two runs at 60 dB nHL with 10 nV of noise, one at 65 dB that is larger and earlier."""
    paths = []
    for db, shift, times in ((60.0, 0, 1.0), (60.0, 0, 1.0), (65.0, 4, 1.2)):
        folder = RunFolder.create(tmp_path)
        folder.raw.write_bytes(b"XDF:")
        rows = 1e-3 * filtered_noise(rng, 3, 10.0)
        average = 1e-3 * times * np.roll(WAVE, -shift) + rows[0]
        folder.write_average(TIMES_MS, average, average + rows[1], average - rows[1], rows[2])
        folder.write_json("run.json", record(level_db_nhl=db))
        paths.append(folder.path)
    return paths


def record(**sound: Any) -> dict[str, Any]:
    stimulus = {"ear": "right", "route": "air", "kind": "click", "frequency_hz": None, "age_group": "adult", "muted": False}
    return {
        "title": "A run", "verdict": "response_present", "evidence": 2.5, "alpha": 0.01, "residual_noise_nv": 10.0,
        "filter": {"low_hz": 100.0, "high_hz": 1500.0}, "stimulus": stimulus | sound,
    }  # fmt: skip


def asked(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    status = main(["waves", *map(str, words)])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_waves_beside_what_is_published(session: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = asked(capsys, session[0])
    assert status == 0
    assert "10.0 nV of noise" in out
    (v,) = (line for line in out.splitlines() if line.strip().startswith("V "))
    assert re.search(r"V +5\.\d+ +5\.\d+ to \d\.\d+ +\d{3} +\d{3} to \d{3} +suggested +5\.38 to 6\.38: Elberling", v)
    assert re.search(r"I-V +4\.\d+", out)
    assert not (session[0] / "marks.json").exists()  # suggestions are not kept unasked


def test_a_run_without_a_title_or_a_noise_is_named_without_them(session: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    kept = record() | {"title": ""}
    RunFolder(session[0]).write_json("run.json", kept)
    assert f"{session[0].name}: 10.0 nV of noise\n" in asked(capsys, session[0])[1]
    RunFolder(session[0]).write_json("run.json", kept | {"title": "two\nlines"})
    assert f"{session[0].name}: two lines, 10.0 nV of noise\n" in asked(capsys, session[0])[1]


@pytest.mark.parametrize(
    ("stopped_by", "quiet_nv", "said"),
    [
        ("response", None, "3 to 14 %"), ("response", 8.0, "3 to 14 %"), ("response", 20.0, "up to 2 %"),
        ("sweep_limit", None, ""),
    ],
)
def test_a_run_that_ended_on_its_response_says_that_it_looks_too_large(
    session: list[Path], capsys: pytest.CaptureFixture[str], stopped_by: str, quiet_nv: float | None, said: str
) -> None:
    """Less where it waited for a quieter average and got it: this one has 10 nV."""
    folder = RunFolder(session[0])
    folder.write_json("run.json", record(level_db_nhl=60.0) | {"stopped_by": stopped_by})
    decision = "" if quiet_nv is None else f"[decision]\nquiet_nv = {quiet_nv}\n"
    folder.plan.write_text(decision, encoding="utf-8")
    out = asked(capsys, session[0])[1]
    assert f"measured too large: on average by {said}" in out if said else "too large" not in out
    assert ("amplitude is biased upward" in RunMarks(session[0]).words) == bool(said)


def test_by_hand_and_kept(session: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = asked(capsys, session[0], "--mark", "V=6.05", "--remove", "I", "--json")
    assert status == 0
    marks = json.loads(out)["runs"][0]["marks"]
    assert [(mark["wave"], mark["by"]) for mark in marks] == [
        ("III", "suggested"), ("V", "operator"), ("trough", "suggested"),
    ]  # fmt: skip
    again = json.loads(asked(capsys, session[0], "--json")[1])["runs"][0]["marks"]
    assert again == marks
    anew = json.loads(asked(capsys, session[0], "--again", "--json")[1])["runs"][0]["marks"]
    assert {mark["by"] for mark in anew} == {"suggested"}
    assert (session[0] / "marks.json").exists()


def test_replicates_and_growth(session: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = asked(capsys, *session)
    assert status == 0
    assert "at 60 dB nHL: clear response by guidance" in out
    assert "evidence of all together 5.0 (2.0 needed)" in out
    assert re.search(r"from 60 to 65 dB nHL: at \+5 dB wave V is 0\.[234] ms earlier and (15|20|25) % larger: as expected", out)


def test_runs_with_other_noise_in_the_other_ear_are_no_replicates(
    session: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    masking = {"noise": "white", "level_db_em": 40.0, "level_db_fs": None}
    RunFolder(session[1]).write_json("run.json", record(level_db_nhl=60.0, masking=masking))
    status, out, _ = asked(capsys, *session)
    assert (status, "of all together" in out) == (0, False)
    assert out.count("from 60 to 65 dB nHL") == 1
    RunFolder(session[0]).write_json("run.json", record(level_db_nhl=60.0, masking=masking))
    assert "at 60 dB nHL, masked with white 40 dB EM: clear response by guidance" in asked(capsys, *session)[1]


def test_own_norms(session: list[Path], capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(
        '[[latency]]\nwave = "V"\nstimulus = "click"\nage_group = "adult"\nsource = "our own ears"\nstatus = "verified"\n'
        "rows = [[60, 6.0, 0.1]]\n"
    )
    assert "5.80 to 6.20: our own ears (verified)" in asked(capsys, session[0], "--norms", own)[1]
    own.write_text("x = 1")
    status, _, err = asked(capsys, session[0], "--norms", own)
    assert status == 2
    assert "own.toml" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--mark", "V=9"], "does not come before the trough"),
        (["--mark", "V=90"], "outside the average"),
        (["--mark", "IV=5"], "wave = 'IV'"),
        (["--remove", "II"], "wave II is not marked"),
    ],
)
def test_marks_that_cannot_be(session: list[Path], capsys: pytest.CaptureFixture[str], words: list[str], said: str) -> None:
    status, _, err = asked(capsys, session[0], *words)
    assert status == 2
    assert said in err
    assert not (session[0] / "marks.json").exists()


def test_runs_that_cannot_be_marked(session: list[Path], capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert "no run folder" in asked(capsys, tmp_path / "none")[2]
    assert "each run once" in asked(capsys, session[0], session[0])[2]
    assert "one run at a time" in asked(capsys, session[0], session[1], "--keep")[2]
    RunFolder.open(session[1]).write_json("run.json", record(ear="left"))
    assert "different ears" in asked(capsys, session[0], session[1])[2]
    RunFolder.open(session[1]).write_json("run.json", record() | {"residual_noise_nv": None})
    assert "before there was an average" in asked(capsys, session[1])[2]
    (session[2] / "marks.json").write_text("{}")
    status, _, err = asked(capsys, session[2])
    assert status == 2
    assert "no marks of this program" in err
