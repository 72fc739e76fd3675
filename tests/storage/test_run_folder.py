"""The run folder: exclusive, atomic, exact to the last bit, null for what is undefined."""

from __future__ import annotations

import dataclasses
import enum
import json
import threading
from pathlib import Path

import numpy as np
import pytest

from quietfloor.monitor.storage.run_folder import FolderError, RunFolder, event_line, jsonable


def test_runs_are_numbered_and_made_once(tmp_path: Path) -> None:
    session = tmp_path / "a" / "session"
    assert RunFolder.create(session).path.name == "run-001"
    (session / "run-007").mkdir()
    (session / "run-notes").mkdir()
    (session / "run-²").mkdir()
    assert RunFolder.create(session).path.name == "run-008"
    made: list[str] = []
    threads = [threading.Thread(target=lambda: made.append(RunFolder.create(session).path.name)) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(made) == [f"run-{number:03d}" for number in range(9, 17)]


def test_a_folder_that_cannot_be_made_or_is_no_run_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FolderError, match="--out"):
        RunFolder.create(tmp_path / "file")
    with pytest.raises(FolderError, match=r"raw\.xdf"):
        RunFolder.open(tmp_path)
    (tmp_path / "raw.xdf").write_bytes(b"XDF:")
    assert RunFolder.open(tmp_path).raw == tmp_path / "raw.xdf"


def test_json_keeps_every_bit_and_writes_null_for_what_is_undefined(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path)
    values = np.random.default_rng(2).normal(size=100) * 10.0 ** np.arange(-50, 50)
    content = {"values": values, "evidence": float("nan"), "limit": -np.inf, "n": np.int64(3), "ok": np.True_}
    folder.write_json("run.json", content)
    read = folder.read_json("run.json")
    assert read["values"] == values.tolist()
    assert read["evidence"] is None
    assert read["limit"] is None
    assert read["n"] == 3
    assert read["ok"] is True
    assert [path.name for path in folder.path.iterdir()] == ["run.json"]


class Verdict(enum.StrEnum):
    PRESENT = "response_present"


@dataclasses.dataclass(frozen=True)
class Look:
    sweeps: int
    evidence: float
    verdict: Verdict
    average_uv: np.ndarray


def test_events_are_lines_with_the_same_bytes_for_the_same_values(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path)
    look = Look(16, 0.1, Verdict.PRESENT, np.array([0.1, np.nan]))
    assert event_line(look) == '{"sweeps":16,"evidence":0.1,"verdict":"response_present","average_uv":[0.1,null]}\n'
    folder.append_event(look)
    folder.append_event({"path": tmp_path, "both": {1, 2}})
    assert len(list(folder.read_events())) == 2  # readable while the run goes on
    folder.close()
    folder.close()
    with open(folder.events, "a") as file:
        file.write('{"cut')
    events = list(folder.read_events())
    assert events[0] == json.loads(event_line(look))
    assert events[1] == {"path": str(tmp_path), "both": [1, 2]}
    with pytest.raises(TypeError, match="object"):
        jsonable(object())


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path)
    folder.write_json("run.json", {"verdict": "inconclusive"})
    with pytest.raises(TypeError):
        folder.write_json("run.json", {"verdict": object()})
    assert folder.read_json("run.json") == {"verdict": "inconclusive"}


def test_the_average_table_reads_back_exactly(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path)
    columns = np.random.default_rng(4).normal(size=(7, 40))
    columns[3, 7] = np.nan
    folder.write_average(*columns)
    text = folder.average.read_text()
    assert text.splitlines()[0] == "time_ms,average_uv,a_uv,b_uv,plus_minus_uv,condensation_uv,rarefaction_uv"
    np.testing.assert_array_equal(np.genfromtxt(folder.average, delimiter=",", skip_header=1).T, columns)
    with pytest.raises(ValueError, match="one length"):
        folder.write_average(columns[0], columns[1], columns[2], columns[3], columns[4][:3])


def test_what_can_be_no_average_is_not_known(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path)
    columns = np.random.default_rng(5).normal(size=(7, 40))
    columns[1, 3], columns[2, 4] = 1e300, -np.inf
    folder.write_average(*columns)
    found = np.array(list(folder.read_average().values()))
    assert np.isnan(found[[1, 2], [3, 4]]).all()
    assert np.isnan(found).sum() == 2


def test_an_average_without_polarities_is_read_and_they_are_not_known(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path)
    folder.write_average(*np.ones((5, 8)))
    assert np.isnan(folder.read_average()["condensation_uv"]).all()
    lines = folder.average.read_text().splitlines()
    folder.average.write_text("\n".join(",".join(line.split(",")[:5]) for line in lines) + "\n")  # as earlier versions wrote it
    back = folder.read_average()
    assert (back["average_uv"] == 1).all()
    assert np.isnan(back["rarefaction_uv"]).all()


def test_the_average_comes_back_to_the_last_bit(tmp_path: Path) -> None:
    folder = RunFolder.create(tmp_path)
    columns = np.random.default_rng(4).normal(size=(7, 40))
    columns[3, 7] = np.nan
    folder.write_average(*columns)
    back = folder.read_average()
    assert list(back) == ["time_ms", "average_uv", "a_uv", "b_uv", "plus_minus_uv", "condensation_uv", "rarefaction_uv"]
    np.testing.assert_array_equal(np.array(list(back.values())), columns)
    for text in ("", "time_ms,average_uv\n1,2\n", "time_ms,average_uv,a_uv,b_uv,plus_minus_uv\n1,2,3,x,5\n"):
        folder.average.write_text(text)
        with pytest.raises(FolderError, match="no average of a run"):
            folder.read_average()
